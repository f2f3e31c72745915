"""How strong a short motion has to be before steady motion hardly ever makes it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

FALSE_ALARM = 0.01
"""Probability that steady motion passes the threshold anywhere in a record: an upper bound."""

LEAST_SHAPE, MOST_SHAPE = 0.5, 1.0
"""Shapes of the gamma law that are believed: motion along one axis that is slow against the
window, and a single narrow mode, whose power is exponential. Air and noise fall more steeply, but
which of them rules the far tail cannot be read off the middle of the law."""

UPPER_QUANTILE = 0.75


def steady_threshold(
    power: FloatArray, independent: float, false_alarm: float = FALSE_ALARM
) -> float:
    """Return the power that steady Gaussian motion passes with at most this probability.

    Parameters
    ----------
    power : ndarray, shape (n,)
        Mean square over a short sliding window. Events among it do little harm while they fill
        less than a quarter of the record: only median and upper quartile are used.
    independent : float
        Number of independent windows that are searched.
    false_alarm : float
        For the whole search.

    Returns
    -------
    float
        Same unit as the power.

    Notes
    -----
    The mean square of Gaussian motion over a window follows nearly a gamma law (Satterthwaite
    1946, from memory). Its shape is that of the ratio of the two quantiles, but no larger than
    one: a resonance that fills a record has an exponential tail however steep the rest is.
    """
    from scipy.special import gammaincinv

    middle, upper = np.quantile(power, [0.5, UPPER_QUANTILE])
    shapes = np.linspace(LEAST_SHAPE, MOST_SHAPE, 26)
    half = gammaincinv(shapes, 0.5)
    # the ratio falls as the shape grows; `interp` wants it rising
    ratio = gammaincinv(shapes, UPPER_QUANTILE) / half
    shape = float(np.interp(-upper / max(middle, 1e-300), -ratio, shapes))
    scale = middle / gammaincinv(shape, 0.5)
    return float(scale * gammaincinv(shape, 1.0 - false_alarm / max(independent, 1.0)))
