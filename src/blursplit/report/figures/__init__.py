"""Drawings: data and, if wanted, axes in; a figure out. No window, no global state.

Those of `Plots` have the look of the page, others within `figure_style`; on axes of your own they
follow your style.
`svg_text` makes of a figure the inline SVG that the page shows.
"""

from __future__ import annotations

from blursplit.report.figures._canvas import decimate, figure_style, svg_text
from blursplit.report.figures.evidence import (
    WITNESS_CURVES,
    Plots,
    bar_length,
    draw_scatter,
    draw_star,
)
from blursplit.report.figures.motion import draw_spectra_of_sides, shared_density

__all__ = [
    "WITNESS_CURVES",
    "Plots",
    "bar_length",
    "decimate",
    "draw_scatter",
    "draw_spectra_of_sides",
    "draw_star",
    "figure_style",
    "shared_density",
    "svg_text",
]
