"""Motion that all stars share: drift, drive errors, damped modes, taps, wind shake, tube currents.

Every term is drawn on one fine time grid that covers the whole sequence, and read from it by
cubic splines at the moments the camera needs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from blursplit import constants as const
from blursplit.definitions import turn
from blursplit.simulate.scene import Scene
from blursplit.types import FloatArray


def _noise_series(
    n: int, rate_hz: float, density: Callable[[FloatArray], FloatArray], rng: np.random.Generator
) -> FloatArray:
    """Draw `n` samples of stationary Gaussian noise of a one-sided density of the frequency [Hz].

    They are cut from a draw twice as long, so that its ends do not meet.
    """
    from scipy.fft import irfft, next_fast_len

    total = next_fast_len(2 * n)
    total += total % 2
    frequency = np.fft.rfftfreq(total, 1 / rate_hz).astype(float)
    step = frequency[1]
    power = density(frequency) * step
    power[0] = density(np.array([step / 4]))[0] * step / 2
    draw = rng.standard_normal((2, frequency.size))
    spectrum = np.sqrt(power / 2) * (draw[0] + 1j * draw[1])
    spectrum[0] = np.sqrt(power[0]) * draw[0, 0] * np.sqrt(2.0)
    return np.asarray(irfft(spectrum, n=total)[:n] * total / np.sqrt(2.0))


def _mode_density(frequency_hz: FloatArray, natural_hz: float, damping_ratio: float) -> FloatArray:
    """Return the one-sided density of a damped mode under white force, unit variance [1/Hz].

    S(f) = (4 zeta f0^3 / pi) / [(f0^2 - f^2)^2 + (2 zeta f0 f)^2]; its integral over all
    frequencies is one (the standard result for a linear oscillator under white noise).
    """
    gap = natural_hz**2 - frequency_hz**2
    width = 2 * damping_ratio * natural_hz * frequency_hz
    return np.asarray(4 * damping_ratio * natural_hz**3 / np.pi / (gap**2 + width**2))


def _current_density(frequency_hz: FloatArray, timescale_s: float) -> FloatArray:
    """Return the one-sided density of slow tube currents, unit variance [1/Hz].

    S ~ [1 + (2 pi f T)^2]^(-4/3): flat when slow, f^(-8/3) above. A made-up form that is as
    steep as air, without source; the constant makes the integral one.
    """
    from scipy.special import gamma

    constant = 4 * timescale_s * np.sqrt(np.pi) * gamma(4 / 3) / gamma(5 / 6)
    scaled = 2 * np.pi * frequency_hz * timescale_s
    return np.asarray(constant * (1 + scaled**2) ** (-4 / 3))


def _shake_density(frequency_hz: FloatArray, corner_hz: float) -> FloatArray:
    """Return the one-sided density of wind shake, unit variance [1/Hz]: flat, then f^-2."""
    return np.asarray(2 / np.pi / corner_hz / (1 + (frequency_hz / corner_hz) ** 2))


@dataclass(frozen=True)
class Shared:
    """Shared motion on the fine time grid."""

    # `start_s`, `rate_hz`: first grid time and sampling rate.
    start_s: float
    rate_hz: float
    # (n, 2) each: motion (x, y) [arcsec]; names "drift", "periodic", "mode
    # 1", ..., "tap", "wind shake", "tube".
    terms: dict[str, FloatArray]
    rough_nm: FloatArray | None = None  # (n, 5): amplitudes of the tube's higher orders [nm]
    # Names of the terms of each owner: "tracking", "structure", "near_air".
    owners: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def time_s(self) -> FloatArray:
        """Grid times."""
        n = next(iter(self.terms.values())).shape[0]
        return self.start_s + np.arange(n) / self.rate_hz

    def total(self, names: tuple[str, ...] | None = None) -> FloatArray:
        """Return the sum of the named terms (of all)."""
        chosen = tuple(self.terms) if names is None else names
        zero = np.zeros_like(next(iter(self.terms.values())))
        return np.asarray(sum((self.terms[name] for name in chosen), start=zero))

    def of(self, owner: str) -> FloatArray:
        """Return the motion of one owner, zero where it has none."""
        return self.total(self.owners.get(owner, ()))

    def at(self, time_s: FloatArray, series: FloatArray) -> FloatArray:
        """Read a series (n, k) of the grid at other times by a local cubic (Catmull-Rom) spline."""
        place = (time_s - self.start_s) * self.rate_hz
        base = np.clip(np.floor(place).astype(np.int64), 1, series.shape[0] - 3)
        t = (place - base)[..., None]
        before, here = series[base - 1], series[base]
        there, after = series[base + 1], series[base + 2]
        slope, bend = there - before, 2 * before - 5 * here + 4 * there - after
        twist = 3 * (here - there) + after - before
        return np.asarray(here + 0.5 * t * (slope + t * (bend + t * twist)))

    @classmethod
    def draw(cls, scene: Scene, rng: np.random.Generator) -> Shared:
        """Draw every shared term of a scene."""
        start, rate, n = _grid(scene)
        time = start + np.arange(n) / rate
        terms: dict[str, FloatArray] = {"drift": np.zeros((n, 2)), "periodic": np.zeros((n, 2))}
        for drift in scene.drift:
            terms["drift"] += drift.arcsec_per_min / 60 * time[:, None] * _axis(drift.angle_deg)
        for error in scene.periodic:
            wave = np.sin(2 * np.pi * time / error.period_s + np.deg2rad(error.phase_deg))
            terms["periodic"] += error.amplitude_arcsec * wave[:, None] * _axis(error.angle_deg)
        for number in range(len(scene.mode)):
            terms[f"mode {number + 1}"] = _mode_motion(scene, number, n, rate, rng)
        if scene.tap:
            terms["tap"] = _tap_motion(scene, time)
        wind = scene.wind_shake
        if wind.rms_arcsec or wind.second_rms_arcsec:
            sizes = wind.rms_arcsec, wind.second_rms_arcsec
            density = partial(_shake_density, corner_hz=wind.corner_hz)
            terms["wind shake"] = _on_two_axes(sizes, wind.angle_deg, n, rate, density, rng)
        owners = {"tracking": ("drift", "periodic"), "structure": tuple(terms)[2:]}
        rough = None
        if scene.tube.rms_arcsec:
            terms["tube"] = scene.tube.rms_arcsec * _tube_series(scene, 2, n, rate, rng)
            owners["near_air"] = ("tube",)
        if scene.tube.rough_rms_nm:
            # five orders share the given rms
            rough = scene.tube.rough_rms_nm / np.sqrt(5) * _tube_series(scene, 5, n, rate, rng)
        return cls(start, rate, terms, rough, owners)


def _grid(scene: Scene) -> tuple[float, float, int]:
    camera = scene.camera
    margin = 0.5 + 8 * (camera.time_jitter_s + camera.row_time_us * 1e-6 * camera.height_px / 8)
    duration = scene.duration_s + 2 * margin
    fastest = [m.frequency_hz for m in scene.mode] + [1 / p.period_s for p in scene.periodic]
    if scene.wind_shake.rms_arcsec:
        fastest.append(8 * scene.wind_shake.corner_hz)
    fastest.append(4.0 / scene.tube.timescale_s)
    rate = max(const.SAMPLES_PER_CYCLE * max(fastest), 50.0)
    n = int(np.ceil(duration * rate)) + 4
    if n > const.MOTION_GRID:
        rate *= const.MOTION_GRID / n
        n = const.MOTION_GRID
    return -margin, rate, n


def _axis(angle_deg: float) -> FloatArray:
    return np.asarray(turn(angle_deg)[0])


def _on_two_axes(
    sizes_arcsec: tuple[float, float],
    angle_deg: float,
    n: int,
    rate_hz: float,
    density: Callable[[FloatArray], FloatArray],
    rng: np.random.Generator,
) -> FloatArray:
    both = np.stack([_noise_series(n, rate_hz, density, rng) for _ in range(2)], axis=1)
    return np.asarray(both * np.array(sizes_arcsec) @ turn(angle_deg))


def _mode_motion(
    scene: Scene, number: int, n: int, rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    mode = scene.mode[number]
    density = partial(_mode_density, natural_hz=mode.frequency_hz, damping_ratio=mode.damping_ratio)
    ring = const.RING_TIMES / (2 * np.pi * mode.damping_ratio * mode.frequency_hz)
    sizes = mode.rms_arcsec, mode.second_rms_arcsec
    long = max(n, int(ring * rate_hz))
    return _on_two_axes(sizes, mode.angle_deg, long, rate_hz, density, rng)[:n]


def _tap_motion(scene: Scene, time_s: FloatArray) -> FloatArray:
    motion = np.zeros((time_s.size, 2))
    for tap in scene.tap:
        after = np.clip(time_s - tap.time_s, 0, None)
        for mode in scene.mode:
            omega = 2 * np.pi * mode.frequency_hz
            damped = omega * np.sqrt(1 - mode.damping_ratio**2)
            ring = np.exp(-mode.damping_ratio * omega * after) * np.sin(damped * after)
            motion += tap.amplitude_arcsec * ring[:, None] * _axis(mode.angle_deg)
    return motion


def _tube_series(
    scene: Scene, columns: int, n: int, rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    density = partial(_current_density, timescale_s=scene.tube.timescale_s)
    return np.stack([_noise_series(n, rate_hz, density, rng) for _ in range(columns)], axis=1)
