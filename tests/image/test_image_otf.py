"""Transfer functions against closed forms, and the widths of their products against tables."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.facts import Optics
from blursplit.image.otf import (
    HalfMaximum,
    OpticsData,
    _cut_gains,
    _scaled_frequencies,
    telescope_otf,
)
from blursplit.stars.pixels import measure_sky
from blursplit.turbulence.conversions import structure_function

GREEN_M = 500e-9


def width_of(otf, rough):
    """Return the width of a round transfer function, sampled in units of a rough one."""
    fx, fy = _scaled_frequencies()
    return rough * HalfMaximum.mean_of(otf(np.hypot(fx, fy) / rough))


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


@pytest.mark.parametrize(
    ("aperture", "r0", "pixel", "size"),
    [(0.25, 0.12, 0.45, 25), (0.25, 0.07, 0.45, 25), (0.12, 0.1, 0.9, 15), (0.3, 0.1, 0.25, 41)],
)
def test_what_a_cut_out_star_lost_is_known(aperture, r0, pixel, size):
    """A star drawn on a field of 2000 pixels and cut out: without its wings ln OTF errs by 0.05."""
    fine = 4  # points a pixel
    n = 512 * fine
    cycles_arcsec = np.fft.fftfreq(n, pixel / fine)
    fx, fy = np.meshgrid(cycles_arcsec, cycles_arcsec)
    baseline = np.hypot(fx, fy) * ARCSEC_PER_RADIAN * GREEN_M
    bend = 0.9 * 6.88 / 2 * aperture ** (-1 / 3) * r0 ** (-5 / 3)  # Fried's form, 0.9 of it

    def ln_air(b):
        return -6.88 / 2 * (b / r0) ** (5 / 3) + bend * b**2

    otf = telescope_otf(baseline / aperture) * np.exp(np.minimum(ln_air(baseline), 0.0))
    otf *= np.sinc(fx * pixel) * np.sinc(fy * pixel)
    # The middle of the cut-out lies between points of the finer field: half a step away.
    otf = otf * np.exp(-1j * np.pi * (fx + fy) * pixel / fine)
    field = np.fft.fftshift(np.fft.ifft2(otf).real)
    first = (n - size * fine) // 2
    inside = field[first : first + size * fine, first : first + size * fine]
    stars = np.stack([inside[i::fine, k::fine] for i in range(fine) for k in range(fine)])
    stars -= measure_sky(stars.astype(np.float32))[0][:, None, None]
    whole = np.zeros_like(inside)
    for number, star in enumerate(stars):
        whole[number // fine :: fine, number % fine :: fine] = star
    optics = Optics(aperture, 0.0, GREEN_M, (10.0, 50.0), (2.0, 30.0))
    # Given at the finer step: only the pixel's own part of the instrument differs then.
    found = OpticsData.of(
        whole, whole[None], optics, scale_arcsec=pixel / fine, dispersion_arcsec2=0.0
    )
    share = found.baseline_m / aperture
    f = share * aperture / GREEN_M / ARCSEC_PER_RADIAN
    angles = np.pi * (np.arange(24) + 0.5) / 24

    def pixels(step):
        return np.mean(
            np.sinc(np.outer(f, np.cos(angles)) * step)
            * np.sinc(np.outer(f, np.sin(angles)) * step),
            axis=1,
        )

    lost = found.log_otf + np.log(pixels(pixel / fine) / pixels(pixel)) - ln_air(found.baseline_m)
    assert lost.min() > 0.02
    log_j, gain = _cut_gains(
        ln_air(found.baseline_m),
        share,
        optics,
        size=size,
        cycles_px=f[-1] / share[-1] * pixel,
    )
    known = [np.interp(-5 / 3 * np.log(r0), log_j, column) for column in gain.T]
    # steps of radius and direction: some hundredths of what was lost
    assert_allclose(known, lost, atol=0.005)
