"""Light on pixels: direction, flux, width."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.image.otf import HalfMaximum
from blursplit.simulate.camera import Imager, _Grid
from blursplit.simulate.scene import SceneTelescope

WAVELENGTH_M = 550e-9
PIXEL = 0.65


def imager_of(**telescope):
    """Return an imager of a 0.25 m telescope."""
    optics = SceneTelescope(aperture_m=0.25, **telescope)
    return Imager(optics, WAVELENGTH_M, PIXEL, 8.0)


def centre_px(image):
    """Return the centre of gravity of an image."""
    y, x = np.indices(image.shape)
    # a compact weight, for the wings of diffraction fold at the box
    near = np.hypot(x - image.shape[1] // 2, y - image.shape[0] // 2) < 7
    light = image * near
    return np.array([np.sum(light * x), np.sum(light * y)]) / light.sum()


def still(imager, n=1):
    """Return flat wavefronts."""
    return np.zeros((n, imager.pupil.x_m.size), dtype=np.float32)


@pytest.mark.parametrize("axis", [0, 1])
def test_pointing_along_plus_axis_moves_the_star_along_plus_axis(axis):
    """Pointing along plus axis moves the star along plus axis."""
    imager = imager_of()
    offset = np.zeros((1, 2))
    offset[0, axis] = 1.3
    before = centre_px(imager.pixels(imager.spectra(still(imager), np.zeros((1, 2)), 1))[0])
    after = centre_px(imager.pixels(imager.spectra(still(imager), offset, 1))[0])
    expected = np.zeros(2)
    expected[axis] = 1.3 / PIXEL
    assert_allclose(after - before, expected, atol=0.02)


@pytest.mark.parametrize("axis", [0, 1])
def test_tilt_of_the_wavefront_moves_the_star_as_far_as_the_same_pointing(axis):
    """Tilt of the wavefront moves the star as far as the same pointing."""
    imager = imager_of()
    slope = 1.3 / ARCSEC_PER_RADIAN * 2 * np.pi / WAVELENGTH_M
    at = (imager.pupil.x_m, imager.pupil.y_m)[axis]
    tilted = (slope * at).astype(np.float32)[None]
    offset = np.zeros((1, 2))
    offset[0, axis] = 1.3
    by_air = imager.pixels(imager.spectra(tilted, np.zeros((1, 2)), 1))
    by_mount = imager.pixels(imager.spectra(still(imager), offset, 1))
    assert_allclose(by_air, by_mount, atol=2e-6)


def test_star_stands_on_the_middle_pixel_of_the_box():
    """Star stands on the middle pixel of the box."""
    imager = imager_of()
    image = imager.pixels(imager.spectra(still(imager), np.zeros((1, 2)), 1))[0]
    middle = imager.grid.stamp_px // 2
    assert np.unravel_index(np.argmax(image), image.shape) == (middle, middle)
    assert_allclose(centre_px(image), middle, atol=1e-3)


def test_flux_is_conserved_whatever_the_phase():
    """Flux is conserved whatever the phase."""
    imager = imager_of(obstruction=0.3, instrument_fwhm_arcsec=0.8)
    rng = np.random.default_rng(1)
    phase = rng.normal(0, 1.0, (4, imager.pupil.x_m.size)).astype(np.float32)
    images = imager.pixels(imager.spectra(phase, rng.normal(0, 0.5, (4, 2)), 2))
    assert images.shape[0] == 2
    assert_allclose(images.sum(axis=(1, 2)), 1.0, rtol=1e-4)


def test_sub_exposures_are_averaged():
    """Sub exposures are averaged."""
    imager = imager_of()
    offset = np.array([[-1.0, 0.0], [1.0, 0.5]])
    both = imager.pixels(imager.spectra(still(imager, 2), offset, 2))[0]
    each = imager.pixels(imager.spectra(still(imager, 2), offset, 1))
    assert_allclose(both, each.mean(axis=0), atol=1e-6)


@pytest.mark.parametrize(("obstruction", "width"), [(0.0, 1.0290), (0.33, 0.9720)])
def test_width_of_diffraction_is_airys(obstruction, width):
    """1.029 and 0.972 lambda/D; a pupil of 40 points with soft edges errs by under 0.5 %."""
    imager = imager_of(obstruction=obstruction)
    light = imager.spectra(still(imager), np.zeros((1, 2)), 1)[0].astype(complex)
    measured = HalfMaximum.of_transform(light, imager.fine_arcsec)
    diffraction = WAVELENGTH_M / 0.25 * ARCSEC_PER_RADIAN
    assert_allclose(measured.mean, width * diffraction, rtol=0.006)
    assert_allclose(measured.major / measured.minor, 1.0, atol=0.01)


def test_width_of_a_stretched_gaussian_is_found_with_its_direction():
    """Width of a stretched gaussian is found with its direction."""
    n, step = 96, 0.2
    fy, fx = np.fft.fftfreq(n, step)[:, None], np.fft.rfftfreq(n, step)[None, :]
    c, s = np.cos(np.deg2rad(30)), np.sin(np.deg2rad(30))
    along, across = c * fx + s * fy, -s * fx + c * fy
    light = np.exp(-2 * np.pi**2 * ((0.9 * along) ** 2 + (0.6 * across) ** 2)).astype(complex)
    width = HalfMaximum.of_transform(light, step)
    # eight times finer than 0.2 arcsec: counting points errs by well under 1 percent
    assert_allclose(width.mean, 2.35482 * np.sqrt(0.9 * 0.6), rtol=0.005)
    assert_allclose([width.major, width.minor], [2.35482 * 0.9, 2.35482 * 0.6], rtol=0.01)
    assert_allclose(width.angle_deg, 30, atol=0.5)


def test_defocus_with_astigmatism_stretches_the_star_along_its_angle():
    """Defocus with astigmatism stretches the star along its angle."""
    imager = imager_of(defocus_nm=120.0, astigmatism_nm=60.0, astigmatism_angle_deg=0.0)
    light = imager.spectra(still(imager), np.zeros((1, 2)), 1)[0].astype(complex)
    width = HalfMaximum.of_transform(light, imager.fine_arcsec)
    assert width.major > 1.1 * width.minor
    assert min(width.angle_deg, 180 - width.angle_deg) < 2


def test_fine_grid_satisfies_nyquist_and_fits_the_pixels():
    """Fine grid satisfies nyquist and fits the pixels."""
    for aperture in (0.08, 0.2, 0.4):
        grid = _Grid.choose(aperture, WAVELENGTH_M, PIXEL, 6.0)
        fine = PIXEL / grid.fine_per_px / ARCSEC_PER_RADIAN
        assert fine <= WAVELENGTH_M / (2 * aperture)
        assert_allclose(grid.pitch_m * grid.fine_points * fine, WAVELENGTH_M)
