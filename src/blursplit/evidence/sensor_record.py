"""Records of sensors, read from CSV or ECSV, and what every use of a signal needs.

One row a sample: a time and one or more channels, each with its unit in the header (`ax [m/s2]`,
`Acceleration x (m/s^2)`), in an ECSV header, or in a comment line `# unit: m/s2`. Other comment
lines that are read: `# t0: 2026-03-04T21:30:00Z`, `# kind: acceleration`, `# noise: 1e-5`
(in the channels' unit over the root of a hertz, or another that is named), `# range: 19.6`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import Literal, TypeAlias

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.result import Note
from blursplit.rig import Rig
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray

Claim: TypeAlias = Literal["structure", "tracking"]
# Kinds of sensors, and what coherence with each may prove.
CLAIMS: dict[str, Claim | None] = {
    "acceleration": "structure",
    "velocity": "structure",
    "angle": "structure",
    "rate": "structure",
    "encoder": "tracking",
    "guide-log": None,
    "wind": None,
}
MOTION_SENSORS = frozenset(kind for kind, claim in CLAIMS.items() if claim == "structure")

# unit as written (lower case, without "^" and spaces): factor to SI, kinds that have it
_UNITS: dict[str, tuple[float, tuple[str, ...]]] = {
    "m/s2": (1.0, ("acceleration",)),
    "m/s/s": (1.0, ("acceleration",)),
    "ms-2": (1.0, ("acceleration",)),
    "mm/s2": (1e-3, ("acceleration",)),
    "g": (const.GRAVITY_M_S2, ("acceleration",)),
    "mg": (1e-3 * const.GRAVITY_M_S2, ("acceleration",)),
    "ug": (1e-6 * const.GRAVITY_M_S2, ("acceleration",)),
    "gal": (1e-2, ("acceleration",)),
    "m/s": (1.0, ("velocity", "wind")),
    "mm/s": (1e-3, ("velocity",)),
    "um/s": (1e-6, ("velocity",)),
    "km/h": (1 / 3.6, ("wind",)),
    "rad/s": (1.0, ("rate",)),
    "deg/s": (np.pi / 180, ("rate",)),
    "rad": (1.0, ("angle", "encoder", "guide-log")),
    "deg": (np.pi / 180, ("angle", "encoder", "guide-log")),
    "arcmin": (60 / const.ARCSEC_PER_RADIAN, ("angle", "encoder", "guide-log")),
    "arcsec": (1 / const.ARCSEC_PER_RADIAN, ("angle", "encoder", "guide-log")),
}
_SPELLINGS = (
    ("^", ""),
    (" ", ""),
    ("**", ""),
    ("\u00b2", "2"),
    ("\u00b5", "u"),
    ("\u03bc", "u"),
    ("\u00b0", "deg"),
)
_TIME_NAMES = ("time", "t", "timestamp", "seconds", "seconds_elapsed", "utc", "date", "datetime")


@dataclass(frozen=True)
class SensorRecord:
    """What a sensor wrote."""

    kind: str  # one of `CLAIMS`
    # (n,): increasing; on the camera's time axis after `placed`, else since `start_utc` or the
    # first sample.
    time_s: FloatArray
    values: FloatArray  # (n, n_channels): in SI: m/s2, m/s, rad, rad/s
    good: BoolArray  # (n, n_channels): false for clipped or missing samples
    channels: tuple[str, ...]
    # (n_channels,): density of the sensor's own noise [unit/sqrt(Hz)].
    noise: FloatArray | None = None
    offset_s: Sequence[float] | None = None  # range in which the clock's offset lies
    source: str = "sensor"
    start_utc: datetime | None = None  # zero of `time_s`
    shape_per_m: float = const.PIER_SHAPE_PER_M  # rotation over deflection where it stands
    remarks: tuple[Note, ...] = ()

    @property
    def gap_s(self) -> float:
        """A longer step between samples is a gap."""
        return const.SENSOR_GAP_STEPS * float(np.median(np.diff(self.time_s)))

    def placed(self, frames_start_utc: datetime | None, duration_s: float) -> SensorRecord:
        """Return the record on the camera's time axis, cut to what the frames cover.

        `frames_start_utc`: zero of the frames' times; without it, or without the sensor's own, both
        zeros are taken as one. `duration_s`: last time of the frames.

        Raises InputError when the two do not overlap.
        """
        time = self.time_s
        if frames_start_utc is not None and self.start_utc is not None:
            time = time + (self.start_utc - frames_start_utc).total_seconds()
        low, high = self.offset_s or (-5.0, 5.0)
        keep = (time > min(low, 0.0) - 10.0) & (time < duration_s + max(high, 0.0) + 10.0)
        inside = (time >= 0) & (time <= duration_s)
        if inside.sum() < 10:  # noqa: PLR2004 - less than this is no record
            raise InputError(self.source, *no_overlap(time, (0.0, duration_s), "'# t0:'"))
        return replace(
            self, time_s=time[keep], values=self.values[keep], good=self.good[keep], start_utc=None
        )

    @classmethod
    def read_all(cls, rig: Rig, texts: Iterable[str]) -> list[SensorRecord]:
        """Read what the setup lists under `[[sensor]]`, and the records named FILE[@KIND].

        What the setup says of a file outranks the file's own header.
        """
        stated = (one.model_dump() for one in rig.setup.sensor)
        listed = [_read_sensor(Path(one.pop("file")), **one) for one in stated]
        for text in texts:
            name, _, kind = text.rpartition("@")
            named = bool(name) and kind in CLAIMS
            listed.append(_read_sensor(Path(name), kind) if named else _read_sensor(Path(text)))
        return listed


def no_overlap(time_s: FloatArray, span_s: tuple[float, float], key: str) -> tuple[str, str]:
    """Return problem and remedy of a record that lies beside the frames, whole half hours named.

    `span_s`: first and last time of the frames. `key`: what corrects the record's clock.
    """
    middle = 0.5 * float(time_s[0] + time_s[-1] - sum(span_s))
    half_hours = round(middle / 1800)
    reach = 0.5 * float(time_s[-1] - time_s[0] + span_s[1] - span_s[0])
    if half_hours and abs(half_hours) <= 28 and abs(middle - 1800 * half_hours) < reach:  # noqa: PLR2004 - zones go to 14 h
        hours = half_hours / 2
        return (
            f"its times lie {hours:+g} h from the frames'",
            f"they look like those of another time zone: write them in UTC, or correct {key}",
        )
    return (
        f"has no sample while the frames were taken (it lies {middle:+.0f} s from them)",
        f"give the record of the same run, or correct {key}",
    )


def _read_sensor(
    path: Path,
    kind: str | None = None,
    offset_s: Sequence[float] | None = None,
    *,
    columns: list[str] | None = None,
    unit: str | None = None,
    noise: float | None = None,
    lever_m: float | None = None,
) -> SensorRecord:
    """Read a sensor's record.

    `path`: CSV or ECSV; see the module for its header. `kind`: one of `CLAIMS`; by default from the
    header or the unit. `offset_s`: range of the clock's offset; +- 5 s by default. `columns`: names
    of the channels to be read, others are left out. `unit`, `noise`: as in the header's comment
    lines, which they outrank. `lever_m`: length of the column at whose top the sensor stands.

    Raises InputError names what is missing in the header, or wrong with the samples.
    """
    names, units, told, rows = _header(path)
    if not names:
        raise InputError(path, "has no line that names the columns", "add one: 'time [s],x [m/s2]'")
    named = [k for k, name in enumerate(names) if name.split(" ", maxsplit=1)[0] in _TIME_NAMES]
    if not named:
        problem = f"has no column of times among {', '.join(names)}"
        raise InputError(path, problem, "name one 'time [s]'")
    seconds, start = _times(rows, named[0], units[named[0]], told)
    of_time = [k for k, each in enumerate(units) if _clean(each or "") in const.SENSOR_TIME_UNITS]
    numbers = [k for k in range(len(names)) if k not in {*named, *of_time}]
    if columns is not None:
        numbers = _asked(path, names, numbers, columns)
    common = unit or told.get("unit")
    if unit is not None:
        units = [None if k in numbers else u for k, u in enumerate(units)]
    missing = [names[k] for k in numbers if units[k] is None and common is None]
    if missing:
        problem = f"column '{missing[0]}' has no unit"
        remedy = f"write it as '{missing[0]} [m/s2]', or add a line '# unit: m/s2'"
        raise InputError(path, problem, remedy)
    each = {k: _clean(units[k] or common or "") for k in numbers}
    unknown = next((u for u in each.values() if u not in _UNITS), None)
    if unknown is not None:
        raise InputError(path, f"unit '{unknown}' is not known", f"use one of {', '.join(_UNITS)}")
    kind = _kind(path, kind or told.get("kind"), set(each.values()))
    numbers = [k for k in numbers if kind in _UNITS[each[k]][1]]
    if not numbers:
        raise InputError(path, f"has no column with a unit of {kind}", "state the kind: FILE@KIND")
    raw = rows.numbers(numbers)
    n = min(len(seconds), len(raw))
    order = _order(path, seconds[:n])
    factor = np.array([_UNITS[each[k]][0] for k in numbers])
    own = None if noise is None else noise * factor
    if own is None and "noise" in told:
        own = _noise(path, told["noise"], factor)
    record = SensorRecord(
        kind=kind,
        time_s=seconds[:n][order],
        values=raw[:n][order] * factor,
        good=np.isfinite(raw[:n][order]),
        channels=tuple(names[k] for k in numbers),
        noise=own,
        offset_s=None if offset_s is None else tuple(offset_s),
        source=str(path),
        start_utc=start,
        shape_per_m=const.PIER_SHAPE_PER_M if lever_m is None else const.PIER_SHAPE / lever_m,
    )
    return _inspected(record, path, told)


def _clean(unit: str) -> str:
    text = unit.strip().lower()
    for written, meant in _SPELLINGS:
        text = text.replace(written, meant)
    return text


def _header(path: Path) -> tuple[list[str], list[str | None], dict[str, str], _Rows]:
    """Return names and units of the columns, what comment lines tell, and the samples."""
    told: dict[str, str] = {}
    from_ecsv: dict[str, str] = {}
    try:
        with path.open(encoding="utf-8-sig") as file:
            for number, line in enumerate(file):
                text = line.strip()
                if text.startswith("#"):
                    entry = re.search(r"name:\s*([^,}]+).*?unit:\s*([^,}]+)", text)
                    if entry:
                        from_ecsv[entry[1].strip().strip("'\"")] = entry[2].strip().strip("'\"")
                    parts = re.split(r"[:=]", text.lstrip("# "), maxsplit=1)
                    if len(parts) == 2 and parts[1].strip():  # noqa: PLR2004 - key and value
                        told[parts[0].strip().lower()] = parts[1].strip()
                    continue
                if not text:
                    continue
                cells = [cell.strip().strip('"') for cell in re.split(r"[,;\t]", text)]
                if len(cells) == 1:
                    cells = text.split()
                if all(_is_number(cell) for cell in cells):
                    return [], [], told, _Rows(path, number)
                names, units = [], []
                for cell in cells:
                    match = re.fullmatch(r"(.*?)\s*[\[(]([^\])]*)[\])]\s*", cell)
                    name = (match[1] if match else cell).strip()
                    units.append(match[2] if match else from_ecsv.get(name))
                    names.append(name.lower())
                return names, units, told, _Rows(path, number + 1)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(path, "cannot be read as text", "give a CSV or ECSV file") from error
    raise InputError(path, "is empty", "give a CSV or ECSV file with one row a sample")


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _quantity(text: str) -> tuple[float | None, str]:
    """Return the number that a text begins with, and what follows it: its unit."""
    match = re.match(r"[-+0-9.eE]+", text)
    if match is None or not _is_number(match[0]):
        return None, ""
    return float(match[0]), text[match.end() :]


def _asked(path: Path, names: list[str], numbers: list[int], columns: list[str]) -> list[int]:
    """Return the places of the columns asked for."""
    asked = [column.strip().lower() for column in columns]
    absent = next((column for column in asked if column not in names), None)
    if absent is not None:
        raise InputError(path, f"has no column '{absent}'", f"its columns are {', '.join(names)}")
    return [k for k in numbers if names[k] in asked]


def _order(path: Path, seconds: FloatArray) -> IntArray:
    """Return the order of the times; rows may be swapped, but a clock may not be set back."""
    step = np.diff(seconds)
    if step.size and step.min() < -const.SENSOR_JUMP_S:
        at = int(np.argmin(step))
        since = seconds[at] - seconds[0]
        problem = f"its clock was set back by {-step[at]:.1f} s, {since:.1f} s after its start"
        raise InputError(path, problem, "give the parts before and after as records of their own")
    return np.argsort(seconds, kind="stable")


def _noise(path: Path, text: str, factor: FloatArray) -> FloatArray:
    """Return each channel's noise in SI over the root of a hertz, in its own unit or that named."""
    value, written = _quantity(text)
    if value is None:
        raise InputError(path, f"'# noise: {text}' is no number", "write '# noise: 1e-5'")
    unit = _clean(re.split(r"/\s*(?:sqrt|\u221a|rt)", written)[0])
    if unit and unit not in _UNITS:
        raise InputError(
            path, f"unit of '# noise: {text}' is not known", "write '# noise: 1e-5 m/s2/sqrt(Hz)'"
        )
    return np.full(factor.size, value * _UNITS[unit][0]) if unit else value * factor


@dataclass(frozen=True)
class _Rows:
    """The samples of a file, from a line on."""

    path: Path
    first: int

    @cached_property
    def separator(self) -> str | None:
        """What parts the cells; None for blanks."""
        row = next(self._lines(), None)
        if row is None:
            raise InputError(self.path, "has a header and no samples", "give the whole record")
        return next((s for s in ",;\t" if s in row), None)

    def _lines(self) -> Iterator[str]:
        with self.path.open(encoding="utf-8-sig") as file:
            yield from (line.strip() for line in islice(file, self.first, None) if line.strip())

    def cells(self) -> Iterator[list[str]]:
        """Yield the cells of each row as they are written."""
        separator = self.separator
        return (line.split(separator) for line in self._lines())

    def column(self, at: int) -> Iterator[str]:
        """Yield a column's cells without blanks and quotes."""
        for number, cells in enumerate(self.cells(), 1):
            if at >= len(cells):
                problem = f"its sample {number} has {len(cells)} cells of {at + 1} or more"
                raise InputError(self.path, problem, "repair or remove it")
            yield _plain(cells[at])

    def numbers(self, columns: list[int]) -> FloatArray:
        """Return columns, NaN where a cell is empty or no number."""
        # the slow way only where one of the first rows asks for it
        is_plain = all(_is_number(c) for cells in islice(self.cells(), 2001) for c in cells)
        try:
            table = np.loadtxt(
                self.path,
                delimiter=self.separator,
                skiprows=self.first,
                usecols=columns,
                ndmin=2,
                converters=None if is_plain else _forgiving,
                encoding="utf-8-sig",
            )
        except (ValueError, IndexError) as error:
            said = re.sub(r"\s+", " ", str(error))[:90]
            remedy = "repair or remove it"
            raise InputError(self.path, f"a row cannot be read ({said})", remedy) from error
        return np.asarray(table)


def _plain(cell: str) -> str:
    return cell.strip().strip('"')


def _forgiving(text: str) -> float:
    return float(_plain(text)) if _is_number(_plain(text)) else np.nan


def _times(
    rows: _Rows, column: int, unit: str | None, told: dict[str, str]
) -> tuple[FloatArray, datetime | None]:
    """Return seconds and their zero, if it is known."""
    path = rows.path
    first = next(rows.column(column))
    if not _is_number(first):
        start = _instant(path, first)
        moments = (_instant(path, cell) for cell in rows.column(column))
        return np.array([(moment - start).total_seconds() for moment in moments]), start
    values = rows.numbers([column])[:, 0]
    if not np.all(np.isfinite(values)):
        raise InputError(path, "a time is missing", "remove the row")
    name = _clean(unit or "")
    if name and name not in const.SENSOR_TIME_UNITS:
        raise InputError(path, f"unit '{unit}' of the times is not known", "use s, ms, us or ns")
    step = float(np.median(np.diff(np.sort(values)))) if values.size > 1 else 0.0
    if step <= 0:
        raise InputError(path, "its times do not advance", "give each sample a time of its own")
    if (not name or name == "s") and step >= 0.9:  # noqa: PLR2004 - slower than a sample a second
        problem = f"its times advance by {step:g} a sample, which would be less than one a second"
        remedy = "if they are milliseconds write 'time [ms]'; such a slow record shows no shake"
        raise InputError(path, problem, remedy)
    factor = const.SENSOR_TIME_UNITS[name or "s"]
    zero = told.get("t0")
    if zero is not None:
        return (values - values[0]) * factor + values[0] * factor, _instant(path, zero)
    if values[0] * factor > 1e9:  # noqa: PLR2004 - seconds of this century since 1970
        whole = float(np.floor(values[0] * factor))
        return (values - whole / factor) * factor, datetime.fromtimestamp(whole, UTC)
    return values * factor, None


def _instant(path: Path, text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip().replace(" UTC", "Z"))
    except ValueError as error:
        raise InputError(
            path, f"time '{text}' cannot be read", "write it as 2026-03-04T21:30:00.000Z (UTC)"
        ) from error
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _kind(path: Path, given: str | None, units: set[str]) -> str:
    if given is not None:
        kind = given.strip().lower()
        if kind not in CLAIMS:
            raise InputError(path, f"kind '{given}' is not known", f"use {', '.join(CLAIMS)}")
        return kind
    possible = {kind for unit in units for kind in _UNITS[unit][1]}
    # a phone writes rates beside accelerations: the latter see a pier's ring better
    if "acceleration" in possible:
        return "acceleration"
    if len(possible) == 1:
        return possible.pop()
    problem = f"could be {' or '.join(sorted(possible))}"
    raise InputError(path, problem, "state which: FILE@KIND or a line '# kind: ...'")


def _inspected(record: SensorRecord, path: Path, told: dict[str, str]) -> SensorRecord:
    """Return the record with clipped samples marked and useless channels left out."""
    if record.time_s.size < 100:  # noqa: PLR2004 - a few seconds at the least
        raise InputError(
            path, f"has {record.time_s.size} samples", "give a record as long as the run"
        )
    advance = np.r_[True, np.diff(record.time_s) > 0]
    values, good = record.values[advance], record.good[advance].copy()
    remarks: list[Note] = []
    # times that leave out a stretch which samples at their pace would fill
    step = np.diff(record.time_s)
    at = int(np.argmax(step))
    if step[at] > max(const.SENSOR_JUMP_S, const.SENSOR_JUMP_STEPS * float(np.median(step))):
        since = float(record.time_s[at] - record.time_s[0])
        remarks.append(("sensor-clock-jump", {"jump_s": float(step[at]), "at_s": since}))
    if not advance.all():
        remarks.append(("sensor-repeated-times", {"samples": int((~advance).sum())}))
    kept = []
    for k, name in enumerate(record.channels):
        column = values[good[:, k], k]
        if column.size < 100 or np.ptp(column) == 0:  # noqa: PLR2004
            remarks.append(("sensor-channel-constant", {"channel": name}))
            continue
        clipped = _clipped(values[:, k], good[:, k], told)
        share = float(clipped.mean())
        if share > const.SENSOR_CLIPPED_SHARE:
            remarks.append(("sensor-channel-saturated", {"channel": name, "share": share}))
            continue
        if clipped.any():
            remarks.append(("sensor-clipped", {"channel": name, "samples": int(clipped.sum())}))
        good[clipped, k] = False
        kept.append(k)
    if not kept:
        code, facts = remarks[-1]
        what = "saturated" if code.endswith("saturated") else "constant"
        raise InputError(
            path, f"every channel is {what} ('{facts['channel']}')", "check the sensor's range"
        )
    return replace(
        record,
        time_s=record.time_s[advance],
        values=values[:, kept],
        good=good[:, kept],
        channels=tuple(record.channels[k] for k in kept),
        noise=None if record.noise is None else record.noise[kept],
        remarks=tuple(remarks),
    )


def _clipped(column: FloatArray, good: BoolArray, told: dict[str, str]) -> BoolArray:
    """Return samples at the end of the range: stated, or an extreme held three times running."""
    if "range" in told:
        value, unit = _quantity(told["range"])
        factor, _ = _UNITS.get(_clean(unit), (1.0, ()))
        end = np.inf if value is None else abs(value) * factor
        return np.asarray(np.abs(column) >= 0.999 * end)
    out = np.zeros(column.size, dtype=bool)
    for end in (np.nanmin(column[good]), np.nanmax(column[good])):
        at = column == end
        held = at[2:] & at[1:-1] & at[:-2]
        # a coarse converter repeats its extremes too; a clipped one holds them again and again
        if held.sum() >= 2:  # noqa: PLR2004
            out |= at
    return out


def nominal_rotation(
    kind: str, frequency_hz: FloatArray, shape_per_m: float = const.PIER_SHAPE_PER_M
) -> ComplexArray:
    """Return rotation [arcsec] over signal [SI] of a sensor at the top of a cantilever.

    The top turns by theta where it moves by theta/kappa: a horizontal accelerometer shows
    [(2 pi nu)^2/kappa + g] theta, gravity by tilt included.
    """
    omega = 2 * np.pi * frequency_hz
    acceleration = const.ARCSEC_PER_RADIAN / (omega**2 / shape_per_m + const.GRAVITY_M_S2)
    if kind == "acceleration":
        return np.asarray(-acceleration, dtype=complex)
    if kind == "velocity":
        return np.asarray(-1j * omega * acceleration)
    if kind == "rate":
        return np.asarray(-1j * const.ARCSEC_PER_RADIAN / np.maximum(omega, 1e-6))
    return np.full(frequency_hz.shape, const.ARCSEC_PER_RADIAN, dtype=complex)


def accelerometer_noise_ug(density_arcsec2_hz: float) -> float:
    """Return the noise [micro-g/sqrt(Hz)] of an accelerometer that is not blind at 1 Hz.

    `density_arcsec2_hz`: of the motion that it is to explain; its own floor is a tenth of that.
    """
    rotation = np.sqrt(const.SENSOR_CLEAR * density_arcsec2_hz)
    gain = np.abs(nominal_rotation("acceleration", np.ones(1)))[0]
    return float(rotation / gain / (1e-6 * const.GRAVITY_M_S2))


def tapered_sums(
    time_s: FloatArray, series: FloatArray, frequency_hz: FloatArray, duration_s: float
) -> ComplexArray:
    """Return tapered Fourier sums at the series' own times, shape (n_f, n_tapers, n_columns).

    Scaled so that the mean square is the one-sided density.
    """
    n = time_s.size
    place = (time_s - time_s[0] + 0.5 * duration_s / n) / duration_s
    number = np.arange(1, const.SENSOR_TAPERS + 1)
    taper = np.sin(np.pi * place[:, None] * number) * np.sqrt(2 / n)
    scale = np.sqrt(2 * duration_s / n)
    tapered = (taper[:, :, None] * series[:, None, :]).reshape(n, -1)
    out = np.empty((frequency_hz.size, tapered.shape[1]), dtype=complex)
    pieces = max(1, frequency_hz.size * n // 10**7)
    for part in np.array_split(np.arange(frequency_hz.size), pieces):
        wave = np.exp(-2j * np.pi * np.outer(frequency_hz[part], time_s - time_s[0]))
        out[part] = wave @ tapered
    return np.asarray(scale * out.reshape(frequency_hz.size, const.SENSOR_TAPERS, -1))


def without_trend(time_s: FloatArray, series: FloatArray) -> FloatArray:
    """Return series without their cubic trend, which would leak into all frequencies."""
    place = 2 * (time_s - time_s[0]) / (time_s[-1] - time_s[0]) - 1
    basis = np.polynomial.legendre.legvander(place, 3)
    return np.asarray(series - basis @ np.linalg.lstsq(basis, series, rcond=None)[0])
