"""Ring-downs after a tap: frequency, damping ratio, size, and the time until the star is still."""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra.events import fast_part, find_onsets
from blursplit.spectra.free_decay import SHORTEST_RING_S, fit_free_decay
from blursplit.spectra.ringfit import Ring, envelope
from blursplit.spectra.tap_means import Interval, RingMode, mean_of, modes_over_taps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

LONGEST_RING_S = 15.0
LONGEST_SETTLING_S = 120.0
DRAWS = 400


@dataclass(frozen=True)
class Tap:
    """One tap and the ring-down after it.

    Parameters
    ----------
    time_s : float
        Start, since the first frame.
    window_s : float
        Length of record used.
    rings : tuple of Ring
        Modes, largest first; empty where nothing but the push itself was seen.
    peak : Interval or None
        Largest displacement of the fitted ring-down, unit of the motion.
    settling_s : Interval or None
        Time until the envelope of all its modes stays below the stated amplitude.
    to_air_s : Interval or None
        Time until it stays below the rms of the motion before the taps.
    free_after_s : float
        What follows this long after the start is one free decay, and was fitted; 0 as a rule.
        The modes' amplitudes are those of that moment, the peak is then the largest displacement.
    """

    time_s: float
    window_s: float
    rings: tuple[Ring, ...]
    peak: Interval | None
    settling_s: Interval | None
    to_air_s: Interval | None
    free_after_s: float = 0.0


@dataclass(frozen=True)
class RingDown:
    """All taps of a record and what they say together.

    Parameters
    ----------
    taps : tuple of Tap
    modes : tuple of RingMode
        Largest first.
    settling_s, to_air_s, peak : Interval or None
        Averages over the taps.
    quiet_rms : float
        Motion without taps, one-axis rms, slow part included, unit of the motion.
    settle_amplitude : float
        Amplitude that `settling_s` refers to.
    """

    taps: tuple[Tap, ...]
    modes: tuple[RingMode, ...]
    settling_s: Interval | None
    to_air_s: Interval | None
    peak: Interval | None
    quiet_rms: float
    settle_amplitude: float


def damping_of_decrement(decrement: float) -> float:
    """Return the damping ratio, delta/sqrt(4 pi^2 + delta^2)."""
    return float(decrement / np.hypot(2.0 * np.pi, decrement))


def half_power_damping(low_hz: float, high_hz: float, peak_hz: float) -> float:
    """Return the damping ratio from the half-power width, (f2 - f1)/(2 f_peak).

    Biased by +0.04 % (0.015), +0.5 % (0.05), +2.1 % (0.1): closed form of a displacement
    resonance driven by white force.
    """
    return (high_hz - low_hz) / (2.0 * peak_hz)


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

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Regular grid.
    motion_xy : ndarray, shape (n, 2)
        Shared motion, without NaN.
    cadence_s : float
    settle_amplitude : float
        In the unit of the motion.
    lowest_hz : float
        Slower modes are not looked for.
    rng : Generator
        For the intervals of derived times.

    Returns
    -------
    RingDown
        Without taps, `taps` is empty and everything else None.
    """
    fast = fast_part(motion_xy, cadence_s, lowest_hz)
    onsets = find_onsets(motion_xy, cadence_s)
    quiet = _quiet(motion_xy, fast, onsets, cadence_s)
    noise = _noise_density(fast, onsets, cadence_s)
    taps = []
    for index, start in enumerate(onsets):
        stop = onsets[index + 1] if index + 1 < len(onsets) else len(fast)
        stop = min(stop, start + int(LONGEST_RING_S / cadence_s))
        if (stop - start) * cadence_s < SHORTEST_RING_S:
            continue
        part = motion_xy[start:stop]
        free, rings = fit_free_decay(part, cadence_s, noise, lowest_hz=lowest_hz)
        tap = _describe(
            float(time_s[start]), part[free:], rings, cadence_s, settle_amplitude, quiet, rng
        )
        if free > 0 and rings:
            tap = _started_earlier(tap, free * cadence_s, fast[start : start + free], quiet)
        taps.append(tap)
    return RingDown(
        tuple(taps),
        modes_over_taps(taps),
        mean_of([tap.settling_s for tap in taps]),
        mean_of([tap.to_air_s for tap in taps]),
        mean_of([tap.peak for tap in taps]),
        quiet,
        settle_amplitude,
    )


def settling_time(rings: tuple[Ring, ...], level: float) -> float:
    """Return the time after which the summed envelope of the modes stays below a level [s]."""
    if envelope(rings, np.zeros(1))[0] <= level:
        return 0.0
    low, high = 0.0, LONGEST_SETTLING_S
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
    draws = [tuple(ring.drawn(rng) for ring in rings) for _ in range(DRAWS)]
    settle = [settling_time(draw, level) for draw in draws]
    to_air = [settling_time(draw, quiet) for draw in draws]
    peaks = [float(envelope(draw, np.zeros(1))[0]) for draw in draws]
    return Tap(
        start_s,
        window,
        rings,
        _interval(float(envelope(rings, np.zeros(1))[0]), peaks),
        _interval(settling_time(rings, level), settle),
        _interval(settling_time(rings, quiet), to_air),
    )


def _started_earlier(tap: Tap, earlier_s: float, fast: FloatArray, quiet: float) -> Tap:
    """Count a tap's times from its onset, where the fit begins later; its peak is what was seen."""
    largest = float(np.sqrt((fast**2).sum(axis=1).max()))
    peak = Interval(
        largest, largest - quiet, largest + quiet, largest - 2.0 * quiet, largest + 2.0 * quiet
    )
    return replace(
        tap,
        window_s=tap.window_s + earlier_s,
        peak=peak,
        settling_s=_later(tap.settling_s, earlier_s),
        to_air_s=_later(tap.to_air_s, earlier_s),
        free_after_s=earlier_s,
    )


def _later(time: Interval | None, by_s: float) -> Interval | None:
    if time is None:
        return None
    return Interval(*(end + by_s for end in astuple(time)))


def _interval(value: float, draws: list[float]) -> Interval:
    low95, low, high, high95 = np.percentile(draws, [2.5, 15.865, 84.135, 97.5])
    return Interval(
        value,
        float(min(low, value)),
        float(max(high, value)),
        float(min(low95, value)),
        float(max(high95, value)),
    )


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
