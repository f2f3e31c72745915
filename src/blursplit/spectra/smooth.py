"""The motion that the accepted lines make, as a time series."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.spectra.continuum import Continuum
    from blursplit.spectra.describe import LineFit

    FloatArray = NDArray[np.float64]


def line_motion(
    motion_xy: FloatArray,
    cadence_s: float,
    lines: Sequence[LineFit],
    continuum: Continuum,
) -> tuple[FloatArray, FloatArray]:
    """Return the smoothed estimate of the lines' motion and what it leaves uncertain.

    Parameters
    ----------
    motion_xy : ndarray, shape (n, 2)
        Regular, without NaN, in the unit of the lines.
    cadence_s : float
    lines : sequence of LineFit
    continuum : Continuum

    Returns
    -------
    motion : ndarray, shape (n, 2)
        Conditional mean of the lines' motion, given the whole record.
    covariance : ndarray, shape (2, 2)
        Of the difference to the true motion of the lines, mean over the record.

    Notes
    -----
    Wiener smoother S_l (S_l + S_c)^-1 in frequency, on the record continued by its mirror image
    so that the ends do not meet in a step; within half a correlation time of the ends the
    estimate is poorer than the covariance says.
    """
    n = len(motion_xy)
    if not lines:
        return np.zeros((n, 2)), np.zeros((2, 2))
    index = np.arange(n)
    slope = np.polynomial.polynomial.polyfit(index, motion_xy, 1)
    rest = motion_xy - (slope[0] + np.outer(index, slope[1]))
    pad = n // 2
    # odd reflection keeps value and slope at the ends
    before = 2.0 * rest[0] - rest[pad:0:-1]
    after = 2.0 * rest[-1] - rest[-2 : -pad - 2 : -1]
    longer = np.concatenate([before, rest, after])
    frequency = np.asarray(np.fft.rfftfreq(len(longer), cadence_s), dtype=np.float64)
    own = _sum_of_lines(lines, frequency)
    smooth = continuum.matrix(np.maximum(frequency, continuum.low_hz))
    gain = own @ np.linalg.inv(own + smooth)
    spectrum = np.einsum("mij,mj->mi", gain, np.fft.rfft(longer, axis=0))
    motion = np.fft.irfft(spectrum, n=len(longer), axis=0)[pad : pad + n]
    left = (own - gain @ own).sum(axis=0) * (frequency[1] - frequency[0])
    return np.asarray(motion), np.asarray((left + left.T) / 2.0)


def _sum_of_lines(lines: Sequence[LineFit], frequency_hz: FloatArray) -> FloatArray:
    total = np.zeros((frequency_hz.size, 2, 2))
    for line in lines:
        size = line.psd_model.shape[0]
        grid = line.bin_hz * np.arange(1, size + 1)
        for i in range(2):
            for j in range(2):
                total[:, i, j] += np.interp(
                    frequency_hz, grid, line.psd_model[:, i, j], left=0.0, right=0.0
                )
    return total
