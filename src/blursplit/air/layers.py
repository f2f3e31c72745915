"""Lower bound on the air: turbulent layers that the stars' differential motion shows.

Non-negative layer strengths at log-spaced distances are fitted to the star-star covariance of
the residual displacements. The projection that removed common motion, rotation and scale from
the data is applied to the model too, so that nothing shared by all stars enters either side:
air that all stars share is not seen, and the result is a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.centroid_tilt import mixed_coefficient, mixed_covariance
from blursplit.air.temporal import exposed_covariance
from blursplit.air.turbulence import ARCSEC

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

HIGHEST_M = 25_000.0
"""Distance of the farthest layer fitted [m]; at 10 km height and 24 degrees altitude."""

_LAYERS = 12
_LEAST_SEEN = 0.10  # of a layer's variance; fainter layers would only amplify noise
_REWEIGHTS = 4
_THRIFT = 0.06  # pull toward "as little turbulence as the data allow", see fit_layers


@dataclass(frozen=True)
class LayerFit:
    """Layers seen by the differential motion of the stars.

    Parameters
    ----------
    distance_m : ndarray, shape (n_layers,)
        Distance along the line of sight.
    strength : ndarray, shape (n_layers,)
        r0^(-5/3) of each layer at the sequence's wavelength and line of sight [m^(-5/3)].
    r0_m : float
        Fried parameter of all that is seen; infinite when nothing is. The true r0 is smaller
        when there is air below `unseen_below_m`.
    log_r0_sigma : float
        Standard error of ln r0 over the blocks; NaN without blocks or when nothing is seen.
    strength_sigma : float
        Standard error of the summed strength [m^(-5/3)], usable when nothing is seen too; NaN
        without blocks.
    r0_if_high_m : float
        Fried parameter if every layer were so far that each star had its own: the largest r0
        (least air) that explains the residual variance.
    seen_share : ndarray, shape (n_layers,)
        Share of each layer's variance left by the projection, in units of a very far layer's.
    unseen_below_m : float
        Distance below which less than a tenth of a layer shows.
    misfit : float
        Root mean square of the whitened covariance residuals; to be compared with
        sqrt(1/n_independent).
    modes : int
        Independent combinations of displacements left by the projection.
    """

    distance_m: FloatArray
    strength: FloatArray
    r0_m: float
    log_r0_sigma: float
    strength_sigma: float
    r0_if_high_m: float
    seen_share: FloatArray
    unseen_below_m: float
    misfit: float
    modes: int


def field_projection(
    x_arcsec: FloatArray,
    y_arcsec: FloatArray,
    weight: FloatArray | None = None,
    *,
    rotation_and_scale: bool = True,
) -> FloatArray:
    """Return the matrix that removes shift, and rotation and scale, from displacements.

    Parameters
    ----------
    x_arcsec, y_arcsec : ndarray, shape (n_stars,)
        Mean positions.
    weight : ndarray, shape (n_stars,), optional
        Weight of each star in the fit of the shared motion; even by default.
    rotation_and_scale : bool
        Remove these two as well.

    Returns
    -------
    ndarray, shape (2 n_stars, 2 n_stars)
        Acts on displacements ordered x of all stars, then y of all stars.
    """
    n = x_arcsec.size
    weights = np.ones(n) if weight is None else np.asarray(weight, dtype=float)
    both = np.concatenate([weights, weights])
    one, none = np.ones(n), np.zeros(n)
    x, y = x_arcsec - x_arcsec.mean(), y_arcsec - y_arcsec.mean()
    columns = [np.concatenate([one, none]), np.concatenate([none, one])]
    if rotation_and_scale:
        columns += [np.concatenate([-y, x]), np.concatenate([x, y])]
    design = np.stack(columns, axis=1)
    weighted = design * both[:, None]
    fit = np.linalg.pinv(weighted.T @ design) @ weighted.T
    return np.asarray(np.eye(2 * n) - design @ fit, dtype=float)


def layer_covariance(
    x_arcsec: FloatArray,
    y_arcsec: FloatArray,
    distance_m: float,
    *,
    aperture_m: float,
    outer_scale_m: float,
    obstruction: float = 0.0,
    tilt_mix: float = 1.0,
    path_over_aperture: float = 0.0,
) -> FloatArray:
    """Return the covariance of star displacements that one layer causes.

    Parameters
    ----------
    x_arcsec, y_arcsec : ndarray, shape (n_stars,)
        Star positions.
    distance_m : float
        Distance of the layer along the line of sight [m].
    aperture_m, outer_scale_m : float
        Diameter and outer scale [m].
    obstruction : float
        Diameter ratio.
    tilt_mix : float
        w of `centroid_tilt_mix`: 1 for Z, 0 for G.
    path_over_aperture : float
        V tau/D of the exposure, averaged over wind directions; 0 for an instant.

    Returns
    -------
    ndarray, shape (2 n_stars, 2 n_stars)
        In units lambda^2 r0^(-5/3) D^(-1/3), x of all stars then y of all stars.
    """
    dx = np.subtract.outer(x_arcsec, x_arcsec)
    dy = np.subtract.outer(y_arcsec, y_arcsec)
    separation = np.hypot(dx, dy)
    size = separation * ARCSEC * distance_m / aperture_m
    telescope = (aperture_m / outer_scale_m, obstruction, tilt_mix)
    if path_over_aperture > 0.0:
        along, across = exposed_covariance(size, *telescope, path_over_aperture)
    else:
        along, across = mixed_covariance(size, *telescope)
    safe = np.where(separation > 0.0, separation, 1.0)
    cosine = np.where(separation > 0.0, dx / safe, 1.0)
    sine = dy / safe
    xx = along * cosine**2 + across * sine**2
    yy = along * sine**2 + across * cosine**2
    xy = (along - across) * sine * cosine
    return np.block([[xx, xy], [xy, yy]])


def fit_layers(
    residual_covariance_arcsec2: FloatArray,
    x_arcsec: FloatArray,
    y_arcsec: FloatArray,
    *,
    projection: FloatArray,
    aperture_m: float,
    wavelength_m: float,
    outer_scale_m: float,
    obstruction: float = 0.0,
    tilt_mix: float = 1.0,
    path_over_aperture: float = 0.0,
    noise_covariance_arcsec2: FloatArray | None = None,
    block_covariances_arcsec2: FloatArray | None = None,
) -> LayerFit:
    """Fit layers to the covariance of residual displacements.

    Parameters
    ----------
    residual_covariance_arcsec2 : ndarray, shape (2 n_stars, 2 n_stars)
        Covariance of `projection` times the displacements, noise removed; x of all stars, then
        y of all stars.
    x_arcsec, y_arcsec : ndarray, shape (n_stars,)
        Mean star positions.
    projection : ndarray, shape (2 n_stars, 2 n_stars)
        Matrix that made the residuals, for instance `field_projection`.
    aperture_m, wavelength_m, outer_scale_m : float
        Diameter, wavelength and outer scale [m].
    obstruction : float
        Diameter ratio.
    tilt_mix : float
        w of `centroid_tilt_mix`.
    path_over_aperture : float
        V tau/D; leave 0 for the bound, which must not be corrected for the exposure.
    noise_covariance_arcsec2 : ndarray, optional
        Covariance of the displacement noise, used for weights only.
    block_covariances_arcsec2 : ndarray, shape (n_blocks, 2 n_stars, 2 n_stars), optional
        The same covariance from blocks of equal length, for the jackknife error.

    Returns
    -------
    LayerFit

    Raises
    ------
    ValueError
        When the projection leaves nothing, or a covariance has the wrong shape or NaN.

    Notes
    -----
    Least squares on the covariance whitened by its own model (repeated four times), which is
    close to maximum likelihood for Gaussian displacements. A weak pull toward little turbulence
    balances what non-negative strengths add to a noisy covariance: with 200 independent frames
    of nine stars the sum of the strengths comes out within 3 %, without the pull 6 % high; from
    a perfect covariance of several layers it is up to 5 % low, as a lower bound may be.
    """
    size = 2 * x_arcsec.size
    covariance = np.asarray(residual_covariance_arcsec2, dtype=float)
    if covariance.shape != (size, size) or projection.shape != (size, size):
        msg = f"covariance and projection need shape {(size, size)}"
        raise ValueError(msg)
    if not np.isfinite(covariance).all():
        msg = "covariance contains NaN or inf"
        raise ValueError(msg)
    basis = _left_basis(projection)
    if basis.shape[1] == 0:
        msg = "the projection removes all motion: at least two stars are needed"
        raise ValueError(msg)
    reduce = basis.T @ projection
    unit = (wavelength_m**2 * aperture_m ** (-1.0 / 3.0)) / ARCSEC**2
    telescope = {
        "aperture_m": aperture_m,
        "outer_scale_m": outer_scale_m,
        "obstruction": obstruction,
        "tilt_mix": tilt_mix,
    }
    far = mixed_coefficient(tilt_mix, obstruction, aperture_m / outer_scale_m)
    distance, seen, unseen_below = _choose_distances(x_arcsec, y_arcsec, reduce, far, telescope)
    models = np.array(
        [
            unit
            * reduce
            @ layer_covariance(
                x_arcsec, y_arcsec, h, path_over_aperture=path_over_aperture, **telescope
            )
            @ reduce.T
            for h in distance
        ]
    )
    noise = np.zeros((basis.shape[1],) * 2)
    if noise_covariance_arcsec2 is not None:
        noise = reduce @ noise_covariance_arcsec2 @ reduce.T
    data = basis.T @ covariance @ basis
    strength, misfit = _fit(data, models, noise)
    total = float(strength.sum())
    sigma = np.nan
    if block_covariances_arcsec2 is not None:
        sigma = _jackknife(basis, block_covariances_arcsec2, models, noise)
    high = max(float(np.trace(data)), 0.0) / (unit * far * float(np.trace(reduce @ reduce.T)))
    return LayerFit(
        distance_m=distance,
        strength=strength,
        r0_m=_r0(total),
        log_r0_sigma=0.6 * sigma / total if total > 0.0 else float("nan"),
        strength_sigma=sigma,
        r0_if_high_m=_r0(high),
        seen_share=seen,
        unseen_below_m=unseen_below,
        misfit=misfit,
        modes=int(basis.shape[1]),
    )


def _r0(strength: float) -> float:
    return strength ** (-0.6) if strength > 0.0 else float("inf")


def _left_basis(projection: FloatArray) -> FloatArray:
    """Return an orthonormal basis of what the projection leaves."""
    left, values, _ = np.linalg.svd(projection)
    rank = int(np.count_nonzero(values > 1e-8 * max(float(values[0]), 1e-300)))
    return np.asarray(left[:, : rank if values[0] > 1e-12 else 0], dtype=float)  # noqa: PLR2004


def _choose_distances(
    x_arcsec: FloatArray,
    y_arcsec: FloatArray,
    reduce: FloatArray,
    far: float,
    telescope: dict[str, float],
) -> tuple[FloatArray, FloatArray, float]:
    """Return the distances to fit, their seen share, and the distance of a share of 10 %."""
    trial = np.geomspace(1.0, HIGHEST_M, 40)
    full = far * float(np.trace(reduce @ reduce.T))
    share = np.array(
        [
            float(
                np.trace(reduce @ layer_covariance(x_arcsec, y_arcsec, h, **telescope) @ reduce.T)
            )
            / full
            for h in trial
        ]
    )
    if share[-1] <= _LEAST_SEEN:
        return trial[-1:], share[-1:], float("inf")
    lowest = float(np.exp(np.interp(np.log(_LEAST_SEEN), np.log(share), np.log(trial))))
    distance = np.geomspace(max(lowest, trial[0]), HIGHEST_M, _LAYERS)
    seen = np.exp(np.interp(np.log(distance), np.log(trial), np.log(share)))
    return distance, np.asarray(seen, dtype=float), lowest


def _fit(data: FloatArray, models: FloatArray, noise: FloatArray) -> tuple[FloatArray, float]:
    """Return non-negative strengths and the rms whitened residual."""
    from scipy.optimize import nnls

    strength = np.full(models.shape[0], max(float(np.trace(data)), 0.0))
    strength /= models.shape[0] * np.trace(models, axis1=1, axis2=2)
    pairs = np.triu_indices(data.shape[0])
    # Off-diagonal entries stand for two of the symmetric matrix.
    twice = np.where(pairs[0] == pairs[1], 1.0, np.sqrt(2.0))
    residual = 0.0
    floor = 1e-3 * abs(float(np.trace(data))) / data.shape[0] + 1e-30
    for _ in range(_REWEIGHTS):
        expected = np.einsum("l,lij->ij", strength, models) + noise
        expected = expected + floor * np.eye(data.shape[0])
        white = np.linalg.inv(np.linalg.cholesky(expected))
        target = (white @ data @ white.T)[pairs] * twice
        columns = (white @ models @ white.T)[:, pairs[0], pairs[1]] * twice
        scale = np.linalg.norm(columns, axis=1)
        # One row that pulls the sum of the strengths down, in units of a far layer's effect.
        thrift = _THRIFT * np.ones(models.shape[0]) * scale.max() / scale
        design = np.vstack([(columns / scale[:, None]).T, thrift])
        solution, _ = nnls(design, np.append(target, 0.0))
        strength = solution / scale
        residual = float(np.sqrt(np.mean((target - columns.T @ strength) ** 2)))
    return np.asarray(strength, dtype=float), residual


def _jackknife(
    basis: FloatArray, blocks: FloatArray, models: FloatArray, noise: FloatArray
) -> float:
    """Return the standard error of the summed strength from leaving out one block at a time."""
    count = blocks.shape[0]
    if count < 2:  # noqa: PLR2004 - one block has no scatter
        return float("nan")
    whole = blocks.sum(axis=0)
    totals = np.array(
        [
            _fit(basis.T @ ((whole - block) / (count - 1)) @ basis, models, noise)[0].sum()
            for block in blocks
        ]
    )
    return float(np.sqrt((count - 1) / count * np.sum((totals - totals.mean()) ** 2)))
