"""Frames into the order of time: sorting, duplicates, the grid, the exposure that goes with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blursplit import constants as const
from blursplit.errors import TimingError, TooFewFramesError
from blursplit.frames.clock import Clock, no_times
from blursplit.frames.facts import read_exposure
from blursplit.frames.header import Header
from blursplit.frames.timestamps import Stamps
from blursplit.frames.timing import Timing, even_timing, parts_of_rate, solve_timing
from blursplit.result import Facts, Note
from blursplit.rig import Setting, Setup
from blursplit.types import FloatArray, IntArray

Notes = list[Note]


@dataclass(frozen=True)
class StampReport:
    """What the time stamps were like."""

    keyword: str = ""  # keyword or table they came from; '' where only an interval is known
    resolution_s: float | None = None
    jitter_rms_s: float | None = None
    # `missing`, `backward`, `duplicates`: frames absent from the grid, steps back in the order of
    # the files, equal stamps dropped.
    missing: int = 0
    backward: int = 0
    duplicates: int = 0
    gaps: tuple[tuple[float, float], ...] = ()  # time before each gap and its length [s]
    snapped: bool = True  # whether the times are those of a fitted grid


def order_frames(
    clock: Clock,
    count: int,
    name: str,
    setup: Setup,
    notes: Notes,
    dropped: dict[str, int],
) -> tuple[IntArray, Timing, StampReport]:
    """Return the frames in order of time, their times, and what the stamps were like.

    `count`: frames in the files. `notes`, `dropped`: added to.

    Raises TimingError when nothing says how fast the frames were taken, or the times are no times;
    TooFewFramesError when fewer than 10 are left.
    """
    given = setup.camera.frame_interval_s
    if clock.stamps is None:
        interval = given or clock.interval_s
        if interval is None:
            raise no_times(name, clock)
        key = "camera.frame_interval_s" if given else clock.interval_key
        report = StampReport(keyword=key)
        return np.arange(count, dtype=np.int64), even_timing(count, interval), report
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
    timing = solve_timing(
        seconds[order],
        stamps.resolution_s,
        hardware=setup.camera.time_stamps == "hardware",
        interval_s=given,
    )
    rates = parts_of_rate(timing.time_s, max(const.GAP_S, const.GAP_FRAMES * timing.cadence_s))
    if rates:
        # what the slower rate leaves out of the faster one's grid was never taken
        timing = replace(timing, missing=sum(part.missing for part in rates))
    report = StampReport(
        stamps.keyword,
        stamps.resolution_s,
        timing.jitter_rms_s,
        timing.missing,
        backward,
        duplicates,
        tuple(timing.gaps),
        timing.snapped,
    )
    _note_timing(timing, given, clock, notes)
    return order, timing, report


def _past_midnight(seconds: FloatArray, notes: Notes) -> FloatArray:
    """Add a day where times of day start anew and the next frame would then follow as usual."""
    steps = np.diff(seconds)
    over = np.flatnonzero(steps < -0.5 * const.DAY_S)
    usual = float(np.median(np.abs(steps))) if steps.size else 0.0
    if over.size != 1 or abs(float(steps[over[0]]) + const.DAY_S) > max(
        const.MIDNIGHT_WAIT_S, 10.0 * usual
    ):
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


def _note_timing(timing: Timing, given: float | None, clock: Clock, notes: Notes) -> None:
    if timing.missing > 0:
        notes.append(("missing-frames", {"frames": timing.missing}))
    if timing.gaps:
        longest = max(length for _, length in timing.gaps)
        notes.append(("gaps", {"gaps": len(timing.gaps), "longest_s": float(longest)}))
    said = given or clock.interval_s
    if clock.stamps is not None:
        _note_coarse(timing, clock.stamps, notes, stated=bool(said))
    if not said or clock.stamps is None:
        return
    found = timing
    if given:
        found = solve_timing(np.sort(clock.stamps.seconds), clock.stamps.resolution_s)
    found_s = found.cadence_s
    if found.kind == "irregular":
        return
    if abs(found_s / said - 1) > const.INTERVAL_AGREES:
        notes.append(("interval-contradicts-times", {"stated_s": said, "found_s": found_s}))


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


def check_exposure(header: Header, planes: int, cadence_s: float, notes: Notes) -> Setting | None:
    """Return the exposure of a header [s], checked against the interval between frames.

    `planes`: frames that the header speaks for.
    """
    found = read_exposure(header)
    if found is None:
        return None
    value, longest_s = float(found.value), 1.05 * cadence_s
    if value <= longest_s:
        return found
    facts: Facts = {"keyword": found.note, "value": value, "interval_s": cadence_s}
    if 1e-3 * cadence_s < value * 1e-3 <= longest_s:
        notes.append(("exposure-in-milliseconds", facts))
        return Setting(value * 1e-3, "header", f"{found.note}, taken as milliseconds")
    if planes > 1 and value / planes <= longest_s:
        notes.append(("exposure-of-cube", facts))
        return Setting(value / planes, "header", f"{found.note} / number of frames")
    notes.append(("exposure-unusable", facts))
    return None


def start_mjd(
    clock: Clock, order: IntArray, timing: Timing, exposure: Setting | None
) -> float | None:
    """Return the date of the first frame's middle."""
    stamps = clock.stamps or clock.start
    if stamps is None or stamps.first_mjd_utc is None:
        return None
    first = 0.0
    if clock.stamps is not None:
        offsets = stamps.seconds[order] - timing.time_s
        first = float(np.median(offsets)) if timing.snapped else float(offsets[0])
    shift = {"begin": 0.5, "middle": 0.0, "end": -0.5}[stamps.where]
    half = shift * float(exposure.value) if exposure is not None else 0.0
    return stamps.first_mjd_utc + (first + half) / const.DAY_S
