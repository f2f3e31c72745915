"""The script that makes sequences from another library's screens tells the truth about them."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose

from blursplit.simulate.camera import Pupil

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "independent_screens.py"


@pytest.fixture(scope="module")
def script():
    """Return the script as a module."""
    pytest.importorskip("aotools", reason="aotools comes with the test extra")
    spec = importlib.util.spec_from_file_location("independent_screens", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def night(script, tmp_path_factory):
    """Make a short sequence of two stars: plan, truth and frames."""
    plan = script.Plan(
        seed=4,
        frames=300,
        interval_s=0.05,
        stars=2,
        width_px=120,
        height_px=80,
        points=1024,
        outer_scale_m=6.0,
        layers=(script.Layer(0, 1, 9, 40),),
        oscillators=(script.Oscillator(5.0, 0.03, 0.4, 90.0),),
        steps=2,
        flux_e_per_s=1e7,
    )
    out = tmp_path_factory.mktemp("independent")
    truth = script.independent_sequence(plan, out)
    return plan, truth, fits.getdata(out / "sequence.fits").astype(float)


def test_flux_on_the_frames_is_the_stars_flux(night):
    """Light folded at the edge of the stamp is lost: at most 4 percent at this seeing."""
    plan, truth, frames = night
    expected = sum(star[2] for star in truth["stars"]) * plan.exposure_s
    sky = plan.sky_e_per_s * plan.exposure_s + plan.bias_adu
    flux = frames.sum(axis=(1, 2)).mean() - sky * plan.width_px * plan.height_px
    assert 0.96 * expected < flux < 1.01 * expected


def test_motion_along_y_is_air_and_oscillator_together(night):
    """Centres of gravity against the truth; along x there is air alone."""
    plan, truth, frames = night
    x, y = (round(v) for v in truth["stars"][0][:2])
    cut = frames[:, y - 9 : y + 10, x - 9 : x + 10] - plan.bias_adu - 0.5
    rows, columns = np.indices(cut.shape[1:])
    moved = [(cut * at).sum(axis=(1, 2)) / cut.sum(axis=(1, 2)) for at in (columns, rows)]
    rms = np.std(moved, axis=1) * plan.pixel_arcsec
    air = truth["atmosphere"]["frame_motion_rms_xy_arcsec"]
    shake = truth["structure"]["rms_major_arcsec"]
    # a centre of gravity in a box sees up to 7 percent less variance than a plane tilt; the sum
    # holds chance correlation of air and oscillator
    assert_allclose(rms[0], air[0], rtol=0.1)
    assert_allclose(rms[1], np.hypot(air[1], shake), rtol=0.15)


def test_air_has_the_tilt_that_theory_expects(night, script):
    """Another library's screens against our expectation: 15 s at 9 m/s are 135 m of air."""
    plan, truth, _ = night
    optics = script.Optics(plan, 1.0)
    r0 = plan.r0_500nm_m * 1.1**1.2
    pupil = Pupil(optics.x_m, optics.y_m, np.ones_like(optics.x_m))
    tilt, _ = pupil.expected_variances(r0, plan.outer_scale_m)
    to_arcsec = plan.wavelength_m / (2 * np.pi) / script.ARCSEC / np.std(optics.x_m)
    rms = np.sqrt(np.mean(np.square(truth["atmosphere"]["frame_motion_rms_xy_arcsec"])))
    # some 60 independent pieces on two axes: 6 percent of the rms; three of them
    assert_allclose(rms, np.sqrt(tilt) * to_arcsec, rtol=0.2)


def test_pupils_read_from_a_screen_are_what_scipy_reads(script):
    """Reading rows of a periodic spline gives what `map_coordinates` gives point by point."""
    from scipy.ndimage import map_coordinates

    rng = np.random.default_rng(5)
    optics = script.Optics(script.Plan(seed=1), 2.0)
    spline = rng.standard_normal((64, 64)).astype(np.float32)
    begin, flip, step = rng.uniform(-200, 200, (5, 2)), np.array([-1.0, 1.0]), 0.02
    x = begin[:, :1] + flip[0] * optics.x_m / step
    y = begin[:, 1:] + flip[1] * optics.y_m / step
    slow = map_coordinates(spline, np.stack([y, x]), order=3, mode="grid-wrap", prefilter=False)
    fast = np.zeros(x.shape, np.float32)
    along = flip[:, None] * optics.edge_m / step
    script.read_pupils(spline, begin, along, optics.inside, 1.0, fast)
    assert_allclose(fast, slow, atol=1e-5)  # single precision of sums of order one
