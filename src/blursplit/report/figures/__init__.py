"""Drawing functions: data and, if wanted, axes in; a figure out. No window, no global state.

Within `figure_style` they have the look of the page; on axes of your own they follow your style.
`svg_text` makes of a figure the inline SVG that the page shows.
"""

from __future__ import annotations

from blursplit.report.figures._canvas import decimate, figure_style, svg_text
from blursplit.report.figures.evidence import (
    WITNESS_CURVES,
    bar_length,
    draw_ellipses,
    draw_finder,
    draw_focus,
    draw_otf,
    draw_pairs,
    draw_scatter,
    draw_shape,
    draw_star,
    draw_witness,
    half_axes,
    north_in_image,
)
from blursplit.report.figures.motion import (
    draw_by_time,
    draw_coherence,
    draw_motion,
    draw_periodic,
    draw_spectra_of_sides,
    draw_spectrum,
    shared_density,
)

__all__ = [
    "WITNESS_CURVES",
    "bar_length",
    "decimate",
    "draw_by_time",
    "draw_coherence",
    "draw_ellipses",
    "draw_finder",
    "draw_focus",
    "draw_motion",
    "draw_otf",
    "draw_pairs",
    "draw_periodic",
    "draw_scatter",
    "draw_shape",
    "draw_spectra_of_sides",
    "draw_spectrum",
    "draw_star",
    "draw_witness",
    "figure_style",
    "half_axes",
    "north_in_image",
    "shared_density",
    "svg_text",
]
