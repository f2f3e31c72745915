"""Before against after: whether the change helped, by how much, and what could have been shown.

Widths of two sides are compared as they would be in one and the same air.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from itertools import compress, pairwise
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.campaign.compare_record import (
    Change,
    CommonAir,
    Comparison,
    LineChange,
    Side,
    cell95,
    probability95,
)
from blursplit.campaign.estimates import Background, r0_along_sight_m, value_at
from blursplit.definitions import Conditions, History, turn
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.report.words import said, sentence
from blursplit.result import Line, Remark, Result
from blursplit.types import FloatArray, sure

COMPARED: tuple[str, ...] = (
    "structure.rms_major_arcsec",
    "structure.rms_minor_arcsec",
    "structure.saving_arcsec",
    "tracking.rms_major_arcsec",
    "tracking.drift_arcsec_per_min",
    "open.motion_rms_major_arcsec",
    "atmosphere.seeing_500nm_zenith_arcsec",
    "atmosphere.motion_rms_arcsec",
    "fwhm.recorded_arcsec",
    "fwhm.without_structure_arcsec",
)
IN_PIXELS = ("motion.common_rms_px", "fwhm.recorded_px")
"""Compared as well where a run has no pixel scale."""
SLOW = ("tracking.", "open.", "atmosphere.motion", "fwhm.", "structure.saving")
"""Quantities that grow with the blur time, so that both sides need the same one."""
SCATTER = {"atmosphere": 0.0, "fwhm": const.BETWEEN_WIDTHS}
"""Prior scatter between runs; the air is compared as it was in these very runs."""


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


def _compare_lines(before: Sequence[Result], after: Sequence[Result]) -> list[LineChange]:
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
    places = [float(sure(c.before_hz or c.after_hz).quantile(0.0)) for c in changes]
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
    (a_low, a_high), (b_low, b_high) = a.ends95, b.ends95
    return max(b_low - a_high, a_low - b_high, 0.0)


def _resolution(result: Result) -> float:
    return 1.0 / (result.sequence.duration_s or np.inf)


def _combined(estimates: list[Estimate]) -> Estimate:
    if len(estimates) == 1:
        return estimates[0]
    rng = np.random.default_rng(7)
    draws = [e.quantile(rng.standard_normal(4000)) for e in estimates]
    # Repeats scatter, so the pooled draws rather than the error of their mean.
    return Estimate.from_draws(np.concatenate(draws))


def _matched(
    before: list[_Group], after: list[_Group]
) -> list[tuple[_Group | None, _Group | None]]:
    """Pair the nearest lines first, each once."""
    old, new = ([float(g.frequency.quantile(0.0)) for g in side] for side in (before, after))
    off = [(abs(b / a - 1), i, j) for i, a in enumerate(old) for j, b in enumerate(new)]
    used: list[tuple[int, int]] = []
    for distance, i, j in sorted(off):
        if distance <= const.LINE_SHIFT_AT_MOST and all(i != a and j != b for a, b in used):
            used.append((i, j))
    pairs: list[tuple[_Group | None, _Group | None]] = [(before[i], after[j]) for i, j in used]
    pairs += [(g, None) for i, g in enumerate(before) if all(i != a for a, _ in used)]
    pairs += [(None, g) for j, g in enumerate(after) if all(j != b for _, b in used)]
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
        lower = new.rms.quantile(0.0) < old.rms.quantile(0.0)
        change.state = "weaker" if lower else "stronger"
    return change


def _one(group: _Group, other_side: Sequence[Result], state: Literal["gone", "new"]) -> LineChange:
    """Judge a line that only one side shows by what the other side could have shown."""
    frequency = float(group.frequency.quantile(0.0))
    could = [_smallest(frequency, group, result) for result in other_side]
    smallest = min((c for c in could if c is not None and np.isfinite(c)), default=None)
    rms_low = group.rms.ends95[0] if group.rms is not None else None
    decided = smallest is not None and rms_low is not None and smallest < rms_low
    reason = sentence("line-limit-unknown")
    if smallest is not None:
        size = {"smallest_arcsec": smallest}
        reason = sentence("line-would-show" if decided else "line-could-hide", **size)
    old, runs = state == "gone", (len(group.results), 0)
    side = "before" if old else "after"
    return LineChange(
        state=state if decided else "not decided",
        **{f"{side}_hz": group.frequency, f"{side}_rms_arcsec": group.rms},
        smallest_line_arcsec=smallest,
        runs=runs if old else runs[::-1],
        reason=reason,
    )


def _smallest(frequency_hz: float, group: _Group, result: Result) -> float | None:
    background = Background.of(result)
    if background is None:
        return None
    damping = next((x.damping_ratio for x in group.lines if x.kind == "resonance"), None)
    ratio = 0.0 if damping is None or damping.value is None else damping.value
    return float(background.smallest_arcsec(frequency_hz, ratio, which="high"))


def compare(
    before: Sequence[Result],
    after: Sequence[Result],
    *,
    rng: np.random.Generator | None = None,
    n_draws: int = 10_000,
) -> Comparison:
    """Compare two sets of results.

    `before`, `after`: at least one each. Several a side are repeats; an A-B-A-B run is given as all
    A before and all B after, in any order (see `split_alternating`), and is recognised by its
    times. `rng`: source of the draws; the default has a fixed seed, so that a page can be made
    again.

    Each quantity goes through `_mean_of_sides`. `smallest_change` is the change that would have
    been told from none at the two-sided 5 % level with a probability of 0.8:
    (1.960 + 0.842)/1.960 times half the 95 % interval of the difference (Bloom 1995, Eval. Rev.
    19, 547; from memory, verify). A structure that is only an upper limit on both sides gives no
    probability: a prior would be compared with itself.
    """
    rng = rng or np.random.default_rng(20_260_101)
    sides = (_in_time_order(before, "--before"), _in_time_order(after, "--after"))
    for result in sides[0]:
        if result in sides[1]:
            name, remedy = result.sequence.name or "result", "give different runs before and after"
            raise InputError(name, "stands on both sides", remedy)
    warnings: list[Remark] = []
    same_blur = _same_blur_time(sides, warnings)
    changes: dict[str, Change | None] = {}
    scaled = all(r.fwhm.recorded_arcsec is not None for side in sides for r in side)
    for key in COMPARED + (() if scaled else IN_PIXELS):
        if key.startswith(SLOW) and not same_blur:
            changes[key] = None
            continue
        changes[key] = _change(key, sides, rng, n_draws)
    design = "alternating" if _is_alternating(*sides) else "before-after"
    warnings += _doubts(sides, design, changes)
    air = _width_at_common_air(*sides, rng=rng) if same_blur else None
    structure = changes["structure.rms_major_arcsec"]
    probability = structure.probability_smaller if structure else None
    first = _statement(structure, "structure", "arcsec")
    in_pixels = changes.get("motion.common_rms_px")
    if structure is None and in_pixels is not None:
        first = _statement(in_pixels, "shared", "px")
    lines = _compare_lines(*sides)
    told = [first, *_lines_told(lines), *_open_cause(changes["open.motion_rms_major_arcsec"])]
    return Comparison(
        version=version("blursplit"),
        before=_side(sides[0]),
        after=_side(sides[1]),
        design=design,
        changes=changes,
        common_air=air,
        lines=lines,
        probability_structure_improved=probability,
        headline=_headline(air),
        statement=" ".join(told),
        warnings=warnings,
    )


def split_alternating(results: Sequence[Result]) -> tuple[list[Result], list[Result]]:
    """Split an A-B-A-B run, sorted by start, into its A and its B results."""
    starts = [r.sequence.start_utc or "" for r in results]
    if len(results) < const.COMPARE_LEAST_TURNS or not all(starts):
        problem = "need at least two with a start time to alternate"
        raise InputError("results", problem, "name both sides")
    for one, other in pairwise(sorted(starts)):
        if one == other:
            problem = f"two began at the same time ({one}), so their turns are open"
            raise InputError("results", problem, "name both sides with --before and --after")
    ordered = _in_time_order(results, "results")
    return ordered[0::2], ordered[1::2]


def _is_alternating(before: Sequence[Result], after: Sequence[Result]) -> bool:
    """Return whether the sides were taken in turns: the order of times switches twice or more."""
    starts = [(r.sequence.start_utc or "", k) for k, s in enumerate((before, after)) for r in s]
    if not all(start for start, _ in starts):
        return False
    order = [side for _, side in sorted(starts, key=lambda item: item[0])]
    return sum(a != b for a, b in pairwise(order)) >= const.COMPARE_LEAST_TURNS


def _in_time_order(results: Sequence[Result], name: str) -> list[Result]:
    if not results:
        raise InputError(name, "no result given", "name at least one result folder")
    if any(r.sequence.start_utc is None for r in results):
        return list(results)
    return sorted(results, key=lambda r: r.sequence.start_utc or "")


def _same_blur_time(sides: tuple[list[Result], list[Result]], warnings: list[Remark]) -> bool:
    times = [r.fwhm.blur_time_s for side in sides for r in side]
    known = [t for t in times if t is not None]
    if not known or max(known) <= min(known) * (1 + const.BLUR_TIME_TOLERANCE):
        return True
    warnings.append(said("blur-times-differ", shortest_s=min(known), longest_s=max(known)))
    return False


def _estimate_at(result: Result, path: str) -> Estimate | None:
    """Return the estimate at a path, None where it was not measured or has no upper end."""
    value = value_at(result, path)
    known = isinstance(value, Estimate) and {value.value, value.high, value.high95} != {None}
    return value if known else None


@dataclass(frozen=True)
class _TwoSides:
    """Draws of the mean of each side, and the scatter between repeats."""

    # `before`, `after`: (n_draws,): mean of each side, in the unit of the estimates.
    before: FloatArray
    after: FloatArray
    # Standard deviation between repeats: a share of the value when `logarithmic`, else in the unit
    # of the estimates.
    between_runs: Estimate
    logarithmic: bool  # whether the means were taken in the logarithm


def _mean_of_sides(
    before: Sequence[Estimate],
    after: Sequence[Estimate],
    rng: np.random.Generator,
    n_draws: int = 20_000,
    *,
    scatter: float = const.BETWEEN_RUNS,
) -> _TwoSides:
    """Return the mean of repeats on both sides under a random-effects model.

    Repeat k of a side is the side's mean plus scatter between runs (one standard deviation for
    both sides) plus the error of its own estimate. The scatter has a gamma prior (shape 2,
    mean `scatter`) and is integrated over, so that one run a side carries the scatter
    that one run has, and many runs speak for themselves.

    `before`, `after`: at least one each. `scatter`: mean of the prior on the scatter between runs,
    a share of the value. With 0 none is added: what these very runs had is compared (the air of
    those minutes), not what repeats would have.

    Model and integration over the scatter: Gelman et al. 2013, Bayesian Data Analysis, section
    5.4; gamma prior of shape 2, which keeps few groups off zero: Chung et al. 2013, Psychometrika
    78, 685 (both from memory, verify). The means have a flat prior. The errors keep their
    asymmetric shape.
    """
    sides = (list(before), list(after))
    everything = sides[0] + sides[1]
    logarithmic = all(
        e.value is not None and next(v for v in (e.low95, e.low, e.value) if v is not None) > 0
        for e in everything
    )
    centre = [np.array([_transform(e.quantile(0.0), logarithmic) for e in s]) for s in sides]
    sigma = [np.array([_half_width(e, logarithmic) for e in s]) for s in sides]
    unit = 1.0 if logarithmic else max(float(np.mean(np.concatenate(centre))), 1e-12)
    if scatter == 0:
        tau = np.zeros(n_draws)
    else:
        grid, weight = _between_posterior(centre, sigma, scatter * unit)
        tau = rng.choice(grid, size=n_draws, p=weight)
    means = [
        _draw_mean(side, s, tau, logarithmic=logarithmic, rng=rng)
        for side, s in zip(sides, sigma, strict=True)
    ]
    # a size whose interval touches zero does not go below it; a saving may
    floor = 0.0 if all(e.ends95[0] >= 0 for e in everything) else -np.inf
    drawn = [np.exp(mean) if logarithmic else np.maximum(mean, floor) for mean in means]
    return _TwoSides(drawn[0], drawn[1], Estimate.from_draws(tau), logarithmic)


def _transform(value: FloatArray, logarithmic: bool) -> float:
    return float(np.log(value)) if logarithmic else float(value)


def _half_width(estimate: Estimate, logarithmic: bool) -> float:
    low, high = (_transform(estimate.quantile(z), logarithmic) for z in (-1.0, 1.0))
    return max(0.5 * (high - low), 1e-9)


def _between_posterior(
    centre: list[FloatArray], sigma: list[FloatArray], scale: float
) -> tuple[FloatArray, FloatArray]:
    grid = scale * np.geomspace(0.005, 50.0, 240)
    log_p = np.log(np.maximum(grid, 1e-12 * scale)) - 2.0 * grid / scale
    for y, s in zip(centre, sigma, strict=True):
        w = 1.0 / (s[:, None] ** 2 + grid[None, :] ** 2)
        mu = np.sum(w * y[:, None], axis=0) / np.sum(w, axis=0)
        log_p += 0.5 * np.sum(np.log(w), axis=0) - 0.5 * np.log(np.sum(w, axis=0))
        log_p -= 0.5 * np.sum(w * (y[:, None] - mu) ** 2, axis=0)
    step = np.gradient(grid)
    p = np.exp(log_p - log_p.max()) * step
    return grid, p / p.sum()


def _draw_mean(
    side: list[Estimate],
    sigma: FloatArray,
    tau: FloatArray,
    *,
    logarithmic: bool,
    rng: np.random.Generator,
) -> FloatArray:
    n = len(tau)
    w = 1.0 / (sigma[:, None] ** 2 + tau[None, :] ** 2)
    total = np.zeros(n)
    for k, estimate in enumerate(side):
        own = estimate.quantile(rng.standard_normal(n))
        own = np.log(own) if logarithmic else own
        # The own error is drawn with its shape, the scatter between runs added to it.
        total += w[k] * (own + tau * rng.standard_normal(n))
    return np.asarray(total / w.sum(axis=0))


def _change(
    key: str, sides: tuple[list[Result], list[Result]], rng: np.random.Generator, n_draws: int
) -> Change | None:
    known = [[e for e in (_estimate(r, key) for r in side) if e is not None] for side in sides]
    if not (known[0] and known[1]):
        return None
    scatter = SCATTER.get(key.partition(".")[0], const.BETWEEN_RUNS)
    draws = _mean_of_sides(known[0], known[1], rng, n_draws, scatter=scatter)
    difference = draws.after - draws.before
    all_limits = [all(e.is_limit for e in side) for side in known]
    both = all(all_limits)
    notes = [*compress(["limit-before", "limit-after"], all_limits)]
    notes = ["limits-on-both-sides"] if both else notes
    half = 0.5 * float(np.subtract(*np.quantile(difference, [0.975, 0.025])))
    return Change(
        key=key,
        before=_limit_or_value(draws.before, limit=all_limits[0]),
        after=_limit_or_value(draws.after, limit=all_limits[1]),
        difference=Estimate.from_draws(difference),
        ratio=Estimate.from_draws(draws.after / draws.before) if draws.logarithmic else None,
        probability_smaller=None if both else float(np.mean(difference < 0)),
        smallest_change=half * (const.Z95 + const.POWER_80) / const.Z95,
        between_runs=draws.between_runs,
        between_runs_unit="share" if draws.logarithmic else "same as key",
        runs=(len(known[0]), len(known[1])),
        note="".join(map(sentence, notes)),
    )


def _estimate(result: Result, key: str) -> Estimate | None:
    """Return what is compared: a path of the result, or the shared motion in pixels, one axis.

    Ends of both axes are taken together, as a swing along a diagonal errs in both alike. Where a
    run states none, its error is a judged one. What repeats scatter is added to either.
    """
    x, y = result.motion.common_rms_x_px, result.motion.common_rms_y_px
    if key != "motion.common_rms_px":
        return _estimate_at(result, key)
    if x is None or y is None:
        return None
    names = ("low95", "low", "value", "high", "high95")
    along_x, along_y = ([getattr(size, name) for name in names] for size in (x, y))
    if None not in (*along_x, *along_y):
        return Estimate.from_ends(np.hypot(along_x, along_y) / np.sqrt(2.0))
    rms = float(np.hypot(sure(x.value), sure(y.value)) / np.sqrt(2.0))
    return Estimate.from_ends(rms * (1.0 + z * const.MOTION_ONE_DRAW) for z in const.NORMAL_SCORES)


def _limit_or_value(draws: FloatArray, *, limit: bool) -> Estimate:
    if not limit:
        return Estimate.from_draws(draws)
    high = float(np.quantile(draws, 0.95))
    return Estimate.upper_limit(high)


def _doubts(
    sides: tuple[list[Result], list[Result]], design: str, changes: dict[str, Change | None]
) -> list[Remark]:
    found = []
    if min(len(side) for side in sides) == 1:
        found.append(said("repeats-assumed", share=const.BETWEEN_RUNS))
    if design == "before-after" and max(len(side) for side in sides) > 1:
        found.append(said("not-alternating"))
    air = changes["atmosphere.seeing_500nm_zenith_arcsec"]
    if air is not None and not sure(air.difference.low95) <= 0 <= sure(air.difference.high95):
        found.append(said("air-changed"))
    for key in ("aperture_m", "pixel_scale_arcsec", "focal_length_m"):
        values = {float(f"{r.setup[key].value:.3g}") for s in sides for r in s if key in r.setup}
        if len(values) > 1:
            found.append(said("setup-differs", key=key, values=sorted(values)))
    return found


def _headline(air: CommonAir | None) -> str:
    """Return both widths in the same air; without them the statement leads."""
    if air is None:
        return ""
    d = air.difference_arcsec
    facts: dict[str, str | None] = {}
    for side, width in (("before", air.before_arcsec), ("after", air.after_arcsec)):
        cell = cell95(width)
        facts |= {side: cell.value, f"{side}_ends": cell.interval or None}
    text = sentence("widths-in-same-air", **facts)
    if d.low95 is not None and d.high95 is not None and d.low95 <= 0.0 <= d.high95:
        text += " " + sentence("change-not-told")
    return text


def _statement(change: Change | None, motion: str, unit: str) -> str:
    if change is None:
        return sentence("structure-not-compared")
    p, smallest = change.probability_smaller, change.smallest_change
    if p is None:
        return sentence("structure-not-shown", smallest=smallest, unit=unit)
    cell = cell95(change.difference, signed=True)
    facts = {"motion": motion, "change": cell.value, "interval": cell.interval, "unit": unit}
    way, chance = _direction(p)
    if way is not None:
        return sentence("motion-changed", way=way, chance=probability95(chance), **facts)
    return sentence("motion-undecided", chance=f"{p:.2f}", smallest=smallest, **facts)


def _direction(probability_smaller: float) -> tuple[str | None, float]:
    """Return whether something surely became smaller or larger, and the chance of that."""
    for way, chance in (("smaller", probability_smaller), ("larger", 1.0 - probability_smaller)):
        if chance >= const.SURE_DIRECTION:
            return way, chance
    return None, probability_smaller


def _lines_told(lines: Sequence[LineChange]) -> list[str]:
    """Return a sentence on each line that came or went."""
    return [
        sentence(f"line-{line.state}", frequency=cell95(hz).value)
        for line in lines
        if line.state in {"gone", "new"} and (hz := line.before_hz or line.after_hz) is not None
    ]


def _open_cause(change: Change | None) -> list[str]:
    """Return a sentence on shared motion of open cause where it clearly changed."""
    if change is None or change.probability_smaller is None:
        return []
    way, _ = _direction(change.probability_smaller)
    if way is None:
        return []
    cell = cell95(change.difference, signed=True)
    facts = {"change": cell.value, "interval": cell.interval}
    return [sentence("open-motion-changed", way=way, **facts)]


def _side(results: list[Result]) -> Side:
    times = {r.fwhm.blur_time_s for r in results}
    return Side(
        names=[r.sequence.name for r in results],
        start_utc=[r.sequence.start_utc for r in results],
        blur_time_s=times.pop() if len(times) == 1 else None,
    )


def _width_at_common_air(
    before: Sequence[Result], after: Sequence[Result], *, rng: np.random.Generator
) -> CommonAir | None:
    """Return the recorded width of both sides predicted for the mean air of all runs.

    Each run's recorded width is multiplied by model(common air)/model(its own air). The model is
    the optical transfer function of telescope, air, instrument and the run's own mechanical
    motion, so that a run with strong shake answers less to a change of the air than a quiet one.
    None when a side has no run with both a recorded width and a seeing.
    """
    sides = [[r for r in side if _usable(r)] for side in (before, after)]
    if not (sides[0] and sides[1]):
        return None
    seeings = [r.atmosphere.seeing_500nm_zenith_arcsec for side in sides for r in side]
    common = float(np.exp(np.mean([np.log(s.quantile(0.0)) for s in seeings if s])))
    moved = [[_moved(r, common, rng) for r in side] for side in sides]
    draws = _mean_of_sides(moved[0], moved[1], rng, scatter=const.BETWEEN_WIDTHS)
    difference = draws.after - draws.before
    assumes = any(r.setting("aperture_m") is None for side in sides for r in side)
    assumed_m = const.FALLBACK_APERTURE_M if assumes else None
    return CommonAir(
        seeing_500nm_zenith_arcsec=common,
        before_arcsec=Estimate.from_draws(draws.before),
        after_arcsec=Estimate.from_draws(draws.after),
        difference_arcsec=Estimate.from_draws(difference),
        probability_smaller=float(np.mean(difference < 0)),
        method=sentence("common-air-method", aperture_m=assumed_m),
    )


def _usable(result: Result) -> bool:
    recorded = result.fwhm.recorded_arcsec
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    return all(one is not None and one.value is not None for one in (recorded, seeing))


def _moved(result: Result, common_seeing: float, rng: np.random.Generator) -> Estimate:
    """Return the recorded width of a run moved to the common air, with both uncertainties."""
    # `_usable` has looked
    seeing = sure(result.atmosphere.seeing_500nm_zenith_arcsec)
    recorded = sure(result.fwhm.recorded_arcsec)
    ends = seeing.quantile(np.array([-2.5, 2.5]))
    grid = np.geomspace(min(ends[0], common_seeing) * 0.98, max(ends[1], common_seeing) * 1.02, 9)
    widths = np.array([_model_fwhm_arcsec(result, s) for s in grid])
    at_common = np.interp(np.log(common_seeing), np.log(grid), np.log(widths))
    own = seeing.quantile(np.clip(rng.standard_normal(4000), -2.5, 2.5))
    at_own = np.interp(np.log(own), np.log(grid), np.log(widths))
    own_width = recorded.quantile(rng.standard_normal(4000))
    return Estimate.from_draws(own_width * np.exp(at_common - at_own))


def _model_fwhm_arcsec(result: Result, seeing_500nm_zenith_arcsec: float) -> float:
    """Return the modelled long-exposure width [arcsec] of a run in a given air.

    The width of `blursplit.definitions`, motions entering as Gaussians of their covariance: the
    paths are not in the record; harmless in a ratio.
    """
    aperture = float(result.setting("aperture_m", const.FALLBACK_APERTURE_M))
    outer = result.setting("outer_scale_m", [10.0, 50.0])
    wavelength = result.sequence.wavelength_m or 550e-9
    r0 = r0_along_sight_m(seeing_500nm_zenith_arcsec, wavelength, result.sequence.airmass or 1.0)
    optics = _middle(result.instrument.optics_fwhm_arcsec) / const.FWHM_PER_SIGMA
    return History(
        Conditions(
            aperture,
            float(result.setting("obstruction", 0.0)),
            wavelength,
            float(result.setting("pixel_scale_arcsec", 1e-3)),
        ),
        np.zeros(1),
        np.zeros(1, dtype=np.int64),
        inside_arcsec2={"open": _motion_covariance_arcsec2(result)},
        strength=r0 ** (-5.0 / 3.0),
        outer_scale_m=float(np.sqrt(outer[0] * outer[1])),
        optics_arcsec2=optics**2 * np.eye(2),
    ).width()


def _motion_covariance_arcsec2(result: Result) -> FloatArray:
    """Return the covariance of tracking, structure and open motion together, shape (2, 2)."""
    total = np.zeros((2, 2))
    for part, of in ((result.tracking, ""), (result.structure, ""), (result.open, "motion_")):
        major, minor = (getattr(part, f"{of}rms_{axis}_arcsec") for axis in ("major", "minor"))
        turned = turn(_middle(part.angle_deg))
        total += turned.T @ np.diag([_middle(major) ** 2, _middle(minor) ** 2]) @ turned
    return total


def _middle(estimate: Estimate | None) -> float:
    # An upper limit is no motion that was seen.
    return 0.0 if estimate is None or estimate.value is None else estimate.value
