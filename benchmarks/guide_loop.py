"""How often a guide loop is seen where there is none, and how often where there is one.

    python benchmarks/guide_loop.py [--series 1000] [--screens 60] [--first 1000]

Unguided motion comes twice: from the densities of `motion_scenes.py` (frozen air of many kinds,
slow currents, drift) and from another library's phase screens (aotools) drawn across by the wind.
A guide cycle is declared for each and there is none. The threshold was set by the series of the
first kind with numbers below 1000; those from 1000 on, and all screens, judge it. For the other
question an integrating loop is closed around the first kind of motion.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from blursplit.evidence.guide_loop import find_guide_motion
from blursplit.motion.common import GridData, GridSegment
from blursplit.rig import Rig, Setup
from motion_scenes import slow_current, without_lines

CADENCE_S = 0.1
LENGTHS_S = (150.0, 300.0, 600.0)
CYCLES_S = (1.0, 2.0, 4.0)
SCREEN_POINTS, SCREEN_STEP_M = 2048, 0.3
PUPIL_M = 0.3


def shows_loop(motion_arcsec: np.ndarray, cycle_s: float) -> bool:
    """Return whether the search sees a loop of this cycle."""
    n = len(motion_arcsec)
    piece = GridSegment(
        0.0, motion_arcsec, motion_arcsec, np.ones(n, dtype=bool), np.arange(n, dtype=np.int64)
    )
    none = np.zeros(1)
    grid = GridData(
        (piece,), np.zeros(1, dtype=np.int64), none, none, none, 0.0, CADENCE_S, CADENCE_S / 2
    )
    instrument = Rig.of_setup(Setup(mount={"guide_period_s": cycle_s})).with_header({})
    return find_guide_motion(grid, instrument) is not None


def guided(motion: np.ndarray, cycle_s: float, gain: float) -> np.ndarray:
    """Close an integrating loop: one correction a cycle from the cycle's mean."""
    steps = round(cycle_s / CADENCE_S)
    left, command = motion.copy(), np.zeros(2)
    for first in range(0, len(motion), steps):
        left[first : first + steps] -= command
        command = command + gain * left[first : first + steps].mean(axis=0)
    return left


def own_series(index: int) -> tuple[np.ndarray, float]:
    """Return unguided motion from densities, and a cycle to look for."""
    rng = np.random.default_rng(7_000_000 + index)
    length_s = LENGTHS_S[index % 3]
    motion = without_lines(round(length_s / CADENCE_S), 1.0 / CADENCE_S, index, rng)
    return motion, CYCLES_S[(index // 3) % 3]


class Screens:
    """Slopes of aotools' screens, read along slanted paths that wrap around them."""

    def __init__(self, count: int) -> None:
        from aotools.turbulence.phasescreen import ft_phase_screen

        kx = 2.0 * np.pi * np.fft.fftfreq(SCREEN_POINTS, SCREEN_STEP_M)[:, None]
        ky = 2.0 * np.pi * np.fft.rfftfreq(SCREEN_POINTS, SCREEN_STEP_M)[None]
        smooth = np.exp(-0.5 * (kx**2 + ky**2) * (PUPIL_M / 2.0) ** 2)
        self.slopes = []
        for index in range(count):
            outer_scale_m = (15.0, 30.0, 60.0)[index % 3]
            drawn = ft_phase_screen(
                0.1, SCREEN_POINTS, SCREEN_STEP_M, outer_scale_m, 1e-3, seed=80_000 + index
            )
            spectrum = np.fft.rfft2(drawn) * smooth
            both = [np.fft.irfft2(1j * k * spectrum, s=drawn.shape) for k in (kx, ky)]
            self.slopes.append(np.stack(both).astype(np.float32))

    def series(self, index: int) -> tuple[np.ndarray, float]:
        """Return unguided motion of two layers, 0.25 to 0.6 arcsec rms, and a cycle."""
        from scipy.ndimage import map_coordinates

        rng = np.random.default_rng(8_000_000 + index)
        n = round(LENGTHS_S[index % 3] / CADENCE_S)
        time_s = np.arange(n) * CADENCE_S
        motion = np.zeros((n, 2))
        for _ in range(2):
            slope = self.slopes[rng.integers(len(self.slopes))]
            angle, wind = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(3.0, 20.0)
            start = rng.uniform(0.0, SCREEN_POINTS, 2)
            path = start[:, None] + wind / SCREEN_STEP_M * time_s * np.array(
                [[np.cos(angle)], [np.sin(angle)]]
            )
            layer = [map_coordinates(part, path, order=1, mode="grid-wrap") for part in slope]
            motion += rng.uniform(0.3, 1.0) * np.stack(layer, axis=1)
        motion *= rng.uniform(0.25, 0.6) / motion.std()
        if index % 2:
            size, scale = rng.uniform(0.1, 0.5), rng.uniform(0.5, 5.0)
            current = [slow_current(n, 1.0 / CADENCE_S, scale, rng) for _ in "xy"]
            motion += size * np.stack(current, axis=1)
        motion += rng.choice([0.003, 0.02, 0.06]) * rng.normal(size=(n, 2))
        return motion, CYCLES_S[(index // 3) % 3]


def upper_limit(count: int, total: int) -> float:
    """Return the 95 % upper limit of a share (Clopper and Pearson 1934)."""
    from scipy.stats import beta

    return float(beta.ppf(0.95, count + 1, total - count)) if count < total else 1.0


def main() -> None:
    """Print both counts and the shares of loops seen."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=1000)
    parser.add_argument("--screens", type=int, default=60)
    parser.add_argument("--first", type=int, default=1000, help="number of the first series")
    options = parser.parse_args()
    began = time.perf_counter()
    numbers = range(options.first, options.first + options.series)
    wrong = sum(shows_loop(*own_series(index)) for index in numbers)
    limit = upper_limit(wrong, options.series)
    print(f"own densities: {wrong} of {options.series} (below {limit:.4f} with 95 %)", flush=True)
    for gain in (0.3, 0.5, 0.7, 0.9):
        for length_s in LENGTHS_S:
            seen, total = 0, 0
            for index in range(options.first, options.first + 360):
                motion, cycle_s = own_series(index)
                if len(motion) * CADENCE_S == length_s and cycle_s < CYCLES_S[-1]:
                    seen += shows_loop(guided(motion, cycle_s, gain), cycle_s)
                    total += 1
            text = f"loop of gain {gain}, {length_s:g} s, cycles of 1 and 2 s: "
            print(f"{text}{seen} of {total} seen", flush=True)
    screens = Screens(options.screens)
    wrong = sum(shows_loop(*screens.series(index)) for index in range(options.series))
    limit = upper_limit(wrong, options.series)
    print(f"aotools screens: {wrong} of {options.series} (below {limit:.4f} with 95 %)")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
