"""Point-range figures of the contributions: own width, and share of the recorded width."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blursplit.report.figures._canvas import axes_for, figure_of
from blursplit.report.limits import NONE_FOUND, own_widths, shown_shares
from blursplit.report.palette import CAUSE_NAMES, CAUSE_STYLES, colour
from blursplit.report.wording import UNKNOWN
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from blursplit.estimate import Estimate
    from blursplit.result import Result

__all__ = ["draw_shares", "draw_widths", "own_widths"]


def _draw_ranges(
    ax: Axes,
    estimates: Mapping[str, Estimate | None],
    scale: float,
    label: str,
    absent: Mapping[str, str],
) -> None:
    rows = list(CONTRIBUTIONS)
    for row, name in enumerate(rows):
        estimate = estimates.get(name)
        hue, marker = colour(name), CAUSE_STYLES[name].marker
        if estimate is None:
            ax.text(0.0, row, f" {absent[name]}", va="center", color=colour("muted"))
            continue
        if estimate.value is None:
            if estimate.high is not None:
                limit = estimate.high * scale
                ax.plot([0, limit], [row, row], color=hue, lw=1.2, ls=(0, (2, 2)))
                ax.plot([limit], [row], color=hue, marker="<", ms=6, ls="none")
            continue
        for low, high, width in (
            (estimate.low95, estimate.high95, 1.4),
            (estimate.low, estimate.high, 5.0),
        ):
            if low is not None and high is not None:
                ax.plot(
                    [low * scale, high * scale],
                    [row, row],
                    color=hue,
                    lw=width,
                    solid_capstyle="butt",
                    alpha=1.0 if width < 2 else 0.55,  # noqa: PLR2004 - the wide bar
                )
        ax.plot([estimate.value * scale], [row], marker=marker, color=hue, ms=6.5, ls="none")
    ax.set_yticks(range(len(rows)), [CAUSE_NAMES[name] for name in rows])
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)
    ax.set_xlim(left=0.0)
    ax.set_xlabel(label)


def draw_widths(result: Result, ax: Axes | None = None) -> Figure:
    """Draw the width that each contribution alone would give, with its intervals.

    Thick bars hold 68 %, thin ones 95 %; a dotted bar with an arrow head is an upper limit.
    """
    ax = axes_for(ax, height_in=2.4)
    recorded = result.fwhm.recorded_arcsec
    if recorded is not None and recorded.value is not None:
        ax.axvline(recorded.value, color=colour("recorded"), lw=1.0, ls="--")
        ax.annotate(
            "recorded",
            (recorded.value, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=11.2,
        )
    unknown: dict[str, str] = dict.fromkeys(CONTRIBUTIONS, UNKNOWN)
    _draw_ranges(ax, own_widths(result), 1.0, "width on its own, FWHM [arcsec]", unknown)
    return figure_of(ax)


def draw_shares(result: Result, ax: Axes | None = None) -> Figure:
    """Draw each contribution's share of the recorded width [%], with its intervals."""
    ax = axes_for(ax, height_in=2.4)
    shares = result.verdict.shares
    absent: dict[str, str] = {
        name: NONE_FOUND if shares.get(name) else UNKNOWN for name in CONTRIBUTIONS
    }
    _draw_ranges(ax, shown_shares(result), 100.0, "share of the recorded width [%]", absent)
    ax.set_xlim(left=0.0, right=max(100.0, ax.get_xlim()[1]))
    return figure_of(ax)
