"""Several focus positions: how much of a registered star's width is defocus, and what is not.

The loss of contrast at short baselines is 2 pi^2 f^2 times the variance of the wavefront's slope
over the pupil, and the slope of defocus is linear in the pupil's coordinates. Over a centred
pupil it is uncorrelated with the slopes of coma and trefoil; spherical aberration only moves the
best focus. Hence, whatever the aberrations (derived),

    variance(z) = rest + k^2 (z - z0)^2,     rest = air + aberrations at best focus,

and the curve tells defocus from the rest, but never air from aberrations. One aberration does
show: astigmatism adds 4 k (z - z0) a to the difference of the variances along its two axes. It
changes sign at best focus, which neither motion nor wind does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.types import FloatArray


@dataclass(frozen=True)
class FocusFit:
    """Draws from what a focus curve allows; every array has shape (n_draws,)."""

    best: FloatArray  # position of best focus
    slope_arcsec: FloatArray  # k, rms of the defocus [arcsec] for each unit of position
    rest_arcsec2: FloatArray  # variance at best focus: air and aberrations together
    air_scatter: FloatArray  # relative change of the air from run to run
    # (sigma, variance): table of `equivalent_variance` against the rms of a defocus.
    loss: tuple[FloatArray, FloatArray]

    def defocus_arcsec(self, position: ArrayLike) -> FloatArray:
        """Return the rms of the rays of the defocus at positions, shape (..., n_draws)."""
        away = np.abs(np.asarray(position, dtype=float)[..., None] - self.best)
        return np.asarray(self.slope_arcsec * away, dtype=float)

    def variance_arcsec2(self, position: ArrayLike) -> FloatArray:
        """Return the curve at positions, shape (..., n_draws)."""
        defocus = np.interp(self.defocus_arcsec(position), *self.loss)
        return np.asarray(self.rest_arcsec2 + defocus, dtype=float)

    @classmethod
    def of(
        cls,
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

        `position` (n,): in any unit, at least three different ones, or two with `predicted_slope`.
        `variance_arcsec2`, `error_arcsec2` (n,): `equivalent_variance` of each run and its
        measuring error. `loss` (sigma, variance): `equivalent_variance` of `defocus_otf` against
        the rms of the defocus, rising. `predicted_slope` (value, relative error): k known
        beforehand. `log_air`, `log_air_error` (n,): ln r0^(-5/3) of each run from its own pairs of
        stars, NaN where there is none, and its sampling error; any constant factor drops out.

        The air of each run departs from the mean by a scatter that `log_air` measures. As nothing
        here tells how much of the rest is air, the scatter applies to all of it; how far what the
        pairs see follows the air as a whole is open (correlation 0, 1/2 or 1).
        Flat priors on z0 (the span of positions, widened by its length on both sides) and on k: a
        focuser that moves does defocus, so a slope of zero gets no weight of its own.
        The posterior is laid out on a grid of z0, ln k and hypotheses on the air; the rest is
        integrated out.
        """
        run = _Runs(position, variance_arcsec2, error_arcsec2, loss)
        none = np.full(len(position), np.nan)
        air = _air_hypotheses(
            none if log_air is None else log_air, none if log_air_error is None else log_air_error
        )
        best_range, slope_range = run.ranges()
        for _ in range(2):  # the second time on the part that holds the posterior
            best = np.linspace(*best_range, const.FOCUS_N_BEST)
            log_slope = np.linspace(*slope_range, const.FOCUS_N_SLOPE)
            chance, rest, sigma = run.log_chance(best, log_slope, air)
            chance += log_slope[:, None]
            if predicted_slope is not None:
                value, relative = predicted_slope
                chance += -0.5 * ((log_slope - np.log(value)) / relative)[:, None] ** 2
            odds = np.exp(chance - chance.max())
            best_range = _holding(best, odds.sum(axis=(1, 2)))
            slope_range = _holding(log_slope, odds.sum(axis=(0, 2)))
        cell = rng.choice(odds.size, size=n_draws, p=odds.ravel() / odds.sum())
        i, k, h = np.unravel_index(cell, odds.shape)
        jitter = rng.uniform(-0.5, 0.5, (2, n_draws))
        return cls(
            best=best[i] + jitter[0] * (best[1] - best[0]),
            slope_arcsec=np.exp(log_slope[k] + jitter[1] * (log_slope[1] - log_slope[0])),
            rest_arcsec2=_draw_positive(rest[i, k, h], sigma[h], rng),
            air_scatter=air.scatter[h],
            loss=loss,
        )


@dataclass(frozen=True)
class _Air:
    """Hypotheses on how the air differs from run to run, relative to its mean.

    `shift` and `variance` have the shape (n_hypotheses, n_runs).
    """

    scatter: FloatArray
    log_prior: FloatArray
    shift: FloatArray
    variance: FloatArray


def _air_hypotheses(log_air: FloatArray, error: FloatArray) -> _Air:
    """Return scatter, and what is expected of each run's air given what its pairs saw."""
    scatters = np.geomspace(*const.AIR_SCATTER_RANGE, const.FOCUS_N_SCATTER)
    s, follows = (a.ravel() for a in np.meshgrid(scatters, const.FOCUS_FOLLOWS))
    seen = np.isfinite(log_air) & np.isfinite(error)
    value = np.where(seen, log_air, 0.0)
    spread = s[:, None] ** 2 + np.where(seen, error, 1.0) ** 2
    weight = np.where(seen, 1.0 / spread, 0.0)
    total = weight.sum(axis=1)
    total = np.where(total > 0.0, total, 1.0)
    away = np.where(seen, value - ((weight * value).sum(axis=1) / total)[:, None], 0.0)
    prior = -0.5 * (np.log(s / const.AIR_SCATTER) / const.AIR_SCATTER_LN_SIGMA) ** 2
    prior += -0.5 * np.where(seen, np.log(spread), 0.0).sum(axis=1) - 0.5 * np.log(total)
    prior += -0.5 * (weight * away**2).sum(axis=1)
    told = s[:, None] ** 2 * weight  # share of the pairs' scatter that is the air's
    return _Air(
        scatter=s,
        log_prior=prior,
        shift=follows[:, None] * told * away,
        variance=s[:, None] ** 2 * (1.0 - follows[:, None] ** 2 * told),
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

    def ranges(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return where best focus and ln of the slope are looked for."""
        low, high = float(self.position.min()), float(self.position.max())
        span = high - low
        deep = self.least_arcsec2
        tall = max(float(self.variance_arcsec2.max()), deep)
        least, most = np.log(np.array(const.FOCUS_SLOPE_RANGE) * np.sqrt([deep, tall]) / span)
        return (low - span, high + span), (float(least), float(most))

    def log_chance(
        self, best: FloatArray, log_slope: FloatArray, air: _Air
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return ln chance and the rest's mean on the grid, and the rest's error by hypothesis."""
        from scipy.special import log_ndtr

        away = np.abs(self.position - best[:, None])
        defocus = np.interp(np.exp(log_slope)[None, :, None] * away[:, None, :], *self.loss)
        weight = 1.0 / (self.error_arcsec2**2 + air.variance * self.least_arcsec2**2)
        total = weight.sum(axis=-1)
        left = (self.variance_arcsec2 - defocus) @ weight.T
        left -= (weight * air.shift).sum(axis=-1) * self.least_arcsec2
        rest = left / total
        flat = self.variance_arcsec2 - air.shift * self.least_arcsec2
        # The sum of squares, multiplied out: the grid never meets the runs in one large array.
        squares = (defocus**2) @ weight.T - 2.0 * defocus @ (weight * flat).T
        squares += (weight * flat**2).sum(axis=-1) - total * rest**2
        chance = -0.5 * squares + air.log_prior
        chance += 0.5 * np.log(weight).sum(axis=-1) - 0.5 * np.log(total)
        chance += log_ndtr(rest * np.sqrt(total))  # the rest is positive
        return chance, rest, 1.0 / np.sqrt(total)


def _holding(grid: FloatArray, odds: FloatArray) -> tuple[float, float]:
    """Return the stretch of a grid that holds all but a millionth of the odds."""
    held = np.flatnonzero(odds > const.NEGLIGIBLE_ODDS * odds.max())
    first, last = max(held[0] - 1, 0), min(held[-1] + 1, len(grid) - 1)
    return float(grid[first]), float(grid[last])


def _draw_positive(mean: FloatArray, sigma: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw from normal distributions cut off at zero."""
    from scipy.special import ndtr, ndtri

    below = ndtr(-mean / sigma)
    u = below + (1.0 - below) * rng.uniform(1e-9, 1.0 - 1e-9, len(mean))
    return np.asarray(np.maximum(mean + sigma * ndtri(np.minimum(u, 1.0 - 1e-12)), 0.0))
