"""Defocus of an annular pupil against direct integration and Fourier optics."""

from __future__ import annotations

import numpy as np
import pytest

from blursplit.evidence.focus_runs import _defocus_sigma_arcsec, _equivalent_variance
from blursplit.image.otf import defocus_loss, defocus_otf

APERTURE_M, FOCAL_M, WAVELENGTH_M = 0.25, 1.25, 550e-9
ARCSEC = 206264.80625
GRID, RADIUS_PX = 512, 120


def pupil(obstruction):
    y, x = np.indices((GRID, GRID)) - GRID // 2
    u, v = x / RADIUS_PX, y / RADIUS_PX
    r = np.hypot(u, v)
    return u, v, ((r <= 1) & (r >= obstruction)).astype(float)


def transfer(field):
    """Autocorrelation of the pupil along +x, by Fourier transform, one sample a grid step."""
    return np.fft.ifft2(np.abs(np.fft.fft2(field)) ** 2).real[0]


@pytest.mark.parametrize("obstruction", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("defocus_m", [20e-6, -100e-6])
def test_rms_of_the_rays_is_the_second_moment_of_the_annulus(obstruction, defocus_m):
    """Rays of a pupil point at x land at x dz/f from the axis, seen under that over f."""
    u, _, inside = pupil(obstruction)
    angle = u * APERTURE_M / 2 * defocus_m / FOCAL_M**2 * ARCSEC
    expected = np.sqrt((angle**2 * inside).sum() / inside.sum())
    found = _defocus_sigma_arcsec(
        defocus_m, aperture_m=APERTURE_M, focal_length_m=FOCAL_M, obstruction=obstruction
    )
    # the edge is known to half a grid step of 120: 0.4 % of the radius at most
    np.testing.assert_allclose(found, expected, rtol=4e-3)


@pytest.mark.parametrize("obstruction", [0.0, 0.3])
@pytest.mark.parametrize("defocus_m", [20e-6, 50e-6, 150e-6])
def test_transfer_function_of_defocus_is_that_of_fourier_optics(obstruction, defocus_m):
    """Wavefront dz rho^2/(8 F^2), Born & Wolf, section 8.8 (m)."""
    u, v, inside = pupil(obstruction)
    w20_m = defocus_m / (8 * (FOCAL_M / APERTURE_M) ** 2)
    wave = inside * np.exp(2j * np.pi * w20_m / WAVELENGTH_M * (u**2 + v**2))
    steps = np.arange(0, 200, 8)
    sigma = _defocus_sigma_arcsec(
        defocus_m, aperture_m=APERTURE_M, focal_length_m=FOCAL_M, obstruction=obstruction
    )
    found = defocus_otf(
        steps / (2 * RADIUS_PX),
        sigma,
        aperture_m=APERTURE_M,
        wavelength_m=WAVELENGTH_M,
        obstruction=obstruction,
    )
    expected = (transfer(wave) / transfer(inside))[steps]
    # pupil edges on a grid: the overlap is known to about 1/(2 RADIUS_PX) of its width
    np.testing.assert_allclose(found, expected, atol=6e-3)


def test_short_baselines_lose_as_a_gaussian_of_the_rays_rms():
    b = np.array([0.002, 0.004])
    cycles = b * APERTURE_M / WAVELENGTH_M / ARCSEC
    sigma = 0.4
    otf = defocus_otf(b, sigma, aperture_m=APERTURE_M, wavelength_m=WAVELENGTH_M, obstruction=0.3)
    # of the pupil, a share of about 4 b/pi drops out of the overlap: half a per cent here,
    # and its edge weighs up to four times as much in the second moment
    np.testing.assert_allclose(-np.log(otf) / (2 * np.pi**2 * cycles**2), sigma**2, rtol=0.02)


def test_loss_of_a_larger_defocus_is_always_larger():
    b = np.linspace(0.05, 0.3, 8)
    sigma, loss = defocus_loss(b, aperture_m=APERTURE_M, wavelength_m=WAVELENGTH_M)
    assert np.all(np.diff(loss, axis=0) > 0)
    cycles = b * APERTURE_M / WAVELENGTH_M / ARCSEC
    assert np.all(np.diff(_equivalent_variance(loss, cycles)) > 0)
    assert np.exp(-loss[-2].max()) == pytest.approx(0.04, rel=0.2)  # the grid's last step
    assert sigma[-1] > 50 * sigma[-2]


def test_equivalent_variance_is_linear_and_blind_to_the_level():
    cycles = np.linspace(0.1, 0.7, 8)
    gaussian = 2 * np.pi**2 * cycles**2 * 0.3
    np.testing.assert_allclose(_equivalent_variance(gaussian + 0.07, cycles), 0.3, rtol=1e-12)
    other = np.stack([cycles**1.667, gaussian])
    parts = _equivalent_variance(other, cycles)
    np.testing.assert_allclose(_equivalent_variance(other.sum(axis=0), cycles), parts.sum())


@pytest.mark.parametrize("obstruction", [0.0, 0.35])
def test_rays_of_any_aberrated_pupil_have_a_parabola_of_variance_through_focus(obstruction):
    """Coma and trefoil add to the least variance, spherical aberration moves the focus."""
    u, v, inside = pupil(obstruction)
    r2 = u**2 + v**2
    modes = {
        "coma": (3 * r2 - 2) * u,
        "trefoil": u**3 - 3 * u * v**2,
        "spherical": 6 * r2**2 - 6 * r2 + 1,
    }
    weight = inside / inside.sum()

    def slope_variance(wave):
        gy, gx = np.gradient(wave)
        return sum((g**2 * weight).sum() - (g * weight).sum() ** 2 for g in (gx, gy)) / 2

    z = np.linspace(-3, 3, 7)
    focus = {}
    for name, mode in modes.items():
        curve = np.array([slope_variance(mode + step * r2) for step in z])
        square, linear, rest = np.polyfit(z, curve, 2)
        np.testing.assert_allclose(np.polyval([square, linear, rest], z), curve, rtol=1e-9)
        pure = slope_variance(r2)
        np.testing.assert_allclose(square, pure, rtol=1e-9)
        focus[name] = -linear / (2 * square)
    # odd modes have no part in common with defocus; the grid is symmetric but for one row
    np.testing.assert_allclose([focus["coma"], focus["trefoil"]], 0.0, atol=1e-6)
    # slopes 24 r^3 - 12 r against 2 r, their product averaged over the annulus (weight r dr)
    q4, q6 = 1 - obstruction**4, 1 - obstruction**6
    expected = -6 * (4 * q6 / 6 - 2 * q4 / 4) / (2 * q4 / 4)
    np.testing.assert_allclose(focus["spherical"], expected, rtol=0.02)  # pupil edge on a grid
