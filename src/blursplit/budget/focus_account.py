"""What an account takes from the focus curve, and what it writes down of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.focus_curve import focus_curve
from blursplit.budget.focus_runs import focus_run

if TYPE_CHECKING:
    from blursplit.budget.focus_report import FocusCurve
    from blursplit.budget.grid import GridData
    from blursplit.budget.ledger import Account
    from blursplit.budget.optics_data import OpticsData
    from blursplit.budget.view import View
    from blursplit.image.stack import StarImages

GAUSS = 2.354820045
STATED_SIGMA = 0.05  # of a stated instrument width
SEED = 5  # draws of its own: a run measured without focus runs stays as it was


def measure_focus(
    account: Account,
    view: View,
    images: StarImages,
    grid: GridData,
    transfer: OpticsData | None,
) -> FocusCurve | None:
    """Return the focus curve of the measured run and the others, None where there can be none.

    Parameters
    ----------
    account : Account
        Takes the doubts.
    view : View
    images : StarImages
    grid : GridData
    transfer : OpticsData or None
    """
    series, facts = view.focus, account.facts
    if series is None:
        return None
    if view.mask is not None or transfer is None:
        account.warn(
            "focus-not-used",
            "the focus runs were not used: behind a mask, or with pixels this large, the star "
            "image does not show the focus",
        )
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


def add_focus(account: Account, curve: FocusCurve | None) -> None:
    """Write down what the focus curve says."""
    if curve is None:
        return
    for code, text in curve.warnings:
        account.warn(code, text)
    account.evidence.notes += curve.notes
    account.evidence.steps += curve.steps
    account.arrays |= curve.arrays
    part = account.parts["instrument"]
    changes: dict[str, object] = {
        "defocus_arcsec": curve.defocus,
        "astigmatism_arcsec": curve.astigmatism,
        "focus": curve.part,
    }
    if curve.least_arcsec2 is not None and account.facts.known_instrument_arcsec is None:
        changes["optics_from"] = "focus positions"
    account.parts["instrument"] = part.model_copy(update=changes)
