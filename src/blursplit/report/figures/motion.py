"""Motion over time and the folded periodic error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.report.figures._canvas import axes_for, decimate, figure_of
from blursplit.report.palette import CAUSE_STYLES, colour

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.result import Event, PhaseCurve
    from blursplit.series import Series

__all__ = ["draw_motion", "draw_periodic"]


def draw_motion(
    series: Series,
    axis: Literal["x", "y"] = "x",
    events: Sequence[Event] = (),
    ax: Axes | None = None,
) -> Figure:
    """Draw the shared motion along one axis over time with the estimated terms; events shaded."""
    ax = axes_for(ax, height_in=2.5)
    time_s = series.arrays["time_s"]
    for name, label, hue, dash, width, order in (
        ("common", "shared motion", colour("quiet"), "-", 0.7, 2.0),
        ("structure", "structure", colour("structure"), "-", 0.9, 3.0),
        ("tracking", "tracking", colour("tracking"), CAUSE_STYLES["tracking"].dash, 2.0, 4.0),
    ):
        values = series.arrays.get(f"{name}_{axis}_arcsec")
        if values is None:
            continue
        x, y = decimate(time_s, values)
        ax.plot(x, y, color=hue, ls=dash, lw=width, label=label, zorder=order)
    for event in events:
        ax.axvspan(
            event.start_s,
            event.start_s + event.duration_s,
            color=colour("tracking"),
            alpha=0.2,
            lw=0,
        )
    ax.set(xlabel="time since the first frame [s]", ylabel=f"shift along {axis} [arcsec]")
    ax.legend(loc="lower center", ncols=3, bbox_to_anchor=(0.45, 1.0), handlelength=1.5)
    return figure_of(ax)


def draw_periodic(curve: PhaseCurve, ax: Axes | None = None) -> Figure:
    """Draw the folded motion along a drive's direction with its bars, and the fitted curve."""
    ax = axes_for(ax, height_in=2.6)
    phase = np.array(curve.phase_turns)

    def values(of: Sequence[float | None]) -> NDArray[np.float64]:
        return np.array([np.nan if one is None else one for one in of])

    hue = colour("tracking")
    low, high = values(curve.curve_low_arcsec), values(curve.curve_high_arcsec)
    ax.fill_between(phase, low, high, color=hue, alpha=0.25, lw=0, label="curve, 68 %")
    ax.plot(phase, values(curve.curve_arcsec), color=hue, lw=1.2, ls=CAUSE_STYLES["tracking"].dash)
    ax.errorbar(
        phase,
        values(curve.shift_arcsec),
        yerr=np.nan_to_num(values(curve.shift_error_arcsec)),
        fmt="s",
        ms=4,
        capsize=0,
        color=colour("ink"),
        lw=1.0,
        label="measured",
    )
    ax.axhline(0, color=colour("muted"), lw=0.7)
    ax.set(
        xlabel=f"phase of the period of {curve.period_s:.4g} s [turns]",
        ylabel="shift [arcsec]",
        xlim=(0, 1),
    )
    ax.legend(loc="lower center", ncols=2, bbox_to_anchor=(0.45, 1.0), handlelength=1.5)
    return figure_of(ax)
