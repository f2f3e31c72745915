"""Target pixel files of a space telescope: tables of small images, laid side by side as frames."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import (
    DAY_S,
    JD_AT_MJD_0,
    LONGEST_TIME_S,
    MOSAIC_MARGIN_PX,
    MOSAIC_MOST_BYTES,
)
from blursplit.errors import InputError
from blursplit.frames.layout import Table
from blursplit.frames.source import ArrayFrames
from blursplit.frames.timestamps import Stamps
from blursplit.rig import Setting
from blursplit.types import ImageArray


@dataclass(frozen=True)
class TargetPixels:
    """Frames made of the images of all targets, with their times."""

    source: ArrayFrames
    stamps: Stamps
    exposure: Setting | None
    facts: dict[str, Setting]  # pixel scale and gain


@dataclass(frozen=True)
class _Target:
    cadence: NDArray[np.int64]
    time_d: NDArray[np.float64]
    flux: ImageArray
    table: Table


def is_target_pixels(table: Table) -> bool:
    """Return whether a table holds a small image a row, with its time."""
    names = table.columns
    return {"TIME", "FLUX"} <= set(names) and f"TDIM{names.get('FLUX')}" in table.header


def read_target_pixels(tables: list[Table]) -> TargetPixels:
    """Lay the images of all targets side by side, one frame a cadence that all of them have.

    Raises InputError when a table cannot be read or the tables share no cadence.
    """
    targets = [_read(table) for table in tables]
    shared = targets[0].cadence[np.isfinite(targets[0].time_d)]
    for target in targets[1:]:
        shared = np.intersect1d(shared, target.cadence[np.isfinite(target.time_d)])
    if shared.size == 0:
        raise InputError(tables[0].path, "shares no cadence with the other files", "give one run")
    frames = _mosaic(targets, shared)
    first = targets[0]
    rows = np.searchsorted(first.cadence, shared)
    days = first.time_d[rows]
    reference = (first.table.header.number("BJDREFI") or (0.0, ""))[0]
    reference += (first.table.header.number("BJDREFF") or (0.0, ""))[0]
    mjd = float(days[0]) + reference - JD_AT_MJD_0 if reference else None
    note = "barycentric times in days, taken as UTC within minutes"
    stamps = Stamps((days - days[0]) * DAY_S, mjd, "TIME column", "middle", 1e-2, note)
    return TargetPixels(ArrayFrames(frames), stamps, _exposure(first.table), _facts(first.table))


def _read(table: Table) -> _Target:
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with fits.open(table.path, memmap=False) as units:
                rows: Any = units[table.hdu].data
                flux = np.array(rows["FLUX"], dtype=np.float32)
                time_d = np.array(rows["TIME"], dtype=np.float64)
                names = table.columns
                key = "CADENCENO" if "CADENCENO" in names else None
                cadence = np.array(rows[key] if key else np.arange(time_d.size), dtype=np.int64)
        except Exception as error:  # of damaged tables astropy raises any class
            raise InputError(table.path, f"cannot be read ({error})", "copy it again") from error
    if flux.ndim != 3:  # noqa: PLR2004
        raise InputError(table.path, "its FLUX column holds no images", "leave it out")
    time_d[~(np.abs(time_d) < LONGEST_TIME_S / DAY_S)] = np.nan
    order = np.argsort(cadence, kind="stable")
    return _Target(cadence[order], time_d[order], flux[order], table)


def _mosaic(targets: list[_Target], shared: NDArray[np.int64]) -> ImageArray:
    """Return [frame, y, x] with the images on a square grid of equal cells."""
    cell = [
        max(target.flux.shape[axis] for target in targets) + MOSAIC_MARGIN_PX for axis in (1, 2)
    ]
    across = math.ceil(math.sqrt(len(targets)))
    down = math.ceil(len(targets) / across)
    shape = (shared.size, down * cell[0] + MOSAIC_MARGIN_PX, across * cell[1] + MOSAIC_MARGIN_PX)
    if 4 * math.prod(shape) > MOSAIC_MOST_BYTES:
        raise InputError(
            targets[0].table.path, "too many images for one sequence", "give fewer files"
        )
    frames = np.full(shape, np.nan, dtype=np.float32)
    for number, target in enumerate(targets):
        y = number // across * cell[0] + MOSAIC_MARGIN_PX
        x = number % across * cell[1] + MOSAIC_MARGIN_PX
        image = target.flux[np.searchsorted(target.cadence, shared)]
        frames[:, y : y + image.shape[1], x : x + image.shape[2]] = image
    return frames


def _exposure(table: Table) -> Setting | None:
    header = table.header
    light, reads = header.number("INT_TIME"), header.number("NUM_FRM")
    if light is not None and reads is not None and light[0] > 1e-2:  # noqa: PLR2004
        return Setting(light[0] * reads[0], "header", "INT_TIME x NUM_FRM")
    return None


def _facts(table: Table) -> dict[str, Setting]:
    known: dict[str, Setting] = {}
    column = table.columns["FLUX"]
    step = table.header.number(f"1CDLT{column}", f"2CDLT{column}")
    if step is not None and step[0]:
        known["pixel_scale_arcsec"] = Setting(abs(step[0]) * 3600, "header", step[1])
    exposure = _exposure(table)
    unit = str(table.header.get(f"TUNIT{column}", "")).strip().lower()
    if exposure is not None and unit in {"e-/s", "electron/s", "electrons/s"}:
        note = "FLUX counts electrons a second: one unit is that many electrons an exposure"
        known["gain_e_per_adu"] = Setting(float(exposure.value), "header", note)
    noise = table.header.number("READNOIS")
    reads = table.header.number("NREADOUT")
    if noise is not None and reads is not None and noise[0] > 0:
        total = noise[0] * math.sqrt(reads[0])
        known["read_noise_e"] = Setting(total, "header", "READNOIS x sqrt(NREADOUT)")
    return known
