"""Whether modes at the stated limit are found, and how often a long record shows a false line.

    python benchmarks/detection.py [limit|small|false|close] [--draws N] [--first N]

Air is made in the frequency domain: one or two frozen layers of von Karman tilt whose wind wanders
slowly (its logarithm by 0.1 to 0.3 rms within minutes, as wind does) or stands still, slow
currents, noise of the centroids. Modes are driven by white force. Nothing here was seen when the
formulas were set, except for the rows called "set".
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from motion_scenes import tilt_density


def wandering_air(
    n: int, rate_hz: float, rng: np.random.Generator, *, wander: float, rms: float, **kind: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return motion (n, 2) of this rms, and the frequencies and mean density of one axis.

    The frozen pattern is drawn once by distance and read off at the distance that the wandering
    wind has blown it: ripples of the pupil then move with the wind.
    """
    wind = kind["wind_m_s"]
    steps = np.full(n, 1.0)
    if wander > 0:
        keep = np.exp(-1.0 / (rate_hz * 60.0))
        drive = rng.normal(size=n) * np.sqrt(1.0 - keep**2)
        drive[0] = rng.normal()
        steps = np.exp(wander * lfilter([1.0], [1.0, -keep], drive) - 0.5 * wander**2)
    place = np.cumsum(steps)  # in frames of the mean wind
    fine = 4
    m = int(1 << int(np.ceil(np.log2(fine * (place[-1] + 64)))))
    frequency = np.fft.rfftfreq(m, 1.0 / (rate_hz * fine))
    grid = np.geomspace(frequency[1], frequency[-1], 400)
    columns = []
    for along in (True, False):
        shape = tilt_density(
            grid,
            wind,
            kind["outer_scale_m"],
            kind["aperture_m"],
            along=along,
            gradient=bool(kind["gradient"]),
        )
        amplitude = np.sqrt(np.interp(frequency, grid, shape, left=0.0))
        noise = rng.normal(size=amplitude.size) + 1j * rng.normal(size=amplitude.size)
        pattern = np.fft.irfft(noise * amplitude, m)
        column = np.interp(place * fine, np.arange(m), pattern)
        columns.append(rms * column / column.std())
    angle = rng.uniform(0.0, np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.stack(columns, axis=1) @ turn.T


def air_of_many_kinds(
    n: int, rate_hz: float, rng: np.random.Generator, *, rms: float, wander: float
) -> np.ndarray:
    """Return air, currents in half of the series, and noise; arcsec, (n, 2)."""
    motion = wandering_air(
        n,
        rate_hz,
        rng,
        wander=wander,
        rms=rms,
        wind_m_s=float(np.exp(rng.uniform(np.log(3.0), np.log(25.0)))),
        outer_scale_m=float(rng.choice([10.0, 25.0, 60.0])),
        aperture_m=float(rng.choice([0.1, 0.2, 0.3])),
        gradient=float(rng.random() < 0.5),
    )
    if rng.random() < 0.5:
        keep = np.exp(-1.0 / (rate_hz * rng.uniform(0.5, 5.0)))
        drive = rng.normal(size=(n, 2)) * np.sqrt(1.0 - keep**2)
        motion += rng.uniform(0.1, 1.0) * rms * lfilter([1.0], [1.0, -keep], drive, axis=0)
    return motion + rng.choice([0.003, 0.01, 0.03]) * rng.normal(size=(n, 2))


def mode(
    n: int, rate_hz: float, frequency_hz: float, damping: float, rng: np.random.Generator
) -> np.ndarray:
    """Return a mode of unit rms in this record; its folds, where it has any, are those of frames."""
    if damping == 0.0:
        phase = 2 * np.pi * (frequency_hz * np.arange(n) / rate_hz + rng.uniform())
        return np.sqrt(2.0) * np.sin(phase)
    omega = 2 * np.pi * frequency_hz / rate_hz
    radius, turn = np.exp(-damping * omega), omega * np.sqrt(1.0 - damping**2)
    warm = int(min(10.0 / (damping * omega), 4 * n))
    drive = rng.normal(size=n + warm)
    out = lfilter([1.0], [1.0, -2 * radius * np.cos(turn), radius**2], drive)[warm:]
    return out / out.std()
