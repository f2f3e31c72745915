"""Frames into the order of time, and their times on a grid.

Sorting, duplicates, what stamps hide, what dropped frames leave, where the rate changes, and the
exposure that goes with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.errors import TimingError, TooFewFramesError
from blursplit.frames.clock import Clock
from blursplit.frames.timestamps import Stamps
from blursplit.result import Facts, Note
from blursplit.rig import Setting, Setup
from blursplit.types import FloatArray, IntArray

TimingKind = Literal["regular", "jittered", "irregular"]


@dataclass(frozen=True)
class Timing:
    """When the frames were taken, and what the time stamps were like."""

    time_s: FloatArray  # (n_frames,): since the first frame, increasing
    kind: TimingKind
    cadence_s: float  # interval of the grid, or the median interval
    segment: IntArray  # (n_frames,)
    # Of the stamps about the grid, digits of the stamps included; None without stamps.
    jitter_rms_s: float | None = None
    # `missing`, `backward`, `duplicates`: frames absent from the grid, steps back in the order of
    # the files, equal stamps dropped.
    missing: int = 0
    gaps: tuple[tuple[float, float], ...] = ()  # time before each gap and its length [s]
    snapped: bool = True  # whether times are those of the grid instead of the stamps
    keyword: str = ""  # keyword or table that they came from
    resolution_s: float | None = None
    backward: int = 0
    duplicates: int = 0

    @classmethod
    def of(
        cls,
        stamp_s: FloatArray,
        resolution_s: float,
        *,
        hardware: bool = False,
        interval_s: float | None = None,
    ) -> Timing:
        """Find the grid under time stamps, its missing frames and its gaps.

        `stamp_s` (n_frames,): stamps in order of time; equal ones are allowed. `resolution_s`:
        smallest step the stamps can express. `hardware`: whether the camera made the stamps: then
        they are kept as they are. `interval_s`: frame interval where the user gave it.

        Software stamps scatter while the shutter is regular, so that t = t0 + n dt is fitted, with
        whole n that step over dropped frames. Steps of n are taken from the rounded intervals where
        these are clean, and otherwise from lasting steps (median of 9) of the phase t - n dt,
        because a single late stamp is not a dropped frame.
        """
        stamp_s = np.asarray(stamp_s, dtype=np.float64) - stamp_s[0]
        dt, number = _fit_grid(stamp_s, resolution_s, interval_s)
        residual = stamp_s - number * (interval_s or _slope(number, stamp_s))
        residual -= np.median(residual)
        jitter = float(np.std(residual))
        most = (const.GRID_JITTER if interval_s is None else const.GRID_JITTER_STATED) * dt
        on_grid = bool(np.quantile(np.abs(residual), 0.98) < max(most, resolution_s))
        steps = np.diff(number)
        missing = int(np.sum(steps - 1)) if on_grid else 0
        snap = on_grid and dt < const.SLOW_CADENCE_S and not hardware
        time_s = (number - number[0]) * dt if snap else _strictly_increasing(stamp_s)
        kind: TimingKind = "jittered"
        if snap or (on_grid and jitter < max(const.EVEN_JITTER * dt, 50e-6)):
            kind = "regular"
        elif not on_grid:
            kind = "irregular"
            dt = float(np.median(np.diff(time_s)))
        limit = const.SLOW_GAP_FRAMES * dt
        if on_grid and dt < const.SLOW_CADENCE_S:
            limit = max(const.GAP_S, const.GAP_FRAMES * dt)
        waits = np.diff(time_s)
        breaks = waits > limit
        segment = np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)
        gaps = [(float(time_s[i]), float(waits[i])) for i in np.flatnonzero(breaks)]
        if gaps and on_grid:
            missing -= int(np.sum(steps[breaks] - 1))
        return cls(time_s, kind, dt, segment, jitter, missing, tuple(gaps), snap)

    def start_mjd(self, clock: Clock, order: IntArray, exposure: Setting | None) -> float | None:
        """Return the date of the first frame's middle."""
        stamps = clock.stamps or clock.start
        if stamps is None or stamps.first_mjd_utc is None:
            return None
        first = 0.0
        if clock.stamps is not None:
            offsets = stamps.seconds[order] - self.time_s
            first = float(np.median(offsets)) if self.snapped else float(offsets[0])
        shift = {"begin": 0.5, "middle": 0.0, "end": -0.5}[stamps.where]
        half = shift * float(exposure.value) if exposure is not None else 0.0
        return stamps.first_mjd_utc + (first + half) / const.DAY_S


def _fit_grid(
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

    @classmethod
    def both(cls, time_s: FloatArray, longest_wait_s: float = np.inf) -> tuple[RatePart, ...]:
        """Return the two parts of a run whose frame rate changes once, or nothing.

        `longest_wait_s`: a longer wait is a gap, in which no frame is missing.
        """
        cut = _change_of_rate(time_s)
        if cut is None:
            return ()
        return tuple(_part(time_s, a, b, longest_wait_s) for a, b in ((0, cut), (cut, time_s.size)))


def _part(time_s: FloatArray, first: int, stop: int, longest_wait_s: float) -> RatePart:
    steps = np.diff(time_s[first:stop])
    interval = float(np.median(steps))
    counted = steps[steps <= longest_wait_s]
    missing = int(np.maximum(np.rint(counted / interval) - 1.0, 0.0).sum())
    return RatePart(first, stop - first, float(time_s[first]), interval, missing)


def _change_of_rate(time_s: FloatArray) -> int | None:
    """Return the first frame of the second rate, or None where there is one rate.

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
    cut += int(np.argmax(np.append(second[cut:], True)))
    return cut if cut <= n - const.RATE_FEWEST_FRAMES else None


Notes = list[Note]


def order_frames(
    clock: Clock, count: int, name: str, setup: Setup, notes: Notes, dropped: dict[str, int]
) -> tuple[IntArray, Timing]:
    """Return the frames in order of time, and their times.

    `count`: frames in the files. `notes`, `dropped`: added to.
    """
    given = setup.camera.frame_interval_s
    if clock.stamps is None:
        interval = given or clock.interval_s
        if interval is None:
            raise _no_times(name, clock)
        key = "camera.frame_interval_s" if given else clock.interval_key
        number, time_s = np.arange(count, dtype=np.int64), np.arange(count, dtype=np.float64)
        none = np.zeros_like(number)
        return number, Timing(time_s * interval, "regular", interval, none, keyword=key)
    stamps = clock.stamps
    seconds = stamps.seconds
    if not np.all(np.abs(seconds) < const.LONGEST_TIME_S):
        problem = f"its times ({stamps.keyword}) lie further apart than any calendar reaches"
        raise TimingError(name, problem, "repair them")
    if stamps.note:
        notes.append(("times-assumed", {"note": stamps.note}))
    seconds = _past_midnight(seconds, notes)
    backward = int(np.count_nonzero(np.diff(seconds) < 0))
    if clock.one_cube and 0 < backward <= const.CLOCK_STEPS:
        seconds = _without_clock_steps(seconds)
        notes.append(("clock-stepped-back", {"times": backward}))
    elif backward:
        notes.append(("times-backward", {"times": backward}))
    order = np.argsort(seconds, kind="stable").astype(np.int64)
    order, duplicates = _without_duplicates(order, seconds, stamps)
    if duplicates:
        dropped["duplicate time"] = duplicates
        notes.append(("duplicate-times", {"frames": duplicates}))
    if order.size < const.FEWEST_FRAMES:
        raise TooFewFramesError(name, int(order.size), const.FEWEST_FRAMES)
    hardware = setup.camera.time_stamps == "hardware"
    step_s = stamps.resolution_s
    timing = Timing.of(seconds[order], step_s, hardware=hardware, interval_s=given)
    rates = RatePart.both(timing.time_s, max(const.GAP_S, const.GAP_FRAMES * timing.cadence_s))
    timing = replace(
        timing,
        # what the slower rate leaves out of the faster one's grid was never taken
        missing=sum(part.missing for part in rates) if rates else timing.missing,
        keyword=stamps.keyword,
        resolution_s=step_s,
        backward=backward,
        duplicates=duplicates,
    )
    _note_timing(timing, given, clock, stamps, notes)
    return order, timing


def _no_times(source: str, clock: Clock) -> TimingError:
    """Return the error for a sequence of which nothing says how fast it was taken."""
    why = "no frame times (DATE-OBS, DATE-BEG, MJD-OBS, a TIMES table)"
    for code, facts in clock.notes:
        if code == "times-do-not-advance":
            why = f"{facts['keyword']} is the same in all frames"
    remedy = "give the interval: --set camera.frame_interval_s=SECONDS"
    return TimingError(source, f"{why} and no frame interval", remedy)


def _past_midnight(seconds: FloatArray, notes: Notes) -> FloatArray:
    """Add a day where times of day start anew and the next frame would then follow as usual."""
    steps = np.diff(seconds)
    over = np.flatnonzero(steps < -0.5 * const.DAY_S)
    usual = float(np.median(np.abs(steps))) if steps.size else 0.0
    longest = max(const.MIDNIGHT_WAIT_S, 10.0 * usual)
    if over.size != 1 or abs(float(steps[over[0]]) + const.DAY_S) > longest:
        return seconds
    notes.append(("past-midnight", {}))
    return np.where(np.arange(seconds.size) > over[0], seconds + const.DAY_S, seconds)


def _without_clock_steps(seconds: FloatArray) -> FloatArray:
    """Shift what follows a backward step so that the usual interval lies between."""
    steps = np.diff(seconds)
    usual = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    steps = np.where(steps < 0, usual, steps)
    return np.asarray(np.concatenate([[seconds[0]], seconds[0] + np.cumsum(steps)]))


def _without_duplicates(
    order: IntArray, seconds: FloatArray, stamps: Stamps
) -> tuple[IntArray, int]:
    """Drop frames of equal time when the stamps are fine enough for that to mean something."""
    steps = np.diff(seconds[order])
    equal = steps < stamps.resolution_s / 2
    usual = float(np.median(steps))
    if usual < 3 * stamps.resolution_s or np.mean(equal) > 0.1:  # noqa: PLR2004
        return order, 0
    keep = np.concatenate([[True], ~equal])
    return order[keep], int(np.count_nonzero(equal))


def _note_timing(
    timing: Timing, given: float | None, clock: Clock, stamps: Stamps, notes: Notes
) -> None:
    if timing.missing > 0:
        notes.append(("missing-frames", {"frames": timing.missing}))
    if timing.gaps:
        longest = max(length for _, length in timing.gaps)
        notes.append(("gaps", {"gaps": len(timing.gaps), "longest_s": float(longest)}))
    said = given or clock.interval_s
    _note_coarse(timing, stamps, notes, stated=bool(said))
    if not said:
        return
    found = Timing.of(np.sort(stamps.seconds), stamps.resolution_s) if given else timing
    if found.kind != "irregular" and abs(found.cadence_s / said - 1) > const.INTERVAL_AGREES:
        facts: Facts = {"stated_s": said, "found_s": found.cadence_s}
        notes.append(("interval-contradicts-times", facts))


def _note_coarse(timing: Timing, stamps: Stamps, notes: Notes, *, stated: bool) -> None:
    """Say what stamps in whole seconds leave open where many frames share one.

    They were cut or rounded, nothing says which: half their step. The first and the last change of
    a stamp fall somewhere between two frames, which leaves the interval open by two of them over
    the time between these changes.
    """
    step_s, dt = stamps.resolution_s, timing.cadence_s
    if step_s < 2.0 * dt:
        return
    between_s = float(timing.time_s[-1]) - 2.0 * step_s
    doubt = 2.0 * dt / between_s if between_s > 0 else np.inf
    share = min(doubt, 1.0) if not stated and doubt > const.INTERVAL_AGREES else None
    facts: Facts = {"step_s": step_s, "keyword": stamps.keyword, "start_s": 0.5 * step_s}
    notes.append(("times-coarse", {**facts, "share": share}))
