"""What runs at several focus positions come to: astigmatism, words and doubts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.evidence.focus_runs import _defocus_sigma_arcsec, _focus_curve, _FocusRun
from blursplit.facts import Optics
from blursplit.image.otf import BASELINE_SHARES, DIRECTIONS_RAD, OpticsData, defocus_otf

OPTICS = Optics(
    aperture_m=0.25,
    obstruction=0.3,
    wavelength_m=550e-9,
    outer_scale_m=(10.0, 50.0),
    wind_m_s=(2.0, 30.0),
)
CYCLES = BASELINE_SHARES * OPTICS.aperture_m / OPTICS.wavelength_m / ARCSEC_PER_RADIAN
TRANSFER = OpticsData(
    baseline_m=BASELINE_SHARES * OPTICS.aperture_m,
    frequency_rad2=(CYCLES * ARCSEC_PER_RADIAN) ** 2,
    log_otf=np.zeros(8),
    covariance=0.02**2 + 0.01**2 * np.eye(8),
    instrument=np.zeros(8),
    cut_log_j=np.array([0.0, 9.0]),
    cut_gain=np.zeros((2, 8)),
)
# 1 um of focus a step at f/6, f = 1.5 m
SLOPE = float(_defocus_sigma_arcsec(1e-6, aperture_m=0.25, focal_length_m=1.5, obstruction=0.3))
REST = 0.12  # arcsec^2 of air, equivalent variance
BEST = 5012.0
POSITIONS = (4920.0, 4960.0, 5000.0, 5040.0, 5080.0)


def run_at(position, *, astigmatism=0.0, axis_deg=20.0, best=BEST, name="run", log_air=(0.0, 0.05)):
    """Return a run with the exact loss of its defocus along each direction."""
    sigma = SLOPE * (position - best) + astigmatism * np.cos(
        2 * (DIRECTIONS_RAD - np.radians(axis_deg))
    )
    loss = np.stack(
        [
            -np.log(
                np.maximum(
                    defocus_otf(
                        BASELINE_SHARES,
                        abs(s),
                        aperture_m=0.25,
                        wavelength_m=550e-9,
                        obstruction=0.3,
                    ),
                    1e-3,
                )
            )
            for s in sigma
        ],
        axis=1,
    )
    loss += 2 * np.pi**2 * REST * CYCLES[:, None] ** 2
    noise = 0.01 * np.random.default_rng(int(position)).standard_normal((8, 8, len(DIRECTIONS_RAD)))
    return _FocusRun(name, position, loss, loss + noise, CYCLES, log_air)


def curve_of(runs, own=-1, predicted=None):
    runs = list(runs)
    own_run = runs.pop(own)
    rng = np.random.default_rng(3)
    return _focus_curve(own_run, runs, OPTICS, TRANSFER, predicted, rng)


def codes(curve):
    return [remark.code for remark in curve.warnings]


def test_five_positions_give_best_focus_and_the_defocus_of_the_run():
    curve = curve_of(run_at(z) for z in POSITIONS)
    assert codes(curve) == []
    best = curve.part.best_position
    assert best.low95 < BEST < best.high95
    # a step moves the rays by 0.006 arcsec and the ends lie 68 and 92 steps off
    np.testing.assert_allclose(best.value, BEST, atol=3.0)
    np.testing.assert_allclose(curve.part.slope_arcsec.value, SLOPE, rtol=0.06)
    assert curve.is_shown
    assert curve.astigmatism.is_limit
    rays = np.interp(
        np.median(curve.least_arcsec2), curve.shape.variance_arcsec2, curve.shape.sigma_arcsec
    )
    np.testing.assert_allclose(rays, SLOPE * (5080 - BEST), rtol=0.06)
    assert [(step.code, step.facts["here"]) for step in curve.steps] == [("refocus", 5080)]


def test_a_run_in_focus_gets_a_limit_and_no_advice():
    curve = curve_of((run_at(z) for z in POSITIONS), own=2)
    assert curve.defocus.is_limit
    # 12 steps off: 0.07 arcsec rms of rays, 0.1 arcsec as a Gaussian FWHM
    assert 0.08 < curve.defocus.high < 0.35
    assert curve.steps == []
    assert not curve.is_shown


def test_astigmatism_is_told_by_its_turn_and_its_direction():
    curve = curve_of(run_at(z, astigmatism=0.15) for z in POSITIONS)
    found = curve.astigmatism
    assert not found.is_limit
    # small rays cost at the fit's baselines what a Gaussian of `ratio` of their variance costs
    ratio = curve.shape.variance_arcsec2[1] / curve.shape.sigma_arcsec[1] ** 2
    # the exact loss is not quadratic; within a seventh at these sizes (computed)
    np.testing.assert_allclose(found.value, 2.3548 * 0.15 * np.sqrt(ratio), rtol=0.15)
    angle = curve.part.astigmatism_angle_deg
    np.testing.assert_allclose(angle.value, 20.0, atol=3.0)


def test_an_elongation_that_stays_through_focus_is_no_astigmatism():
    """Wind, or motion inside the exposures, looks the same on both sides of focus."""
    still = 2 * np.pi**2 * 0.05 * CYCLES[:, None] ** 2 * np.cos(2 * DIRECTIONS_RAD)
    runs = [run_at(z) for z in POSITIONS]
    runs = [replace(run, log_loss=run.log_loss + still) for run in runs]
    assert curve_of(runs).astigmatism.is_limit


def test_two_positions_are_too_few_without_a_known_step():
    curve = curve_of([run_at(4960.0), run_at(5080.0)])
    assert codes(curve) == ["focus-few-positions"]
    assert curve.least_arcsec2 is None
    known = curve_of([run_at(4960.0), run_at(5080.0)], predicted=SLOPE)
    assert "focus-few-positions" not in codes(known)
    assert known.part.best_position.low95 < BEST < known.part.best_position.high95


def test_a_step_that_contradicts_the_curve_is_named_and_not_used():
    runs = [run_at(z) for z in POSITIONS]
    curve = curve_of(runs, predicted=3.0 * SLOPE)
    assert codes(curve) == ["focus-slope-disagrees"]
    np.testing.assert_allclose(curve.part.slope_arcsec.value, SLOPE, rtol=0.06)
    assert codes(curve_of(runs, predicted=1.05 * SLOPE)) == []


def test_positions_on_one_side_of_focus_only_are_warned_of():
    curve = curve_of(run_at(z, best=4800.0) for z in POSITIONS[:4])
    assert "focus-not-bracketed" in codes(curve)


def test_a_run_too_blurred_is_left_out_and_named():
    lost = run_at(5300.0, name="far")
    lost = replace(lost, log_loss=np.where(BASELINE_SHARES[:, None] > 0.1, np.nan, lost.log_loss))
    curve = curve_of([lost, *(run_at(z) for z in POSITIONS)])
    assert codes(curve) == ["focus-run-too-blurred"]
    assert curve.warnings[0].facts["name"] == "far"
    assert len(curve.part.positions) == 5


def test_air_that_changed_much_is_warned_of():
    change = (0.9, -0.9, 0.6, -0.5, 0.2)
    runs = [run_at(z, log_air=(c, 0.05)) for z, c in zip(POSITIONS, change, strict=True)]
    assert "focus-air-changed" in codes(curve_of(runs))


def test_runs_without_pairs_say_what_is_assumed_of_their_air():
    curve = curve_of(run_at(z, log_air=None) for z in POSITIONS)
    assert codes(curve) == ["focus-air-unseen"]
