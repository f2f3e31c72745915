"""Spectral densities, lines and resonances, aliases, ring-down, events."""

from __future__ import annotations

from blursplit.spectra.aliases import (
    AliasDecision,
    Candidates,
    alias_candidates,
    apparent_frequency,
    decide_alias,
    row_time_log_odds,
    second_rate_log_odds,
    time_stamp_log_odds,
)
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
from blursplit.spectra.events import EventSearch, MotionEvent, find_events
from blursplit.spectra.families import Family, group_harmonics
from blursplit.spectra.lines import LineSearch, find_lines
from blursplit.spectra.ringdown import RingDown, measure_ringdown
from blursplit.spectra.shared import SharedSpectrum, coherence_spectrum, shared_probability
from blursplit.spectra.smooth import line_motion
from blursplit.spectra.star_array import row_aligned_motion
from blursplit.spectra.steady import SteadyTest, steady_chance, steady_line_test
from blursplit.spectra.time_frequency import TimeFrequency, time_frequency

__all__ = [
    "AliasDecision",
    "Candidates",
    "Continuum",
    "CrossDensity",
    "Density",
    "EventSearch",
    "Family",
    "LineFit",
    "LineSearch",
    "MotionEvent",
    "RingDown",
    "SharedSpectrum",
    "SteadyTest",
    "TimeFrequency",
    "alias_candidates",
    "apparent_frequency",
    "coherence_spectrum",
    "cross_density",
    "decide_alias",
    "find_events",
    "find_lines",
    "group_harmonics",
    "line_motion",
    "lomb_scargle_density",
    "measure_ringdown",
    "multitaper_density",
    "regular_grid",
    "row_aligned_motion",
    "row_time_log_odds",
    "second_rate_log_odds",
    "segment_density",
    "shared_probability",
    "steady_chance",
    "steady_line_test",
    "time_frequency",
    "time_stamp_log_odds",
]
