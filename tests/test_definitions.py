"""Numbers read off histories: worked examples, limits, and shifts that must change nothing."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA, SEEING_IN_LAMBDA_OVER_R0
from blursplit.definitions import Conditions, History, principal_axes

RIG = Conditions(0.25, 0.0, 550e-9, 0.6)
R0_M = SEEING_IN_LAMBDA_OVER_R0 * 550e-9 / 2.0 * ARCSEC_PER_RADIAN
TIME_S = np.arange(3000) / 50.0
# The worked widths (Kolmogorov air of 2.0 arcsec, optics of 0.25 arcsec rms an axis) were computed
# on other grids, to 3 digits; the frequencies here stop at 2/width, which costs 0.25 %.
TOLERANCE = 0.004


def night(owner="structure", path=None, inside=None, **more):
    return History(
        RIG,
        TIME_S,
        np.zeros(len(TIME_S), dtype=np.int64),
        {} if path is None else {owner: path},
        {} if inside is None else {owner: inside},
        **{
            "strength": R0_M ** (-5 / 3),
            "outer_scale_m": 1e6,
            "optics_arcsec2": 0.0625 * np.eye(2),
            **more,
        },
    ).in_windows(
        60.0,
    )


DRIFT = np.stack([3.0 * (TIME_S / 60.0 - 0.5), 0.0 * TIME_S], axis=1)


def test_base_is_a_perfect_telescope_and_its_pixel():
    still = night(strength=0.0, optics_arcsec2=np.zeros((2, 2)))
    assert_allclose(still.width(), 0.646, rtol=TOLERANCE)
    assert_allclose(night().width(), 2.249, rtol=TOLERANCE)


@pytest.mark.parametrize(
    ("history", "recorded", "saving", "share_of_motion", "share_of_air"),
    [
        (night(inside=0.42**2 * np.eye(2)), 2.495, 0.245, 0.206, 0.719),
        (night(inside=np.diag([0.594**2, 0.0])), 2.472, 0.223, 0.158, 0.761),
        (night(path=DRIFT), 2.794, 0.544, 0.331, 0.601),
    ],
)
def test_worked_nights(history, recorded, saving, share_of_motion, share_of_air):
    assert_allclose(history.width(), recorded, rtol=TOLERANCE)
    low, high = history.savings()["structure"]
    assert low == high
    assert_allclose(low * history.width(), saving, atol=0.01)
    part = history.shares()
    assert_allclose(part["structure"], share_of_motion, atol=0.004)
    assert_allclose(part["atmosphere"], share_of_air, atol=0.004)
    assert_allclose(sum(part.values()), 1.0, rtol=1e-12)


def test_a_drift_is_no_gaussian():
    """A drift of three widths gives a flat-topped star, wider than its Gaussian equivalent."""
    no_air = night(
        strength=0.0, path=DRIFT * 2.0, optics_arcsec2=np.zeros((2, 2)), owner="tracking"
    )
    # A line of length L under a round star of width w covers about w L + pi w^2/4 above half.
    star = 0.646
    expected = 2.0 * np.sqrt((star * (6.0 - star / np.sqrt(3)) + np.pi * star**2 / 4) / np.pi)
    assert_allclose(no_air.width(), expected, rtol=0.06)
    gaussian = FWHM_PER_SIGMA * np.sqrt(star / FWHM_PER_SIGMA * np.hypot(6 / 12**0.5, 0.27))
    assert no_air.width() > gaussian


@pytest.mark.parametrize("amplitude_arcsec", [1.0, 3.0, 9.0])
@pytest.mark.parametrize("turns", [0.6, 1.04, 3.3])
def test_a_worm_is_as_wide_as_the_stars_along_its_way(amplitude_arcsec, turns):
    """Stars pile up at the turning points, one more often than the other: added one by one."""
    sigma, places = 0.6, 500
    phase = 2.0 * np.pi * turns * (np.arange(places) + 0.5) / places + 0.4
    along = amplitude_arcsec * np.sin(phase)
    history = History(
        Conditions(4.0, 0.0, 550e-9, 1e-3),  # sharp and finely sampled: the optics are the star
        np.arange(places) * 1.0,
        np.zeros(places, dtype=np.int64),
        {"tracking": np.stack([0.8 * along, 0.6 * along], axis=1)},
        optics_arcsec2=sigma**2 * np.eye(2),
    )
    step = 0.02
    x = np.arange(-14.0, 14.0, step)
    y = np.arange(-2.0, 2.0, step)
    on_axis = np.exp(-0.5 * ((x[:, None] - along) / sigma) ** 2).sum(axis=1)
    image = on_axis * np.exp(-0.5 * (y[:, None] / sigma) ** 2)
    area = np.count_nonzero(image > 0.5 * image.max()) * step**2
    found = history.in_windows(1e3).width()
    assert_allclose(found, 2.0 * np.sqrt(area / np.pi), rtol=0.015)


def test_two_parts_of_air_add_their_strengths():
    """Equal outer scales: near air beside free air is the same image as all of it outside."""
    half = R0_M ** (-5 / 3) / 2
    parted = night(strength=half, near_strength=half, near_outer_scale_m=1e6)
    assert_allclose(parted.width(), night().width(), rtol=1e-9)
    assert_allclose(parted.width({"atmosphere"}), parted.width({"near_air"}), rtol=1e-9)


def test_small_outer_scales_scatter_less():
    """D_phi saturates at 2 x 0.0863 (L0/r0)^(5/3): below a metre part of the light is not moved."""
    near = night(strength=0.0, near_strength=0.05 ** (-5 / 3), near_outer_scale_m=0.3)
    far = night(strength=0.05 ** (-5 / 3))
    assert near.width() < 0.5 * far.width()


def test_motion_is_about_each_windows_mean():
    whole = History(RIG, TIME_S, np.zeros(3000, dtype=np.int64), {"tracking": DRIFT})
    # A drift of length L inside a window has variance L^2/12 (and 1/n^2 of it from the samples).
    for window_s, length in ((60.0, 3.0), (30.0, 1.5), (6.0, 0.3)):
        rms = principal_axes(whole.in_windows(window_s).motion_covariance("tracking"))
        assert_allclose(rms[0], length / 12**0.5, rtol=2e-3)
        assert rms[1] == 0.0


def test_open_motion_gives_two_readings():
    rng = np.random.default_rng(3)
    shaken = night("open", 0.6 * rng.standard_normal((3000, 2)), open_is_air=1.0)
    low, high = shaken.savings()["mechanics"]
    assert low == 0.0
    assert_allclose(high, 1.0 - night().width() / shaken.width(), rtol=1e-9)
    bounded = night("open", shaken.path_arcsec["open"], open_is_air=0.5)
    low, _ = bounded.savings()["mechanics"]
    assert 0.3 * high < low < 0.7 * high
    assert bounded.savings()["structure"][0] == 0.0
    # What constant blur may be a steady vibration belongs to either owner.
    either = night(optics_may_shake=True).savings()
    assert either["optics"][0] == either["structure"][0] == 0.0
    assert either["optics"][1] == either["structure"][1] > 0.03


def test_constant_blur_beyond_stated_optics_may_be_a_vibration_and_no_optics():
    """It goes with structure in the high reading alone; what was stated stays the optics'."""
    steady = 0.25 * np.eye(2)
    beyond = replace(night(), inside_arcsec2={"steady": steady})
    low, high = beyond.savings()["structure"]
    assert low == 0.0
    assert_allclose(high, 1.0 - night().width() / beyond.width(), rtol=1e-9)
    least, most = beyond.savings()["optics"]
    assert_allclose(most, least, rtol=1e-12)
    # as wide as a still star with as much more of optics, which could not be told from it
    more = night(optics_arcsec2=night().optics_arcsec2 + steady)
    assert_allclose(beyond.width(), more.width(), rtol=1e-9)
    assert_allclose(sum(beyond.shares().values()), 1.0, rtol=1e-9)
    assert beyond.shares()["open"] > 0.1


def test_optics_of_unknown_shape_may_cost_what_a_gaussian_costs():
    """A defocus smaller than the diffraction disk dims the core and hardly widens it."""
    small = {"strength": 0.0, "optics_arcsec2": 0.04 * np.eye(2)}
    gaussian, defocus = night(**small), night(**small, defocus_share=1.0)
    assert defocus.width() < 0.9 * gaussian.width()
    low, high = defocus.savings()["optics"]
    assert_allclose(low, 1.0 - defocus.width({"optics"}) / defocus.width(), rtol=1e-12)
    assert_allclose(high, gaussian.savings()["optics"][0], rtol=1e-12)


def test_turning_the_field_changes_no_width():
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    rng = np.random.default_rng(5)
    path = rng.standard_normal((3000, 2)) * np.array([0.9, 0.2])
    square = Conditions(0.25, 0.0, 550e-9, 1e-6)  # a pixel has corners
    straight = History(
        square, TIME_S, np.zeros(3000, dtype=np.int64), {"structure": path}
    ).in_windows(60.0)
    turned = History(
        square, TIME_S, np.zeros(3000, dtype=np.int64), {"structure": path @ turn.T}
    ).in_windows(60.0)
    assert_allclose(turned.width(), straight.width(), rtol=2e-3)


def test_many_frames_inside_give_the_mean_of_their_images():
    """Blur tensors of single frames mix images, not variances."""
    tensors = np.stack([np.zeros((2, 2)), 4.0 * np.eye(2)])
    mixed = night(inside=tensors, owner="structure")
    assert mixed.width() < night(inside=2.0 * np.eye(2)).width()
    assert_allclose(mixed.motion_covariance("structure"), 2.0 * np.eye(2), rtol=1e-12)
