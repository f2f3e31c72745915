"""Figures of a measurement by name, for notebooks: `night.plot.spectrum()`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from blursplit.errors import InputError
from blursplit.report import figures
from blursplit.result import Result
from blursplit.series import Series


class Plots:
    """Figures of one measurement; each takes axes to draw on, or makes a figure of its own.

    A figure whose data the record does not hold is refused with the reason.
    """

    def __init__(self, result: Result, series: Series) -> None:
        self._result, self._series = result, series

    def spectrum(self, ax: Axes | None = None) -> Figure:
        """Draw the density of the shared motion, what air and noise make of it, and the lines."""
        return self._draw("frequency_hz", figures.draw_spectrum, self._result.lines, ax=ax)

    def coherence(self, ax: Axes | None = None) -> Figure:
        """Draw which share of the motion is common to all stars, by frequency."""
        return self._draw("coherence", figures.draw_coherence, self._result.lines, ax=ax)

    def motion(self, axis: Literal["x", "y"] = "x", ax: Axes | None = None) -> Figure:
        """Draw the shared motion over time with the estimated terms and events."""
        return self._draw("time_s", figures.draw_motion, axis, self._result.events, ax=ax)

    def by_time(self, ax: Axes | None = None) -> Figure:
        """Draw the density of the shared motion by time and frequency."""
        needed = "common_psd_by_time_arcsec2_hz"
        parts = (self._result.lines, self._result.events)
        return self._draw(needed, figures.draw_by_time, *parts, ax=ax)

    def pairs(self, ax: Axes | None = None) -> Figure:
        """Draw the differential motion of pairs of stars against their separation."""
        return self._draw("pair_separation_arcsec", figures.draw_pairs, ax=ax)

    def otf(self, ax: Axes | None = None) -> Figure:
        """Draw the transfer function of the registered star."""
        entry = self._result.setup.get("aperture_m")
        aperture_m = None if entry is None else float(entry.value)
        return self._draw("baseline_m", figures.draw_otf, aperture_m, ax=ax)

    def star(
        self,
        which: Literal["recorded", "registered", "without_both"] = "recorded",
        ax: Axes | None = None,
    ) -> Figure:
        """Draw the mean star as recorded, or with motion shifted out."""
        if which not in self._series.images:
            raise self._absent(f"image '{which}'")
        with figures.figure_style():
            scale = self._series.image_scale_arcsec
            return figures.draw_star(self._series.images[which], ax, pixel_scale_arcsec=scale)

    def finder(self, ax: Axes | None = None) -> Figure:
        """Draw the field with the stars that were followed."""
        if "finder" not in self._series.images:
            raise self._absent("image 'finder'")
        with figures.figure_style():
            return figures.draw_finder(self._series, ax)

    def __dir__(self) -> list[str]:
        return [name for name in super().__dir__() if not name.startswith("_")]

    def _draw(
        self, needed: str, draw: Callable[..., Figure], *parts: Any, ax: Axes | None
    ) -> Figure:
        if needed not in self._series.arrays:
            raise self._absent(f"series '{needed}'")
        with figures.figure_style():
            return draw(self._series, *parts, ax=ax)

    def _absent(self, what: str) -> InputError:
        name = self._result.sequence.name or "measurement"
        return InputError(name, f"holds no {what}", "see the reasons of its verdict")
