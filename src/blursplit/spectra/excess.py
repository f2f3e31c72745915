"""The strongest narrow excess of a periodogram over what is expected: where a new line may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit.constants import LINE_LARGEST_DAMPING, LINE_WIDTH_RATIO
from blursplit.spectra.periodogram import PROJECTIONS_RAD, Periodogram, transform_of_lags
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Excess:
    """The best place found: frequency, width at half maximum, direction, excess variance."""

    frequency_hz: float
    width_hz: float
    angle_rad: float
    variance: float
    ratio: float


def strongest_excess(
    periodogram: Periodogram, models: FloatArray, inside: BoolArray
) -> Excess | None:
    """Return the strongest narrow excess over expected densities, or None where there is none.

    `models` (4, m): expected density along the four directions. `inside` (m,): where to look.

    `Excess.ratio` is twice the gain of log likelihood; two perpendicular directions that rise
    together count together.
    """
    frequency = periodogram.frequency_hz
    powers = np.stack([periodogram.along(angle) for angle in PROJECTIONS_RAD])
    best: Excess | None = None
    for width in _widths(periodogram, float(frequency[-3])):
        allowed = inside & (width <= 2.0 * LINE_LARGEST_DAMPING * frequency)
        centres = np.flatnonzero(allowed)[:: max(1, int(width * periodogram.duration_s / 6.0))]
        if centres.size == 0:
            continue
        shape = _line_shape(periodogram, width)
        centres = _promising(powers, models, shape, centres)
        found = [
            _excess(power, model, shape, centres, periodogram.weight)
            for power, model in zip(powers, models, strict=True)
        ]
        ratios = np.stack([ratio for ratio, _ in found])
        candidate = _best_of(ratios, [a for _, a in found], centres, frequency, width)
        if best is None or candidate.ratio > best.ratio:
            best = candidate
    return best if best is not None and best.ratio > 0 else None


def _widths(periodogram: Periodogram, highest_hz: float) -> list[float]:
    widths = [0.0]
    width = 1.5 / periodogram.duration_s
    while width <= 2.0 * LINE_LARGEST_DAMPING * highest_hz:
        widths.append(width)
        width *= LINE_WIDTH_RATIO
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


def _promising(
    powers: FloatArray, models: FloatArray, shape: FloatArray, centres: IntArray
) -> IntArray:
    """Return the centres with the largest linear gain, few enough to be fitted one by one."""
    from scipy.signal import fftconvolve

    most = 48
    if centres.size <= most:
        return centres
    line = np.concatenate([shape[:0:-1], shape])[None]
    over = fftconvolve((powers / models - 1.0) / models, line, mode="same", axes=1)
    scale = fftconvolve(1.0 / models**2, line**2, mode="same", axes=1)
    gain = np.maximum(over[:, centres], 0.0) ** 2 / np.maximum(scale[:, centres], 1e-300)
    score = np.maximum(gain.max(axis=0), (gain[:2] + gain[2:]).max(axis=0))
    return np.sort(centres[np.argsort(score)[-most:]])


def _excess(
    power: FloatArray, model: FloatArray, shape: FloatArray, centres: IntArray, weight: float
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
    centres: IntArray,
    frequency: FloatArray,
    width: float,
) -> Excess:
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
    return Excess(
        float(frequency[centres[column]]),
        width,
        float(PROJECTIONS_RAD[axis]),
        float(amounts[axis][column]),
        float(scores[row, column]),
    )
