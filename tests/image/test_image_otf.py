"""Transfer functions against closed forms, and the widths of their products against tables."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.image.otf import half_maximum_width, scaled_frequencies, telescope_otf
from blursplit.turbulence.conversions import structure_function

GREEN_M = 500e-9


def width_of(otf, rough):
    """Return the width of a round transfer function, sampled in units of a rough one."""
    fx, fy = scaled_frequencies()
    return rough * half_maximum_width(otf(np.hypot(fx, fy) / rough)).mean


@pytest.mark.parametrize("obstruction", [0.0, 0.33, 0.5])
def test_telescope_otf_is_the_pupils_autocorrelation(obstruction):
    y, x = np.indices((512, 512)) - 255.5
    radius = np.hypot(x, y) / 64
    pupil = ((radius < 1) & (radius >= obstruction)).astype(float)
    overlap = np.fft.ifft2(np.abs(np.fft.fft2(pupil)) ** 2).real
    lags = np.arange(0, 128, 8)
    # The pixelated edge is off by up to half a pixel of 64: a few parts in a thousand.
    expected = overlap[0, lags] / overlap[0, 0]
    assert_allclose(telescope_otf(lags / 128, obstruction), expected, atol=3e-3)
    assert telescope_otf(1.0, obstruction) == 0.0 == telescope_otf(1.7, obstruction)


def test_filled_telescope_otf_is_the_textbook_form():
    u = np.linspace(0, 1, 50)
    textbook = 2 / np.pi * (np.arccos(u) - u * np.sqrt(1 - u**2))
    assert_allclose(telescope_otf(u), textbook, atol=1e-12)


@pytest.mark.parametrize(("obstruction", "width"), [(0.0, 1.0290), (0.33, 0.9720)])
def test_diffraction_width(obstruction, width):
    # second order in the step of 1/23 of a width: 0.2 %
    assert_allclose(width_of(lambda f: telescope_otf(f, obstruction), width), width, rtol=2e-3)


@pytest.mark.parametrize(
    ("r0", "outer", "aperture", "width"),
    [
        (0.05, 10, 0.1, 2.009),
        (0.1, 20, 0.2, 1.0045),
        (0.15, 50, 0.4, 0.6482),
        (0.1, np.inf, 0.3, 1.0932),  # these four also from an independent library
        (0.15, 20, 0.3, 0.653),
        (0.05, 30, 0.4, 1.834),
    ],
)
def test_long_exposure_widths_match_the_table(r0, outer, aperture, width):
    def otf(f_per_arcsec):
        baseline = f_per_arcsec * ARCSEC_PER_RADIAN * GREEN_M
        air = np.exp(-0.5 * structure_function(baseline, r0, outer))
        return telescope_otf(baseline / aperture) * air

    # the table is rounded (0.08 %), the sampling errs by 0.2 %
    assert_allclose(width_of(otf, width), width, rtol=3e-3)
