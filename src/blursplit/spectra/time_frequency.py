"""Density of the shared motion by time and frequency, on few enough cells to be drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]

MOST_COLUMNS = 240
MOST_ROWS = 120
SHORTEST_WINDOW_S = 1.0
LONGEST_WINDOW_S = 4.0
WINDOWS_A_RECORD = 60.0
"""Windows grow with the record, from one second to four: a wider one parts lines better."""

FEWEST_SAMPLES = 16
MOST_FILLED = 0.5
"""A window with a larger share of samples that were filled in, not recorded, is left blank."""

SAMPLES_AT_ONCE = 1 << 20
"""Samples transformed at once, so that memory stays bounded."""


@dataclass(frozen=True)
class TimeFrequency:
    """Density of two-axis motion by time and frequency.

    Parameters
    ----------
    time_edge_s : ndarray, shape (w + 1,)
        Ends of the columns, equally spaced from the first sample to the last.
    frequency_edge_hz : ndarray, shape (m + 1,)
        Ends of the rows, rising to half the rate; near even steps of the logarithm, never finer
        than the window resolves.
    psd : ndarray, shape (w, m)
        Mean of the density in each cell, sum of both axes, one-sided, unit^2/Hz; NaN where
        nothing was recorded.
    window_s : float
        Length of the windows.
    """

    time_edge_s: FloatArray
    frequency_edge_hz: FloatArray
    psd: FloatArray
    window_s: float


def time_frequency(
    time_s: FloatArray,
    motion_xy: FloatArray,
    cadence_s: float,
    *,
    segment: IntArray | None = None,
    real: BoolArray | None = None,
) -> TimeFrequency:
    """Return the density of the motion by time and frequency.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        On a regular grid within each segment.
    motion_xy : ndarray, shape (n, 2)
        Without NaN.
    cadence_s : float
    segment : ndarray of int, shape (n,), optional
        Stretches between which there is a gap.
    real : ndarray of bool, shape (n,), optional
        False where a sample was filled in.

    Returns
    -------
    TimeFrequency
        At most 240 columns and 120 rows, whatever the length of the record.

    Raises
    ------
    ValueError
        When no segment holds two windows.

    Notes
    -----
    Means of Hann-windowed periodograms (Welch 1967) that start every quarter of a window; a cell
    averages all whose middle lies in it, or holds the one nearest to it. So a column of an hour
    averages 15 s, and a shock of half a second stands out in it thirty times less. The lowest row
    also holds part of what is slower than it.
    """
    segment = np.zeros(len(time_s), dtype=np.int64) if segment is None else segment
    real = np.ones(len(time_s), dtype=bool) if real is None else real
    pieces = [np.flatnonzero(segment == number) for number in np.unique(segment)]
    longest = max(len(piece) for piece in pieces)
    length = _window_length(float(time_s[-1] - time_s[0]), longest, cadence_s)
    if longest < 2 * length:
        raise ValueError("no stretch of the record holds two windows")
    begin, end = float(time_s[0]) - cadence_s / 2, float(time_s[-1]) + cadence_s / 2
    hop = max(1, length // 4)
    columns = int(np.clip((end - begin) / (hop * cadence_s), 1, MOST_COLUMNS))
    cells = _Cells(np.linspace(begin, end, columns + 1), _frequency_edges(length, cadence_s))
    for piece in pieces:
        starts = _starts(real[piece], length, hop)
        if len(starts):
            rows = _rows(motion_xy[piece], starts, length, cadence_s, cells.frequency_edge_hz)
            middles = time_s[piece[0]] + (starts + (length - 1) / 2) * cadence_s
            cells.add(middles, rows, length * cadence_s)
    return TimeFrequency(
        cells.time_edge_s, cells.frequency_edge_hz, cells.mean(), length * cadence_s
    )


class _Cells:
    """Sums of the windows' densities in each column."""

    def __init__(self, time_edge_s: FloatArray, frequency_edge_hz: FloatArray) -> None:
        self.time_edge_s, self.frequency_edge_hz = time_edge_s, frequency_edge_hz
        self._total = np.zeros((len(time_edge_s) - 1, len(frequency_edge_hz) - 1))
        self._count = np.zeros(len(self._total))

    def add(self, middle_s: FloatArray, rows: FloatArray, window_s: float) -> None:
        """Add the windows of a piece: to the column of each middle, or to all that are near."""
        columns = len(self._total)
        place = np.clip(np.searchsorted(self.time_edge_s, middle_s) - 1, 0, columns - 1)
        inside = np.bincount(place, minlength=columns)
        np.add.at(self._total, place, rows)
        self._count += inside
        # at the ends of a piece, and where columns are narrower than the hop, no middle falls in
        centre = 0.5 * (self.time_edge_s[:-1] + self.time_edge_s[1:])
        around = _around(middle_s, centre)
        nearer = np.abs(middle_s[around] - centre[:, None]).argmin(axis=1)
        chosen = around[np.arange(columns), nearer]
        reached = np.abs(middle_s[chosen] - centre) <= 0.5 * window_s
        empty = (self._count == 0) & reached
        self._total[empty] = rows[chosen[empty]]
        self._count[empty] = 1

    def mean(self) -> FloatArray:
        """Return the mean density of each cell, NaN where no window reached."""
        psd = np.full_like(self._total, np.nan)
        seen = self._count > 0
        psd[seen] = self._total[seen] / self._count[seen, None]
        return psd


def _around(sorted_values: FloatArray, at: FloatArray) -> IntArray:
    """Return the indices of the values before and after each place, shape (len(at), 2)."""
    after = np.searchsorted(sorted_values, at)
    last = len(sorted_values) - 1
    return np.stack([np.clip(after - 1, 0, last), np.clip(after, 0, last)], axis=1)


def _window_length(duration_s: float, longest: int, cadence_s: float) -> int:
    wanted = np.clip(duration_s / WINDOWS_A_RECORD, SHORTEST_WINDOW_S, LONGEST_WINDOW_S)
    return max(FEWEST_SAMPLES, min(round(float(wanted) / cadence_s), longest // 2))


def _starts(real: BoolArray, length: int, hop: int) -> IntArray:
    """Return where windows begin; the last one ends with the piece, mostly filled ones are left."""
    last = len(real) - length
    if last < 0:
        return np.zeros(0, dtype=np.int64)
    starts = np.unique(np.append(np.arange(0, last + 1, hop), last))
    running = np.concatenate([[0], np.cumsum(real)])
    recorded = running[starts + length] - running[starts]
    return np.asarray(starts[recorded >= (1.0 - MOST_FILLED) * length])


def _frequency_edges(length: int, cadence_s: float) -> FloatArray:
    """Return edges of rows that each hold a Fourier frequency, the constant left out."""
    step = 1.0 / (length * cadence_s)
    # borders between Fourier frequencies; an even length ends on half a step, at Nyquist
    fine = np.append((np.arange(1, (length + 1) // 2) - 0.5) * step, 0.5 / cadence_s)
    if length % 2 == 0:
        fine = np.insert(fine, -1, fine[-2] + step)
    wanted = np.geomspace(fine[0], fine[-1], MOST_ROWS + 1)
    return np.asarray(fine[np.unique(np.searchsorted(fine, wanted * (1.0 - 1e-9)))])


def _rows(
    motion_xy: FloatArray,
    starts: IntArray,
    length: int,
    cadence_s: float,
    edges: FloatArray,
) -> FloatArray:
    """Return the density of every window, averaged over the Fourier frequencies of each row."""
    from numpy.lib.stride_tricks import sliding_window_view

    taper = np.hanning(length + 1)[:-1]
    scale = 2.0 * cadence_s / float((taper**2).sum())
    views = sliding_window_view(motion_xy, length, axis=0)
    frequency = np.fft.rfftfreq(length, cadence_s)
    first = np.searchsorted(frequency, edges[:-1], side="left")
    size = np.diff(np.append(first, len(frequency)))
    out = np.empty((len(starts), len(first)))
    at_once = max(1, SAMPLES_AT_ONCE // (2 * length))
    for begin in range(0, len(starts), at_once):
        part = views[starts[begin : begin + at_once]]
        part = part - part.mean(axis=2, keepdims=True)
        power = scale * (np.abs(np.fft.rfft(part * taper, axis=2)) ** 2).sum(axis=1)
        out[begin : begin + at_once] = np.add.reduceat(power, first, axis=1) / size
    return out
