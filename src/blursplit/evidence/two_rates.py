"""Two frame rates in one run: the longer part is measured, the other decides between aliases."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.evidence.guest import Guest, Record
from blursplit.frames.timing import RatePart, Timing
from blursplit.motion import CommonMotion
from blursplit.motion.common import GridData
from blursplit.result import Facts
from blursplit.rig import Rig
from blursplit.spectra import LineFit, LineSearch
from blursplit.spectra.aliases import apparent_frequency
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray, sure


def _second_rate_log_odds(
    candidates_hz: FloatArray,
    second_cadence_s: float,
    second_lines_hz: FloatArray,
    second_sigma_hz: FloatArray,
    first_sigma_hz: float,
) -> FloatArray:
    """Return the log likelihood of each candidate from lines found at another frame rate.

    `candidates_hz` (c,). `second_lines_hz`, `second_sigma_hz` (l,): apparent lines of the other run
    and their standard errors. `first_sigma_hz`: standard error of the apparent frequency in this
    run.

    Returns: (c,): density of the nearest match, over a flat chance of 10 % that the line was
    missed.
    """
    rate = 1.0 / second_cadence_s
    expected = apparent_frequency(candidates_hz, rate)
    flat = np.full(candidates_hz.size, 0.1 / (rate / 2.0))
    if second_lines_hz.size == 0:
        return np.asarray(np.log(flat))
    sigma = np.hypot(second_sigma_hz, first_sigma_hz)[None]
    distance = (expected[:, None] - second_lines_hz[None]) / sigma
    density = np.exp(-0.5 * distance**2) / (np.sqrt(2.0 * np.pi) * sigma)
    return np.asarray(np.log(0.9 * density.max(axis=1) / second_lines_hz.size + flat))


@dataclass(frozen=True)
class TwoRates(Guest):
    """The part of the run at another rate, which tells aliases apart."""

    blur_time_s: float | None = None
    second: StarTracks | None = None

    alias_evidence = "second frame rate"

    def prepare(self, record: Record) -> Record:
        """Keep the longer part of a run whose rate changes."""
        main, second = _split_at_rate_change(record.whole, record.rig)
        if second is None:
            return record
        left = Record.of(main, record.rig, self.blur_time_s)
        return replace(left, guests=(*record.guests, replace(self, second=second)))

    @cached_property
    def _lines(self) -> tuple[float, FloatArray, FloatArray] | None:
        return None if self.second is None else _lines_at_second_rate(self.second)

    def alias_log_odds(self, line: LineFit, candidates_hz: FloatArray) -> FloatArray | None:
        """Return how well each true frequency agrees with the lines at the other rate."""
        if self._lines is None:
            return None
        return _second_rate_log_odds(candidates_hz, *self._lines, line.frequency_sigma)


def _split_at_rate_change(tracks: StarTracks, rig: Rig) -> tuple[StarTracks, StarTracks | None]:
    """Return the part of the longer run at one rate, and the other part.

    `rig`: whether the camera made the time stamps.

    Returns `main`: the tracks as they are where there is one rate; `second`.
    """
    if (tracks.cadence_s or np.inf) >= const.RATES_SLOW_CADENCE_S:
        return tracks, None
    rates = RatePart.both(tracks.time_s)
    if not rates:
        return tracks, None
    cut = rates[1].first
    hardware = rig.get("time_stamps") == "hardware"
    parts = [_part(tracks, slice(0, cut), hardware), _part(tracks, slice(cut, None), hardware)]
    if any(part.timing == "irregular" for part in parts):
        return tracks, None
    parts.sort(key=lambda part: part.n_frames, reverse=True)
    main, second = parts
    facts: Facts = {
        "frames": main.n_frames,
        "rate_hz": 1.0 / sure(main.cadence_s),
        "other_frames": second.n_frames,
        "other_rate_hz": 1.0 / sure(second.cadence_s),
    }
    return replace(main, notes=(*tracks.notes, ("two-rates", facts))), second


def _lines_at_second_rate(second: StarTracks) -> tuple[float, FloatArray, FloatArray] | None:
    """Return cadence [s] and lines of the part at the other rate; None where it is too short.

    Apparent frequencies and their errors [Hz], (n_lines,) each.
    """
    motion, cadence_s = CommonMotion.of(second), sure(second.cadence_s)
    # only frequencies are asked for: pixels will do
    grid = GridData.of(second, motion, scale_arcsec=1.0, cadence_s=cadence_s)
    if grid is None:
        return None
    aligned = grid.rows_aligned()
    search = LineSearch.of(
        aligned.time_s,
        aligned.shared_arcsec,
        cadence_s=grid.cadence_s,
        segment=aligned.number,
        false_alarm=const.RATES_FALSE_ALARM,
    )
    found = np.array([(line.frequency_hz, line.frequency_sigma) for line in search.lines])
    return grid.cadence_s, *found.reshape(-1, 2).T


def _part(tracks: StarTracks, rows: slice, hardware: bool) -> StarTracks:
    """Return some frames of the tracks, their times on a grid of their own."""
    n = tracks.n_frames
    timing = Timing.of(tracks.time_s[rows], const.RATES_STAMP_RESOLUTION_S, hardware=hardware)
    cut: dict[str, Any] = {
        field.name: value[rows]
        for field in fields(tracks)
        if isinstance(value := getattr(tracks, field.name), np.ndarray)
        and field.name != "finder_adu"
        and len(value) == n
    }
    # breaks that the whole run had, of which the times know nothing, stay breaks
    both = np.stack([tracks.segment[rows], timing.segment])
    _, segment = np.unique(both, axis=1, return_inverse=True)
    stamps = tracks.stamps
    if stamps is not None:
        each = ("pixels_adu", "x0_px", "y0_px", "sky_adu")
        stamps = replace(stamps, **{name: getattr(stamps, name)[rows] for name in each})
    cut |= {"time_s": timing.time_s - timing.time_s[0], "segment": np.ravel(segment)}
    exposure = tracks.exposure_s
    return replace(
        tracks,
        **cut,
        stamps=stamps,
        timing=timing.kind,
        cadence_s=timing.cadence_s,
        exposure_s=None if exposure is None else min(exposure, timing.cadence_s),
    )
