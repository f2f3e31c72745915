"""Two frame rates in one run: where the interval between the frames changes for good."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

LEAST_FRAMES = 100
LEAST_CHANGE = 0.02  # of the interval: less is a clock, not a setting
LONG_INTERVAL = 3.0  # of the median interval: a gap, which says nothing of the rate
GAP = 1.5  # of the longer interval


def change_of_rate(time_s: FloatArray) -> int | None:
    """Return the first frame of the second rate, or None where there is one rate.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Increasing.

    Notes
    -----
    Two means fitted to the intervals in order, gaps cut to three usual intervals; the parts must
    differ in their medians by more than the intervals of either scatter, and by 2 %.
    """
    steps = np.diff(time_s)
    n = steps.size
    if n < 2 * LEAST_FRAMES:
        return None
    steps = np.minimum(steps, LONG_INTERVAL * float(np.median(steps)))
    total = np.cumsum(steps)
    first = np.arange(LEAST_FRAMES, n - LEAST_FRAMES)
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
    # steps[k] leads from frame k to frame k + 1: a gap between the parts belongs to neither
    second = (np.abs(steps - b) < np.abs(steps - a)) & (steps < GAP * max(a, b))
    while cut < n and not second[cut]:
        cut += 1
    return cut if cut <= n - LEAST_FRAMES else None
