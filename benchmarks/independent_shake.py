"""Damped modes stepped by their own recursion, for the independent sequences."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Oscillator:
    """A damped mode driven by white force along one axis."""

    frequency_hz: float
    damping_ratio: float
    rms_arcsec: float
    angle_deg: float = 0.0


def oscillate(mode: Oscillator, rate_hz: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return the motion of a driven damped oscillator by stepping its equation, shape (n, 2).

    The recursion is the exact solution between impulses of force (pole matching); it runs in
    for twelve decay times and is scaled to the nominal rms by its exact stationary variance.
    """
    from scipy.signal import lfilter

    omega = 2 * np.pi * mode.frequency_hz / rate_hz
    decay = np.exp(-mode.damping_ratio * omega)
    damped = omega * np.sqrt(1 - mode.damping_ratio**2)
    a1, a2 = -2 * decay * np.cos(damped), decay**2
    run_in = int(12 / (mode.damping_ratio * omega))
    force = rng.standard_normal(run_in + n)
    motion = lfilter([0.0, 1.0], [1.0, a1, a2], force)[run_in:]
    # variance of a second-order autoregression, Box & Jenkins
    variance = (1 + a2) / ((1 - a2) * ((1 + a2) ** 2 - a1**2))
    angle = np.deg2rad(mode.angle_deg)
    scaled = mode.rms_arcsec * motion / np.sqrt(variance)
    return scaled[:, None] * np.array([np.cos(angle), np.sin(angle)])
