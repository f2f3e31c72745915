"""Spectra of the shared motion against what the air explains, and coherence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.report.figures._canvas import (
    axes_for,
    block_means,
    decimate,
    figure_of,
    logarithmic,
)
from blursplit.report.palette import colour

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.result import Line
    from blursplit.series import Series

__all__ = ["draw_coherence", "draw_spectrum", "shared_density"]

MOST_MARKS = 8
# Labels of marks nearer than this in log10 of the frequency (a factor of 1.2) would touch.
TOUCHING = 0.08


def shared_density(series: Series) -> NDArray[np.float64] | None:
    """Return the density of the shared motion, sum of both axes [arcsec2/Hz], or None."""
    x = series.arrays.get("common_psd_x_arcsec2_hz")
    y = series.arrays.get("common_psd_y_arcsec2_hz")
    if x is None or y is None:
        return None
    return np.asarray(x + y, dtype=float)


def _positive(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(values > 0, values, np.nan)


def strongest(lines: Sequence[Line], count: int = MOST_MARKS) -> list[tuple[int, Line]]:
    """Return the strongest lines with their numbers in the result, counted from 1."""

    def strength(line: Line) -> float:
        for estimate in (line.rms_arcsec, line.rms_px):
            if estimate is not None and estimate.value is not None:
                return estimate.value
        return 0.0

    numbered = list(enumerate(lines, start=1))
    return sorted(numbered, key=lambda entry: -strength(entry[1]))[:count]


def mark_labels(
    places: Sequence[tuple[float, str]], nearest: float = TOUCHING
) -> list[tuple[float, str]]:
    """Join the labels of marks that would touch each other: places and labels, in order.

    Parameters
    ----------
    places : sequence of (float, str)
        Logarithm (base 10) of the frequency, and the label.
    nearest : float
        Distance in the logarithm within which labels are joined, at the middle of their places.
    """
    joined: list[list[tuple[float, str]]] = []
    for place in sorted(places):
        if joined and place[0] - joined[-1][-1][0] < nearest:
            joined[-1].append(place)
        else:
            joined.append([place])
    return [
        (float(np.mean([x for x, _ in group])), ", ".join(label for _, label in group))
        for group in joined
    ]


def _mark_lines(ax: Axes, lines: Sequence[Line]) -> None:
    places = []
    for index, line in strongest(lines):
        frequency = line.frequency_hz.value
        if frequency is None or frequency <= 0:
            continue
        ax.axvline(frequency, color=colour("muted"), lw=0.8, ls=":")
        places.append((float(np.log10(frequency)), str(index)))
    for x, label in mark_labels(places):
        ax.annotate(
            label,
            (10.0**x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=9,
        )


def draw_spectrum(series: Series, lines: Sequence[Line] = (), ax: Axes | None = None) -> Figure:
    """Draw densities [arcsec2/Hz], both axes added: shared, differential, air and noise.

    Lines are marked with their numbers in the table of lines.
    """
    ax = axes_for(ax, height_in=3.6)
    arrays = series.arrays
    frequency = arrays["frequency_hz"]
    inside = frequency > 0
    f = frequency[inside]

    def band(low: str, high: str, hue: str, alpha: float) -> None:
        if low in arrays and high in arrays:
            x, bottom, top = block_means(
                [f, arrays[low][inside], arrays[high][inside]], logarithmic=True
            )
            ax.fill_between(x, _positive(bottom), _positive(top), color=hue, alpha=alpha, lw=0)

    band("air_psd_low_arcsec2_hz", "air_psd_high_arcsec2_hz", colour("atmosphere"), 0.25)
    band("common_psd_low_arcsec2_hz", "common_psd_high_arcsec2_hz", colour("recorded"), 0.18)
    total = shared_density(series)
    curves = [
        ("shared by all stars", total, colour("recorded"), "-", 1.3),
        (
            "air's part of it",
            arrays.get("air_psd_arcsec2_hz"),
            colour("atmosphere"),
            (0, (6, 2)),
            1.5,
        ),
        (
            "one star against the others",
            arrays.get("differential_psd_arcsec2_hz"),
            colour("instrument"),
            (0, (3, 1.5)),
            1.1,
        ),
        ("noise", arrays.get("noise_psd_arcsec2_hz"), colour("muted"), (0, (1, 2)), 1.1),
    ]
    for label, values, hue, dash, width in curves:
        if values is not None:
            x, y = decimate(f, _positive(values[inside]), logarithmic=True)
            ax.plot(x, y, color=hue, ls=dash, lw=width, label=label)
    logarithmic(ax, "xy")
    _mark_lines(ax, lines)
    ax.set(xlabel="frequency [Hz]", ylabel="density, both axes [arcsec²/Hz]")
    ax.legend(loc="lower left")
    return figure_of(ax)


def draw_coherence(series: Series, lines: Sequence[Line] = (), ax: Axes | None = None) -> Figure:
    """Draw the share of the motion's power that all stars have in common, by frequency."""
    ax = axes_for(ax)
    frequency = series.arrays["frequency_hz"]
    inside = frequency > 0
    x, y = decimate(frequency[inside], series.arrays["coherence"][inside], logarithmic=True)
    ax.plot(x, y, color=colour("recorded"))
    logarithmic(ax, "x")
    _mark_lines(ax, lines)
    ax.set(xlabel="frequency [Hz]", ylabel="share common to all stars", ylim=(-0.02, 1.02))
    return figure_of(ax)
