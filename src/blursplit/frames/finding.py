"""From what the user typed to a list of FITS files, in natural order."""

from __future__ import annotations

import glob
import re
from collections.abc import Iterable
from pathlib import Path

from blursplit.errors import InputError

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
    """Return the files of a sequence, each once, those of a folder or pattern in natural order.

    Parameters
    ----------
    paths : iterable of Path or str
        Folders, files and patterns (``night/*.fits``, also when no shell has expanded them).

    Returns
    -------
    files : list of Path
    repeated : list of str
        Names that were given more than once.

    Raises
    ------
    InputError
        When a path does not exist, a folder or pattern holds no FITS file, or nothing was given.
    """
    given = list(paths)
    found: list[Path] = []
    for item in given:
        found.extend(_expand(item))
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


def refuse_foreign(path: Path, start: bytes) -> None:
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
            raise InputError(path, "is a video container, neither FITS nor SER", _CONVERT)
    raise InputError(
        folder,
        "holds no FITS files",
        "give a folder with .fits, .fit, .fts, .fz, .gz or .ser files",
    )
