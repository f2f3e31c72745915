"""What several taps say together: means whose intervals widen where the taps differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.spectra.ringdown import Tap
    from blursplit.spectra.ringfit import Ring

    FloatArray = NDArray[np.float64]

SAME_MODE = 0.05
"""Of the frequency: modes of two taps that lie further apart are two; half a width where that is
more."""


@dataclass(frozen=True)
class Interval:
    """A value with its 68 % and 95 % intervals."""

    value: float
    low: float
    high: float
    low95: float
    high95: float


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


def decrement_of_damping(damping_ratio: float) -> float:
    """Return the logarithmic decrement, 2 pi zeta/sqrt(1 - zeta^2)."""
    return float(2.0 * np.pi * damping_ratio / np.sqrt(1.0 - damping_ratio**2))


def mean_of(parts: list[Interval | None]) -> Interval | None:
    """Return the mean of what is known, None where nothing is."""
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


def modes_over_taps(taps: Sequence[Tap]) -> tuple[RingMode, ...]:
    """Join the rings of all taps that are the same mode by frequency, one of each tap at most."""
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
    modes = [_mean_mode(group, late) for group in groups]
    return tuple(sorted(modes, key=lambda mode: -mode.peak.value * np.sqrt(mode.taps)))


def _mean_mode(group: dict[int, Ring], late: set[int]) -> RingMode:
    rings = list(group.values())
    damping = _weighted(
        np.array([ring.damping_ratio for ring in rings]),
        np.array([ring.damping_sigma for ring in rings]),
        lowest=0.0,
    )
    frequency = _weighted(
        np.array([ring.frequency_hz for ring in rings]),
        np.array([ring.frequency_sigma for ring in rings]),
    )
    # where the fit begins later than the tap, its amplitude is not that of the onset
    sized = [ring for number, ring in group.items() if number not in late] or rings
    peak = _weighted(
        np.array([ring.amplitude for ring in sized]),
        np.array([ring.amplitude_sigma for ring in sized]),
        lowest=0.0,
    )
    widths = [ring.half_power for ring in rings if ring.half_power is not None]
    return RingMode(
        frequency,
        damping,
        decrement_of_damping(min(damping.value, 0.99)),
        float(np.median(widths)) if widths else None,
        peak,
        len(rings),
    )


def _same(group: list[Ring], ring: Ring) -> bool:
    centre = float(np.mean([member.frequency_hz for member in group]))
    width = ring.damping_ratio * ring.frequency_hz
    reach = max(width, 4.0 * ring.frequency_sigma, 0.01 * centre)
    return abs(ring.frequency_hz - centre) <= min(reach, max(SAME_MODE * centre, 0.5 * width))
