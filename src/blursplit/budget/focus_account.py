"""The focus curve of the measured run and of runs at other focus positions."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.focus_curve import focus_curve
from blursplit.budget.focus_runs import focus_run

if TYPE_CHECKING:
    from blursplit.budget.facts import Facts
    from blursplit.budget.focus_report import FocusCurve
    from blursplit.budget.optics_data import OpticsData
    from blursplit.budget.view import View
    from blursplit.image.stack import StarImages
    from blursplit.motion.grid import GridData

GAUSS = 2.354820045
STATED_SIGMA = 0.05  # of a stated instrument width
SEED = 5  # draws of its own: a run measured without focus runs stays as it was


def focus_of(
    view: View,
    images: StarImages,
    grid: GridData,
    transfer: OpticsData | None,
    facts: Facts,
) -> FocusCurve | None:
    """Return the focus curve of the measured run and the others, None where there can be none.

    Behind a mask, or with pixels as large as the star, the image does not show the focus.
    """
    series = view.focus
    if series is None or view.mask is not None or transfer is None:
        return None
    assert facts.optics is not None  # noqa: S101 - there is a transfer function
    rng = np.random.default_rng(SEED)
    own = focus_run("this run", series.own_position, images, facts, grid)
    curve = focus_curve(own, series.others, facts.optics, transfer, series.slope_arcsec, rng)
    stated = facts.known_instrument_arcsec
    if stated is not None and curve.least_arcsec2 is not None:
        least = GAUSS * float(np.sqrt(np.percentile(curve.least_arcsec2, 2.275)))
        if least > stated * (1.0 + 2.0 * STATED_SIGMA):
            curve.warn(
                "focus-disagrees",
                f"defocus alone ({least:.2f} arcsec or more) exceeds the stated instrument width "
                f"of {stated:.2f} arcsec, which is used: it was not measured at this focus",
            )
    return curve


def shaped(transfer: OpticsData | None, curve: FocusCurve | None) -> OpticsData | None:
    """Return the star's transfer function, its optics of the shape of a measured defocus."""
    if transfer is None or curve is None or not curve.is_shown:
        return transfer
    return replace(transfer, defocus=curve.shape)
