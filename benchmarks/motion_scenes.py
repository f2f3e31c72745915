"""Time series of shared motion with known truth: frozen-flow air, slow currents, modes."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

WINDS_M_S = (3.0, 6.0, 12.0, 25.0)
OUTER_SCALES_M = (10.0, 25.0, 60.0)
APERTURES_M = (0.1, 0.25)


def tilt_density(
    frequency_hz: FloatArray,
    wind_m_s: float,
    outer_scale_m: float,
    aperture_m: float,
    *,
    along: bool,
    gradient: bool,
) -> FloatArray:
    """Return the shape of the tilt spectrum of one frozen layer, arbitrary scale.

    Integral over f_y of tilt filter x (f^2 + L0^-2)^(-11/6), Conan, Rousset & Madec 1995 (from
    memory); gradient (2 J1(z)/z)^2 or Zernike (8 J2(z)/z^2)^2 filter, z = pi D f.
    """
    from scipy.special import j1, jv

    across = np.concatenate([[0.0], np.geomspace(1e-3, 60.0, 400)])
    density = np.zeros(frequency_hz.size)
    for index, frequency in enumerate(frequency_hz):
        downstream = frequency / wind_m_s
        total = np.hypot(downstream, across)
        z = np.maximum(np.pi * aperture_m * total, 1e-6)
        pupil = (2.0 * j1(z) / z) ** 2 if gradient else (8.0 * jv(2, z) / z**2) ** 2
        component = downstream**2 if along else across**2
        phase = (total**2 + outer_scale_m**-2) ** (-11.0 / 6.0)
        density[index] = np.trapezoid(component * pupil * phase, across)
    return density


@lru_cache(maxsize=256)
def _amplitude_spectrum(
    n: int,
    rate_hz: float,
    wind_m_s: float,
    outer_scale_m: float,
    aperture_m: float,
    along: bool,
    gradient: bool,
) -> FloatArray:
    frequency = np.fft.rfftfreq(n, 1.0 / rate_hz)
    grid = np.geomspace(frequency[1], frequency[-1], 160)
    shape = tilt_density(grid, wind_m_s, outer_scale_m, aperture_m, along=along, gradient=gradient)
    logs = np.interp(np.log(np.maximum(frequency, grid[0])), np.log(grid), np.log(shape))
    density = np.exp(logs) * np.sinc(0.9 * frequency / rate_hz) ** 2
    density[0] = 0.0
    return np.sqrt(density / (density.sum() * frequency[1]))


def air_density(n: int, rate_hz: float, **kind: float) -> FloatArray:
    """Return the one-sided density of `air` of unit variance on one axis, at every 1/T, zero on.

    `kind` as for `tilt_density`.
    """
    return _amplitude_spectrum(n, rate_hz, **kind) ** 2


def air(
    n: int,
    rate_hz: float,
    rng: np.random.Generator,
    *,
    wind_m_s: float,
    outer_scale_m: float,
    aperture_m: float,
    gradient: bool,
    rms: float,
    angle_rad: float | None = None,
) -> FloatArray:
    """Return frozen-flow motion, shape (n, 2), of about this rms an axis.

    The wind blows along `angle_rad` from +x toward +y, or anywhere.
    """
    long = 8 * n
    columns = []
    for along in (True, False):
        spectrum = _amplitude_spectrum(
            long, rate_hz, wind_m_s, outer_scale_m, aperture_m, along, gradient
        )
        noise = rng.normal(size=spectrum.size) + 1j * rng.normal(size=spectrum.size)
        start = int(rng.integers(0, long - n))
        series = np.fft.irfft(noise * spectrum * np.sqrt(rate_hz * long) / 2.0, long)
        columns.append(rms * series[start : start + n])
    angle = rng.uniform(0.0, np.pi) if angle_rad is None else angle_rad
    return np.stack(columns, axis=1) @ rotation(angle).T


def rotation(angle_rad: float) -> FloatArray:
    """Return the matrix that turns +x toward +y."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, -sin], [sin, cos]])


def slow_current(
    n: int, rate_hz: float, time_scale_s: float, rng: np.random.Generator
) -> FloatArray:
    """Return an Ornstein-Uhlenbeck process of unit variance, shape (n,)."""
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (rate_hz * time_scale_s))
    drive = rng.normal(size=n) * np.sqrt(1.0 - keep**2)
    drive[0] = rng.normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], drive))


def without_lines(n: int, rate_hz: float, index: int, rng: np.random.Generator) -> FloatArray:
    """Return air of many kinds with slow currents, drift and noise in turn; arcsec, (n, 2)."""
    motion = air(
        n,
        rate_hz,
        rng,
        wind_m_s=WINDS_M_S[index % 4],
        outer_scale_m=OUTER_SCALES_M[(index // 4) % 3],
        aperture_m=APERTURES_M[(index // 24) % 2],
        gradient=bool((index // 12) % 2 == 0),
        rms=rng.uniform(0.25, 0.6),
    )
    kind = (index // 48) % 3
    if kind >= 1:
        size, scale = rng.uniform(0.1, 0.5), rng.uniform(0.5, 5.0)
        motion += size * np.stack([slow_current(n, rate_hz, scale, rng) for _ in "xy"], axis=1)
    if kind == 2:
        motion += np.outer(np.arange(n) / rate_hz, 0.05 * rng.normal(size=2))
    return motion + rng.choice([0.003, 0.02, 0.06]) * rng.normal(size=(n, 2))


def damped_mode(
    n: int,
    rate_hz: float,
    frequency_hz: float,
    damping_ratio: float,
    rng: np.random.Generator,
    *,
    oversampling: int = 8,
) -> FloatArray:
    """Return a mode driven by white force, unit variance of the process, shape (n x oversampling,).

    Recursion of the exactly sampled free oscillation; white drive between samples is taken as
    constant, which at eight samples a frame changes nothing that is measured here.
    """
    from scipy.signal import lfilter

    step = 1.0 / (rate_hz * oversampling)
    omega = 2.0 * np.pi * frequency_hz
    radius = np.exp(-damping_ratio * omega * step)
    turn = omega * np.sqrt(1.0 - damping_ratio**2) * step
    warm_up = int(10.0 / (damping_ratio * omega * step))
    a1, a2 = 2.0 * radius * np.cos(turn), -(radius**2)
    variance = (1.0 - a2) / ((1.0 + a2) * ((1.0 - a2) ** 2 - a1**2))
    drive = rng.normal(size=warm_up + n * oversampling)
    return np.asarray(lfilter([1.0], [1.0, -a1, -a2], drive))[warm_up:] / np.sqrt(variance)
