"""Density of the shared motion by time and frequency, with lines and events marked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.report.figures._canvas import axes_for, figure_of, power_label
from blursplit.report.figures.spectra import mark_labels, strongest
from blursplit.report.palette import colour

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.result import Event, Line
    from blursplit.series import Series

    FloatArray = NDArray[np.float64]

__all__ = ["draw_by_time"]

PIXEL_ROWS = 160
LOWEST_PERCENT, HIGHEST_PERCENT = 5.0, 99.7
TOUCHING_SHARE = 0.05  # of the axis, within which two numbers would touch
TICKS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)


def _even_rows(edge_hz: FloatArray, psd: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return ends and cells of rows that are even in the logarithm, each with its cell's value."""
    ends = np.linspace(np.log10(edge_hz[0]), np.log10(edge_hz[-1]), PIXEL_ROWS + 1)
    middle = 10.0 ** (0.5 * (ends[:-1] + ends[1:]))
    row = np.clip(np.searchsorted(edge_hz, middle) - 1, 0, len(edge_hz) - 2)
    return ends, psd[:, row].T


def draw_by_time(
    series: Series,
    lines: Sequence[Line] = (),
    events: Sequence[Event] = (),
    ax: Axes | None = None,
) -> Figure:
    """Draw the density of the shared motion by time and frequency [arcsec2/Hz], bright is strong.

    Lines are marked at the right, events above, with their numbers in the tables; what was not
    recorded is crossed out.
    """
    ax = axes_for(ax, height_in=3.4)
    edge_s = series.arrays["time_edge_s"]
    psd = series.arrays["common_psd_by_time_arcsec2_hz"]
    ends, cells = _even_rows(series.arrays["frequency_edge_hz"], psd)
    level = np.log10(np.where(cells > 0, cells, np.nan))
    known = level[np.isfinite(level)]
    low, high = np.percentile(known, [LOWEST_PERCENT, HIGHEST_PERCENT]) if known.size else (0, 1)
    high = max(high, low + 0.5)
    ax.set_facecolor(colour("ground"))
    extent = (float(edge_s[0]), float(edge_s[-1]), float(ends[0]), float(ends[-1]))
    shown = np.nan_to_num(level, nan=low)
    style: dict[str, Any] = {
        "cmap": "gray",
        "vmin": low,
        "vmax": high,
        "origin": "lower",
        "aspect": "auto",
        "interpolation": "none",
    }
    ax.imshow(shown, extent=extent, **style)
    _cross_out(ax, edge_s, np.asarray(~np.isfinite(level).any(axis=0)))
    _mark(ax, lines, events, extent)
    ticks = [tick for tick in TICKS if extent[2] <= np.log10(tick) <= extent[3]]
    ax.set_yticks(np.log10(ticks), [f"{tick:g}" for tick in ticks])
    ax.set(
        xlabel="time since the first frame [s]",
        ylabel="frequency [Hz]",
        xlim=extent[:2],
        ylim=extent[2:],
    )
    ax.grid(visible=False)
    _bar(ax, float(low), float(high), style)
    return figure_of(ax)


def _cross_out(ax: Axes, edge_s: FloatArray, blank: NDArray[np.bool_]) -> None:
    """Cover gaps and cross them out; a hatch would keep its light colours in the dark looks."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], blank, [False]]).astype(int)))
    for first, last in edges.reshape(-1, 2):
        left, right = float(edge_s[first]), float(edge_s[last])
        ax.axvspan(left, right, facecolor=colour("panel"), edgecolor=colour("muted"), lw=0.8)
        for heights in ((0.0, 1.0), (1.0, 0.0)):
            ax.plot(
                [left, right],
                heights,
                transform=ax.get_xaxis_transform(),
                color=colour("muted"),
                lw=0.8,
            )


def _mark(
    ax: Axes,
    lines: Sequence[Line],
    events: Sequence[Event],
    extent: tuple[float, float, float, float],
) -> None:
    span = extent[1] - extent[0]
    for event in events:
        stop = max(event.start_s + event.duration_s, event.start_s + 0.004 * span)
        ax.plot(
            [event.start_s, stop],
            [1.02, 1.02],
            transform=ax.get_xaxis_transform(),
            color=colour("tracking"),
            lw=3.0,
            clip_on=False,
            solid_capstyle="butt",
        )
    places = [(e.start_s + 0.5 * e.duration_s, str(k)) for k, e in enumerate(events, start=1)]
    for x, label in mark_labels(places, TOUCHING_SHARE * span):
        _number(ax, label, (x, 1.03), "xaxis", (0, 3))
    found = [
        (float(np.log10(line.frequency_hz.value)), str(index))
        for index, line in strongest(lines)
        if line.frequency_hz.value is not None
        and extent[2] < np.log10(max(line.frequency_hz.value, 1e-9)) < extent[3]
    ]
    for y, _ in found:
        ax.plot(
            [1.0, 1.025],
            [y, y],
            transform=ax.get_yaxis_transform(),
            color=colour("ink"),
            lw=1.4,
            clip_on=False,
        )
    for y, label in mark_labels(found, TOUCHING_SHARE * (extent[3] - extent[2])):
        # one below the other, or they would run into the bar
        _number(ax, "\n".join(reversed(label.split(", "))), (1.03, y), "yaxis", (2, 0))


def _number(
    ax: Axes, label: str, place: tuple[float, float], along: str, offset: tuple[int, int]
) -> None:
    transform = ax.get_xaxis_transform() if along == "xaxis" else ax.get_yaxis_transform()
    ax.annotate(
        label,
        place,
        xycoords=transform,
        xytext=offset,
        textcoords="offset points",
        ha="center" if along == "xaxis" else "left",
        va="bottom" if along == "xaxis" else "center",
        fontsize=9,
        linespacing=1.0,
        annotation_clip=False,
    )


def _bar(ax: Axes, low: float, high: float, style: dict[str, Any]) -> None:
    """Draw the bar of the densities beside the axes, an image like theirs."""
    bar = ax.inset_axes((1.12, 0.0, 0.04, 1.0))
    bar.set_facecolor(colour("ground"))
    ramp = np.linspace(low, high, 128)[:, None]
    bar.imshow(ramp, extent=(0.0, 1.0, low, high), **style)
    exponents = np.arange(np.ceil(low), np.floor(high) + 1)
    bar.set_yticks(exponents, [power_label(10.0**exponent) for exponent in exponents])
    bar.set_xticks([])
    bar.yaxis.tick_right()
    bar.yaxis.set_label_position("right")
    bar.set_ylabel("density, both axes [arcsec²/Hz]")
    bar.grid(visible=False)
