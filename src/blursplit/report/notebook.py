"""Display in notebooks: HTML, tables whose numbers carry units, figures by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from html import escape
from typing import TYPE_CHECKING, Any, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.report import figures
from blursplit.report.summary import summarize
from blursplit.report.words import CURE_NAMES
from blursplit.result import Result
from blursplit.series import Series

if TYPE_CHECKING:
    from astropy.table import QTable

_IMAGES = ("recorded", "registered", "without_both", "finder")


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
        aperture_m = self._result.setting("aperture_m")
        return self._draw("baseline_m", figures.draw_otf, aperture_m, ax=ax)

    def star(
        self,
        which: Literal["recorded", "registered", "without_both"] = "recorded",
        ax: Axes | None = None,
    ) -> Figure:
        """Draw the mean star as recorded, or with motion shifted out."""
        scale = self._series.image_scale_arcsec

        def draw(series: Series, ax: Axes | None) -> Figure:
            return figures.draw_star(series.images[which], ax, pixel_scale_arcsec=scale)

        return self._draw(which, draw, ax=ax)

    def finder(self, ax: Axes | None = None) -> Figure:
        """Draw the field with the stars that were followed."""
        return self._draw("finder", figures.draw_finder, ax=ax)

    def __dir__(self) -> list[str]:
        return [name for name in super().__dir__() if not name.startswith("_")]

    def _draw(
        self, needed: str, draw: Callable[..., Figure], *parts: Any, ax: Axes | None
    ) -> Figure:
        if needed not in self._series.arrays and needed not in self._series.images:
            kind = "image" if needed in _IMAGES else "series"
            name = self._result.sequence.name or "measurement"
            problem = f"holds no {kind} '{needed}'"
            raise InputError(name, problem, "see the reasons of its verdict")
        with figures.figure_style():
            return draw(self._series, *parts, ax=ax)


# --- tables ---------------------------------------------------------------------------------------


def result_html(result: Result) -> str:
    """Return a short HTML fragment of a result, for ``_repr_html_``; no script, no style sheet."""
    summary = summarize(result)
    rows = "".join(
        f"<tr><th>{escape(row['label'])}</th><td>{escape(row['answer'] or '–')}</td>"
        f"<td>{escape(row['saving']['value'])}</td><td>{escape(row['saving']['range68'])}</td></tr>"
        for row in summary["cures"]
    )
    table = (
        "<table><thead><tr><th>cure</th><th>worth it?</th><th>saves [arcsec]</th>"
        f"<th>68 %</th></tr></thead><tbody>{rows}</tbody></table>"
        if rows
        else ""
    )
    return (
        f"<div><p>{escape(summary['title'])}</p><p><b>{escape(summary['headline'])}</b></p>{table}"
        f"<p>{escape('; '.join(summary['facts']))}</p></div>"
    )


def _columns(estimates: Iterable[Estimate | None], name: str, unit: Any) -> dict[str, Any]:
    """Return one column for the value and four for the ends of the intervals; unknown is NaN."""
    import numpy as np

    names = {"value": name} | {e: f"{name}_{e}" for e in ("low", "high", "low95", "high95")}
    rows = list(estimates)
    return {
        # None becomes NaN
        column: np.array([getattr(row, end, None) for row in rows], dtype=float) * unit
        for end, column in names.items()
    }


def budget_table(result: Result) -> QTable:
    """Return what each cure would save as a table with units, one row a cure.

    Columns ``cure``, ``matters`` and ``saving``, the last with ``_low``, ``_high`` (68 %),
    ``_low95`` and ``_high95``, and ``share`` of the width above the base. An upper limit has value
    NaN, low 0 and the limit as high; what is not known is NaN throughout.
    """
    import astropy.units as u
    import numpy as np

    parts: list[Any] = [
        result.instrument if cure == "optics" else getattr(result, cure) for cure in CURE_NAMES
    ]
    shares = [getattr(part, "share", None) for part in parts]
    return _shown(
        {
            "cure": list(CURE_NAMES),
            "matters": [result.verdict.matters.get(cure, "") for cure in CURE_NAMES],
            **_columns([part.saving_arcsec for part in parts], "saving", u.arcsec),
            "share": np.array(shares, dtype=float),
        }
    )


def lines_table(result: Result) -> QTable:
    """Return the lines as a table with units, one row a line.

    Columns ``frequency``, ``rms`` and ``damping_ratio`` with the ends of their intervals, and
    ``false_alarm_probability``, ``kind`` and ``cause``. Without a pixel scale ``rms`` is in
    pixels.
    """
    import astropy.units as u

    lines = result.lines
    in_px = bool(lines) and all(line.rms_arcsec is None for line in lines)
    rms = [line.rms_px if in_px else line.rms_arcsec for line in lines]
    damping = [line.damping_ratio for line in lines]
    return _shown(
        {
            **_columns([line.frequency_hz for line in lines], "frequency", u.Hz),
            **_columns(rms, "rms", u.pix if in_px else u.arcsec),
            **_columns(damping, "damping_ratio", u.dimensionless_unscaled),
            "false_alarm_probability": [line.false_alarm_probability for line in lines],
            "kind": [str(line.kind) for line in lines],
            "cause": [line.cause for line in lines],
        }
    )


def _shown(columns: dict[str, Any]) -> QTable:
    """Return a table that prints three digits of each number."""
    from astropy.table import QTable

    table = QTable(columns)
    for name in table.colnames:
        if table[name].dtype.kind == "f":
            table[name].info.format = ".3g"
    return table
