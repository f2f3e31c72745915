"""Contributions that are only limited: shown as limits in every column, never as values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from blursplit.estimate import Estimate
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from blursplit.result import Result

__all__ = ["NONE_FOUND", "as_limit", "is_limited", "own_widths", "shown_shares"]

NONE_FOUND = "none found"
# Of a Gaussian: 2 sqrt(2 ln 2).
FWHM_OF_SIGMA = 2.354820


def is_limited(result: Result, name: str) -> bool:
    """Return whether only an upper limit is known of a contribution's motion or width."""
    part: Any = getattr(result, name)
    main = part.fwhm_arcsec if name in {"atmosphere", "instrument"} else part.rms_major_arcsec
    return main is not None and main.is_limit


def as_limit(estimate: Estimate | None) -> Estimate | None:
    """Return the upper end of an estimate as a limit at 95 %; None where it has none above 0."""
    if estimate is None:
        return None
    high = estimate.high if estimate.high95 is None else estimate.high95
    if high is None or high <= 0:
        return None
    return Estimate(value=None, low=0.0, high=high, low95=0.0, high95=high)


def own_widths(result: Result) -> dict[str, Estimate | None]:
    """Return each contribution's own width [arcsec], Gaussian-equivalent for motions.

    A motion that is only limited has a limit here too: 2.3548 times that of its larger axis where
    the width itself is not given, which no motion below the limit exceeds.
    """
    widths: dict[str, Estimate | None] = {
        "atmosphere": result.atmosphere.fwhm_arcsec,
        "instrument": result.instrument.fwhm_arcsec,
    }
    for name in ("tracking", "structure", "unassigned"):
        part: Any = getattr(result, name)
        width: Estimate | None = part.gaussian_equivalent_fwhm_arcsec
        if is_limited(result, name):
            motion = as_limit(part.rms_major_arcsec)
            if width is None and motion is not None and motion.high is not None:
                high = FWHM_OF_SIGMA * motion.high
                width = Estimate(value=None, low=0.0, high=high, low95=0.0, high95=high)
            width = as_limit(width)
        widths[name] = width
    return {name: widths[name] for name in CONTRIBUTIONS}


def shown_shares(result: Result) -> dict[str, Estimate | None]:
    """Return each contribution's share of the recorded width; None where none was found."""
    shares = {name: result.verdict.shares.get(name) for name in CONTRIBUTIONS}
    return {
        name: as_limit(share) if is_limited(result, name) else share
        for name, share in shares.items()
    }
