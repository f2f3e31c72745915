"""From a least width of the instrument to a prior on its whole width."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

N_GRID = 300
EXCLUDED = 1e-3  # chance below which a width is left out, so that no walker starts there
FLOOR = -12.0  # in ln odds, for gaps between draws


def edge_density(
    least_arcsec2: FloatArray, low_arcsec: float, high_arcsec: float
) -> tuple[FloatArray, FloatArray]:
    """Return ln of the density of ln sigma, where sigma^2 is a least variance and a rest.

    Parameters
    ----------
    least_arcsec2 : ndarray
        Draws of the part that was measured (defocus, astigmatism), not negative.
    low_arcsec, high_arcsec : float
        The rest (aberrations) is flat in the logarithm of its rms between these.

    Returns
    -------
    log_sigma, log_density : ndarray, shape (n,)
        Highest density 0; from the width that has one chance in a thousand to be too large.

    Notes
    -----
    P(sigma < x) = mean over draws of (ln sqrt(x^2 - least) - ln low)/ln(high/low), cut to 0...1.
    """
    top = float(np.sqrt(high_arcsec**2 + np.quantile(least_arcsec2, 0.999)))
    edge = np.linspace(np.log(low_arcsec), np.log(top), N_GRID + 1)
    left = np.exp(2.0 * edge)[:, None] - least_arcsec2
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = 0.5 * np.log(np.where(left > 0.0, left, 0.0))
    span = np.log(high_arcsec / low_arcsec)
    below = np.clip((rest - np.log(low_arcsec)) / span, 0.0, 1.0).mean(axis=1)
    density = np.diff(below)
    with np.errstate(divide="ignore"):
        log_density = np.log(density / density.max())
    middle = 0.5 * (edge[1:] + edge[:-1])
    held = np.cumsum(density) > EXCLUDED * density.sum()
    return middle[held], np.maximum(log_density[held], FLOOR)
