"""The registered star of known air, drawn through pupil, pixel and cut-out, against the model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import gamma, kv

from blursplit.budget.fit import FitSetup, _build_model
from blursplit.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA
from blursplit.facts import Optics
from blursplit.image.otf import OpticsData
from blursplit.motion.common import GridData, GridSegment
from blursplit.stars.centroid import WindowedShapes
from blursplit.stars.pixels import measure_sky

POINTS, IMAGES, BLOCKS = 32, 1200, 8
WAVELENGTH_M, OUTER_SCALE_M = 550e-9, 25.0


def structure(r_m, r0_m):
    """Return the von Karman structure function (closed form, e.g. Conan 2008)."""
    x = 2 * np.pi * np.maximum(r_m, 1e-9) / OUTER_SCALE_M
    c = 2 ** (1 / 6) * gamma(11 / 6) / np.pi ** (8 / 3) * (24 / 5 * gamma(6 / 5)) ** (5 / 6)
    left = gamma(5 / 6) / 2 ** (1 / 6) - x ** (5 / 6) * kv(5 / 6, x)
    return c * (OUTER_SCALE_M / r0_m) ** (5 / 3) * left


def wavefronts(aperture_m, obstruction, r0_m, rng):
    """Return the pupil's points and phases with exactly the air's covariance, tilts removed.

    The stamps of a sequence follow the star by whole pixels: it lies anywhere on its own.
    """
    y, x = (np.indices((POINTS, POINTS)) - (POINTS - 1) / 2) / POINTS * aperture_m
    radius = np.hypot(x, y) / (aperture_m / 2)
    mask = (radius <= 1) & (radius >= obstruction)
    px, py = x[mask], y[mask]
    piston = np.eye(len(px)) - 1 / len(px)
    apart = structure(np.hypot(px[:, None] - px, py[:, None] - py), r0_m)
    values, vectors = np.linalg.eigh(piston @ (-0.5 * apart) @ piston)
    phase = rng.standard_normal((IMAGES, len(px))) @ (vectors * np.sqrt(np.clip(values, 0, None))).T
    for along in (px, py):
        phase -= np.outer(phase @ along / (along @ along), along)
    return mask, phase


def stamps(mask, phase, aperture_m, pixel_arcsec, size, blur_arcsec, rng):
    """Return star images on pixels, light 1e5 each."""
    fine = int(np.ceil(2.2 * pixel_arcsec * aperture_m / WAVELENGTH_M / ARCSEC_PER_RADIAN)) | 1
    points = (size + 6) * fine
    at = (np.arange(points) - (points - 1) / 2) * pixel_arcsec / fine / ARCSEC_PER_RADIAN
    x = (np.arange(POINTS) - (POINTS - 1) / 2) / POINTS * aperture_m
    to_image = np.exp(-2j * np.pi * np.outer(x, at) / WAVELENGTH_M).astype(np.complex64)
    f = np.fft.fftfreq(points, pixel_arcsec / fine)
    one = np.exp(-2 * np.pi**2 * blur_arcsec**2 * f**2) * np.sinc(f * pixel_arcsec)
    out = []
    for part in np.array_split(phase, 16):
        move = rng.uniform(-0.5, 0.5, (2, len(part), 1)) * pixel_arcsec / ARCSEC_PER_RADIAN
        tilt_x, tilt_y = np.exp(2j * np.pi * move * x / WAVELENGTH_M)
        field = np.zeros((len(part), POINTS, POINTS), dtype=np.complex64)
        field[:, mask] = np.exp(1j * part)
        field *= (tilt_y[:, :, None] * tilt_x[:, None, :]).astype(np.complex64)
        light = np.abs(to_image.T @ field @ to_image) ** 2
        light = np.fft.ifft2(np.fft.fft2(light) * one[:, None] * one).real
        middle = slice(3 * fine + fine // 2, (3 + size) * fine, fine)
        out.append(light[:, middle, middle])
    images = np.concatenate(out)
    return (1e5 * images / images.sum(axis=(1, 2)).mean()).astype(np.float32)


def registered(images):
    """Return the mean of images shifted on their centroids, that of blocks, and the window [px]."""
    half = (images > 0.5 * images.max(axis=(1, 2), keepdims=True)).sum(axis=(1, 2))
    window = 1.5 * 2 * np.sqrt(np.median(half) / np.pi) / FWHM_PER_SIGMA
    sky = measure_sky(images)[0]
    found = WindowedShapes.measure(images, sky, window)
    f = np.fft.fftfreq(images.shape[1])
    middle = (images.shape[1] - 1) / 2
    x, y = found.x_px - middle, found.y_px - middle
    turn = np.exp(2j * np.pi * (f[:, None] * y[:, None, None] + f * x[:, None, None]))
    moved = np.fft.ifft2(np.fft.fft2(images - sky[:, None, None]) * turn).real
    moved = moved[np.isfinite(x + y)]  # two speckles alike have no centroid
    blocks = np.stack([part.mean(axis=0) for part in np.array_split(moved, BLOCKS)])
    return blocks.mean(axis=0), blocks, window


def still_grid(exposure_s):
    """Return a record of one star: only its form counts here."""
    rng = np.random.default_rng(1)
    n = 400
    segment = GridSegment(
        0.0,
        0.1 * rng.standard_normal((n, 2)),
        0.1 * rng.standard_normal((n, 2)),
        np.ones(n, dtype=bool),
        np.arange(n),
    )
    zero = np.zeros(1)
    return GridData(
        (segment,),
        np.arange(1),
        zero,
        zero,
        zero + 1e-6,
        1e-6,
        cadence_s=0.04,
        exposure_s=exposure_s,
    )


@pytest.mark.parametrize(
    ("aperture", "obstruction", "d_over_r0", "pixel", "size"),
    [
        (0.25, 0.0, 1.5, 0.35, 31),
        (0.25, 0.0, 2.5, 0.4, 25),
        (0.16, 0.0, 3.5, 0.5, 31),
        (0.2, 0.33, 2.5, 0.5, 25),
        (0.28, 0.2, 3.5, 0.35, 31),
    ],
)
def test_a_registered_star_has_the_models_transfer_function(
    aperture, obstruction, d_over_r0, pixel, size
):
    rng = np.random.default_rng(5)
    r0, blur = aperture / d_over_r0, 0.15
    mask, phase = wavefronts(aperture, obstruction, r0, rng)
    image, blocks, window = registered(stamps(mask, phase, aperture, pixel, size, blur, rng))
    optics = Optics(aperture, obstruction, WAVELENGTH_M, (10.0, 50.0), (2.0, 30.0))
    star = OpticsData.of(image, blocks, optics, scale_arcsec=pixel, dispersion_arcsec2=0.0)
    over_diffraction = window * pixel * aperture / WAVELENGTH_M / ARCSEC_PER_RADIAN
    setup = FitSetup(
        optics, 1.5, blur * FWHM_PER_SIGMA, 0.0, window_over_diffraction=over_diffraction
    )
    # an exposure too short for anything to move in it
    model = _build_model(still_grid(1e-5), [], star, setup)
    state = model.state(np.zeros((1, model.n_parameters)))
    none = np.zeros(1)
    state = replace(
        state,
        j_near=none,
        j_ground=none + r0 ** (-5 / 3),
        log_outer=none + np.log(OUTER_SCALE_M),
        otf_scale=none + 1.0,
        optics_arcsec=none + blur,
        open_arcsec2=np.zeros((1, 2, 2)) + 1e-12 * np.eye(2),
        fast_arcsec2=none,
    )
    off = star.log_otf - model.log_otf(state)[0]
    by_block = np.stack(
        [
            OpticsData.of(b, b[None], optics, scale_arcsec=pixel, dispersion_arcsec2=0.0).log_otf
            for b in blocks
        ]
    )
    sampling = by_block.std(axis=0, ddof=1) / np.sqrt(BLOCKS)
    # beside chance: 3 % of the air's part (the error the fit allows), 0.005 of the cut-out's
    allowed = 3 * sampling + 0.005 + 0.03 * np.abs(model.air_log_otf(state)[0])
    assert np.all(np.abs(off) < allowed)
    # The light that the cut-out lost would not pass.
    assert np.any(np.abs(off + star.cut_at(none + r0 ** (-5 / 3))[0]) > allowed)
