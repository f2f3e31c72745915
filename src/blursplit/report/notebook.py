"""Display in notebooks: HTML, and tables whose numbers carry units."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from blursplit.estimate import Estimate
from blursplit.report.summary import summarize
from blursplit.report.words import CURE_NAMES
from blursplit.result import Result

if TYPE_CHECKING:
    from astropy.table import QTable


@dataclass(frozen=True)
class NotebookView:
    """What a notebook shows of a result."""

    result: Result

    def html(self) -> str:
        """Return a short HTML fragment for ``_repr_html_``; no script, no style sheet."""
        summary = summarize(self.result)
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

    def budget(self) -> QTable:
        """Return what each cure would save as a table with units, one row a cure.

        Columns ``cure``, ``matters`` and ``saving``, the last with ``_low``, ``_high`` (68 %),
        ``_low95`` and ``_high95``, and ``share`` of the width above the base. An upper limit has
        value NaN, low 0 and the limit as high; what is not known is NaN throughout.
        """
        import astropy.units as u
        import numpy as np

        parts: list[Any] = [
            self.result.instrument if cure == "optics" else getattr(self.result, cure)
            for cure in CURE_NAMES
        ]
        shares = [getattr(part, "share", None) for part in parts]
        return _shown(
            {
                "cure": list(CURE_NAMES),
                "matters": [self.result.verdict.matters.get(cure, "") for cure in CURE_NAMES],
                **_columns([part.saving_arcsec for part in parts], "saving", u.arcsec),
                "share": np.array(shares, dtype=float),
            }
        )

    def lines(self) -> QTable:
        """Return the lines as a table with units, one row a line.

        Columns ``frequency``, ``rms`` and ``damping_ratio`` with the ends of their intervals, and
        ``false_alarm_probability``, ``kind`` and ``cause``. Without a pixel scale ``rms`` is in
        pixels.
        """
        import astropy.units as u

        lines = self.result.lines
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


def _shown(columns: dict[str, Any]) -> QTable:
    """Return a table that prints three digits of each number."""
    from astropy.table import QTable

    table = QTable(columns)
    for name in table.colnames:
        if table[name].dtype.kind == "f":
            table[name].info.format = ".3g"
    return table
