"""The focus curve: width of the registered star against focus position."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.report.figures._canvas import axes_for, figure_of
from blursplit.report.palette import colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from blursplit.result import Focus
    from blursplit.series import Series

__all__ = ["draw_focus"]


def draw_focus(series: Series, focus: Focus | None = None, ax: Axes | None = None) -> Figure:
    """Draw the width at short baselines against focus position, with the band of the curve.

    The measured run is filled, the others are open; a dashed line marks best focus, with its
    68 % interval.
    """
    ax = axes_for(ax)
    arrays = series.arrays
    at = arrays["focus_curve_position"]
    hue = colour("instrument")
    low, high = arrays["focus_curve_low_arcsec"], arrays["focus_curve_high_arcsec"]
    ax.fill_between(at, low, high, color=hue, alpha=0.22, lw=0, label="curve, 68 %")
    ax.plot(at, arrays["focus_curve_arcsec"], color=hue)
    position, width = arrays["focus_position"], arrays["focus_fwhm_arcsec"]
    bars = np.abs(
        np.stack([arrays["focus_fwhm_low_arcsec"], arrays["focus_fwhm_high_arcsec"]]) - width
    )
    used = np.isclose(position, np.nan if focus is None else focus.used_position)
    for chosen, face, label in ((used, True, "this run"), (~used, False, "other runs")):
        if chosen.any():
            ax.errorbar(
                position[chosen],
                width[chosen],
                yerr=bars[:, chosen],
                fmt="o",
                color=colour("recorded"),
                mfc=colour("recorded") if face else colour("panel"),
                ms=5,
                lw=1.0,
                label=label,
            )
    best = None if focus is None else focus.best_position
    if best is not None and best.value is not None:
        ax.axvline(best.value, color=colour("muted"), ls="--", lw=0.9)
        ends = (best.low or best.value, best.high or best.value)
        ax.axvspan(*ends, color=colour("muted"), alpha=0.15, lw=0)
    ax.ticklabel_format(axis="x", useOffset=False, style="plain")
    ax.locator_params(axis="x", nbins=6)
    ax.set(xlabel="focus position, as recorded", ylabel="width, Gaussian FWHM [arcsec]")
    ax.set_ylim(bottom=0)
    ax.set_xlim(float(at.min()), float(at.max()))
    ax.legend(loc="best")
    return figure_of(ax)
