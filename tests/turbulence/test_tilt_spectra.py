"""Spectra and exposure factors against slopes, sums, tables and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import jv

from blursplit.turbulence.tilt import (
    _pair_covariance,
    _tilt_filter,
    cross_spectrum_table,
    exposure_factor,
    tilt_coefficient,
    tilt_spectra,
)

X = np.geomspace(1e-6, 50.0, 6000)


def _slope(x, s, low, high):
    inside = (x > low) & (x < high)
    return np.polyfit(np.log(x[inside]), np.log(s[inside]), 1)[0]


@pytest.mark.parametrize(("kind", "steep"), [("G", -11 / 3), ("Z", -17 / 3)])
def test_kolmogorov_slopes_are_those_of_conan_1995(kind, steep):
    for component in tilt_spectra(X, 0.0, 0.0, kind):
        assert_allclose(_slope(X, component, 1e-5, 1e-3), -2 / 3, atol=0.006)
        assert_allclose(_slope(X, component, 5.0, 50.0), steep, atol=0.04)


@pytest.mark.parametrize("kind", ["G", "Z"])
@pytest.mark.parametrize("ratio", [0.0, 0.01])
def test_spectra_integrate_to_the_coefficient(kind, ratio):
    for component in tilt_spectra(X, ratio, 0.2, kind):
        below = component[0] * X[0] * (3.0 if ratio == 0.0 else 1.0)
        total = np.trapezoid(component * X, np.log(X)) + below
        assert_allclose(total, tilt_coefficient(kind, 0.2, ratio), rtol=1e-4)


def test_low_frequency_levels():
    along, across = tilt_spectra([1e-5], 0.0, 0.0, "Z")
    assert_allclose(along * 1e-5 ** (2 / 3), 0.0770, atol=1e-4)
    assert_allclose(across * 1e-5 ** (2 / 3), 0.1155, atol=6e-4)


def test_outer_scale_bends_the_spectrum_along_the_wind_only():
    along, across = tilt_spectra(X, 0.01, 0.0, "Z")
    assert_allclose(_slope(X, along, 1e-6, 1e-5), 2.0, atol=0.01)
    assert_allclose(_slope(X, across, 1e-6, 1e-5), 0.0, atol=0.01)
    assert 1.5 < X[np.argmax(along)] / 0.01 < 1.8  # a flat top: 1.6 by another grid
    assert_allclose(X[np.argmax(across < across[0] / 2)] / 0.01, 2.3, atol=0.05)


def test_exposure_factor_is_the_sinc_filtered_spectrum():
    # Martin 1987: the two routes, covariance and spectrum, are independent computations here.
    for i in (0, 1):
        spectrum = tilt_spectra(X, 0.01, 0.0, "Z")[i]
        filtered = np.trapezoid(spectrum * np.sinc(2.0 * X) ** 2 * X, np.log(X))
        whole = np.trapezoid(spectrum * X, np.log(X))
        assert_allclose(filtered / whole, exposure_factor(2.0, 0.01, 0.0, "Z")[i], atol=1e-3)


@pytest.mark.parametrize(
    ("path", "expected"),
    # V tau/D; G along, G across, Z along, Z across, Z with D/L0 = 0.01 along, across
    [
        (0.1, (0.9983, 0.9994, 0.9978, 0.9993, 0.9969, 0.9990)),
        (1.0, (0.8977, 0.9605, 0.8652, 0.9464, 0.8061, 0.9228)),
        (10.0, (0.4743, 0.6420, 0.4433, 0.6077, 0.2133, 0.4410)),
    ],
)
def test_exposure_factors_match_the_table(path, expected):
    got = [
        float(value)
        for kind, ratio in (("G", 0.0), ("Z", 0.0), ("Z", 0.01))
        for value in exposure_factor(path, ratio, 0.0, kind)
    ]
    assert_allclose(got, expected, atol=1.5e-4)


@pytest.mark.parametrize(("x", "s"), [(0.01, 1.0), (0.1, 5.0), (0.5, 1.0), (0.003, 10.0)])
def test_cross_spectrum_equals_brute_force(x, s):
    ratio = 0.01
    y = np.linspace(0.0, 30.0, 1_000_001)
    u = np.hypot(x, y)
    q = 2 * np.pi * u * s
    weight = 2 * 0.02289559 * _tilt_filter(u, 0.0, "Z") * (u * u + ratio**2) ** (-11 / 6)
    got = cross_spectrum_table(ratio, 0.0, "Z")([x], [s])
    level = np.trapezoid(weight, y)
    for sign, value in zip((1, -1), got, strict=True):
        direct = np.trapezoid(weight * (jv(0, q) - sign * jv(2, q)), y)
        assert_allclose(value[0, 0], direct, atol=1.5e-3 * level)


@pytest.mark.parametrize("ratio", [0.0, 0.01])
def test_cross_spectra_integrate_to_the_covariance(ratio):
    s = np.array([0.0, 0.3, 1.0, 3.0, 10.0, 100.0])
    x = np.geomspace(1e-5, 15.0, 3000)
    spectra = cross_spectrum_table(ratio, 0.0, "Z")(x, s)
    assert spectra[0].shape == (x.size, s.size)
    for spectrum, covariance in zip(spectra, _pair_covariance(s, ratio, 0.0, "Z"), strict=True):
        below = spectrum[0] * x[0] * (3.0 if ratio == 0.0 else 1.0)
        total = np.trapezoid(spectrum * x[:, None], np.log(x), axis=0) + below
        assert_allclose(total, covariance, atol=2e-4)


def test_cross_spectra_of_many_are_those_of_each_alone():
    table = cross_spectrum_table(0.02, 0.3, "G")
    x, s = np.geomspace(1e-4, 20.0, 500), np.geomspace(1e-4, 300.0, 7)
    for many_x, many_s in ((x, s), (x[::100], np.repeat(s, 60))):
        along, across = table(many_x, many_s)
        for i, j in ((0, 0), (-1, 3), (3, -1)):
            alone = table(many_x[i], many_s[j])
            # Sums of 16 products of order one, in another order, times the spectrum.
            assert_allclose(along[i, j], alone[0][0, 0], rtol=1e-12, atol=1e-14 * along[i].max())
            assert_allclose(across[i, j], alone[1][0, 0], rtol=1e-12, atol=1e-14 * along[i].max())


def test_cross_spectra_at_zero_separation_are_the_mean_spectrum():
    x = np.geomspace(1e-4, 10.0, 50)
    along, across = cross_spectrum_table(0.02, 0.33, "G")(x, [0.0])
    mean = 0.5 * sum(tilt_spectra(x, 0.02, 0.33, "G"))
    assert_allclose(along[:, 0], mean)
    assert_allclose(across[:, 0], mean)
