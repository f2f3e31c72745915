"""Which files belong together, and where in each the frames lie."""

from __future__ import annotations

import contextlib
import glob
import gzip
import math
import re
import struct
import warnings
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.frames.header import Header
from blursplit.frames.timestamps import Stamps
from blursplit.result import Note
from blursplit.types import IntArray

_DTYPES = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
_NOT_FRAMES = ("err", "var", "dq", "mask", "sigma", "weight", "bpm", "bad", "thumb", "quality")

Packing = Literal["plain", "gzip", "tiles"]


@dataclass(frozen=True)
class Slab:
    """A stack of equal images in one header unit."""

    path: Path
    hdu: int
    packing: Packing
    offset: int
    dtype: np.dtype[np.generic]  # as stored, before `bscale` and `bzero`
    planes: int  # number of frames
    shape: tuple[int, int]
    bscale: float
    bzero: float
    blank: int | None
    header: Header
    # Images in the file per frame (3 where the planes are colours; the second is read).
    stride: int = 1
    stamps: Stamps | None = None  # times that the container itself gives its frames
    notes: tuple[Note, ...] = ()

    @property
    def where(self) -> str:
        """File and extension for messages."""
        return f"{self.path}[{self.hdu}]" if self.hdu else str(self.path)

    @property
    def frame_bytes(self) -> int:
        """Bytes that a frame takes in the file, all its colours."""
        return self.dtype.itemsize * self.stride * math.prod(self.shape)


@dataclass(frozen=True)
class Table:
    """A binary table beside the images."""

    path: Path
    hdu: int
    header: Header

    @property
    def rows(self) -> int:
        """Number of rows."""
        return _whole(self.header, "NAXIS2", str(self.path))

    @property
    def columns(self) -> dict[str, int]:
        """Names of the columns in capitals, each with its number from 1."""
        count = self.header.get("TFIELDS", 0)
        if isinstance(count, bool) or not isinstance(count, int) or count > 999:  # noqa: PLR2004
            return {}  # beyond the standard's limit
        numbers = range(count, 0, -1)  # of columns with the same name the first counts
        return {self.header.word(f"TTYPE{n}"): n for n in numbers}

    def read(self, **columns: Any) -> list[NDArray[Any]]:
        """Return columns as arrays of these types; an InputError where they cannot be read."""
        from astropy.io import fits

        try:
            with (
                warnings.catch_warnings(action="ignore"),
                fits.open(self.path, memmap=False) as units,
            ):
                data: Any = units[self.hdu].data
                at = self.columns
                return [np.array(data.field(at[n] - 1), dtype=kind) for n, kind in columns.items()]
        except Exception as error:  # of damaged tables astropy raises any class
            raise InputError(self.path, f"cannot be read ({error})", "copy it again") from error


@dataclass(frozen=True)
class _Layout:
    """Everything found in one file."""

    slabs: tuple[Slab, ...]
    tables: tuple[Table, ...]


def read_layout(path: Path, *, growing: bool = False) -> _Layout:
    """Read the headers of a FITS or SER file and check them against the size of the file.

    `growing`: of a plain cube that is still being written, take the frames that are there.
    """
    try:
        size = path.stat().st_size
        if size == 0:
            raise InputError(path, "is empty (0 bytes)", "copy it again or leave it out")
        with path.open("rb") as raw:
            start = raw.read(32)
        if start[:2] == b"\x1f\x8b":
            with gzip.open(path, "rb") as file:
                return _layout(path, cast("IO[bytes]", file), _gzip_size(path, size), gzipped=True)
        if start.startswith(SER_MAGIC):
            from blursplit.frames.ser import read_ser  # which describes its frames as a Slab

            return _Layout((read_ser(path, size),), ())
        if start[:6] != b"SIMPLE":
            _refuse_foreign(path, start)
        if size < const.FITS_BLOCK:
            raise InputError(path, f"holds {size} bytes: truncated", "copy it again")
        with path.open("rb") as file:
            return _layout(path, file, size, gzipped=False, growing=growing)
    except (OSError, EOFError, zlib.error, struct.error) as error:
        raise InputError(path, f"cannot be read ({error})", "check or copy the file") from error


def _layout(
    path: Path, file: IO[bytes], size: float, *, gzipped: bool, growing: bool = False
) -> _Layout:
    slabs: list[Slab] = []
    tables: list[Table] = []
    primary: Header | None = None
    position = 0
    number = 0
    while position < size:
        file.seek(position)
        found = Header.read(file, str(path), primary)
        if found is None:
            if number == 0:
                _refuse_foreign(path, b"")
            break
        header, length = found
        primary = primary or header
        offset = position + length
        content = _data_bytes(header, str(path))
        packing: Packing = "gzip" if gzipped else "plain"
        extension = str(header.get("XTENSION", "IMAGE")).strip()
        if growing and not gzipped and extension == "IMAGE" and offset + content > size:
            return _Layout((*slabs, *_grown(path, number, header, offset, int(size))), ())
        if offset + content > size:
            promised, held = _bytes(offset + content), _bytes(size)
            problem = f"its header promises {promised}, the file holds {held}: truncated or damaged"
            raise InputError(path, problem, "copy it again or leave it out")
        slab = None
        if extension == "IMAGE":
            slab = _image(path, number, header, offset, packing)
        elif header.get("ZIMAGE") is True:
            slab = _tiles(path, number, header, content, file, offset)
        elif extension == "BINTABLE":
            tables.append(Table(path, number, header))
        if slab is not None and not _is_auxiliary(slab):
            slabs.append(slab)
        position = offset + -(-content // const.FITS_BLOCK) * const.FITS_BLOCK
        number += 1
    return _Layout(tuple(slabs), tuple(tables))


def _grown(path: Path, number: int, header: Header, offset: int, size: int) -> tuple[Slab, ...]:
    """Return the frames that a cube holds whole while it is being written, if any."""
    slab = _image(path, number, header, offset, "plain")
    if slab is None or slab.planes == 1:
        return ()
    there = (size - offset) // slab.frame_bytes
    return (replace(slab, planes=there),) if there > 0 else ()


def _gzip_size(path: Path, packed: int) -> float:
    """Return the size after decompression from the trailer, or count it where that is useless."""
    with path.open("rb") as raw:
        raw.seek(max(packed - 4, 0))
        size = int.from_bytes(raw.read(4), "little")
    if packed < size <= const.MOST_COMPRESSION * packed and size % const.FITS_BLOCK == 0:
        return size
    total = 0
    with gzip.open(path, "rb") as file, contextlib.suppress(EOFError, OSError, zlib.error):
        while part := file.read(1 << 20):
            total += len(part)
    return total


def _bytes(count: float) -> str:
    for unit in ("bytes", "kB", "MB", "GB", "TB"):
        if count < 1000:  # noqa: PLR2004
            return f"{count:.3g} {unit}" if unit != "bytes" else f"{count:.0f} bytes"
        count /= 1000
    return f"{count:.3g} PB"


def _bad(source: str, problem: str, remedy: str = "repair the header") -> InputError:
    return InputError(source, problem, remedy)


def _whole(header: Header, key: str, source: str, default: int | None = None) -> int:
    value = header.get(key, default)
    if key in header.contradictions:
        raise _bad(source, f"keyword {key} is given twice and differs")
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 1 << 62:
        raise _bad(source, f"keyword {key} = {value!r} makes no sense")
    return value


def _axes(header: Header, source: str, prefix: str = "") -> list[int]:
    """Return the axis lengths, NAXIS1 first."""
    count = _whole(header, f"{prefix}NAXIS", source)
    if count > 999:  # noqa: PLR2004  the FITS standard's limit
        raise _bad(source, f"keyword NAXIS = {count} makes no sense")
    return [_whole(header, f"{prefix}NAXIS{axis}", source) for axis in range(1, count + 1)]


def _data_bytes(header: Header, source: str) -> int:
    axes = _axes(header, source)
    if not axes:
        return 0
    bitpix = _bitpix(header, "BITPIX", source)
    elements = math.prod(axes)
    if axes[0] == 0 and header.get("GROUPS") is True:
        elements = math.prod(axes[1:])
    parameters = _whole(header, "PCOUNT", source, 0) if "XTENSION" in header else 0
    return abs(bitpix) // 8 * (elements + parameters)


def _bitpix(header: Header, key: str, source: str) -> int:
    value = header.get(key)
    if key in header.contradictions or value not in _DTYPES or isinstance(value, bool):
        raise _bad(source, f"keyword {key} = {value!r} is not a FITS pixel type")
    return int(value)


def _frames_of(axes: list[int], source: str) -> tuple[int, int, tuple[int, int]] | None:
    """Return (frames, images per frame, (ny, nx)), or None where the array is not of images."""
    lengths = list(axes)
    while len(lengths) > 2 and lengths[-1] == 1:  # noqa: PLR2004
        lengths.pop()
    if len(lengths) < 2 or min(lengths[:2]) < 2 or 0 in lengths:  # noqa: PLR2004
        return None
    shape = (lengths[1], lengths[0])
    if math.prod(shape) > const.MOST_FRAME_PIXELS:
        problem = f"a frame of {lengths[0]} x {lengths[1]} pixels is beyond any camera"
        raise _bad(source, problem, "check NAXIS1 and NAXIS2")
    rest = lengths[2:]
    if len(rest) == 2 and 1 in rest:  # noqa: PLR2004
        rest = [max(rest)]
    if not rest:
        return 1, 1, shape
    if rest[0] == const.COLOURS and len(rest) <= 2:  # noqa: PLR2004
        return (rest[1] if len(rest) > 1 else 1), const.COLOURS, shape
    if len(rest) == 1:
        return rest[0], 1, shape
    problem = f"an array of {len(axes)} axes is not a sequence of images"
    raise _bad(source, problem, "write a 3-axis cube")


def _scaling(header: Header, source: str, bitpix: int) -> tuple[float, float, int | None]:
    values = []
    for key, neutral in (("BSCALE", 1.0), ("BZERO", 0.0)):
        found = header.number(key)
        if found is None and key in header and header.get(key) is not None:
            raise _bad(source, f"keyword {key} = {header.get(key)!r} is not a number")
        values.append(neutral if found is None else found[0])
    if values[0] == 0:
        raise _bad(source, "keyword BSCALE = 0 wipes out all pixels")
    blank = header.get("BLANK") if bitpix > 0 else None
    usable = isinstance(blank, int) and not isinstance(blank, bool)
    return values[0], values[1], int(blank) if usable and blank is not None else None


def _image(
    path: Path, number: int, header: Header, offset: int, packing: Packing, prefix: str = ""
) -> Slab | None:
    source = str(path)
    axes = _axes(header, source, prefix)
    frames = _frames_of(axes, source) if axes else None
    if frames is None:
        return None
    planes, stride, shape = frames
    bitpix = _bitpix(header, f"{prefix}BITPIX", source)
    dtype, scaling = np.dtype(_DTYPES[bitpix]), _scaling(header, source, bitpix)
    return Slab(path, number, packing, offset, dtype, planes, shape, *scaling, header, stride)


def _tiles(
    path: Path, number: int, header: Header, content: int, file: IO[bytes], offset: int
) -> Slab | None:
    """Describe a tile-compressed image, after checking that its tiles make up its axes."""
    source = str(path)
    slab = _image(path, number, header, 0, "tiles", "Z")
    if slab is None:
        return None
    axes = _axes(header, source, "Z")
    tile = [
        max(_whole(header, f"ZTILE{axis}", source, length if axis == 1 else 1), 1)
        for axis, length in enumerate(axes, start=1)
    ]
    tiles = math.prod(-(-length // size) for length, size in zip(axes, tile, strict=True))
    if tiles != _whole(header, "NAXIS2", source):
        problem = "its compressed tiles do not make up the image it promises"
        raise _bad(source, problem, "copy it again")
    promised = math.prod(axes) * slab.dtype.itemsize
    if promised > const.MOST_COMPRESSION * max(content, 1):
        problem = f"promises {_bytes(promised)} from {_bytes(content)} of compressed data"
        raise InputError(source, problem, "no real image shrinks that far: copy it again")
    _check_tiles(file, offset, header, source, axes, tile)
    return slab


def _is_auxiliary(slab: Slab) -> bool:
    """Return whether an extension holds errors, masks or a preview instead of a frame."""
    if slab.hdu == 0:
        return False
    return str(slab.header.get("EXTNAME", "")).lower().startswith((*_NOT_FRAMES, "aperture"))


_FORM = re.compile(r"(\d{0,9})([A-Z])([A-Z]?)")
_DATA = ("COMPRESSED_DATA", "GZIP_COMPRESSED_DATA", "UNCOMPRESSED_DATA")


def _check_tiles(
    file: IO[bytes],
    offset: int,
    header: Header,
    source: str,
    axes: Sequence[int],
    tile: Sequence[int],
) -> None:
    """Refuse a compressed image with a tile that lies outside its data, is missing or misfits.

    `offset`: where the table of tiles begins [bytes]. `header`: of the table; its NAXIS1, NAXIS2
    and PCOUNT are within the file. `axes`, `tile`: lengths of the image and of its tiles, the
    fastest first.
    """
    width, rows, extra = (int(header.get(key, 0)) for key in ("NAXIS1", "NAXIS2", "PCOUNT"))
    columns = list(_columns(header, width, source))
    begin = header.get("THEAP", rows * width)
    if isinstance(begin, bool) or not isinstance(begin, int):
        begin = -1
    size = rows * width + extra - begin
    if begin < rows * width or size < 0:
        raise _damaged(source, f"keyword THEAP = {begin} lies outside of it")
    for first in range(0, rows, const.HEADER_SCAN_BYTES):
        count = min(const.HEADER_SCAN_BYTES, rows - first)
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
            if name == _DATA[0]:
                places = np.stack([length, offset + begin + place], axis=1)
                _refuse_misfit(file, header, item, places, (first, axes, tile), source)
        if not filled.all():
            raise _damaged(source, f"tile {first + int(np.argmin(filled)) + 1} is empty")


def _refuse_misfit(
    file: IO[bytes],
    header: Header,
    item: int,
    tiles: IntArray,
    grid: tuple[int, Sequence[int], Sequence[int]],
    source: str,
) -> None:
    """Refuse an image with a tile that states another size than it has.

    The decoder of HCOMPRESS_1 writes as many pixels as the head of the tile promises, past the end
    of its memory too, and that of PLIO_1 reads as many words: other numbers end the process. With
    these numbers right, no damage elsewhere in a tile did (tests/frames/test_flipped_tables.py).
    """
    kind = str(header.get("ZCMPTYPE", "")).strip()
    if kind not in ("HCOMPRESS_1", "PLIO_1"):
        return
    first, axes, tile = grid
    for row in np.flatnonzero(tiles[:, 0]).tolist():
        length, place = tiles[row].tolist()
        file.seek(place)
        head = file.read(min(length * item, 12)).ljust(12, b"\0")
        if kind == "HCOMPRESS_1":
            stated = np.frombuffer(head, ">i4", 2, offset=2).tolist()
            sides = _sides(first + row, axes, tile)
            fits = item == 1 and stated == [side for side in sides[::-1] if side != 1]
        else:
            words = np.frombuffer(head, ">i2").tolist()
            short = words[2] > 0
            begin, count = (3, words[2]) if short else (words[1], (words[4] << 15) + words[3])
            fits = item == 2 and 0 < begin <= count <= length  # noqa: PLR2004 - bytes of a word
        if not fits:
            raise _damaged(source, f"tile {first + row + 1} is not of the size that it states")


def _sides(number: int, axes: Sequence[int], tile: Sequence[int]) -> list[int]:
    """Return the lengths of a tile, the fastest first: those at the edges are cut."""
    sides = []
    for length, size in zip(axes, tile, strict=True):
        number, at = divmod(number, -(-length // size))
        sides.append(min(size, length - at * size))
    return sides


def _damaged(source: str, what: str) -> InputError:
    return _bad(source, f"its compressed data are damaged: {what}", "copy it again")


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
        if form and letter in "PQ" and form.group(3) in const.COLUMN_BYTES and repeat == 1:
            dtype = np.dtype(">i4" if letter == "P" else ">i8")
            name = header.word(f"TTYPE{number}")
            yield name, start, dtype, const.COLUMN_BYTES[form.group(3)]
            start += 2 * dtype.itemsize
        elif letter == "X":
            start += -(-repeat // 8)
        elif letter in const.COLUMN_BYTES:
            start += repeat * const.COLUMN_BYTES[letter]
        else:
            raise _damaged(source, f"keyword TFORM{number} makes no sense")
    if start != width:
        raise _damaged(source, f"its columns take {start} bytes a row, not {width}")


# --- the files of a sequence ----------------------------------------------------------------------
FITS_ENDINGS = (".fits", ".fit", ".fts", ".fz", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz")
FRAME_ENDINGS = (*FITS_ENDINGS, ".ser")
VIDEO_ENDINGS = (".avi", ".mp4", ".mov", ".mkv", ".wmv", ".m4v", ".webm")
SER_MAGIC = b"LUCAM-RECORDER"

_CONVERT = (
    "record FITS or SER; or 1. decode all frames, unscaled, into an array [frame, y, x], 2. write "
    "it with astropy.io.fits.writeto('cube.fits', frames) and give camera.frame_interval_s"
)
# (offset, first bytes, what it is, remedy)
_FOREIGN: tuple[tuple[int, bytes, str, str], ...] = (
    (0, b"RIFF", "is a video container (AVI), neither FITS nor SER", _CONVERT),
    (4, b"ftyp", "is a video container (MP4 or MOV), neither FITS nor SER", _CONVERT),
    (0, b"\x1aE\xdf\xa3", "is a video container (MKV or WebM), neither FITS nor SER", _CONVERT),
    (0, b"\x30\x26\xb2\x75", "is a video container (WMV), neither FITS nor SER", _CONVERT),
    (0, b"II*\x00", "is a TIFF image, not FITS", "write the frames as FITS"),
    (0, b"MM\x00*", "is a TIFF image, not FITS", "write the frames as FITS"),
    (0, b"\x89PNG", "is a PNG image, not FITS", "write the frames as FITS"),
    (0, b"\xff\xd8\xff", "is a JPEG image, not FITS", "write the frames as FITS, unstretched"),
    (0, b"XISF", "is an XISF image, not FITS", "save the frames as FITS"),
    (0, b"\x89HDF", "is an HDF5 file, not FITS", "write the frames as FITS"),
    (0, b"\x93NUMPY", "is a numpy array, not FITS", "write it with astropy.io.fits"),
)


def find_files(paths: Iterable[Path | str]) -> tuple[list[Path], list[str]]:
    """Return the files of a sequence, each once, and names that were given more than once.

    `paths`: folders, files and patterns (``night/*.fits``, also when no shell has expanded them);
    the files of a folder or pattern come in natural order.
    """
    given = list(paths)
    found = [path for item in given for path in _expand(item)]
    if not found:
        raise InputError("sequence", "no files were given", "name a folder, files or a cube")
    if len(given) > 1 and len(found) == len(given):
        found.sort(key=lambda path: natural_key(str(path)))
    unique: dict[Path, Path] = {}
    repeated: list[str] = []
    for path in found:
        real = path.resolve()
        if real in unique:
            repeated.append(path.name)
        else:
            unique[real] = path
    return list(unique.values()), repeated


def natural_key(text: str) -> list[tuple[int, int, str]]:
    """Return a sort key under which ``f2`` comes before ``f10``."""
    parts = re.split(r"([0-9]+)", text.lower())
    return [(1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts]


def is_fits_name(path: Path) -> bool:
    """Return whether the name ends like a FITS file, compressed or not, or a SER file."""
    return path.name.lower().endswith(FRAME_ENDINGS) and not path.name.startswith(".")


def _refuse_foreign(path: Path, start: bytes) -> None:
    """Raise InputError saying what a file is when its first bytes are not those of FITS."""
    for offset, magic, problem, remedy in _FOREIGN:
        if start[offset : offset + len(magic)] == magic:
            raise InputError(path, problem, remedy)
    if path.name.lower().endswith(VIDEO_ENDINGS):
        raise InputError(path, "is a video container, neither FITS nor SER", _CONVERT)
    raise InputError(path, "is not a FITS file (it does not begin with SIMPLE)", "give FITS files")


def _expand(item: Path | str) -> list[Path]:
    path = Path(item)
    try:
        path = path.expanduser()
        if path.is_dir():
            return _in_folder(path)
        if path.exists():
            return [path]
        matches = glob.glob(str(path)) if glob.has_magic(str(path)) else []  # noqa: PTH207
    except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: a home nobody has
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(item, "cannot be read", f"check the path ({why})") from error
    files = [Path(match) for match in matches if Path(match).is_file()]
    if files:
        return sorted(files, key=lambda file: natural_key(str(file)))
    if glob.has_magic(str(path)):
        raise InputError(item, "matches no file", "check the pattern")
    raise InputError(item, "no such file or folder", "check the path")


def _in_folder(folder: Path) -> list[Path]:
    inside = [path for path in folder.iterdir() if path.is_file()]
    files = sorted(filter(is_fits_name, inside), key=lambda path: natural_key(path.name))
    if files:
        return files
    for path in inside:
        if path.name.lower().endswith(VIDEO_ENDINGS):
            _refuse_foreign(path, b"")
    remedy = "give a folder with .fits, .fit, .fts, .fz, .gz or .ser files"
    raise InputError(folder, "holds no FITS files", remedy)
