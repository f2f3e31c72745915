"""Tracks drawn at the waist have the variances and covariances of the published kernels."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.simulate import Scene, Simulation
from blursplit.turbulence.tilt import exposure_factor, pair_kernels, tilt_coefficient
from waist import draw_tracks

WAVELENGTH_M, APERTURE_M = 500e-9, 0.25


def scene_of(frames=1500, exposure_s=5e-4, **tables):
    """Return a scene of one layer, one aperture and two stars along the wind."""
    return Scene.model_validate(
        {
            "sequence": {"frames": frames},
            "camera": {"exposure_s": exposure_s, "frame_interval_s": 0.04},
            "telescope": {"aperture_m": APERTURE_M},
            "stars": {
                "star": [
                    {"x_px": 80.0 + 160.0 * k, "y_px": 120.0, "flux_e_per_s": 4e6} for k in (0, 1)
                ]
            },
            "air": {
                "r0_500nm_zenith_m": 0.1,
                "wavelength_nm": WAVELENGTH_M * 1e9,
                "outer_scale_m": 10.0,
                "layers": [{"height_m": 1000, "weight": 1, "wind_m_s": 10}],
            },
            **tables,
        }
    )


def one_axis(coefficient, r0_m):
    """Return the variance [arcsec^2] of a coefficient in lambda^2 r0^(-5/3) D^(-1/3)."""
    unit = WAVELENGTH_M**2 * r0_m ** (-5 / 3) * APERTURE_M ** (-1 / 3)
    return coefficient * unit * ARCSEC_PER_RADIAN**2


def pooled(series):
    """Return the mean variance over records and its error from their scatter."""
    values = np.array([part.var(axis=0).mean() for part in series])
    return values.mean(), values.std(ddof=1) / np.sqrt(values.size)


def test_tilts_have_the_variance_of_each_outer_scale():
    """Air outside (10 m) and near air (0.57 m), each by the closed coefficient of its own L0."""
    drawn = [draw_tracks(scene_of(near_air={"r0_m": 0.05}), seed)[0] for seed in range(6)]
    for name, r0_m, outer_m in (("air_arcsec", 0.1, 10.0), ("near_arcsec", 0.05, 0.57)):
        value, error = pooled([getattr(w, name) for w in drawn])
        expected = one_axis(tilt_coefficient("Z", 0.0, APERTURE_M / outer_m), r0_m)
        assert error < 0.05 * expected  # otherwise the test could not fail
        assert_allclose(value, expected, rtol=0, atol=4 * error)


def test_pair_differences_follow_the_kernels_along_and_across():
    """Two stars, separation over aperture 2.0: K along 0.2083 x vK, across 0.1345 (tables)."""
    drawn = [draw_tracks(scene_of(), seed)[0] for seed in range(6)]
    separation = 160 * 0.65 / ARCSEC_PER_RADIAN * 1000
    kernels = pair_kernels(separation / APERTURE_M, APERTURE_M / 10.0, 0.0, "Z")
    for axis, kernel in enumerate(kernels):
        value, error = pooled([np.diff(w.air_arcsec, axis=1)[..., axis] for w in drawn])
        assert error < 0.08 * one_axis(float(kernel), 0.1)
        assert_allclose(value, one_axis(float(kernel), 0.1), rtol=0, atol=4 * error)


def test_exposure_takes_off_what_martin_says():
    """V tau/D = 1 along the wind leaves less than across it; both by the closed factor."""
    drawn = [draw_tracks(scene_of(exposure_s=0.025), seed)[0] for seed in range(6)]
    one = one_axis(tilt_coefficient("Z", 0.0, APERTURE_M / 10.0), 0.1)
    factors = exposure_factor(1.0, APERTURE_M / 10.0, 0.0, "Z")
    for axis, factor in enumerate(factors):
        value, error = pooled([w.air_arcsec[..., axis] for w in drawn])
        assert_allclose(value, one * float(factor), rtol=0, atol=4 * error)


def test_air_reaches_the_star_downwind_later():
    """The wind blows toward +x: what the left star shows, the right one shows 50 ms later."""
    (waist,) = draw_tracks(scene_of(frames=1000, camera={"frame_interval_s": 0.01}), 3)
    left, right = waist.air_arcsec[:, 0, 0], waist.air_arcsec[:, 1, 0]
    lags = np.arange(-12, 13)
    misfit = [np.mean((left[20:-20] - np.roll(right, -lag)[20:-20]) ** 2) for lag in lags]
    assert lags[int(np.argmin(misfit))] == 5


def test_tracks_are_motion_air_and_noise():
    """Without noise the tracks are the sum of their parts; with it they scatter by sigma."""
    scene = scene_of(
        frames=400,
        drift=[{"arcsec_per_min": 30.0}],
        mode=[{"frequency_hz": 3.0, "rms_arcsec": 0.3}],
    )
    quiet, noisy = (draw_tracks(scene, 5, noise=flag)[0] for flag in (False, True))
    middle = quiet.times.start_s + scene.camera.exposure_s / 2
    parts = quiet.air_arcsec[:, 0] + quiet.shared.at(middle, quiet.shared.total())
    assert_allclose(quiet.tracks.x_px[:, 0] * 0.65, parts[:, 0] + 80 * 0.65, atol=2e-3)
    scatter = (noisy.tracks.x_px - quiet.tracks.x_px).std()
    # 800 values: 2.5 percent; four of them
    assert_allclose(scatter, noisy.tracks.sigma_px.mean(), rtol=0.1)


@pytest.mark.slow
def test_spectra_and_screens_draw_the_same_air():
    """Variances of the two engines agree; they share no random number and no method."""
    scene = scene_of(frames=900, near_air={"strength": 1.0})
    spectra = [draw_tracks(scene, seed)[0] for seed in range(8)]
    screens = [Simulation(scene, seed, widths=False) for seed in range(3)]
    for run in screens:
        assert sum(len(frames) for _, frames in run.blocks()) == run.n_frames
    for drawn, seen in (("air_arcsec", "air_tilt_arcsec"), ("near_arcsec", "near_tilt_arcsec")):
        a, error_a = pooled([getattr(waist, drawn) for waist in spectra])
        b, error_b = pooled([getattr(run, seen) for run in screens])
        # three records give a poor error of their own: 5 percent is what 108 s of such air have
        assert_allclose(a, b, rtol=0, atol=4 * np.hypot(error_a, max(error_b, 0.05 * b)))
