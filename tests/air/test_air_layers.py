"""Layers from star-star covariance: exact recovery, scatter, invariance, degenerate input."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.air.layers import field_projection, fit_layers, layer_covariance
from blursplit.air.turbulence import ARCSEC

LAMBDA_M, APERTURE_M, OUTER_M, R0_M = 550e-9, 0.25, 25.0, 0.1
STRENGTH = R0_M ** (-5 / 3)
UNIT = LAMBDA_M**2 * APERTURE_M ** (-1 / 3) / ARCSEC**2
TELESCOPE = {"aperture_m": APERTURE_M, "outer_scale_m": OUTER_M}
X, Y = np.random.default_rng(5).uniform(-400, 400, (2, 9))


def _covariance(layers, x=X, y=Y):
    return sum(
        UNIT * STRENGTH * share * layer_covariance(x, y, h, **TELESCOPE) for h, share in layers
    )


def _fit(covariance, x=X, y=Y, **kwargs):
    projection = kwargs.pop("projection", field_projection(x, y))
    return fit_layers(
        projection @ covariance @ projection.T,
        x,
        y,
        projection=projection,
        wavelength_m=LAMBDA_M,
        **TELESCOPE,
        **kwargs,
    )


@pytest.mark.parametrize("share", [0.2, 0.55, 1.0])
def test_what_is_high_is_recovered_and_what_is_at_the_ground_is_not(share):
    fit = _fit(_covariance([(0.0, 1 - share), (5000.0, share)]))
    assert_allclose(fit.r0_m ** (-5 / 3) / STRENGTH, share, rtol=0.03)  # the pull: 2 % low
    assert fit.modes == 2 * X.size - 4
    assert 20 < fit.unseen_below_m < 100


def test_shared_motion_rotation_and_scale_do_not_enter():
    one, none = np.ones(X.size), np.zeros(X.size)
    shared = [
        np.concatenate([one, none]),
        np.concatenate([none, one]),
        np.concatenate([-Y, X]) / 400,
        np.concatenate([X, Y]) / 400,
    ]
    shaken = _covariance([(5000.0, 0.5)]) + sum(4.0 * np.outer(v, v) for v in shared)
    assert_allclose(_fit(shaken).r0_m, _fit(_covariance([(5000.0, 0.5)])).r0_m, rtol=1e-5)


def test_bound_never_exceeds_the_air_of_two_layers():
    fit = _fit(_covariance([(300.0, 0.5), (8000.0, 0.5)]))
    assert 0.9 < fit.r0_m ** (-5 / 3) / STRENGTH <= 1.005
    assert fit.r0_if_high_m > fit.r0_m


@pytest.mark.parametrize("seed", [1, 2])
def test_scatter_over_draws_matches_the_jackknife(seed):
    rng = np.random.default_rng(seed)
    noise = np.eye(2 * X.size) * 0.05**2
    root = np.linalg.cholesky(_covariance([(0.0, 0.45), (3000.0, 0.55)]) + noise)
    projection = field_projection(X, Y)
    found, stated = [], []
    for _ in range(12):
        residual = projection @ root @ rng.normal(size=(2 * X.size, 200))
        blocks = np.array(
            [
                part @ part.T / part.shape[1] - projection @ noise @ projection.T
                for part in np.array_split(residual, 10, axis=1)
            ]
        )
        fit = fit_layers(
            blocks.mean(axis=0),
            X,
            Y,
            projection=projection,
            wavelength_m=LAMBDA_M,
            noise_covariance_arcsec2=noise,
            block_covariances_arcsec2=blocks,
            **TELESCOPE,
        )
        found.append(fit.r0_m ** (-5 / 3) / STRENGTH)
        stated.append(fit.strength_sigma / STRENGTH)
    # 12 draws: the mean to 0.3 sigma; non-negativity pushes weak layers up by a few percent.
    assert_allclose(np.mean(found), 0.55, atol=0.04)
    assert 0.5 < np.std(found, ddof=1) / np.mean(stated) < 1.7


def test_turning_and_reordering_the_field_changes_nothing():
    base = _fit(_covariance([(2000.0, 1.0)])).r0_m
    order = np.random.default_rng(0).permutation(X.size)
    c, s = np.cos(0.7), np.sin(0.7)
    x, y = (c * X - s * Y)[order], (s * X + c * Y)[order]
    assert_allclose(_fit(_covariance([(2000.0, 1.0)], x, y), x, y).r0_m, base, rtol=1e-4)


def test_exposure_is_undone_only_on_request():
    exposed = UNIT * STRENGTH * layer_covariance(X, Y, 5000.0, path_over_aperture=1.0, **TELESCOPE)
    assert _fit(exposed).r0_m > 1.05 * R0_M
    assert_allclose(_fit(exposed, path_over_aperture=1.0).r0_m, R0_M, rtol=0.02)


def test_no_differential_motion_is_an_infinite_r0():
    fit = _fit(np.zeros((2 * X.size,) * 2))
    assert np.isinf(fit.r0_m)
    assert np.isinf(fit.r0_if_high_m)


def test_two_stars_without_rotation_leave_two_modes_and_with_it_none():
    x, y = np.array([-100.0, 100.0]), np.zeros(2)
    covariance = _covariance([(9000.0, 1.0)], x, y)
    shift_only = field_projection(x, y, rotation_and_scale=False)
    assert _fit(covariance, x, y, projection=shift_only).modes == 2
    with pytest.raises(ValueError, match="removes all motion"):
        _fit(covariance, x, y)


def test_wrong_shape_and_nan_are_refused():
    with pytest.raises(ValueError, match="shape"):
        fit_layers(
            np.zeros((3, 3)),
            X,
            Y,
            projection=field_projection(X, Y),
            wavelength_m=LAMBDA_M,
            **TELESCOPE,
        )
    bad = _covariance([(2000.0, 1.0)])
    bad[0, 0] = np.nan
    with pytest.raises(ValueError, match="NaN"):
        fit_layers(bad, X, Y, projection=field_projection(X, Y), wavelength_m=LAMBDA_M, **TELESCOPE)
