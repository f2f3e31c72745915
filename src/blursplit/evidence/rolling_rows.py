"""Stars read out at different times: their motions brought to one time.

A rolling shutter reads a star on row y later than one on row 0. Motion that all stars share then
differs from star to star, and would pass for air. Below the Nyquist frequency a delay is a phase,
which is taken out exactly; above it the folded motion keeps a phase of 2 pi n fs d in zone n.
Above it the mean over the stars loses most of a line: with the delays undone as its true zone asks,
the stars add up again, and the air, which lies in the lowest zone, is what gets smeared.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blursplit.constants import (
    ROWS_FALSE_ALARM,
    ROWS_FEWEST_STARS,
    ROWS_HIGHEST_ORDER,
    ROWS_MOST_KEPT,
)
from blursplit.motion.grid import GridData, GridSegment, remove_trend
from blursplit.spectra import LineFit
from blursplit.types import FloatArray, IntArray


def align_rows(grid: GridData) -> GridData:
    """Return the grid with each star's motion at the mean time of the rows.

    The motion as it was read stays in `as_read_arcsec`, for what decides between aliases.
    """
    if grid.row_time_s is None:
        return grid
    delay = grid.row_time_s - grid.row_time_s.mean()
    segments = tuple(_align(segment, delay, grid.cadence_s) for segment in grid.segments)
    return replace(grid, segments=segments)


def _align(segment: GridSegment, delay_s: FloatArray, cadence_s: float) -> GridSegment:
    stars = segment.stars_arcsec
    flat = remove_trend(stars)
    frequency = np.fft.rfftfreq(len(flat), cadence_s)
    turn = np.exp(-2j * np.pi * np.outer(frequency, np.tile(delay_s, 2)))
    moved = np.fft.irfft(np.fft.rfft(flat, axis=0) * turn, n=len(flat), axis=0)
    change = moved - flat
    n = len(delay_s)
    shared = np.stack([change[:, :n].mean(axis=1), change[:, n:].mean(axis=1)], axis=1)
    return replace(
        segment,
        stars_arcsec=stars + change,
        shared_arcsec=segment.shared_arcsec + shared,
        as_read_arcsec=stars,
    )


def kept_by_rows(
    true_hz: FloatArray, row_time_s: FloatArray | None, cadence_s: float
) -> FloatArray:
    """Return the share of the power that the mean over the aligned rows keeps.

    `true_hz` (n,): true frequencies. `row_time_s` (n_stars,): none for a global shutter, which
    keeps all.
    """
    if row_time_s is None:
        return np.ones(len(true_hz))
    zone = np.rint(true_hz * cadence_s)
    delay = row_time_s - row_time_s.mean()
    phase = 2.0 * np.pi * np.outer(zone / cadence_s, delay)
    return np.asarray(np.abs(np.exp(1j * phase).mean(axis=1)) ** 2)


# --- lines that the plain mean loses --------------------------------------------------------------
def zones_to_search(grid: GridData) -> list[tuple[int, int]]:
    """Return the zones (order, sign) that the plain mean over the rows loses."""
    if grid.row_time_s is None or len(grid.star) < ROWS_FEWEST_STARS:
        return []
    rate = 1.0 / grid.cadence_s
    kept = {
        order: float(kept_by_rows(np.array([order * rate]), grid.row_time_s, grid.cadence_s)[0])
        for order in range(1, ROWS_HIGHEST_ORDER + 1)
    }
    return [(order, sign) for order in kept if kept[order] < ROWS_MOST_KEPT for sign in (-1, 1)]


def zone_motion(grid: GridData, order: int, sign: int) -> FloatArray:
    """Return the shared motion of all segments, rows brought to one time for one zone.

    `order`, `sign`: true frequencies order x frame rate + sign x apparent frequency.

    Returns: (n, 2).
    """
    from blursplit.spectra import row_aligned_motion

    rows = grid.row_time_s
    assert rows is not None  # noqa: S101 - `zones_to_search` has checked
    n = len(grid.star)
    parts = []
    for piece in grid.segments:
        stars = piece.stars_arcsec if piece.as_read_arcsec is None else piece.as_read_arcsec
        parts.append(
            row_aligned_motion(stars[:, :n], stars[:, n:], rows, grid.cadence_s, order, sign)
        )
    return np.concatenate(parts)


def rolling_shutter_lines(
    grid: GridData, time_s: FloatArray, segment: IntArray, found: list[LineFit]
) -> list[LineFit]:
    """Return the lines of all zones: those given, and what the rows' delays had hidden.

    `time_s`, `segment` (n,): of the joined segments. `found`: lines of the plain mean.

    Returns: of each apparent line the fit that holds most of it.
    """
    from blursplit.spectra import find_lines

    zones = zones_to_search(grid)
    lines = list(found)
    for order, sign in zones:
        search = find_lines(
            time_s,
            zone_motion(grid, order, sign),
            cadence_s=grid.cadence_s,
            segment=segment,
            false_alarm=ROWS_FALSE_ALARM / len(zones),
        )
        for fit in search.lines:
            same = [k for k, line in enumerate(lines) if _is_same(line, fit)]
            if not same:
                lines.append(fit)
            elif fit.rms > max(lines[k].rms for k in same):
                lines = [line for k, line in enumerate(lines) if k not in same] + [fit]
    return sorted(lines, key=lambda line: line.frequency_hz)


def _is_same(line: LineFit, fit: LineFit) -> bool:
    low, high = line.band_hz
    return low <= fit.frequency_hz <= high or fit.band_hz[0] <= line.frequency_hz <= fit.band_hz[1]
