"""What the structure can still be where the search for its lines found none."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.contributions import all_widths, shares, width_arcsec
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.contributions import Blur
    from blursplit.result import Contribution

    FloatArray = NDArray[np.float64]

DRAWS = 15  # the widths' ratios differ little from draw to draw
HIGHEST_95 = 97.725
EVERYTHING = frozenset(CONTRIBUTIONS)


@dataclass(frozen=True)
class SilentLimit:
    """The most that structure without a line can be (95 %).

    Parameters
    ----------
    rms_arcsec : float
        Along the larger axis.
    share : float
        Of the recorded width.
    kept : dict of frozenset to float
        Width left when these contributions are removed, over the recorded width.
    """

    rms_arcsec: float
    share: float
    kept: dict[frozenset[Contribution], float]


def silent_limit(
    line_limit_arcsec: float,
    unassigned: FloatArray,
    blurs: Sequence[Blur],
    removals: Sequence[frozenset[Contribution]],
) -> SilentLimit:
    """Return the largest structure that shows no line, and what it would be of the width.

    Parameters
    ----------
    line_limit_arcsec : float
        Rms of the smallest mode that would have been found.
    unassigned : ndarray, shape (n, 2, 2)
        Draws of the broadband shared motion [arcsec^2] that may be structure: a mode so strongly
        damped, or so folded by the sampling, that it looks like no line hides there.
    blurs : sequence of Blur
        Draws of all that widens the star.
    removals : sequence of frozenset
        Contributions to be removed.
    """
    broad = np.sqrt(np.linalg.eigvalsh(unassigned)[:, 1].clip(0.0))
    rms = float(np.hypot(line_limit_arcsec, np.percentile(broad, HIGHEST_95)))
    chosen = np.linspace(0, len(blurs) - 1, min(DRAWS, len(blurs))).astype(np.int64)
    every = [all_widths(_with_structure(blurs[k], rms)) for k in chosen]
    return SilentLimit(
        rms_arcsec=rms,
        share=float(np.median([shares(widths)["structure"] for widths in every])),
        kept={
            removed: float(np.median([w[EVERYTHING - removed] / w[EVERYTHING] for w in every]))
            for removed in removals
        },
    )


def _with_structure(blur: Blur, rms_arcsec: float) -> Blur:
    """Return the same recorded width with this motion in it, and that much less of the air.

    The open motion becomes structure too. Where the motion alone is wider than the record, the
    air goes to nothing and the motion shrinks until the width is right.
    """
    from scipy.optimize import brentq

    target = width_arcsec(blur, CONTRIBUTIONS)
    along = np.linalg.eigh(blur.unassigned)[1][:, 1]
    line = np.outer(along, along)

    def made(j: float, rms: float) -> Blur:
        return replace(
            blur,
            j=j,
            structure=rms**2 * line,
            structure_path=None,
            unassigned=np.zeros((2, 2)),
        )

    def excess(j: float, rms: float) -> float:
        return width_arcsec(made(j, rms), CONTRIBUTIONS) / target - 1.0

    if excess(blur.j, rms_arcsec) <= 0.0:  # the open motion, which it replaces, was larger
        return made(blur.j, rms_arcsec)
    if excess(0.0, rms_arcsec) < 0.0:
        j = brentq(excess, 0.0, blur.j, args=(rms_arcsec,), rtol=1e-3)
        return made(float(j), rms_arcsec)
    if excess(0.0, 0.0) >= 0.0:
        return blur
    rms = brentq(lambda size: excess(0.0, size), 0.0, rms_arcsec, rtol=1e-3)
    return made(0.0, float(rms))
