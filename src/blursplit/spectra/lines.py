"""Lines and resonances of the shared motion, judged against their own continuum.

Search, fit and test in turn: find the strongest narrow excess, fit it together with its
neighbours and the continuum, keep it when so strong an excess anywhere in the searched range is
improbable, and look again. A place where nothing could be kept is left out of the next look.
Every line is tested against the best continuum that does without it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.spectra.modes import (
    LineFit,
    Mode,
    Pair,
    Spread,
    whittle,
)
from blursplit.spectra.periodogram import (
    PROJECTIONS_RAD,
    Basis,
    Continuum,
    Excess,
    FreeContinuum,
    Periodogram,
)
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class LineSearch:
    """What a search found."""

    lines: tuple[LineFit, ...]  # by frequency
    continuum: Continuum  # everything else: air, drift, wander, white noise
    frequency_hz: FloatArray  # (m,)
    psd: FloatArray  # (m, 2, 2): the measured density matrix of (x, y), unit^2/Hz, three tapers
    searched_hz: tuple[float, float]  # range that was searched

    @staticmethod
    def chance_missed(rms: FloatArray | float, limit: FloatArray | float) -> FloatArray:
        """Return how often a mode is missed: 5 % at its limit, beyond it as the fourth power."""
        return np.asarray(1.0 / (1.0 + 19.0 * (rms / limit) ** 4))

    @classmethod
    def of(
        cls,
        time_s: FloatArray,
        motion_xy: FloatArray,
        *,
        cadence_s: float,
        timing: Literal["regular", "jittered", "irregular"] = "regular",
        segment: IntArray | None = None,
        false_alarm: float = const.LINE_FALSE_ALARM,
        max_lines: int = 24,
    ) -> LineSearch:
        """Find steady lines and damped modes in two-axis motion.

        `time_s` (n,). `motion_xy` (n, 2): motion in any unit; NaN where lost. `segment` (n,):
        stretches between which nothing is joined: parts of a record, or several runs of one rate
        laid end to end, whose periodograms are averaged. `false_alarm`: largest chance, over all
        frequencies, widths and directions searched, that a line kept is none. `max_lines`: most
        lines kept.

        Raises ValueError with fewer than 50 samples in the longest stretch.
        """
        periodogram = Periodogram.of(time_s, motion_xy, cadence_s, timing, segment)
        basis = Basis.of(periodogram.frequency_hz, 0.5 / cadence_s)
        low = const.LINE_LOWEST_BINS / periodogram.duration_s
        high = float(periodogram.frequency_hz[-3])
        search = _Search(periodogram, basis, low, high, false_alarm)
        state = _collect(search, max_lines)
        for index in range(len(state.modes) - 1):  # fitted before later ones were known
            state = _refined(search, state, index)
        state = _part_close_modes(search, state)
        state, chances = _prune(search, state)
        ends = 2.0 / periodogram.duration_s, high, 0.5 / cadence_s
        continuum = Continuum(basis.knots, state.coefficients, *ends)
        lines = _describe_all(search, state, chances)
        return cls(lines, continuum, periodogram.frequency_hz, periodogram.power, (low, high))


@dataclass(frozen=True)
class _Search:
    """What every step of a search needs."""

    periodogram: Periodogram
    basis: Basis
    low_hz: float
    high_hz: float
    false_alarm: float

    def chance(self, gain: float) -> float:
        """Return the chance that noise alone gains this much anywhere in the range."""
        return chance_of_gain(gain, (self.high_hz - self.low_hz) * self.periodogram.duration_s)


@dataclass(frozen=True)
class _State:
    """A set of modes and the continuum that goes with it."""

    modes: list[Mode]
    coefficients: FloatArray
    log_likelihood: float


def chance_of_gain(gain: float, bins: float) -> float:
    """Return the chance that noise alone gains this much at any of so many resolved frequencies.

    `gain`: twice the gain of log likelihood by one more mode, continuum refitted both times.
    `bins`: range searched times length.

    The number of trials grows with the number of resolved frequencies; the factor in front was
    measured on series without lines (benchmarks/lines.py), not derived.
    """
    if gain <= 0:
        return 1.0
    half = gain / 2.0
    expected = const.LINE_TRIALS_PER_BIN * max(bins, 1.0) * half * np.exp(-half)
    return float(-np.expm1(-min(expected, 700.0)))


def _collect(search: _Search, max_lines: int) -> _State:
    """Take up modes, strongest first, until nothing is left or the count is full."""
    state = _settle(search, [])
    left_out = np.zeros(search.periodogram.frequency_hz.size, dtype=bool)
    failed = 0
    while True:
        excess = _strongest_excess(search, state, left_out)
        if excess is None or excess.ratio < const.LINE_INITIAL_RATIO:
            return state
        if len(state.modes) >= max_lines or failed >= const.LINE_MOST_FAILED:
            return state
        grown = _grown(search, state, excess)
        if grown is None:
            failed += 1
            left_out |= _around(search.periodogram, excess, 0.5)
        else:
            state, failed = grown, 0


def _around(periodogram: Periodogram, excess: Excess, widths: float) -> BoolArray:
    reach = max(widths * excess.width_hz, 2.0 / periodogram.duration_s)
    return np.asarray(np.abs(periodogram.frequency_hz - excess.frequency_hz) <= reach)


def _grown(search: _Search, state: _State, excess: Excess) -> _State | None:
    """Return the state with one more mode, or two neighbours at once, where that is worth it.

    Two close modes on different axes gain only together: one alone fits worse than a humped
    continuum.
    """
    trial = _with_excess(search, state, excess)
    gain = 2.0 * (trial.log_likelihood - state.log_likelihood)
    if search.chance(gain) <= search.false_alarm:
        return trial
    second = _strongest_excess(search, trial, ~_around(search.periodogram, excess, 4.0))
    if second is None or second.ratio < const.LINE_INITIAL_RATIO:
        return None
    pair = _with_excess(search, trial, second)
    gain = pair.log_likelihood - state.log_likelihood  # half for each
    return pair if search.chance(gain) <= search.false_alarm else None


def _models(search: _Search, state: _State) -> FloatArray:
    """Return the expected density along the four directions, shape (4, m)."""
    continuum = np.exp(search.basis.matrix @ state.coefficients.T).T
    return np.asarray(continuum + _projected(_sum_of(search.periodogram, state.modes)))


def _sum_of(periodogram: Periodogram, modes: list[Mode]) -> FloatArray:
    total = np.zeros_like(periodogram.power)
    for mode in modes:
        total = total + mode.density(periodogram)
    return total


def _projected(matrix: FloatArray) -> FloatArray:
    units = np.stack([np.cos(PROJECTIONS_RAD), np.sin(PROJECTIONS_RAD)], axis=1)
    return np.asarray(np.einsum("pi,mij,pj->pm", units, matrix, units))


def _continuum_fit(
    search: _Search, modes_density: FloatArray, clip: float, start: FloatArray | None = None
) -> FloatArray:
    periodogram = search.periodogram
    lines = _projected(modes_density)
    return np.stack(
        [
            search.basis.fit(
                periodogram.along(angle),
                lines[k],
                weight=periodogram.weight,
                shape=periodogram.shape,
                clip=clip,
                start=None if start is None else start[k],
            )
            for k, angle in enumerate(PROJECTIONS_RAD)
        ]
    )


def _settle(
    search: _Search,
    modes: list[Mode],
    start: FloatArray | None = None,
    modes_density: FloatArray | None = None,
) -> _State:
    """Fit the continuum to what the modes leave, and say how probable the whole is."""
    periodogram = search.periodogram
    lines = _sum_of(periodogram, modes) if modes_density is None else modes_density
    coefficients = _continuum_fit(search, lines, np.inf, start)
    total = search.basis.density(coefficients) + lines
    value = whittle(periodogram.power[1:], total[1:], periodogram.weight)
    return _State(modes, coefficients, value)


def _with_excess(search: _Search, state: _State, excess: Excess) -> _State:
    trials = []
    for mode in _initial_modes(search.periodogram, excess):
        modes = [*state.modes, mode]
        lines = _sum_of(search.periodogram, modes)
        robust = _continuum_fit(search, lines, const.LINE_CLIP, state.coefficients)
        trials.append(_refined(search, _State(modes, robust, -np.inf), len(modes) - 1))
    return max(trials, key=lambda trial: trial.log_likelihood)


def _refined(search: _Search, current: _State, index: int) -> _State:
    """Fit a mode with its neighbours and the continuum in turn."""
    for _ in range(const.LINE_ROUNDS):
        modes = list(current.modes)
        group = _neighbours(search.periodogram, modes, index)
        rest = _rest(search, current, group)
        fitted, _ = Mode.fit(search.periodogram, rest, [modes[k] for k in group])
        for k, mode in zip(group, fitted, strict=True):
            modes[k] = mode
        before = current.log_likelihood
        current = _settle(search, modes, current.coefficients)
        if abs(current.log_likelihood - before) < 0.05:  # noqa: PLR2004 - far below one sigma
            break
    return current


def _rest(search: _Search, state: _State, group: list[int]) -> FloatArray:
    """Return the expected density of everything but these modes."""
    others = [mode for k, mode in enumerate(state.modes) if k not in group]
    return _free(search, state).density + _sum_of(search.periodogram, others)


def _free(search: _Search, state: _State) -> FreeContinuum:
    density = search.basis.density(state.coefficients)
    return FreeContinuum(search.basis, density)


def _neighbours(periodogram: Periodogram, modes: list[Mode], index: int) -> list[int]:
    """Modes whose peaks overlap with this one; at most the three nearest, itself first."""
    own = modes[index]

    def reach(mode: Mode) -> float:
        return max(8.0 * mode.damping_ratio * mode.frequency_hz, 4.0 / periodogram.duration_s)

    gaps = [abs(mode.frequency_hz - own.frequency_hz) for mode in modes]
    near = [k for k, gap in enumerate(gaps) if gap <= reach(own) + reach(modes[k])]
    return sorted(near, key=lambda k: (k != index, gaps[k]))[:3]


def _part_close_modes(search: _Search, state: _State) -> _State:
    """Put two modes where one was fitted, wherever the two explain the peak far better.

    A round pipe has two modes a per cent or two apart on perpendicular axes; two machines may
    turn at nearly one speed.
    """
    state, index = _paired(search, state), 0
    while index < len(state.modes):
        known = len(state.modes)
        state = _perpendicular(search, state, index)
        parted = None if len(state.modes) > known else _parted(search, state, index)
        index += len(state.modes) == known and parted is None
        state = parted or state
    return state


def _paired(search: _Search, state: _State) -> _State:
    """Fit two modes that the search has taken up one after the other as one pipe's pair.

    Where that is as probable as two modes of their own, which have four numbers more.
    """
    periodogram = search.periodogram
    for high, low in permutations(range(len(state.modes)), 2):
        upper, lower = state.modes[high], state.modes[low]
        middle = float(np.sqrt(upper.frequency_hz * lower.frequency_hz))
        split = float(np.log(upper.frequency_hz / lower.frequency_hz))
        damping = float(np.sqrt(upper.damping_ratio * lower.damping_ratio))
        start = Mode(middle, damping, upper.covariance + lower.covariance)
        known = upper.spread is not None or lower.spread is not None
        if known or not 0 < split < const.LINE_WIDEST_SPLIT or not _may_be_pair(periodogram, start):
            continue
        others = [mode for k, mode in enumerate(state.modes) if k not in (high, low)]
        rest = _rest(search, state, [high, low])
        pair = Pair(periodogram, rest, start, _free(search, state))
        trial = _settled_pair(search, state, others, pair, pair.fit(100.0 * split)[0])
        if 2.0 * (state.log_likelihood - trial.log_likelihood) < const.LINE_PAIR_LOSS:
            return _paired(search, trial)
    return state


def _may_be_pair(periodogram: Periodogram, mode: Mode) -> bool:
    """Return whether a mode may be two of a round pipe: resolved, moving on both axes."""
    sizes = np.linalg.eigvalsh(mode.covariance)
    is_flat = sizes[0] < const.LINE_LEAST_SECOND_AXIS**2 * sizes[1]
    return mode.spread is None and _is_resolved(periodogram, mode) and not is_flat


def _perpendicular(search: _Search, state: _State, index: int) -> _State:
    """Return a state with two modes on perpendicular axes for one, or with an interval for both.

    The pair costs one parameter, the split.
    """
    mode = state.modes[index]
    if not _may_be_pair(search.periodogram, mode):
        return state
    rest = _rest(search, state, [index])
    pair = Pair(search.periodogram, rest, mode, _free(search, state))
    vector, gain, covariance = pair.fit()
    others = [*state.modes[:index], *state.modes[index + 1 :]]
    if gain > const.LINE_PAIR_GAIN:
        two = _settled_pair(search, state, others, pair, vector)
        if 2.0 * (two.log_likelihood - state.log_likelihood) > const.LINE_PAIR_GAIN:
            return two
    modes = list(state.modes)
    modes[index] = pair.one_for_two(vector, covariance)
    return replace(state, modes=modes)


def _settled_pair(
    search: _Search, state: _State, others: list[Mode], pair: Pair, vector: FloatArray
) -> _State:
    """Return the state with a pair, fitted in turn with the continuum that goes with it.

    What one mode for both leaves of their flanks has bent the continuum that the first fit stands
    on.
    """
    for _ in range(const.LINE_ROUNDS):
        before = state.log_likelihood
        state = _settle(search, [*others, *pair.modes(vector)], state.coefficients)
        if abs(state.log_likelihood - before) < 0.05:  # noqa: PLR2004 - far below one sigma
            break
        n = len(others)
        pair = replace(pair, rest=_rest(search, state, [n, n + 1]), free=_free(search, state))
        vector = pair.refit(vector)
    return replace(state, modes=[*others, *pair.parted(vector)])


def _parted(search: _Search, state: _State, index: int) -> _State | None:
    mode, periodogram = state.modes[index], search.periodogram
    half = max(mode.damping_ratio * mode.frequency_hz, 0.5 / periodogram.duration_s)
    if not _is_resolved(periodogram, mode):
        return None
    rest = _rest(search, state, [index])
    alone = Mode.fit(periodogram, rest, [mode])[1]
    best, best_gain = None, const.LINE_CLOSE_GAIN
    for pair in _pairs(mode, half):
        fitted, value = Mode.fit(periodogram, rest, pair, like=[mode])
        if 2.0 * (value - alone) > best_gain:
            best, best_gain = fitted, 2.0 * (value - alone)
    if best is None:
        return None
    modes = [*state.modes[:index], *state.modes[index + 1 :], *best]
    trial = _refined(search, _State(modes, state.coefficients, -np.inf), len(modes) - 1)
    better = 2.0 * (trial.log_likelihood - state.log_likelihood) > const.LINE_CLOSE_GAIN
    return trial if better else None


def _pairs(mode: Mode, half_hz: float) -> list[list[Mode]]:
    """Return pairs that a peak may be made of: on one axis, or on two perpendicular ones."""
    low, high = mode.frequency_hz - half_hz, mode.frequency_hz + half_hz
    zeta = 0.4 * mode.damping_ratio
    pairs = [[Mode(f, zeta, 0.5 * mode.covariance) for f in (low, high)]]
    for angle in PROJECTIONS_RAD:
        unit = np.array([np.cos(angle), np.sin(angle)])
        along = np.outer(unit, unit)
        across = np.eye(2) - along
        size = [float(np.trace(part @ mode.covariance)) for part in (along, across)]
        pairs.append(
            [
                Mode(f, 1.5 * zeta, max(s, 1e-3 * sum(size)) * (0.95 * part + 0.05 * np.eye(2)))
                for f, s, part in zip((low, high), size, (along, across), strict=True)
            ]
        )
    return pairs


def _prune(search: _Search, state: _State) -> tuple[_State, list[float]]:
    """Test every mode again with all others in the model; drop the weakest until all pass."""
    while state.modes:
        chances: list[float] = []
        total = _sum_of(search.periodogram, state.modes)
        for k, own in enumerate(state.modes):
            others = [mode for j, mode in enumerate(state.modes) if j != k]
            left = total - own.density(search.periodogram)
            without = _settle(search, others, state.coefficients, left)
            gain = 2.0 * (state.log_likelihood - without.log_likelihood)
            chance = search.chance(gain)
            if chance < 1.0:
                chance = min(1.0, _doubt(search, state, k) * chance)
            chances.append(chance)
            if chance >= 1.0:  # none is weaker; many ripples of a steady wind are slow to test
                break
        if max(chances) <= search.false_alarm:
            return state, chances
        worst = int(np.argmax(chances))
        keep = [mode for j, mode in enumerate(state.modes) if j != worst]
        state = _settle(search, keep, state.coefficients)
    return state, []


def _doubt(search: _Search, state: _State, index: int) -> float:
    """Return the factor by which a mode's chance of being none grows, for what air itself makes.

    One frozen layer seen through a round pupil ripples (near 1.5 V/D and its multiples; at 3 m/s
    and 0.25 m: 18 Hz): peaks as wide as a damping ratio of 0.03 to 0.08, of 1 to 6 % of the rms.
    A peak as broad, and a low one that may be, must hold a larger share, for a steady wind keeps
    its ripples for minutes. A narrow one must, in a long record, be there all the time: what the
    air makes moves with the wind and comes in gusts, modes stay. In a short record it must stand
    out by itself. A low peak must also be the less probable, for the continuum is a smooth curve
    only nearly; the more so where it is wider than the resolution, as ripples are.
    """
    mode, periodogram = state.modes[index], search.periodogram
    total = float(np.trace(periodogram.plain, axis1=1, axis2=2).sum() / periodogram.duration_s)
    rest = _rest(search, state, [index])
    held = mode.realised_covariance(periodogram, rest)[0]
    is_large = np.trace(held) >= const.LINE_LEAST_BROAD_SHARE**2 * total
    contrast = mode.contrast(periodogram, rest)
    is_low = contrast < const.LINE_LOWEST_CONTRAST
    if not is_large and _may_be_broad(search, state, index, is_low=is_low):
        return np.inf
    if contrast < const.LINE_SURE_CONTRAST and not _stays(search, state, index, contrast):
        return np.inf
    if not is_low:
        return 1.0
    return const.LINE_LOW_DOUBT[int(_is_resolved(periodogram, mode))]


def _is_resolved(periodogram: Periodogram, mode: Mode) -> bool:
    """Return whether a mode's peak is at least as wide as one bin."""
    return 2.0 * mode.damping_ratio * mode.frequency_hz * periodogram.duration_s >= 1.0


def _may_be_broad(search: _Search, state: _State, index: int, *, is_low: bool) -> bool:
    """Return whether a peak is as broad as ripples of the air; a low one has to be narrower.

    The narrowest ripple in its place, of the best size, with the continuum refitted, must explain
    the record worse.
    """
    from scipy.optimize import minimize_scalar

    mode = state.modes[index]
    if not is_low or mode.damping_ratio > const.LINE_BROAD_DAMPING:
        return mode.damping_ratio > const.LINE_BROAD_DAMPING

    others = [one for k, one in enumerate(state.modes) if k != index]
    beside = _sum_of(search.periodogram, others)
    unit = Mode(mode.frequency_hz, const.LINE_RIPPLE_DAMPING, mode.covariance)
    ripple = unit.density(search.periodogram)

    def cost(log_size: float) -> float:
        lines = beside + np.exp(log_size) * ripple
        return -_settle(search, others, state.coefficients, lines).log_likelihood

    best = minimize_scalar(cost, bounds=(-1.5, 2.5), method="bounded", options={"xatol": 0.05})
    return bool(2.0 * (state.log_likelihood + best.fun) < const.LINE_NARROWER_GAIN)


def _stays(search: _Search, state: _State, index: int, contrast: float) -> bool:
    """Return whether a mode is there, at its frequency, in most parts of the record.

    In each part the power along the mode's main axis is fitted by the continuum, free to be
    stronger or weaker, the mode, and the mode's slope by frequency. Without the third of the parts
    that shows the mode best it must still hold a fair share of its power, so it must in the
    quieter half of parts of gusty air, and its frequency must not scatter by more than its errors
    and a per cent.
    """
    periodogram, mode = search.periodogram, state.modes[index]
    if len(periodogram.parts) < const.LINE_FEWEST_PARTS:
        return contrast >= const.LINE_LOWEST_CONTRAST
    values, vectors = np.linalg.eigh(mode.covariance)
    unit = vectors[:, 1]
    reach = max(8.0 * mode.damping_ratio * mode.frequency_hz, 8.0 / periodogram.duration_s)
    near = np.abs(periodogram.frequency_hz - mode.frequency_hz) <= reach
    rest = np.einsum("i,mij,j->m", unit, _rest(search, state, [index])[near], unit)
    own = values[1] * mode.density(periodogram)[near].trace(axis1=1, axis2=2) / values.sum()
    step = 0.25 * max(mode.damping_ratio, 1.0 / (periodogram.duration_s * mode.frequency_hz))
    moved = Mode(mode.frequency_hz * (1.0 + step), mode.damping_ratio, mode.covariance)
    slope = moved.density(periodogram)[near].trace(axis1=1, axis2=2) * values[1] / values.sum()
    columns = np.stack([rest, own, (slope - own) / step], axis=1)
    weights = 1.0 / (rest + own) ** 2
    information = columns.T @ (weights[:, None] * columns)
    inverse = np.linalg.pinv(information)
    measured = np.einsum("i,pmij,j->pm", unit, periodogram.parts[:, near], unit)
    fitted = (measured * weights) @ columns @ inverse
    size, shift = fitted[:, 1], fitted[:, 2]
    share = periodogram.part_weight / periodogram.part_weight.sum()
    order = np.argsort(size)[: int(np.ceil(2 * len(size) / 3))]
    left = float(share[order] @ size[order] / share[order].sum())
    mean = float(share @ size)
    if mean <= 0 or left < const.LINE_PROMISING * mean:
        return False
    if _comes_with_gusts(periodogram, _models(search, state), near, mode, size):
        return False
    sigma = np.sqrt(inverse[2, 2] / periodogram.part_weight)
    scatter = float((((shift - share @ shift) / np.hypot(sigma, 0.01 * mean)) ** 2).sum())
    from scipy.special import chdtrc

    return bool(chdtrc(len(shift) - 1, scatter) > 1e-3)  # noqa: PLR2004 - it moves for sure


def _comes_with_gusts(
    periodogram: Periodogram, models: FloatArray, near: BoolArray, mode: Mode, size: FloatArray
) -> bool:
    """Return whether a peak is there only while the air about it is loud.

    `size` is the mode's power in each part. Power beyond the air's knee goes with a high power of
    the wind: a gust makes few values of a long record count, and chance peaks of them stand out.
    """
    frequency = periodogram.frequency_hz
    beside = ~near & (np.abs(np.log(frequency / mode.frequency_hz)) < const.LINE_GUST_REACH)
    if beside.sum() < len(size):
        return False
    power = np.trace(periodogram.parts[:, beside], axis1=2, axis2=3)
    level = (power / (models[0] + models[2])[beside]).mean(axis=1)
    share = periodogram.part_weight / periodogram.part_weight.sum()
    order = np.argsort(level)
    quiet, loud = order[: len(order) // 2], order[(len(order) + 1) // 2 :]
    if level[loud].mean() < const.LINE_GUST_RATIO * level[quiet].mean():
        return False
    kept = float(share[quiet] @ size[quiet] / share[quiet].sum())
    return kept < const.LINE_PROMISING * float(share @ size)


def _describe_all(search: _Search, state: _State, chances: list[float]) -> tuple[LineFit, ...]:
    lines = []
    for k, (mode, chance) in enumerate(zip(state.modes, chances, strict=True)):
        rest, spread = _rest(search, state, [k]), _spread(search, state, k)
        lines.append(LineFit.of(search.periodogram, rest, mode, spread, chance))
    return tuple(sorted(lines, key=lambda line: line.frequency_hz))


def _spread(search: _Search, state: _State, index: int) -> Spread:
    """Return the standard errors of a mode, from its pair or fitted with its neighbours."""
    mode, periodogram = state.modes[index], search.periodogram
    if mode.spread is not None:
        return mode.spread
    group = _neighbours(periodogram, state.modes, index)
    near = [state.modes[j] for j in group]
    rest = _rest(search, state, group)
    return Mode.spreads(periodogram, rest, near, _free(search, state))[0]


def _strongest_excess(search: _Search, state: _State, left_out: BoolArray) -> Excess | None:
    """Return the strongest narrow excess over a state, or None where there is none.

    The continuum is fitted so that what stands out does not lift it.
    """
    lines = _sum_of(search.periodogram, state.modes)
    robust = _continuum_fit(search, lines, const.LINE_CLIP, state.coefficients)
    models = _models(search, _State(state.modes, robust, state.log_likelihood))
    frequency = search.periodogram.frequency_hz
    inside = (frequency >= search.low_hz) & (frequency <= search.high_hz) & ~left_out
    return search.periodogram.strongest_excess(models, inside)


def _initial_modes(periodogram: Periodogram, excess: Excess) -> list[Mode]:
    """Return the modes from which a fit should start.

    The excess as it stands; for one far above all else also a steady line at the centre of mass of
    its peak, whose narrow summit a fit does not find from a broad start.
    """
    unit = np.array([np.cos(excess.angle_rad), np.sin(excess.angle_rad)])
    covariance = excess.variance * (0.9 * np.outer(unit, unit) + 0.05 * np.eye(2))
    zeta = max(excess.width_hz / (2.0 * excess.frequency_hz), 1e-4)
    starts = [Mode(excess.frequency_hz, zeta, covariance)]
    if excess.ratio > const.LINE_STRONG_RATIO:
        step = 1.0 / periodogram.duration_s
        reach = max(const.LINE_PEAK_BINS * step, excess.width_hz)
        near = np.abs(periodogram.frequency_hz - excess.frequency_hz) < reach
        power = np.trace(periodogram.plain[near], axis1=1, axis2=2)
        centre = float(power @ periodogram.frequency_hz[near] / power.sum())
        starts.append(Mode(centre, 1e-5, periodogram.plain[near].sum(axis=0) * step))
    return starts
