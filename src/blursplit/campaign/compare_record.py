"""What a comparison found: a typed record with a published schema, its rows, and its lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from pydantic import Field

from blursplit import constants as const
from blursplit.campaign.estimates import background_of, bound95, quantile, smallest_arcsec
from blursplit.estimate import Estimate, from_draws
from blursplit.report.numbers import number, rounded_up, within
from blursplit.report.words import sentence
from blursplit.result import Document, Line, Part, Remark, Result
from blursplit.types import sure

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


def change_rows(comparison: Comparison) -> tuple[list[_ChangeRow], list[str]]:
    """Return the rows of what was compared, and the names of what could not be."""
    rows, absent = [], []
    for key, change in comparison.changes.items():
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


def probability95(value: float | None) -> str:
    """Return a probability that is never told as certain; a dash where none can be told."""
    if value is None:
        return "-"
    if value > const.CERTAIN_CHANGE:
        return f"> {const.CERTAIN_CHANGE:g}"
    return (
        f"< {1 - const.CERTAIN_CHANGE:.3f}" if value < 1 - const.CERTAIN_CHANGE else f"{value:.3f}"
    )


def cell95(estimate: Estimate | None, *, signed: bool = False) -> _Cell:
    """Return an estimate with its 95 % interval, in the decimals that the interval warrants."""
    if estimate is None:
        return _Cell("-")
    low, high = bound95(estimate)
    if estimate.value is None:
        return _Cell("not known" if not math.isfinite(high) else f"< {rounded_up(high)}")
    value, *ends = within(estimate.value, low, high, signed=signed)
    return _Cell(value, " to ".join(ends))


@dataclass
class _Group:
    """The same line in the runs of one side."""

    lines: list[Line]
    results: list[Result]

    @property
    def frequency(self) -> Estimate:
        return _combined([line.frequency_hz for line in self.lines])

    @property
    def rms(self) -> Estimate | None:
        known = [line.rms_arcsec for line in self.lines if line.rms_arcsec is not None]
        return _combined(known) if known else None


def compare_lines(before: Sequence[Result], after: Sequence[Result]) -> list[LineChange]:
    """Match lines by frequency and say what became of each, in their order.

    A line is "gone" only when the other side would have shown it (its
    smallest detectable line lies below the 95 % lower end of this one), else "not decided". A match
    within 25 percent whose 95 % intervals part is "shifted". With several runs a side a line counts
    when at least half of the runs show it.
    """
    changes = []
    for old, new in _matched(_groups(before), _groups(after)):
        if old is not None and new is not None:
            changes.append(_both(old, new))
        elif old is not None:
            changes.append(_one(old, after, state="gone"))
        elif new is not None:
            changes.append(_one(new, before, state="new"))
    places = [float(quantile(sure(c.before_hz or c.after_hz), 0.0)) for c in changes]
    return [changes[k] for k in np.argsort(places, kind="stable")]


def _groups(side: Sequence[Result]) -> list[_Group]:
    found: list[_Group] = []
    for result in side:
        for line in result.lines:
            if line.frequency_hz.value is None:
                continue
            home = next((g for g in found if _same(g, line, result)), None)
            if home is None:
                found.append(_Group([line], [result]))
            else:
                home.lines.append(line)
                home.results.append(result)
    return [g for g in found if 2 * len(g.results) >= len(side)]


def _same(group: _Group, line: Line, result: Result) -> bool:
    if any(result is other for other in group.results):
        return False
    tolerance = max(_resolution(r) for r in (*group.results, result))
    return _apart(group.frequency, line.frequency_hz) <= tolerance


def _apart(a: Estimate, b: Estimate) -> float:
    """Return the gap between two 95 % intervals, 0 when they overlap."""
    (a_low, a_high), (b_low, b_high) = bound95(a), bound95(b)
    return max(b_low - a_high, a_low - b_high, 0.0)


def _resolution(result: Result) -> float:
    return 1.0 / (result.sequence.duration_s or np.inf)


def _combined(estimates: list[Estimate]) -> Estimate:
    if len(estimates) == 1:
        return estimates[0]
    rng = np.random.default_rng(7)
    draws = [quantile(e, rng.standard_normal(4000)) for e in estimates]
    # Repeats scatter, so the pooled draws rather than the error of their mean.
    return from_draws(np.concatenate(draws))


def _matched(
    before: list[_Group], after: list[_Group]
) -> list[tuple[_Group | None, _Group | None]]:
    """Pair the nearest lines first, each once."""
    near = []
    for i, old in enumerate(before):
        for j, new in enumerate(after):
            f_old, f_new = (float(quantile(g.frequency, 0.0)) for g in (old, new))
            distance = abs(f_new / f_old - 1)
            if distance <= const.LINE_SHIFT_AT_MOST:
                near.append((distance, i, j))
    pairs: list[tuple[_Group | None, _Group | None]] = []
    used_old: set[int] = set()
    used_new: set[int] = set()
    for _, i, j in sorted(near):
        if i not in used_old and j not in used_new:
            used_old.add(i)
            used_new.add(j)
            pairs.append((before[i], after[j]))
    pairs += [(g, None) for i, g in enumerate(before) if i not in used_old]
    pairs += [(None, g) for j, g in enumerate(after) if j not in used_new]
    return pairs


def _both(old: _Group, new: _Group) -> LineChange:
    resolution = max(_resolution(r) for r in (*old.results, *new.results))
    change = LineChange(
        state="same",
        before_hz=old.frequency,
        after_hz=new.frequency,
        before_rms_arcsec=old.rms,
        after_rms_arcsec=new.rms,
        runs=(len(old.results), len(new.results)),
    )
    if _apart(old.frequency, new.frequency) > resolution:
        change.state = "shifted"
        change.reason = sentence("line-match-inferred")
    elif old.rms is not None and new.rms is not None and _apart(old.rms, new.rms) > 0:
        lower = quantile(new.rms, 0.0) < quantile(old.rms, 0.0)
        change.state = "weaker" if lower else "stronger"
    return change


def _one(group: _Group, other_side: Sequence[Result], state: Literal["gone", "new"]) -> LineChange:
    """Judge a line that only one side shows by what the other side could have shown."""
    frequency = float(quantile(group.frequency, 0.0))
    could = [_smallest(frequency, group, result) for result in other_side]
    smallest = min((c for c in could if c is not None and np.isfinite(c)), default=None)
    rms_low = bound95(group.rms)[0] if group.rms is not None else None
    decided = smallest is not None and rms_low is not None and smallest < rms_low
    old, runs = state == "gone", (len(group.results), 0)
    side = "before" if old else "after"
    return LineChange(
        state=state if decided else "not decided",
        **{f"{side}_hz": group.frequency, f"{side}_rms_arcsec": group.rms},
        smallest_line_arcsec=smallest,
        runs=runs if old else runs[::-1],
        reason=sentence(
            "line-limit-unknown"
            if smallest is None
            else "line-would-show"
            if decided
            else "line-could-hide",
            smallest_arcsec=smallest,
        ),
    )


def _smallest(frequency_hz: float, group: _Group, result: Result) -> float | None:
    background = background_of(result)
    if background is None:
        return None
    damping = next((x.damping_ratio for x in group.lines if x.kind == "resonance"), None)
    ratio = 0.0 if damping is None or damping.value is None else damping.value
    return float(smallest_arcsec(frequency_hz, background, ratio, which="high"))
