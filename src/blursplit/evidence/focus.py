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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.image.otf import DIRECTIONS_RAD, equivalent_variance
from blursplit.types import FloatArray


@dataclass(frozen=True)
class FocusRun:
    """What a run at one focus position contributes."""

    name: str
    position: float  # in the unit of the recorded focus position
    # (n_baselines, n_angles): -ln of the registered star's transfer function with telescope, pixel
    # and dispersion divided out, at 0.05 to 0.3 apertures; NaN from the first baseline that fails.
    log_loss: FloatArray
    # (n_blocks, n_baselines, n_angles): the same from disjoint stretches of time.
    block_loss: FloatArray
    cycles_arcsec: FloatArray  # (n_baselines,)
    # (mean, sigma): ln r0^(-5/3), but for a constant, from the run's own pairs; None without pairs.
    log_air: tuple[float, float] | None

    @property
    def n_usable(self) -> int:
        """How many baselines, from the shortest on, stand above the noise."""
        return int(np.isfinite(self.log_loss).all(axis=1).sum())

    def variance_arcsec2(self, n_baselines: int) -> tuple[float, float]:
        """Return the equivalent variance over the shortest baselines and its measuring error."""
        cycles = self.cycles_arcsec[:n_baselines]
        value = equivalent_variance(self.log_loss[:n_baselines].mean(axis=1), cycles)
        blocks = equivalent_variance(self.block_loss[:, :n_baselines].mean(axis=2), cycles)
        unit = equivalent_variance(np.eye(n_baselines), cycles)
        error = np.std(blocks, ddof=1) / np.sqrt(len(blocks)) if len(blocks) > 1 else 0.0
        return float(value), float(
            np.hypot(error, const.TRANSFER_POINT_SIGMA * np.linalg.norm(unit))
        )


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

    `position` (n,): in any unit, at least three different ones, or two with `predicted_slope`.
    `variance_arcsec2`, `error_arcsec2` (n,): `equivalent_variance` of each run and its measuring
    error. `loss` (sigma, variance): `equivalent_variance` of `defocus_otf` against the rms of the
    defocus, rising. `predicted_slope` (value, relative error): k known beforehand. `log_air`,
    `log_air_error` (n,): ln r0^(-5/3) of each run from its own pairs of stars, NaN where there is
    none, and its sampling error; any constant factor drops out.

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
        best, log_slope = (
            np.linspace(*best_range, const.FOCUS_N_BEST),
            np.linspace(*slope_range, const.FOCUS_N_SLOPE),
        )
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
    return FocusFit(
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
    s, follows = (
        a.ravel()
        for a in np.meshgrid(
            np.geomspace(*const.AIR_SCATTER_RANGE, const.FOCUS_N_SCATTER), const.FOCUS_FOLLOWS
        )
    )
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


# --- astigmatism ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class Astigmatism:
    """Draws of the astigmatism."""

    # (n_draws,): one-axis variance of its rays at best focus, the scatter of the draws taken out.
    variance_arcsec2: FloatArray
    # (n_draws,): direction along which the image is longer beyond best focus (larger positions).
    angle_deg: FloatArray
    is_shown: bool  # whether the draws exclude none with 95 %


def find_astigmatism(
    runs: Sequence[FocusRun], n_baselines: int, fit: FocusFit, rng: np.random.Generator
) -> Astigmatism | None:
    """Find how the elongation changes through focus; None with fewer than four runs.

    `n_baselines`: baselines that all runs share.

    With the rms h of the defocused rays and a of the astigmatic ones, the variance along an axis
    at the angle t from the astigmatism's is (h + a cos 2t)^2, so that the second harmonic over
    angle is 2 h a (derived): least squares on 2 k (z - z0), one a draw of the curve. What the
    elongation does beside that line (wind, motion inside the exposures) is its error, with
    Student's t.
    """
    from scipy.stats import f

    if len(runs) < const.FOCUS_FEWEST_ASTIGMATIC:
        return None
    cycles = runs[0].cycles_arcsec[:n_baselines]
    waves = 2.0 * np.exp(2j * DIRECTIONS_RAD) / len(DIRECTIONS_RAD)
    harmonic = np.array([run.log_loss[:n_baselines] @ waves for run in runs])
    second = equivalent_variance(harmonic.real, cycles) + 1j * equivalent_variance(
        harmonic.imag, cycles
    )
    position = np.array([run.position for run in runs])
    sigma = fit.defocus_arcsec(position)
    # What the loss gains for a small change of the squared rays, beyond the Gaussian regime too.
    table = (fit.loss[0] ** 2, fit.loss[1])
    gain = (
        np.interp(sigma**2 + const.FOCUS_STEP_ARCSEC2, *table) - np.interp(sigma**2, *table)
    ) / const.FOCUS_STEP_ARCSEC2
    x = 2.0 * gain * sigma * np.sign(position[:, None] - fit.best)
    x = x - x.mean(axis=0)
    power = (x**2).sum(axis=0)
    slope = (x * (second - second.mean())[:, None]).sum(axis=0) / power
    left = second[:, None] - second.mean() - x * slope
    freedom = 2 * (len(runs) - 2)  # real and imaginary parts
    noise = (np.abs(left) ** 2).sum(axis=0) / freedom / power
    heavy = np.sqrt(freedom / rng.chisquare(freedom, len(power)))
    shift = rng.standard_normal((2, len(power))) * np.sqrt(noise) * heavy
    draws = np.stack([slope.real + shift[0], slope.imag + shift[1]])
    variance, typical = (draws**2).sum(axis=0), float(np.median(noise))
    # the 95 % point of the F distribution of a vector of two against its noise
    likely = float(f.ppf(0.95, 2, freedom))
    shown = float(np.median(np.abs(slope) ** 2)) > 2.0 * typical * likely
    if shown:
        # A length that scatters comes out too long, once in the data and once in the draws.
        variance = np.maximum(variance - 4.0 * typical, 0.0)
    return Astigmatism(
        variance_arcsec2=variance,
        angle_deg=np.degrees(np.arctan2(draws[1], draws[0])) / 2.0 % 180.0,
        is_shown=shown,
    )
