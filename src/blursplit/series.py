"""Arrays behind the numbers: time series, spectra, pair statistics and star images.

Every array is plain float with its unit in the name. Arrays that share an axis are the columns
of one table of series.fits.

FITS files of ours hold tables with units and UCDs that table tools can plot, and images packed
small. Each is written under a temporary name and moved into place, every unit of it carries
checksums, and a file that does not match them is refused.
"""

from __future__ import annotations

import io
import os
import shutil
import tempfile
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import OutputError
from blursplit.types import FloatArray

DAMAGE = (
    OSError,
    ValueError,
    KeyError,
    TypeError,
    IndexError,
    AttributeError,
    OverflowError,
    MemoryError,
    Warning,
)
"""What reading a damaged file may raise."""


@dataclass(frozen=True)
class Column:
    """How a column is written: unit, UCD (unified content descriptor), meaning, FITS format."""

    unit: str
    ucd: str
    meaning: str
    format: str = "E"


def table(
    name: str,
    values: Mapping[str, NDArray[Any]],
    columns: Mapping[str, Column],
    cards: Sequence[tuple[str, Any, str]] = (),
) -> Any:
    """Return a binary table unit; `cards` are keyword, value and comment of its header."""
    from astropy.io import fits

    described = [
        fits.Column(key, columns[key].format, columns[key].unit or None, array=np.asarray(value))
        for key, value in values.items()
    ]
    unit = fits.BinTableHDU.from_columns(described, name=name)
    for number, key in enumerate(values, start=1):
        unit.header[f"TCOMM{number}"] = columns[key].meaning
        if columns[key].ucd:
            unit.header[f"TUCD{number}"] = columns[key].ucd
    for keyword, value, comment in cards:
        unit.header[keyword] = (value, comment)
    return unit


def read_table(unit: Any) -> dict[str, NDArray[Any]]:
    """Return the columns of a table in the machine's own byte order, bare."""
    data = unit.data
    return {
        name.lower(): np.ascontiguousarray(data[name]).astype(data[name].dtype.newbyteorder("="))
        for name in unit.columns.names
    }


def packed_image(name: str, pixels: NDArray[np.float32]) -> Any:
    """Return a tile-compressed image unit.

    Whole numbers come back exactly. Others are stored in steps of a third of their noise, with
    dither, which adds less than one percent to its variance; NaN stays NaN.
    """
    from astropy.io import fits

    stored = pixels.reshape(-1, *pixels.shape[-3:]) if pixels.ndim > 3 else pixels  # noqa: PLR2004
    tile = (*((const.PACKING_TILE_FRAMES,) * (stored.ndim - 2)), *stored.shape[-2:])
    tile = tuple(min(a, b) for a, b in zip(tile, stored.shape, strict=True))
    whole = bool(np.all(np.isfinite(stored)) and np.all(stored == np.rint(stored)))
    how: dict[str, Any] = {"name": name, "tile_shape": tile, "compression_type": "RICE_1"}
    if whole and np.abs(stored).max(initial=0.0) < 2.0**31 - 1.0:
        return fits.CompImageHDU(stored.astype(np.int32), **how)
    step = _noise_of(stored) / const.PACKING_STEPS
    if step:
        how |= {"quantize_level": -step, "quantize_method": 1, "dither_seed": 1}
    else:
        how |= {"compression_type": "GZIP_2", "quantize_level": 0.0}
    unit = fits.CompImageHDU(stored.astype(np.float32), **how)
    unit.header["STEP"] = (step, "values are stored in steps, with dither")
    return unit


def _noise_of(pixels: NDArray[np.float32]) -> float:
    """Return the scatter of neighbouring pixels along x, small where the image is smooth."""
    step = np.diff(np.asarray(pixels, dtype=np.float64), axis=-1)
    size = np.abs(step[np.isfinite(step)])
    return const.SIGMA_PER_MAD * float(np.median(size)) / np.sqrt(2.0) if size.size else 0.0


def write_units(path: Path, units: Sequence[Any], cards: Sequence[tuple[str, Any, str]]) -> None:
    """Write a primary header with these cards and the units behind it, whole or not at all."""
    from astropy.io import fits

    primary = fits.PrimaryHDU()
    for keyword, value, comment in cards:
        primary.header[keyword] = (value, comment)
    # In memory first, so that a full disk is an OSError for packed images too.
    content = io.BytesIO()
    fits.HDUList([primary, *units]).writeto(content, checksum=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.getbuffer())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


@contextmanager
def folder_written_whole(target: Path) -> Iterator[Path]:
    """Give a folder to fill under a temporary name; it then takes the place of an older one.

    Raises OutputError when it cannot be written; nothing half-written remains, and what was there
    before stays.
    """
    parent, remedy = target.resolve().parent, "free disk space or check permissions"
    try:
        parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=parent))
    except OSError as error:
        raise OutputError(target, f"cannot be written ({error.strerror})", remedy) from error
    try:
        yield temporary
        temporary.chmod(0o755)
        _move_into_place(temporary, target)
    except OSError as error:
        why = error.strerror or error
        raise OutputError(target, f"cannot be written ({why})", remedy) from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _move_into_place(temporary: Path, target: Path) -> None:
    if not target.exists():
        temporary.rename(target)
        return
    old = target.with_name(f".{target.name}.replaced-{os.getpid()}")
    try:
        target.rename(old)
        temporary.rename(target)
    except BaseException:  # an interrupt too: the old one goes back to its place
        if old.exists() and not target.exists():
            old.rename(target)
        raise
    finally:
        if target.exists():
            shutil.rmtree(old, ignore_errors=True)


@contextmanager
def open_checked(path: Path) -> Iterator[Any]:
    """Open a file of ours once every unit of it has its size and its checksums.

    Raises ValueError when one has not; and whatever else astropy makes of a damaged file.
    """
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("error")  # of a truncated file astropy only warns
        size = path.stat().st_size
        # The file is opened here, so that it is closed whatever astropy makes of its content.
        with (
            path.open("rb") as file,
            fits.open(file, memmap=False, disable_image_compression=True) as raw,
        ):
            for unit in raw:
                if unit.size > size:
                    msg = f"'{unit.name}' promises {unit.size} bytes, the file has {size}"
                    raise ValueError(msg)
                # 1: present and right; 0: wrong; 2: absent, and ours are never absent.
                if unit.verify_checksum() != 1 or unit.verify_datasum() != 1:
                    msg = f"'{unit.name}' does not match its checksum"
                    raise ValueError(msg)
        with path.open("rb") as file, fits.open(file, memmap=False) as units:
            yield units


SERIES_NAMES: dict[str, str] = {
    "time_s": "time since the first frame, shape (frame,)",
    "common_x_arcsec": "shared motion of the stars along +x, mean removed, NaN where lost",
    "common_y_arcsec": "the same along +y",
    "tracking_x_arcsec": "estimated drift and drive terms",
    "tracking_y_arcsec": "the same along +y",
    "structure_x_arcsec": "estimated (smoothed) damped modes and lines",
    "structure_y_arcsec": "the same along +y",
    "frequency_hz": "frequencies of the densities, shape (bin,)",
    "common_psd_x_arcsec2_hz": "one-sided density of the shared motion along +x",
    "common_psd_y_arcsec2_hz": "the same along +y",
    "common_psd_low_arcsec2_hz": "68 % band of the density of both axes' sum, low end",
    "common_psd_high_arcsec2_hz": "the same, high end",
    "differential_psd_arcsec2_hz": "density of one star against the others, both axes' sum",
    "air_psd_arcsec2_hz": "air's part of the shared density, both axes' sum, median",
    "air_psd_low_arcsec2_hz": "the same, low end of its 68 % band",
    "air_psd_high_arcsec2_hz": "the same, high end of its 68 % band",
    "noise_psd_arcsec2_hz": "noise of the shared motion, both axes' sum",
    "coherence": "share of the motion's power common to all stars, by frequency",
    "time_edge_s": "ends of the columns of common_psd_by_time_arcsec2_hz, shape (column + 1,)",
    "frequency_edge_hz": "ends of its rows, shape (row + 1,)",
    "common_psd_by_time_arcsec2_hz": "density of the shared motion by time and frequency, drive "
    "terms removed, both axes' sum, shape (column, row), NaN where nothing was recorded",
    "pair_separation_arcsec": "separation of each pair, shape (pair,)",
    "pair_along_rms_arcsec": "differential motion along the pair, noise removed",
    "pair_across_rms_arcsec": "the same across the pair",
    "pair_model_separation_arcsec": "grid of the fitted air, shape (grid,)",
    "pair_model_along_low_arcsec": "fitted air along the pair, 16 %",
    "pair_model_along_arcsec": "the same, median",
    "pair_model_along_high_arcsec": "the same, 84 %",
    "pair_model_across_low_arcsec": "fitted air across the pair, 16 %",
    "pair_model_across_arcsec": "the same, median",
    "pair_model_across_high_arcsec": "the same, 84 %",
    "baseline_m": "pupil baseline of the registered star's transfer function",
    "otf_measured": "registered star's transfer function, azimuthal mean",
    "otf_model_low": "fitted model, 16 %",
    "otf_model": "the same, median",
    "otf_model_high": "the same, 84 %",
    "focus_position": "focus position of each run, in the recorded unit, shape (run,)",
    "focus_fwhm_arcsec": "its width at short baselines, as a Gaussian FWHM",
    "focus_fwhm_low_arcsec": "the same less its error and the change of the air",
    "focus_fwhm_high_arcsec": "the same and its error and the change of the air",
    "focus_curve_position": "positions of the fitted focus curve, shape (grid,)",
    "focus_curve_low_arcsec": "fitted width, 16 %",
    "focus_curve_arcsec": "the same, median",
    "focus_curve_high_arcsec": "the same, 84 %",
    "elongation_e1": "elongation shared by all stars in each frame",
    "elongation_e2": "the same, at 45 degrees",
    "sensor_frequency_hz": "frequencies of a coherent sensor's blocks, shape (block,)",
    "sensor_motion_psd_arcsec2_hz": "shared motion in them, both axes' sum",
    "sensor_explained_psd_arcsec2_hz": "the part of it that goes with the sensor",
    "sensor_coherence": "squared coherence with the sensor, mean of both axes",
    "sensor_sees": "1 where the sensor sees, 0 in its blind band",
    "cameras_frequency_hz": "frequencies of two cameras' spectra, shape (bin,)",
    "cameras_main_psd_arcsec2_hz": "the main camera's motion, both axes' sum",
    "cameras_apart_psd_arcsec2_hz": "what the two cameras do apart",
    "cameras_alike_psd_arcsec2_hz": "what they do alike, the air that both see included",
    "cameras_coherence": "their squared coherence, mean of both axes",
    "star_flux_adu": "median flux of each star, shape (star,)",
    "star_x_px": "mean position of each star, shape (star,)",
    "star_y_px": "the same along +y",
}

IMAGE_NAMES: dict[str, str] = {
    "recorded": "mean star as recorded over the blur time, peak 1",
    "without_tracking": "the same frames with drift and drive terms shifted out",
    "without_structure": "the same frames with the accepted modes shifted out",
    "without_both": "both shifted out",
    "registered": "every frame shifted on its own centroid",
    "loop": "frames of the best star as they came, shape (frame, y, x), brightest pixel 1",
    "finder": "mean of the first frames, for the finder chart [adu]",
}


@dataclass(frozen=True)
class Series:
    """Named arrays of a measurement."""

    # Keys from `SERIES_NAMES`; what could not be measured is absent.
    arrays: Mapping[str, FloatArray] = field(default_factory=dict)
    # (y, x) each: keys from `IMAGE_NAMES`.
    images: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)
    # Size of a pixel of the star images (not of the finder), None when no scale is known.
    image_scale_arcsec: float | None = None
