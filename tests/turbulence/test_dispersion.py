"""Differential refraction against the table of Filippenko (1982)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.turbulence.conversions import (
    _refraction_arcsec,
    _refractivity,
    band_dispersion_arcsec,
)

# Filippenko (1982), PASP 94, 715, table I as an observatory's page prints it: 2 km, P = 600 mm
# Hg, T = 7 C, f = 8 mm Hg, relative to 500 nm [arcsec].
WAVELENGTHS_NM = [300, 350, 400, 450, 500, 550, 600, 650, 700, 800, 1000]
TABLE = {
    1.05: [0.68, 0.38, 0.20, 0.08, 0.00, -0.06, -0.11, -0.14, -0.17, -0.21, -0.26],
    1.50: [2.37, 1.34, 0.71, 0.29, 0.00, -0.21, -0.37, -0.50, -0.60, -0.74, -0.91],
}
MM_HG = 1013.25 / 760


@pytest.mark.parametrize("airmass", TABLE)
def test_table_of_filippenko_1982(airmass):
    got = _refraction_arcsec(
        WAVELENGTHS_NM,
        500.0,
        np.degrees(np.arcsin(1 / airmass)),
        pressure_hpa=600 * MM_HG,
        temperature_c=7.0,
        water_vapour_hpa=8 * MM_HG,
    )
    assert_allclose(got, TABLE[airmass], atol=0.0051)  # two printed decimals


def test_refractivity_of_standard_air_is_edlens():
    # n = 1.000277 for the yellow sodium line in dry air at 15 C and 760 mm Hg (from memory).
    assert_allclose(_refractivity(589.3), 277e-6, atol=0.5e-6)


def test_even_band_has_the_rms_of_its_refraction():
    ends = _refraction_arcsec(
        [500.0, 510.0],
        505.0,
        45.0,
        temperature_c=10.0,
    )
    rms = band_dispersion_arcsec((500.0, 510.0), 45.0)
    assert_allclose(rms, np.ptp(ends) / np.sqrt(12), rtol=2e-2)


def test_high_sites_disperse_less_and_the_zenith_not_at_all():
    high = band_dispersion_arcsec((400.0, 700.0), 40.0, height_m=4000.0)
    assert high < 0.7 * band_dispersion_arcsec((400.0, 700.0), 40.0)
    assert_allclose(band_dispersion_arcsec((400.0, 700.0), 90.0), 0.0, atol=1e-12)


@pytest.mark.parametrize(("band", "altitude"), [((500.0, 600.0), 5.0), ((600.0, 500.0), 45.0)])
def test_impossible_geometry_is_refused(band, altitude):
    with pytest.raises(ValueError, match=r"altitude|pass band"):
        band_dispersion_arcsec(band, altitude)
