"""The smallest line or damped mode that the search of `LineSearch` finds: the only such formula.

What the limit is worth is measured in benchmarks/detection.py, which injects modes of that size
into fresh records.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from blursplit import constants as const
from blursplit.spectra.lines import chance_of_gain
from blursplit.spectra.periodogram import Periodogram
from blursplit.types import FloatArray


def mode_limit_arcsec(
    at_hz: FloatArray | float,
    damping_ratio: float,
    frequency_hz: FloatArray,
    density: FloatArray,
    *,
    duration_s: float,
    cadence_s: float,
    exposure_s: float,
) -> FloatArray:
    """Return the rms at which a mode of each true frequency is found 95 times in 100.

    `at_hz`: true frequencies; above half the rate the folded continuum and what the exposure
    leaves count. `damping_ratio`: 0 for a steady line. `frequency_hz`, `density` (m,): one-sided
    density of the continuum (air and noise, exposure averaging in it) along the worse axis
    [arcsec^2/Hz] at apparent frequencies, increasing. `duration_s`, `cadence_s`, `exposure_s`: of
    the run.

    Returns: rms along the mode's direction before the exposure averaged it, infinite where the run
    is blind (fewer than fifteen apparent cycles, a tenth of the amplitude left, or a mode as wide
    as a quarter of the spectrum).
    """
    at = np.asarray(at_hz, dtype=np.float64)
    pieces = int(np.ceil(duration_s / cadence_s / const.LINE_PIECE_SAMPLES))
    piece_s = duration_s / pieces
    # half-power width 2 zeta f in units of 1/length, in steps of 5 %
    widest = const.LINE_WIDEST_SHARE * 0.5 / cadence_s * piece_s
    is_wide = 2.0 * damping_ratio * at * piece_s > widest  # folded, in slow records
    bins = np.minimum(2.0 * damping_ratio * at * piece_s, widest)
    steps = np.exp(0.05 * np.round(np.log(np.maximum(bins, 0.05)) / 0.05)) * (damping_ratio > 0)
    ratios = {w: _needed_ratio(w, piece_s, 0.5 / cadence_s, pieces) for w in set(steps.flat)}
    ratio = np.array([ratios[w] for w in steps.flat]).reshape(steps.shape)
    folded = np.abs(at - np.round(at * cadence_s) / cadence_s)
    logs = np.interp(folded, frequency_hz, np.log(np.maximum(density, 1e-300)))
    left = np.abs(np.sinc(at * exposure_s))
    hidden = (
        (left < const.LINE_LEFT_AT_LEAST) | (folded * piece_s < const.LINE_LOWEST_BINS) | is_wide
    )
    seen = np.sqrt(np.exp(logs) * ratio / piece_s)
    if damping_ratio > const.LINE_BROAD_DAMPING:
        # the search takes a broad feature of a small share of the motion for a ripple of the air
        total = np.sqrt(2.0 * np.trapezoid(density, frequency_hz))
        seen = np.maximum(seen, const.LINE_BROAD_MARGIN * const.LINE_LEAST_BROAD_SHARE * total)
    return np.asarray(np.where(hidden, np.inf, seen / np.maximum(left, 1e-9)))


@lru_cache(maxsize=1024)
def _needed_ratio(width_bins: float, piece_s: float, nyquist_hz: float, averaged: int) -> float:
    """Return the a^2 T/S at which a mode of rms a is found 95 times in 100.

    With the expected power r_k = 1 + q L_k of bin k over the continuum (L_k: the mode through
    the tapers, in units of the duration) the gain is 2 w sum [y_k (1 - 1/r_k) - ln r_k], y_k the
    measured power and w the independent values a bin. The sum over y_k is taken as a gamma
    variate with its mean and variance; y_k has the variance r_k^2/w for a mode driven by noise
    and (2 r_k - 1)/w for a steady line. A peak that stands low over the continuum needs a record
    long enough to show that it stays, and a higher gain.
    """
    from scipy.special import gdtrc, ndtri

    detection = 0.95
    shape, weight = _shape_in_bins(round(width_bins, 6))
    weight *= averaged
    loss = 1.0 if width_bins == 0 else const.LINE_REFIT_LOSS
    contrast = const.LINE_LOWEST_CONTRAST * loss**0.5

    def gains(threshold: float) -> float:
        def found(log_q: float) -> float:
            r = 1.0 + np.exp(log_q) * shape
            lever = 1.0 - 1.0 / r
            mean = 2.0 * weight * np.sum(r * lever)
            spread = 2.0 * r - 1.0 if width_bins == 0 else r**2
            variance = 4.0 * weight * np.sum(spread * lever**2)
            level = loss * threshold + 2.0 * weight * np.sum(np.log(r))
            return float(gdtrc(mean / variance, mean**2 / variance, level)) - detection

        return _root(found)

    def stands_out(log_q: float) -> float:
        rise = np.exp(log_q) * shape
        # Standard error of the logarithm of size and of damping, from the Fisher information.
        error = np.sqrt(2.0 / (weight * np.sum((rise / (1.0 + rise)) ** 2)))
        return float(np.log(rise.max() / contrast) - ndtri(detection) * error)

    doubts = 1.0, const.LINE_LOW_DOUBT[int(width_bins >= 1.0)]
    usual, low = (_gain_threshold(piece_s, nyquist_hz, const.LINE_FALSE_ALARM / d) for d in doubts)
    clear = max(gains(usual), _root(stands_out))
    if averaged >= const.LINE_FEWEST_PARTS:
        clear = min(clear, gains(low))
    return float(np.exp(clear))


def _root(function: Callable[[float], float]) -> float:
    from scipy.optimize import brentq

    high = 2.0
    while function(high) < 0 and high < 40.0:  # noqa: PLR2004 - exp(40) is beyond any data
        high += 1.0
    return float(brentq(function, -12.0, high, xtol=1e-5))


@lru_cache(maxsize=256)
def _shape_in_bins(width_bins: float) -> tuple[FloatArray, float]:
    """Return a unit mode's expected periodogram times 1/T around its bin, and the bin's weight."""
    periodogram = _blank_periodogram()
    # In the middle of the band no flank is cut off or mirrored.
    f = float(periodogram.frequency_hz[periodogram.frequency_hz.size // 2])
    damping = max(width_bins / periodogram.duration_s / (2.0 * f), 1e-6)
    shape = periodogram.mode_density(f, damping) / periodogram.duration_s
    return shape[shape > 1e-3 * shape.max()], float(periodogram.weight)


@lru_cache(maxsize=1)
def _blank_periodogram() -> Periodogram:
    n = 2048
    return Periodogram.of(np.arange(float(n)), np.zeros((n, 2)), 1.0)


@lru_cache(maxsize=64)
def _gain_threshold(piece_s: float, nyquist_hz: float, false_alarm: float) -> float:
    from scipy.optimize import brentq

    bins = nyquist_hz * piece_s - const.LINE_LOWEST_BINS
    return float(brentq(lambda gain: chance_of_gain(gain, bins) - false_alarm, 4.0, 400.0))
