"""Estimates with their intervals: the one place that makes them.

Two kinds: a value (low95 <= low <= value <= high <= high95, percentiles 2.5, 15.87, 50, 84.13 and
97.5 of the draws) and a limit (no value; its high end is the one-sided 95 % one).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from html import escape
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import BaseModel, ConfigDict, PrivateAttr, model_validator

from blursplit import constants as const
from blursplit.types import FloatArray, sure


class Estimate(BaseModel):
    """A value with its 68 % (low, high) and 95 % (low95, high95) intervals, or an upper limit.

    An upper limit has value None, low 0 and high set; its high is the one-sided 95 % limit.

    Raises
    ------
    pydantic.ValidationError
        Where the ends are not in order.

    Examples
    --------
    >>> from blursplit import Estimate
    >>> width = Estimate(value=2.5, low=2.4, high=2.6)
    >>> width.is_limit
    False
    >>> print(width)
    2.50 +0.10 -0.10
    >>> print(Estimate(value=None, low=0.0, high=0.1))
    < 0.10 (95 %)
    """

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, frozen=True)

    value: float | None
    low: float | None
    high: float | None
    low95: float | None = None
    high95: float | None = None

    @property
    def is_limit(self) -> bool:
        """Whether only an upper limit is known."""
        return self.value is None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        all_ends = self.low95, self.low, self.value, self.high, self.high95
        ends = [end for end in all_ends if end is not None]
        slack = 1e-9 * max((abs(end) for end in ends), default=0.0)
        if any(a > b + slack for a, b in itertools.pairwise(ends)):
            msg = f"the ends of an estimate are not in order: {ends}"
            raise ValueError(msg)
        return self

    _unit: str = PrivateAttr(default="")

    def in_unit(self, unit: str) -> Self:
        """Return the same estimate that prints with its unit."""
        copy = self.model_copy()
        copy._unit = unit  # noqa: SLF001 - of this very class
        return copy

    def times(self, factor: float) -> Estimate:
        """Return value and ends times a factor, which must not be negative."""
        ends = self.model_dump()
        return Estimate(**{name: None if v is None else v * factor for name, v in ends.items()})

    def quantile(self, z: ArrayLike) -> FloatArray:
        """Return the quantiles at standard normal scores.

        With a value: the ends of the intervals are taken as the scores -1.96, -1, 1 and 1.96 and
        joined by straight pieces, in the logarithm when all of them are positive; without the 95 %
        ends this is the two-piece normal (Fechner 1897; Wallis 2014, Stat. Sci. 29, 106). Without
        a value (an upper limit): half-normal, 95 % of it below `high`; a ValueError without that.
        """
        scores = np.asarray(z, dtype=float)
        if self.value is None:
            return self._limit_quantile(scores)
        at, ends = self._points()
        positive = bool(np.all(ends > 0))
        values = np.log(ends) if positive else ends
        slopes = np.diff(values) / np.diff(at)
        piece = np.clip(np.searchsorted(at, scores, side="right") - 1, 0, len(slopes) - 1)
        result = values[piece] + slopes[piece] * (scores - at[piece])
        if positive:
            return np.asarray(np.exp(result))
        # A magnitude whose interval touches zero does not go below it.
        return np.asarray(np.maximum(result, 0.0) if ends[0] >= 0 else result)

    def _points(self) -> tuple[FloatArray, FloatArray]:
        value = sure(self.value)
        pairs = [(-const.Z95, self.low95), (-1.0, self.low), (0.0, value)]
        pairs += [(1.0, self.high), (const.Z95, self.high95)]
        known = [(score, float(end)) for score, end in pairs if end is not None]
        at = np.array([score for score, _ in known])
        # Rounding may put an end on the wrong side of its neighbour.
        ends = np.maximum.accumulate(np.array([end for _, end in known]))
        if len(at) == 1:
            return np.array([-1.0, 1.0]), np.array([value, value])
        return at, ends

    def _limit_quantile(self, scores: FloatArray) -> FloatArray:
        from scipy.special import ndtr, ndtri

        high = self.high95 if self.high95 is not None else self.high
        if high is None:
            msg = "an estimate needs a value or an upper end"
            raise ValueError(msg)
        return np.asarray(high / const.Z95 * ndtri(0.5 + 0.5 * ndtr(scores)))

    @property
    def ends95(self) -> tuple[float, float]:
        """The 95 % interval; where only the 68 % one is known it is widened to it."""
        if self.value is None:
            high = self.high95 if self.high95 is not None else self.high
            return 0.0, float("inf") if high is None else float(high)
        if self.low is None and self.low95 is None:
            low = float("-inf")
        else:
            low = float(self.quantile(-const.Z95))
        if self.high is None and self.high95 is None:
            return low, float("inf")
        return low, float(self.quantile(const.Z95))

    @property
    def quantity(self) -> Any:
        """The value as an astropy quantity; NaN for a limit."""
        import astropy.units as u

        return u.Quantity(np.nan if self.value is None else self.value, self._unit)

    def _repr_html_(self) -> str:
        return escape(str(self))

    def __str__(self) -> str:
        unit = f" {self._unit}" if self._unit else ""
        high = self.high95 if self.high is None else self.high
        if self.value is None:
            if high is None:
                return "not known"
            return f"< {high:.{_decimals(0.0, 2.0 * high)}f}{unit} (95 %)"
        if self.low is None or high is None:
            return f"{self.value:g}{unit}"
        places = _decimals(self.low, high)
        up, down = high - self.value, self.value - self.low
        return f"{self.value:.{places}f} +{up:.{places}f} -{down:.{places}f}{unit}"

    @staticmethod
    def from_draws(draws: np.ndarray) -> Estimate:
        """Return median, 68 % and 95 % interval of draws, all of them finite."""
        return Estimate.from_ends(_ends(draws))

    @staticmethod
    def from_ends(ends: Iterable[float]) -> Estimate:
        """Return an estimate whose value and ends stand in the order of `PERCENTILES`."""
        low95, low, value, high, high95 = map(float, ends)
        return Estimate(value=value, low=low, high=high, low95=low95, high95=high95)

    @staticmethod
    def of_fact(ends: list[float] | float) -> Estimate:
        """Return the estimate that a fact holds: a value and the ends of its 68 %, if told."""
        value, low, high = ends if isinstance(ends, list) else (ends, None, None)
        return Estimate(value=value, low=low, high=high)

    def as_fact(self) -> list[float] | float:
        """Return what `of_fact` reads: the value, and the ends of its 68 % where known."""
        value = sure(self.value)
        return value if self.low is None or self.high is None else [value, self.low, self.high]

    @staticmethod
    def upper_limit(high95: float) -> Estimate:
        """Return an upper limit (95 %)."""
        return Estimate(value=None, low=0.0, high=float(high95), low95=0.0, high95=float(high95))

    @staticmethod
    def with_error(
        value: float, sigma: float, read: Callable[[float], float] | None = None
    ) -> Estimate:
        """Return a Gaussian estimate; a positive quantity keeps positive ends.

        `read` turns the quantity that is Gaussian, such as a logarithm or a variance, into the one
        that is wanted; it must rise.
        """
        ends = [value + k * sigma for k in (-1.0, 1.0, -const.Z95, const.Z95)]
        if read is not None:
            value, *ends = (float(read(end)) for end in (value, *ends))
        elif value >= 0:
            ends = [max(end, 0.0) for end in ends]
        return Estimate(value=value, low=ends[0], high=ends[1], low95=ends[2], high95=ends[3])

    @staticmethod
    def axial(angle_deg: ArrayLike) -> Estimate | None:
        """Return an estimate of an axial direction [0, 180); the interval may leave that range.

        None when the draws point everywhere (mean resultant of the doubled angles below 0.3).
        """
        angles = np.radians(_finite(angle_deg))
        if not len(angles):
            return None
        resultant = np.mean(np.exp(2j * angles))
        if abs(resultant) < const.LEAST_RESULTANT:
            return None
        centre = 0.5 * np.angle(resultant)
        around = np.degrees(0.5 * np.angle(np.exp(2j * (angles - centre))))
        base = float(np.degrees(centre) % 180.0)
        ends = base + np.array(_ends(around))
        return Estimate.from_ends(ends - 180.0 * np.floor(ends[2] / 180.0))

    @staticmethod
    def between(low_reading: ArrayLike, high_reading: ArrayLike) -> Estimate | None:
        """Return an estimate from two readings of the same draws, lower ends from the first.

        Where the evidence leaves an owner undecided, the interval runs from the low reading's lower
        end to the high reading's upper end; the value is the median of both together.
        """
        first, second = _finite(low_reading), _finite(high_reading)
        if not len(first) or not len(second):
            return None
        value = np.median(np.concatenate([first, second]))
        if len(first) == len(second):
            first, second = np.minimum(first, second), np.maximum(first, second)
        (low95, low, *_), (*_, high, high95) = _ends(first), _ends(second)
        return Estimate.from_ends([low95, low, np.clip(value, low, high), high, high95])

    @staticmethod
    def limit(draws: ArrayLike) -> Estimate | None:
        """Return the one-sided 95 % upper limit of draws; None when there are none."""
        values = _finite(draws)
        return Estimate.upper_limit(float(np.percentile(values, 95.0))) if len(values) else None

    @staticmethod
    def of(draws: ArrayLike) -> Estimate | None:
        """Return median, 68 % and 95 % interval of draws; None when there are none."""
        values = _finite(draws)
        return Estimate.from_draws(values) if len(values) else None

    @staticmethod
    def ends_about(value: float, ends: Iterable[float]) -> list[float]:
        """Return ends in the order of `PERCENTILES`, pulled so that the value lies among them."""
        low95, low, _, high, high95 = map(float, ends)
        return [min(low95, value), min(low, value), value, max(high, value), max(high95, value)]


def _decimals(low: float, high: float) -> int:
    """Return how many decimals show two figures of an interval."""
    width = abs(high - low)
    return 2 if width <= 0 else int(np.clip(1 - np.floor(np.log10(0.5 * width)), 0, 6))


def _ends(values: np.ndarray) -> list[float]:
    return [float(v) for v in np.percentile(values, const.PERCENTILES)]


def _finite(draws: ArrayLike) -> np.ndarray:
    values = np.asarray(draws, dtype=np.float64)
    return values[np.isfinite(values)]
