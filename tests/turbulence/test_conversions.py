"""Conversions and statistics of turbulence against closed forms and published numbers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import kv

from blursplit.constants import KARMAN_SATURATION, SEEING_IN_LAMBDA_OVER_R0
from blursplit.turbulence import conversions as turb

REFERENCE_M = 500e-9


def test_kolmogorov_width_is_the_published_0_976_lambda_over_r0():
    # Fried 1966 rounds to 0.98 or 0.976; the numerical transform is good to 1e-5.
    width = turb._width_table()[1][0]
    assert_allclose(width, 0.97586, rtol=2e-5)
    assert_allclose(SEEING_IN_LAMBDA_OVER_R0, width, rtol=2e-5)


def test_constants_are_those_of_fried_and_noll():
    # Fried 1966: 6.88; Noll 1976: 0.0229 in cycles per metre; both rounded to the digits given.
    assert_allclose(turb.STRUCTURE_CONSTANT, 6.88, atol=0.005)
    assert_allclose(turb.SPECTRUM_CONSTANT, 0.0229, atol=5e-5)


def test_ten_centimetres_are_one_arcsecond_in_green_light():
    assert_allclose(turb.seeing_arcsec(0.1, REFERENCE_M), 1.0064, atol=1e-4)
    assert_allclose(turb.r0_m(1.0064, REFERENCE_M), 0.1, rtol=1e-4)


@pytest.mark.parametrize(
    ("wavelength_nm", "expected_m"),
    [(400, 0.07651), (550, 0.11212), (650, 0.13700), (850, 0.18903)],
)
def test_r0_grows_with_the_six_fifths_power_of_wavelength(wavelength_nm, expected_m):
    got = turb.scale_r0(0.1, from_wavelength_m=REFERENCE_M, to_wavelength_m=wavelength_nm * 1e-9)
    assert_allclose(got, expected_m, atol=5e-6)


@pytest.mark.parametrize(("zenith_deg", "factor"), [(30, 1.0901), (45, 1.2311), (60, 1.5157)])
def test_seeing_grows_with_airmass_to_the_three_fifths(zenith_deg, factor):
    airmass = 1 / np.cos(np.radians(zenith_deg))
    r0 = turb.scale_r0(
        0.1, from_wavelength_m=REFERENCE_M, to_wavelength_m=REFERENCE_M, to_airmass=airmass
    )
    assert_allclose(0.1 / r0, factor, atol=5e-5)


def test_structure_function_equals_the_bessel_closed_form():
    # The same expression evaluated directly where it does not cancel (Tokovinin 2002).
    r = np.geomspace(1e-3, 20.0, 40)
    x = 2 * np.pi * r
    direct = turb._VON_KARMAN * (KARMAN_SATURATION - x ** (5 / 6) * kv(5 / 6, x))
    assert_allclose(turb.structure_function(r, 1.0, 1.0), direct, rtol=1e-7)


def test_structure_function_is_the_transform_of_the_spectrum():
    # D(r) = 4 pi int W(f) [1 - J0(2 pi f r)] f df; the grid cuts f at 3000/L0: 3e-4 at r = 0.1.
    from scipy.special import j0

    f = np.geomspace(1e-5, 3e3, 400_001)
    for r in (0.1, 0.5, 2.0):
        integrand = turb.phase_spectrum(f, 1.0, 1.0) * (1 - j0(2 * np.pi * f * r)) * f * f
        numeric = 4 * np.pi * np.trapezoid(integrand, np.log(f))
        assert_allclose(turb.structure_function(r, 1.0, 1.0), numeric, rtol=1e-3)


@pytest.mark.parametrize("distance", [1e-9, 1e-7, 1e-5, 1e-3])
def test_small_distances_join_kolmogorov_smoothly(distance):
    # 1 - 1.485 x^(1/3) + ... of the K_5/6 series: the next term is x^2/x^(5/3) of its size.
    expected = 1 - 1.4851 * distance ** (1 / 3)
    assert_allclose(turb._von_karman_reduction(distance), expected, atol=2e-4)


@pytest.mark.parametrize(
    ("r0", "outer", "width"),
    [
        (0.05, 10, 1.656),
        (0.1, 10, 0.771),
        (0.1, 20, 0.8278),
        (0.15, 50, 0.573),
        (0.1, np.inf, 1.0064),
    ],
)
def test_outer_scale_narrows_the_long_exposure(r0, outer, width):
    # 0.8278 comes from an independent library's profile, the others from another quadrature.
    assert_allclose(turb._von_karman_fwhm_arcsec(r0, outer, REFERENCE_M), width, atol=6e-4)


@pytest.mark.parametrize(("r0", "outer"), [(0.05, 50.0), (0.1, 20.0), (0.15, 10.0)])
def test_tokovinin_2002_formula_is_low_by_at_most_1_2_percent(r0, outer):
    formula = turb.seeing_arcsec(r0, REFERENCE_M) * np.sqrt(1 - 2.183 * (r0 / outer) ** 0.356)
    numeric = turb._von_karman_fwhm_arcsec(r0, outer, REFERENCE_M)
    assert -0.012 < formula / numeric - 1 < 0.0


def test_width_without_meaning_is_refused():
    with pytest.raises(ValueError, match="outer scale"):
        turb._von_karman_fwhm_arcsec(1.0, 2.0, REFERENCE_M)


def test_conversions_agree_with_aotools():
    import aotools

    # aotools uses 0.98 lambda/r0: 0.42 % above the numerical constant.
    for r0 in (0.05, 0.1, 0.2):
        theirs = aotools.r0_to_seeing(r0, REFERENCE_M)
        assert_allclose(turb.seeing_arcsec(r0, REFERENCE_M), theirs, rtol=0.0045)


def test_quantities_carry_units_through():
    import astropy.units as u

    from blursplit.turbulence import conversions as quantities

    seeing = quantities.seeing_from_r0(10 * u.cm, 0.5 * u.um)
    assert_allclose(seeing.to_value(u.arcsec), 1.0064, atol=1e-4)
    assert_allclose(quantities.r0_from_seeing(seeing, 500 * u.nm).to_value(u.cm), 10.0)
    with pytest.raises(u.UnitConversionError):
        quantities.seeing_from_r0(10 * u.s, 500 * u.nm)
    assert_allclose(
        quantities.image_motion(
            0.1 * u.m, 0.2 * u.m, 500 * u.nm, outer_scale=25 * u.m, kind="G"
        ).to_value(u.arcsec),
        0.3157,
        atol=1e-4,
    )


def test_examples_in_docstrings_run():
    import doctest

    from blursplit.turbulence import conversions as quantities

    result = doctest.testmod(quantities)
    assert result.attempted >= 10
    assert result.failed == 0
