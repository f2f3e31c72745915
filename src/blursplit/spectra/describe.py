"""What a fitted mode is in words and numbers: steady or damped, how large, which way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.spectra.modes import (
    DAMPING_CEILING,
    DAMPING_FLOOR,
    Mode,
    Spread,
    damping_profile,
    direction_sigma_deg,
    realised_covariance,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.spectra.periodogram import Periodogram

    FloatArray = NDArray[np.float64]

SIZE_DOUBT = 0.05
SIZE_DOUBT_DAMPING = 2.0
"""Relative error of the rms beyond what the fit says: wings that mode and continuum share, and
the ends of the record. Set so that errors are as large as stated in docs/line_detection.md (half a
minute, 0.15 arcsec rms: 9 to 13 %); a third of that at 0.5 arcsec."""

SIZE_DOUBT_CONTRAST = 16.0
"""Peak over continuum above which that error falls as its root."""

UNKNOWN_DIRECTION_DEG = 180.0 / 12.0**0.5
"""Scatter of a direction of which nothing is known."""

DAMPING_DOUBT = 4.0
"""Error of ln(damping ratio) per damping ratio from the continuum, which takes part of a broad
mode's wings: simulated, 11 % at 0.015 and 20 % at 0.04 (half a minute, 0.15 arcsec rms)."""

DAMPING_LOSS = 0.2
"""By how much ln(damping ratio) may be too small at a contrast of 16 or less: a weak mode's wings
sink in the continuum. Simulated (half a minute, 0.15 arcsec rms): 1, 7 and 14 % too small at
0.01, 0.02 and 0.04, scattering by 0.4 to 0.5."""

STEADY_GAIN = 3.84
"""Twice the log likelihood that damping must gain to be believed: chi-square(1), 95 %."""


@dataclass(frozen=True)
class LineFit:
    """A line or resonance of the motion.

    Parameters
    ----------
    frequency_hz, frequency_sigma : float
        Apparent frequency (below Nyquist) and its standard error.
    damping_ratio : float or None
        None for a steady line.
    damping_low, damping_high : float
        68 % interval; for a steady line 0 and the 95 % upper limit.
    kind : "steady" or "resonance"
        Steady: no wider than the record resolves.
    covariance, covariance_sigma : ndarray, shape (2, 2)
        Covariance of the line's (x, y) motion in this record, unit^2, and standard errors.
        Exposure averaging is not undone.
    angle_deg, angle_sigma_deg : float
        Direction of the larger motion, axial, [0, 180) from +x toward +y.
    axis_ratio : float
        Smaller over larger rms.
    false_alarm_probability : float
        Over all frequencies, widths and directions searched.
    band_hz : (low, high)
        Where half of the mode's power or more lies: two widths either side.
    psd_model : ndarray, shape (m, 2, 2)
        Its density on the frequencies of the search, unit^2/Hz, as the tapers show it.
    bin_hz : float
        Step of these frequencies, which start at one step.
    """

    frequency_hz: float
    frequency_sigma: float
    damping_ratio: float | None
    damping_low: float
    damping_high: float
    kind: Literal["steady", "resonance"]
    covariance: FloatArray
    covariance_sigma: FloatArray
    angle_deg: float
    angle_sigma_deg: float
    axis_ratio: float
    false_alarm_probability: float
    band_hz: tuple[float, float]
    psd_model: FloatArray
    bin_hz: float

    @property
    def rms(self) -> float:
        """Root of the summed variance of both axes."""
        return float(np.sqrt(max(np.trace(self.covariance), 0.0)))

    @property
    def rms_sigma(self) -> float:
        """Standard error of `rms`, the axes' errors taken as independent."""
        spread = float(np.hypot(self.covariance_sigma[0, 0], self.covariance_sigma[1, 1]))
        return spread / max(2.0 * self.rms, 1e-30)

    @property
    def damping_sigma(self) -> float | None:
        """Half the 68 % interval of the damping ratio, None for a steady line."""
        if self.damping_ratio is None:
            return None
        return (self.damping_high - self.damping_low) / 2.0


def describe(
    periodogram: Periodogram, rest: FloatArray, mode: Mode, spread: Spread, chance: float
) -> LineFit:
    """Turn a fitted mode into a line with intervals.

    Parameters
    ----------
    periodogram : Periodogram
    rest : ndarray, shape (m, 2, 2)
        Expected density of everything else.
    mode : Mode
    spread : Spread
    chance : float
        False-alarm probability.

    Returns
    -------
    LineFit
    """
    mode, low, high, kind = _damping(periodogram, rest, mode)
    if kind == "resonance":
        doubt = float(
            np.hypot(min(spread.log_damping, 1.0), 0.05 + DAMPING_DOUBT * mode.damping_ratio)
        )
        low = min(low, mode.damping_ratio * float(np.exp(-doubt)))
        loss = DAMPING_LOSS * _weakness(periodogram, rest, mode)
        high = max(high, mode.damping_ratio * float(np.exp(np.hypot(doubt, loss))))
    covariance, sigma = realised_covariance(periodogram, rest, mode)
    sigma = np.hypot(sigma, _continuum_doubt(periodogram, rest, mode))
    sigma = np.hypot(sigma, _damping_doubt(periodogram, rest, mode, low, high, spread))
    angle, angle_sigma, ratio = principal_axes(covariance, sigma)
    # a doubt of the size alone turns no axis
    size = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    sigma = np.hypot(sigma, 2.0 * _size_doubt(periodogram, rest, mode) * size)
    angle_sigma = float(np.hypot(angle_sigma, direction_sigma_deg(periodogram, rest, mode)))
    resolution = 2.0 / periodogram.duration_s
    width = 2.0 * mode.damping_ratio * mode.frequency_hz
    reach = max(2.0 * width, resolution)
    return LineFit(
        mode.frequency_hz,
        max(spread.frequency_hz, 1e-3 / periodogram.duration_s),
        None if kind == "steady" else mode.damping_ratio,
        low,
        high,
        kind,
        covariance,
        sigma,
        angle,
        min(angle_sigma, UNKNOWN_DIRECTION_DEG),
        ratio,
        chance,
        (mode.frequency_hz - reach, mode.frequency_hz + reach),
        mode.density(periodogram),
        1.0 / periodogram.duration_s,
    )


def principal_axes(covariance: FloatArray, sigma: FloatArray) -> tuple[float, float, float]:
    """Return direction [deg], its standard error [deg] and axis ratio of a motion covariance.

    Parameters
    ----------
    covariance, sigma : ndarray, shape (2, 2)

    Returns
    -------
    angle_deg : float
        Of the larger axis, [0, 180) from +x toward +y.
    angle_sigma_deg : float
        At most 52, the scatter of a direction that is not known at all (180/sqrt(12)).
    axis_ratio : float
    """
    values, vectors = np.linalg.eigh(covariance)
    angle = float(np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
    # d(angle) = (-sin 2a d(xx - yy)/2 + cos 2a d(xy)) / (difference of the eigenvalues)
    twice = 2.0 * np.deg2rad(angle)
    difference = float(np.hypot(sigma[0, 0], sigma[1, 1])) / 2.0
    across = float(np.hypot(np.sin(twice) * difference, np.cos(twice) * sigma[0, 1]))
    doubt = np.rad2deg(across / max(float(values[1] - values[0]), 1e-300))
    ratio = np.sqrt(max(values[0], 0.0) / max(values[1], 1e-300))
    return angle % 180.0, float(min(doubt, UNKNOWN_DIRECTION_DEG)), float(ratio)


def _damping(
    periodogram: Periodogram, rest: FloatArray, mode: Mode
) -> tuple[Mode, float, float, Literal["steady", "resonance"]]:
    """Return the mode, its damping interval and whether damping is needed at all."""
    narrow = max(DAMPING_FLOOR, 0.02 / (np.pi * mode.frequency_hz * periodogram.duration_s))
    grid = np.geomspace(narrow, DAMPING_CEILING, 41)
    profile = damping_profile(periodogram, rest, mode, grid)
    drop = 2.0 * (profile.max() - profile)
    best = float(grid[int(np.argmin(drop))])
    if drop[0] < STEADY_GAIN:
        upper = float(grid[np.flatnonzero(drop <= STEADY_GAIN)[-1]])
        return Mode(mode.frequency_hz, narrow, mode.covariance), 0.0, upper, "steady"
    fine = np.geomspace(best / 4.0, min(best * 4.0, 0.2), 41)
    profile = damping_profile(periodogram, rest, mode, fine)
    inside = fine[2.0 * (profile.max() - profile) <= 1.0]
    best = float(fine[int(np.argmax(profile))])
    return (
        Mode(mode.frequency_hz, best, mode.covariance),
        float(inside[0]),
        float(inside[-1]),
        "resonance",
    )


def _damping_doubt(
    periodogram: Periodogram,
    rest: FloatArray,
    mode: Mode,
    low: float,
    high: float,
    spread: Spread,
) -> FloatArray:
    """Return how much the covariance moves when width and amplitude move within their errors.

    A wider mode claims more of the continuum under its wings.
    """
    ends = []
    for zeta in (max(low, mode.damping_ratio * np.exp(-spread.log_damping), 1e-6), high):
        other = Mode(mode.frequency_hz, float(min(zeta, 0.3)), mode.covariance)
        ends.append(realised_covariance(periodogram, rest, other)[0])
    return np.asarray(np.abs(ends[1] - ends[0]) / 2.0)


def _size_doubt(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> float:
    """Return the relative error of the rms that mode and continuum trade between them."""
    part = _weakness(periodogram, rest, mode)
    return part * (SIZE_DOUBT + SIZE_DOUBT_DAMPING * mode.damping_ratio)


def _weakness(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> float:
    """Return 1 for a mode whose peak stands low over the continuum, less for a clear one."""
    peak = int(np.argmin(np.abs(periodogram.frequency_hz - mode.frequency_hz)))
    own = mode.density(periodogram)[peak]
    contrast = float(np.linalg.eigvals(np.linalg.solve(rest[peak], own)).real.max())
    return float(min(1.0, np.sqrt(SIZE_DOUBT_CONTRAST / max(contrast, 1e-9))))


def _continuum_doubt(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> FloatArray:
    """Return the error of the covariance from not knowing the continuum under the line.

    Half an octave of continuum holds about half the frequency times the length in independent
    values; its mean is known to one over the root of that, and lies under one line width.
    """
    values = max(0.5 * mode.frequency_hz * periodogram.duration_s, 4.0)
    width = max(np.pi * mode.damping_ratio * mode.frequency_hz, 1.0 / periodogram.duration_s)
    nearest = int(np.argmin(np.abs(periodogram.frequency_hz - mode.frequency_hz)))
    diagonal = np.diag(rest[nearest])
    level = np.sqrt(np.outer(diagonal, diagonal))
    return np.asarray(level * width / np.sqrt(values))
