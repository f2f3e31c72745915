"""How far the search for lines stays behind a detector that knows everything but the frequency.

    python benchmarks/ideal_detector.py [--draws 100] [--series 1000]

The series are those of `lines.py`: modes of 0.15 arcsec rms under frozen-flow air of 0.4 arcsec
rms an axis, half a minute at 50 frames/s. The ideal detector is given the true density of the air
and the noise, and the true size, damping ratio and direction of the mode; it only looks for the
frequency. By the lemma of Neyman and Pearson (1933) no test of the same false alarm finds more at
a given frequency than the likelihood ratio; over frequencies it takes the largest one. Its
threshold is that ratio's quantile over air-only series.
"""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra import LineSearch
from blursplit.spectra.modes import whittle
from blursplit.spectra.periodogram import Periodogram, _transform_of_lags
from motion_scenes import air, air_density, damped_mode

if TYPE_CHECKING:
    from blursplit.spectra.periodogram import Periodogram

RATE_HZ = 50.0
FRAMES = 1500
MODE_RMS = 0.15
AIR_RMS = 0.4
NOISE_RMS = 0.02
AIR = {"wind_m_s": 8.0, "outer_scale_m": 25.0, "aperture_m": 0.2, "gradient": False}
DAMPING_RATIOS = (0.01, 0.02, 0.04)
FALSE_ALARMS = (0.02, 0.008)  # allowed; what the search itself shows on air-only series
NEAR = 0.05
LOWEST_HZ = 15.0 * RATE_HZ / FRAMES  # where the search begins
HIGHEST_HZ = 24.8


def series(rng: np.random.Generator) -> np.ndarray:
    """Return air, wind along x, and noise; arcsec, (n, 2)."""
    motion = air(FRAMES, RATE_HZ, rng, rms=AIR_RMS, angle_rad=0.0, **AIR)
    return motion + NOISE_RMS * rng.normal(size=motion.shape)


def true_density(periodogram: Periodogram) -> np.ndarray:
    """Return the expected periodogram of `series`, shape (m, 2, 2)."""
    long = 8 * FRAMES
    total = np.zeros_like(periodogram.power)
    lags = periodogram.taper_lags
    kind = {key: value for key, value in AIR.items() if key != "gradient"}
    for axis, along in enumerate((True, False)):
        density = air_density(long, RATE_HZ, **kind, along=along, gradient=AIR["gradient"])
        covariance = np.fft.irfft(density * RATE_HZ / 2.0, long)[:FRAMES]
        covariance = AIR_RMS**2 * covariance
        covariance[0] += NOISE_RMS**2
        total[:, axis, axis] = _transform_of_lags(covariance * lags, 1.0 / RATE_HZ)
    return total


def search_grid(damping_ratio: float) -> np.ndarray:
    """Return frequencies a third of a peak's width apart."""
    grid = [LOWEST_HZ]
    while grid[-1] < HIGHEST_HZ:
        grid.append(grid[-1] + max(0.7 * damping_ratio * grid[-1], 0.5 * RATE_HZ / FRAMES))
    return np.array(grid)


def ratios(
    periodogram: Periodogram, rest: np.ndarray, shapes: list[np.ndarray], covariance: np.ndarray
) -> np.ndarray:
    """Return twice the log likelihood ratio of a mode at each frequency of the grid."""
    bins = slice(int(LOWEST_HZ * FRAMES / RATE_HZ / 2), None)
    power, rest = periodogram.power[bins], rest[bins]
    plain = whittle(power, rest, periodogram.weight)
    return np.array(
        [
            2.0
            * (
                whittle(power, rest + shape[bins, None, None] * covariance, periodogram.weight)
                - plain
            )
            for shape in shapes
        ]
    )


def covariance_along(angle_rad: float) -> np.ndarray:
    """Return the covariance of a mode of the stated size along a direction."""
    unit = np.array([np.cos(angle_rad), np.sin(angle_rad)])
    return MODE_RMS**2 * np.outer(unit, unit)


def one_damping(damping_ratio: float, draws: int, count: int) -> dict[str, np.ndarray]:
    """Return frequencies, ideal ratios and what the search found; ratios of air alone."""
    time_s = np.arange(FRAMES) / RATE_HZ
    grid = search_grid(damping_ratio)
    first = Periodogram.of(time_s, series(np.random.default_rng(0)), 1.0 / RATE_HZ)
    rest = true_density(first)
    shapes = [first.mode_density(float(f), damping_ratio) for f in grid]
    alone = np.empty(count)
    for index in range(count):
        rng = np.random.default_rng(900_000 + index)
        periodogram = Periodogram.of(time_s, series(rng), 1.0 / RATE_HZ)
        covariance = covariance_along(rng.uniform(0.0, np.pi))
        alone[index] = ratios(periodogram, rest, shapes, covariance).max()
    rows = []
    for index in range(draws):
        rng = np.random.default_rng(70_000 + index)
        frequency, angle = rng.uniform(3.0, 0.4 * RATE_HZ), rng.uniform(0.0, np.pi)
        mode = damped_mode(FRAMES, RATE_HZ, frequency, damping_ratio, rng)[::8]
        mode = mode / mode.std() * MODE_RMS
        motion = series(rng) + np.outer(mode, [np.cos(angle), np.sin(angle)])
        periodogram = Periodogram.of(time_s, motion, 1.0 / RATE_HZ)
        values = ratios(periodogram, rest, shapes, covariance_along(angle))
        best = int(np.argmax(values))
        found = LineSearch.of(time_s, motion, cadence_s=1.0 / RATE_HZ).lines
        rows.append(
            (
                frequency,
                values[best],
                abs(grid[best] / frequency - 1.0) < NEAR,
                any(abs(line.frequency_hz / frequency - 1.0) < NEAR for line in found),
            )
        )
    table = np.array(rows, dtype=np.float64)
    return {"alone": alone, "table": table}


def main() -> None:
    """Print a table: share found by the search and by the ideal detector, slow and fast modes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--series", type=int, default=1000, help="air alone, for the threshold")
    parser.add_argument("--damping", type=float, nargs="*", default=DAMPING_RATIOS)
    options = parser.parse_args()
    start = time.perf_counter()
    for damping in options.damping:
        got = one_damping(damping, options.draws, options.series)
        frequency, ratio, near, search = got["table"].T
        for low, high in ((3.0, 20.0), (3.0, 7.0), (7.0, 20.0)):
            inside = (frequency >= low) & (frequency < high)
            text = f"damping {damping}: {low:g} to {high:g} Hz, {inside.sum()} modes: "
            text += f"search {search[inside].mean():.2f}"
            for chance in FALSE_ALARMS:
                threshold = np.quantile(got["alone"], 1.0 - chance)
                ideal = (ratio > threshold) & (near > 0)
                text += f", ideal at {chance:g}: {ideal[inside].mean():.2f} (2 ln ratio > "
                text += f"{threshold:.1f})"
            print(text, flush=True)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
