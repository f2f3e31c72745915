"""The times of all frames of a sequence: per file, from a table beside a cube, or from a rate."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError, TimingError
from blursplit.frames.hdus import Units
from blursplit.frames.header import Header
from blursplit.frames.layout import Slab, Table
from blursplit.frames.timestamps import Instant, Stamps, Where
from blursplit.result import Note
from blursplit.types import FloatArray

# Seconds of a unit where a column of times states none, the best column first.
_TABLE_COLUMNS = {"TIME": 1.0, "MJD": const.DAY_S, "JD": const.DAY_S}
_TABLE_COLUMNS |= {"TIMESTAMP": 1.0, "SECONDS": 1.0}
_RATES = ("FRAMERAT", "FRMRATE", "FRATE", "FPS")
_INTERVALS = ("KCT", "CYCTIME", "FRMTIME", "FRAMETIM", "FRMINTV")


@dataclass
class Clock:
    """Times as found, in the order of the files, or only an interval."""

    stamps: Stamps | None = None  # none where only `interval_s` is known
    interval_s: float | None = None
    interval_key: str = ""  # keyword of the interval
    start: Stamps | None = None  # time of the first frame where only an interval orders the others
    # Whether all frames are the planes of one cube, so that their order is sure.
    one_cube: bool = False
    notes: list[Note] = field(default_factory=list)

    @classmethod
    def read(cls, units: Units) -> Clock:
        """Find the times of all frames; neither stamps nor interval where nothing says any."""
        slabs = units.slabs
        if all(slab.planes == 1 for slab in slabs):
            stamps = Stamps.read([slab.header for slab in slabs])
            if stamps is None:
                stamps = _without_the_timeless(units)
                slabs = units.slabs
            clock = cls(stamps=stamps)
            if stamps is not None and len(slabs) > 1 and np.ptp(stamps.seconds) == 0:
                clock.notes.append(("times-do-not-advance", {"keyword": stamps.keyword}))
                clock = cls(start=stamps, notes=clock.notes)
            clock.interval_s, clock.interval_key = _interval(slabs[0].header)
            return clock
        notes: list[Note] = []
        parts = [_advancing(_cube_stamps(slab, units.tables), notes) for slab in slabs]
        interval, key = _interval(slabs[0].header)
        begins = Stamps.read([slab.header for slab in slabs])
        if interval is None and len(slabs) == 1:
            interval, key = _interval_from_span(slabs[0])
        if len(slabs) > 1 and begins is not None and all(slab.planes > 1 for slab in slabs):
            same = np.flatnonzero(np.diff(np.sort(begins.seconds)) == 0)
            if same.size and None in parts:
                where = slabs[int(np.argsort(begins.seconds, kind="stable")[same[0] + 1])].where
                problem = (
                    f"begins at the same time ({begins.keyword}) as another cube given with it"
                )
                remedy = "measure the cubes one by one, or correct the time of one"
                raise TimingError(where, problem, remedy)
        found = [part for part in parts if part is not None]
        if len(found) == len(parts):
            return cls(_join(found, begins), interval, key, begins, one_cube=len(slabs) == 1)
        if len(slabs) > 1 and interval is not None and begins is not None:
            # Cubes one after another: each begins at its own stamp and runs at the common rate.
            shifts = [
                begin + np.arange(slab.planes) * interval
                for slab, begin in zip(slabs, begins.seconds, strict=True)
            ]
            keyword = f"{begins.keyword} and {key}"
            joined = replace(begins, seconds=np.concatenate(shifts), keyword=keyword)
            return cls(joined, interval, key, begins, notes=notes)
        return cls(None, interval, key, begins, notes=notes)


def _advancing(stamps: Stamps | None, notes: list[Note]) -> Stamps | None:
    """Return stamps that say when frames were taken, none where all of them are equal."""
    if stamps is None or stamps.seconds.size == 1 or np.ptp(stamps.seconds) > 0:
        return stamps
    notes.append(("times-do-not-advance", {"keyword": stamps.keyword}))
    return None


def _without_the_timeless(units: Units) -> Stamps | None:
    """Leave out files whose time cannot be read when most of the others have one."""
    bad = set(Stamps.lacking([slab.header for slab in units.slabs]))
    if not bad:
        return None
    dropped = [slab for number, slab in enumerate(units.slabs) if number in bad]
    units.drop(dropped, "time cannot be read", "times-unreadable")
    return Stamps.read([slab.header for slab in units.slabs])


def _join(parts: list[Stamps], begins: Stamps | None) -> Stamps:
    """Put the stamps of several cubes on one axis."""
    first = parts[0]
    if len(parts) == 1:
        return first
    seconds: list[FloatArray] = []
    for number, part in enumerate(parts):
        if part.first_mjd_utc is not None and first.first_mjd_utc is not None:
            shift = (part.first_mjd_utc - first.first_mjd_utc) * const.DAY_S
        elif begins is not None:
            shift = float(begins.seconds[number])
        else:
            last = seconds[-1] if seconds else np.zeros(1)
            step = float(np.median(np.diff(last))) if len(last) > 1 else 0.0
            shift = float(last[-1]) + step
        seconds.append(part.seconds + shift)
    coarsest_s = max(part.resolution_s for part in parts)
    return replace(first, seconds=np.concatenate(seconds), resolution_s=coarsest_s)


def _cube_stamps(slab: Slab, tables: list[Table]) -> Stamps | None:
    """Read the times of a cube from the table beside it or from its third axis."""
    if slab.stamps is not None:
        return slab.stamps
    for table in tables:
        if table.path == slab.path and table.rows == slab.planes:
            stamps = _table_stamps(table, slab)
            if stamps is not None:
                return stamps
    header = slab.header
    if header.word("CTYPE3") in {"TIME", "UTC", "TAI", "TT"}:
        step = header.number("CDELT3", "CD3_3")
        factor = const.TIME_UNITS_S.get(header.word("CUNIT3", "s").lower())
        if step is not None and step[0] > 0 and factor is not None:
            begins = Stamps.read([header])
            # TIMEPIXR = 0.5 is the default: coordinates belong to the middle (Rots et al. 2015).
            seconds = np.arange(slab.planes, dtype=np.float64) * step[0] * factor
            first = begins.first_mjd_utc if begins else None
            return Stamps(seconds, first, "CTYPE3 = TIME", "middle", 1e-6)
    if slab.planes == 1:
        return Stamps.read([header])
    return None


def _table_stamps(table: Table, slab: Slab) -> Stamps | None:
    names = table.columns
    for name in filter(names.__contains__, _TABLE_COLUMNS):
        number = names[name]
        column = _column(table, name)
        unit = table.header.word(f"TUNIT{number}").lower()
        scale = const.TIME_UNITS_S.get(unit, _TABLE_COLUMNS[name])
        if column is None or column.shape != (slab.planes,):
            continue
        if not np.all(np.abs(column) < const.LONGEST_TIME_S / scale):  # NaN too
            continue
        begins = Stamps.read([slab.header])
        first = begins.first_mjd_utc if begins is not None else None
        reference = Instant.parse(table.header.text("DATEREF"))
        if reference is not None and reference.clock is not None and name != "MJD":
            zero = Stamps.read([Header.of({"DATE-BEG": table.header.text("DATEREF")})])
            if zero is not None and zero.first_mjd_utc is not None:
                first = zero.first_mjd_utc + float(column[0]) * scale / const.DAY_S
        if "MJD" in names and first is None:
            dates = _column(table, "MJD")
            if dates is not None and dates.size and Instant.is_mjd(dates[0]):
                first = float(dates[0])
        seconds = (column - column[0]) * scale
        steps = np.diff(seconds)
        resolution_s = 1e-6
        if np.mean(steps == 0) > const.REPEATED_STAMPS and np.any(steps > 0):  # cut to this step
            resolution_s = float(steps[steps > 0].min())
        where = _part_of_exposure(table.header, begins)
        return Stamps(seconds, first, f"table of times ({name})", where, resolution_s)
    return None


def _column(table: Table, name: str) -> FloatArray | None:
    try:
        return table.read(**{name: np.float64})[0]
    except InputError:
        return None


def _part_of_exposure(header: Header, begins: Stamps | None) -> Where:
    """Return which part of the exposure a table's times mark.

    TIMEPIXR is 0 at the start, 0.5 in the middle, 1 at the end of the exposure (Rots et al.
    2015, section 4.4 [from memory, verify]); without it the header's own date decides.
    """
    part = header.number("TIMEPIXR")
    if part is None:
        return begins.where if begins is not None else "middle"
    if part[0] < 0.25:  # noqa: PLR2004
        return "begin"
    return "end" if part[0] > 0.75 else "middle"  # noqa: PLR2004


def _interval(header: Header) -> tuple[float | None, str]:
    rate = header.number(*_RATES)
    if rate is not None and 1e-3 < rate[0] < 1e5:  # noqa: PLR2004
        return 1.0 / rate[0], rate[1]
    interval = header.number(*_INTERVALS)
    if interval is not None and 0 < interval[0] < 1e5:  # noqa: PLR2004
        factor = 1e-3 if "ms" in header.comment(interval[1]).split() else 1.0
        return interval[0] * factor, interval[1]
    return None, ""


def _interval_from_span(slab: Slab) -> tuple[float | None, str]:
    """Return the interval of a cube from its beginning and end."""
    last = Instant.parse(slab.header.text("DATE-END"))
    for key in ("DATE-BEG", "DATE-OBS"):
        first = Instant.parse(slab.header.text(key))
        if first is None or last is None or first.clock is None or last.clock is None:
            continue
        begin, end = (np.datetime64(f"{one.day}T{one.clock}", "us") for one in (first, last))
        span = float((end - begin) / np.timedelta64(1, "s"))
        span -= (last.zone_s or 0.0) - (first.zone_s or 0.0)
        resolution = max(first.resolution_s, last.resolution_s)
        if span > 100 * resolution and span / slab.planes > 1e-4:  # noqa: PLR2004
            return span / slab.planes, f"{key} and DATE-END"
    return None, ""
