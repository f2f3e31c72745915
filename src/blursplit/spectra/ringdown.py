"""Ring-downs after a tap: frequency, damping ratio, size, and the time until the star is still."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from blursplit import constants as const
from blursplit.estimate import ends_about
from blursplit.spectra.events import fast_part, find_onsets
from blursplit.spectra.ringfit import Ring, envelope, fit_rings
from blursplit.types import FloatArray


@dataclass(frozen=True)
class Tap:
    """One tap and the ring-down after it."""

    time_s: float  # start, since the first frame
    window_s: float  # length of record used
    # Modes, largest first; empty where nothing but the push itself was seen.
    rings: tuple[Ring, ...]
    peak: Interval | None  # largest displacement of the fitted ring-down, unit of the motion
    # Time until the envelope of all its modes stays below the stated amplitude.
    settling_s: Interval | None
    to_air_s: Interval | None  # time until it stays below the rms of the motion before the taps
    # What follows this long after the start is one free decay, and was fitted; 0 as a rule. The
    # modes' amplitudes are those of that moment, the peak is then the largest displacement.
    free_after_s: float = 0.0


@dataclass(frozen=True)
class RingDown:
    """All taps of a record and what they say together; times and peak are means over the taps."""

    taps: tuple[Tap, ...]
    modes: tuple[RingMode, ...]  # largest first
    settling_s: Interval | None
    to_air_s: Interval | None
    peak: Interval | None
    quiet_rms: float  # one-axis, of the motion without taps, slow part included
    settle_amplitude: float  # that `settling_s` refers to


def measure_ringdown(
    time_s: FloatArray,
    motion_xy: FloatArray,
    cadence_s: float,
    *,
    settle_amplitude: float,
    lowest_hz: float = 1.0,
    rng: np.random.Generator,
) -> RingDown:
    """Find the taps of a record and fit the ring-downs after them.

    `time_s` (n,): regular grid. `motion_xy` (n, 2): shared motion, without NaN. `settle_amplitude`:
    in the unit of the motion. `lowest_hz`: slower modes are not looked for. `rng`: for the
    intervals of derived times.

    Returns: without taps, `taps` is empty and everything else None.
    """
    fast = fast_part(motion_xy, cadence_s, lowest_hz)
    onsets = find_onsets(motion_xy, cadence_s)
    quiet = _quiet(motion_xy, fast, onsets, cadence_s)
    noise = _noise_density(fast, onsets, cadence_s)
    taps = []
    for index, start in enumerate(onsets):
        stop = onsets[index + 1] if index + 1 < len(onsets) else len(fast)
        stop = min(stop, start + int(const.RING_LONGEST_S / cadence_s))
        if (stop - start) * cadence_s < const.RING_SHORTEST_S:
            continue
        part = motion_xy[start:stop]
        free, rings = _fit_free_decay(part, cadence_s, noise, lowest_hz=lowest_hz)
        tap = _describe(
            float(time_s[start]), part[free:], rings, cadence_s, settle_amplitude, quiet, rng
        )
        if free > 0 and rings:
            tap = _started_earlier(tap, free * cadence_s, fast[start : start + free], quiet)
        taps.append(tap)
    return _over_taps(taps, quiet, settle_amplitude)


def join_ringdowns(parts: Sequence[RingDown]) -> RingDown:
    """Return what several stretches of one record say together."""
    taps = [tap for part in parts for tap in part.taps]
    quiet = float(np.median([part.quiet_rms for part in parts]))
    return _over_taps(taps, quiet, parts[0].settle_amplitude)


def _over_taps(taps: list[Tap], quiet: float, settle_amplitude: float) -> RingDown:
    modes = _modes_over_taps(taps)
    described = taps if modes else []
    return RingDown(
        tuple(taps),
        modes,
        mean_of([tap.settling_s for tap in described]),
        mean_of([tap.to_air_s for tap in described]),
        mean_of([tap.peak for tap in described]),
        quiet,
        settle_amplitude,
    )


def _settling_time(rings: tuple[Ring, ...], level: float) -> float:
    """Return the time after which the summed envelope of the modes stays below a level [s]."""
    if envelope(rings, np.zeros(1))[0] <= level:
        return 0.0
    low, high = 0.0, const.RING_LONGEST_SETTLING_S
    if envelope(rings, np.array([high]))[0] > level:
        return high
    for _ in range(60):  # the envelope falls monotonically
        middle = (low + high) / 2.0
        if envelope(rings, np.array([middle]))[0] > level:
            low = middle
        else:
            high = middle
    return high


def _describe(
    start_s: float,
    part: FloatArray,
    rings: tuple[Ring, ...],
    cadence_s: float,
    level: float,
    quiet: float,
    rng: np.random.Generator,
) -> Tap:
    window = len(part) * cadence_s
    if not rings:
        return Tap(start_s, window, (), None, None, None)
    draws = [tuple(ring.drawn(rng) for ring in rings) for _ in range(const.RING_DRAWS)]
    settle = [_settling_time(draw, level) for draw in draws]
    to_air = [_settling_time(draw, quiet) for draw in draws]
    peaks = [float(envelope(draw, np.zeros(1))[0]) for draw in draws]
    return Tap(
        start_s,
        window,
        rings,
        _interval(float(envelope(rings, np.zeros(1))[0]), peaks),
        _interval(_settling_time(rings, level), settle),
        _interval(_settling_time(rings, quiet), to_air),
    )


def _started_earlier(tap: Tap, earlier_s: float, fast: FloatArray, quiet: float) -> Tap:
    """Count a tap's times from its onset, where the fit begins later; its peak is what was seen."""
    largest = float(np.sqrt((fast**2).sum(axis=1).max()))
    return replace(
        tap,
        window_s=tap.window_s + earlier_s,
        peak=Interval(*(largest + k * quiet for k in (-2.0, -1.0, 0.0, 1.0, 2.0))),
        settling_s=_later(tap.settling_s, earlier_s),
        to_air_s=_later(tap.to_air_s, earlier_s),
        free_after_s=earlier_s,
    )


def _later(time: Interval | None, by_s: float) -> Interval | None:
    return None if time is None else Interval(*(end + by_s for end in time))


def _interval(value: float, draws: list[float]) -> Interval:
    return Interval(*ends_about(value, np.percentile(draws, const.PERCENTILES)))


def _quiet(motion: FloatArray, fast: FloatArray, onsets: list[int], cadence_s: float) -> float:
    """One-axis rms of the motion away from taps; the fast part's quietest third without any."""
    mask = np.ones(len(fast), dtype=bool)
    for start in onsets:
        mask[max(0, start - 2) : start + int(5.0 / cadence_s)] = False
    if mask.sum() < max(20.0, 0.1 * len(fast)):
        energy = (fast**2).sum(axis=1)
        mask = energy <= np.quantile(energy, 0.33)
    index = np.arange(len(motion))[mask]
    slope = np.polynomial.polynomial.polyfit(index, motion[mask], 1)
    rest = motion[mask] - (slope[0] + np.outer(index, slope[1]))
    return float(np.sqrt((rest**2).mean()))


def _noise_density(
    fast: FloatArray, onsets: list[int], cadence_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return frequency and density of the quiet motion, mean of both axes."""
    from scipy.signal import welch

    length = min(len(fast), max(32, int(2.0 / cadence_s)))
    frequency, _ = welch(fast[:, 0], 1.0 / cadence_s, nperseg=length)
    starts = [
        start
        for start in range(0, len(fast) - length + 1, max(1, length // 2))
        if not any(onset - length < start < onset + 5.0 / cadence_s for onset in onsets)
    ]
    if len(starts) < 3:  # noqa: PLR2004 - too few quiet stretches: the quietest of all
        every = range(0, len(fast) - length + 1, max(1, length // 2))
        starts = sorted(every, key=lambda s: float((fast[s : s + length] ** 2).sum()))[:3]
    taper = np.hanning(length)[:, None]
    scale = 2.0 * cadence_s / float((taper**2).sum())
    powers = [
        scale * np.abs(np.fft.rfft(fast[s : s + length] * taper, axis=0)) ** 2 for s in starts
    ]
    return np.asarray(frequency), np.asarray(np.mean(powers, axis=(0, 2)))


def _fit_free_decay(
    motion: FloatArray, cadence_s: float, noise: tuple[FloatArray, FloatArray], *, lowest_hz: float
) -> tuple[int, tuple[Ring, ...]]:
    """Fit the decaying modes from the first frame on from which they are free.

    `motion` (n, 2): from the onset on. `noise` (frequency_hz, psd): one-sided density of the
    undisturbed motion, one axis.

    Returns `start`: first frame of the fit; 0 where all is free, or where nothing is left to judge
    it by; `rings`: amplitudes at `start`, largest first.

    A fit of the whole is the sharper one where the model holds, that of a later part is right also
    where it does not: their difference has the variance of the later less that of the whole
    (Hausman 1978, Econometrica 46, 1251, from memory). Compared are frequency and damping ratio of
    the largest late mode.
    """
    whole = fit_rings(motion, cadence_s, noise, lowest_hz=lowest_hz)
    if not whole:
        # what comes first (the push itself, a star out of its window) may hide a clean decay
        for later_s in const.RING_LATER_S:
            start = round(later_s / cadence_s)
            if (len(motion) - start) * cadence_s < const.RING_SHORTEST_S:
                break
            late = fit_rings(motion[start:], cadence_s, noise, lowest_hz=lowest_hz)
            if late:
                return start, late
        return 0, whole
    decay_frames = 1.0 / (whole[0].decay_s * cadence_s)
    fits = [(0, whole)]
    for step in const.RING_LATER:
        start = round(step * decay_frames)
        if (len(motion) - start) * cadence_s < const.RING_SHORTEST_S:
            break
        late = fit_rings(motion[start:], cadence_s, noise, lowest_hz=lowest_hz)
        if start > 0 and late:
            fits.append((start, late))
    return next(
        (start, rings)
        for k, (start, rings) in enumerate(fits)
        if k == len(fits) - 1
        or (
            third_harmonic(rings) is None
            and all(_agree(rings, late, (at - start) * cadence_s) for at, late in fits[k + 1 :])
        )
    )


def third_harmonic(rings: tuple[Ring, ...]) -> Ring | None:
    """Return a smaller mode at three times another's frequency, or None.

    Motion whose largest part is cut off has it; that modes of a structure lie so is rare.
    """
    for ring in rings:
        for other in rings:
            ratio = ring.frequency_hz / other.frequency_hz
            if (
                ring.amplitude < other.amplitude
                and abs(ratio / 3.0 - 1.0) < const.RING_HARMONIC_OFF
            ):
                return ring
    return None


def _agree(early: tuple[Ring, ...], late: tuple[Ring, ...], later_s: float) -> bool:
    """Return whether the largest late mode is among the early ones, as sharply as they say.

    Where the early modes leave more of like size than the late fit tells apart, nothing is said.
    """
    left = [ring.amplitude * np.exp(-ring.decay_s * later_s) for ring in early]
    if sum(size > const.RING_STILL_SEEN * max(left) for size in left) > len(late):
        return True
    near = min(early, key=lambda ring: abs(ring.frequency_hz - late[0].frequency_hz))
    frequency = _scatter(near.frequency_sigma, late[0].frequency_sigma)
    damping = max(
        _scatter(near.damping_sigma, late[0].damping_sigma),
        const.RING_SMALLEST_CHANGE * near.damping_ratio / const.RING_DISAGREES,
    )
    # a frequency that follows the size has not come to rest yet in a later part
    bend = abs(near.bend) * near.frequency_hz * np.exp(-near.decay_s * later_s)
    return bool(
        abs(near.frequency_hz - late[0].frequency_hz) <= const.RING_DISAGREES * frequency + bend
        and abs(near.damping_ratio - late[0].damping_ratio) <= const.RING_DISAGREES * damping
    )


def _scatter(sharp: float, rough: float) -> float:
    """Return the standard error of the difference; half the rough one at least."""
    return float(np.sqrt(max(rough**2 - sharp**2, (0.5 * rough) ** 2)))


class Interval(NamedTuple):
    """A value with its 68 % and 95 % intervals, in the order of `PERCENTILES`."""

    low95: float
    low: float
    value: float
    high: float
    high95: float


@dataclass(frozen=True)
class RingMode:
    """A mode averaged over taps."""

    # `frequency_hz`, `damping_ratio`: weighted means; intervals widen with the scatter from tap to
    # tap.
    frequency_hz: Interval
    damping_ratio: Interval
    decrement: float  # logarithmic decrement
    half_power_damping: float | None  # from the width of the ring-down's spectrum, for comparison
    peak: Interval  # mean amplitude at the onset
    taps: int  # taps that showed it
    # By how much of its frequency it rang higher at the onset than when nearly still, where a tap
    # showed that.
    bend: Interval | None = None


def decrement_of_damping(damping_ratio: float) -> float:
    """Return the logarithmic decrement, 2 pi zeta/sqrt(1 - zeta^2)."""
    return float(2.0 * np.pi * damping_ratio / np.sqrt(1.0 - damping_ratio**2))


def mean_of(parts: list[Interval | None]) -> Interval | None:
    """Return the mean of what is known, None where nothing is."""
    known = [part for part in parts if part is not None]
    if not known:
        return None
    return _weighted([(part.value, (part.high - part.low) / 2.0) for part in known], lowest=0.0)


def _weighted(taps: list[tuple[float, float]], lowest: float = -np.inf) -> Interval:
    """Average (value, error) of taps that may differ by more than their errors say.

    The variance between taps is that of DerSimonian and Laird (1986, from memory); where there is
    any, Student's factors widen the interval.
    """
    from scipy.stats import t as student

    values, sigmas = np.array(taps, dtype=np.float64).T
    sigmas = np.maximum(sigmas, 1e-9 * max(float(np.abs(values).max()), 1e-6))
    weights = 1.0 / sigmas**2
    mean = float((weights * values).sum() / weights.sum())
    factor68, factor95 = 1.0, 1.96
    if values.size > 1:
        excess = float((weights * (values - mean) ** 2).sum()) - (values.size - 1)
        # sum w - sum w^2 / sum w, without the cancellation where one tap outweighs all others
        spread = 2.0 * np.triu(np.outer(weights, weights), 1).sum() / weights.sum()
        between = max(excess / spread, 0.0)
        weights = 1.0 / (sigmas**2 + between)
        mean = float((weights * values).sum() / weights.sum())
        if between > 0.0:
            upper = 0.01 * np.array(const.PERCENTILES[-2:])
            factor68, factor95 = map(float, student.ppf(upper, values.size - 1))
    error = float(1.0 / np.sqrt(weights.sum()))
    factors = (-factor95, -factor68, 0.0, factor68, factor95)
    return Interval(*(max(mean + k * error, lowest if k < 0 else mean) for k in factors))


def _modes_over_taps(taps: Sequence[Tap]) -> tuple[RingMode, ...]:
    """Join the rings of all taps that are the same mode by frequency, one of each tap at most.

    A structure rings alike after every tap: what a tap alone shows is left out where others ring.
    """
    rings = sorted(
        ((number, ring) for number, tap in enumerate(taps) for ring in tap.rings),
        key=lambda pair: pair[1].frequency_hz,
    )
    groups: list[dict[int, Ring]] = []
    for number, ring in rings:
        last = groups[-1] if groups else {}
        if last and number not in last and _same(list(last.values()), ring):
            last[number] = ring
        else:
            groups.append({number: ring})
    late = {number for number, tap in enumerate(taps) if tap.free_after_s > 0.0}
    ringing = sum(bool(tap.rings) for tap in taps)
    modes = [_mean_mode(group, late) for group in groups if _repeats(len(group), ringing)]
    return tuple(sorted(modes, key=lambda mode: -mode.peak.value * np.sqrt(mode.taps)))


def _repeats(shown: int, taps: int) -> bool:
    """Return whether two taps, and half of all, show a thing; or the only one."""
    return shown >= min(2, taps) and 2 * shown >= taps


def _mean_mode(group: dict[int, Ring], late: set[int]) -> RingMode:
    rings = list(group.values())
    damping = _weighted([(r.damping_ratio, r.damping_sigma) for r in rings], lowest=0.0)
    frequency = _weighted([(r.frequency_hz, r.frequency_sigma) for r in rings])
    # where the fit begins later than the tap, its amplitude is not that of the onset
    sized = [ring for number, ring in group.items() if number not in late] or rings
    peak = _weighted([(r.amplitude, r.amplitude_sigma) for r in sized], lowest=0.0)
    widths = [ring.half_power for ring in rings if ring.half_power is not None]
    return RingMode(
        frequency,
        damping,
        decrement_of_damping(min(damping.value, 0.99)),
        float(np.median(widths)) if widths else None,
        peak,
        len(rings),
        _bend([ring for ring in rings if ring.bend_sigma > 0.0], len(rings)),
    )


def _bend(rings: list[Ring], taps: int) -> Interval | None:
    if not rings or not _repeats(len(rings), taps):
        return None
    return _weighted([(ring.bend, ring.bend_sigma) for ring in rings])


def _same(group: list[Ring], ring: Ring) -> bool:
    centre = float(np.mean([member.frequency_hz for member in group]))
    width = ring.damping_ratio * ring.frequency_hz
    reach = max(width, 4.0 * ring.frequency_sigma, 0.01 * centre)
    return abs(ring.frequency_hz - centre) <= min(
        reach, max(const.RING_SAME_MODE * centre, 0.5 * width)
    )
