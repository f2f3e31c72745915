"""Spectral densities, lines and resonances, aliases, ring-down, events."""

from __future__ import annotations

from blursplit.spectra.continuum import Continuum
from blursplit.spectra.densities import (
    CrossDensity,
    Density,
    cross_density,
    lomb_scargle_density,
    multitaper_density,
    regular_grid,
    segment_density,
)
from blursplit.spectra.describe import LineFit
from blursplit.spectra.lines import LineSearch, find_lines

__all__ = [
    "Continuum",
    "CrossDensity",
    "Density",
    "LineFit",
    "LineSearch",
    "cross_density",
    "find_lines",
    "lomb_scargle_density",
    "multitaper_density",
    "regular_grid",
    "segment_density",
]
