"""Shared motion: spectra, scatter of realised strength, taps, directions."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.simulate.motion import (
    Shared,
    _current_density,
    _mode_density,
    _noise_series,
    _shake_density,
)
from blursplit.simulate.scene import Scene
from blursplit.simulate.sequence import _axes_of


def scene_of(frames=1500, **tables):
    """Return a small scene with these tables."""
    return Scene.model_validate({"sequence": {"frames": frames}, **tables})


@pytest.mark.parametrize(
    "density",
    [
        lambda f: _mode_density(f, 6.0, 0.03),
        lambda f: _current_density(f, 2.0),
        lambda f: _shake_density(f, 1.5),
    ],
)
def test_densities_have_unit_variance(density):
    """Densities have unit variance."""
    f = np.r_[0.0, np.geomspace(1e-5, 3e4, 600_000)]
    # what lies above 30 kHz is below 1e-4 for the flattest of the three
    assert_allclose(np.trapezoid(density(f), f), 1.0, rtol=1e-3)


def test_realised_rms_of_a_mode_scatters_as_theory_says():
    """Relative scatter of the variance over T is 1/sqrt(zeta omega T), from its correlation."""
    zeta, natural, rate, duration = 0.02, 6.0, 100.0, 30.0
    rng = np.random.default_rng(2)
    n = int(duration * rate)
    draws = np.array(
        [
            np.mean(_noise_series(n, rate, lambda f: _mode_density(f, natural, zeta), rng) ** 2)
            for _ in range(300)
        ]
    )
    scatter = 1 / np.sqrt(zeta * 2 * np.pi * natural * duration)
    # 300 draws: mean to scatter/17, scatter to 4 percent (4.5 for its skewed distribution)
    assert_allclose(draws.mean(), 1.0, atol=4 * scatter / np.sqrt(300))
    assert_allclose(draws.std(ddof=1), scatter, rtol=0.2)


def test_mode_moves_along_its_axis_at_its_frequency():
    """Mode moves along its axis at its frequency."""
    scene = scene_of(
        mode=[{"frequency_hz": 8.0, "damping_ratio": 0.01, "rms_arcsec": 0.5, "angle_deg": 30}]
    )
    shared = Shared.draw(scene, np.random.default_rng(4))
    motion = shared.terms["mode 1"]
    axes = _axes_of(np.cov(motion.T))
    assert_allclose(axes["angle_deg"], 30, atol=1e-3)
    assert_allclose(axes["rms_minor_arcsec"], 0, atol=1e-6)
    power = np.abs(np.fft.rfft(motion[:, 0])) ** 2
    frequency = np.fft.rfftfreq(len(motion), 1 / shared.rate_hz)
    # half-power width 2 zeta f0 = 0.16 Hz
    assert_allclose(frequency[np.argmax(power)], 8.0, atol=0.16)


def test_tap_rings_down_with_the_decrement_of_its_damping():
    """Tap rings down with the decrement of its damping."""
    zeta = 0.015
    scene = scene_of(
        mode=[{"frequency_hz": 5.0, "damping_ratio": zeta, "rms_arcsec": 0.0}],
        tap=[{"time_s": 3.0, "amplitude_arcsec": 4.0}],
    )
    shared = Shared.draw(scene, np.random.default_rng(1))
    series, time = shared.terms["tap"][:, 0], shared.time_s
    assert not np.any(series[time < 3.0])
    cycle = 1 / (5.0 * np.sqrt(1 - zeta**2))
    peaks = shared.at(3.0 + cycle * (0.25 + np.arange(6)), shared.terms["tap"])[:, 0]
    # zeta = 0.015: log decrement 0.094258, ratio 0.91005 a cycle; splines err below 1e-3
    assert_allclose(peaks[1:] / peaks[:-1], 0.91005, rtol=2e-3)
    assert_allclose(peaks[0], 4.0 * np.exp(-0.094258 / 4), rtol=2e-3)


def test_drift_and_periodic_error_add_up():
    """Drift and periodic error add up."""
    scene = scene_of(
        drift=[{"arcsec_per_min": 60.0, "angle_deg": 90}],
        periodic=[{"period_s": 10.0, "amplitude_arcsec": 2.0, "phase_deg": 90}],
    )
    shared = Shared.draw(scene, np.random.default_rng(1))
    time = np.array([0.0, 2.5, 5.0])
    assert_allclose(shared.at(time, shared.total()), [[2, 0], [0, 2.5], [-2, 5]], atol=2e-3)


def test_motion_between_grid_points_is_smooth():
    """Motion between grid points is smooth."""
    scene = scene_of(periodic=[{"period_s": 0.2, "amplitude_arcsec": 1.0}])
    shared = Shared.draw(scene, np.random.default_rng(1))
    time = np.random.default_rng(2).uniform(0, 20, 400)
    read = shared.at(time, shared.terms["periodic"])[:, 0]
    assert_allclose(read, np.sin(2 * np.pi * time / 0.2), atol=1.5e-3)


def test_tube_currents_are_slow():
    """Tube currents are slow."""
    scene = scene_of(tube={"rms_arcsec": 0.4, "timescale_s": 1.0}, frames=9000)
    shared = Shared.draw(scene, np.random.default_rng(8))
    series = shared.terms["tube"]
    # 180 s of 1 s scale: some 60 independent pieces, two axes: 7 percent of rms
    assert_allclose(np.sqrt(np.mean(series**2)), 0.4, rtol=0.28)
    spectrum = np.abs(np.fft.rfft(series, axis=0)) ** 2
    frequency = np.fft.rfftfreq(len(series), 1 / shared.rate_hz)
    assert spectrum[frequency > 2].sum() < 0.02 * spectrum[1:].sum()
