"""Several focus positions: how much of a registered star's width is defocus, and what is not.

A detector at dz from focus sees the ray of pupil radius r at the angle r dz/f^2: a uniform
annulus of outer radius D dz/(2 f^2), whose variance on one axis is that radius squared times
(1 + obstruction^2)/4. In general the loss of contrast at short baselines is 2 pi^2 f^2 times the
variance of the wavefront's slope over the pupil (the ray aberrations). The slope of defocus is
linear in the pupil's coordinates, so over a centred pupil it is uncorrelated with that of coma
and trefoil; spherical aberration only moves the best focus. Hence, whatever the aberrations,

    variance(z) = rest + k^2 (z - z0)^2,     rest = air + aberrations at best focus,

and the curve tells defocus from the rest, but never air from aberrations. One aberration does
show: astigmatism adds 2 k (z - z0) A to the difference of variances of two axes. It changes sign
at best focus, which neither motion nor wind does.

At finite baselines only the part of the pupil that overlaps with its shifted copy counts, and
large defocus is not Gaussian; `defocus_otf` is exact (for a filled pupil: Hopkins 1955 (m)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.turbulence import ARCSEC

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = [
    "FocusFit",
    "defocus_loss",
    "defocus_otf",
    "defocus_sigma_arcsec",
    "equivalent_variance",
    "fit_focus",
]

N_STRIPS = 400
N_BEST, N_SLOPE, N_SCATTER = 121, 81, 9
SLOPE_RANGE = (0.02, 6.0)  # defocus over the span, in units of the smallest, the largest width
NEGLIGIBLE = 1e-7
# Relative change of r0^(-5/3) from one run to the next, minutes apart, where nothing measures it:
# seeing that changes by 15 % (from memory: common practice, no source), to a factor of two.
AIR_SCATTER, AIR_SCATTER_LN_SIGMA = 0.25, 0.6
SCATTER_RANGE = (0.03, 0.8)


def defocus_sigma_arcsec(
    defocus_m: ArrayLike, *, aperture_m: float, focal_length_m: float, obstruction: float = 0.0
) -> FloatArray:
    """Return the one-axis rms [arcsec] of the rays of a defocused pupil.

    Parameters
    ----------
    defocus_m : array_like
        Distance of the detector from best focus [m].
    aperture_m, focal_length_m : float
        Diameter and effective focal length [m].
    obstruction : float
        Diameter ratio.

    Notes
    -----
    Second moment of a uniform annulus: R^2 (1 + obstruction^2)/4 on one axis, with the radius
    R = D |dz|/(2 f^2). Geometrical optics (derived).
    """
    radius = aperture_m * np.abs(np.asarray(defocus_m, dtype=float)) / (2.0 * focal_length_m**2)
    out: FloatArray = radius / ARCSEC * np.sqrt(1.0 + obstruction**2) / 2.0
    return out


def defocus_otf(
    baseline_over_aperture: ArrayLike,
    sigma_arcsec: ArrayLike,
    *,
    aperture_m: float,
    wavelength_m: float,
    obstruction: float = 0.0,
) -> FloatArray:
    """Return what defocus alone does to the telescope's transfer function.

    Parameters
    ----------
    baseline_over_aperture : array_like, shape (n_b,)
        Pupil baselines over the diameter, 0 to 1.
    sigma_arcsec : array_like, shape (...)
        One-axis rms of the rays, from `defocus_sigma_arcsec`.
    aperture_m, wavelength_m, obstruction : float

    Returns
    -------
    ndarray, shape (..., n_b)
        Ratio to the transfer function in focus; negative where contrast is reversed.

    Notes
    -----
    The phase difference between pupil and shifted copy is linear along the shift, so the ratio is
    the mean of a cosine over the overlap of the two annuli, which is cut into strips across the
    shift. For a filled pupil this is the integral of Hopkins (1955, Proc. R. Soc. A 231, 91 (m)).
    """
    b = np.asarray(baseline_over_aperture, dtype=float)[..., None]
    edge_rad = 2.0 * np.asarray(sigma_arcsec, float) / np.sqrt(1.0 + obstruction**2)
    edge_rad = edge_rad[..., None, None] * ARCSEC
    u = (np.arange(N_STRIPS) + 0.5) / N_STRIPS  # even in u: one half is enough
    at = u * (1.0 - b)
    outer = np.sqrt(np.maximum(1.0 - (at + b) ** 2, 0.0))
    inner = np.sqrt(np.maximum(obstruction**2 - (at - b) ** 2, 0.0))
    strip = np.maximum(outer - inner, 0.0)
    phase = 2.0 * np.pi * b * aperture_m / wavelength_m * edge_rad * at
    total = strip.sum(axis=-1)
    mean = (strip * np.cos(phase)).sum(axis=-1) / np.where(total > 0.0, total, 1.0)
    return np.asarray(np.where(total > 0.0, mean, 1.0), dtype=float)


def defocus_loss(
    baseline_over_aperture: FloatArray,
    *,
    aperture_m: float,
    wavelength_m: float,
    obstruction: float = 0.0,
    least_otf: float = 0.04,
) -> tuple[FloatArray, FloatArray]:
    """Tabulate -ln of `defocus_otf` against the rms of the rays.

    Returns
    -------
    sigma_arcsec : ndarray, shape (n,)
    log_loss : ndarray, shape (n, n_b)
        Up to the defocus at which a contrast falls below `least_otf`; the last row, far beyond,
        goes on as steeply, so that no larger defocus looks like a smaller one.
    """
    telescope = {"aperture_m": aperture_m, "wavelength_m": wavelength_m}
    # Rays across a pupil of this rms are a wavelength apart at the longest baseline.
    widest = wavelength_m / (aperture_m * float(np.max(baseline_over_aperture))) / ARCSEC
    sigma = np.linspace(0.0, widest, 400)
    otf = defocus_otf(baseline_over_aperture, sigma, obstruction=obstruction, **telescope)
    good = np.cumprod((otf > least_otf).all(axis=1)).astype(bool)
    sigma, loss = sigma[good], -np.log(otf[good])
    far = loss[-1] + 100.0 * (loss[-1] - loss[-2]) / (sigma[-1] - sigma[-2]) * sigma[-1]
    return np.append(sigma, 101.0 * sigma[-1]), np.vstack([loss, far])


def equivalent_variance(log_loss: ArrayLike, cycles_arcsec: ArrayLike) -> FloatArray:
    """Return the variance of the Gaussian that costs the same contrast, any level left free.

    Parameters
    ----------
    log_loss : array_like, shape (..., n_b)
        -ln of a transfer function.
    cycles_arcsec : array_like, shape (n_b,)
        Frequencies [cycles/arcsec].

    Returns
    -------
    ndarray, shape (...)
        One-axis variance [arcsec^2]: the least-squares slope against 2 pi^2 f^2. It is linear in
        `log_loss`, so those of air and optics add up.
    """
    x = 2.0 * np.pi**2 * np.asarray(cycles_arcsec, dtype=float) ** 2
    weight = x - x.mean()
    return np.asarray(np.asarray(log_loss, float) @ (weight / (weight @ x)), dtype=float)


@dataclass(frozen=True)
class FocusFit:
    """Draws from what a focus curve allows; every array has shape (n_draws,).

    Parameters
    ----------
    best : ndarray
        Position of best focus.
    slope_arcsec : ndarray
        k, rms of the defocus [arcsec] for each unit of position.
    rest_arcsec2 : ndarray
        Variance at best focus: air and aberrations together.
    air_scatter : ndarray
        Relative change of the air from run to run.
    loss : (sigma, variance)
        Table of `equivalent_variance` against the rms of a defocus.
    """

    best: FloatArray
    slope_arcsec: FloatArray
    rest_arcsec2: FloatArray
    air_scatter: FloatArray
    loss: tuple[FloatArray, FloatArray]

    def defocus_arcsec(self, position: ArrayLike) -> FloatArray:
        """Return the rms of the rays of the defocus at positions, shape (..., n_draws)."""
        away = np.abs(np.asarray(position, dtype=float)[..., None] - self.best)
        return np.asarray(self.slope_arcsec * away, dtype=float)

    def variance_arcsec2(self, position: ArrayLike) -> FloatArray:
        """Return the curve at positions, shape (..., n_draws)."""
        defocus = np.interp(self.defocus_arcsec(position), *self.loss)
        return np.asarray(self.rest_arcsec2 + defocus, dtype=float)


def fit_focus(
    position: FloatArray,
    variance_arcsec2: FloatArray,
    error_arcsec2: FloatArray,
    *,
    loss: tuple[FloatArray, FloatArray],
    rng: np.random.Generator,
    predicted_slope: tuple[float, float] | None = None,
    log_air: FloatArray | None = None,
    log_air_error: FloatArray | None = None,
    n_draws: int = 2000,
) -> FocusFit:
    """Fit rest + k^2 (z - z0)^2 to registered widths at several focus positions.

    Parameters
    ----------
    position : ndarray, shape (n,)
        In any unit, at least three different ones, or two with `predicted_slope`.
    variance_arcsec2, error_arcsec2 : ndarray, shape (n,)
        `equivalent_variance` of each run and its measuring error.
    loss : (sigma, variance)
        `equivalent_variance` of `defocus_otf` against the rms of the defocus, rising.
    rng : numpy.random.Generator
    predicted_slope : (value, relative error), optional
        k known beforehand.
    log_air, log_air_error : ndarray, shape (m,), optional
        ln r0^(-5/3) of runs from their own pairs of stars, and its sampling error; any constant
        factor drops out.
    n_draws : int

    Raises
    ------
    ValueError
        With too few different positions.

    Notes
    -----
    The air of each run departs from the mean by a relative scatter of its own that `log_air`
    measures; as nothing here tells how much of the rest is air, the scatter applies to all of it.
    Flat priors on z0 (the span of positions, widened by its length on both sides) and on k: a
    focuser that moves does defocus, so a slope of zero gets no weight of its own.
    The posterior is laid out on a grid of z0, ln k and scatter; the rest is integrated out.
    """
    needed = 3 if predicted_slope is None else 2
    if len(np.unique(position)) < needed:
        msg = f"a focus curve needs at least {needed} different positions"
        raise ValueError(msg)
    run = _Runs(position, variance_arcsec2, error_arcsec2, loss)
    low, high = float(position.min()), float(position.max())
    span = high - low
    deep, tall = run.least_arcsec2, max(float(variance_arcsec2.max()), run.least_arcsec2)
    best_range = (low - span, high + span)
    slope_range = (
        float(np.log(SLOPE_RANGE[0] * np.sqrt(deep) / span)),
        float(np.log(SLOPE_RANGE[1] * np.sqrt(tall) / span)),
    )
    scatter = np.geomspace(*SCATTER_RANGE, N_SCATTER)
    prior = _scatter_prior(scatter, log_air, log_air_error)
    for _ in range(2):  # the second time on the part that holds the posterior
        best, log_slope = np.linspace(*best_range, N_BEST), np.linspace(*slope_range, N_SLOPE)
        chance, rest, sigma = run.log_chance(best, log_slope, scatter)
        chance = chance + prior + log_slope[:, None]
        if predicted_slope is not None:
            value, relative = predicted_slope
            chance += -0.5 * ((log_slope - np.log(value)) / relative)[None, :, None] ** 2
        odds = np.exp(chance - chance.max())
        best_range = _holding(best, odds.sum(axis=(1, 2)))
        slope_range = _holding(log_slope, odds.sum(axis=(0, 2)))
    cell = rng.choice(odds.size, size=n_draws, p=odds.ravel() / odds.sum())
    i, k, s = np.unravel_index(cell, odds.shape)
    jitter = rng.uniform(-0.5, 0.5, (2, n_draws))
    return FocusFit(
        best=best[i] + jitter[0] * (best[1] - best[0]),
        slope_arcsec=np.exp(log_slope[k] + jitter[1] * (log_slope[1] - log_slope[0])),
        rest_arcsec2=_draw_positive(rest[i, k, s], sigma[s], rng),
        air_scatter=scatter[s],
        loss=loss,
    )


@dataclass(frozen=True)
class _Runs:
    """What was measured, and how well a curve explains it."""

    position: FloatArray
    variance_arcsec2: FloatArray
    error_arcsec2: FloatArray
    loss: tuple[FloatArray, FloatArray]

    @property
    def least_arcsec2(self) -> float:
        """Smallest variance, never below its error."""
        return max(float(self.variance_arcsec2.min()), float(self.error_arcsec2.min()), 1e-6)

    def log_chance(
        self, best: FloatArray, log_slope: FloatArray, scatter: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return ln likelihood on the grid, the rest's mean on the grid, its error by scatter."""
        from scipy.special import log_ndtr

        away = np.abs(self.position - best[:, None])
        defocus = np.interp(np.exp(log_slope)[None, :, None] * away[:, None, :], *self.loss)
        air = scatter[:, None] * self.least_arcsec2
        weight = 1.0 / (self.error_arcsec2**2 + air**2)
        left = (self.variance_arcsec2 - defocus)[:, :, None, :]
        total = weight.sum(axis=-1)
        rest = (left * weight).sum(axis=-1) / total
        chance = -0.5 * ((left - rest[..., None]) ** 2 * weight).sum(axis=-1)
        chance += 0.5 * np.log(weight).sum(axis=-1) - 0.5 * np.log(total)
        chance += log_ndtr(rest * np.sqrt(total))  # the rest is positive
        return chance, rest, 1.0 / np.sqrt(total)


def _holding(grid: FloatArray, odds: FloatArray) -> tuple[float, float]:
    """Return the stretch of a grid that holds all but a millionth of the odds."""
    held = np.flatnonzero(odds > NEGLIGIBLE * odds.max())
    first, last = max(held[0] - 1, 0), min(held[-1] + 1, len(grid) - 1)
    return float(grid[first]), float(grid[last])


def _draw_positive(mean: FloatArray, sigma: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw from normal distributions cut off at zero."""
    from scipy.special import ndtr, ndtri

    below = ndtr(-mean / sigma)
    u = below + (1.0 - below) * rng.uniform(1e-9, 1.0 - 1e-9, len(mean))
    return np.asarray(np.maximum(mean + sigma * ndtri(np.minimum(u, 1.0 - 1e-12)), 0.0))


def _scatter_prior(
    scatter: FloatArray, log_air: FloatArray | None, error: FloatArray | None
) -> FloatArray:
    """Return ln of the prior of the air's scatter, with what the runs' own pairs say of it."""
    out: FloatArray = -0.5 * (np.log(scatter / AIR_SCATTER) / AIR_SCATTER_LN_SIGMA) ** 2
    if log_air is None or error is None or len(log_air) < 2:  # noqa: PLR2004
        return out
    weight = 1.0 / (scatter[:, None] ** 2 + error**2)
    mean = (weight * log_air).sum(axis=1) / weight.sum(axis=1)
    out = out + 0.5 * np.log(weight).sum(axis=1) - 0.5 * np.log(weight.sum(axis=1))
    misfit = (weight * (log_air - mean[:, None]) ** 2).sum(axis=1)
    return np.asarray(out - 0.5 * misfit, dtype=float)
