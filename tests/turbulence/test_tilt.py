"""Tilt coefficients and kernels against closed forms, published fits and tables."""

from __future__ import annotations

from math import gamma, pi

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.turbulence.tilt import (
    _pair_covariance,
    centroid_tilt_mix,
    pair_kernels,
    tilt_coefficient,
)


def test_g_tilt_coefficient_equals_its_closed_form():
    closed = 4 * pi ** (2 / 3) * 0.02289559 * gamma(8 / 3) * gamma(1 / 6)
    closed /= 2 ** (8 / 3) * gamma(11 / 6) ** 2 * gamma(17 / 6)
    assert_allclose(tilt_coefficient("G"), closed, rtol=2e-5)  # the grid's own error


def test_coefficients_match_tokovinin_2002_and_noll_1976():
    assert_allclose(2 * tilt_coefficient("G"), 0.340, atol=0.0005)  # Tokovinin 2002
    assert_allclose(2 * tilt_coefficient("Z"), 0.364, atol=0.0005)  # the same, from memory
    # Noll 1976: Zernike tilt variance 0.448 (D/r0)^(5/3) rad^2 an axis (from memory: 0.449);
    # a unit-rms tilt is an angle of 4/(2 pi) lambda/D.
    assert_allclose(tilt_coefficient("Z") / (2 / pi) ** 2, 0.4489, atol=0.0005)


@pytest.mark.parametrize(
    ("kind", "obstruction", "expected"),
    [
        ("G", 0.2, 0.16890),
        ("G", 0.33, 0.16768),
        ("G", 0.5, 0.16576),
        ("Z", 0.2, 0.18187),
        ("Z", 0.33, 0.18155),
        ("Z", 0.5, 0.18030),
    ],
)
def test_annular_pupils(kind, obstruction, expected):
    assert_allclose(tilt_coefficient(kind, obstruction), expected, atol=1.5e-5)


@pytest.mark.parametrize(
    ("aperture", "outer", "g", "z"),
    [
        (0.1, 10, 0.6719, 0.6936),
        (0.2, 20, 0.6719, 0.6936),
        (0.3, 50, 0.7231, 0.7415),
        (0.5, 10, 0.4462, 0.4812),
    ],
)
def test_outer_scale_reduces_motion(aperture, outer, g, z):
    for kind, expected in (("G", g), ("Z", z)):
        ratio = tilt_coefficient(kind, 0.0, aperture / outer) / tilt_coefficient(kind)
        assert_allclose(ratio, expected, atol=6e-5)


def test_small_outer_scale_law_of_tokovinin_2002():
    for kind, slope in (("G", 1.525), ("Z", 1.423)):
        ratio = tilt_coefficient(kind, 0.0, 0.01) / tilt_coefficient(kind)
        assert_allclose(ratio, 1 - slope * 0.01 ** (1 / 3), atol=0.002)


TABLE = np.array(
    [
        # s/D, G l, G t, Z l, Z t (Kolmogorov, filled)
        [0.01, 3.775e-05, 1.265e-05, 4.793e-05, 1.598e-05],
        [0.1, 0.003347, 0.001149, 0.004702, 0.001579],
        [0.5, 0.05678, 0.02143, 0.08313, 0.03185],
        [1.0, 0.1314, 0.05933, 0.1607, 0.08007],
        [2.0, 0.1831, 0.1110, 0.2083, 0.1345],
        [5.0, 0.2260, 0.1699, 0.2503, 0.1941],
        [20.0, 0.2682, 0.2326, 0.2925, 0.2568],
        [100.0, 0.2979, 0.2770, 0.3221, 0.3012],
    ]
)


def test_pair_kernels_match_the_tabulated_integral():
    for kind, first in (("G", 1), ("Z", 3)):
        along, across = pair_kernels(TABLE[:, 0], 0.0, 0.0, kind)
        assert_allclose(along, TABLE[:, first], rtol=6e-4)  # four digits are printed
        assert_allclose(across, TABLE[:, first + 1], rtol=6e-4)


def test_pair_kernels_with_obstruction_and_outer_scale():
    assert_allclose(pair_kernels(1.0, 0.0, 0.33, "G"), (0.1255, 0.05622), rtol=6e-4)
    assert_allclose(pair_kernels(0.1, 0.0, 0.33, "Z"), (0.004654, 0.001563), rtol=6e-4)
    assert_allclose(pair_kernels(20.0, 0.01, 0.0, "Z"), (0.2616, 0.2418), rtol=6e-4)


@pytest.mark.parametrize("b", [2.0, 3.0, 5.0, 8.0])
def test_tokovinin_2002_fits_are_high_by_less_than_0_4_percent(b):
    g = (
        0.340 * (1 - 0.570 * b ** (-1 / 3) - 0.040 * b ** (-7 / 3)),
        0.340 * (1 - 0.855 * b ** (-1 / 3) + 0.030 * b ** (-7 / 3)),
    )
    z = (  # from memory
        0.364 * (1 - 0.532 * b ** (-1 / 3) - 0.024 * b ** (-7 / 3)),
        0.364 * (1 - 0.798 * b ** (-1 / 3) + 0.018 * b ** (-7 / 3)),
    )
    for kind, published in (("G", g), ("Z", z)):
        for fit, exact in zip(published, pair_kernels(b, 0.0, 0.0, kind), strict=True):
            assert 0.0 < fit / float(exact) - 1 < 0.004


def test_sarazin_and_roddier_1990_lies_below_z_and_above_g():
    b = 3.0
    along = 2 * (0.179 - 0.0968 * b ** (-1 / 3))
    across = 2 * (0.179 - 0.145 * b ** (-1 / 3))
    z, g = pair_kernels(b, 0.0, 0.0, "Z"), pair_kernels(b, 0.0, 0.0, "G")
    assert_allclose([along / z[0] - 1, across / z[1] - 1], [-0.0221, -0.0365], atol=0.0006)
    assert_allclose([along / g[0] - 1, across / g[1] - 1], [0.0957, 0.1299], atol=0.0006)


def test_kernels_are_square_laws_near_zero_with_ratio_three():
    along, across = pair_kernels([1e-4, 1e-3, 0.0], 0.0, 0.0, "Z")
    assert_allclose(along[:2], 0.47944 * np.array([1e-8, 1e-6]), rtol=2e-4)
    assert_allclose(along[:2] / across[:2], 3.0, rtol=2e-4)
    assert along[2] == 0.0 == across[2]


def test_far_beams_move_independently():
    for ratio in (0.0, 0.01):
        along, across = pair_kernels([1e7, 1e12], ratio, 0.0, "Z")
        limit = 2 * tilt_coefficient("Z", 0.0, ratio)
        assert_allclose(along[1], limit, rtol=3e-4)
        assert_allclose(across[1], limit, rtol=3e-4)
    covariance, _ = _pair_covariance(0.0, 0.01, 0.0, "G")
    assert_allclose(covariance, tilt_coefficient("G", 0.0, 0.01))


def test_kernel_equals_direct_quadrature_of_the_integral():
    from scipy.integrate import quad
    from scipy.special import jv

    s, ratio = 1.7, 0.02

    def integrand(u):
        q, z = 2 * pi * u * s, pi * u
        filtered = (8 * jv(2, z) / (pi * z)) ** 2
        spectrum = (u**2 + ratio**2) ** (-11 / 6)
        return 2 * pi * 0.02289559 * u * filtered * spectrum * (1 - jv(0, q) + jv(2, q))

    direct = quad(integrand, 1e-9, 1, limit=400)[0] + quad(integrand, 1, 40, limit=800)[0]
    assert_allclose(pair_kernels(s, ratio, 0.0, "Z")[0], direct, rtol=2e-4)


def test_ten_percent_of_the_tilt_is_seen_where_the_table_says():
    s = np.linspace(0.3, 0.5, 400)
    for kind, expected in (("Z", 0.372), ("G", 0.457)):
        along, across = pair_kernels(s, 0.0, 0.0, kind)
        share = (along + across) / (4 * tilt_coefficient(kind))
        assert_allclose(np.interp(0.1, share, s), expected, atol=0.001)


@pytest.mark.parametrize("kind", ["g", "X", ""])
def test_unknown_kind_is_refused(kind):
    with pytest.raises(ValueError, match="kind of tilt"):
        tilt_coefficient(kind)


def test_centroid_goes_from_beyond_z_to_near_g_as_its_window_widens():
    narrow, _ = centroid_tilt_mix(1.0, 0.5)
    middle, _ = centroid_tilt_mix(1.0, 1.5)
    wide, sigma = centroid_tilt_mix(1.0, 4.0)
    assert narrow > 1.0 > middle > wide > 0.0
    assert 0.1 <= sigma < 0.4
    # physics of the same screens elsewhere: 0.97 +- 0.02 of the Z variance at 1.5 lambda/D.
    gradient = tilt_coefficient("G") / tilt_coefficient("Z")
    assert_allclose(middle + (1.0 - middle) * gradient, 0.97, atol=0.02)


def test_obstruction_lowers_the_share_of_z_tilt():
    filled, _ = centroid_tilt_mix([1.0, 3.0], 1.5)
    ring, _ = centroid_tilt_mix([1.0, 3.0], 1.5, 0.33)
    assert (ring < filled).all()
