"""Fast lines under a rolling shutter: searched with the rows' delays undone for their own zone.

A line above the frame rate's half is folded, and its phase differs from row to row by a turn and
more: the mean over the stars loses most of it. With the delays undone as its true zone asks, the
stars add up again, and the air, which lies in the lowest zone, is what gets smeared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.rolling import kept_by_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.grid import GridData
    from blursplit.spectra import LineFit

    FloatArray = NDArray[np.float64]

FALSE_ALARM = 0.02  # of all zones together
HIGHEST_ORDER = 2  # exposures leave little of faster motion
MOST_KEPT = 0.5  # where the plain mean keeps more of the power it finds the line itself
FEWEST_STARS = 3  # two stars' phases say hardly more than that they differ


def zones_to_search(grid: GridData) -> list[tuple[int, int]]:
    """Return the zones (order, sign) that the plain mean over the rows loses."""
    if grid.row_time_s is None or len(grid.star) < FEWEST_STARS:
        return []
    rate = 1.0 / grid.cadence_s
    kept = {
        order: float(kept_by_rows(np.array([order * rate]), grid.row_time_s, grid.cadence_s)[0])
        for order in range(1, HIGHEST_ORDER + 1)
    }
    return [(order, sign) for order in kept if kept[order] < MOST_KEPT for sign in (-1, 1)]


def zone_motion(grid: GridData, order: int, sign: int) -> FloatArray:
    """Return the shared motion of all segments, rows brought to one time for one zone.

    Parameters
    ----------
    grid : GridData
    order, sign : int
        True frequencies order x frame rate + sign x apparent frequency.

    Returns
    -------
    ndarray, shape (n, 2)
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


def search_zones(
    grid: GridData, time_s: FloatArray, segment: NDArray[np.int64], found: list[LineFit]
) -> list[LineFit]:
    """Return the lines of all zones: those given, and what the rows' delays had hidden.

    Parameters
    ----------
    grid : GridData
    time_s, segment : ndarray, shape (n,)
        Of the joined segments.
    found : list of LineFit
        Lines of the plain mean.

    Returns
    -------
    list of LineFit
        Of each apparent line the fit that holds most of it.
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
            false_alarm=FALSE_ALARM / len(zones),
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
