"""Exposure times on a grid: what stamps hide, what dropped frames leave, where the rate changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.types import FloatArray, IntArray

TimingKind = Literal["regular", "jittered", "irregular"]


@dataclass(frozen=True)
class Timing:
    """When the frames were taken."""

    time_s: FloatArray  # (n_frames,): since the first frame, increasing
    kind: TimingKind
    cadence_s: float  # interval of the grid, or the median interval
    jitter_rms_s: float  # scatter of the stamps about the grid (digits of the stamps included)
    missing: int  # frames absent from the grid
    segment: IntArray  # (n_frames,)
    # Time before each gap and its length [s].
    gaps: list[tuple[float, float]]
    snapped: bool  # whether times are those of the grid instead of the stamps


def even_timing(count: int, interval_s: float) -> Timing:
    """Return the timing of frames known only by their interval."""
    time_s = np.arange(count, dtype=np.float64) * interval_s
    segment = np.zeros(count, dtype=np.int64)
    return Timing(time_s, "regular", interval_s, 0.0, 0, segment, [], snapped=True)


def solve_timing(
    stamp_s: FloatArray,
    resolution_s: float,
    *,
    hardware: bool = False,
    interval_s: float | None = None,
) -> Timing:
    """Find the grid under time stamps, its missing frames and its gaps.

    `stamp_s` (n_frames,): stamps in order of time; equal ones are allowed. `resolution_s`: smallest
    step the stamps can express. `hardware`: whether the camera made the stamps: then they are kept
    as they are. `interval_s`: frame interval where the user gave it.

    Software stamps scatter while the shutter is regular, so that t = t0 + n dt is fitted, with
    whole n that step over dropped frames. Steps of n are taken from the rounded intervals where
    these are clean, and otherwise from lasting steps (median of 9) of the phase t - n dt,
    because a single late stamp is not a dropped frame.
    """
    stamp_s = np.asarray(stamp_s, dtype=np.float64) - stamp_s[0]
    dt, number = fit_grid(stamp_s, resolution_s, interval_s)
    residual = stamp_s - _line(number, stamp_s, interval_s)
    jitter = float(np.std(residual))
    most = (const.GRID_JITTER if interval_s is None else const.GRID_JITTER_STATED) * dt
    on_grid = bool(np.quantile(np.abs(residual), 0.98) < max(most, resolution_s))
    steps = np.diff(number)
    missing = int(np.sum(steps - 1)) if on_grid else 0
    snap = on_grid and dt < const.SLOW_CADENCE_S and not hardware
    time_s = (number - number[0]) * dt if snap else _strictly_increasing(stamp_s)
    kind: TimingKind = "irregular"
    if snap or (on_grid and jitter < max(const.EVEN_JITTER * dt, 50e-6)):
        kind = "regular"
    elif on_grid:
        kind = "jittered"
    if not on_grid:
        dt = float(np.median(np.diff(time_s)))
    limit = (
        max(const.GAP_S, const.GAP_FRAMES * dt)
        if on_grid and dt < const.SLOW_CADENCE_S
        else const.SLOW_GAP_FRAMES * dt
    )
    waits = np.diff(time_s)
    breaks = waits > limit
    segment = np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)
    gaps = [(float(time_s[i]), float(waits[i])) for i in np.flatnonzero(breaks)]
    if gaps and on_grid:
        missing -= int(np.sum(steps[breaks] - 1))
    return Timing(time_s, kind, dt, jitter, missing, segment, gaps, snapped=snap)


def fit_grid(
    stamp_s: FloatArray, resolution_s: float, interval_s: float | None = None
) -> tuple[float, IntArray]:
    """Return the grid's interval [s] and the frame numbers on it, increasing from 0."""
    dt = interval_s or _first_interval(stamp_s, resolution_s)
    number = np.arange(stamp_s.size, dtype=np.int64)
    for _ in range(5):
        number = _number_frames(stamp_s, dt, resolution_s)
        if interval_s is not None:
            break
        fitted = _slope(number, stamp_s)
        if not fitted > 0 or abs(fitted / dt - 1) < 1e-9:  # noqa: PLR2004
            break
        dt = fitted
    return dt, number


def _first_interval(stamp_s: FloatArray, resolution_s: float) -> float:
    steps = np.diff(stamp_s)
    coarse = np.mean(steps < resolution_s / 2) > const.REPEATED_STAMPS
    if not coarse:
        dt = float(np.median(steps))
        near = steps[np.abs(steps - dt) < 0.5 * dt]
        return float(np.mean(near)) if near.size else dt
    # Whole seconds repeat: the usual number of frames a stamp, ends left out, gives the rate.
    distinct, counts = np.unique(stamp_s, return_counts=True)
    inner = counts[1:-1] if counts.size > 2 else counts  # noqa: PLR2004
    step = float(np.median(np.diff(distinct))) if distinct.size > 1 else resolution_s
    typical = inner[np.abs(inner - np.median(inner)) <= 1]
    return step / float(np.mean(typical if typical.size else inner))


def _number_frames(stamp_s: FloatArray, dt: float, resolution_s: float) -> IntArray:
    if not stamp_s[-1] < const.MOST_GRID_STEPS * dt:
        return np.arange(stamp_s.size, dtype=np.int64)  # damaged stamps: no grid is that long
    steps = np.diff(stamp_s) / dt
    whole = np.rint(steps)
    clean = np.abs(steps - whole) < 0.25  # noqa: PLR2004
    if np.mean(clean) > 0.98 and np.all(whole[clean] >= 1):  # noqa: PLR2004
        jumps = np.maximum(whole, 1.0)
        return np.concatenate([[0], np.cumsum(jumps)]).astype(np.int64)
    from scipy.ndimage import median_filter

    # Phase of the stamps against a grid without losses; lasting steps of it are lost frames.
    phase = stamp_s / dt - np.arange(stamp_s.size)
    tolerance = max(0.6, 1.2 * resolution_s / dt)
    smooth = median_filter(phase, 9, mode="nearest")
    lost = np.zeros(stamp_s.size, dtype=np.int64)
    total, reference = 0, float(smooth[0])
    for i in range(1, stamp_s.size):
        step = smooth[i] - reference - total
        if step > tolerance:
            total += max(round(step), 1)
        reference += 0.02 * (smooth[i] - reference - total)
        lost[i] = total
    return np.arange(stamp_s.size, dtype=np.int64) + lost


def _slope(number: IntArray, stamp_s: FloatArray) -> float:
    n = number - number.mean()
    total = float(np.sum(n * n))
    return float(np.sum(n * (stamp_s - stamp_s.mean()))) / total if total else 0.0


def _line(number: IntArray, stamp_s: FloatArray, interval_s: float | None) -> FloatArray:
    dt = interval_s or _slope(number, stamp_s)
    return np.asarray(np.median(stamp_s - number * dt) + number * dt)


def _strictly_increasing(stamp_s: FloatArray) -> FloatArray:
    """Spread equal stamps over their own digit, so that times increase."""
    if np.all(np.diff(stamp_s) > 0):
        return stamp_s
    distinct, first, counts = np.unique(stamp_s, return_index=True, return_counts=True)
    room = np.diff(distinct, append=distinct[-1] + (np.median(np.diff(distinct)) or 1.0))
    out = stamp_s.copy()
    for value, start, count, width in zip(distinct, first, counts, room, strict=True):
        out[start : start + count] = value + np.arange(count) * width / count
    return out


@dataclass(frozen=True)
class RatePart:
    """Frames in a row at one rate."""

    # `first`, `frames`: number of the first frame, and how many.
    first: int
    frames: int
    start_s: float
    interval_s: float
    missing: int  # frames that the part's own interval leaves room for, gaps not counted

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return 1.0 / self.interval_s


def parts_of_rate(time_s: FloatArray, longest_wait_s: float = np.inf) -> tuple[RatePart, ...]:
    """Return the two parts of a run whose frame rate changes once, or nothing.

    `time_s` (n_frames,): increasing. `longest_wait_s`: a longer wait is a gap, in which no frame is
    missing.
    """
    cut = change_of_rate(time_s)
    if cut is None:
        return ()
    return tuple(_part(time_s, a, b, longest_wait_s) for a, b in ((0, cut), (cut, time_s.size)))


def small_ratio(first_hz: float, second_hz: float) -> tuple[int, int] | None:
    """Return the small whole numbers whose ratio two rates have, or None.

    Rates p and q times a common base fold the same frequencies together every p q of it, and where
    one is a multiple of the other the slower says nothing that the faster does not.

    Examples
    --------
    >>> small_ratio(50.0, 25.0), small_ratio(40.0, 50.0), small_ratio(40.0, 47.0)
    ((2, 1), (4, 5), None)
    """
    from fractions import Fraction

    near = Fraction(first_hz / second_hz).limit_denominator(const.RATE_SMALL_NUMBERS)
    exact = abs(first_hz / second_hz / float(near) - 1.0) < 1e-3 if near else False  # noqa: PLR2004
    small = exact and max(near.numerator, near.denominator) <= const.RATE_SMALL_NUMBERS
    return (near.numerator, near.denominator) if small else None


def _part(time_s: FloatArray, first: int, stop: int, longest_wait_s: float) -> RatePart:
    steps = np.diff(time_s[first:stop])
    interval = float(np.median(steps))
    counted = steps[steps <= longest_wait_s]
    missing = int(np.maximum(np.rint(counted / interval) - 1.0, 0.0).sum())
    return RatePart(first, stop - first, float(time_s[first]), interval, missing)


def change_of_rate(time_s: FloatArray) -> int | None:
    """Return the first frame of the second rate, or None where there is one rate.

    `time_s` (n_frames,): increasing.

    Two means fitted to the intervals in order, gaps cut to three usual intervals; the parts must
    differ in their medians by more than the intervals of either scatter, and by 2 %. A run that
    loses frames keeps some of its short intervals; where hardly one is left, every second (third,
    ...) frame is what was taken, and that is a lower rate, whoever chose it.
    """
    steps = np.diff(time_s)
    n = steps.size
    if n < 2 * const.RATE_FEWEST_FRAMES:
        return None
    steps = np.minimum(steps, const.RATE_GAP * float(np.median(steps)))
    total = np.cumsum(steps)
    first = np.arange(const.RATE_FEWEST_FRAMES, n - const.RATE_FEWEST_FRAMES + 1)
    left = total[first - 1]
    right = total[-1] - left
    # the fit of two means is best where this sum is largest
    cut = int(first[np.argmax(left**2 / first + right**2 / (n - first))])
    before, after = steps[:cut], steps[cut:]
    a, b = float(np.median(before)), float(np.median(after))
    # the ends of the middle half, so that single late stamps and lost frames count for nothing
    spread = [float(np.subtract(*np.percentile(part, (75.0, 25.0)))) for part in (before, after)]
    if abs(a - b) <= max(const.RATE_LEAST_CHANGE * min(a, b), *spread):
        return None
    slower = after if b > a else before
    if np.mean(slower < const.RATE_SHORT_STEP * max(a, b)) > const.RATE_FEW:
        return None
    # steps[k] leads from frame k to frame k + 1: a gap between the parts belongs to neither
    second = (np.abs(steps - b) < np.abs(steps - a)) & (steps < const.RATE_LONG_STEP * max(a, b))
    while cut < n and not second[cut]:
        cut += 1
    return cut if cut <= n - const.RATE_FEWEST_FRAMES else None
