"""Time keywords read: which of them says when, how finely, in which scale, start or middle."""

from __future__ import annotations

import contextlib
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.frames.header import Header
from blursplit.types import FloatArray

Where = Literal["begin", "middle", "end"]

_DATE = re.compile(r"\s*(\d{4})-(\d{1,2})-(\d{1,2})")
_OLD_DATE = re.compile(r"\s*(\d{1,2})/(\d{1,2})/(\d{2,4})")
_CLOCK = re.compile(r"\s*[T ]?\s*(\d{1,2})[: ](\d{1,2})[: ](\d{1,2})(?:[.,](\d*))?\s*")
_ZONE = re.compile(r"(?:Z|UTC?|GMT)?\s*(?:([+-])(\d{2}):?(\d{2})?)?\s*", re.IGNORECASE)
# (keyword, what it marks), best first; keywords of the standard: Rots et al. (2015), A&A 574, A36
_INSTANTS: tuple[tuple[str, Where], ...] = (
    ("DATE-AVG", "middle"),
    ("DATE-BEG", "begin"),
    ("DATE-MID", "middle"),
    ("UT-OBS", "begin"),
    ("UTC-OBS", "begin"),
    ("UTCSTART", "begin"),
    ("UTSTART", "begin"),
    ("DATE-OBS", "begin"),
    ("DATE_OBS", "begin"),
    ("DATE-END", "end"),
)
_CLOCKS = ("TIME-OBS", "UTCSTART", "UTSTART", "UT-OBS", "UTC-OBS", "UT", "UTC", "UT-BEG", "TIME")
_DAYS: tuple[tuple[str, Where, float], ...] = (
    ("MJD-AVG", "middle", 0.0),
    ("MJD-MID", "middle", 0.0),
    ("MJD-BEG", "begin", 0.0),
    ("MJD-OBS", "begin", 0.0),
    ("MJD", "begin", 0.0),
    ("JD-OBS", "begin", const.JD_AT_MJD_0),
    ("JD", "begin", const.JD_AT_MJD_0),
    ("MJD-END", "end", 0.0),
)
_SCALES = {"UTC": "utc", "UT": "utc", "GMT": "utc", "TAI": "tai", "TT": "tt", "TDT": "tt"}
_SCALES |= {"ET": "tt", "TDB": "tdb", "TCB": "tcb", "TCG": "tcg", "UT1": "ut1", "GPS": "tai"}


@dataclass(frozen=True)
class Instant:
    """A time as written: day and clock (None for a date alone), zone and smallest digit."""

    day: str
    clock: str | None
    zone_s: float | None
    resolution_s: float

    @classmethod
    def parse(cls, text: str) -> Instant | None:
        """Read ``2026-03-01T22:10:05.123-07:00``, ``01/03/99`` (1999) or a date; None if wrong.

        The slashed form means day/month/19YY (FITS standard 4.0, section 4.4.2.1).
        """
        match = _DATE.match(text)
        if match:
            year, month, number = (int(part) for part in match.groups())
        else:
            match = _OLD_DATE.match(text)
            if not match:
                return None
            number, month, year = (int(part) for part in match.groups())
            year = year + 1900 if year < 100 else year  # noqa: PLR2004
        try:
            day = date(year, month, number).isoformat()
        except ValueError:
            return None
        rest = text[match.end() :]
        if not rest.strip():
            return cls(day, None, None, const.DAY_S)
        clock = _parse_clock(rest)
        return None if clock is None else cls(day, *clock)

    @staticmethod
    def is_mjd(day: float) -> bool:
        """Return whether a number may be a modified Julian date of ours."""
        return 10_000 < day < 200_000  # noqa: PLR2004  the years 1886 to 2406


@dataclass(frozen=True)
class Stamps:
    """Times of frames as their headers give them."""

    # (n_frames,): seconds since the first frame in the list, not sorted, of what `where` says.
    seconds: FloatArray
    first_mjd_utc: float | None  # date of the first one; None for local time of an unknown zone
    keyword: str
    where: Where
    resolution_s: float  # smallest step that the keyword can express
    note: str = ""  # what had to be assumed

    @classmethod
    def read(cls, headers: Sequence[Header]) -> Stamps | None:
        """Return the finest usable times that every header gives, or None where there are none."""
        found = [*_instant_candidates(headers), *_day_candidates(headers)]
        if not found:
            return None
        # Digits decide before kind: whole seconds lose against milliseconds, local time to UTC.
        return min(found, key=lambda one: (max(one[0], const.FINEST_TIME_S), one[1]))[2]()

    @staticmethod
    def lacking(headers: Sequence[Header]) -> list[int]:
        """Return the headers that lack the time which most of the others give, by number.

        Empty where no keyword can be read in more than half of them.
        """
        best: list[int] = list(range(len(headers)))
        for key, _ in _INSTANTS:
            read = [Instant.parse(header.text(key)) for header in headers]
            clocked = any(one is not None and one.clock is not None for one in read)
            bad = [n for n, one in enumerate(read) if not one or (clocked and one.clock is None)]
            best = bad if len(bad) < len(best) else best
        for key, _, zero in _DAYS:
            days = [header.number(key) for header in headers]
            bad = [
                n for n, day in enumerate(days) if day is None or not Instant.is_mjd(day[0] - zero)
            ]
            best = bad if len(bad) < len(best) else best
        return best if len(best) < len(headers) / 2 else []

    @classmethod
    def given(cls, times: Any, source: str | Path) -> Stamps:
        """Return the stamps of times given in Python: a Quantity, a Time, or seconds as floats."""
        first_mjd = None
        if hasattr(times, "utc"):
            days = np.atleast_1d(times.utc.mjd)
            first_mjd = float(days[0])
            seconds = np.atleast_1d((times - times[0]).to_value("s"))
        elif hasattr(times, "unit") and times.unit is not None:
            try:
                seconds = np.atleast_1d(times.to_value("s"))
            except ValueError as error:  # astropy's UnitConversionError is one
                raise InputError(source, f"are in {times.unit}", "give them in seconds") from error
        else:
            try:
                seconds = np.atleast_1d(np.asarray(times, dtype=np.float64))
            except (TypeError, ValueError) as error:
                remedy = "give seconds, a Quantity or a Time"
                raise InputError(source, "are no times", remedy) from error
        seconds = np.ma.filled(np.ma.asarray(seconds, dtype=np.float64), np.nan)
        if not np.all(np.isfinite(seconds)):
            missing = int(np.count_nonzero(~np.isfinite(seconds)))
            raise InputError(source, f"{missing} of them are missing", "leave those frames out")
        return cls(seconds - seconds[0], first_mjd, str(source), "middle", _finest_step(seconds))


def _parse_clock(text: str) -> tuple[str, float | None, float] | None:
    """Read ``22:10:05.123Z``: (clock, zone in seconds east or None, smallest digit in seconds)."""
    match = _CLOCK.match(text)
    if not match:
        return None
    hour, minute, second = (int(part) for part in match.group(1, 2, 3))
    if hour > 23 or minute > 59 or second > 60:  # noqa: PLR2004
        return None
    tail = text[match.end() :]
    zone = _ZONE.fullmatch(tail)
    if not zone:
        return None
    zone_s = 0.0 if tail.strip() else None
    if zone.group(1):
        zone_s = int(zone.group(2)) * 3600.0 + int(zone.group(3) or 0) * 60.0
        zone_s = -zone_s if zone.group(1) == "-" else zone_s
    digits = (match.group(4) or "")[:9]
    clock = f"{hour:02d}:{minute:02d}:{second:02d}.{digits or '0'}"
    return clock, zone_s, 10.0 ** -len(digits)


# A keyword that could give the times: their resolution [s], whether they are local, how to build.
_Candidate = tuple[float, bool, Callable[[], Stamps]]


def _instant_candidates(headers: Sequence[Header]) -> list[_Candidate]:
    found: list[_Candidate] = []
    for key, where in _INSTANTS:
        if key not in headers[0]:
            continue
        instants = [Instant.parse(header.text(key)) for header in headers]
        usable = [instant for instant in instants if instant is not None]
        if len(usable) < len(headers):
            continue
        keyword = key
        if all(instant.clock is None for instant in usable):
            joined = _with_clock(headers, usable)
            if joined is None:
                continue
            usable, clock_key = joined
            keyword = f"{key} + {clock_key}"
        elif any(instant.clock is None for instant in usable):
            continue  # the digits of some are gone
        local = usable[0].zone_s is None and _is_local(headers[0], key)
        build = partial(_from_instants, headers[0], key, keyword, where, usable)
        found.append((_true_resolution(usable), local, build))
    return found


def _with_clock(headers: Sequence[Header], days: list[Instant]) -> tuple[list[Instant], str] | None:
    for key in _CLOCKS:
        if key not in headers[0]:
            continue
        clocks = [_clock_of(header, key) for header in headers]
        good = [clock for clock in clocks if clock is not None]
        if len(good) == len(headers):
            pairs = zip(days, good, strict=True)
            return [Instant(instant.day, *clock) for instant, clock in pairs], key
    return None


def _clock_of(header: Header, key: str) -> tuple[str, float | None, float] | None:
    """Read a clock keyword, also one that counts hours or seconds since midnight."""
    clock = _parse_clock(header.text(key))
    if clock is not None:
        return clock
    number = header.number(key)
    if number is None:
        return None
    in_seconds = "sec" in header.comment(key) or number[0] >= 24  # noqa: PLR2004
    seconds = number[0] * (1.0 if in_seconds else 3600.0)
    if not 0 <= seconds < const.DAY_S:
        return None
    micro = round(seconds * 1e6)
    hour, rest = divmod(micro, 3_600_000_000)
    minute, rest = divmod(rest, 60_000_000)
    text = f"{hour:02d}:{minute:02d}:{rest // 1_000_000:02d}.{rest % 1_000_000:06d}"
    return text, 0.0, max(_digit(header.text(key)) * (1.0 if in_seconds else 3600.0), 1e-6)


def _digit(text: str) -> float:
    mantissa, _, exponent = text.upper().replace("D", "E").partition("E")
    decimals = len(mantissa.partition(".")[2])
    try:
        return 10.0 ** (int(exponent or 0) - decimals)
    except (ValueError, OverflowError):
        return 1.0


def _from_instants(
    header: Header, key: str, keyword: str, where: Where, instants: list[Instant]
) -> Stamps:
    notes = []
    scale, note = _scale(header)
    local = any(instant.zone_s is None for instant in instants) and _is_local(header, key)
    if local:
        notes.append(f"{key} is local time of an unknown zone: date and airmass are not used")
    if any(instant.zone_s for instant in instants):
        notes.append(f"{key} has a time zone, converted to UTC")
        scale = "utc"
    if note and not local:
        notes.append(note)
    zone_s = np.array([instant.zone_s or 0.0 for instant in instants])
    days, whole_s = _to_days([f"{one.day}T{one.clock}" for one in instants], scale)
    seconds = whole_s - zone_s
    seconds, wrapped = _over_midnight(seconds, instants, joined=keyword != key)
    if wrapped:
        notes.append("the date does not change at midnight; a day was added")
    resolution_s = _true_resolution(instants)
    where, comment_note = _where(header, key, where)
    if comment_note:
        notes.append(comment_note)
    first = None if local else days - zone_s[0] / const.DAY_S - _gps_s(header) / const.DAY_S
    return Stamps(seconds - seconds[0], first, keyword, where, resolution_s, "; ".join(notes))


def _to_days(texts: list[str], scale: str) -> tuple[float, FloatArray]:
    """Return the UTC date of the first instant (MJD) and seconds since it, over leap seconds."""
    from astropy.time import Time

    with offline():
        times = Time(texts, format="isot", scale=scale)
        uniform = times if scale == "ut1" else times.tai
        seconds = (uniform - uniform[0]).to_value("s")
        first = times[0] if scale == "ut1" else times[0].utc
        return float(first.mjd), np.asarray(seconds, dtype=np.float64)


def _over_midnight(
    seconds: FloatArray, instants: list[Instant], *, joined: bool
) -> tuple[FloatArray, bool]:
    """Add a day where date and clock are separate keywords and only the clock goes on."""
    if not joined or len({instant.day for instant in instants}) > 1:
        return seconds, False
    jumps = np.diff(seconds) < -const.DAY_S / 2
    if int(np.count_nonzero(jumps)) != 1:
        return seconds, False
    out = seconds.copy()
    out[int(np.argmax(jumps)) + 1 :] += const.DAY_S
    return out, True


def _true_resolution(instants: list[Instant]) -> float:
    """Return the smallest step of the stamps, coarser where the digits never change."""
    written_s = min(one.resolution_s for one in instants)  # writers drop trailing zeros
    many = 5
    fractions = {(one.clock or "").partition(".")[2] for one in instants}
    clocks = {one.clock for one in instants}
    constant = len(instants) >= many and len(fractions) == 1 and len(clocks) > 1
    return 1.0 if constant and written_s < 1 else written_s


def _is_local(header: Header, key: str) -> bool:
    comment = header.comment(key)
    if header.word("TIMESYS") in {"LOCAL", "LT"}:
        return True
    return bool(re.search(r"\blocal\b|\blt\b", comment)) and "ut" not in comment.split()


def _where(header: Header, key: str, where: Where) -> tuple[Where, str]:
    comment = header.comment(key)
    if key in {"DATE-OBS", "DATE_OBS", "MJD-OBS", "UT-OBS", "JD", "JD-OBS"}:
        if re.search(r"\bmid|\bcent(er|re)", comment):
            return "middle", f"{key} is the middle of the exposure by its comment"
        if re.search(r"\bend\b", comment):
            return "end", f"{key} is the end of the exposure by its comment"
    return where, ""


def _scale(header: Header) -> tuple[str, str]:
    name = header.word("TIMESYS", "UTC").partition("(")[0]
    unknown = "" if name in _SCALES else f"TIMESYS = '{name}' is not known, taken as UTC"
    return _SCALES.get(name, "utc"), unknown


def _gps_s(header: Header) -> float:
    return -const.GPS_BEHIND_TAI_S if header.word("TIMESYS") == "GPS" else 0.0


def _day_candidates(headers: Sequence[Header]) -> list[_Candidate]:
    found: list[_Candidate] = []
    for key, where, zero in _DAYS:
        values = [header.number(key) for header in headers]
        days = np.array([value[0] for value in values if value is not None]) - zero
        if days.size < len(headers) or not all(Instant.is_mjd(float(day)) for day in days):
            continue
        # Writers drop trailing zeros: the longest number shows the digits there are.
        resolution_s = max(min(_digit(header.text(key)) for header in headers) * const.DAY_S, 1e-6)
        build = partial(_from_days, headers[0], key, where, days, resolution_s)
        found.append((resolution_s, False, build))
    return found


def _from_days(
    header: Header, key: str, where: Where, days: FloatArray, resolution_s: float
) -> Stamps:
    scale, note = _scale(header)
    where, comment_note = _where(header, key, where)
    first = float(days[0])
    if scale not in {"utc", "ut1"}:
        from astropy.time import Time

        with offline():
            first = float(Time(first, format="mjd", scale=scale).utc.mjd)
    first -= _gps_s(header) / const.DAY_S
    notes = "; ".join(text for text in (note, comment_note) if text)
    return Stamps((days - days[0]) * const.DAY_S, first, key, where, resolution_s, notes)


def iso_utc(mjd: float) -> str:
    """Return an MJD (UTC) as ISO text with milliseconds."""
    from astropy.time import Time

    with offline():
        return str(Time(mjd, format="mjd", scale="utc").isot)


def _finest_step(seconds: FloatArray) -> float:
    """Return the smallest decimal digit, of a second to a microsecond, that all times keep."""
    for digits in range(6):
        if np.allclose(seconds, np.round(seconds, digits), rtol=0.0, atol=1e-7):
            return float(10.0**-digits)
    return 1e-6


@contextlib.contextmanager
def offline() -> Iterator[None]:
    """Keep astropy from downloading Earth orientation and leap seconds while inside.

    Predicted or missing Earth orientation moves an altitude by far less than an arcminute, and a
    leap second missing from the tables moves a date by one second; neither matters here.
    """
    from astropy.utils import iers

    with (
        warnings.catch_warnings(action="ignore"),
        iers.conf.set_temp("auto_download", False),  # noqa: FBT003
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        yield
