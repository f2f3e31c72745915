"""Evidence by time and frequency at once: when which rhythm shook the stars."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.report import figures as draw
from blursplit.report.sections import Section, holds, picture
from blursplit.report.tables import thinned_table

if TYPE_CHECKING:
    from blursplit.report.tables import Table
    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["by_time_section"]


def _table(series: Series) -> Table:
    """Return size and strongest rhythm by time."""
    arrays = series.arrays
    edge_s, edge_hz = arrays["time_edge_s"], arrays["frequency_edge_hz"]
    psd = arrays["common_psd_by_time_arcsec2_hz"]
    seen = np.isfinite(psd).all(axis=1)
    kept = psd[seen]
    strongest = kept.argmax(axis=1)
    return thinned_table(
        {
            "time [s]": (0.5 * (edge_s[:-1] + edge_s[1:]))[seen],
            "motion, both axes, rms [arcsec]": np.sqrt(kept @ np.diff(edge_hz)),
            "strongest at [Hz]": np.sqrt(edge_hz[:-1] * edge_hz[1:])[strongest],
            "density there [arcsec²/Hz]": kept[np.arange(len(kept)), strongest],
        },
        "Size and strongest frequency by time.",
    )


def _caption(result: Result, series: Series) -> str:
    """Say what is drawn and marked, and nothing else."""
    words = ["Bright: strong shared motion."]
    if result.lines:
        words.append("Numbers at the right: lines of the table.")
    if result.events:
        words.append("Bars and numbers above: events of their table.")
    if not np.isfinite(series.arrays["common_psd_by_time_arcsec2_hz"]).all():
        words.append("Crossed out: nothing recorded.")
    return " ".join(words)


def by_time_section(result: Result, series: Series) -> Section | None:
    """Return the density by time and frequency; None for runs too short to have it."""
    if not holds(series, "time_edge_s", "frequency_edge_hz", "common_psd_by_time_arcsec2_hz"):
        return None
    ends = [len(series.arrays[name]) - 1 for name in ("time_edge_s", "frequency_edge_hz")]
    if series.arrays["common_psd_by_time_arcsec2_hz"].shape != tuple(ends):
        return None  # a file that is not whole
    return Section(
        "by-time",
        "Rhythm of the motion over time",
        "measured",
        "A level stripe is a steady line or a mode that always rings, an upright one a shock, a "
        "slanting one something that changes speed. Air is strong at the bottom and has no "
        "stripes. Terms of the drive are taken out.",
        [
            picture(
                draw.draw_by_time(series, result.lines, result.events),
                "by-time",
                "Density of the shared motion by time and frequency",
                _caption(result, series),
                _table(series),
                pixels=True,
            )
        ],
    )
