"""Pixels on demand: whole frames or only the pixels around stars, never the whole file at once."""

from __future__ import annotations

import gzip
import warnings
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.errors import InputError
from blursplit.frames.layout import Slab
from blursplit.types import ImageArray, IntArray

_UNREADABLE = (OSError, EOFError, ValueError, RuntimeError, TypeError, KeyError, IndexError)


# As the kernels ask: whether bytes are swapped, which bit is flipped, what is added.
Packing = tuple[bool, np.uint16, float]


class FrameSource(Protocol):
    """Frames of a sequence in order of time."""

    n_frames: int
    shape: tuple[int, int]

    @property
    def failures(self) -> dict[int, str]:
        """Why frames could not be read so far."""
        ...

    def read(self, start: int, stop: int) -> ImageArray:
        """Return frames ``start:stop`` as float32 [frame, y, x]; bad pixels are NaN."""
        ...

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        """Return ``size x size`` stamps of frames ``start:stop``, float32 [frame, star, y, x]."""
        ...

    def close(self) -> None:
        """Let go of all files."""
        ...


class FileFrames:
    """Frames kept in FITS files, of any packing, read when asked for.

    `slabs`: stacks of images, all of one shape. `slab`, `plane` (n_frames,): which slab, and which
    image in it, each frame is. `mapped`: files may be mapped into memory. One that its writer cuts
    meanwhile must not be: whoever touches a page that is gone is ended by the system.

    Stamps of uncompressed cubes touch only their own pixels, through a memory map of at most 128 MB
    that the next one replaces, so that mapped pages do not add up. Files of one frame, gzipped and
    tile-compressed ones are read once and kept for the next call, up to 96 MB. A frame that cannot
    be read comes out as NaN and is named in `failures`.
    """

    def __init__(
        self, slabs: Sequence[Slab], slab: IntArray, plane: IntArray, *, mapped: bool = True
    ) -> None:
        self._may_map = mapped
        self._open: tuple[str, int, Any, Any] | None = None
        self._map: tuple[int, int, int, NDArray[Any]] | None = None
        self._slabs = list(slabs)
        self._slab = slab
        self._plane = plane
        self.n_frames = int(slab.size)
        self.shape = self._slabs[0].shape
        self.failures: dict[int, str] = {}
        self._cache: OrderedDict[int, NDArray[Any]] = OrderedDict()
        self._cached_bytes = 0

    @classmethod
    def of(
        cls, slabs: Sequence[Slab], order: IntArray | None = None, *, mapped: bool = True
    ) -> FileFrames:
        """Return the frames of some slabs: all in the order of the files, or as `order` says."""
        counts = [slab.planes for slab in slabs]
        slab = np.repeat(np.arange(len(counts), dtype=np.int64), counts)
        plane = np.concatenate([np.arange(count, dtype=np.int64) for count in counts])
        if order is not None:
            slab, plane = slab[order], plane[order]
        return cls(slabs, slab, plane, mapped=mapped)

    @property
    def kept_frames(self) -> int:
        """Number of frames that may be cut again without being read again."""
        slab = self._slabs[0]
        mapped = slab.packing == "plain" and slab.planes > 1
        return max(1, (const.MAPPED_BYTES if mapped else const.CACHE_BYTES) // slab.frame_bytes)

    def read(self, start: int, stop: int) -> ImageArray:
        """Return frames ``start:stop`` as float32 [frame, y, x]; bad pixels are NaN."""
        out = np.empty((stop - start, *self.shape), dtype=np.float32)
        for first, last, slab, raw in self.pieces(start, stop):
            for number in range(last - first):  # a frame at a time stays in the processor's cache
                _to_adu(raw[number], slab, out[first - start + number])
        return out

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        """Return stamps of frames ``start:stop``, (n, k, size, size); outside the frame NaN.

        `x0`, `y0` (n, k) or (k,): position of each stamp's pixel [0, 0] in the frame.
        """
        count = stop - start
        x0, y0 = _positions(x0, y0, count)
        if self.shape == (size, size) and x0.shape[1] == 1 and not (x0.any() or y0.any()):
            return self.read(start, stop)[:, np.newaxis]
        out = np.empty((count, x0.shape[1], size, size), dtype=np.float32)
        for first, last, slab, frames in self.pieces(start, stop):
            part = slice(first - start, last - start)
            raw, packing = _pack(frames, slab)
            if packing is None:
                _gather(raw, x0[part], y0[part], size, partial(_to_adu, slab=slab), out[part])
            else:
                kernels().gather(raw, packing, x0[part], y0[part], out[part])
        return out

    def close(self) -> None:
        """Let go of the files and of the frames kept."""
        self._cache.clear()
        self._cached_bytes = 0
        self._map = None
        self._close_file()

    def __del__(self) -> None:
        self._close_file()

    def pieces(self, start: int, stop: int) -> Iterator[tuple[int, int, Slab, NDArray[Any]]]:
        """Yield (first, last, slab, raw [frame, y, x]) runs that cover ``start:stop``.

        The frames of one run may be overwritten by those of the next.
        """
        if not 0 <= start <= stop <= self.n_frames:
            msg = f"frames {start}:{stop} of {self.n_frames}"
            raise IndexError(msg)
        first = start
        while first < stop:
            slab = self._slabs[self._slab[first]]
            if slab.packing == "plain" and slab.planes > 1 and (self._may_map or slab.stride == 1):
                last = self._end_of_run(first, stop, slab)
                if slab.stride == 1 and not self._may_map:
                    yield from self._streamed(first, last, slab)
                else:
                    yield first, last, slab, self._mapped(first, last, slab)
            else:
                last = first + 1
                yield first, last, slab, self._whole(first, slab)[np.newaxis]
            first = last

    def stored_pieces(
        self, start: int, stop: int
    ) -> Iterator[tuple[int, int, NDArray[Any], Packing | None]]:
        """Yield the runs of `pieces`: (first, last), the pixels as stored and their packing.

        The packing is None where the kernels cannot read the pixels: they have to be cut out.
        """
        for first, last, slab, raw in self.pieces(start, stop):
            yield first, last, *_pack(raw, slab)

    def _end_of_run(self, first: int, stop: int, slab: Slab) -> int:
        stop = min(stop, first + max(1, const.MAPPED_BYTES // slab.frame_bytes))
        steps = np.arange(stop - first)
        together = (self._slab[first:stop] == self._slab[first]) & (
            self._plane[first:stop] == self._plane[first] + steps
        )
        return stop if together.all() else first + int(np.argmin(together))

    def _streamed(
        self, first: int, last: int, slab: Slab
    ) -> Iterator[tuple[int, int, Slab, NDArray[Any]]]:
        """Yield a few frames of a cube at a time; a writer may shorten it, so none is mapped."""
        few = max(1, const.STREAM_BYTES // slab.frame_bytes)
        kept = np.empty((min(few, last - first), *slab.shape), dtype=slab.dtype)
        begin = slab.offset + int(self._plane[first]) * slab.frame_bytes
        try:
            with slab.path.open("rb", buffering=0) as file:
                file.seek(begin)
                for start in range(first, last, few):
                    part = kept[: min(few, last - start)]
                    if file.readinto(part.view(np.uint8).data) != part.nbytes:
                        break  # the map says what is wrong with the file
                    yield start, start + len(part), slab, part
                    first = start + len(part)
        except OSError:
            pass
        if first < last:
            yield first, last, slab, self._mapped(first, last, slab)

    def _mapped(self, first: int, last: int, slab: Slab) -> NDArray[Any]:
        if not self._may_map:
            return self._unreadable(first, last, slab, "was cut short")
        number, plane = int(self._slab[first]), int(self._plane[first])
        # A page beyond the end of a file ends the process, so the end is looked for each time.
        frame_bytes = slab.frame_bytes
        try:
            size = slab.path.stat().st_size
        except OSError as error:
            return self._unreadable(first, last, slab, str(error))
        if size < slab.offset + (plane + last - first) * frame_bytes:
            self._map = None
            return self._unreadable(first, last, slab, "the file was shortened while it was read")
        if self._map is not None and self._map[0] == number:
            begin = plane - self._map[1]
            if begin >= 0 and plane + last - first <= self._map[2]:
                return self._map[3][begin : begin + last - first]
        # What follows is mapped along with it, as it is likely to be asked for next.
        fits = max(last - first, const.MAPPED_BYTES // frame_bytes)
        count = min(fits, slab.planes - plane, (size - slab.offset) // frame_bytes - plane)
        try:
            mapped = np.memmap(
                slab.path,
                dtype=slab.dtype,
                mode="r",
                offset=slab.offset + plane * frame_bytes,
                shape=(count, slab.stride, *slab.shape),
            )
        except _UNREADABLE as error:
            return self._unreadable(first, last, slab, str(error))
        raw = np.asarray(mapped)[:, _colour(slab)]
        self._map = (number, plane, plane + count, raw)
        return raw[: last - first]

    def _unreadable(self, first: int, last: int, slab: Slab, why: str) -> NDArray[Any]:
        self.failures.update(dict.fromkeys(range(first, last), f"{slab.where}: {why}"))
        return np.full((last - first, *slab.shape), np.nan, dtype=np.float32)

    def _whole(self, frame: int, slab: Slab) -> NDArray[Any]:
        kept = self._cache.get(frame)
        if kept is not None:
            self._cache.move_to_end(frame)
            return kept
        try:
            raw = self._load(int(self._plane[frame]), slab)
        except _UNREADABLE as error:
            raw = self._unreadable(frame, frame + 1, slab, str(error))[0]
        self._cache[frame] = raw
        self._cached_bytes += raw.nbytes
        while self._cached_bytes > const.CACHE_BYTES and len(self._cache) > 1:
            self._cached_bytes -= self._cache.popitem(last=False)[1].nbytes
        return raw

    def _load(self, plane: int, slab: Slab) -> NDArray[Any]:
        pixels = slab.shape[0] * slab.shape[1]
        index = plane * slab.stride + _colour(slab)
        offset = slab.offset + index * pixels * slab.dtype.itemsize
        if slab.packing == "plain":
            raw = np.fromfile(slab.path, dtype=slab.dtype, count=pixels, offset=offset)
            return raw.reshape(slab.shape)
        try:
            return self._load_packed(index, offset, slab)
        finally:
            if slab.planes == 1:
                self._close_file()  # thousands of files of one frame: none stays open

    def _load_packed(self, index: int, offset: int, slab: Slab) -> NDArray[Any]:
        pixels = slab.shape[0] * slab.shape[1]
        if slab.packing == "gzip":
            handle = self._file(slab)
            handle.seek(offset)
            content = handle.read(pixels * slab.dtype.itemsize)
            return np.frombuffer(content, dtype=slab.dtype, count=pixels).reshape(slab.shape)
        try:
            return self._tiles(index, self._file(slab), slab)
        except Exception as error:  # the decoder's own class of errors is not public
            raise OSError(str(error)) from error

    @staticmethod
    def _tiles(index: int, handle: Any, slab: Slab) -> NDArray[Any]:
        with warnings.catch_warnings(action="ignore"):
            axes = int(slab.header.get("ZNAXIS", 2))
            if axes == 2:  # noqa: PLR2004
                section = handle.section[:, :]
            elif slab.stride > 1 and slab.planes > 1:
                section = handle.section[divmod(index, slab.stride)]
            else:
                lengths = [int(slab.header.get(f"ZNAXIS{n}", 1)) for n in range(axes, 2, -1)]
                section = handle.section[np.unravel_index(index, lengths)]
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

                with warnings.catch_warnings(action="ignore"):
                    units = fits.open(slab.path, memmap=True, do_not_scale_image_data=True)
                    try:
                        self._open = (*key, units, units[slab.hdu])
                    except BaseException:  # the decoder's own errors too: nothing stays open
                        units.close()
                        raise
        return self._open[3]

    def _close_file(self) -> None:
        if self._open is not None:
            self._open[2].close()
            self._open = None


def _colour(slab: Slab) -> int:
    return 1 if slab.stride > 1 else 0


class FramesOver:
    """Frames made of those of another source."""

    def __init__(self, inner: FrameSource) -> None:
        self._inner = inner
        self.n_frames, self.shape = inner.n_frames, inner.shape
        # frames that may be cut again without being read again
        self.kept_frames = int(getattr(inner, "kept_frames", const.LARGEST_BLOCK))

    @property
    def failures(self) -> dict[int, str]:
        """Why frames could not be read so far."""
        return self._inner.failures

    def close(self) -> None:
        """Let go of all files."""
        self._inner.close()


class CalibratedFrames(FramesOver):
    """Frames with offset and flat field applied."""

    def __init__(
        self, inner: FrameSource, offset_adu: ImageArray | None, flat: ImageArray | None
    ) -> None:
        super().__init__(inner)
        self._offset, self._flat = offset_adu, flat
        for name, image in (("bias or dark", self._offset), ("flat field", self._flat)):
            if image is not None and image.shape != self.shape:
                sizes = f"{image.shape[1]} x {image.shape[0]} pixels, the frames "
                sizes += f"{self.shape[1]} x {self.shape[0]}"
                raise InputError(name, f"has {sizes}", "use calibration frames of the same window")

    def read(self, start: int, stop: int) -> ImageArray:
        """Return calibrated frames ``start:stop``."""
        frames = self._inner.read(start, stop)
        if self._offset is not None:
            frames -= self._offset
        if self._flat is not None:
            frames /= self._flat
        return frames

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        """Return calibrated stamps."""
        stamps = self._inner.cut(start, stop, x0, y0, size)
        x0, y0 = _positions(x0, y0, stop - start)
        if self._offset is not None:
            stamps -= self._stamps_of(self._offset, x0, y0, size)
        if self._flat is not None:
            stamps /= self._stamps_of(self._flat, x0, y0, size)
        return stamps

    def _stamps_of(self, image: ImageArray, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        same = np.broadcast_to(image, (x0.shape[0], *image.shape))
        out = np.empty((*x0.shape, size, size), dtype=np.float32)
        _gather(same, x0, y0, size, np.asarray, out)
        return out


class ArrayFrames:
    """Frames that are in memory already, or mapped from a file.

    `frames_adu` (n_frames, ny, nx): what is masked, infinite or beyond 1e15 is taken as NaN, as
    when it comes from a file. `order` (n,): which of them are the frames, in order of time; all by
    default.
    """

    def __init__(self, frames_adu: NDArray[Any], order: IntArray | None = None) -> None:
        self._frames = frames_adu
        self.failures: dict[int, str] = {}
        self._order = np.arange(len(frames_adu)) if order is None else order
        self.n_frames = int(self._order.size)
        self.shape = (int(frames_adu.shape[1]), int(frames_adu.shape[2]))

    def read(self, start: int, stop: int) -> ImageArray:
        """Return a copy of frames ``start:stop``."""
        chosen = self._frames[self._order[start:stop]]
        frames = np.ma.getdata(chosen).astype(np.float32)
        with np.errstate(invalid="ignore"):
            wild = np.ma.getmaskarray(chosen) | (np.abs(frames) > const.LARGEST_ADU)
        frames[wild] = np.nan
        return frames

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        """Return stamps of frames ``start:stop``; outside the frame they are NaN."""
        x0, y0 = _positions(x0, y0, stop - start)
        out = np.empty((*x0.shape, size, size), dtype=np.float32)
        _gather(self.read(start, stop), x0, y0, size, np.asarray, out)
        return out

    def close(self) -> None:
        """Nothing to let go of."""


STORED = frozenset({"|u1", "<u2", ">u2", "<i2", ">i2"})


def _to_adu(raw: NDArray[Any], slab: Slab, out: ImageArray | None = None) -> ImageArray:
    """Return stored numbers as float32 ADU, with BSCALE, BZERO and BLANK applied.

    What is infinite or beyond 1e15 comes out as NaN: a flipped bit or a wrong type, not light.
    """
    if out is None:
        out = np.empty(raw.shape, dtype=np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        out[...] = raw
        if slab.blank is not None and raw.dtype.kind != "f":
            out[raw == slab.blank] = np.nan
        if slab.bscale != 1:
            out *= np.float32(slab.bscale)
        if slab.bzero:
            out += np.float32(slab.bzero)
        if raw.dtype.kind == "f" or raw.dtype.itemsize > 4 or slab.bscale != 1:  # noqa: PLR2004
            out[~(np.abs(out) <= const.LARGEST_ADU)] = np.nan
    return out


def _pack(frames: NDArray[Any], slab: Slab) -> tuple[NDArray[Any], Packing | None]:
    """Return stored frames and how they are packed as the kernels ask, None where they cannot."""
    whole = slab.bscale == 1 and slab.blank is None and slab.bzero == round(slab.bzero)
    if (
        not whole
        or frames.dtype.kind not in "iu"
        or frames.dtype.str not in STORED
        or not frames.flags.c_contiguous
        or abs(slab.bzero) > const.WHOLE_ADU
    ):
        return frames, None
    signed = frames.dtype.kind == "i"
    raw = frames.view(f"=u{frames.dtype.itemsize}")
    raw.flags.writeable = False  # one compiled kernel serves mapped and copied pixels
    swapped = raw.dtype.itemsize > 1 and not frames.dtype.isnative
    flip = np.uint16(0x8000 if signed else 0)
    return raw, (swapped, flip, float(slab.bzero) - (0x8000 if signed else 0))


def _gather(
    frames: NDArray[Any],
    x0: IntArray,
    y0: IntArray,
    size: int,
    convert: Callable[..., ImageArray],
    out: ImageArray,
) -> None:
    """Copy the stamps of a block of frames into `out`, float32 [frame, star, y, x].

    `frames` (n, ny, nx): as stored; only the pixels of the stamps are touched. `x0`, `y0` (n, k).
    `convert`: from stored numbers to ADU. `out` (n, k, size, size): NaN where a stamp reaches
    beyond its frame.
    """
    ny, nx = frames.shape[1:]
    inside = (x0 >= 0) & (y0 >= 0) & (x0 + size <= nx) & (y0 + size <= ny)
    if inside.all():
        # One indexing copies the stamps of a few frames, which are converted while the
        # processor's cache holds them; stamps within the frame are the case that has to be fast.
        windows = np.lib.stride_tricks.sliding_window_view(frames, (size, size), axis=(1, 2))
        few = max(1, const.CUT_BYTES // max(1, 4 * x0.shape[1] * size * size))
        for first in range(0, frames.shape[0], few):
            part = slice(first, first + few)
            number = np.arange(first, min(first + few, frames.shape[0]))[:, np.newaxis]
            out[part] = convert(windows[number, y0[part], x0[part]])
        return
    out.fill(np.nan)
    if inside.any():
        windows = np.lib.stride_tricks.sliding_window_view(frames, (size, size), axis=(1, 2))
        out[inside] = convert(windows[np.nonzero(inside)[0], y0[inside], x0[inside]])
    for f, s in zip(*np.nonzero(~inside), strict=True):
        left, top = int(x0[f, s]), int(y0[f, s])
        xs = slice(max(left, 0), min(left + size, nx))
        ys = slice(max(top, 0), min(top + size, ny))
        if xs.start < xs.stop and ys.start < ys.stop:
            to_y = slice(ys.start - top, ys.stop - top)
            to_x = slice(xs.start - left, xs.stop - left)
            out[f, s, to_y, to_x] = convert(frames[f, ys, xs])


def _positions(x0: IntArray, y0: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Return stamp positions given for all frames at once, or per frame, as (n, k) arrays."""
    x0, y0 = np.asarray(x0), np.asarray(y0)
    shape = (count, x0.shape[-1])
    # copies: for views that nobody may write to, kernels would be compiled once more
    return np.broadcast_to(x0, shape).copy(), np.broadcast_to(y0, shape).copy()
