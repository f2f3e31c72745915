"""From draws to estimates with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.result import Estimate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

LEVELS = (50.0, 15.865, 84.135, 2.275, 97.725)


def estimate(draws: ArrayLike) -> Estimate | None:
    """Return median, 68 % and 95 % interval of draws; None when there are none."""
    values = np.asarray(draws, dtype=np.float64)
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    value, low, high, low95, high95 = (float(v) for v in np.percentile(values, LEVELS))
    return Estimate(value=value, low=low, high=high, low95=low95, high95=high95)


def upper_limit(high95: float) -> Estimate:
    """Return an upper limit (95 %)."""
    return Estimate(value=None, low=0.0, high=float(high95), low95=0.0, high95=float(high95))


def with_error(value: float, sigma: float) -> Estimate:
    """Return a Gaussian estimate; a positive quantity keeps positive ends."""
    ends = [value + k * sigma for k in (-1.0, 1.0, -2.0, 2.0)]
    if value >= 0:
        ends = [max(end, 0.0) for end in ends]
    return Estimate(value=value, low=ends[0], high=ends[1], low95=ends[2], high95=ends[3])


def axial_estimate(angle_deg: ArrayLike) -> Estimate | None:
    """Return an estimate of an axial direction [0, 180); the interval may leave that range.

    None when the draws point everywhere (resultant below 0.3).
    """
    angles = np.radians(np.asarray(angle_deg, dtype=np.float64))
    angles = angles[np.isfinite(angles)]
    if not len(angles):
        return None
    resultant = np.mean(np.exp(2j * angles))
    if abs(resultant) < 0.3:  # noqa: PLR2004 - no direction stands out
        return None
    centre = 0.5 * np.angle(resultant)
    around = np.degrees(0.5 * np.angle(np.exp(2j * (angles - centre))))
    base = float(np.degrees(centre) % 180.0)
    value, low, high, low95, high95 = (base + float(v) for v in np.percentile(around, LEVELS))
    shift = 180.0 * np.floor(value / 180.0)
    return Estimate(
        value=value - shift,
        low=low - shift,
        high=high - shift,
        low95=low95 - shift,
        high95=high95 - shift,
    )
