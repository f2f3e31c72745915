"""Shocks, gusts and footsteps: short times of much larger shared motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

SHOCK_POWER = 10.0
"""Power over 0.12 s against the typical power at which a shock is declared. Air alone, with tube
currents and noise, reached 7.7 in 432 records of half a minute (20, 50 and 100 frames/s)."""

RISE_POWER = 4.0
"""The same against the half second before, for the onset of a shock."""

EVENT_POWER = 4.0
"""Power down to which an event is followed to either side."""

SHORT_S = 0.12
BEFORE_S = 0.5
GAP_S = 0.5
GUST_S = 1.0
"""Events that last longer are called gusts."""


@dataclass(frozen=True)
class MotionEvent:
    """A short time of much larger shared motion.

    Parameters
    ----------
    start_s, duration_s : float
    peak : float
        Largest displacement from the local mean, unit of the motion.
    frames : int
    kind : "shock" or "gust"
        By its length only: a step or a shutter is over in a second.
    frequency_hz : float
        Middle (power-weighted mean) of its spectrum.
    """

    start_s: float
    duration_s: float
    peak: float
    frames: int
    kind: Literal["shock", "gust"]
    frequency_hz: float


@dataclass(frozen=True)
class EventSearch:
    """Events and the share of frames they touch."""

    events: tuple[MotionEvent, ...]
    share: float
    affected: BoolArray


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


def find_events(
    time_s: FloatArray, motion_xy: FloatArray, cadence_s: float, *, lowest_hz: float = 1.0
) -> EventSearch:
    """Find shocks and gusts in the shared motion.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Regular grid.
    motion_xy : ndarray, shape (n, 2)
        Without NaN.
    cadence_s : float
    lowest_hz : float
        Slower motion is no event.

    Returns
    -------
    EventSearch
    """
    fast = fast_part(motion_xy, cadence_s, lowest_hz)
    short = max(3, round(SHORT_S / cadence_s))
    power = _relative_power(motion_xy, cadence_s)
    local = np.convolve(power, np.ones(short) / short, mode="same")
    loud = _joined(local > EVENT_POWER, round(GAP_S / cadence_s / 2))
    events = []
    affected = np.zeros(len(fast), dtype=bool)
    for first, last in _runs(loud):
        if local[first:last].max() < SHOCK_POWER:
            continue
        affected[first:last] = True
        events.append(_event(time_s, fast, first, last, cadence_s))
    return EventSearch(tuple(events), float(affected.mean()), affected)


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


def _joined(loud: BoolArray, gap: int) -> BoolArray:
    from scipy.ndimage import binary_closing

    if gap < 1:
        return loud
    padded = np.pad(loud, gap)
    closed = binary_closing(padded, structure=np.ones(2 * gap + 1, dtype=bool))
    return np.asarray(closed[gap:-gap], dtype=bool)


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _event(
    time_s: FloatArray, fast: FloatArray, first: int, last: int, cadence_s: float
) -> MotionEvent:
    part = fast[first:last]
    duration = (last - first) * cadence_s
    power = (np.abs(np.fft.rfft(part, axis=0)) ** 2).sum(axis=1)
    grid = np.fft.rfftfreq(len(part), cadence_s)
    middle = float((power * grid).sum() / power.sum())
    return MotionEvent(
        float(time_s[first]),
        float(duration),
        float(np.sqrt((part**2).sum(axis=1).max())),
        last - first,
        "gust" if duration > GUST_S else "shock",
        middle,
    )
