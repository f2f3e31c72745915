"""Two frame rates in one run: where the interval between the frames changes for good."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

LEAST_FRAMES = 100
LEAST_CHANGE = 0.02  # of the interval: less is a clock, not a setting
LONG_INTERVAL = 3.0  # of the median interval: a gap, which says nothing of the rate
GAP = 1.5  # of the longer interval
HALF_STEP = 0.75  # of the interval: shorter ones belong to a faster rate
FEW = 0.02
SMALL_NUMBERS = 6


@dataclass(frozen=True)
class RatePart:
    """Frames in a row at one rate.

    Parameters
    ----------
    first, frames : int
        Number of the first frame, and how many.
    start_s, interval_s : float
    missing : int
        Frames that the part's own interval leaves room for, gaps not counted.
    """

    first: int
    frames: int
    start_s: float
    interval_s: float
    missing: int

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return 1.0 / self.interval_s


def parts_of_rate(time_s: FloatArray, longest_wait_s: float = np.inf) -> tuple[RatePart, ...]:
    """Return the two parts of a run whose frame rate changes once, or nothing.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Increasing.
    longest_wait_s : float
        A longer wait is a gap, in which no frame is missing.
    """
    cut = change_of_rate(time_s)
    if cut is None:
        return ()
    return tuple(_part(time_s, a, b, longest_wait_s) for a, b in ((0, cut), (cut, time_s.size)))


def small_ratio(first_hz: float, second_hz: float) -> tuple[int, int] | None:
    """Return the small whole numbers whose ratio two rates have, or None.

    Parameters
    ----------
    first_hz, second_hz : float

    Notes
    -----
    Rates p and q times a common base fold the same frequencies together every p q of it, and where
    one is a multiple of the other the slower says nothing that the faster does not.

    Examples
    --------
    >>> small_ratio(50.0, 25.0), small_ratio(40.0, 50.0), small_ratio(40.0, 47.0)
    ((2, 1), (4, 5), None)
    """
    from fractions import Fraction

    near = Fraction(first_hz / second_hz).limit_denominator(SMALL_NUMBERS)
    exact = abs(first_hz / second_hz / float(near) - 1.0) < 1e-3 if near else False  # noqa: PLR2004
    small = exact and max(near.numerator, near.denominator) <= SMALL_NUMBERS
    return (near.numerator, near.denominator) if small else None


def _part(time_s: FloatArray, first: int, stop: int, longest_wait_s: float) -> RatePart:
    steps = np.diff(time_s[first:stop])
    interval = float(np.median(steps))
    counted = steps[steps <= longest_wait_s]
    missing = int(np.maximum(np.rint(counted / interval) - 1.0, 0.0).sum())
    return RatePart(first, stop - first, float(time_s[first]), interval, missing)


def change_of_rate(time_s: FloatArray) -> int | None:
    """Return the first frame of the second rate, or None where there is one rate.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Increasing.

    Notes
    -----
    Two means fitted to the intervals in order, gaps cut to three usual intervals; the parts must
    differ in their medians by more than the intervals of either scatter, and by 2 %. A run that
    loses frames keeps some of its short intervals; where hardly one is left, every second (third,
    ...) frame is what was taken, and that is a lower rate, whoever chose it.
    """
    steps = np.diff(time_s)
    n = steps.size
    if n < 2 * LEAST_FRAMES:
        return None
    steps = np.minimum(steps, LONG_INTERVAL * float(np.median(steps)))
    total = np.cumsum(steps)
    first = np.arange(LEAST_FRAMES, n - LEAST_FRAMES + 1)
    left = total[first - 1]
    right = total[-1] - left
    # the fit of two means is best where this sum is largest
    cut = int(first[np.argmax(left**2 / first + right**2 / (n - first))])
    before, after = steps[:cut], steps[cut:]
    a, b = float(np.median(before)), float(np.median(after))
    # the ends of the middle half, so that single late stamps and lost frames count for nothing
    spread = [float(np.subtract(*np.percentile(part, (75.0, 25.0)))) for part in (before, after)]
    if abs(a - b) <= max(LEAST_CHANGE * min(a, b), *spread):
        return None
    slower = after if b > a else before
    if np.mean(slower < HALF_STEP * max(a, b)) > FEW:
        return None
    # steps[k] leads from frame k to frame k + 1: a gap between the parts belongs to neither
    second = (np.abs(steps - b) < np.abs(steps - a)) & (steps < GAP * max(a, b))
    while cut < n and not second[cut]:
        cut += 1
    return cut if cut <= n - LEAST_FRAMES else None
