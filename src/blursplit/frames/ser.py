"""SER, version 3: a header of 178 bytes, the frames, and at its end a time for each of them."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.frames.header import Header
from blursplit.frames.layout import Slab
from blursplit.frames.timestamps import Stamps
from blursplit.result import Facts, Note
from blursplit.types import IntArray

_FIELDS = struct.Struct("<14s7i40s40s40s2q")
_MOSAICS = {8: "RGGB", 9: "GRBG", 10: "GBRG", 11: "BGGR"}


def read_ser(path: Path, size: int) -> Slab:
    """Describe the frames of a SER file; none of them is read but a few for the byte order.

    `size`: bytes in the file; frames that it does not hold whole are left out.
    """
    if size < const.SER_HEADER_BYTES:
        raise InputError(path, f"holds {size} bytes of a SER header", "copy it again")
    with path.open("rb") as file:
        fields = _FIELDS.unpack(file.read(const.SER_HEADER_BYTES))
    _, _, colour, little, nx, ny, depth, promised, *names, local, universal = fields
    if not (0 < nx <= 1 << 16 and 0 < ny <= 1 << 16 and promised >= 0):
        problem = f"ImageWidth, ImageHeight, FrameCount = {nx}, {ny}, {promised} make no sense"
        raise InputError(path, problem, "copy it again")
    if not 1 <= depth <= 16:  # noqa: PLR2004
        raise InputError(path, f"PixelDepth = {depth} makes no sense", "record 8 or 16 bits")
    if colour != 0 and colour not in _MOSAICS:
        problem = f"ColorID = {colour}: neither grey nor a mosaic of red, green and blue"
        raise InputError(path, problem, "record grey frames or the raw mosaic")
    frame_bytes = nx * ny * (1 if depth <= 8 else 2)  # noqa: PLR2004
    held = (size - const.SER_HEADER_BYTES) // frame_bytes
    planes = min(promised, held) if promised else held
    notes: list[Note] = []
    if planes < promised or not promised:
        facts: Facts = {"file": path.name, "promised": promised or None, "frames": planes}
        notes.append(("ser-cut-short", facts))
    dtype: np.dtype[np.generic] = np.dtype("u1")
    if depth > 8:  # noqa: PLR2004
        dtype = _byte_order(path, planes, (ny, nx), little, notes)
    stamps, start = _times(path, planes, frame_bytes, size, local, universal)
    texts = dict(zip(("OBSERVER", "INSTRUME", "TELESCOP"), map(_text, names), strict=True))
    texts |= {"BAYERPAT": _MOSAICS.get(colour, "")} | start
    return Slab(
        path=path,
        hdu=0,
        packing="plain",
        offset=const.SER_HEADER_BYTES,
        dtype=dtype,
        planes=planes,
        shape=(ny, nx),
        bscale=1.0,
        bzero=0.0,
        blank=None,
        header=Header.of({key: text for key, text in texts.items() if text}),
        stamps=stamps,
        notes=tuple(notes),
    )


def _byte_order(
    path: Path, planes: int, shape: tuple[int, int], little: int, notes: list[Note]
) -> np.dtype[np.generic]:
    """Return the type of 16-bit pixels by which neighbours are alike.

    Writers disagree about what the flag means, most against the publication. In the wrong order
    the low byte comes out on top, and neighbours differ as widely as any two pixels: their mean
    squared difference over twice the variance (von Neumann 1941) is then near 1 and else small.
    Where that tells nothing, as without a star, the byte of less variety is the high one; and
    where that is the same too the flag counts, in the sense that most writers give it.
    """
    by_flag = ">u2" if little else "<u2"
    pixels = shape[0] * shape[1]
    unlike, variety = {"<u2": 0.0, ">u2": 0.0}, {"<u2": 0.0, ">u2": 0.0}
    for number in (
        np.unique(np.linspace(0, planes - 1, const.SER_LOOKED_AT).astype(int)) if planes else ()
    ):
        offset = const.SER_HEADER_BYTES + int(number) * pixels * 2
        raw = np.fromfile(path, dtype="<u2", count=pixels, offset=offset).reshape(shape)
        for order in unlike:
            frame = raw.view(order).astype(np.float64)
            spread = float(frame.var())
            if spread > 0:
                unlike[order] += float(np.square(np.diff(frame, axis=1)).mean()) / (2.0 * spread)
            share = np.bincount((raw.view(order) >> 8).ravel(), minlength=256) / pixels
            variety[order] -= float((share * np.log2(share, where=share > 0, out=0 * share)).sum())
    best = by_flag
    for values in (unlike, variety):
        smallest = min(values, key=values.__getitem__)
        if values[smallest] < const.SER_UNLIKE * max(values.values()):
            best = smallest
            break
    if best != by_flag:
        notes.append(("ser-byte-order", {"file": path.name}))
    return np.dtype(best)


def _times(
    path: Path, planes: int, frame_bytes: int, size: int, local: int, universal: int
) -> tuple[Stamps | None, dict[str, str]]:
    """Return the stamps of the frames, and cards with the time of the first where there are none.

    The trailer is universal time by the publication, local time by some writers. The header holds
    both times of the start, so the trailer is the one that its first stamp lies nearer to.
    """
    local, universal = local & const.SER_TIME_BITS, universal & const.SER_TIME_BITS
    start = {"DATE-BEG": _iso(universal)} if _is_date(universal) else {}
    ticks = _trailer(path, planes, frame_bytes, size)
    if ticks is None:
        return None, start
    offset = 0
    note = "SER does not say which part of the exposure its times mark: the beginning is assumed"
    known = True
    if _is_date(local) and _is_date(universal):
        apart = abs(local - universal) * const.SER_TICK_S
        if apart > const.SER_SAME_CLOCK_S and abs(ticks[0] - local) < abs(ticks[0] - universal):
            offset = local - universal
            note = (
                f"times of the frames are local: {offset * const.SER_TICK_S / 3600:+g} h taken off"
            )
    elif _is_date(local) and abs(ticks[0] - local) * const.SER_TICK_S < const.SER_SAME_CLOCK_S:
        known = False
        note = "times of the frames are as the local start, and no universal one is given"
    since_mjd_0_s = (int(ticks[0]) - offset - const.SER_TICKS_AT_MJD_0) * const.SER_TICK_S
    first = since_mjd_0_s / const.DAY_S if known else None
    step = 10 ** next(k for k in range(7, -1, -1) if not (ticks % 10**k).any())
    seconds = (ticks - ticks[0]) * const.SER_TICK_S
    stamps = Stamps(seconds, first, "the SER trailer", "begin", step * const.SER_TICK_S, note)
    return stamps, start


def _trailer(path: Path, planes: int, frame_bytes: int, size: int) -> IntArray | None:
    """Return the times of the frames in ticks, or None where they are absent or make no sense."""
    begin = const.SER_HEADER_BYTES + planes * frame_bytes
    if planes == 0 or size - begin < 8 * planes:
        return None
    ticks = np.fromfile(path, dtype="<i8", count=planes, offset=begin) & const.SER_TIME_BITS
    is_dated = _is_date(int(ticks.min())) and _is_date(int(ticks.max()))
    return ticks.astype(np.int64) if is_dated and np.ptp(ticks) > 0 else None


def _is_date(ticks: int) -> bool:
    return const.SER_FEWEST_TICKS <= ticks <= const.SER_LATEST_TICKS


def _iso(ticks: int) -> str:
    moment = np.datetime64("0001-01-01T00:00:00", "us") + np.timedelta64(ticks // 10, "us")
    return str(moment)


def _text(field: bytes) -> str:
    text = field.split(b"\0")[0].decode("latin-1")
    return "".join(c if c.isprintable() else " " for c in text).strip()
