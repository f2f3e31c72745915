"""Motion over time and the folded periodic error."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.report.figures._canvas import axes_for, decimate, figure_of
from blursplit.report.palette import CAUSE_STYLES, colour

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.result import Event, PeriodicTerm
    from blursplit.series import Series

__all__ = ["along", "draw_motion", "draw_periodic", "fold"]


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


def fold(
    time_s: NDArray[np.float64], values: NDArray[np.float64], period_s: float, bins: int = 24
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return phase [turns], mean and standard error of a series folded on a period.

    A straight line is taken out first; bins without a sample are NaN. Where the series holds a
    whole turn the line is fitted beside two harmonics of the period, since a line alone would
    take part of a curve of few turns with it.
    """
    good = np.isfinite(values) & np.isfinite(time_s)
    phase = np.full(bins, np.nan)
    mean, error = phase.copy(), phase.copy()
    if good.sum() < 3:  # noqa: PLR2004 - a line needs more than two points
        return (np.arange(bins) + 0.5) / bins, mean, error
    t, v = time_s[good], values[good]
    columns = [np.ones_like(t), t - t.mean()]
    if np.ptp(t) > 0.98 * period_s:  # the last sample ends before the turn does
        turn = 2.0 * np.pi * t / period_s
        columns += [wave(k * turn) for k in (1, 2) for wave in (np.cos, np.sin)]
    design = np.stack(columns, axis=1)
    fitted = np.linalg.lstsq(design, v, rcond=None)[0]
    v = v - design[:, :2] @ fitted[:2]
    index = np.minimum((np.mod(t / period_s, 1.0) * bins).astype(int), bins - 1)
    for k in range(bins):
        piece = v[index == k]
        if piece.size:
            mean[k] = piece.mean()
            error[k] = piece.std(ddof=1) / np.sqrt(piece.size) if piece.size > 1 else np.nan
    return (np.arange(bins) + 0.5) / bins, mean, error


def along(series: Series, angle_deg: float | None) -> NDArray[np.float64]:
    """Return the shared motion along a direction of the image [arcsec]; None means along x."""
    turn = math.radians(angle_deg or 0.0)
    x, y = series.arrays["common_x_arcsec"], series.arrays["common_y_arcsec"]
    return np.asarray(x * math.cos(turn) + y * math.sin(turn), dtype=float)


def draw_periodic(series: Series, term: PeriodicTerm, ax: Axes | None = None) -> Figure:
    """Draw the shared motion along a drive's direction folded on its period."""
    ax = axes_for(ax, height_in=2.6)
    time_s = series.arrays["time_s"]
    phase, mean, error = fold(time_s, along(series, term.angle_deg), term.period_s)
    ax.errorbar(
        phase,
        mean,
        yerr=np.nan_to_num(error),
        fmt="s",
        ms=4,
        capsize=0,
        color=colour("tracking"),
        lw=1.0,
    )
    ax.axhline(0, color=colour("muted"), lw=0.7)
    ax.set(
        xlabel=f"phase of the period of {term.period_s:.4g} s [turns]",
        ylabel="shift [arcsec]",
        xlim=(0, 1),
    )
    return figure_of(ax)
