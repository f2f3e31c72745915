"""The smallest line and the smallest damped mode that a run would show above air and noise."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.campaign.background import apparent_frequency, exposure_response

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from blursplit.campaign.background import Background, Range
    from blursplit.spectra.periodogram import Periodogram

    FloatArray = NDArray[np.float64]

LEFT_AT_LEAST = 0.1
"""Share of the amplitude below which the exposure hides a line; the square root of the design's
sinc^2 >= 0.1 would be 0.32, but a strong line shows earlier."""
REFIT_LOSS = 1.8
"""What a damped mode needs over the threshold of gain, because the continuum, fitted with it,
takes part of the mode for itself; and, to the half power, over the contrast asked for. Measured:
with it modes of 0.5 to 5 percent damping are found about as often as stated
(tests/campaign/test_campaign_detection_simulated.py)."""


def smallest_line_arcsec(
    frequency_hz: FloatArray | float,
    background: Background,
    *,
    false_alarm: float = 0.01,
    detection: float = 0.9,
    which: Range = "middle",
) -> FloatArray:
    """Return the rms of the smallest steady line that would be found at a frequency.

    Parameters
    ----------
    frequency_hz : float or ndarray
        True frequency; above the Nyquist frequency the folded background and the averaging
        over the exposure are used.
    background : Background
    false_alarm : float
        Probability of one false line in the whole run.
    detection : float
        Probability that the line is found.
    which : "low", "middle" or "high"
        End of the background's range.

    Returns
    -------
    ndarray
        One-axis rms [arcsec] along the line's direction, infinite where the exposure hides the
        line (below a tenth of the amplitude left) or the run is shorter than fifteen periods.

    Notes
    -----
    The measurement keeps a line when its gain of Whittle likelihood passes the threshold of
    `blursplit.spectra.lines.chance_of_ratio`; `_needed_ratio` asks for the line whose gain does
    so with the stated probability.
    """
    ratio = _needed_ratio(0.0, background, false_alarm, detection)
    return _rms(frequency_hz, background, ratio / background.stretch_s, which)


def smallest_mode_arcsec(
    frequency_hz: FloatArray | float,
    damping_ratio: float,
    background: Background,
    *,
    false_alarm: float = 0.01,
    detection: float = 0.9,
    which: Range = "middle",
) -> FloatArray:
    """Return the rms of the smallest damped mode, driven by noise, that would be found.

    Parameters
    ----------
    frequency_hz : float or ndarray
    damping_ratio : float
    background : Background
    false_alarm, detection, which
        As for `smallest_line_arcsec`.

    Returns
    -------
    ndarray
        One-axis rms [arcsec].
    """
    from blursplit.spectra.lines import BROAD_DAMPING, LOWEST_BROAD_SHARE

    f = np.asarray(frequency_hz, dtype=float)
    # Half-power width 2 zeta f in units of 1/length, in steps of 5 %.
    bins = 2.0 * damping_ratio * f * background.stretch_s
    steps = np.exp(0.05 * np.round(np.log(np.maximum(bins, 0.05)) / 0.05))
    ratios = {w: _needed_ratio(w, background, false_alarm, detection) for w in set(steps.flat)}
    ratio = np.array([ratios[w] for w in steps.flat]).reshape(steps.shape)
    found = _rms(f, background, ratio / background.stretch_s, which)
    if damping_ratio <= BROAD_DAMPING:
        return found
    # The search takes a broad feature of a small share of the motion for a ripple of the air.
    total = 2.0 * np.trapezoid(getattr(background, which), background.frequency_hz)
    return np.asarray(np.maximum(found, LOWEST_BROAD_SHARE * np.sqrt(total)))


def _needed_ratio(
    width_bins: float,
    background: Background,
    false_alarm: float,
    detection: float,
) -> float:
    """Return the a^2 T/S at which a mode of rms a is found with the stated probability.

    Parameters
    ----------
    width_bins : float
        Half-power width times duration; 0 for a steady line.

    Notes
    -----
    With the expected power r_k = 1 + q L_k of bin k over the continuum (L_k: the mode through
    the tapers, in units of the duration) the gain is 2 w sum [y_k (1 - 1/r_k) - ln r_k], y_k the
    measured power and w the independent values a bin. The sum over y_k is taken as a gamma
    variate with its mean and variance; y_k has the variance r_k^2/w for a mode driven by noise
    and (2 r_k - 1)/w for a steady line. Besides, the fitted peak must stand above the continuum by
    the contrast that the search asks for.
    """
    from scipy.special import gdtrc, ndtri

    from blursplit.spectra.lines import LOWEST_CONTRAST

    shape, weight = _shape_in_bins(round(width_bins, 6))
    weight *= background.stretches
    threshold = _gain_threshold(background, false_alarm)
    threshold *= 1.0 if width_bins == 0 else REFIT_LOSS

    def found(log_q: float) -> float:
        r = 1.0 + np.exp(log_q) * shape
        lever = 1.0 - 1.0 / r
        mean = 2.0 * weight * np.sum(r * lever)
        spread = 2.0 * r - 1.0 if width_bins == 0 else r**2
        variance = 4.0 * weight * np.sum(spread * lever**2)
        level = threshold + 2.0 * weight * np.sum(np.log(r))
        return float(gdtrc(mean / variance, mean**2 / variance, level)) - detection

    def stands_out(log_q: float) -> float:
        rise = np.exp(log_q) * shape
        # Standard error of the logarithm of size and of damping, from the Fisher information.
        error = np.sqrt(2.0 / (weight * np.sum((rise / (1.0 + rise)) ** 2)))
        needed = LOWEST_CONTRAST * (1.0 if width_bins == 0 else REFIT_LOSS**0.5)
        return float(np.log(rise.max() / needed) - ndtri(detection) * error)

    return float(np.exp(max(_root(found), _root(stands_out))))


def _root(function: Callable[[float], float]) -> float:
    from scipy.optimize import brentq

    high = 2.0
    while function(high) < 0 and high < 40.0:  # noqa: PLR2004 - exp(40) is beyond any data
        high += 1.0
    return float(brentq(function, -12.0, high, xtol=1e-5))


@lru_cache(maxsize=256)
def _shape_in_bins(width_bins: float) -> tuple[FloatArray, float]:
    """Return a unit mode's expected periodogram times 1/T around its bin, and the bin's weight."""
    from blursplit.spectra.periodogram import mode_density

    periodogram = _blank_periodogram()
    # In the middle of the band no flank is cut off or mirrored.
    f = float(periodogram.frequency_hz[periodogram.frequency_hz.size // 2])
    damping = max(width_bins / periodogram.duration_s / (2.0 * f), 1e-6)
    shape = mode_density(periodogram, f, damping) / periodogram.duration_s
    return shape[shape > 1e-3 * shape.max()], float(periodogram.weight)


@lru_cache(maxsize=1)
def _blank_periodogram() -> Periodogram:
    from blursplit.spectra.periodogram import motion_periodogram

    n = 2048
    return motion_periodogram(np.arange(float(n)), np.zeros((n, 2)), 1.0)


def _gain_threshold(background: Background, false_alarm: float) -> float:
    from scipy.optimize import brentq

    from blursplit.spectra.lines import LOWEST_BINS, chance_of_ratio

    like = replace(_blank_periodogram(), duration_s=background.stretch_s)
    low, high = LOWEST_BINS / background.stretch_s, background.nyquist_hz
    return float(
        brentq(lambda gain: chance_of_ratio(gain, like, low, high) - false_alarm, 4.0, 400.0)
    )


def _rms(
    frequency_hz: FloatArray | float, background: Background, bandwidth_hz: Any, which: Range
) -> FloatArray:
    from blursplit.spectra.lines import LOWEST_BINS

    f = np.asarray(frequency_hz, dtype=float)
    left = exposure_response(f, background.exposure_s)
    seen = np.sqrt(background.at(f, which) * bandwidth_hz)
    folded = apparent_frequency(f, 1.0 / background.cadence_s)
    hidden = (left < LEFT_AT_LEAST) | (folded * background.stretch_s < LOWEST_BINS)
    return np.asarray(np.where(hidden, np.inf, seen / np.maximum(left, 1e-9)))
