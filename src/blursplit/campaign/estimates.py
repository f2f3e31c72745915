"""Estimates: by their path in a result, as distributions, and as the mean of several runs."""

from __future__ import annotations

import types
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Union, get_args, get_origin

import numpy as np
from pydantic import BaseModel

from blursplit import constants as const
from blursplit.estimate import Estimate, from_draws
from blursplit.result import Result
from blursplit.types import FloatArray, sure


def known_paths() -> dict[str, str]:
    """Return every number of a result and, under ``tap.``, of a tap result.

    Returns: path -> "estimate" or "number".
    """
    from blursplit.spectra.tap_result import TapResult

    found: dict[str, str] = {}
    _collect(Result, "", found)
    _collect(TapResult, "tap.", found)
    return found


def _collect(model: type[BaseModel], prefix: str, found: dict[str, str]) -> None:
    for name, entry in model.model_fields.items():
        path = f"{prefix}{entry.alias or name}"
        for kind in _alternatives(entry.annotation):
            if kind is Estimate:
                found[path] = "estimate"
            elif kind in {int, float}:
                found[path] = "number"
            elif isinstance(kind, type) and issubclass(kind, BaseModel):
                _collect(kind, f"{path}.", found)


def _alternatives(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) in {Union, types.UnionType}:
        return tuple(a for a in get_args(annotation) if a is not types.NoneType)
    return (annotation,)


def value_at(record: BaseModel | dict[str, Any], path: str) -> Any:
    """Return what stands at a path of a record or of parsed JSON; None where the path ends."""
    here: Any = record
    for part in path.split("."):
        here = here.get(part) if isinstance(here, dict) else getattr(here, part, None)
        if here is None:
            return None
    return here


def estimate_at(result: Result, path: str) -> Estimate | None:
    """Return the estimate at a path, None where it was not measured or has no upper end."""
    value = value_at(result, path)
    if not isinstance(value, Estimate):
        return None
    if value.value is None and value.high is None and value.high95 is None:
        return None
    return value


def quantile(estimate: Estimate, z: FloatArray | float) -> FloatArray:
    """Return the quantiles of an estimate at standard normal scores.

    `estimate`: with a value: the ends of its intervals are taken as the scores -1.96, -1, 1 and
    1.96 and joined by straight pieces, in the logarithm when all of them are positive; without the
    95 % ends this is the two-piece normal (Fechner 1897; Wallis 2014, Stat. Sci. 29, 106). Without
    a value (an upper limit): half-normal, 95 % of it below `high`. `z`: standard normal scores.

    Returns: in the unit of the estimate.

    Raises ValueError when neither a value nor an upper end is known.
    """
    scores = np.asarray(z, dtype=float)
    if estimate.value is None:
        return _limit_quantile(estimate, scores)
    at, ends = _points(estimate)
    positive = bool(np.all(ends > 0))
    values = np.log(ends) if positive else ends
    slopes = np.diff(values) / np.diff(at)
    piece = np.clip(np.searchsorted(at, scores, side="right") - 1, 0, len(slopes) - 1)
    result = values[piece] + slopes[piece] * (scores - at[piece])
    if positive:
        return np.asarray(np.exp(result))
    # A magnitude whose interval touches zero does not go below it.
    return np.asarray(np.maximum(result, 0.0) if ends[0] >= 0 else result)


def _points(estimate: Estimate) -> tuple[FloatArray, FloatArray]:
    value = sure(estimate.value)
    pairs = [(-const.Z95, estimate.low95), (-1.0, estimate.low), (0.0, value)]
    pairs += [(1.0, estimate.high), (const.Z95, estimate.high95)]
    known = [(score, float(end)) for score, end in pairs if end is not None]
    at = np.array([score for score, _ in known])
    # Rounding may put an end on the wrong side of its neighbour.
    ends = np.maximum.accumulate(np.array([end for _, end in known]))
    if len(at) == 1:
        return np.array([-1.0, 1.0]), np.array([value, value])
    return at, ends


def _limit_quantile(estimate: Estimate, scores: FloatArray) -> FloatArray:
    from scipy.special import ndtr, ndtri

    high = estimate.high95 if estimate.high95 is not None else estimate.high
    if high is None:
        msg = "an estimate needs a value or an upper end"
        raise ValueError(msg)
    return np.asarray(high / const.Z95 * ndtri(0.5 + 0.5 * ndtr(scores)))


def bound95(estimate: Estimate) -> tuple[float, float]:
    """Return the 95 % interval; where only the 68 % one is known it is widened to it."""
    if estimate.value is None:
        high = estimate.high95 if estimate.high95 is not None else estimate.high
        return 0.0, float("inf") if high is None else float(high)
    if estimate.low is None and estimate.low95 is None:
        low = float("-inf")
    else:
        low = float(quantile(estimate, -const.Z95))
    if estimate.high is None and estimate.high95 is None:
        return low, float("inf")
    return low, float(quantile(estimate, const.Z95))


@dataclass(frozen=True)
class _TwoSides:
    """Draws of the mean of each side, and the scatter between repeats."""

    # `before`, `after`: (n_draws,): mean of each side, in the unit of the estimates.
    before: FloatArray
    after: FloatArray
    # Standard deviation between repeats: a share of the value when `logarithmic`, else in the unit
    # of the estimates.
    between_runs: Estimate
    logarithmic: bool  # whether the means were taken in the logarithm


def mean_of_sides(
    before: Sequence[Estimate],
    after: Sequence[Estimate],
    rng: np.random.Generator,
    n_draws: int = 20_000,
    *,
    scatter: float = const.BETWEEN_RUNS,
) -> _TwoSides:
    """Return the mean of repeats on both sides under a random-effects model.

    Repeat k of a side is the side's mean plus scatter between runs (one standard deviation for
    both sides) plus the error of its own estimate. The scatter has a gamma prior (shape 2,
    mean `scatter`) and is integrated over, so that one run a side carries the scatter
    that one run has, and many runs speak for themselves.

    `before`, `after`: at least one each. `scatter`: mean of the prior on the scatter between runs,
    a share of the value. With 0 none is added: what these very runs had is compared (the air of
    those minutes), not what repeats would have.

    Model and integration over the scatter: Gelman et al. 2013, Bayesian Data Analysis, section
    5.4; gamma prior of shape 2, which keeps few groups off zero: Chung et al. 2013, Psychometrika
    78, 685 (both from memory, verify). The means have a flat prior. The errors keep their
    asymmetric shape.
    """
    sides = (list(before), list(after))
    everything = sides[0] + sides[1]
    logarithmic = all(e.value is not None and min(_points(e)[1]) > 0 for e in everything)
    centre = [np.array([_transform(quantile(e, 0.0), logarithmic) for e in s]) for s in sides]
    sigma = [np.array([_half_width(e, logarithmic) for e in s]) for s in sides]
    unit = 1.0 if logarithmic else max(float(np.mean(np.concatenate(centre))), 1e-12)
    if scatter == 0:
        tau = np.zeros(n_draws)
    else:
        grid, weight = _between_posterior(centre, sigma, scatter * unit)
        tau = rng.choice(grid, size=n_draws, p=weight)
    means = [
        _draw_mean(side, s, tau, logarithmic=logarithmic, rng=rng)
        for side, s in zip(sides, sigma, strict=True)
    ]
    # a size whose interval touches zero does not go below it; a saving may
    floor = 0.0 if all(bound95(e)[0] >= 0 for e in everything) else -np.inf
    drawn = [np.exp(mean) if logarithmic else np.maximum(mean, floor) for mean in means]
    return _TwoSides(
        before=drawn[0],
        after=drawn[1],
        between_runs=from_draws(tau),
        logarithmic=logarithmic,
    )


def _transform(value: FloatArray, logarithmic: bool) -> float:
    return float(np.log(value)) if logarithmic else float(value)


def _half_width(estimate: Estimate, logarithmic: bool) -> float:
    low, high = (_transform(quantile(estimate, z), logarithmic) for z in (-1.0, 1.0))
    return max(0.5 * (high - low), 1e-9)


def _between_posterior(
    centre: list[FloatArray], sigma: list[FloatArray], scale: float
) -> tuple[FloatArray, FloatArray]:
    grid = scale * np.geomspace(0.005, 50.0, 240)
    log_p = np.log(np.maximum(grid, 1e-12 * scale)) - 2.0 * grid / scale
    for y, s in zip(centre, sigma, strict=True):
        w = 1.0 / (s[:, None] ** 2 + grid[None, :] ** 2)
        mu = np.sum(w * y[:, None], axis=0) / np.sum(w, axis=0)
        log_p += 0.5 * np.sum(np.log(w), axis=0) - 0.5 * np.log(np.sum(w, axis=0))
        log_p -= 0.5 * np.sum(w * (y[:, None] - mu) ** 2, axis=0)
    step = np.gradient(grid)
    p = np.exp(log_p - log_p.max()) * step
    return grid, p / p.sum()


def _draw_mean(
    side: list[Estimate],
    sigma: FloatArray,
    tau: FloatArray,
    *,
    logarithmic: bool,
    rng: np.random.Generator,
) -> FloatArray:
    n = len(tau)
    w = 1.0 / (sigma[:, None] ** 2 + tau[None, :] ** 2)
    total = np.zeros(n)
    for k, estimate in enumerate(side):
        own = quantile(estimate, rng.standard_normal(n))
        own = np.log(own) if logarithmic else own
        # The own error is drawn with its shape, the scatter between runs added to it.
        total += w[k] * (own + tau * rng.standard_normal(n))
    return np.asarray(total / w.sum(axis=0))
