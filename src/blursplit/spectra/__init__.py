"""Spectral densities, lines and resonances, aliases, ring-down, events."""

from __future__ import annotations

from blursplit.spectra.aliases import (
    AliasCandidates,
    AliasDecision,
    apparent_frequency,
    shared_probability,
)
from blursplit.spectra.densities import (
    lomb_scargle_density,
    multitaper_density,
    regular_grid,
    steady_chance,
)
from blursplit.spectra.detection_limit import mode_limit_arcsec
from blursplit.spectra.events import MotionEvent, MotionEvents, time_frequency
from blursplit.spectra.lines import LineSearch
from blursplit.spectra.modes import LineFit
from blursplit.spectra.periodogram import Continuum

__all__ = [
    "AliasCandidates",
    "AliasDecision",
    "Continuum",
    "LineFit",
    "LineSearch",
    "MotionEvent",
    "MotionEvents",
    "apparent_frequency",
    "lomb_scargle_density",
    "mode_limit_arcsec",
    "multitaper_density",
    "regular_grid",
    "shared_probability",
    "steady_chance",
    "time_frequency",
]
