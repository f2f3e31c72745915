"""Compressed tiles: where each lies in its file, checked before a decoder trusts it.

The reader of tiles follows a place before the beginning of the file's own data without a look: a
flipped bit in such a number would end the whole process instead of one file.
"""

from __future__ import annotations

import re
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from blursplit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from blursplit.frames.header import Header

# FITS standard 4.0, tables 18 and 36: bytes of an element by the letter of its type.
_BYTES = {"L": 1, "B": 1, "A": 1, "I": 2, "J": 4, "K": 8, "E": 4, "D": 8, "C": 8, "M": 16}
_FORM = re.compile(r"(\d{0,9})([A-Z])([A-Z]?)")
_DATA = ("COMPRESSED_DATA", "GZIP_COMPRESSED_DATA", "UNCOMPRESSED_DATA")
_ROWS = 1 << 16  # read at once


def check_tiles(file: IO[bytes], offset: int, header: Header, source: str) -> None:
    """Refuse a compressed image with a tile that lies outside its data or is missing.

    Parameters
    ----------
    file : binary file
    offset : int
        Where the table of tiles begins [bytes].
    header : Header
        Of the table; its NAXIS1, NAXIS2 and PCOUNT are within the file.
    source : str
        For messages.

    Raises
    ------
    InputError
        When a tile cannot be where the table says.
    """
    width, rows, extra = (int(header.get(key, 0)) for key in ("NAXIS1", "NAXIS2", "PCOUNT"))
    columns = list(_columns(header, width, source))
    begin = header.get("THEAP", rows * width)
    if isinstance(begin, bool) or not isinstance(begin, int):
        begin = -1
    size = rows * width + extra - begin
    if begin < rows * width or size < 0:
        raise _damaged(source, f"keyword THEAP = {begin} lies outside of it")
    for first in range(0, rows, _ROWS):
        count = min(_ROWS, rows - first)
        file.seek(offset + first * width)
        table = np.frombuffer(file.read(count * width), dtype=np.uint8)
        if table.size != count * width:
            raise _damaged(source, "its table of tiles is cut off")
        table = table.reshape(count, width)
        filled = np.zeros(count, dtype=bool)
        for name, start, dtype, item in columns:
            pairs = table[:, start : start + 2 * dtype.itemsize].copy().view(dtype)
            length, place = pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)
            inside = (length >= 0) & (length <= size) & (place >= 0) & (place <= size)
            inside &= place + np.where(inside, length, 0) * item <= size
            if not inside.all():
                number = first + int(np.argmin(inside)) + 1
                raise _damaged(source, f"tile {number} lies outside of it")
            if name in _DATA:
                filled |= length > 0
        if not filled.all():
            raise _damaged(source, f"tile {first + int(np.argmin(filled)) + 1} is empty")


def _damaged(source: str, what: str) -> InputError:
    return InputError(source, f"its compressed data are damaged: {what}", "copy it again")


def _columns(
    header: Header, width: int, source: str
) -> Iterator[tuple[str, int, np.dtype[Any], int]]:
    """Yield (name, first byte in a row, type of its descriptor, bytes an element) of each heap."""
    fields = header.get("TFIELDS", 0)
    start = 0
    for number in range(1, (fields if isinstance(fields, int) and fields < 1000 else 0) + 1):  # noqa: PLR2004  the standard's limit
        form = _FORM.match(str(header.get(f"TFORM{number}", "")).strip())
        letter = form.group(2) if form else ""
        repeat = int(form.group(1) or 1) if form else 1
        if form and letter in "PQ" and form.group(3) in _BYTES and repeat == 1:
            dtype = np.dtype(">i4" if letter == "P" else ">i8")
            name = str(header.get(f"TTYPE{number}", "")).strip().upper()
            yield name, start, dtype, _BYTES[form.group(3)]
            start += 2 * dtype.itemsize
        elif letter == "X":
            start += -(-repeat // 8)
        elif letter in _BYTES:
            start += repeat * _BYTES[letter]
        else:
            raise _damaged(source, f"keyword TFORM{number} makes no sense")
    if start != width:
        raise _damaged(source, f"its columns take {start} bytes a row, not {width}")
