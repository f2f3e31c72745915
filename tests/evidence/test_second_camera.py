"""Two cameras on one mount: kernels, alignment, likelihood, seeing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lfilter

from blursplit.budget.witnesses import _seeing_of_two_cameras
from blursplit.constants import ARCSEC_PER_RADIAN, PAIR_TURN_LEAD
from blursplit.evidence.second_camera import (
    CameraMotion,
    PairSpectra,
    _align_cameras,
    _Alignment,
    _pair_spectra,
)
from blursplit.evidence.second_camera_air import Layer, PairEvidence, _air_matrices
from blursplit.simulate import Scene
from blursplit.turbulence.conversions import structure_function
from waist import draw_tracks

WAVELENGTH_M = 550e-9


def night(seed, *, frames=900, shake=0.3, near=0.0, air=True, **second):
    """Return the scene and both cameras' motions."""
    given = {
        "baseline_m": [0.3, 0.0],
        "telescope": {"aperture_m": 0.06},
        "camera": {
            "pixel_scale_arcsec": 2.0,
            "exposure_s": 0.02,
            "frame_interval_s": 0.05,
            "width_px": 160,
            "height_px": 120,
        },
        "stars": {"star": [{"x_px": 79.5, "y_px": 59.5, "flux_e_per_s": 4e6}]},
        **second,
    }
    layers = [
        {"height_m": 20, "weight": 0.6, "wind_m_s": 5, "direction_deg": 40},
        {"height_m": 8000, "weight": 0.4, "wind_m_s": 18, "direction_deg": 110},
    ]
    scene = Scene.model_validate(
        {
            "sequence": {"frames": frames, "seed": seed},
            "camera": {"exposure_s": 0.01, "frame_interval_s": 0.04},
            "telescope": {"aperture_m": 0.2},
            "stars": {"star": [{"x_px": 159.5, "y_px": 119.5, "flux_e_per_s": 4e6}]},
            "air": {"r0_500nm_zenith_m": 0.09, "layers": layers if air else []},
            "near_air": {"strength": near},
            "mode": [{"frequency_hz": 6.0, "rms_arcsec": shake, "second_rms_arcsec": shake / 2}]
            if shake
            else [],
            "second_camera": given,
        }
    )
    motions = []
    for waist, seen in zip(draw_tracks(scene), (scene, scene.of_second_camera()), strict=True):
        scale = seen.camera.pixel_scale_arcsec
        tracks = waist.tracks
        motions.append(
            CameraMotion(
                tracks.time_s,
                np.stack([tracks.x_px[:, 0], tracks.y_px[:, 0]], axis=1) * scale,
                float(tracks.sigma_px.mean()) * scale,
                seen.camera.exposure_s,
                seen.telescope.aperture_m,
                seen.telescope.obstruction,
            )
        )
    return scene, motions


def spectra_of(scene, motions, offset_s=(-1.0, 1.0)):
    """Return the pair's spectra."""
    alignment = _align_cameras(*motions, offset_s)
    return _pair_spectra(*motions, scene.second_camera.baseline_m, alignment)


@pytest.fixture(scope="module")
def quiet():
    """Return bins of two cameras that saw nothing, for the model alone."""
    one = CameraMotion(np.arange(0, 60, 0.002), np.zeros((30000, 2)), 0.0, 1e-4, 0.2, 0.35)
    two = replace(one, aperture_m=0.05, obstruction=0.0)
    f = np.geomspace(0.01, 200.0, 90)
    return PairSpectra(
        frequency_hz=f,
        count=np.full(f.size, 10.0),
        matrix=np.zeros((f.size, 2, 2, 2), dtype=complex),
        used=np.ones((f.size, 2), dtype=bool),
        cameras=(one, two),
        baseline_m=0.3,
        alignment=_Alignment(0.0, 0.0, mirrored=False, agreement=1.0),
    )


def test_integral_of_the_model_is_the_covariance_of_two_apertures(quiet):
    """0.2 m (0.35) and 0.05 m, 0.3 m apart, L0 20 m: c 0.0519 along, 0.1209 across the line.

    In lambda^2 r0^(-5/3); of the single apertures 0.2150 and 0.3984 (separate quadrature).
    """
    n = 12
    wind = np.full(n, 5.0)
    direction = np.arange(n) * np.pi / n
    air = _air_matrices(quiet, wind, direction, np.full(n, 20.0), WAVELENGTH_M)
    unit = (WAVELENGTH_M * ARCSEC_PER_RADIAN) ** 2
    step = np.gradient(np.log(quiet.frequency_hz)) * quiet.frequency_hz
    total = np.real(air * step[:, None, None, None]).sum(axis=1) / unit
    # trapezoids over 90 bins, waves on a grid of 30: 5 percent
    difference = total[..., 0, 0] + total[..., 1, 1] - 2 * total[..., 0, 1]
    assert_allclose(difference.mean(axis=0), [0.5096, 0.3717], rtol=0.06)
    assert_allclose(total[..., 0, 1].mean(axis=0), [0.0519, 0.1209], rtol=0.12)


def test_air_that_blows_along_the_baseline_is_coherent_with_a_delay(quiet):
    """b/V = 60 ms: 21.6 degrees at 1 Hz, coherence nearly one (physics of frozen flow)."""
    air = _air_matrices(quiet, np.array([5.0]), np.zeros(1), np.array([20.0]), WAVELENGTH_M)[
        0, :, 0
    ]
    at = int(np.argmin(abs(quiet.frequency_hz - 1.0)))
    cross = air[at, 0, 1]
    coherence = abs(cross) ** 2 / np.real(air[at, 0, 0] * air[at, 1, 1])
    turn = abs(np.degrees(np.angle(cross))) / quiet.frequency_hz[at]
    assert_allclose(turn, 21.6, rtol=0.1)
    assert coherence > 0.9


def test_clock_and_turn_of_the_second_camera_are_found():
    """0.4 arcsec of ring fix both: milliseconds and half a degree."""
    scene, motions = night(3, shake=0.4, angle_deg=37.0, offset_s=0.42)
    found = spectra_of(scene, motions).alignment
    assert_allclose(found.offset_s, 0.42, atol=3e-3)
    assert_allclose(found.angle_deg, 37.0, atol=2.0)
    assert not found.mirrored


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_the_turn_is_found_where_nothing_but_air_moves_and_said_to_be_sure(seed):
    """Steps of both motions go together better by axes of the other hand; slow air does not."""
    _, motions = night(seed, frames=1500, shake=0.0, angle_deg=-40.0)
    found = _align_cameras(*motions, (-0.005, 0.005))
    # coherence of 0.3 to 0.5 in some 60 coefficients: (2 x 60 x 0.4/0.6)^(-1/2), two of it
    assert_allclose(found.angle_deg, -40.0, atol=13.0)
    assert not found.mirrored
    assert found.lead > PAIR_TURN_LEAD
    mirror = replace(motions[1], motion_arcsec=motions[1].motion_arcsec * [1.0, -1.0])
    other = _align_cameras(motions[0], mirror, (-0.005, 0.005))
    assert other.mirrored
    assert_allclose(other.angle_deg, found.angle_deg, atol=1e-9)


def test_a_turn_that_nothing_tells_is_not_sure():
    """Two cameras that see different air."""
    motions = [night(seed, frames=900, shake=0.0)[1][k] for k, seed in enumerate((7, 8))]
    assert _align_cameras(*motions, (-0.005, 0.005)).lead < PAIR_TURN_LEAD


def test_likelihoods_of_what_cameras_share_do_not_know_the_unit():
    """In milliarcsec states differ by as much as in arcsec."""
    scene, motions = night(9, frames=900, shake=0.0)
    differences = []
    for unit in (1.0, 1e3):
        seen = [
            replace(m, motion_arcsec=unit * m.motion_arcsec, noise_arcsec=unit * m.noise_arcsec)
            for m in motions
        ]
        spectra = _pair_spectra(*seen, scene.second_camera.baseline_m, STATED)
        pair = PairEvidence.of(spectra, WAVELENGTH_M)
        level = np.abs(pair.cross_density).mean(axis=0)
        rng = np.random.default_rng(1)
        parts = level * rng.uniform(0.3, 3.0, (3, 20, len(pair.cross_density), 1))
        found = pair.log_likelihood(parts[0], parts[1], parts[2], np.ones(20))
        differences.append(found - found[0])
    assert np.ptp(differences[0]) > 1.0
    assert_allclose(differences[1], differences[0], rtol=1e-6, atol=1e-6)


@pytest.mark.slow
def test_shake_drops_out_of_the_difference():
    """With shake and without, the same air: the difference has the same power."""
    power = []
    for shake in (0.0, 0.5):
        scene, motions = night(4, shake=shake)
        stated = _Alignment(0.0, 0.0, mirrored=False, agreement=1.0)
        baseline = scene.second_camera.baseline_m
        spectra = _pair_spectra(*motions, baseline, stated, reach_s=(0.0, 0.0), turn=False)
        inside = spectra.frequency_hz < 5.5
        power.append(PairSpectra.difference_power(spectra.undone())[inside].mean(axis=0))
    assert_allclose(power[1], power[0], rtol=0.05)


STATED = _Alignment(0.0, 0.0, mirrored=False, agreement=1.0)


def test_shake_beyond_half_the_frame_rates_is_in_the_difference():
    """A first-order motion of both, drawn step by step: its tail folds to other places in each."""
    fine_hz, duration_s, corner_hz = 1000.0, 300.0, 1.0
    rng = np.random.default_rng(12)
    steps = rng.standard_normal((int(duration_s * fine_hz) + 100, 2))
    path = lfilter([1.0], [1.0, -np.exp(-2 * np.pi * corner_hz / fine_hz)], 0.01 * steps, axis=0)
    cameras = []
    for exposure_s, interval_s, aperture_m in ((0.01, 0.04, 0.2), (0.02, 0.05, 0.06)):
        first = np.arange(0.0, duration_s - 1.0, interval_s)
        inside = np.arange(round(exposure_s * fine_hz))
        at = np.rint(first * fine_hz).astype(int)[:, None] + inside
        # middles of the samples that are averaged
        time_s = first + 0.5 * (exposure_s - 1 / fine_hz)
        motion = path[at].mean(axis=1)
        cameras.append(CameraMotion(time_s, motion, 1e-6, exposure_s, aperture_m, 0.0))
    spectra = _pair_spectra(*cameras, (0.3, 0.0), STATED, reach_s=(0.0, 0.0), turn=False)
    pair = PairEvidence.of(spectra, WAVELENGTH_M)
    seen = PairSpectra.difference_power(spectra.undone())
    model = pair.folded_shake(np.zeros((1, *seen.shape)), np.log([2.0]))[0]
    # thousands of coefficients know a mean to 2 %, the level in phase to 3; the corner costs 3
    assert_allclose(seen.mean(axis=0), model.mean(axis=0), rtol=0.12)
    fast = spectra.frequency_hz > 4.0
    assert_allclose(seen[fast].mean(axis=0), model[fast].mean(axis=0), rtol=0.12)
    assert seen[fast].mean() > 1e-3 * pair.cross_density[fast].mean()


def evidence_of(scene, motions):
    """Return the evidence of cameras whose clocks and turn are known."""
    baseline = scene.second_camera.baseline_m
    spectra = _pair_spectra(*motions, baseline, STATED, reach_s=(0.0, 0.0), turn=False)
    return PairEvidence.of(spectra, WAVELENGTH_M)


def test_tables_give_the_spectra_of_a_layer():
    """Any wind, direction and outer scale, against the layer's own spectra."""
    scene, motions = night(5)
    pair = evidence_of(scene, motions)
    wind, turn, outer = np.array([4.4]), np.deg2rad([33.0]), np.array([24.0])
    air = _air_matrices(pair.spectra, wind, turn, outer, WAVELENGTH_M)
    gain = pair.spectra.exposure_gains()
    cross = np.real(air[..., 0, 1]) / (gain[:, 0] * gain[:, 1])[:, None]
    own = [np.real(air[..., k, k]) / gain[:, k, None] ** 2 for k in (0, 1)]
    axis = np.stack([np.cos(2 * turn), np.sin(2 * turn)], axis=1)
    apart, shared = pair.outside.at(np.log(wind), np.log(outer), axis)
    expected = own[0] + own[1] - 2 * cross
    # nodes a fifth apart in ln wind and 22.5 degrees in direction: 5 % a bin, 2 % of the whole
    assert_allclose(apart, expected, rtol=0.1)
    assert_allclose(apart.sum(), expected.sum(), rtol=0.03)
    assert_allclose(shared.sum(), cross.sum(), rtol=0.03)


def test_likelihood_is_largest_near_the_true_strength():
    """The true layers times a factor: the peak lies at one, within a minute's error of 15 %."""
    scene, motions = night(5)
    pair = evidence_of(scene, motions)
    n = 60
    factor = np.geomspace(0.4, 2.5, n)
    layers = [
        Layer(
            factor * layer.weight * scene.air.r0_m ** (-5 / 3),
            np.full(n, np.log(layer.wind_m_s)),
            np.full(n, np.log(scene.air.outer_scale_m)),
            np.tile(
                [
                    np.cos(2 * np.deg2rad(layer.direction_deg)),
                    np.sin(2 * np.deg2rad(layer.direction_deg)),
                ],
                (n, 1),
            ),
        )
        for layer in scene.air.layers
    ]
    apart, shared = pair.air(layers, np.ones(n))
    best = factor[np.argmax(pair.log_likelihood(apart, shared, None, np.ones(n)))]
    # 15 % in r0 is 25 % in the strength
    assert_allclose(np.log(best), 0.0, atol=0.3)
    still = np.zeros_like(shared)
    shaken = np.full_like(shared, 0.04)
    at_one = [
        pair.log_likelihood(apart, shared, shake, np.ones(n))[n // 2] for shake in (still, shaken)
    ]
    assert at_one[1] < at_one[0] - 10  # half an arcsec of sway that neither camera shows


@pytest.mark.slow
def test_seeing_of_a_minute_is_right_within_its_interval():
    """Six minutes, half of them with as much near air as outside: bias, scatter, coverage."""
    errors, sigmas, held = [], [], 0
    for seed in range(6):
        scene, motions = night(20 + seed, frames=1500, near=float(seed % 2))
        found = _seeing_of_two_cameras(evidence_of(scene, motions), seed=seed)
        rough = structure_function(0.1, scene.air.r0_m, scene.air.outer_scale_m)
        if scene.near_r0_m is not None:
            near = scene.near_air.outer_scale_m
            rough = rough + structure_function(0.1, scene.near_r0_m, near)
        true = float((rough / structure_function(0.1, 1.0, 25.0)) ** -0.6)
        low95, low, middle, high, high95 = np.percentile(
            found.r0_m, [2.5, 15.865, 50.0, 84.135, 97.5]
        )
        errors.append(np.log(middle / true))
        sigmas.append(np.log(high / low) / 2)
        held += low95 <= true <= high95
        assert found.r_hat["ln_r0"] < 1.02
        assert found.r_hat["shaken"] < 1.02
    # six of a scatter of 0.1: their mean to 0.04, their rms to 0.03
    assert abs(np.mean(errors)) < 0.12
    assert np.sqrt(np.mean(np.square(errors))) < 0.17
    assert np.mean(sigmas) < 0.17
    assert held >= 5


@pytest.mark.slow
def test_what_both_share_is_told_from_near_air():
    """0.3 arcsec of ring is found in both; near air of the same size gives a limit below it."""
    scene, motions = night(31, frames=1500, shake=0.3)
    shaken = _seeing_of_two_cameras(evidence_of(scene, motions), seed=1).shaken_arcsec
    true = np.hypot(0.3, 0.15)
    low, high = np.percentile(shaken, [2.5, 97.5])
    assert low < 1.1 * true  # a minute of a ring of 8 s coherence: a tenth of its rms
    assert high > 0.9 * true
    scene, motions = night(32, frames=1500, shake=0.0, near=3.0)
    still = _seeing_of_two_cameras(evidence_of(scene, motions), seed=1).shaken_arcsec
    assert 0.0 < np.percentile(still, 95) < true


def test_two_runs_of_different_nights_are_an_error():
    """No overlap, no spectra."""
    scene, motions = night(6, frames=300)
    later = replace(motions[1], time_s=motions[1].time_s + 100.0)
    with pytest.raises(ValueError, match=r"overlap for 0\.0 s"):
        _pair_spectra(
            motions[0],
            later,
            scene.second_camera.baseline_m,
            _align_cameras(motions[0], motions[1], (-1, 1)),
        )
