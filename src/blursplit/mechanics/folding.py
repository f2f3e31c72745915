"""A series folded on a period, with bars that allow for motion correlated in time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

N_BINS = 24


def phase_bins(time_s: Array, period_s: float, bins: int = N_BINS) -> NDArray[np.int64]:
    """Return the bin of phase of each time, shape (n_samples,)."""
    return np.minimum((np.mod(time_s / period_s, 1.0) * bins).astype(np.int64), bins - 1)


def bin_means(values: Array, index: NDArray[np.int64], bins: int = N_BINS) -> Array:
    """Return the mean of values (n_samples, ...) in each bin, shape (bins, ...); NaN if empty."""
    out = np.full((bins, *values.shape[1:]), np.nan)
    for k in np.unique(index):
        out[k] = values[index == k].mean(axis=0)
    return out


def bin_errors(
    misfit: Array, time_s: Array, index: NDArray[np.int64], cadence_s: float, bins: int = N_BINS
) -> Array:
    """Return the standard error of each bin's mean, shape (bins,); NaN where it is empty.

    Parameters
    ----------
    misfit : ndarray, shape (n_samples,)
        What a fit leaves of the series: its own noise, air and vibration.
    time_s : ndarray, shape (n_samples,)
    index : ndarray of int, shape (n_samples,)
        Bin of each sample.
    cadence_s : float
        Lost frames count as places without a sample.
    bins : int, optional

    Notes
    -----
    Neighbouring samples move together, so that the scatter over the root of their number is far
    too small. With a the misfit's autocovariance and w the weights of a mean, the variance is
    the sum of w_i w_j a_|i-j|, evaluated as the misfit's periodogram times |W|^2 (Wiener and
    Khinchin), which is never negative.
    """
    from scipy.fft import next_fast_len, rfft

    place = np.rint((time_s - time_s.min()) / cadence_s).astype(np.int64)
    length = next_fast_len(2 * (int(place.max()) + 1))
    series = np.zeros(length)
    np.add.at(series, place, misfit)  # uneven times may share a place
    power = np.abs(rfft(series)) ** 2 / len(misfit)
    double = np.full(len(power), 2.0)
    double[0] = 1.0
    if length % 2 == 0:
        double[-1] = 1.0
    out = np.full(bins, np.nan)
    for k in np.unique(index):
        weights = np.zeros(length)
        chosen = place[index == k]
        np.add.at(weights, chosen, 1.0 / len(chosen))
        out[k] = np.sqrt(np.sum(double * power * np.abs(rfft(weights)) ** 2) / length)
    return out
