"""Positions of stars that somebody else measured: a table or a CSV file becomes star tracks.

A table has one row for each star and time: `time`, `star`, `x`, `y`, and where they are known
`flux`, `width` (one-axis sigma of the star) and `sigma` (one-axis noise of the position). Without
`star` there is one star, as in a guide log. Positions are angles or pixels, times are a `Time`,
seconds, or dates as text.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError, TooFewFramesError, TooFewStarsError, plain
from blursplit.frames.clock import Clock
from blursplit.frames.timestamps import Stamps, iso_utc
from blursplit.frames.timing import order_frames
from blursplit.result import Note
from blursplit.rig import Rig, Setting
from blursplit.stars.build_tracks import find_jumps
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray, IntArray

_ENDINGS = (".csv", ".ecsv")
_LENGTHS = ("x", "y", "width", "sigma")
_COLUMNS = ("time", "star", *_LENGTHS, "flux")
_OTHER_NAMES = {"dx": "x", "dy": "y", "mjd": "time", "jd": "time"}
_NAMED_UNIT = re.compile(r"\s*(\w+?)\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*")
_COMMENTED_UNIT = re.compile(r"#\s*(\w+)\s*[:=]\s*(\S.*?)\s*")
_SUFFIX = re.compile(r"(time|x|y|dx|dy|width|sigma|flux)_(s|ms|px|pixel|arcsec|mas|adu)")
_UNIT_WORDS = {"px": "pixel", "pixels": "pixel", "sec": "s", "seconds": "s", '"': "arcsec"}


def is_positions_file(path: str | Path) -> bool:
    """Return whether a path ends as a table of positions does: .csv or .ecsv."""
    return str(path).lower().endswith(_ENDINGS)


def positions_to_tracks(
    positions: Any, rig: Rig | None = None
) -> tuple[StarTracks, dict[str, Setting]]:
    """Return star tracks from a table of positions, and what the table says of the rig.

    `positions`: astropy table, or a CSV or ECSV file. In a CSV file a unit stands in the name of
    its column (``x [arcsec]`` or ``x_arcsec``) or in a comment (``# x: arcsec``). `rig`: gives
    pixel scale, exposure and frame interval where they are known.

    Returns `tracks`: samples without a position are not `good`; stars seen in fewer than ten frames
    are left out, shapes are NaN. Where no noise is given it is the level of the upper end of the
    spectrum: the largest that it can be; `settings`: the scale of the tracks, where positions are
    angles.

    Raises InputError when a column or a unit is missing or makes no sense; names the column;
    TooFewFramesError, TooFewStarsError when too little is left.
    """
    rig = rig or Rig()
    name = "positions"
    if isinstance(positions, str | Path):
        name = plain(Path(positions).name)
        positions = _read_file(Path(positions))
    columns = _name_columns(positions, name)
    _require_columns(positions, columns, name)
    notes: list[Note] = []
    scale_arcsec, settings = _scale(positions, columns, rig, name)
    cells = _arrange(positions, columns, name)
    values = {
        key: cells.place(_lengths(positions, columns[key], scale_arcsec, name))
        for key in _LENGTHS
        if key in columns
    }
    if "flux" in columns:
        values["flux"] = cells.place(_numbers(positions[columns["flux"]], "flux", name))
    stamps = Stamps.given(cells.times, name)
    clock = Clock(stamps=stamps, interval_key="times")
    dropped: dict[str, int] = {}
    if len(stamps.seconds) < const.FEWEST_FRAMES:
        raise TooFewFramesError(name, len(stamps.seconds), const.FEWEST_FRAMES)
    rows, timing = order_frames(clock, len(stamps.seconds), name, rig.setup, notes, dropped)
    values = {key: value[rows] for key, value in values.items()}
    good = np.isfinite(values["x"]) & np.isfinite(values["y"])
    kept = good.sum(axis=0) >= const.LEAST_SAMPLES_OF_STAR
    if not kept.any():
        problem = f"no star has {const.LEAST_SAMPLES_OF_STAR} positions"
        raise TooFewStarsError(name, problem, "record a longer sequence")
    if not kept.all():
        left_out = int((~kept).sum())
        notes.append(("stars-left-out", {"stars": left_out, "least": const.LEAST_SAMPLES_OF_STAR}))
    good = good[:, kept]
    values = {key: np.where(good, value[:, kept], np.nan) for key, value in values.items()}
    if "sigma" not in values:
        values["sigma"] = _largest_noise(values["x"], values["y"], timing.segment)
        notes.append(("noise-from-spectrum", {}))
    exposure = rig.get("exposure_s")
    if exposure is None:
        notes.append(("exposure-unknown", {}))
    blank = np.full(good.shape, np.nan)
    first_mjd = timing.start_mjd(clock, rows, None)
    segment = _part_at_jumps(values, good, timing.segment, scale_arcsec, notes)
    tracks = StarTracks(
        time_s=timing.time_s,
        segment=segment,
        row_time_s=np.zeros(good.shape),
        x_px=values["x"],
        y_px=values["y"],
        sigma_px=np.where(good, values["sigma"], np.nan),
        flux_adu=values.get("flux", np.where(good, 1.0, np.nan)),
        width_px=values.get("width", blank),
        e1=blank,
        e2=blank.copy(),
        peak_adu=blank.copy(),
        good=good,
        exposure_s=None if exposure is None else float(exposure),
        timing=timing.kind,
        cadence_s=timing.cadence_s,
        start_utc=None if first_mjd is None else iso_utc(first_mjd),
        frame=rows,
        notes=tuple(notes),
        dropped=dropped,
    )
    return tracks, settings


def _read_file(path: Path) -> Any:
    """Return the table of a CSV or ECSV file, units taken from names and comments."""
    from astropy.table import QTable

    try:
        with path.open(encoding="utf-8") as file:
            comments, head = [], ""
            for line in file:
                if not line.startswith("#"):
                    head = line
                    break
                comments.append(line)
        if comments and "%ECSV" in comments[0]:
            return QTable.read(path, format="ascii.ecsv")
        delimiter = max(",;\t", key=head.count)
        with warnings.catch_warnings(action="ignore"):  # a short row is an error of its own
            table = QTable.read(path, format="ascii.csv", delimiter=delimiter, comment="#")
    except OSError as error:
        problem = f"cannot be read ({error.strerror or error})"
        raise InputError(path, problem, "check the path") from error
    except (ValueError, KeyError, IndexError) as error:
        raise InputError(
            path,
            f"is no table of positions ({str(error).splitlines()[0] if str(error) else 'empty'})",
            "give columns time, star, x, y separated by commas",
        ) from error
    said = {m[1]: m[2] for line in comments if (m := _COMMENTED_UNIT.fullmatch(line.strip()))}
    for name in table.colnames:
        match = _NAMED_UNIT.fullmatch(name)
        short, unit = (match[1], match[2]) if match else (name, None)
        suffix = _SUFFIX.fullmatch(short)
        if suffix and unit is None:
            short, unit = suffix[1], suffix[2]
        unit = unit or said.get(short)
        if short != name and short not in table.colnames:
            table.rename_column(name, short)
        if unit and short in table.colnames:
            _set_unit(table, short, unit, path)
    return table


def _set_unit(table: Any, name: str, unit: str, path: Path) -> None:
    import astropy.units as u

    try:
        table[name].unit = u.Unit(_UNIT_WORDS.get(unit.lower(), unit))
    except (ValueError, TypeError, AttributeError) as error:
        problem = f"column '{name}': unit '{unit}' is unknown"
        raise InputError(path, problem, "write e.g. s, arcsec or pixel") from error


def _require_columns(positions: Any, columns: dict[str, str], name: str) -> None:
    titles = " ".join(map(str, positions.colnames)).split()
    if titles and all(re.fullmatch(r"[-+.\deE]+", title) for title in titles):
        problem = "has no header line: its first row is numbers"
        remedy = "name the columns there: time, x and y, and star where there are several"
        raise InputError(name, problem, remedy)
    for needed in ("time", "x", "y"):
        if needed not in columns:
            problem = f"has no column '{needed}'"
            remedy = f"it has {', '.join(map(str, positions.colnames)) or 'no columns at all'}"
            raise InputError(name, problem, remedy)


def _name_columns(table: Any, name: str) -> dict[str, str]:
    """Return our name of each column -> its name in the table, whatever its case."""
    if not hasattr(table, "colnames"):
        msg = f"positions must be an astropy Table or a file, not {type(table).__name__}"
        raise TypeError(msg)
    found: dict[str, str] = {}
    for column in table.colnames:
        ours = _OTHER_NAMES.get(column.lower(), column.lower())
        if ours not in _COLUMNS:
            continue
        if ours in found:
            problem = f"columns '{found[ours]}' and '{column}' both mean {ours}"
            raise InputError(name, problem, "rename one of them")
        found[ours] = column
    return found


def _scale(
    table: Any, columns: dict[str, str], rig: Rig, name: str
) -> tuple[float | None, dict[str, Setting]]:
    """Return arcsec per pixel of the tracks (None: unknown) and the settings that say so."""
    import astropy.units as u

    known = rig.get("pixel_scale_arcsec")
    units = [getattr(table[columns[axis]], "unit", None) for axis in ("x", "y")]
    for axis, unit in zip("xy", units, strict=True):
        if unit is None:
            raise InputError(
                name,
                f"column '{columns[axis]}' has no unit",
                f"state it: table['{columns[axis]}'].unit = 'arcsec' (or 'pixel'), in a file the "
                f"line '# {columns[axis]}: arcsec' or the name '{columns[axis]} [arcsec]'",
            )
    if all(unit.is_equivalent(u.pixel) for unit in units if unit):
        return (None if known is None else float(known)), {}
    if not all(unit.is_equivalent(u.arcsec) for unit in units if unit):
        said = " and ".join(str(unit) for unit in units)
        raise InputError(name, f"x and y are in {said}", "give both as angles or both in pixels")
    if known is not None:
        return float(known), {}
    note = "positions are angles: a pixel of the tracks is one arcsecond"
    return 1.0, {"pixel_scale_arcsec": Setting(1.0, "measured", note)}


def _numbers(column: Any, name: str, source: str) -> FloatArray:
    """Return a column as floats without its unit, NaN where it is masked."""
    try:
        bare = np.ma.asarray(getattr(column, "value", column), dtype=np.float64)
        value: FloatArray = np.ma.filled(bare, np.nan)
    except (TypeError, ValueError) as error:
        problem = f"column '{name}' holds something else than numbers"
        raise InputError(source, problem, "correct it") from error
    if value.ndim != 1:
        raise InputError(source, f"column '{name}' is no list of numbers", "correct it")
    return value


def _lengths(table: Any, column: str, scale_arcsec: float | None, name: str) -> FloatArray:
    """Return a column of angles or pixels in pixels of the tracks."""
    import astropy.units as u

    value, unit = _numbers(table[column], column, name), getattr(table[column], "unit", None)
    if unit is None or unit.is_equivalent(u.pixel):
        return value
    if not unit.is_equivalent(u.arcsec) or scale_arcsec is None:
        problem = f"column '{column}' is in {unit}, the positions are in pixels"
        raise InputError(name, problem, "give both in one unit, or the pixel scale")
    return np.asarray(value * unit.to(u.arcsec) / scale_arcsec, dtype=np.float64)


@dataclass(frozen=True)
class _Cells:
    """Where each row of the table goes: its frame and its star."""

    times: Any
    frame: IntArray
    star: IntArray
    shape: tuple[int, int]

    def place(self, values: FloatArray) -> FloatArray:
        """Return the values as [frame, star], NaN where there is none."""
        out = np.full(self.shape, np.nan)
        out[self.frame, self.star] = values
        return out


def _arrange(table: Any, columns: dict[str, str], name: str) -> _Cells:
    column = table[columns["time"]]
    if len(column) == 0:
        raise InputError(name, "has no rows", "give a row for each star and time")
    times = _times(column, columns["time"], name)
    seconds = Stamps.given(times, f"{name}, column '{columns['time']}'").seconds
    # One frame has one time, up to the rounding of its digits.
    _, first, frame = np.unique(np.round(seconds, 7), return_index=True, return_inverse=True)
    star = np.zeros(len(seconds), dtype=np.int64)
    labels = np.array(["0"])
    if "star" in columns:
        labels, star = np.unique(np.asarray(table[columns["star"]]), return_inverse=True)
    shape = (len(first), len(labels))
    flat = frame.ravel() * shape[1] + star.ravel()
    order = np.argsort(flat, kind="stable")
    twice = order[1:][np.diff(flat[order]) == 0]
    if twice.size:
        row = int(twice.min())
        problem = f"row {row + 1} gives star {labels[star[row]]} a second time at one time"
        remedy = "keep one" if "star" in columns else "name the stars in a column 'star'"
        raise InputError(name, problem, remedy)
    return _Cells(times[first], frame.ravel(), star.ravel(), shape)


def _times(column: Any, label: str, name: str) -> Any:
    """Return the column of times as a Time, a Quantity or seconds."""
    from astropy.time import Time

    if isinstance(column, Time):
        return column
    kind = getattr(getattr(column, "dtype", None), "kind", "")
    try:
        if kind in "US":
            return Time(np.asarray(column).astype(str), scale="utc")
        if label.lower() in {"mjd", "jd"}:
            return Time(_numbers(column, label, name), format=label.lower(), scale="utc")
    except ValueError as error:
        problem = f"column '{label}' holds what is no time"
        raise InputError(name, problem, "write seconds, or dates as 2026-03-01T20:00:00") from error
    unit = getattr(column, "unit", None)
    if hasattr(column, "to_value"):
        return column
    seconds = _numbers(column, label, name)
    return seconds if unit is None else seconds * unit


def _largest_noise(x: FloatArray, y: FloatArray, segment: IntArray) -> FloatArray:
    """Return the one-axis noise of each star that the top of its band allows, [frame, star].

    The mean density of the highest tenth of the frequencies, as white noise; the smaller of the
    two axes. Air and shake still move there, so that this is the largest that the noise can be.
    """
    longest = segment == np.bincount(segment).argmax()
    out = np.empty(x.shape[1])
    for star in range(x.shape[1]):
        levels = []
        for axis in (x, y):
            series = axis[longest, star]
            series = series[np.isfinite(series)]
            if series.size < const.LEAST_SAMPLES_OF_STAR:
                series = axis[np.isfinite(axis[:, star]), star]
            # The first difference keeps drift from leaking; its gain is divided out again.
            change = np.diff(series)
            power = np.abs(np.fft.rfft(change - change.mean())) ** 2 / change.size
            gain = 4.0 * np.sin(np.pi * np.fft.rfftfreq(change.size)) ** 2
            top = slice(-max(int(const.NOISE_BAND_SHARE * power.size), 1), None)
            levels.append(float(np.mean(power[top] / gain[top])))
        out[star] = np.sqrt(min(levels))
    return np.broadcast_to(out, x.shape).copy()


def _part_at_jumps(
    values: dict[str, FloatArray],
    good: np.ndarray,
    segment: IntArray,
    scale_arcsec: float | None,
    notes: list[Note],
) -> IntArray:
    """Begin a new segment where the whole field jumped and stayed there."""
    seen = np.flatnonzero(good.any(axis=1))
    place = []
    for axis in ("x", "y"):
        own = values[axis] - np.nanmean(values[axis], axis=0)
        place.append(np.nanmedian(own[seen], axis=1))
    width = values.get("width")
    if width is not None and np.isfinite(width).any():
        sigma_px = float(np.nanmedian(width))
    else:
        sigma_px = const.TABLE_STAR_SIGMA_ARCSEC / (scale_arcsec or 1.0)
    jumps = seen[find_jumps(place[0], place[1], sigma_px)]
    if not jumps.size:
        return segment
    notes.append(("dither", {"times": jumps.size}))
    starts = np.concatenate([[0], np.diff(segment)])
    starts[jumps] = 1
    return np.cumsum(starts > 0).astype(np.int64)
