"""The smallest line and the smallest damped mode that a run would show above air and noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from blursplit.result import Result
    from blursplit.series import Series
    from blursplit.spectra.periodogram import Periodogram

    FloatArray = NDArray[np.float64]

Range = Literal["low", "middle", "high"]
LEFT_AT_LEAST = 0.1
"""Share of the amplitude below which the exposure hides a line; the square root of the design's
sinc^2 >= 0.1 would be 0.32, but a strong line shows earlier."""
REFIT_LOSS = 1.8
"""What a damped mode needs over the threshold of gain, because the continuum, fitted with it,
takes part of the mode for itself; and, to the half power, over the contrast asked for. Measured:
with it modes of 0.5 to 5 percent damping are found about as often as stated
(tests/campaign/test_campaign_detection_simulated.py)."""
ARCSEC = 206_264.806


@dataclass(frozen=True)
class Background:
    """What a line must stand out of, on one axis of the shared motion.

    Parameters
    ----------
    frequency_hz : ndarray, shape (m,)
        Increasing, from about 1/duration to the Nyquist frequency.
    low, middle, high : ndarray, shape (m,)
        One-sided density [arcsec^2/Hz] and its range, mostly that of the wind.
    duration_s, cadence_s : float
    exposure_s : float
    """

    frequency_hz: FloatArray
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    duration_s: float
    cadence_s: float
    exposure_s: float

    @property
    def nyquist_hz(self) -> float:
        """Half of the frame rate."""
        return 0.5 / self.cadence_s

    def at(self, frequency_hz: FloatArray | float, which: Range = "middle") -> FloatArray:
        """Return the density at a true frequency, found where sampling folds it to."""
        seen = apparent_frequency(frequency_hz, 1.0 / self.cadence_s)
        log_density = np.log(np.maximum(getattr(self, which), 1e-300))
        return np.asarray(np.exp(np.interp(seen, self.frequency_hz, log_density)))


def apparent_frequency(frequency_hz: FloatArray | float, rate_hz: float) -> FloatArray:
    """Return where a frequency appears at a frame rate: |f - rate round(f/rate)|."""
    f = np.asarray(frequency_hz, dtype=float)
    return np.asarray(np.abs(f - rate_hz * np.round(f / rate_hz)))


def exposure_response(frequency_hz: FloatArray | float, exposure_s: float) -> FloatArray:
    """Return the share of an oscillation's amplitude left after averaging over an exposure."""
    return np.asarray(np.abs(np.sinc(np.asarray(frequency_hz, dtype=float) * exposure_s)))


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
    return _rms(frequency_hz, background, ratio / background.duration_s, which)


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
    # Half-power width 2 zeta f in units of 1/duration, in steps of 5 %.
    bins = 2.0 * damping_ratio * f * background.duration_s
    steps = np.exp(0.05 * np.round(np.log(np.maximum(bins, 0.05)) / 0.05))
    ratios = {w: _needed_ratio(w, background, false_alarm, detection) for w in set(steps.flat)}
    ratio = np.array([ratios[w] for w in steps.flat]).reshape(steps.shape)
    found = _rms(f, background, ratio / background.duration_s, which)
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

    n = 4096
    return motion_periodogram(np.arange(float(n)), np.zeros((n, 2)), 1.0)


def _gain_threshold(background: Background, false_alarm: float) -> float:
    from scipy.optimize import brentq

    from blursplit.spectra.lines import LOWEST_BINS, chance_of_ratio

    like = replace(_blank_periodogram(), duration_s=background.duration_s)
    low, high = LOWEST_BINS / background.duration_s, background.nyquist_hz
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
    hidden = (left < LEFT_AT_LEAST) | (folded * background.duration_s < LOWEST_BINS)
    return np.asarray(np.where(hidden, np.inf, seen / np.maximum(left, 1e-9)))


def model_background(
    *,
    aperture_m: float,
    obstruction: float,
    r0_m: float,
    wavelength_m: float,
    outer_scale_m: float,
    wind_m_s: tuple[float, float],
    noise_arcsec: float,
    duration_s: float,
    cadence_s: float,
    exposure_s: float,
    n_bins: int = 400,
) -> Background:
    """Return the shared motion's background: air seen by all stars alike, plus centroid noise.

    Parameters
    ----------
    aperture_m, obstruction : float
    r0_m : float
        Fried parameter along the line of sight at `wavelength_m`.
    wavelength_m, outer_scale_m : float
    wind_m_s : (low, high)
        Winds equally likely in their logarithm; the density's median over them is `middle`, the
        16 % and 84 % points are `low` and `high`.
    noise_arcsec : float
        One-axis noise of the shared motion in one frame.
    duration_s, cadence_s, exposure_s : float
    n_bins : int

    Returns
    -------
    Background

    Notes
    -----
    Tilt spectra of `blursplit.air.temporal` (Conan, Rousset & Madec 1995, JOSA A 12, 1559), mean
    of the two wind directions, times sinc^2 of the exposure; what lies above the Nyquist
    frequency is folded back once. All of the air counts as common, which is the ground-layer
    case and the worst one for a line. Noise: 2 sigma^2 dt.
    """
    nyquist = 0.5 / cadence_s
    f = np.geomspace(min(1.0 / duration_s, 0.1 * nyquist), nyquist, n_bins)
    unit = (ARCSEC * wavelength_m) ** 2 * r0_m ** (-5 / 3) * aperture_m ** (-1 / 3)
    winds = np.geomspace(wind_m_s[0], wind_m_s[1], 7)
    air = np.empty((len(winds), n_bins))
    ratio = aperture_m / outer_scale_m
    for k, wind in enumerate(winds):
        scale = unit * aperture_m / wind
        for image in (f, 2 * nyquist - f):
            term = scale * _mean_tilt(image * aperture_m / wind, ratio, obstruction)
            term *= exposure_response(image, exposure_s) ** 2
            air[k] = term if image is f else air[k] + term
    noise = 2.0 * noise_arcsec**2 * cadence_s
    low, middle, high = np.quantile(air, [0.1587, 0.5, 0.8413], axis=0) + noise
    return Background(f, low, middle, high, duration_s, cadence_s, exposure_s)


def _mean_tilt(x: FloatArray, ratio: float, obstruction: float) -> FloatArray:
    from blursplit.air.temporal import tilt_spectra

    along, across = tilt_spectra(x, ratio, obstruction, "Z")
    return np.asarray(0.5 * (along + across))


def background_of(result: Result, series: Series | None = None) -> Background | None:
    """Return the background of a measured run: its own density, else that of its model.

    Parameters
    ----------
    result : Result
    series : Series, optional
        With the density of the shared motion; the running median over two dozen bins is the
        continuum, so that the lines themselves do not raise it.

    Returns
    -------
    Background or None
        None when too little is known (no frame interval, no seeing, no aperture).
    """
    s = result.sequence
    if not (s.cadence_s and s.duration_s and s.duration_s > 8 * s.cadence_s):
        return None
    exposure = s.frame_exposure_s or 0.0
    if series is not None and "common_psd_x_arcsec2_hz" in series.arrays:
        return _measured(series, s.duration_s, s.cadence_s, exposure)
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    aperture = _known(result, "aperture_m")
    if seeing is None or not aperture:
        return None
    from blursplit.campaign.estimates import quantile

    outer = _known(result, "outer_scale_m") or [10.0, 50.0]
    wind = _known(result, "wind_m_s") or [2.0, 30.0]
    wavelength = s.wavelength_m or 550e-9
    return model_background(
        aperture_m=float(aperture),
        obstruction=float(_known(result, "obstruction") or 0.0),
        r0_m=r0_along_sight_m(float(quantile(seeing, 0.0)), wavelength, s.airmass or 1.0),
        wavelength_m=wavelength,
        outer_scale_m=float(np.sqrt(outer[0] * outer[1])),
        wind_m_s=(float(wind[0]), float(wind[1])),
        noise_arcsec=result.motion.noise_rms_arcsec or 0.0,
        duration_s=s.duration_s,
        cadence_s=s.cadence_s,
        exposure_s=exposure,
    )


def r0_along_sight_m(
    seeing_500nm_zenith_arcsec: float, wavelength_m: float, airmass: float
) -> float:
    """Return r0 at a wavelength and airmass from the seeing at 500 nm and zenith (Fried 1966)."""
    zenith = 0.975863 * 500e-9 * ARCSEC / seeing_500nm_zenith_arcsec
    return float(zenith * (wavelength_m / 500e-9) ** 1.2 * airmass**-0.6)


def _known(result: Result, key: str) -> Any:
    entry = result.setup.get(key)
    return None if entry is None else entry.value


def _measured(series: Series, duration_s: float, cadence_s: float, exposure_s: float) -> Background:
    from scipy.ndimage import median_filter

    f = np.asarray(series.arrays["frequency_hz"], dtype=float)
    x = np.asarray(series.arrays["common_psd_x_arcsec2_hz"], dtype=float)
    y = np.asarray(series.arrays["common_psd_y_arcsec2_hz"], dtype=float)
    ok = (f > 0) & np.isfinite(x) & np.isfinite(y)
    # The worse axis counts: a line may lie along it.
    worse = np.exp(median_filter(np.log(np.maximum(x, y)[ok]), size=25, mode="nearest"))
    return Background(f[ok], worse, worse, worse, duration_s, cadence_s, exposure_s)
