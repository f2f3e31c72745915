"""The stated detection limits against the measurement's own line search on made-up runs."""

from __future__ import annotations

import numpy as np
import pytest

from blursplit.campaign.estimates import Background
from blursplit.spectra.lines import LineSearch
from blursplit.turbulence.conversions import seeing_arcsec

RUNS = 24


def air_and_noise(background, rng: np.random.Generator) -> np.ndarray:
    """Return a two-axis series with the background's density, by random Fourier coefficients."""
    n = round(background.duration_s / background.cadence_s)
    f = np.fft.rfftfreq(n, background.cadence_s)
    size = np.sqrt(background.at(np.maximum(f, f[1])) * n / background.cadence_s / 4.0)
    series = [
        np.fft.irfft(size * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size)), n)
        for _ in range(2)
    ]
    return np.stack(series, axis=1)


def oscillation(f: float, zeta: float, n: int, dt: float, rng: np.random.Generator) -> np.ndarray:
    """Return a sinusoid (zeta 0) or a damped mode driven by white noise, of unit rms."""
    t = np.arange(n) * dt
    if zeta == 0:
        return np.sqrt(2) * np.sin(2 * np.pi * f * t + rng.uniform(0, 2 * np.pi))
    from scipy.signal import lfilter

    w0 = 2 * np.pi * f
    radius, turn = np.exp(-zeta * w0 * dt), w0 * np.sqrt(1 - zeta**2) * dt
    a1, a2 = 2 * radius * np.cos(turn), -(radius**2)
    sd = np.sqrt((1 - a2) / ((1 + a2) * ((1 - a2) ** 2 - a1**2)))  # of an AR(2) process
    return lfilter([1.0], [1.0, -a1, -a2], rng.normal(size=n + 4000))[4000:] / sd


@pytest.mark.slow
@pytest.mark.parametrize("zeta", [0.0, 0.015, 0.05])
def test_smallest_motion_stated_is_found_about_as_often_as_stated(zeta: float) -> None:
    background = Background.modelled(
        {"aperture_m": 0.2, "outer_scale_m": (22.0, 22.0), "wind_m_s": (8.0, 8.0)}.get,
        seeing_arcsec=float(seeing_arcsec(0.07, 550e-9)) * 1.1**0.2,
        wavelength_m=550e-9,
        airmass=1.0,
        noise_arcsec=0.1,
        duration_s=30.0,
        cadence_s=0.02,
        exposure_s=1e-4,
    )
    f = 9.0
    rms = float(background.smallest_arcsec(f, zeta))
    rng = np.random.default_rng(4)
    found = 0
    for _ in range(RUNS):
        motion = air_and_noise(background, rng)
        motion += rms * np.outer(oscillation(f, zeta, len(motion), 0.02, rng), [0.8, 0.6])
        search = LineSearch.of(np.arange(len(motion)) * 0.02, motion, cadence_s=0.02)
        # Half the width at half maximum is zeta f; a third of a hertz is ten bins.
        near = max(0.33, 2 * zeta * f)
        found += any(abs(line.frequency_hz - f) < near for line in search.lines)
    # Stated 0.9; 24 runs scatter by 0.06, and the calculation is good to about 0.1.
    assert found / RUNS >= 0.66
