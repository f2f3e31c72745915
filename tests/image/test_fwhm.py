"""Widths from transfer functions, against closed forms and published constants."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import uniform_filter

from blursplit.constants import PIXEL_EXCESS
from blursplit.image.otf import HalfMaximum, _scaled_frequencies
from blursplit.image.stack import _image_width, _resample, _sampling_error

GAUSS = 2.0 * np.sqrt(2.0 * np.log(2.0))


def gaussian_otf(fwhm_x: float, fwhm_y: float) -> np.ndarray:
    fx, fy = _scaled_frequencies()
    form = (fx * fwhm_x / GAUSS) ** 2 + (fy * fwhm_y / GAUSS) ** 2
    return np.exp(-2 * np.pi**2 * form)


def gaussian_image(fwhm_x: float, fwhm_y: float, angle_deg: float = 0.0) -> np.ndarray:
    axis = np.linspace(-2.0, 2.0, 93)
    x, y = np.meshgrid(axis, axis)
    turn = np.deg2rad(angle_deg)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    return np.exp(-0.5 * GAUSS**2 * ((along / fwhm_x) ** 2 + (across / fwhm_y) ** 2))


@pytest.mark.parametrize(("x", "y"), [(1.0, 1.0), (1.3, 0.8), (0.8, 1.2)])
def test_gaussian_has_the_width_of_its_closed_form(x: float, y: float) -> None:
    """Area above half maximum of an elliptical Gaussian: pi x y / 4."""
    # Second order in the step of 1/23 of a width: (1/23)^2 = 0.2 %.
    assert_allclose(HalfMaximum.mean_of(gaussian_otf(x, y)), np.sqrt(x * y), rtol=3e-3)
    width = HalfMaximum.of_core(gaussian_image(x, y), 4.0 / 92)
    assert_allclose(width.mean, np.sqrt(x * y), rtol=3e-3)
    assert_allclose([width.major, width.minor], [max(x, y), min(x, y)], rtol=1.2e-2)


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 90.0])
def test_direction_of_the_larger_width_is_from_x_toward_y(angle_deg: float) -> None:
    off = HalfMaximum.of_core(gaussian_image(1.3, 0.8, angle_deg), 4.0 / 92).angle_deg - angle_deg
    assert abs((off + 90.0) % 180.0 - 90.0) < 1.0


def test_kolmogorov_star_has_the_width_of_fried() -> None:
    """FWHM = 0.9759 lambda/r0 (Fried 1966, from memory; 0.97586 by numeric transform)."""
    fx, fy = _scaled_frequencies()
    otf = np.exp(-0.5 * 6.8839 * (np.hypot(fx, fy) / 0.97586) ** (5 / 3))
    assert_allclose(HalfMaximum.mean_of(otf), 1.0, rtol=2e-3)


# Kolmogorov core of FWHM 1 with kernels of q = 2.3548 sigma: numeric Hankel and Fourier
# transforms, confirmed by a library's convolution (physics notes, section 8).
@pytest.mark.parametrize(
    ("q", "expected"), [(0.3, 1.0525), (0.5, 1.1382), (1.0, 1.4624), (2.0, 2.3083)]
)
def test_kolmogorov_star_blurred_by_a_gaussian(q: float, expected: float) -> None:
    fx, fy = _scaled_frequencies()
    size = np.hypot(fx, fy) / expected
    otf = np.exp(
        -0.5 * 6.8839 * (size / 0.97586) ** (5 / 3) - 2 * np.pi**2 * (size * q / GAUSS) ** 2
    )
    assert_allclose(expected * HalfMaximum.mean_of(otf), expected, rtol=3e-3)


@pytest.mark.parametrize("kolmogorov_px", [0.9, 1.2, 1.6, 2.2, 3.5])
@pytest.mark.parametrize("optics_px", [0.3, 0.9])
def test_width_of_a_star_hardly_wider_than_its_pixels_is_unbiased(
    kolmogorov_px: float, optics_px: float
) -> None:
    """Kolmogorov air (Fried 1966), Gaussian optics and square pixels, 16 points to a pixel."""
    fine, n = 16, 24 * 16
    fx, fy = np.meshgrid(*2 * [np.fft.fftfreq(n, 1 / fine)])
    f = np.hypot(fx, fy)
    otf = np.exp(
        -3.44 * (f * kolmogorov_px / 0.97586) ** (5 / 3)
        - 2 * np.pi**2 * (f * optics_px / GAUSS) ** 2
    )
    star = np.fft.fftshift(np.fft.ifft2(otf * np.sinc(fx) * np.sinc(fy)).real)
    true = HalfMaximum.of_core(star, 1 / fine).mean
    phases = [(x, y) for x in (0, 4, 8, 12) for y in (0, 4, 8, 12)]
    widths = [_image_width(star[y::fine, x::fine], 1.0).mean for x, y in phases]
    # The sampled image alone reads 15 % too wide at 1.5 px and 2 % at 2.2 px.
    assert abs(np.mean(widths) / true - 1) < _sampling_error(true) + 2e-3
    assert np.std(widths) / true < 1.5 * _sampling_error(true) + 1e-3


@pytest.mark.parametrize("fwhm_px", [2.2, 4.0, 9.0])
@pytest.mark.parametrize("phase", [0.0, 0.37])
def test_width_of_a_sampled_star_does_not_depend_on_the_pixel_phase(
    fwhm_px: float, phase: float
) -> None:
    y, x = np.indices((41, 41)) - 20.0
    sigma = fwhm_px / GAUSS
    star = np.exp(-((x - phase) ** 2 + (y + phase / 2) ** 2) / (2 * sigma**2))
    # A Gaussian alone, in the middle of its pixel, loses no peak height to the pixels: it comes out
    # too narrow by all that is taken off a star of air and pixel, 2 % at 2.2 px.
    tolerance = np.exp(PIXEL_EXCESS[0] + PIXEL_EXCESS[1] * fwhm_px) + 6e-3
    assert_allclose(_image_width(star, 1.0).mean, fwhm_px, rtol=tolerance)


def test_resampling_keeps_the_samples() -> None:
    rng = np.random.default_rng(1)
    image = rng.normal(size=(21, 21))
    fine = _resample(image, 4)
    assert fine.shape == (84, 84)
    assert_allclose(fine[::4, ::4], image, atol=1e-9)
    assert_allclose(fine.sum() / 16, image.sum(), rtol=1e-9)


def test_core_width_scales_with_the_step() -> None:
    y, x = np.indices((61, 61)) - 30.0
    star = np.exp(-(x**2 + y**2) / (2 * 9.0**2))
    assert_allclose(HalfMaximum.of_core(star, 0.1).mean, 0.9 * GAUSS, rtol=3e-3)


def test_all_cores_of_a_trail_count_and_a_noise_peak_does_not():
    """Two equal cores cover twice the area of one: the circle is the root of two larger."""
    y, x = np.mgrid[0:61, 0:61]

    def core(at_x, height, sigma=2.5):
        return height * np.exp(-0.5 * ((x - at_x) ** 2 + (y - 30.0) ** 2) / sigma**2)

    one = _image_width(core(15.0, 1.0), 1.0).mean
    both = _image_width(core(15.0, 1.0) + core(45.0, 1.0), 1.0)
    assert_allclose(both.mean, np.sqrt(2.0) * one, rtol=0.005)
    assert both.angle_deg % 180.0 < 1e-6
    noisy = _image_width(core(15.0, 1.0) + core(45.0, 0.55, sigma=0.9), 1.0).mean
    assert_allclose(noisy, one, rtol=0.005)


@pytest.mark.parametrize("phase", [0.0, 0.37])
@pytest.mark.parametrize(("swing_px", "star_px"), [(4.0, 2.0), (8.0, 1.5)])
def test_narrow_cores_at_both_ends_of_a_trail_are_as_wide_as_drawn_finely(
    swing_px: float, star_px: float, phase: float
) -> None:
    """A worm's star, drawn finely and through its pixels: those widen the cores, not the trail."""
    fine, size = 9, 31
    middle, sigma = 0.5 * fine * size, fine * star_px / GAUSS
    at = np.arange(fine * size)
    turn = np.linspace(-0.3, 0.32, 400)
    place = middle + fine * (phase + swing_px * np.sin(2.0 * np.pi * turn))
    along = np.exp(-0.5 * ((at - place[:, None]) / sigma) ** 2).sum(axis=0)
    star = np.outer(along, np.exp(-0.5 * ((at - middle) / sigma) ** 2))
    seen = star.reshape(size, fine, size, fine).mean(axis=(1, 3))
    through = uniform_filter(star, fine)
    truth = 2.0 * np.sqrt((through > 0.5 * through.max()).sum() / np.pi) / fine
    # Cores are Gaussian along one axis and cut short along the other, where the table is of round
    # stars of air: two of its errors, and half maximum on a slope known to 1 %.
    tolerance = 2.0 * _sampling_error(star_px) + 0.02
    assert_allclose(_image_width(seen, 1.0).mean, truth, rtol=tolerance)
