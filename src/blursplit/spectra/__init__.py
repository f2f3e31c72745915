"""Spectral densities, lines and resonances, aliases, ring-down, events."""

from __future__ import annotations

from blursplit.spectra.aliases import (
    AliasDecision,
    alias_candidates,
    apparent_frequency,
    row_time_log_odds,
    shared_probability,
    time_stamp_log_odds,
)
from blursplit.spectra.densities import (
    lomb_scargle_density,
    multitaper_density,
    regular_grid,
    steady_chance,
)
from blursplit.spectra.detection_limit import mode_limit_arcsec
from blursplit.spectra.events import MotionEvent, fewest_for_events, find_events, time_frequency
from blursplit.spectra.lines import LineSearch
from blursplit.spectra.modes import LineFit, principal_axes
from blursplit.spectra.periodogram import Continuum

__all__ = [
    "AliasDecision",
    "Continuum",
    "LineFit",
    "LineSearch",
    "MotionEvent",
    "alias_candidates",
    "apparent_frequency",
    "fewest_for_events",
    "find_events",
    "lomb_scargle_density",
    "mode_limit_arcsec",
    "multitaper_density",
    "principal_axes",
    "regular_grid",
    "row_time_log_odds",
    "shared_probability",
    "steady_chance",
    "time_frequency",
    "time_stamp_log_odds",
]
