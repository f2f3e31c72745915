"""What a comparison found: a typed record with a published schema, and its rows."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from pydantic import Field

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.report.numbers import number, rounded_up, within
from blursplit.result import Document, Part, Remark

COMPARE_SCHEMA = "blursplit-compare/1"


class Side(Part):
    """The results on one side, in order of time."""

    names: list[str]
    start_utc: list[str | None]
    blur_time_s: float | None = None


class Change(Part):
    """How one quantity changed; every estimate is in the unit of its key."""

    key: str
    before: Estimate
    after: Estimate
    difference: Estimate
    ratio: Estimate | None = None
    probability_smaller: float | None
    smallest_change: float
    between_runs: Estimate
    between_runs_unit: Literal["share", "same as key"]
    runs: tuple[int, int]
    note: str = ""


class LineChange(Part):
    """One line of the spectrum, before against after."""

    state: Literal["gone", "new", "shifted", "weaker", "stronger", "same", "not decided"]
    before_hz: Estimate | None = None
    after_hz: Estimate | None = None
    before_rms_arcsec: Estimate | None = None
    after_rms_arcsec: Estimate | None = None
    smallest_line_arcsec: float | None = None
    runs: tuple[int, int] = (0, 0)
    reason: str = ""


class CommonAir(Part):
    """Recorded width of both sides predicted for one and the same air."""

    seeing_500nm_zenith_arcsec: float
    before_arcsec: Estimate
    after_arcsec: Estimate
    difference_arcsec: Estimate
    probability_smaller: float
    method: str


class Comparison(Document):
    """Before against after."""

    schema_: str = Field(default=COMPARE_SCHEMA, alias="schema")
    version: str = ""
    before: Side
    after: Side
    design: Literal["before-after", "alternating"] = "before-after"
    changes: dict[str, Change | None] = Field(default_factory=dict)
    common_air: CommonAir | None = None
    lines: list[LineChange] = Field(default_factory=list)
    probability_structure_improved: float | None = None
    headline: str = ""
    statement: str = ""
    warnings: list[Remark] = Field(default_factory=list)

    def rows(self) -> tuple[list[_ChangeRow], list[str]]:
        """Return the rows of what was compared, and the names of what could not be."""
        rows, absent = [], []
        for key, change in self.changes.items():
            name, unit = NAMES.get(key, (key, ""))
            if change is None:
                absent.append(name)
                continue
            difference = cell95(change.difference, signed=True)
            if change.before.is_limit and change.after.is_limit:
                # The middle of what two upper limits leave open is no measurement.
                difference = _Cell("", difference.interval)
            rows.append(
                _ChangeRow(
                    key=key,
                    name=name,
                    unit=unit,
                    before=cell95(change.before),
                    after=cell95(change.after),
                    change=difference,
                    probability=probability95(change.probability_smaller),
                    smallest=f"{number(change.smallest_change, 2)}",
                    note=change.note,
                )
            )
        return rows, absent


NAMES: dict[str, tuple[str, str]] = {
    "structure.rms_major_arcsec": ("structure, rms of larger axis", "arcsec"),
    "structure.rms_minor_arcsec": ("structure, rms of smaller axis", "arcsec"),
    "structure.saving_arcsec": ("FWHM that curing the structure saves", "arcsec"),
    "tracking.rms_major_arcsec": ("tracking, rms of larger axis", "arcsec"),
    "tracking.drift_arcsec_per_min": ("drift", "arcsec/min"),
    "open.motion_rms_major_arcsec": ("shared, cause open, rms of larger axis", "arcsec"),
    "atmosphere.seeing_500nm_zenith_arcsec": ("seeing at 500 nm and zenith", "arcsec"),
    "atmosphere.motion_rms_arcsec": ("motion by the air, rms on one axis", "arcsec"),
    "motion.common_rms_px": ("motion shared by all stars, rms on one axis", "px"),
    "fwhm.recorded_px": ("recorded FWHM", "px"),
    "fwhm.recorded_arcsec": ("recorded FWHM", "arcsec"),
    "fwhm.without_structure_arcsec": ("FWHM with the structure cured", "arcsec"),
}


class _Cell(NamedTuple):
    """A value and its 95 % interval; a limit has no interval, an open change no value."""

    value: str
    interval: str = ""

    def __str__(self) -> str:
        """Return both in one phrase."""
        if not self.interval:
            return self.value
        return f"{self.value} ({self.interval})" if self.value else self.interval


class _ChangeRow(NamedTuple):
    """One quantity before and after."""

    key: str
    name: str
    unit: str
    before: _Cell
    after: _Cell
    change: _Cell
    probability: str
    smallest: str
    note: str


def probability95(value: float | None) -> str:
    """Return a probability that is never told as certain; a dash where none can be told."""
    if value is None:
        return "-"
    if value > const.CERTAIN_CHANGE:
        return f"> {const.CERTAIN_CHANGE:g}"
    least = 1 - const.CERTAIN_CHANGE
    return f"< {least:.3f}" if value < least else f"{value:.3f}"


def cell95(estimate: Estimate | None, *, signed: bool = False) -> _Cell:
    """Return an estimate with its 95 % interval, in the decimals that the interval warrants."""
    if estimate is None:
        return _Cell("-")
    low, high = estimate.ends95
    if estimate.value is None:
        return _Cell("not known" if not math.isfinite(high) else f"< {rounded_up(high)}")
    value, *ends = within(estimate.value, low, high, signed=signed)
    return _Cell(value, " to ".join(ends))
