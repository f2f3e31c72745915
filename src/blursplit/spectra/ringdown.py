"""Ring-downs after a tap: frequency, damping ratio, size, and the time until the star is still."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra.onsets import fast_part, find_onsets
from blursplit.spectra.ringfit import Ring, envelope, fit_rings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

LONGEST_RING_S = 15.0
SHORTEST_RING_S = 0.3
LONGEST_SETTLING_S = 120.0
DRAWS = 400


@dataclass(frozen=True)
class Interval:
    """A value with its 68 % and 95 % intervals."""

    value: float
    low: float
    high: float
    low95: float
    high95: float


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
    """

    time_s: float
    window_s: float
    rings: tuple[Ring, ...]
    peak: Interval | None
    settling_s: Interval | None
    to_air_s: Interval | None


@dataclass(frozen=True)
class RingMode:
    """A mode averaged over taps.

    Parameters
    ----------
    frequency_hz, damping_ratio : Interval
        Weighted means; intervals widen with the scatter from tap to tap.
    decrement : float
        Logarithmic decrement.
    half_power_damping : float or None
        From the width of the ring-down's spectrum, for comparison.
    peak : Interval
        Mean amplitude at the onset.
    taps : int
        Taps that showed it.
    """

    frequency_hz: Interval
    damping_ratio: Interval
    decrement: float
    half_power_damping: float | None
    peak: Interval
    taps: int


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


def decrement_of_damping(damping_ratio: float) -> float:
    """Return the logarithmic decrement, 2 pi zeta/sqrt(1 - zeta^2)."""
    return float(2.0 * np.pi * damping_ratio / np.sqrt(1.0 - damping_ratio**2))


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
        rings = fit_rings(part, cadence_s, noise, lowest_hz=lowest_hz)
        taps.append(
            _describe(float(time_s[start]), part, rings, cadence_s, settle_amplitude, quiet, rng)
        )
    return RingDown(
        tuple(taps),
        _modes_over_taps(taps),
        _mean_of([tap.settling_s for tap in taps]),
        _mean_of([tap.to_air_s for tap in taps]),
        _mean_of([tap.peak for tap in taps]),
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


def _interval(value: float, draws: list[float]) -> Interval:
    low95, low, high, high95 = np.percentile(draws, [2.5, 15.865, 84.135, 97.5])
    return Interval(
        value,
        float(min(low, value)),
        float(max(high, value)),
        float(min(low95, value)),
        float(max(high95, value)),
    )


def _mean_of(parts: list[Interval | None]) -> Interval | None:
    known = [part for part in parts if part is not None]
    if not known:
        return None
    return _weighted(
        np.array([part.value for part in known]),
        np.array([(part.high - part.low) / 2.0 for part in known]),
        lowest=0.0,
    )


def _weighted(values: FloatArray, sigmas: FloatArray, lowest: float = -np.inf) -> Interval:
    """Average with equal weights where the taps scatter, by error where they agree.

    The standard error is the larger of that of the weighted mean and that from the scatter
    (Student's t for few taps), so that taps which differ for real widen the interval.
    """
    from scipy.stats import t as student

    sigmas = np.maximum(sigmas, 1e-12 * np.maximum(np.abs(values), 1e-300))
    weights = 1.0 / sigmas**2
    mean = float((weights * values).sum() / weights.sum())
    inner = float(1.0 / np.sqrt(weights.sum()))
    reach68, reach95 = inner, 1.96 * inner
    if values.size > 1:
        excess = max(float((weights * (values - mean) ** 2).sum()) / (values.size - 1), 1.0)
        if excess > 1.0:
            # between-tap scatter dominates: plain mean, Student's interval
            between = np.sqrt(values.var(ddof=1) / values.size)
            mean = float(values.mean())
            reach68 = max(inner, float(student.ppf(0.841345, values.size - 1) * between))
            reach95 = max(1.96 * inner, float(student.ppf(0.975, values.size - 1) * between))
    return Interval(
        mean,
        max(mean - reach68, lowest),
        mean + reach68,
        max(mean - reach95, lowest),
        mean + reach95,
    )


def _modes_over_taps(taps: list[Tap]) -> tuple[RingMode, ...]:
    """Join the rings of all taps that are the same mode by frequency."""
    rings = sorted((ring for tap in taps for ring in tap.rings), key=lambda ring: ring.frequency_hz)
    groups: list[list[Ring]] = []
    for ring in rings:
        if groups and _same(groups[-1], ring):
            groups[-1].append(ring)
        else:
            groups.append([ring])
    modes = []
    for group in groups:
        damping = _weighted(
            np.array([ring.damping_ratio for ring in group]),
            np.array([ring.damping_sigma for ring in group]),
            lowest=0.0,
        )
        widths = [ring.half_power for ring in group if ring.half_power is not None]
        modes.append(
            RingMode(
                _weighted(
                    np.array([ring.frequency_hz for ring in group]),
                    np.array([ring.frequency_sigma for ring in group]),
                ),
                damping,
                decrement_of_damping(min(damping.value, 0.99)),
                float(np.median(widths)) if widths else None,
                _weighted(
                    np.array([ring.amplitude for ring in group]),
                    np.array([ring.amplitude_sigma for ring in group]),
                    lowest=0.0,
                ),
                len(group),
            )
        )
    return tuple(sorted(modes, key=lambda mode: -mode.peak.value * np.sqrt(mode.taps)))


def _same(group: list[Ring], ring: Ring) -> bool:
    centre = float(np.mean([member.frequency_hz for member in group]))
    width = max(ring.damping_ratio * ring.frequency_hz, 4.0 * ring.frequency_sigma)
    return abs(ring.frequency_hz - centre) <= min(max(width, 0.01 * centre), 0.05 * centre)


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
