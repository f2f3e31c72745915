"""Pixels on demand: whole frames or only the pixels around stars, never the whole file at once."""

from __future__ import annotations

import gzip
import warnings
from collections import OrderedDict
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from blursplit.frames.layout import Slab

    Floats = NDArray[np.float32]
    Ints = NDArray[np.int64]

CACHE_BYTES = 96_000_000
MAPPED_BYTES = 128_000_000
BLOCK_BYTES = 48_000_000
_UNREADABLE = (OSError, EOFError, ValueError, RuntimeError, TypeError, KeyError, IndexError)


class FrameSource(Protocol):
    """Frames of a sequence in order of time."""

    n_frames: int
    shape: tuple[int, int]

    def read(self, start: int, stop: int) -> Floats:
        """Return frames ``start:stop`` as float32 [frame, y, x]; bad pixels are NaN."""
        ...

    def cut(self, start: int, stop: int, x0: Ints, y0: Ints, size: int) -> Floats:
        """Return ``size x size`` stamps of frames ``start:stop``, float32 [frame, star, y, x]."""
        ...

    def close(self) -> None:
        """Let go of all files."""
        ...


class FileFrames:
    """Frames kept in FITS files, of any packing, read when asked for.

    Parameters
    ----------
    slabs : sequence of Slab
        Stacks of images, all of one shape.
    slab, plane : ndarray of int, shape (n_frames,)
        Which slab, and which image in it, each frame is.

    Notes
    -----
    Stamps of uncompressed cubes touch only their own pixels, through a memory map that lives no
    longer than the call, so that mapped pages do not add up. Files of one frame, gzipped and
    tile-compressed ones are read once and kept for the next call, up to 96 MB. A frame that
    cannot be read comes out as NaN and is named in `failures`.
    """

    def __init__(self, slabs: Sequence[Slab], slab: Ints, plane: Ints) -> None:
        self._slabs = list(slabs)
        self._slab = slab
        self._plane = plane
        self.n_frames = int(slab.size)
        self.shape = self._slabs[0].shape
        self.failures: dict[int, str] = {}
        self._cache: OrderedDict[int, NDArray[Any]] = OrderedDict()
        self._cached_bytes = 0
        self._open: tuple[str, int, Any, Any] | None = None

    @property
    def block_frames(self) -> int:
        """Number of frames that make a block of about 48 MB as float32."""
        return max(1, BLOCK_BYTES // (4 * self.shape[0] * self.shape[1]))

    def read(self, start: int, stop: int) -> Floats:
        """Return frames ``start:stop`` as float32 [frame, y, x]; bad pixels are NaN."""
        out = np.empty((stop - start, *self.shape), dtype=np.float32)
        for first, last, slab, raw in self._pieces(start, stop):
            out[first - start : last - start] = to_adu(raw, slab)
        return out

    def cut(self, start: int, stop: int, x0: Ints, y0: Ints, size: int) -> Floats:
        """Return stamps of frames ``start:stop``; outside the frame they are NaN.

        Parameters
        ----------
        x0, y0 : ndarray of int, shape (n, k) or (k,)
            Position of each stamp's pixel [0, 0] in the frame.
        size : int
            Width and height.

        Returns
        -------
        ndarray of float32, shape (n, k, size, size)
        """
        count = stop - start
        x0 = np.broadcast_to(np.asarray(x0), (count, np.shape(x0)[-1]))
        y0 = np.broadcast_to(np.asarray(y0), (count, np.shape(y0)[-1]))
        out = np.empty((count, x0.shape[1], size, size), dtype=np.float32)
        for first, last, slab, raw in self._pieces(start, stop):
            part = slice(first - start, last - start)
            out[part] = gather(raw, x0[part], y0[part], size, slab)
        return out

    def close(self) -> None:
        """Let go of the files and of the frames kept."""
        self._cache.clear()
        self._cached_bytes = 0
        self._close_file()

    def _pieces(self, start: int, stop: int) -> Iterator[tuple[int, int, Slab, NDArray[Any]]]:
        """Yield (first, last, slab, raw [frame, y, x]) runs that cover ``start:stop``."""
        if not 0 <= start <= stop <= self.n_frames:
            msg = f"frames {start}:{stop} of {self.n_frames}"
            raise IndexError(msg)
        first = start
        while first < stop:
            slab = self._slabs[self._slab[first]]
            if slab.packing == "plain" and slab.planes > 1:
                last = self._end_of_run(first, stop, slab)
                yield first, last, slab, self._mapped(first, last, slab)
            else:
                last = first + 1
                yield first, last, slab, self._whole(first, slab)[np.newaxis]
            first = last

    def _end_of_run(self, first: int, stop: int, slab: Slab) -> int:
        frame_bytes = slab.dtype.itemsize * slab.shape[0] * slab.shape[1] * slab.stride
        stop = min(stop, first + max(1, MAPPED_BYTES // frame_bytes))
        steps = np.arange(stop - first)
        together = (self._slab[first:stop] == self._slab[first]) & (
            self._plane[first:stop] == self._plane[first] + steps
        )
        return stop if together.all() else first + int(np.argmin(together))

    def _mapped(self, first: int, last: int, slab: Slab) -> NDArray[Any]:
        ny, nx = slab.shape
        plane_bytes = slab.dtype.itemsize * ny * nx
        offset = slab.offset + int(self._plane[first]) * slab.stride * plane_bytes
        try:
            mapped = np.memmap(
                slab.path,
                dtype=slab.dtype,
                mode="r",
                offset=offset,
                shape=(last - first, slab.stride, ny, nx),
            )
        except _UNREADABLE as error:
            self.failures.update(dict.fromkeys(range(first, last), str(error)))
            return np.full((last - first, ny, nx), np.nan, dtype=np.float32)
        return np.asarray(mapped)[:, _colour(slab)]

    def _whole(self, frame: int, slab: Slab) -> NDArray[Any]:
        kept = self._cache.get(frame)
        if kept is not None:
            self._cache.move_to_end(frame)
            return kept
        try:
            raw = self._load(int(self._plane[frame]), slab)
        except _UNREADABLE as error:
            self.failures[frame] = f"{slab.where}: {error}"
            raw = np.full(slab.shape, np.nan, dtype=np.float32)
        self._cache[frame] = raw
        self._cached_bytes += raw.nbytes
        while self._cached_bytes > CACHE_BYTES and len(self._cache) > 1:
            self._cached_bytes -= self._cache.popitem(last=False)[1].nbytes
        return raw

    def _load(self, plane: int, slab: Slab) -> NDArray[Any]:
        pixels = slab.shape[0] * slab.shape[1]
        index = plane * slab.stride + _colour(slab)
        offset = slab.offset + index * pixels * slab.dtype.itemsize
        if slab.packing == "plain":
            raw = np.fromfile(slab.path, dtype=slab.dtype, count=pixels, offset=offset)
            return raw.reshape(slab.shape)
        handle = self._file(slab)
        if slab.packing == "gzip":
            handle.seek(offset)
            content = handle.read(pixels * slab.dtype.itemsize)
            return np.frombuffer(content, dtype=slab.dtype, count=pixels).reshape(slab.shape)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            leading = (0,) * (int(slab.header.get("ZNAXIS", 2)) - 3)
            cube = slab.planes * slab.stride > 1 or int(slab.header.get("ZNAXIS", 2)) > 2  # noqa: PLR2004
            if slab.stride > 1 and slab.planes > 1:
                section = handle.section[plane, _colour(slab)]
            elif cube:
                section = handle.section[(*leading, index)]
            else:
                section = handle.section[:, :]
        return np.asarray(section).reshape(slab.shape)

    def _file(self, slab: Slab) -> Any:
        """Return the open file (gzip) or header unit (tiles); one is kept open."""
        key = (str(slab.path), slab.hdu)
        if self._open is None or self._open[:2] != key:
            self._close_file()
            if slab.packing == "gzip":
                stream = gzip.open(slab.path, "rb")  # noqa: SIM115  closed in _close_file
                self._open = (*key, stream, stream)
            else:
                from astropy.io import fits

                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    units = fits.open(slab.path, memmap=True, do_not_scale_image_data=True)
                    self._open = (*key, units, units[slab.hdu])
        return self._open[3]

    def _close_file(self) -> None:
        if self._open is not None:
            self._open[2].close()
            self._open = None


def _colour(slab: Slab) -> int:
    return 1 if slab.stride > 1 else 0


def to_adu(raw: NDArray[Any], slab: Slab) -> Floats:
    """Return stored numbers as float32 ADU, with BSCALE, BZERO and BLANK applied."""
    out = raw.astype(np.float32)
    if raw.dtype.kind == "f":
        out[~np.isfinite(out)] = np.nan
    elif slab.blank is not None:
        out[raw == slab.blank] = np.nan
    if slab.bscale != 1:
        out *= np.float32(slab.bscale)
    if slab.bzero:
        out += np.float32(slab.bzero)
    return out


def gather(raw: NDArray[Any], x0: Ints, y0: Ints, size: int, slab: Slab) -> Floats:
    """Return the stamps of a block of raw frames as float32 ADU [frame, star, y, x]."""
    ny, nx = raw.shape[1:]
    inside = (x0 >= 0) & (y0 >= 0) & (x0 + size <= nx) & (y0 + size <= ny)
    frame, star = np.nonzero(inside)
    if frame.size == inside.size:
        windows = np.lib.stride_tricks.sliding_window_view(raw, (size, size), axis=(1, 2))  # type: ignore[call-overload]
        picked = windows[np.arange(raw.shape[0])[:, np.newaxis], y0, x0]
        return to_adu(picked, slab)
    out = np.full((*x0.shape, size, size), np.nan, dtype=np.float32)
    if frame.size:
        windows = np.lib.stride_tricks.sliding_window_view(raw, (size, size), axis=(1, 2))  # type: ignore[call-overload]
        out[inside] = to_adu(windows[frame, y0[inside], x0[inside]], slab)
    for f, s in zip(*np.nonzero(~inside), strict=True):
        left, top = int(x0[f, s]), int(y0[f, s])
        xs = slice(max(left, 0), min(left + size, nx))
        ys = slice(max(top, 0), min(top + size, ny))
        if xs.start < xs.stop and ys.start < ys.stop:
            to_y = slice(ys.start - top, ys.stop - top)
            to_x = slice(xs.start - left, xs.stop - left)
            out[f, s, to_y, to_x] = to_adu(raw[f, ys, xs], slab)
    return out
