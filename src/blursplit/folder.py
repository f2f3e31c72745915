"""The RESULT folder: result.json, series, images and tracks, written whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from blursplit.errors import InputError, OutputError
from blursplit.estimate import Estimate
from blursplit.result import SCHEMA, Result, Verdict
from blursplit.series import (
    DAMAGE,
    IMAGE_NAMES,
    SERIES_NAMES,
    Column,
    Series,
    folder_written_whole,
    open_checked,
    packed_image,
    read_table,
    table,
    write_units,
)
from blursplit.stars.tracks import STAMPS_NAME, TRACKS_NAME, StarTracks
from blursplit.types import FloatArray

T = TypeVar("T")

RESULT_FILE = "result.json"
SERIES_FILE = "series.fits"
IMAGES_FILE = "images.fits"
PAGE_FILE = "index.html"
_SYSTEM_FILES = ("Thumbs.db", "desktop.ini")  # what file browsers leave; hidden files count too


@dataclass(frozen=True, repr=False)
class Measurement:
    """A result with the arrays behind it; `tracks` is None when it was read without them.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.folder import Measurement
    >>> night = Measurement.read(Path("night1-result"))
    >>> night.result.sequence.frames_used
    40
    >>> night.series.arrays["time_s"].shape
    (40,)
    """

    result: Result
    series: Series
    tracks: StarTracks | None = None

    @property
    def verdict(self) -> Verdict:
        """Whether each cure matters; prints as its headline."""
        return self.result.verdict

    @property
    def seeing(self) -> Estimate | None:
        """Seeing of the air outside at 500 nm and zenith, None where it was not measured."""
        return _with_unit(self.result.atmosphere.seeing_500nm_zenith_arcsec, "arcsec")

    @property
    def fwhm(self) -> Estimate | None:
        """Width of the star as recorded over the blur time, None where it was not measured."""
        return _with_unit(self.result.fwhm.recorded_arcsec, "arcsec")

    @property
    def budget(self) -> Any:
        """What each cure would save, as an astropy QTable, one row a cure."""
        from blursplit.report.notebook import NotebookView

        return NotebookView(self.result).budget()

    @property
    def lines(self) -> Any:
        """The lines of the shared motion, as an astropy QTable, one row a line."""
        from blursplit.report.notebook import NotebookView

        return NotebookView(self.result).lines()

    @property
    def plot(self) -> Any:
        """Figures by name: `spectrum`, `motion`, `pairs`, `otf`, `star`, `by_time` and others."""
        from blursplit.report.figures import Plots

        return Plots(self.result, self.series)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write result, tables, images, tracks and page into a folder, whole or not at all.

        Parameters
        ----------
        folder : str or Path
            Made new; `replace` takes the place of an older result.

        Raises
        ------
        OutputError
            When it exists already or cannot be written.
        """
        from blursplit.report.page import render_page

        page = render_page(self.result, self.series)
        return self.write(page, Path(folder), replace=replace)

    def __repr__(self) -> str:
        return f"Measurement({self.result.sequence.name!r}: {self.result.verdict.headline!r})"

    def _repr_html_(self) -> str:
        from blursplit.report.notebook import NotebookView

        return NotebookView(self.result).html()

    @classmethod
    def read(cls, path: Path, *, with_tracks: bool = False) -> Measurement:
        """Read a result folder.

        `with_tracks`: whether to read the star tracks too.

        Raises InputError when the folder is not a result or is damaged.
        """
        result = read_result(path)
        arrays = _read(path / SERIES_FILE, _read_series_units)
        images, scale = _read(path / IMAGES_FILE, _read_image_units)
        tracks = StarTracks.load(path) if with_tracks else None
        return cls(result, Series(arrays, images, scale), tracks)

    def write(self, page: str, target: Path, *, replace: bool = False) -> Path:
        """Write a result folder under a temporary name and move it into place.

        `page`: text of index.html. `replace`: whether an existing result folder may be replaced.

        Raises OutputError when the folder cannot be written; nothing half-written remains.

        Examples
        --------
        >>> from pathlib import Path
        >>> from blursplit.folder import Measurement
        >>> night = Measurement.read(Path("night1-result"), with_tracks=True)
        >>> sorted(file.name for file in night.write("<p>a page", Path("copy")).iterdir())
        ['images.fits', 'index.html', 'result.json', 'series.fits', 'stamps.fits', 'tracks.fits']
        """
        self.check_target(target, replace=replace)
        with folder_written_whole(target) as temporary:
            series = self.series
            write_units(temporary / SERIES_FILE, _series_units(series.arrays), ())
            write_units(temporary / IMAGES_FILE, _image_units(series), ())
            self.result.digest = _digest(self.result, temporary / SERIES_FILE)
            (temporary / RESULT_FILE).write_text(self.result.to_json(), encoding="utf-8")
            if self.tracks is not None:
                self.tracks.save(temporary)
            (temporary / PAGE_FILE).write_text(page, encoding="utf-8")
        return target

    def write_page(self, target: Path) -> Path:
        """Render index.html of a result folder anew; returns its path."""
        from blursplit.report import render_page

        page = target / PAGE_FILE
        write_text_whole(page, render_page(self.result, self.series))
        return page

    @classmethod
    def read_parts(cls, path: Path) -> tuple[Result, Series | None]:
        """Read a result and, where its folder is whole, the series beside it."""
        if not (path / SERIES_FILE).is_file():
            return read_result(path), None
        measurement = cls.read(path)
        return measurement.result, measurement.series

    @staticmethod
    def is_at(path: Path) -> bool:
        """Return whether `path` is a folder that `measure` wrote."""
        # of os: a name that no file can have is no folder, instead of an error
        return os.path.isfile(path / RESULT_FILE)  # noqa: PTH113

    @staticmethod
    def default_folder(name: str) -> Path:
        """Return where a result goes when no folder is named: NAME-blursplit, beside the work."""
        return Path(f"{name or 'sequence'}-blursplit")

    @staticmethod
    def check_target(target: Path, *, replace: bool) -> None:
        """Refuse a target before the work starts, when it could not be written at the end.

        Raises OutputError when the target exists (and `replace` is not set), is no result folder,
        holds anything that `measure` did not write, or when the folder it goes into cannot be made
        or written.
        """
        if target.exists() or target.is_symlink():
            if not replace:
                raise OutputError(target, "exists already", "add --replace or name another --out")
            if not target.is_dir() or target.is_symlink():
                raise OutputError(target, "is not a folder", "name another --out")
            _refuse_foreign(target)
        parent = next(p for p in target.resolve().parents if p.exists())
        if not parent.is_dir():
            raise OutputError(target, f"'{parent}' is not a folder", "name another --out")
        if not os.access(parent, os.W_OK):
            raise OutputError(
                target, f"the folder '{parent}' cannot be written", "name another --out"
            )


def _with_unit(estimate: Estimate | None, unit: str) -> Estimate | None:
    return None if estimate is None else estimate.in_unit(unit)


def _refuse_foreign(target: Path) -> None:
    """Refuse to replace a folder unless all that it holds is a result of ours."""
    ours = {RESULT_FILE, SERIES_FILE, IMAGES_FILE, PAGE_FILE, TRACKS_NAME, STAMPS_NAME}
    try:
        names = {entry.name for entry in target.iterdir() if not entry.name.startswith(".")}
        foreign = sorted(names - ours - set(_SYSTEM_FILES))
        record = (target / RESULT_FILE).read_bytes() if RESULT_FILE in names else b""
    except OSError as error:
        raise OutputError(target, f"cannot be read ({error.strerror})", "check it") from error
    if names and SCHEMA.partition("/")[0].encode() not in record:
        raise OutputError(target, "holds no result and is not replaced", "name another --out")
    if foreign:
        problem = f"holds '{foreign[0]}', which is no part of a result, and is not replaced"
        raise OutputError(target, problem, "move that file or name another --out")


# Table of series.fits -> first letters of the names of its columns, the axis first. What is in
# none of them, and what has two axes, is an image unit of its own.
_TABLES: dict[str, tuple[str, ...]] = {
    "TIME": ("time_s", "common_x", "common_y", "tracking_", "structure_", "elongation_"),
    "FREQUENCY": (
        "frequency_hz",
        "common_psd_",
        "differential_psd_",
        "air_psd_",
        "noise_psd_",
        "coherence",
    ),
    "PAIRS": ("pair_separation", "pair_along", "pair_across"),
    "PAIRMODEL": ("pair_model_",),
    "OTF": ("baseline_m", "otf_"),
    "FOCUS": ("focus_position", "focus_fwhm_"),
    "FOCUSFIT": ("focus_curve_",),
    "SENSOR": ("sensor_",),
    "CAMERAS": ("cameras_",),
    "STARS": ("star_",),
}


_UNITS = {
    "_arcsec2_hz": "arcsec2 / Hz",
    "_arcsec": "arcsec",
    "_hz": "Hz",
    "_adu": "adu",
    "_px": "pixel",
    "_m": "m",
    "_s": "s",
}


_UCDS = {
    "time_s": "time.duration;obs",
    "frequency_hz": "em.freq",
    "star_x_px": "pos.cartesian.x;instr.det",
    "star_y_px": "pos.cartesian.y;instr.det",
    "star_flux_adu": "phot.count",
}


def _series_units(arrays: Mapping[str, FloatArray]) -> list[Any]:
    """Return the units of series.fits: tables of what shares an axis, images of the rest."""
    from astropy.io import fits

    left = dict(arrays)
    units = []
    for name, starts in _TABLES.items():
        own = {key: np.asarray(left[key]) for key in left if key.startswith(starts)}
        flat = {key: value for key, value in own.items() if value.ndim == 1}
        length = next(iter(flat.values())).size if flat else 0
        columns = {key: value for key, value in flat.items() if value.size == length}
        if columns:
            units.append(table(name, columns, {key: _column(key) for key in columns}))
            left = {k: v for k, v in left.items() if k not in columns}
    for name, array in left.items():
        unit = fits.ImageHDU(np.asarray(array, dtype=np.float32), name=name)
        unit.header["BUNIT"] = _column(name).unit
        unit.header["COMMENT"] = SERIES_NAMES.get(name, name)
        units.append(unit)
    return units


def _column(name: str) -> Column:
    unit = next((u for ending, u in _UNITS.items() if name.endswith(ending)), "")
    is_axis = name in {"time_s", "frequency_hz"}
    return Column(unit, _UCDS.get(name, ""), SERIES_NAMES.get(name, name), "D" if is_axis else "E")


def _read_series_units(units: Any) -> dict[str, FloatArray]:
    """Return the arrays of an open series.fits."""
    arrays: dict[str, FloatArray] = {}
    for unit in units[1:]:
        found = read_table(unit) if hasattr(unit, "columns") else {unit.name.lower(): unit.data}
        arrays |= {name: np.asarray(v, dtype=np.float64) for name, v in found.items()}
    return {name: array for name, array in arrays.items() if name in SERIES_NAMES}


def _image_units(series: Series) -> list[Any]:
    """Return the units of images.fits; finder and loop are packed, the star images exact."""
    from astropy.io import fits

    units = []
    for name, image in series.images.items():
        pixels = np.asarray(image, dtype=np.float32)
        is_finder = name == "finder"
        is_packed = is_finder or name == "loop"
        unit = packed_image(name, pixels) if is_packed else fits.ImageHDU(pixels, name=name)
        unit.header["COMMENT"] = IMAGE_NAMES[name]
        if series.image_scale_arcsec is not None and not is_packed:
            unit.header["SCALE"] = (series.image_scale_arcsec, "arcsec per pixel")
        units.append(unit)
    return units


def _read_image_units(units: Any) -> tuple[dict[str, NDArray[np.float32]], float | None]:
    """Return the images of an open images.fits and their scale [arcsec]."""
    images = {
        unit.name.lower(): np.asarray(unit.data, dtype=np.float32)
        for unit in units[1:]
        if unit.name.lower() in IMAGE_NAMES
    }
    scales = [float(unit.header["SCALE"]) for unit in units[1:] if "SCALE" in unit.header]
    return images, scales[0] if scales else None


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a file to write under a temporary name and move it into place; parents are made.

    Raises OutputError when it cannot be written; the file that was there before stays.
    """
    try:
        path.resolve().parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.resolve().parent)
    except OSError as error:
        raise OutputError(path, f"cannot be written ({error.strerror})", "check it") from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        raise OutputError(path, f"cannot be written ({error.strerror})", "check disk") from error
    finally:
        temporary.unlink(missing_ok=True)


def write_text_whole(path: Path, text: str) -> None:
    """Write a text file under a temporary name and move it into place; see `written_whole`."""
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def read_result(path: Path) -> Result:
    """Read result.json from a result folder or by its own path.

    Raises InputError when there is none, or it is not of this schema.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.folder import read_result
    >>> result = read_result(Path("before"))
    >>> f"{result.fwhm.recorded_arcsec.value:.2f} arcsec"
    '1.74 arcsec'
    """
    file = path / RESULT_FILE if path.is_dir() else path
    try:
        text = file.read_text(encoding="utf-8")
        _refuse_other_edition(file, text)
        result = Result.from_json(text)
    except OSError as error:
        remedy = "name a folder that `blursplit measure` wrote"
        raise InputError(path, "is not a result folder", remedy) from error
    except (ValidationError, UnicodeDecodeError) as error:
        raise InputError(file, "is not a blursplit result", "measure the sequence again") from error
    if not result.digest:
        raise InputError(file, "holds no digest of what was measured", "measure the sequence again")
    if result.digest.split("-") != _known_digest(text, result.digest, file):
        raise InputError(file, "was changed after it was measured", "measure the sequence again")
    return result


def _refuse_other_edition(file: Path, text: str) -> None:
    """Say what to do with a record of another edition, before its fields are looked at."""
    try:
        schema = str(json.loads(text).get("schema", ""))
    except (ValueError, AttributeError, RecursionError):
        return
    name, _, edition = schema.partition("/")
    own_name, _, own = SCHEMA.partition("/")
    if name == own_name and edition.isdigit() and edition != own:
        remedy = "measure again" if int(edition) < int(own) else "update blursplit"
        raise InputError(file, f"schema '{schema}' is not '{SCHEMA}'", remedy)


def _digest(result: Result, series: Path) -> str:
    """Return SHA-256 of the record (without its digest) and of the series beside it."""
    bare = result.model_copy(update={"digest": ""}).to_json()
    return "-".join(
        hashlib.sha256(part).hexdigest() for part in (bare.encode(), series.read_bytes())
    )


def _known_digest(text: str, digest: str, file: Path) -> list[str]:
    """Return what the digest has to be; a record without its series answers for itself alone.

    Of the text as it was written, which a version with more fields would write otherwise.
    """
    bare = text.replace(f'"digest": "{digest}"', '"digest": ""', 1)
    own = hashlib.sha256(bare.encode()).hexdigest()
    series = file.with_name(SERIES_FILE)
    if not series.is_file():
        return [own, *digest.split("-")[1:]]
    return [own, hashlib.sha256(series.read_bytes()).hexdigest()]


def _read(file: Path, reader: Callable[[Any], T]) -> T:
    try:
        with open_checked(file) as units:
            return reader(units)
    except DAMAGE as error:
        raise InputError(file, "is missing or damaged", "measure the sequence again") from error
