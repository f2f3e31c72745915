"""The drawn air against von Karman's closed forms and published coefficients."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.simulate.air import Atmosphere, LayerGeometry, Pace, _draw_field, _strip_of_each_star
from blursplit.simulate.camera import Pupil, _annular_pupil
from blursplit.simulate.sequence import _atmosphere_fwhm_arcsec
from blursplit.turbulence.conversions import phase_spectrum, structure_function

APERTURE_M = 0.25
OUTER_M = 6.0
R0_M = 0.1
WIND_M_S = 10.0


def pupil(points_across, obstruction=0.0, aperture_m=APERTURE_M):
    """Return x, y, covered share and step of a pupil."""
    row, column, share = _annular_pupil(points_across, obstruction)
    pitch = aperture_m / points_across
    centre = (int(np.ceil(points_across))) / 2
    return (column - centre) * pitch, (row - centre) * pitch, share, pitch


@pytest.fixture(scope="module")
def long_path():
    """Two stars seen through 1500 m of one layer: time, phases, pupil."""
    x, y, share, pitch = pupil(25.0)
    layer = LayerGeometry(R0_M, OUTER_M, WIND_M_S, 0.4, np.array([0.0, 0.3]), np.zeros(2))
    duration = 150.0
    rng = np.random.default_rng(5)
    air = Atmosphere([layer], APERTURE_M, pitch, x, y, duration, rng)
    air.begin_stretch(np.zeros(1), Pace(duration, duration, 0.025))
    time = np.arange(0, duration, 0.025)
    phases = [air.phase(star, time, air.smooth_nodes(star, time)) for star in (0, 1)]
    return time, phases, (x, y, share)


def assert_mean_is(samples, expected, blocks=25, most=0.08):
    """Hold a mean to its expectation within 4 standard errors taken from blocks of the path."""
    means = np.array([part.mean() for part in np.array_split(samples, blocks)])
    error = means.std(ddof=1) / np.sqrt(blocks)
    assert error < most * expected  # otherwise the test could not fail
    assert_allclose(means.mean(), expected, rtol=0, atol=4 * error)


@pytest.mark.parametrize("lag_m", [0.25, 0.5, 1.0, 2.0, 3.0])
def test_structure_function_along_the_wind_is_von_karmans(long_path, lag_m):
    """Structure function along the wind is von karmans."""
    _, phases, (x, y, _) = long_path
    centre = int(np.argmin(np.hypot(x, y)))
    steps = round(lag_m / (WIND_M_S * 0.025))
    series = phases[0][:, centre].astype(float)
    square = (series[steps:] - series[:-steps]) ** 2
    assert_mean_is(square, structure_function(np.array(lag_m), R0_M, OUTER_M), most=0.2)


@pytest.mark.parametrize("separation_m", [0.04, 0.1, 0.2])
def test_structure_function_inside_the_pupil_is_von_karmans(long_path, separation_m):
    """Structure function inside the pupil is von karmans."""
    _, phases, (x, y, _) = long_path
    left = int(np.argmin(np.hypot(x + separation_m / 2, y)))
    right = int(np.argmin(np.hypot(x - separation_m / 2, y)))
    gap = np.hypot(x[left] - x[right], y[left] - y[right])
    square = (phases[0][:, left] - phases[0][:, right]).astype(float) ** 2
    assert_mean_is(square, structure_function(np.array(gap), R0_M, OUTER_M))


def test_tilt_and_roughness_have_the_expected_variance(long_path):
    """Tilt and roughness have the expected variance."""
    _, phases, (x, y, share) = long_path
    tilt, rest = Pupil(x, y, share).expected_variances(R0_M, OUTER_M)
    weight = share / share.sum()
    part = phases[0] @ (Pupil(x, y, share).tilt_basis() * weight).T
    assert_mean_is(np.mean(part[:, 1:] ** 2, axis=1), tilt)
    leftover = phases[0] ** 2 @ weight - np.sum(part**2, axis=1)
    assert_mean_is(leftover, rest, most=0.03)


def test_stars_a_short_way_apart_in_the_layer_see_the_same_air_later(long_path):
    """Stars a short way apart in the layer see the same air later."""
    _, phases, (x, y, _) = long_path
    centre = int(np.argmin(np.hypot(x, y)))
    # the second beam lies 0.3 m downwind: it meets the first one's air 0.03 s later
    first, second = phases[0][:, centre], phases[1][:, centre]
    lags = np.arange(-4, 5)
    n = first.size - 8
    misfit = [np.mean((first[4 : 4 + n] - second[4 + lag : 4 + lag + n]) ** 2) for lag in lags]
    assert lags[int(np.argmin(misfit))] == 1


def test_drawn_field_has_the_variance_of_its_density():
    """A band far from the grid's limits, so that the sum over the grid is the integral."""

    def density(f):
        return np.exp(-((f / 0.6) ** 2))

    rng = np.random.default_rng(3)
    fields = [_draw_field((256, 128), 0.25, density, rng) for _ in range(20)]
    # integral of exp(-f^2/a^2) over the plane is pi a^2; 20 x 2000 independent patches: 1.5 %
    assert_allclose(np.mean([f.var() for f in fields]), np.pi * 0.6**2, rtol=0.03)


def test_density_is_the_transform_of_the_structure_function():
    """D(r) = 4 pi int f W (1 - J0(2 pi f r)) df, numerically."""
    from scipy.special import j0

    f = np.geomspace(1e-4, 400, 400_000)
    w = phase_spectrum(f, 0.1, 20.0)
    for r in (0.1, 1.0, 8.0):
        value = np.trapezoid(4 * np.pi * f**2 * w * (1 - j0(2 * np.pi * f * r)), np.log(f))
        assert_allclose(value, structure_function(np.array(r), 0.1, 20.0), rtol=2e-3)


@pytest.mark.parametrize(("outer_m", "ratio"), [(10.0, 0.6147), (20.0, 0.6936), (50.0, 0.7741)])
def test_tilt_variance_follows_noll_and_the_outer_scale(outer_m, ratio):
    """Z-tilt: 0.18192 lambda^2 r0^(-5/3) D^(-1/3) (Noll 1976), times von Karman/Kolmogorov.

    Ratios for D = 0.2 m from two quadratures; the pupil of 40 points errs by under 1 percent.
    """
    x, y, share, _ = pupil(40.0, aperture_m=0.2)
    tilt, _ = Pupil(x, y, share).expected_variances(R0_M, outer_m)
    weight = share / share.sum()
    slope = tilt / np.sum(weight * (x - np.sum(weight * x)) ** 2) / (2 * np.pi) ** 2
    expected = 0.18192 * ratio * R0_M ** (-5 / 3) * 0.2 ** (-1 / 3)
    assert_allclose(slope, expected, rtol=0.01)


def test_roughness_left_after_tilt_is_nolls():
    """Noll 1976, Delta_3 = 0.134 (D/r0)^(5/3); an outer scale of 400 D takes off 0.1 percent."""
    x, y, share, _ = pupil(48.0)
    _, rest = Pupil(x, y, share).expected_variances(R0_M, 100.0)
    assert_allclose(rest, 0.134 * (APERTURE_M / R0_M) ** (5 / 3), rtol=0.015)


@pytest.mark.parametrize(
    ("r0_m", "outer_m", "fwhm"), [(0.1, 20.0, 0.828), (0.05, 10.0, 1.656), (0.15, 50.0, 0.573)]
)
def test_width_of_the_air_alone_agrees_with_an_independent_transform(r0_m, outer_m, fwhm):
    """Values to three digits from a library's profile (0.1, 20) and another Hankel transform."""
    assert_allclose(_atmosphere_fwhm_arcsec(r0_m, outer_m, 500e-9), fwhm, rtol=0.004)


def test_far_stars_get_strips_of_their_own():
    """Far stars get strips of their own."""
    strip, local = _strip_of_each_star(np.array([5.0, 0.0, 0.4, 5.2]), 1.0)
    assert strip.tolist() == [1, 0, 0, 1]
    assert_allclose(local, [0.0, 0.0, 0.4, 0.2])
