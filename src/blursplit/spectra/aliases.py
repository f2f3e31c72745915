"""Which true frequency hides behind an apparent one, and with what odds.

Frames at rate fs show a motion at nu at |nu - k fs|. What can tell the candidates apart: the
exposure (it damps the fast ones), unevenness of the times (only when a clock in the camera made
them), a second frame rate, and rows read at different times (stars on different rows are
samples between the frames).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.spectra.modes import LineFit
from blursplit.spectra.periodogram import Continuum
from blursplit.spectra.star_array import array_spectra, shared_log_likelihood
from blursplit.types import FloatArray, IntArray


@dataclass(frozen=True)
class _Candidates:
    """Frequencies that look the same: nu = order x fs + sign x apparent."""

    frequency_hz: FloatArray
    order: IntArray
    sign: IntArray


@dataclass(frozen=True)
class AliasDecision:
    """Candidates with their odds."""

    candidates_hz: FloatArray  # (c,): ascending
    odds: FloatArray  # (c,): sum to 1
    # What was used: "exposure", "time stamps", "row times", "second frame rate".
    evidence: tuple[str, ...]

    @property
    def best_hz(self) -> float:
        """Most probable true frequency."""
        return float(self.candidates_hz[int(np.argmax(self.odds))])

    @property
    def is_decided(self) -> bool:
        """Whether one candidate has odds of 0.95 or more."""
        return bool(self.odds.max() >= 0.95)  # noqa: PLR2004


def apparent_frequency(frequency_hz: FloatArray | float, rate_hz: float) -> FloatArray:
    """Return where a motion shows when sampled at rate_hz: |nu - fs round(nu/fs)|."""
    true = np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(np.abs(true - rate_hz * np.round(true / rate_hz)))


def alias_candidates(
    apparent_hz: float, cadence_s: float, highest_hz: float = const.ALIAS_HIGHEST_HZ
) -> _Candidates:
    """Return every frequency up to a limit that shows at apparent_hz.

    `highest_hz`: the apparent frequency itself is always a candidate.
    """
    rate = 1.0 / cadence_s
    rows = [(apparent_hz, 0, 1)]
    for order in range(1, int(highest_hz / rate) + 2):
        for sign in (-1, 1):
            value = order * rate + sign * apparent_hz
            if value <= highest_hz:
                rows.append((value, order, sign))
    rows.sort()
    return _Candidates(
        np.array([row[0] for row in rows]),
        np.array([row[1] for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows], dtype=np.int64),
    )


def exposure_log_odds(candidates_hz: FloatArray, exposure_s: float | None) -> FloatArray:
    """Return the weak evidence of the exposure: log of sinc^2(nu tau).

    The measured amplitude A means A/sinc(nu tau) outside; large motions are taken to be rarer
    as the square of their size (an assumption, stated in the documentation).
    """
    if not exposure_s:
        return np.zeros(candidates_hz.size)
    left = np.abs(np.sinc(candidates_hz * exposure_s))
    return np.asarray(2.0 * np.log(np.maximum(left, const.ALIAS_SMALLEST_LEFT)))


def row_time_log_odds(
    x: FloatArray,
    y: FloatArray,
    row_time_s: FloatArray,
    cadence_s: float,
    line: LineFit,
    continuum: Continuum,
    candidates: _Candidates,
    *,
    row_order_known: bool = True,
) -> FloatArray:
    """Return the log likelihood of each candidate from stars on different rows.

    `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN, in the unit of the
    line. `row_time_s` (n_stars,): mean delay of each star's row. `row_order_known`: false: both
    directions of read-out are allowed for, which leaves nu and its mirror image k fs - nu harder to
    tell apart.

    Returns: (c,).
    """
    directions = (1.0,) if row_order_known else (1.0, -1.0)
    values = []
    for direction in directions:
        spectra = array_spectra(x, y, cadence_s, line, continuum, direction * row_time_s)
        values.append(
            [
                shared_log_likelihood(spectra, int(order), int(sign))
                for order, sign in zip(candidates.order, candidates.sign, strict=True)
            ]
        )
    return np.asarray(np.logaddexp.reduce(np.array(values), axis=0) - np.log(len(directions)))


def time_stamp_log_odds(
    time_s: FloatArray,
    motion_xy: FloatArray,
    line: LineFit,
    continuum: Continuum,
    candidates_hz: FloatArray,
) -> FloatArray:
    """Return the log likelihood of each candidate from the unevenness of hardware time stamps.

    `time_s` (n,): true times of the frames' middles. `motion_xy` (n, 2): in the unit of the line;
    rows with NaN are left out. `candidates_hz` (c,).

    Returns: (c,).

    Gaussian process at the true times, continuum plus mode; the line's variance is refitted on a
    coarse grid, because uneven sampling leaks a true line away from its alias.
    """
    keep = np.flatnonzero(np.isfinite(motion_xy).all(axis=1))[: const.ALIAS_EXACT_SAMPLES]
    times = time_s[keep]
    motion = motion_xy[keep] - motion_xy[keep].mean(axis=0)
    lag = np.abs(times[:, None] - times[None])
    zeta = line.damping_ratio or 0.0
    decay = 2.0 * np.pi * zeta * line.frequency_hz  # a mode decays alike, whatever its alias
    envelope = np.exp(-decay * lag)
    background = [_continuum_covariance(lag, continuum, axis) for axis in range(2)]
    total = np.full(candidates_hz.size, -np.inf)
    for index, frequency in enumerate(candidates_hz):
        shape = envelope * np.cos(2.0 * np.pi * frequency * lag)
        for scale in (1.0, 2.0):
            value = sum(
                _gaussian(
                    background[axis] + scale * line.covariance[axis, axis] * shape,
                    motion[:, axis],
                )
                for axis in range(2)
            )
            total[index] = max(total[index], value)
    return total


def second_rate_log_odds(
    candidates_hz: FloatArray,
    second_cadence_s: float,
    second_lines_hz: FloatArray,
    second_sigma_hz: FloatArray,
    first_sigma_hz: float,
) -> FloatArray:
    """Return the log likelihood of each candidate from lines found at another frame rate.

    `candidates_hz` (c,). `second_lines_hz`, `second_sigma_hz` (l,): apparent lines of the other run
    and their standard errors. `first_sigma_hz`: standard error of the apparent frequency in this
    run.

    Returns: (c,): density of the nearest match, over a flat chance of 10 % that the line was
    missed.
    """
    rate = 1.0 / second_cadence_s
    expected = apparent_frequency(candidates_hz, rate)
    flat = np.full(candidates_hz.size, 0.1 / (rate / 2.0))
    if second_lines_hz.size == 0:
        return np.asarray(np.log(flat))
    sigma = np.hypot(second_sigma_hz, first_sigma_hz)[None]
    distance = (expected[:, None] - second_lines_hz[None]) / sigma
    density = np.exp(-0.5 * distance**2) / (np.sqrt(2.0 * np.pi) * sigma)
    return np.asarray(np.log(0.9 * density.max(axis=1) / second_lines_hz.size + flat))


def decide_alias(
    candidates: _Candidates,
    *,
    exposure_s: float | None = None,
    evidence: Mapping[str, FloatArray | None] | None = None,
) -> AliasDecision:
    """Join the evidence into odds.

    `evidence` (c,): log likelihoods, None where there is no such evidence. Pass those of time
    stamps for stamps made by the camera's own clock only: stamps of a computer scatter while the
    shutter is regular.
    """
    total = exposure_log_odds(candidates.frequency_hz, exposure_s)
    used = ["exposure"] if exposure_s else []
    for name, values in (evidence or {}).items():
        if values is not None:
            total = total + values
            used.append(name)
    odds = np.exp(total - total.max())
    odds = odds / odds.sum()
    odds = (odds + const.ALIAS_ODDS_FLOOR) / (1.0 + const.ALIAS_ODDS_FLOOR * odds.size)
    return AliasDecision(candidates.frequency_hz, odds, tuple(used))


def _continuum_covariance(lag: FloatArray, continuum: Continuum, axis: int) -> FloatArray:
    """Covariance of the continuum at these lags: white part on the diagonal, the rest smooth."""
    grid = np.linspace(continuum.low_hz, continuum.high_hz, 400)
    density = continuum(grid)[:, axis]
    white = float(density[-40:].mean())
    red = np.maximum(density - white, 0.0)
    steps = np.linspace(0.0, float(lag.max()), 4000)
    covariance = np.cos(2.0 * np.pi * np.outer(steps, grid)) @ red * (grid[1] - grid[0])
    # below the lowest frequency fitted the density is held level
    covariance = covariance + continuum.low_hz * max(float(density[0]) - white, 0.0)
    diagonal = white * continuum.high_hz + 1e-9 * covariance[0]
    return np.asarray(np.interp(lag, steps, covariance) + diagonal * (lag == 0))


def _gaussian(covariance: FloatArray, values: FloatArray) -> float:
    from scipy.linalg import cho_factor, cho_solve

    factor = cho_factor(covariance, lower=True, check_finite=False)
    logdet = 2.0 * np.log(np.diag(factor[0])).sum()
    return float(-0.5 * (values @ cho_solve(factor, values, check_finite=False) + logdet))


@dataclass(frozen=True)
class Family:
    """A fundamental and its harmonics."""

    members: tuple[int, ...]  # indices of the lines
    chance: float  # probability that lines placed at random would match as well


def group_harmonics(frequency_hz: FloatArray, sigma_hz: FloatArray) -> tuple[Family, ...]:
    """Group lines whose frequencies are whole multiples of the lowest of them.

    `frequency_hz`, `sigma_hz` (l,): frequencies and standard errors. The fundamental must be among
    them.

    Returns: each line belongs to one family at most; the least accidental family is taken first.
    """
    left = set(range(frequency_hz.size))
    families: list[Family] = []
    while True:
        found = [_family_of(k, frequency_hz, sigma_hz, left) for k in sorted(left)]
        proper = [f for f in found if f is not None and f.chance <= const.FAMILY_LARGEST_CHANCE]
        if not proper:
            return tuple(families)
        best = min(proper, key=lambda family: family.chance)
        families.append(best)
        left -= set(best.members)


def _family_of(
    base: int, frequency: FloatArray, sigma: FloatArray, left: set[int]
) -> Family | None:
    members, chance = [base], 1.0
    for other in sorted(left - {base}):
        multiple = round(float(frequency[other] / frequency[base]))
        if not 2 <= multiple <= const.FAMILY_HIGHEST_HARMONIC:  # noqa: PLR2004
            continue
        reach = const.FAMILY_SIGMAS * float(np.hypot(sigma[other], multiple * sigma[base]))
        if abs(frequency[other] - multiple * frequency[base]) <= reach:
            members.append(other)
            # a line at random falls this near to some multiple with this probability
            chance *= min(1.0, 2.0 * reach / float(frequency[base]))
    if len(members) == 1:
        return None
    trials = max(1, len(left) - 1)
    return Family(tuple(members), min(1.0, chance * trials))
