"""The two-opening mask on tracks whose covariance in time and space is exact."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.evidence.mask import _find_mask_pairs, _MaskGeometry, _measure_mask
from blursplit.turbulence.tilt import _pair_covariance, tilt_coefficient, unit_nodes

LAMBDA_M, OPENING_M, BASE_M, OUTER_M, R0_M = 550e-9, 0.08, 0.20, 22.4, 0.09
RUN = {"wavelength_m": LAMBDA_M, "exposure_s": 0.005, "cadence_s": 0.02}


def _tracks(speed, frames, seed, noise=0.08, exposure=0.005, sub=3):
    """Draw frozen-flow tilts of both openings, each exposure the mean of a few instants."""
    rng = np.random.default_rng(seed)
    t = (np.arange(frames)[:, None] * 0.02 + (np.arange(sub) + 0.5) / sub * exposure).ravel()
    x = np.concatenate([t * speed * np.cos(0.7), t * speed * np.cos(0.7) + BASE_M])
    y = np.tile(t * speed * np.sin(0.7), 2)
    dx, dy = np.subtract.outer(x, x), np.subtract.outer(y, y)
    distance = np.hypot(dx, dy)
    along, across = _pair_covariance(distance / OPENING_M, OPENING_M / OUTER_M, 0.0, "Z")
    share = np.where(distance > 0, dx**2 / np.maximum(distance, 1e-9) ** 2, 0.5)
    unit = LAMBDA_M**2 * R0_M ** (-5 / 3) * OPENING_M ** (-1 / 3) * ARCSEC_PER_RADIAN**2
    out = []
    for matrix in (share * along + (1 - share) * across, share * across + (1 - share) * along):
        root = np.linalg.cholesky(unit * matrix + 1e-9 * np.eye(x.size))
        tilt = (root @ rng.normal(size=x.size)).reshape(2, frames, sub).mean(axis=2).T
        out.append(tilt + noise * rng.normal(size=tilt.shape))
    return out[0], out[1], np.full(out[0].shape, noise)


@pytest.fixture(scope="module")
def run():
    return _tracks(8.0, 350, 4)


def test_r0_noise_and_exposure_are_recovered(run):
    result = _measure_mask(*run, _MaskGeometry(OPENING_M, BASE_M, 0.0), **RUN)
    error = np.log(result.r0_m / R0_M)
    assert abs(error) < 3 * np.hypot(result.log_r0_sigma, result.log_r0_systematic)
    assert result.log_r0_sigma < 0.06
    assert "mask-axes-disagree" not in {note.code for note in result.notes}
    assert result.along.uncorrected_r0_m > result.along.r0_m
    low, _, high = result.wind_m_s
    assert low < 1.5 * 8.0
    assert high > 8.0 / 1.5


def test_shake_shared_by_both_images_is_excess_and_not_air(run):
    x, y, sigma = run
    still = _measure_mask(x, y, sigma, _MaskGeometry(OPENING_M, BASE_M, 0.0), **RUN)
    shake = 0.8 * np.random.default_rng(1).normal(size=(x.shape[0], 1))
    shaken = _measure_mask(x, y + shake, sigma, _MaskGeometry(OPENING_M, BASE_M, 0.0), **RUN)
    assert_allclose(shaken.r0_m, still.r0_m, rtol=1e-9)
    # The air's own common motion departs from its expectation by some 0.25 arcsec rms.
    beyond = np.subtract(shaken.common_variance_arcsec2, shaken.expected_common_arcsec2)
    assert_allclose(beyond[1] ** 0.5, 0.8, atol=0.2)
    assert beyond[0] < 0.35**2


def test_mask_turned_with_the_camera_gives_the_same(run):
    x, y, sigma = run
    c, s = np.cos(0.5), np.sin(0.5)
    turned = _measure_mask(
        c * x - s * y,
        s * x + c * y,
        sigma,
        _MaskGeometry(OPENING_M, BASE_M, np.degrees(0.5)),
        **RUN,
    )
    straight = _measure_mask(*run, _MaskGeometry(OPENING_M, BASE_M, 0.0), **RUN)
    assert_allclose(turned.along.r0_m, straight.along.r0_m, rtol=1e-6)
    assert_allclose(turned.across.r0_m, straight.across.r0_m, rtol=1e-6)


def test_wrong_noise_makes_the_axes_or_the_bound_speak(run):
    x, y, sigma = run
    result = _measure_mask(x, y, 12 * sigma, _MaskGeometry(OPENING_M, BASE_M, 0.0), **RUN)
    assert np.isinf(result.r0_m)
    assert "mask-noise" in {remark.code for remark in result.notes}


def test_zenith_seeing_uses_airmass_and_wavelength(run):
    here = _measure_mask(*run, _MaskGeometry(OPENING_M, BASE_M, 0.0), **RUN)
    low = _measure_mask(*run, _MaskGeometry(OPENING_M, BASE_M, 0.0), airmass=2.0, **RUN)
    assert_allclose(low.r0_500nm_zenith_m / here.r0_500nm_zenith_m, 2**0.6)
    assert_allclose(here.r0_500nm_zenith_m / here.r0_m, (500 / 550) ** 1.2)


def pair_exposure_factor(
    path_over_aperture,
    separation_over_aperture,
    wind_angle_rad,
    aperture_over_outer_scale,
    obstruction,
    kind,
):
    """Return what an exposure leaves of the differential variance of two beams, point by point.

    `path_over_aperture`: V tau/D. `separation_over_aperture`: distance of the beams over the
    diameter, above zero. `wind_angle_rad`: angle between wind and separation [rad]; broadcasts with
    `path_over_aperture`. `aperture_over_outer_scale`, `obstruction`: D/L0 and diameter ratio.

    Returns `along`, `across`: var(tau)/var(0) of the components along and across the separation.
    """
    path, angle = np.broadcast_arrays(
        np.asarray(path_over_aperture, float), np.asarray(wind_angle_rad, float)
    )
    node, weight = unit_nodes()
    lag = path[..., None] * node
    lag_x, lag_y = lag * np.cos(angle)[..., None], lag * np.sin(angle)[..., None]
    telescope = (aperture_over_outer_scale, obstruction, kind)

    def covariance(x, y):
        distance = np.hypot(x, y)
        along, across = _pair_covariance(distance, *telescope)
        share = np.where(distance > 0, x**2 / np.maximum(distance, 1e-12) ** 2, 0.5)
        return share * along + (1 - share) * across, share * across + (1 - share) * along

    own = covariance(lag_x, lag_y)
    ahead = covariance(lag_x + separation_over_aperture, lag_y)
    behind = covariance(lag_x - separation_over_aperture, lag_y)
    kernels = np.array(_pair_covariance(separation_over_aperture, *telescope))
    still = 2.0 * (tilt_coefficient(kind, obstruction, aperture_over_outer_scale) - kernels)
    triangle = 2.0 * (1.0 - node) * weight
    factors = [(2.0 * own[i] - ahead[i] - behind[i]) @ triangle / still[i] for i in (0, 1)]
    return factors[0], factors[1]


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        (0.3, (0.9498, 0.9730, 0.9907, 0.9824)),
        (1.0, (0.6046, 0.8034, 0.9211, 0.8533)),
        (5.0, (0.0500, 0.3244, 0.5839, 0.3699)),
    ],
)
def test_pair_exposure_factors_match_the_table(path, expected):
    got = [
        float(pair_exposure_factor(path, s, angle, 0.0, 0.0, "Z")[0])
        for s, angle in ((1.0, 0.0), (5.0, 0.0), (5.0, np.pi / 2), (1.0, np.pi / 2))
    ]
    assert_allclose(got, expected, atol=1.5e-4)


def test_exposure_filter_agrees_with_the_pair_factor():
    from blursplit.evidence.mask import _exposure_factors, _MaskModel

    angle = (np.arange(120) + 0.5) * np.pi / 120
    got = _exposure_factors(np.array([15.0]), 0.01, _MaskModel(OPENING_M, BASE_M, 20.0, 1.0))
    for i in (0, 1):
        other = pair_exposure_factor(
            15.0 * 0.01 / OPENING_M, BASE_M / OPENING_M, angle, OPENING_M / 20.0, 0.0, "Z"
        )[i].mean()
        assert_allclose(got[i][0].mean(), other, rtol=1e-5)


def test_pairs_of_images_are_found_once_each():
    x = np.array([[10.0, 40.0, 200.0, 229.0, 100.0]])
    y = np.array([[10.0, 10.5, 50.0, 51.0, 100.0]])
    assert sorted(_find_mask_pairs(x, y, 30.0)) == [(0, 1), (2, 3)]
    assert sorted(_find_mask_pairs(x[:, ::-1], y[:, ::-1], 30.0)) == [
        (2, 1) if x[0, ::-1][1] > x[0, ::-1][2] else (1, 2),
        (4, 3),
    ]
