"""Where in a spectrum something narrow stands out of the continuum: starting points for fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra.continuum import PROJECTIONS_RAD
from blursplit.spectra.modes import Mode
from blursplit.spectra.periodogram import transform_of_lags

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.spectra.periodogram import Periodogram

    FloatArray = NDArray[np.float64]

LARGEST_DAMPING = 0.08
"""Wider peaks are not searched: they cannot be told from the air's own broad maximum."""

WIDTH_RATIO = 2.2
"""Step between the widths tried; half of it off costs a few per cent of the ratio."""

STRONG_RATIO = 1000.0
PEAK_BINS = 4.0
"""Half width of a steady line's peak under the tapers, in 1/T."""


@dataclass(frozen=True)
class Seed:
    """The best place found: frequency, width at half maximum, direction, excess variance."""

    frequency_hz: float
    width_hz: float
    angle_rad: float
    variance: float
    ratio: float


def strongest_excess(
    periodogram: Periodogram, models: FloatArray, lowest_hz: float, highest_hz: float
) -> Seed | None:
    """Return the strongest narrow excess over the models, or None where there is none.

    Parameters
    ----------
    periodogram : Periodogram
    models : ndarray, shape (4, m)
        Expected density along 0, 45, 90 and 135 degrees.
    lowest_hz, highest_hz : float
        Range searched.

    Returns
    -------
    Seed or None
        `ratio` is twice the gain of log likelihood; two perpendicular directions that rise
        together count together.
    """
    frequency = periodogram.frequency_hz
    powers = np.stack([periodogram.along(angle) for angle in PROJECTIONS_RAD])
    best: Seed | None = None
    for width in _widths(periodogram, highest_hz):
        allowed = (frequency >= lowest_hz) & (frequency <= highest_hz)
        allowed &= width <= 2.0 * LARGEST_DAMPING * frequency
        if width > 0 and not allowed.any():
            continue
        if width == 0:
            allowed = (frequency >= lowest_hz) & (frequency <= highest_hz)
        centres = np.flatnonzero(allowed)
        if centres.size == 0:
            continue
        step = max(1, int(width * periodogram.duration_s / 6.0))
        centres = centres[::step]
        shape = _line_shape(periodogram, width)
        found = [
            _excess(power, model, shape, centres, periodogram.weight)
            for power, model in zip(powers, models, strict=True)
        ]
        ratios = np.stack([ratio for ratio, _ in found])
        candidate = _best_of(ratios, [a for _, a in found], centres, frequency, width)
        if best is None or candidate.ratio > best.ratio:
            best = candidate
    return best if best is not None and best.ratio > 0 else None


def start_modes(periodogram: Periodogram, seed: Seed) -> list[Mode]:
    """Return the modes from which a fit should start.

    Parameters
    ----------
    periodogram : Periodogram
    seed : Seed

    Returns
    -------
    list of Mode
        The seed as it stands; for one far above all else also a steady line at the centre of
        mass of its peak, whose narrow summit a fit does not find from a broad start.
    """
    unit = np.array([np.cos(seed.angle_rad), np.sin(seed.angle_rad)])
    covariance = seed.variance * (0.9 * np.outer(unit, unit) + 0.05 * np.eye(2))
    zeta = max(seed.width_hz / (2.0 * seed.frequency_hz), 1e-4)
    starts = [Mode(seed.frequency_hz, zeta, covariance)]
    if seed.ratio > STRONG_RATIO:
        step = 1.0 / periodogram.duration_s
        reach = max(PEAK_BINS * step, seed.width_hz)
        near = np.abs(periodogram.frequency_hz - seed.frequency_hz) < reach
        power = np.trace(periodogram.plain[near], axis1=1, axis2=2)
        centre = float(power @ periodogram.frequency_hz[near] / power.sum())
        starts.append(Mode(centre, 1e-5, periodogram.plain[near].sum(axis=0) * step))
    return starts


def _widths(periodogram: Periodogram, highest_hz: float) -> list[float]:
    widths = [0.0]
    width = 1.5 / periodogram.duration_s
    while width <= 2.0 * LARGEST_DAMPING * highest_hz:
        widths.append(width)
        width *= WIDTH_RATIO
    return widths


def _line_shape(periodogram: Periodogram, width_hz: float) -> FloatArray:
    """Return a unit-variance Lorentzian seen through the tapers, at bins 0..half away."""
    lags = periodogram.taper_lags
    tau_s = np.arange(lags.size) * periodogram.cadence_s
    # a carrier in the middle of the band keeps both flanks in view; without it the mirror
    # image at negative frequency would add to the far flank
    middle = periodogram.frequency_hz.size // 2
    carrier = 2.0 * np.pi * periodogram.frequency_hz[middle]
    density = transform_of_lags(
        lags * np.exp(-np.pi * width_hz * tau_s) * np.cos(carrier * tau_s), periodogram.cadence_s
    )
    half = max(4, int(3.0 * width_hz * periodogram.duration_s))
    return density[middle : min(middle + half + 1, density.size)]


def _excess(
    power: FloatArray, model: FloatArray, shape: FloatArray, centres: np.ndarray, weight: float
) -> tuple[FloatArray, FloatArray]:
    """Return twice the log likelihood gain and the variance of a line at each centre bin."""
    half = shape.size - 1
    line = np.concatenate([shape[:0:-1], shape])
    padded_ratio = np.pad(power / model, half, constant_values=1.0)
    padded_inverse = np.pad(1.0 / model, half, constant_values=0.0)
    windows = centres[:, None] + np.arange(2 * half + 1)[None]
    y, rise = padded_ratio[windows], padded_inverse[windows] * line
    amount = np.maximum(((y - 1.0) * rise).sum(axis=1) / (rise**2).sum(axis=1), 0.0)
    for _ in range(12):
        total = 1.0 + amount[:, None] * rise
        score = (rise * (y - total) / total**2).sum(axis=1)
        information = (rise**2 / total**2).sum(axis=1)
        amount = np.clip(amount + score / information, 0.1 * amount, 10.0 * amount + 1e-30)
    total = 1.0 + amount[:, None] * rise
    gain = (y - y / total - np.log(total)).sum(axis=1)
    return np.asarray(2.0 * weight * np.maximum(gain, 0.0)), np.asarray(amount)


def _best_of(
    ratios: FloatArray,
    amounts: list[FloatArray],
    centres: np.ndarray,
    frequency: FloatArray,
    width: float,
) -> Seed:
    """Choose among four directions and two perpendicular pairs."""
    pairs = ratios[:2] + ratios[2:]
    # two degrees of freedom: chance exp(-s/2)(1 + s/2), put on the scale of one
    pairs = pairs - 2.0 * np.log1p(pairs / 2.0)
    scores = np.concatenate([ratios, pairs])
    row, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
    axis = int(row)
    if row >= len(ratios):
        first = int(row) - len(ratios)
        axis = first if amounts[first][column] >= amounts[first + 2][column] else first + 2
    return Seed(
        float(frequency[centres[column]]),
        width,
        float(PROJECTIONS_RAD[axis]),
        float(amounts[axis][column]),
        float(scores[row, column]),
    )
