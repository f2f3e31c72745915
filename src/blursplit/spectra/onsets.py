"""Moments at which shocks begin, and the fast part of the motion in which they are sought."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

SHOCK_POWER = 10.0
"""Power over 0.12 s against the typical power at which a shock is declared. Air alone, with tube
currents and noise, reached 9.0 in 200 records of 25 s at 40 frames/s and 7.7 in 432 of half a
minute (20, 50 and 100 frames/s); a mode that rings all the time may pass it."""

RISE_POWER = 4.0
"""The same against the half second before, for the onset of a shock."""

SHORT_S = 0.12
BEFORE_S = 0.5
GAP_S = 0.5


def fast_part(motion_xy: FloatArray, cadence_s: float, lowest_hz: float) -> FloatArray:
    """Return the motion with everything slower than lowest_hz removed, without phase shift.

    Parameters
    ----------
    motion_xy : ndarray, shape (n, 2)
        Regular, without NaN.
    cadence_s : float
    lowest_hz : float

    Returns
    -------
    ndarray, shape (n, 2)

    Notes
    -----
    Motion less its Gaussian-weighted running mean; half the amplitude is left at lowest_hz.
    """
    from scipy.ndimage import gaussian_filter1d

    # exp(-2 pi^2 f^2 s^2) = 1/2 at lowest_hz
    sigma = np.sqrt(np.log(2.0) / 2.0) / (np.pi * lowest_hz) / cadence_s
    smooth = gaussian_filter1d(motion_xy, max(sigma, 0.5), axis=0, mode="nearest")
    return np.asarray(motion_xy - smooth)


def find_onsets(motion_xy: FloatArray, cadence_s: float, gap_s: float = GAP_S) -> list[int]:
    """Return the frames at which shocks begin.

    Parameters
    ----------
    motion_xy : ndarray, shape (n, 2)
        Regular, without NaN.
    cadence_s : float
    gap_s : float
        Shortest time between two shocks.

    Returns
    -------
    list of int
        Frame of the first large displacement of each shock.
    """
    n = len(motion_xy)
    short = max(3, round(SHORT_S / cadence_s))
    before = max(short, round(BEFORE_S / cadence_s))
    if n < before + short:
        return []
    power = _relative_power(motion_xy, cadence_s)
    running = np.concatenate([[0.0], np.cumsum(power)])
    index = np.arange(n)
    stop, start = np.minimum(index + short, n), np.maximum(index - before, 0)
    ahead = (running[stop] - running[index]) / np.maximum(stop - index, 1)
    behind = (running[index] - running[start]) / np.maximum(index - start, 1)
    rise = ahead / np.maximum(behind, 0.5)
    rise[:short] = 0.0  # nothing is known of what came before
    candidates = np.flatnonzero((rise > RISE_POWER) & (ahead > SHOCK_POWER))
    onsets: list[int] = []
    gap = max(1, round(gap_s / cadence_s))
    while candidates.size:
        group = candidates[candidates < candidates[0] + gap]
        best = int(group[np.argmax(rise[group])])
        onsets.append(_first_large(power, best, short))
        candidates = candidates[candidates >= max(group[-1] + 1, best + gap)]
    return sorted(set(onsets))


def _relative_power(motion_xy: FloatArray, cadence_s: float) -> FloatArray:
    """Return the power of the fast motion over its typical value, shape (n,).

    The larger of two views: displacement faster than 1 Hz, and its change from frame to frame,
    in which the slow air is nearly gone and a ring-down stands out.
    """
    fast = fast_part(motion_xy, cadence_s, 1.0)
    change = np.diff(motion_xy, axis=0, prepend=motion_xy[:1])
    views = []
    for view in (fast, change):
        energy = (view**2).sum(axis=1)
        # the median of an exponential law is ln 2 of its mean
        typical = float(np.median(energy)) / np.log(2.0)
        views.append(energy / max(typical, 1e-300))
    return np.asarray(np.maximum(views[0], views[1]))


def _first_large(power: FloatArray, start: int, short: int) -> int:
    """Return the first frame in the window with a displacement well out of the ordinary."""
    part = power[start : start + short]
    return start + int(np.argmax(part >= max(0.1 * float(part.max()), 6.0)))
