"""Lines and resonances of the shared motion, judged against their own continuum.

Search, fit and test in turn: find the strongest narrow excess, fit it together with its
neighbours and the continuum, keep it when so strong an excess anywhere in the searched range is
improbable, and look again. Every line is tested against the best continuum that does without it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.spectra.continuum import (
    PROJECTIONS_RAD,
    Continuum,
    density_matrix,
    fit_log_spline,
    make_basis,
)
from blursplit.spectra.describe import LineFit, describe
from blursplit.spectra.modes import Mode, Spread, fit_modes, whittle
from blursplit.spectra.periodogram import Periodogram, motion_periodogram
from blursplit.spectra.seeds import Seed, start_modes, strongest_excess

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.spectra.continuum import Basis

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

CLIP = 2.5
"""Ratio above which a bin of the (three-taper) periodogram lifts the continuum no further."""

SEED_RATIO = 12.0
"""Weaker excesses cannot reach any false alarm worth stating, and are not fitted."""

ROUNDS = 6
"""Turns of fitting modes and continuum: the continuum gives back a mode's wings only slowly."""

LOWEST_BINS = 15.0
"""Slower than this many turns a record, a line and the air's slow part look alike."""

TRIALS_PER_BIN = 0.08
"""Chance of a gain r anywhere is TRIALS_PER_BIN bins (r/2) exp(-r/2). Where 2 % are allowed, 17 of
2000 series of air with tube currents and drift show a line, and 6 of 300 at 100 frames/s; see
benchmarks/lines.py."""

MOST_PENDING = 2
"""Modes that may wait for a neighbour before their joint gain is judged."""

LOWEST_CONTRAST = 2.0
"""Peak over continuum that a mode needs."""

BROAD_DAMPING = 0.02
LOWEST_BROAD_SHARE = 0.1
"""A broader feature must hold this share of the motion's rms. One frozen layer seen through a
round pupil ripples (near 1.5 V/D and its multiples; at 3 m/s and 0.25 m: 18 Hz): peaks as wide
as a damping ratio of 0.03 to 0.08 of 1 to 6 % of the rms, which a long, quiet record shows
beyond doubt and which are no modes."""


@dataclass(frozen=True)
class LineSearch:
    """What a search found.

    Parameters
    ----------
    lines : tuple of LineFit
        By frequency.
    continuum : Continuum
        Everything else: air, drift, wander, white noise.
    frequency_hz : ndarray, shape (m,)
    psd : ndarray, shape (m, 2, 2)
        The measured density matrix of (x, y), unit^2/Hz, three tapers.
    searched_hz : (low, high)
        Range that was searched.
    """

    lines: tuple[LineFit, ...]
    continuum: Continuum
    frequency_hz: FloatArray
    psd: FloatArray
    searched_hz: tuple[float, float]


@dataclass(frozen=True)
class _State:
    """A set of modes and the continuum that goes with it."""

    modes: list[Mode]
    spreads: list[Spread]
    coefficients: FloatArray
    log_likelihood: float


def find_lines(
    time_s: FloatArray,
    motion_xy: FloatArray,
    *,
    cadence_s: float,
    exposure_s: float | None = None,  # noqa: ARG001 - see the docstring
    timing: Literal["regular", "jittered", "irregular"] = "regular",
    segment: IntArray | None = None,
    noise_psd: tuple[float, float] | None = None,
    false_alarm: float = 0.02,
    max_lines: int = 12,
    lowest_hz: float | None = None,
) -> LineSearch:
    """Find steady lines and damped modes in two-axis motion.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    motion_xy : ndarray, shape (n, 2)
        Motion in any unit; NaN where lost.
    cadence_s : float
    exposure_s : float, optional
        Not used: lines are reported as measured, and the continuum is fitted to air that the
        exposure has already smoothed. Callers that undo the smoothing do so knowing the alias.
    timing : "regular", "jittered" or "irregular"
    segment : ndarray of int, shape (n,), optional
    noise_psd : (float, float), optional
        White centroid noise along x and y, unit^2/Hz: kept with the continuum.
    false_alarm : float
        Largest chance, over all frequencies, widths and directions searched, that a line kept
        is none.
    max_lines : int
    lowest_hz : float, optional
        Start of the search, default fifteen cycles a record.

    Returns
    -------
    LineSearch

    Raises
    ------
    ValueError
        With fewer than 50 samples in the longest stretch.
    """
    periodogram = motion_periodogram(time_s, motion_xy, cadence_s, timing, segment)
    basis = make_basis(periodogram.frequency_hz, 0.5 / cadence_s)
    low = LOWEST_BINS / periodogram.duration_s if lowest_hz is None else lowest_hz
    high = float(periodogram.frequency_hz[-3])
    state = _settle(periodogram, basis, [], [])
    trial, pending = state, 0
    for _ in range(max_lines):
        seed = _next_seed(periodogram, basis, trial, low, high)
        if seed is None or seed.ratio < SEED_RATIO:
            break
        trial = _with_seed(periodogram, basis, trial, seed)
        pending += 1
        gain = 2.0 * (trial.log_likelihood - state.log_likelihood)
        # Two close modes on different axes gain only together: one alone fits worse than a
        # humped continuum. So a mode that gains nothing yet may wait for its neighbour.
        if chance_of_ratio(gain / pending, periodogram, low, high) <= false_alarm:
            state, pending = trial, 0
        elif pending > MOST_PENDING:
            break
    state, chances = _prune(periodogram, basis, state, (low, high), false_alarm)
    continuum = Continuum(
        basis.knots,
        state.coefficients,
        2.0 / periodogram.duration_s,
        high,
        0.5 / cadence_s,
        noise_psd,
    )
    lines = _describe_all(periodogram, basis, state, chances)
    return LineSearch(lines, continuum, periodogram.frequency_hz, periodogram.power, (low, high))


def chance_of_ratio(gain: float, periodogram: Periodogram, low_hz: float, high_hz: float) -> float:
    """Return the chance that noise alone gains this much anywhere in the range.

    Parameters
    ----------
    gain : float
        Twice the gain of log likelihood by one more mode, continuum refitted both times.
    periodogram : Periodogram
    low_hz, high_hz : float
        Range searched.

    Returns
    -------
    float

    Notes
    -----
    The number of trials grows with the number of resolved frequencies; the factor in front was
    measured on series without lines (benchmarks/lines.py), not derived.
    """
    return chance_of_gain(gain, (high_hz - low_hz) * periodogram.duration_s)


def chance_of_gain(gain: float, bins: float) -> float:
    """Return the chance that noise alone gains this much at any of so many resolved frequencies."""
    if gain <= 0:
        return 1.0
    half = gain / 2.0
    expected = TRIALS_PER_BIN * max(bins, 1.0) * half * np.exp(-half)
    return float(-np.expm1(-min(expected, 700.0)))


def _models(basis: Basis, state: _State, periodogram: Periodogram) -> FloatArray:
    """Return the expected density along the four directions, shape (4, m)."""
    continuum = np.exp(basis.matrix @ state.coefficients.T).T
    return np.asarray(continuum + _projected(_sum_of(periodogram, state.modes)))


def _sum_of(periodogram: Periodogram, modes: list[Mode]) -> FloatArray:
    total = np.zeros_like(periodogram.power)
    for mode in modes:
        total = total + mode.density(periodogram)
    return total


def _projected(matrix: FloatArray) -> FloatArray:
    units = np.array([[np.cos(a), np.sin(a)] for a in PROJECTIONS_RAD])
    return np.asarray(np.einsum("pi,mij,pj->pm", units, matrix, units))


def _continuum_fit(
    periodogram: Periodogram,
    basis: Basis,
    modes: list[Mode],
    clip: float,
    start: FloatArray | None = None,
) -> FloatArray:
    lines = _projected(_sum_of(periodogram, modes))
    return np.stack(
        [
            fit_log_spline(
                periodogram.along(angle),
                lines[k],
                basis,
                weight=periodogram.weight,
                shape=periodogram.shape,
                clip=clip,
                start=None if start is None else start[k],
            )
            for k, angle in enumerate(PROJECTIONS_RAD)
        ]
    )


def _settle(
    periodogram: Periodogram,
    basis: Basis,
    modes: list[Mode],
    spreads: list[Spread],
    start: FloatArray | None = None,
) -> _State:
    """Fit the continuum to what the modes leave, and say how probable the whole is."""
    coefficients = _continuum_fit(periodogram, basis, modes, np.inf, start)
    total = density_matrix(np.exp(basis.matrix @ coefficients.T)) + _sum_of(periodogram, modes)
    value = whittle(periodogram.power[1:], total[1:], periodogram.weight)
    return _State(modes, spreads, coefficients, value)


def _next_seed(
    periodogram: Periodogram, basis: Basis, state: _State, low: float, high: float
) -> Seed | None:
    robust = _continuum_fit(periodogram, basis, state.modes, CLIP, state.coefficients)
    steady = _State(state.modes, state.spreads, robust, state.log_likelihood)
    return strongest_excess(periodogram, _models(basis, steady, periodogram), low, high)


def _with_seed(periodogram: Periodogram, basis: Basis, state: _State, seed: Seed) -> _State:
    return max(
        (_with_mode(periodogram, basis, state, mode) for mode in start_modes(periodogram, seed)),
        key=lambda trial: trial.log_likelihood,
    )


def _with_mode(periodogram: Periodogram, basis: Basis, state: _State, mode: Mode) -> _State:
    modes = [*state.modes, mode]
    spreads = [*state.spreads, Spread(0.0, 0.0)]
    robust = _continuum_fit(periodogram, basis, modes, CLIP, state.coefficients)
    current = _State(modes, spreads, robust, -np.inf)
    for _ in range(ROUNDS):
        modes, spreads = _refit_group(periodogram, basis, current, len(modes) - 1)
        before = current.log_likelihood
        current = _settle(periodogram, basis, modes, spreads, current.coefficients)
        if abs(current.log_likelihood - before) < 0.05:  # noqa: PLR2004 - far below one sigma
            break
    return current


def _refit_group(
    periodogram: Periodogram, basis: Basis, state: _State, index: int
) -> tuple[list[Mode], list[Spread]]:
    """Fit mode `index` together with its neighbours."""
    modes, spreads = list(state.modes), list(state.spreads)
    group = _neighbours(periodogram, modes, index)
    others = [mode for k, mode in enumerate(modes) if k not in group]
    rest = density_matrix(np.exp(basis.matrix @ state.coefficients.T))
    rest = rest + _sum_of(periodogram, others)
    fitted, errors = fit_modes(periodogram, rest, [modes[k] for k in group])
    for k, mode, error in zip(group, fitted, errors, strict=True):
        modes[k], spreads[k] = mode, error
    return modes, spreads


def _neighbours(periodogram: Periodogram, modes: list[Mode], index: int) -> list[int]:
    """Modes whose peaks overlap with this one; at most the three nearest, itself first."""
    own = modes[index]

    def reach(mode: Mode) -> float:
        return max(8.0 * mode.damping_ratio * mode.frequency_hz, 4.0 / periodogram.duration_s)

    gaps = [abs(mode.frequency_hz - own.frequency_hz) for mode in modes]
    near = [k for k, gap in enumerate(gaps) if gap <= reach(own) + reach(modes[k])]
    return sorted(near, key=lambda k: gaps[k])[:3]


def _prune(
    periodogram: Periodogram,
    basis: Basis,
    state: _State,
    searched: tuple[float, float],
    false_alarm: float,
) -> tuple[_State, list[float]]:
    """Test every mode again with all others in the model; drop the weakest until all pass."""
    while state.modes:
        gains = []
        for k in range(len(state.modes)):
            without = _settle(
                periodogram,
                basis,
                [m for j, m in enumerate(state.modes) if j != k],
                [s for j, s in enumerate(state.spreads) if j != k],
                state.coefficients,
            )
            gains.append(2.0 * (state.log_likelihood - without.log_likelihood))
        chances = [
            chance_of_ratio(gain, periodogram, *searched)
            if _is_prominent(periodogram, basis, state, k)
            else 1.0
            for k, gain in enumerate(gains)
        ]
        if max(chances) <= false_alarm:
            return state, chances
        worst = int(np.argmax(chances))
        keep = [j for j in range(len(state.modes)) if j != worst]
        state = _settle(
            periodogram,
            basis,
            [state.modes[j] for j in keep],
            [state.spreads[j] for j in keep],
            state.coefficients,
        )
    return state, []


def _is_prominent(periodogram: Periodogram, basis: Basis, state: _State, index: int) -> bool:
    """Return whether a mode is more than what air itself does to a spectrum."""
    if _contrast(periodogram, basis, state, index) < LOWEST_CONTRAST:
        return False
    mode = state.modes[index]
    if mode.damping_ratio <= BROAD_DAMPING:
        return True
    total = float(np.trace(periodogram.plain, axis1=1, axis2=2).sum() / periodogram.duration_s)
    return bool(np.trace(mode.covariance) >= LOWEST_BROAD_SHARE**2 * total)


def _contrast(periodogram: Periodogram, basis: Basis, state: _State, index: int) -> float:
    """Return how far a mode's peak stands above everything else, in its best direction."""
    mode = state.modes[index]
    peak = int(np.argmin(np.abs(periodogram.frequency_hz - mode.frequency_hz)))
    rest = density_matrix(np.exp(basis.matrix[[peak]] @ state.coefficients.T))[0]
    for k, other in enumerate(state.modes):
        if k != index:
            rest = rest + other.density(periodogram)[peak]
    own = mode.density(periodogram)[peak]
    return float(np.linalg.eigvals(np.linalg.solve(rest, own)).real.max())


def _describe_all(
    periodogram: Periodogram, basis: Basis, state: _State, chances: list[float]
) -> tuple[LineFit, ...]:
    continuum = density_matrix(np.exp(basis.matrix @ state.coefficients.T))
    total = continuum + _sum_of(periodogram, state.modes)
    lines = [
        describe(periodogram, total - mode.density(periodogram), mode, spread, chance)
        for mode, spread, chance in zip(state.modes, state.spreads, chances, strict=True)
    ]
    return tuple(sorted(lines, key=lambda line: line.frequency_hz))
