"""Transfer functions and widths against closed forms, tables and each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.image.otf import (
    atmosphere_otf,
    drift_otf,
    fried_short_exposure_otf,
    gaussian_otf,
    registered_otf,
    sinusoid_otf,
    telescope_otf,
)
from blursplit.image.widths import (
    frequency_grid,
    fwhm_batch,
    fwhm_of_image,
    fwhm_of_otf_arcsec,
    half_maximum_radii,
)
from blursplit.turbulence.conversions import seeing_arcsec

GREEN_M = 500e-9


def _plane(count, step):
    f = (np.arange(count) - count // 2) * step
    return np.meshgrid(f, f)


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
    grid = frequency_grid(1.0, 1.1, 16.0)
    otf = telescope_otf(grid.radius_per_arcsec, obstruction)
    assert_allclose(fwhm_batch(otf, grid, 0.6, 2.0)[0], width, atol=5e-4)


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
    cutoff = min(aperture, 3.2 * r0) / GREEN_M / ARCSEC_PER_RADIAN
    grid = frequency_grid(cutoff, width)
    b = grid.radius_per_arcsec * ARCSEC_PER_RADIAN * GREEN_M
    otf = telescope_otf(b / aperture) * atmosphere_otf(b, r0, outer)
    # The field of eight widths folds wings back (0.06 %), the table is rounded (0.08 %).
    assert_allclose(fwhm_batch(otf, grid, 0.4, 4.0)[0], width, rtol=1.5e-3)
    fx, fy = _plane(128, 1 / (10 * width))
    b = np.hypot(fx, fy) * ARCSEC_PER_RADIAN * GREEN_M
    otf = telescope_otf(b / aperture) * atmosphere_otf(b, r0, outer)
    assert_allclose(fwhm_of_otf_arcsec(otf, 1 / (10 * width)).fwhm_arcsec, width, rtol=1.5e-3)


@given(
    major=st.floats(0.4, 0.9),
    ratio=st.floats(0.55, 1.0),
    angle=st.floats(0.0, 179.0),
)
@settings(max_examples=25, deadline=None)
def test_gaussian_image_has_the_axes_of_its_covariance(major, ratio, angle):
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    a, b = major**2, (ratio * major) ** 2
    xx, yy, xy = a * c * c + b * s * s, a * s * s + b * c * c, (a - b) * s * c
    grid = frequency_grid(2.4, 2.3)
    otf = gaussian_otf(grid.fx_per_arcsec, grid.fy_per_arcsec, xx, yy, xy)
    fwhm, long, short, direction = fwhm_batch(otf[None], grid, 0.4, 2.4)
    assert_allclose(fwhm[0], 2.354820 * major * np.sqrt(ratio), rtol=2e-3)
    assert_allclose(long[0], 2.354820 * major, rtol=2e-3)
    assert_allclose(short[0], 2.354820 * major * ratio, rtol=2e-3)
    if ratio < 0.95:
        assert abs((direction[0] - angle + 90) % 180 - 90) < 1.0


@pytest.mark.parametrize(
    ("q", "isotropic", "one_axis", "sinusoid", "drift"),
    [
        (0.3, 1.0525, 1.0500, 1.0528, 1.0522),
        (0.5, 1.1382, 1.1321, 1.1516, 1.1471),
        (1.0, 1.4624, 1.4464, 1.6479, 1.5936),
    ],
)
def test_blurred_kolmogorov_core_matches_the_table(q, isotropic, one_axis, sinusoid, drift):
    r0 = float(0.975863 * GREEN_M * ARCSEC_PER_RADIAN)  # a core of one arcsecond
    assert_allclose(seeing_arcsec(r0, GREEN_M), 1.0)
    grid = frequency_grid(3.2 * r0 / GREEN_M / ARCSEC_PER_RADIAN, 1.7, 9.0)
    fx, fy = grid.fx_per_arcsec, grid.fy_per_arcsec
    core = atmosphere_otf(grid.radius_per_arcsec * ARCSEC_PER_RADIAN * GREEN_M, r0, np.inf)
    sigma = q / 2.354820
    kernels = [
        gaussian_otf(fx, fy, sigma**2, sigma**2),
        gaussian_otf(fx, fy, sigma**2, 0.0),
        sinusoid_otf(fx, fy, np.sqrt(2) * sigma, 0.0),
        drift_otf(fx, fy, np.sqrt(12) * sigma, 0.0),
    ]
    radii = half_maximum_radii(core * np.array(kernels), grid, 0.5, 3.0)
    # Direction 0 is the blur axis; the table's own rounding plus folding of wings.
    assert_allclose(2 * radii[:, 0], [isotropic, one_axis, sinusoid, drift], rtol=1.5e-3)


def test_split_image_is_measured_by_its_contours():
    fx, fy = _plane(64, 1 / 16)
    core = gaussian_otf(fx, fy, 0.16, 0.16)
    width = fwhm_of_otf_arcsec(core * np.cos(2 * np.pi * fx * 1.6), 1 / 16)
    # Two round images 3.2 arcsec apart: twice the area of one.
    assert_allclose(width.fwhm_arcsec, np.sqrt(2) * 2.354820 * 0.4, rtol=5e-3)
    assert width.major_arcsec > 2 * width.minor_arcsec
    assert min(width.angle_deg, 180 - width.angle_deg) < 1


def test_width_outside_the_bounds_is_nan():
    grid = frequency_grid(2.0, 2.0)
    otf = gaussian_otf(grid.fx_per_arcsec, grid.fy_per_arcsec, 0.25, 0.25)
    assert np.isnan(fwhm_batch(otf, grid, 0.2, 0.5)[0])


def test_major_axis_of_pixels_turns_from_x_toward_y():
    y, x = np.indices((41, 41)) - 20.0
    turned = np.exp(-0.5 * (((x + y) / 2 / 3.0) ** 2 * 2 + ((x - y) / 2 / 2.0) ** 2 * 2))
    width = fwhm_of_image(1000 * turned + 50, 0.7)
    assert_allclose(width.angle_deg, 45.0, atol=0.5)
    assert_allclose(width.major_arcsec, 2.354820 * 3.0 * 0.7, rtol=3e-3)
    assert_allclose(width.fwhm_arcsec, 2.354820 * np.sqrt(6.0) * 0.7, rtol=3e-3)


@pytest.mark.parametrize("snr", [300, 40])
@pytest.mark.parametrize("seed", [1, 2])
def test_stated_width_error_is_the_scatter_over_noise(snr, seed):
    rng = np.random.default_rng(seed)
    y, x = np.indices((31, 31))
    widths = []
    for _ in range(60):
        cx, cy = 15 + rng.uniform(-0.5, 0.5, 2)
        star = 1000 * np.exp(-0.5 * (((x - cx) / 2.2) ** 2 + ((y - cy) / 2.2) ** 2))
        widths.append(fwhm_of_image(star + 100 + rng.normal(0, 1000 / snr, star.shape), 1.0))
    found = np.array([w.fwhm_arcsec for w in widths])
    stated = np.mean([w.sigma_arcsec for w in widths])
    assert 0.65 < found.std() / stated < 1.5  # 60 draws: 9 %; the error formula itself 30 %
    assert_allclose(found.mean(), 2.354820 * 2.2, atol=0.004 * 5.18 + 3 * found.std() / 7.7)


def test_noise_alone_has_no_width():
    noise = np.random.default_rng(3).normal(0, 5, (21, 21))
    assert np.isnan(fwhm_of_image(noise, 1.0).fwhm_arcsec)


def test_fried_1966_form_equals_tilt_removed_long_exposure():
    # alpha = 1 is exp(+2 pi^2 f^2 sigma^2) with sigma^2 = 0.1744 lambda^2 r0^(-5/3) D^(-1/3).
    b = np.linspace(0.01, 0.2, 20)
    variance = 0.17437 * GREEN_M**2 * 0.1 ** (-5 / 3) * 0.2 ** (-1 / 3)
    same = registered_otf(b, 0.1, np.inf, variance, GREEN_M)
    assert_allclose(fried_short_exposure_otf(b, 0.1, 0.2), same, rtol=1e-3)


@pytest.mark.parametrize(
    ("d_over_r0", "near", "gaussian_z"),
    [(1.0, 1.046, 1.030), (2.0, 1.089, 1.032), (3.0, 1.173, 1.027)],
)
def test_short_exposure_widths_match_the_table(d_over_r0, near, gaussian_z):
    grid = frequency_grid(1.0, 1.2, 16.0)  # arcsec stands for lambda/D
    b = grid.radius_per_arcsec
    fried = fried_short_exposure_otf(b, 1 / d_over_r0, 1.0)
    variance = 0.18192 * d_over_r0 ** (5 / 3)
    removed = registered_otf(b, 1 / d_over_r0, np.inf, variance, 1.0)
    otf = telescope_otf(b) * np.stack([fried, removed])
    assert_allclose(fwhm_batch(otf, grid, 0.6, 2.0)[0], [near, gaussian_z], rtol=1.5e-3)
