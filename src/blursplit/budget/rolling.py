"""Stars read out at different times: their motions brought to one time.

A rolling shutter reads a star on row y later than one on row 0. Motion that all stars share then
differs from star to star, and would pass for air. Below the Nyquist frequency a delay is a phase,
which is taken out exactly; above it the folded motion keeps a phase of 2 pi n fs d in zone n.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.grid import remove_trend

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.grid import GridData, GridSegment

    FloatArray = NDArray[np.float64]


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

    Parameters
    ----------
    true_hz : ndarray, shape (n,)
        True frequencies.
    row_time_s : ndarray, shape (n_stars,) or None
        None for a global shutter, which keeps all.
    cadence_s : float
    """
    if row_time_s is None:
        return np.ones(len(true_hz))
    zone = np.rint(true_hz * cadence_s)
    delay = row_time_s - row_time_s.mean()
    phase = 2.0 * np.pi * np.outer(zone / cadence_s, delay)
    return np.asarray(np.abs(np.exp(1j * phase).mean(axis=1)) ** 2)
