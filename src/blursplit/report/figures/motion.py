"""Shared motion: spectra, coherence, over time, by time and frequency, folded on a period."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.report.figures._canvas import (
    CAUSE_DASHES,
    axes_for,
    block_means,
    colour,
    decimate,
    figure_of,
    finished,
    logarithmic,
    power_label,
    styled,
)
from blursplit.result import Event, Line, Result
from blursplit.series import Series
from blursplit.stars.robust import runs
from blursplit.types import BoolArray, FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_IMAGES = ("recorded", "registered", "without_both", "finder")


def shared_density(series: Series) -> FloatArray | None:
    """Return the density of the shared motion, sum of both axes [arcsec2/Hz], or None."""
    x, y = (series.arrays.get(f"common_psd_{axis}_arcsec2_hz") for axis in "xy")
    return None if x is None or y is None else np.asarray(x + y, dtype=float)


def _positive(values: FloatArray) -> FloatArray:
    return np.where(values > 0, values, np.nan)


def _strongest(lines: Sequence[Line]) -> list[tuple[int, Line]]:
    """Return the strongest lines with their numbers in the result, counted from 1."""

    def strength(line: Line) -> float:
        for estimate in (line.rms_arcsec, line.rms_px):
            if estimate is not None and estimate.value is not None:
                return estimate.value
        return 0.0

    numbered = list(enumerate(lines, start=1))
    return sorted(numbered, key=lambda entry: -strength(entry[1]))[: const.FIGURE_MARKS]


def _mark_labels(
    places: Sequence[tuple[float, str]], nearest: float = const.FIGURE_LABELS_TOUCH
) -> list[tuple[float, str]]:
    """Join the labels of marks nearer than so much, at the middle of their places, in order."""
    joined: list[list[tuple[float, str]]] = []
    for place in sorted(places):
        if joined and place[0] - joined[-1][-1][0] < nearest:
            joined[-1].append(place)
        else:
            joined.append([place])
    groups = (zip(*group, strict=True) for group in joined)
    return [(float(np.mean(x)), ", ".join(labels)) for x, labels in groups]


def _mark_lines(ax: Axes, lines: Sequence[Line]) -> None:
    shown = [(line.shown_hz, str(index)) for index, line in _strongest(lines)]
    _mark_frequencies(ax, [(hz, label) for hz, label in shown if hz is not None])


def _mark_frequencies(ax: Axes, marks: Sequence[tuple[float, str]]) -> None:
    known = [(frequency, label) for frequency, label in marks if frequency > 0]
    for frequency, _ in known:
        ax.axvline(frequency, color=colour("muted"), lw=0.8, ls=":")
    for x, label in _mark_labels([(float(np.log10(f)), label) for f, label in known]):
        _number(ax, label, (10.0**x, 1.0), ("data", "axes fraction"), (0, 2))


def _finish_densities(ax: Axes, *, own: bool) -> Figure:
    ax.set(xlabel="frequency [Hz]", ylabel="density, both axes [arcsec²/Hz]")
    if own:
        figure_of(ax).legend(loc="outside upper center", ncols=2, handlelength=1.8)
    else:
        ax.legend(loc="lower left")
    return figure_of(ax)


def draw_spectra_of_sides(
    before: Sequence[Series], after: Sequence[Series], marks: Sequence[tuple[float, str]] = ()
) -> Figure:
    """Draw the density of the shared motion before and after, the mean of each side's runs."""
    from blursplit.spectra import apparent_frequency

    ax = axes_for(height_in=3.8)
    for label, side, hue, width in (
        ("before", before, colour("quiet"), 2.2),
        ("after", after, colour("recorded"), 1.1),
    ):
        grid = side[0].arrays["frequency_hz"]
        totals = [
            np.interp(grid, one.arrays["frequency_hz"], total)
            for one in side
            if (total := shared_density(one)) is not None
        ]
        inside = grid > 0
        f, density = block_means([grid[inside], np.mean(totals, axis=0)[inside]], logarithmic=True)
        ax.plot(f, _positive(density), color=hue, lw=width, label=label)
    logarithmic(ax, "xy")
    # a line beyond the spectrum's end shows where it folds to
    folded = [(float(apparent_frequency(f, 2.0 * grid[-1])), label) for f, label in marks]
    _mark_frequencies(ax, folded)
    return _finish_densities(ax, own=True)


def _even_rows(edge_hz: FloatArray, psd: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return ends and cells of rows that are even in the logarithm, each with its cell's value."""
    ends = np.linspace(np.log10(edge_hz[0]), np.log10(edge_hz[-1]), const.FIGURE_ROWS + 1)
    middle = 10.0 ** (0.5 * (ends[:-1] + ends[1:]))
    row = np.clip(np.searchsorted(edge_hz, middle) - 1, 0, len(edge_hz) - 2)
    return ends, psd[:, row].T


def _cross_out(ax: Axes, edge_s: FloatArray, blank: BoolArray) -> None:
    """Cover gaps and cross them out; a hatch would keep its light colours in the dark looks."""
    for first, last in runs(blank):
        left, right = float(edge_s[first]), float(edge_s[last])
        ax.axvspan(left, right, facecolor=colour("panel"), edgecolor=colour("muted"), lw=0.8)
        for heights in ((0.0, 1.0), (1.0, 0.0)):
            look: dict[str, Any] = {"color": colour("muted"), "lw": 0.8}
            ax.plot([left, right], heights, transform=ax.get_xaxis_transform(), **look)


def _mark(
    ax: Axes,
    lines: Sequence[Line],
    events: Sequence[Event],
    extent: tuple[float, float, float, float],
) -> None:
    span = extent[1] - extent[0]
    for event in events:
        stop = max(event.start_s + event.duration_s, event.start_s + 0.004 * span)
        look: dict[str, Any] = {"color": colour("tracking"), "lw": 3.0, "solid_capstyle": "butt"}
        at = ax.get_xaxis_transform()
        ax.plot([event.start_s, stop], [1.02, 1.02], transform=at, clip_on=False, **look)
    places = [(e.start_s + 0.5 * e.duration_s, str(k)) for k, e in enumerate(events, start=1)]
    for x, label in _mark_labels(places, const.FIGURE_LABELS_TOUCH_SHARE * span):
        _number(ax, label, (x, 1.03), ax.get_xaxis_transform(), (0, 3))
    found = [
        (float(np.log10(shown)), str(index))
        for index, line in _strongest(lines)
        if (shown := line.shown_hz) and extent[2] < np.log10(max(shown, 1e-9)) < extent[3]
    ]
    for y, _ in found:
        at, ink = ax.get_yaxis_transform(), colour("ink")
        ax.plot([1.0, 1.025], [y, y], transform=at, color=ink, lw=1.4, clip_on=False)
    for y, label in _mark_labels(found, const.FIGURE_LABELS_TOUCH_SHARE * (extent[3] - extent[2])):
        # one below the other, or they would run into the bar
        label = "\n".join(reversed(label.split(", ")))  # noqa: PLW2901
        _number(ax, label, (1.03, y), ax.get_yaxis_transform(), (2, 0), ha="left", va="center")


def _number(
    ax: Axes, label: str, place: tuple[float, float], at: Any, offset: tuple[int, int], **how: str
) -> None:
    look: dict[str, Any] = {"ha": "center", "va": "bottom", "linespacing": 1.0, **how}
    look |= {"xytext": offset, "textcoords": "offset points", "annotation_clip": False}
    ax.annotate(label, place, xycoords=at, fontsize=11.2, **look)


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


class MotionPlots:
    """Figures of the shared motion of one measurement."""

    def __init__(self, result: Result, series: Series) -> None:
        self._result, self._series = result, series

    def _held(self, name: str) -> FloatArray:
        """Return an array or an image of the record, or refuse to draw with the reason."""
        found = self._series.arrays.get(name, self._series.images.get(name))
        if found is None:
            raise self._lacks(f"{'image' if name in _IMAGES else 'series'} '{name}'")
        return np.asarray(found, dtype=float)

    def _lacks(self, what: str) -> InputError:
        name = self._result.sequence.name or "measurement"
        return InputError(name, f"holds no {what}", "see the reasons of its verdict")

    @styled
    def spectrum(self, ax: Axes | None = None) -> Figure:
        """Draw densities [arcsec2/Hz], both axes added: shared, differential, air and noise.

        Lines are marked with their numbers in the table of lines.
        """
        own, ax = ax is None, axes_for(ax, height_in=3.8)
        arrays = self._series.arrays
        frequency = self._held("frequency_hz")
        inside = frequency > 0
        f = frequency[inside]

        for name, hue, alpha in (("air", "atmosphere", 0.25), ("common", "recorded", 0.18)):
            ends = [arrays.get(f"{name}_psd_{end}_arcsec2_hz") for end in ("low", "high")]
            known = [end[inside] for end in ends if end is not None]
            if len(known) == len(ends):
                x, bottom, top = block_means([f, *known], logarithmic=True)
                band = _positive(bottom), _positive(top)
                ax.fill_between(x, *band, color=colour(hue), alpha=alpha, lw=0)
        dashed = (0, (3, 1.5))
        curves: tuple[tuple[str, FloatArray | None, str, Any, float], ...] = (
            ("shared by all stars", shared_density(self._series), "recorded", "-", 1.3),
            ("air's part of it", arrays.get("air_psd_arcsec2_hz"), "atmosphere", (0, (6, 2)), 1.5),
            ("star against star", arrays.get("differential_psd_arcsec2_hz"), "optics", dashed, 1.1),
            ("noise", arrays.get("noise_psd_arcsec2_hz"), "muted", (0, (1, 2)), 1.1),
        )
        for label, values, hue, dash, width in curves:
            if values is not None:
                x, y = decimate(f, _positive(values[inside]), logarithmic=True)
                ax.plot(x, y, color=colour(hue), ls=dash, lw=width, label=label)
        logarithmic(ax, "xy")
        _mark_lines(ax, self._result.lines)
        return _finish_densities(ax, own=own)

    @styled
    def coherence(self, ax: Axes | None = None) -> Figure:
        """Draw the share of the motion's power that all stars have in common, by frequency."""
        ax = axes_for(ax)
        frequency = self._held("frequency_hz")
        inside = frequency > 0
        x, y = decimate(frequency[inside], self._held("coherence")[inside], logarithmic=True)
        ax.plot(x, y, color=colour("recorded"))
        logarithmic(ax, "x")
        _mark_lines(ax, self._result.lines)
        return finished(ax, "frequency [Hz]", "share common to all stars", ylim=(-0.02, 1.02))

    @styled
    def motion(self, axis: Literal["x", "y"] = "x", ax: Axes | None = None) -> Figure:
        """Draw the shared motion along one axis over time, with the estimated terms and events."""
        ax = axes_for(ax, height_in=2.5)
        time_s = self._held("time_s")
        for name, label, hue, dash, width, order in (
            ("common", "shared motion", colour("quiet"), "-", 0.7, 2.0),
            ("structure", "shaking", colour("structure"), "-", 0.9, 3.0),
            ("tracking", "tracking", colour("tracking"), CAUSE_DASHES["tracking"], 2.0, 4.0),
        ):
            values = self._series.arrays.get(f"{name}_{axis}_arcsec")
            if values is None:
                continue
            x, y = decimate(time_s, values)
            ax.plot(x, y, color=hue, ls=dash, lw=width, label=label, zorder=order)
        for event in self._result.events:
            end_s = event.start_s + event.duration_s
            ax.axvspan(event.start_s, end_s, color=colour("tracking"), alpha=0.2, lw=0)
        ax.set(xlabel="time since the first frame [s]", ylabel=f"shift along {axis} [arcsec]")
        ax.legend(loc="lower center", ncols=3, bbox_to_anchor=(0.45, 1.0), handlelength=1.5)
        return figure_of(ax)

    @styled
    def by_time(self, ax: Axes | None = None) -> Figure:
        """Draw the density of the shared motion by time and frequency [arcsec2/Hz]; bright: strong.

        Lines are marked at the right, events above, with their numbers in the tables; what was not
        recorded is crossed out.
        """
        ax = axes_for(ax, height_in=3.4)
        psd = self._held("common_psd_by_time_arcsec2_hz")
        edge_s = self._held("time_edge_s")
        ends, cells = _even_rows(self._held("frequency_edge_hz"), psd)
        level = np.log10(np.where(cells > 0, cells, np.nan))
        known = level[np.isfinite(level)]
        low, high = np.percentile(known, const.SHADES_PERCENT) if known.size else (0, 1)
        high = max(high, low + 0.5)
        ax.set_facecolor(colour("ground"))
        extent = (float(edge_s[0]), float(edge_s[-1]), float(ends[0]), float(ends[-1]))
        shown = np.nan_to_num(level, nan=low)
        style: dict[str, Any] = {"cmap": "gray", "vmin": low, "vmax": high, "origin": "lower"}
        style |= {"aspect": "auto", "interpolation": "none"}
        ax.imshow(shown, extent=extent, **style)
        _cross_out(ax, edge_s, np.asarray(~np.isfinite(level).any(axis=0)))
        _mark(ax, self._result.lines, self._result.events, extent)
        ticks = [tick for tick in const.FIGURE_TICKS_HZ if extent[2] <= np.log10(tick) <= extent[3]]
        ax.set_yticks(np.log10(ticks), [f"{tick:g}" for tick in ticks])
        ax.set(xlabel="time since the first frame [s]", ylabel="frequency [Hz]")
        ax.set(xlim=extent[:2], ylim=extent[2:])
        ax.grid(visible=False)
        _bar(ax, float(low), float(high), style)
        return figure_of(ax)

    @styled
    def periodic(self, number: int = 0, ax: Axes | None = None) -> Figure:
        """Draw the folded motion along a drive's direction with its bars, and the fitted curve."""
        ax = axes_for(ax, height_in=2.6)
        curves = self._result.tracking.phase_curves
        if number >= len(curves):
            raise self._lacks("curve of a period")
        curve = curves[number]
        phase = np.array(curve.phase_turns)
        # what was not seen is None, which becomes NaN
        values = partial(np.array, dtype=float)
        hue = colour("tracking")
        low, high = values(curve.curve_low_arcsec), values(curve.curve_high_arcsec)
        ax.fill_between(phase, low, high, color=hue, alpha=0.25, lw=0, label="curve, 68 %")
        ax.plot(phase, values(curve.curve_arcsec), color=hue, lw=1.2, ls=CAUSE_DASHES["tracking"])
        bars = np.nan_to_num(values(curve.shift_error_arcsec))
        look: dict[str, Any] = {"fmt": "s", "ms": 4, "color": colour("ink"), "lw": 1.0}
        seen = values(curve.shift_arcsec)
        ax.errorbar(phase, seen, yerr=bars, capsize=0, label="measured", **look)
        ax.axhline(0, color=colour("muted"), lw=0.7)
        ax.set(xlabel=f"phase of the period of {curve.period_s:.4g} s [turns]", xlim=(0, 1))
        ax.set_ylabel("shift [arcsec]")
        ax.legend(loc="lower center", ncols=2, bbox_to_anchor=(0.45, 1.0), handlelength=1.5)
        return figure_of(ax)
