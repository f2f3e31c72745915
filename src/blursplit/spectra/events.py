"""Events: short times of much larger shared motion, such as shocks, footsteps and gusts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.spectra.event_threshold import FALSE_ALARM, steady_threshold
from blursplit.spectra.onsets import GAP_S, SHORT_S, fast_part

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

    Kind = Literal["shock", "shocks", "gust"]

LOWEST_HZ = 1.0
"""Slower motion is no event: air and drive wander so."""

LEAST_RATIO = 10.0
"""Least threshold against the typical power, however quiet and short the record."""

STEADY_S = 300.0
"""Longer records are judged in parts, since air and wind change; shorter parts know too few
swings of a narrow mode."""

FOLLOWED_TO = 0.4
"""Share of the threshold down to which an event is followed to either side."""

SHOCK_S = 1.0
"""A longer event that began suddenly is a shock only if it dies away."""

SUDDEN = 8.0
SUDDEN_AFTER_S, SUDDEN_BEFORE_S, SUDDEN_GAP_S = 0.075, 0.2, 0.25
"""Motion began suddenly where its power over the time after is so many times that before: less
than a cycle of most mounts, so that a gust that makes one of them swing does not look so."""

QUIET = 0.02
"""Power before a beginning, in thresholds, below which nothing smaller is told apart."""

MIDDLE = (0.16, 0.5, 0.84)
"""The middle 68 % of an event's power by frequency."""


@dataclass(frozen=True)
class MotionEvent:
    """A short time of much larger shared motion.

    Parameters
    ----------
    start_s, duration_s : float
    frames : int
        Recorded frames in it.
    kind : "shock", "shocks" or "gust"
        By its course alone, not by its cause: a "shock" began suddenly and was over in a second
        or died away; "shocks" began suddenly several times (footsteps, knocks); all else is a
        "gust".
    onsets : int
        How often motion began suddenly in it, at the least.
    peak, peak_error : float
        Largest displacement in a frame, faster than 1 Hz, the mean square of the ordinary motion
        taken off its square, and the standard deviation of that motion along the same line; unit
        of the motion.
    frequency_hz, low_hz, high_hz : float
        Frequency that halves its power, and those between which the middle 68 % lie.
    """

    start_s: float
    duration_s: float
    frames: int
    kind: Kind
    onsets: int
    peak: float
    peak_error: float
    frequency_hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class EventSearch:
    """Events, the frames they touch, and what would have been seen.

    Parameters
    ----------
    events : tuple of MotionEvent
    affected : ndarray of bool, shape (n,)
        Recorded frames that lie in an event.
    smallest_peak : float
        Peak of the smallest oscillation, a window long, that passes the threshold by itself at
        any time of the record, unit of the motion.
    window_s : float
        0.12 s, or three frames where that is longer.
    energy, energy_affected : float
        Sum over all recorded frames, and over those affected, of the square of the displacement
        faster than 1 Hz.
    """

    events: tuple[MotionEvent, ...]
    affected: BoolArray
    smallest_peak: float
    window_s: float
    energy: float
    energy_affected: float


def find_events(
    time_s: FloatArray,
    motion_xy: FloatArray,
    cadence_s: float,
    *,
    real: BoolArray | None = None,
    false_alarm: float = FALSE_ALARM,
) -> EventSearch:
    """Find shocks, rows of shocks and gusts in the shared motion.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Regular grid.
    motion_xy : ndarray, shape (n, 2)
        Without NaN.
    cadence_s : float
    real : ndarray of bool, shape (n,), optional
        False where a sample was filled in.
    false_alarm : float
        Probability, at most, that steady motion shows an event in this record.

    Returns
    -------
    EventSearch

    Raises
    ------
    ValueError
        When the record is shorter than two windows.

    Notes
    -----
    Two views are searched: displacement faster than 1 Hz, and its change from frame to frame, in
    which the slow air is nearly gone. An event is where the mean square of either over 0.12 s
    passes the larger of ten times its typical value and `steady_threshold`, both of some five
    minutes about it; stretches less than half a second apart are one event.
    """
    real = np.ones(len(time_s), dtype=bool) if real is None else real
    short = max(3, round(SHORT_S / cadence_s))
    if len(motion_xy) < 2 * short:
        raise ValueError("the record is shorter than two windows")
    motion_xy = _without_drift(motion_xy)
    fast = fast_part(motion_xy, cadence_s, LOWEST_HZ)
    change = np.diff(motion_xy, axis=0, prepend=motion_xy[:1])
    windows = 2 * len(motion_xy) / short
    views = [
        _over_threshold(view, short, cadence_s, windows, false_alarm) for view in (fast, change)
    ]
    local = np.maximum(views[0].local, views[1].local)
    each = np.maximum(views[0].each, views[1].each)
    found = [
        _trimmed(each, first, last, short)
        for first, last in _joined(_runs(local > FOLLOWED_TO), round(GAP_S / cadence_s))
        if local[first:last].max() >= 1.0
    ]
    affected = np.zeros(len(fast), dtype=bool)
    for first, last in found:
        affected[first:last] = True
    onsets = _beginnings(each, cadence_s) if found else np.zeros(0, dtype=np.int64)
    noise = np.cov(fast[~affected].T) if (~affected).sum() > short else np.cov(fast.T)
    events = tuple(
        _event(time_s, fast, real, first, last, cadence_s, onsets, noise) for first, last in found
    )
    affected &= real
    energy = (fast**2).sum(axis=1)
    return EventSearch(
        events,
        affected,
        smallest_peak=float(np.sqrt(2.0 * views[0].threshold.max())),
        window_s=short * cadence_s,
        energy=float(energy[real].sum()),
        energy_affected=float(energy[affected].sum()),
    )


def _without_drift(motion_xy: FloatArray) -> FloatArray:
    """Remove the straight line, whose ends no running mean follows."""
    t = np.arange(len(motion_xy)) - 0.5 * (len(motion_xy) - 1)
    centred = motion_xy - motion_xy.mean(axis=0)
    return np.asarray(centred - np.outer(t, t @ centred / (t @ t)))


@dataclass(frozen=True)
class _View:
    """Power in thresholds, over a short window and of each sample, and the threshold itself."""

    local: FloatArray
    each: FloatArray
    threshold: FloatArray


def _over_threshold(
    view: FloatArray, short: int, cadence_s: float, windows: float, false_alarm: float
) -> _View:
    energy = (view**2).sum(axis=1)
    local = np.convolve(energy, np.ones(short) / short, mode="same")
    parts = max(1, int(len(local) * cadence_s / STEADY_S))
    edges = np.linspace(0, len(local), parts + 1).astype(np.int64)
    levels = []
    for first, last in pairwise(edges):
        # the median of an exponential law is ln 2 of its mean
        typical = float(np.median(energy[first:last])) / np.log(2.0)
        steady = steady_threshold(local[first:last], windows, false_alarm)
        levels.append(max(LEAST_RATIO * typical, steady, 1e-300))
    # conditions change slowly: from the middle of one part to that of the next
    middle = 0.5 * (edges[:-1] + edges[1:])
    threshold = np.exp(np.interp(np.arange(len(local)), middle, np.log(levels)))
    return _View(local / threshold, energy / threshold, threshold)


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _joined(runs: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Join stretches that lie no more than a gap apart."""
    out: list[tuple[int, int]] = []
    for first, last in runs:
        if out and first - out[-1][1] <= gap:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out


def _trimmed(each: FloatArray, first: int, last: int, short: int) -> tuple[int, int]:
    """Cut off what only the smoothing added: quiet frames within half a window of the ends."""
    loud = np.flatnonzero(each[first:last] > FOLLOWED_TO)
    if not len(loud):
        return first, last
    reach = short // 2
    return first + min(int(loud[0]), reach), last - min(last - first - 1 - int(loud[-1]), reach)


def _beginnings(each: FloatArray, cadence_s: float) -> NDArray[np.int64]:
    """Return the frames at which motion began suddenly, in an event or not."""
    n = len(each)
    after = max(2, round(SUDDEN_AFTER_S / cadence_s))
    before = max(2, round(SUDDEN_BEFORE_S / cadence_s))
    running, index = np.concatenate([[0.0], np.cumsum(each)]), np.arange(n)
    stop, start = np.minimum(index + after, n), np.maximum(index - before, 0)
    ahead = (running[stop] - running[index]) / after
    behind = (running[index] - running[start]) / before
    sudden = np.flatnonzero((ahead > FOLLOWED_TO) & (ahead > SUDDEN * np.maximum(behind, QUIET)))
    gap = max(1, round(SUDDEN_GAP_S / cadence_s))
    chosen: list[int] = []
    for frame in sudden:
        if not chosen or frame - chosen[-1] >= gap:
            chosen.append(int(frame))
    return np.array(chosen, dtype=np.int64)


def _event(
    time_s: FloatArray,
    fast: FloatArray,
    real: BoolArray,
    first: int,
    last: int,
    cadence_s: float,
    onsets: NDArray[np.int64],
    noise: FloatArray,
) -> MotionEvent:
    part = fast[first:last]
    size = np.sqrt((part**2).sum(axis=1))
    at = int(size.argmax())
    along = part[at] / max(float(size[at]), 1e-300)
    lead = max(2, round(SUDDEN_AFTER_S / cadence_s))
    began = int(((onsets >= first - lead) & (onsets < last)).sum())
    duration = (last - first) * cadence_s
    low, middle, high = _band(part, cadence_s)
    return MotionEvent(
        start_s=float(time_s[first]),
        duration_s=duration,
        frames=int(real[first:last].sum()),
        kind=_kind(size, duration, began),
        onsets=began,
        peak=float(np.sqrt(max(float(size[at]) ** 2 - float(np.trace(noise)), 0.0))),
        peak_error=float(np.sqrt(along @ noise @ along)),
        frequency_hz=middle,
        low_hz=low,
        high_hz=high,
    )


def _kind(size: FloatArray, duration_s: float, onsets: int) -> Kind:
    if onsets != 1:
        return "shocks" if onsets else "gust"
    half = len(size) // 2
    dies_away = float((size[:half] ** 2).sum()) > 3.0 * float((size[half:] ** 2).sum())
    return "shock" if duration_s <= SHOCK_S or dies_away else "gust"


def _band(part: FloatArray, cadence_s: float) -> tuple[float, float, float]:
    """Return the frequencies below which 16, 50 and 84 % of the power lie."""
    n = 8 * len(part)  # zeros behind it make the steps of the frequency fine
    power = (np.abs(np.fft.rfft(part, n, axis=0)) ** 2).sum(axis=1)
    share = np.cumsum(power) / power.sum()
    low, middle, high = np.interp(MIDDLE, share, np.fft.rfftfreq(n, cadence_s))
    return float(low), float(middle), float(high)
