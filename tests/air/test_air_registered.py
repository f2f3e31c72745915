"""The registered star: images through an independent library's screens give back their r0."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.air.centroid_tilt import mixed_coefficient
from blursplit.air.image import telescope_otf
from blursplit.air.registered import (
    RegisteredOtf,
    fit_registered,
    log_otf_bias,
    log_otf_model,
    measure_registered_otf,
    registered_systematic,
)
from blursplit.air.turbulence import ARCSEC

LAMBDA_M, APERTURE_M = 550e-9, 0.2
SCALE_ARCSEC = 0.5 * LAMBDA_M / APERTURE_M / ARCSEC  # two pixels a resolution element
PUPIL_PX, SCREEN_PX, IMAGE_PX = 32, 512, 128


def _stamps(d_over_r0, screens, seed):
    """Return camera stamps of instantaneous images through aotools' Kolmogorov screens."""
    import aotools

    y, x = (np.indices((PUPIL_PX, PUPIL_PX)) - (PUPIL_PX - 1) / 2) / (PUPIL_PX / 2)
    pupil = np.hypot(x, y) <= 1.0
    stamps = []
    for number in range(screens):
        screen = aotools.ft_phase_screen(
            1 / d_over_r0, SCREEN_PX, 1 / PUPIL_PX, 1e6, 1e-6, seed=seed + number
        )
        k = SCREEN_PX // PUPIL_PX
        cut = screen.reshape(k, PUPIL_PX, k, PUPIL_PX).transpose(0, 2, 1, 3)
        phase = cut.reshape(-1, PUPIL_PX, PUPIL_PX)
        field = np.zeros((len(phase), IMAGE_PX, IMAGE_PX), dtype=complex)
        field[:, :PUPIL_PX, :PUPIL_PX] = pupil * np.exp(1j * phase)
        image = np.fft.fftshift(np.abs(np.fft.fft2(field)) ** 2, axes=(1, 2))
        stamps.append(image.reshape(-1, IMAGE_PX // 2, 2, IMAGE_PX // 2, 2).sum(axis=(2, 4)))
    stamps = np.concatenate(stamps)[:, 12:52, 12:52]
    return 5e4 * stamps / stamps.sum(axis=(1, 2)).mean()


def _centroids(stamps, sigma_px):
    """Return windowed centroids, one star after the other: the slow and obvious way."""
    axis = np.arange(stamps.shape[1])
    found = []
    for stamp in stamps:
        top = np.unravel_index(stamp.argmax(), stamp.shape)
        at = np.array(top[::-1], dtype=float)
        for _ in range(40):
            wx = np.exp(-0.5 * ((axis - at[0]) / sigma_px) ** 2)
            wy = np.exp(-0.5 * ((axis - at[1]) / sigma_px) ** 2)
            weighted = stamp * np.outer(wy, wx)
            mean = np.array([(weighted * axis).sum(), (weighted.T * axis).sum()]) / weighted.sum()
            at += 1.5 * (mean - at)
        found.append(at)
    return np.array(found).T


@pytest.mark.parametrize("d_over_r0", [1.5, 3.0])
def test_r0_of_an_independent_librarys_screens(d_over_r0):
    stamps = _stamps(d_over_r0, 2, 77)
    # The star's sigma is about 0.45 lambda/D, 0.9 px; the window is 1.5 of these.
    cx, cy = _centroids(stamps, 1.4)
    otf = measure_registered_otf(
        stamps + 100.0, np.full(len(stamps), 100.0), cx, cy, pixel_scale_arcsec=SCALE_ARCSEC
    )
    fit = fit_registered(
        otf,
        aperture_m=APERTURE_M,
        wavelength_m=LAMBDA_M,
        outer_scale_m=np.inf,
        pixel_scale_arcsec=SCALE_ARCSEC,
    )
    error = np.log(fit.r0_m * d_over_r0 / APERTURE_M)
    # 512 independent pupils, three standard errors.
    assert abs(error) < 3 * np.hypot(fit.log_r0_sigma, fit.log_r0_systematic)
    assert fit.log_r0_sigma < 0.06
    assert_allclose(fit.amplitude, 1.0, atol=0.08)
    assert fit.misfit < 0.05


def _model_otf(r0_m, scale=0.4, blur_arcsec=0.0, gain=1.0):
    f = np.fft.fftfreq(64) / scale
    fx, fy = (part.ravel() for part in np.meshgrid(f[:32], f))
    keep = (fx > 0) | (fy > 0)
    fx, fy = fx[keep], fy[keep]
    b = np.hypot(fx, fy) / ARCSEC * LAMBDA_M / APERTURE_M
    air = np.exp(log_otf_model(np.minimum(b, 0.4), r0_m, aperture_m=APERTURE_M, outer_scale_m=20.0))
    still = np.sinc(fx * scale) * np.sinc(fy * scale)
    still *= np.exp(-2 * np.pi**2 * blur_arcsec**2 * (fx**2 + fy**2))
    value = gain * telescope_otf(b) * air * still
    return RegisteredOtf(fx, fy, value, np.full(b.size, 1e-5), np.tile(value + 0j, (10, 1)), 1000)


def _fit(otf, **kwargs):
    return fit_registered(
        otf,
        aperture_m=APERTURE_M,
        wavelength_m=LAMBDA_M,
        outer_scale_m=20.0,
        pixel_scale_arcsec=0.4,
        **kwargs,
    )


@pytest.mark.parametrize("r0", [0.05, 0.1, 0.2])
def test_fit_inverts_the_model_whatever_the_gain(r0):
    fit = _fit(_model_otf(r0, gain=0.93))
    assert_allclose(fit.r0_m, r0, rtol=1e-3)
    assert_allclose(fit.amplitude, 0.93, rtol=1e-3)


def test_optics_count_as_air_until_their_width_is_stated():
    otf = _model_otf(0.1, blur_arcsec=0.4)
    assert _fit(otf).r0_m < 0.09  # the bound: more air than there is
    stated = _fit(otf, instrument_fwhm_arcsec=2.354820 * 0.4)
    assert_allclose(stated.r0_m, 0.1, rtol=1e-3)
    noisy = _fit(otf, centroid_noise_arcsec=0.4)
    assert_allclose(noisy.r0_m, 0.1, rtol=1e-3)


def test_image_sharper_than_a_perfect_telescope_has_no_air():
    otf = _model_otf(0.5)
    assert np.isinf(_fit(otf, instrument_fwhm_arcsec=2.0).r0_m)


def test_model_without_correction_is_the_gaussian_form():
    b = np.array([0.1, 0.2, 0.3])
    got = log_otf_model(b, 0.1, aperture_m=0.2, outer_scale_m=np.inf, tilt_mix=1.0, corrected=False)
    strength = 2 ** (5 / 3)
    expected = -0.5 * 6.883877 * b ** (5 / 3) + 2 * np.pi**2 * mixed_coefficient(1.0) * b**2
    assert_allclose(got, strength * expected)
    unregistered = log_otf_model(b, 0.1, aperture_m=0.2, outer_scale_m=np.inf, exposure_factor=0.0)
    assert_allclose(unregistered, -0.5 * 6.883877 * (2 * b) ** (5 / 3))


def test_model_is_vectorised_over_r0_outer_scale_and_exposure():
    got = log_otf_model(
        [0.1, 0.2],
        np.full((7, 1), 0.1),
        aperture_m=0.2,
        outer_scale_m=np.full(5, 20.0),
        exposure_factor=0.8,
    )
    assert got.shape == (7, 5, 2)
    assert_allclose(got, got[:1, :1] * np.ones((7, 5, 1)))


def test_correction_vanishes_for_weak_air_and_systematics_grow():
    assert_allclose(log_otf_bias([0.1, 0.2], 0.0), 0.0)
    assert np.abs(log_otf_bias([0.1, 0.2], 1.0)).max() < 0.005
    assert registered_systematic(1.0) < registered_systematic(4.0) < 0.1


def test_lost_frames_are_left_out_and_too_few_refused():
    rng = np.random.default_rng(0)
    y, x = np.indices((21, 21)) - 10.0
    stamps = np.tile(1e4 * np.exp(-(x**2 + y**2) / 8), (40, 1, 1)) + rng.normal(0, 3, (40, 21, 21))
    sky, centre = np.zeros(40), np.full(40, 10.0)
    stamps[3, 5, 5] = np.nan
    lost = centre.copy()
    lost[7] = np.nan
    otf = measure_registered_otf(stamps, sky, lost, centre, pixel_scale_arcsec=0.5)
    assert otf.frames == 38
    expected = np.exp(-2 * np.pi**2 * (otf.fx_per_arcsec**2 + otf.fy_per_arcsec**2) * 1.0)
    assert_allclose(otf.modulus, expected, atol=2e-3)
    with pytest.raises(ValueError, match="usable stamps"):
        measure_registered_otf(stamps, sky, lost * np.nan, centre, pixel_scale_arcsec=0.5)


def test_too_coarse_pixels_are_refused():
    otf = _model_otf(0.1)
    blind = RegisteredOtf(
        otf.fx_per_arcsec, otf.fy_per_arcsec, otf.modulus, otf.modulus, otf.blocks, otf.frames
    )
    with pytest.raises(ValueError, match="too few frequencies"):
        _fit(blind)
