"""The data of the joint fit: powers of a few modes of motion in bins of frequency.

The displacements of n stars are 2n numbers a frame. Rotation and plate scale are projected out,
since a turning field or breathing optics would pass for air. What is left is turned into modes:
the two shared shifts first, then differential modes that are uncorrelated under a middle-height
layer of Kolmogorov air, so that their powers can be compared with the model one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.grid import GridData

    FloatArray = NDArray[np.float64]

N_TAPERS = 3  # less than half a per cent of a steep spectrum leaks through the third
HALF_BANDWIDTH = 3.0
BIN_RATIO = 1.3
MIN_BIN = 3  # Fourier frequencies in a bin, at the least
MAX_DIFFERENTIAL = 14
NEED_FOR_ROTATION = 3
# A relative error e of the model's shape in a bin makes more than 1/e^2 coefficients worthless.
SHAPE_COUNT_SHARED = 30.0
SHAPE_COUNT_DIFFERENTIAL = 60.0


@dataclass(frozen=True)
class SpectralData:
    """Mean power of each mode in each bin of frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_bins, n_samples)
        Frequencies at which the model is averaged over each bin.
    count : ndarray, shape (n_bins,)
        Independent complex Fourier coefficients in each bin.
    power : ndarray, shape (n_bins, n_modes)
        One-sided density [arcsec^2/Hz].
    modes : ndarray, shape (n_modes, 2 n_stars)
        Orthonormal; mode 0 and 1 are sqrt(n_stars) times the mean shift along x and y.
    noise : ndarray, shape (n_modes,)
        One-sided noise density.
    low_hz, high_hz : ndarray, shape (n_bins,)
        Ends of the bins.
    """

    frequency_hz: FloatArray
    count: FloatArray
    power: FloatArray
    modes: FloatArray
    noise: FloatArray
    low_hz: FloatArray
    high_hz: FloatArray

    @cached_property
    def centre_hz(self) -> FloatArray:
        """Middle of each bin, shape (n_bins,)."""
        return np.asarray(self.frequency_hz.mean(axis=1))

    @cached_property
    def weight(self) -> FloatArray:
        """Coefficients that each power counts for, shape (n_bins, n_modes).

        Real air blows in several directions and the model does not know them, so no bin is
        trusted beyond the model's own error of shape, however many coefficients it holds; that
        error is common to all differential modes.
        """
        n_differential = max(self.power.shape[1] - 2, 1)
        shared = self.count / (1.0 + self.count / SHAPE_COUNT_SHARED)
        each = self.count / (1.0 + self.count * n_differential / SHAPE_COUNT_DIFFERENTIAL)
        out = np.repeat(each[:, None], self.power.shape[1], axis=1)
        out[:, :2] = shared[:, None]
        return out

    @property
    def n_stars(self) -> int:
        """Number of stars."""
        return int(self.modes.shape[1]) // 2


def differential_modes(covariance: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the modes: shared shifts, then the differential modes by falling variance.

    Parameters
    ----------
    covariance : ndarray, shape (2 n_stars, 2 n_stars)
        Covariance of the displacements under a typical layer (all x, then all y).
    x, y : ndarray, shape (n_stars,)
        Places of the stars, any unit.
    """
    n = len(x)
    zero, one = np.zeros(n), np.ones(n) / np.sqrt(n)
    shared = [np.concatenate([one, zero]), np.concatenate([zero, one])]
    dx, dy = x - x.mean(), y - y.mean()
    nuisance = []
    if n >= 2:  # noqa: PLR2004 - a pair's turning shows across it, so across it tells nothing
        nuisance.append(np.concatenate([-dy, dx]))
    if n >= NEED_FOR_ROTATION:
        nuisance.append(np.concatenate([dx, dy]))
    removed, _ = np.linalg.qr(np.stack(shared + nuisance, axis=1))
    keep = np.eye(2 * n) - removed @ removed.T
    values, vectors = np.linalg.eigh(keep @ covariance @ keep)
    n_free = 2 * n - removed.shape[1]
    order = np.argsort(values)[::-1][: min(n_free, MAX_DIFFERENTIAL)]
    return np.concatenate([np.stack(shared), vectors[:, order].T])


def spectral_data(
    grid: GridData, modes: FloatArray, *, skip_hz: list[tuple[float, float]]
) -> SpectralData:
    """Measure the power of each mode in bins of frequency.

    Parameters
    ----------
    grid : GridData
    modes : ndarray, shape (n_modes, 2 n_stars)
    skip_hz : list of (low, high)
        Bands filled by lines; their Fourier frequencies are left out of the bins.

    Notes
    -----
    Slepian tapers keep the steep spectrum of the air from leaking into the quiet high
    frequencies (Thomson 1982). The lowest bin starts at 1.5/length, since the removed trend and
    the tapers blur what lies below.
    """
    edges = _bin_edges(grid.longest_s, 0.5 / grid.cadence_s)
    n_bins = len(edges) - 1
    total = np.zeros((n_bins, len(modes)))
    count = np.zeros(n_bins)
    weighted_hz = np.zeros(n_bins)
    for segment in grid.segments:
        frequency, power = mode_power(segment.stars_arcsec @ modes.T, grid.cadence_s)
        use = frequency >= 1.5 / (len(segment.real) * grid.cadence_s)
        for low, high in skip_hz:
            use &= ~((frequency >= low) & (frequency <= high))
        bins = np.searchsorted(edges, frequency, side="right") - 1
        use &= (bins >= 0) & (bins < n_bins)
        np.add.at(total, bins[use], power[use])
        np.add.at(count, bins[use], 1.0)
        np.add.at(weighted_hz, bins[use], frequency[use])
    filled = count >= 1.0
    noise = (modes**2) @ np.tile(grid.noise_psd_arcsec2_hz, 2)
    lower, upper = edges[:-1][filled], edges[1:][filled]
    # Three points a bin, moved so that their mean is the mean of the frequencies used.
    samples = lower[:, None] + (upper - lower)[:, None] * np.array([1 / 6, 1 / 2, 5 / 6])
    centre = weighted_hz[filled] / count[filled]
    samples *= (centre / samples.mean(axis=1))[:, None]
    return SpectralData(
        frequency_hz=samples,
        count=count[filled],
        power=total[filled] / count[filled, None],
        modes=modes,
        noise=noise,
        low_hz=lower,
        high_hz=upper,
    )


def mode_power(series: FloatArray, cadence_s: float) -> tuple[FloatArray, FloatArray]:
    """Return frequencies and multitaper one-sided densities of detrended series.

    Parameters
    ----------
    series : ndarray, shape (n, k)
    cadence_s : float

    Returns
    -------
    frequency_hz : ndarray, shape (m,)
    density : ndarray, shape (m, k)
    """
    from scipy.fft import rfft
    from scipy.signal.windows import dpss

    n = len(series)
    tapers = dpss(n, HALF_BANDWIDTH, Kmax=N_TAPERS)
    flat = np.ascontiguousarray(remove_trend(series).T)
    power = np.zeros((series.shape[1], n // 2 + 1))
    for taper in tapers:
        transform = rfft(flat * taper)
        power += transform.real**2 + transform.imag**2
    frequency = np.fft.rfftfreq(n, cadence_s)
    return frequency[1:].astype(np.float64), (2.0 * cadence_s / N_TAPERS) * power[:, 1:].T


def remove_trend(series: FloatArray) -> FloatArray:
    """Remove mean and straight line from each column."""
    n = len(series)
    t = np.arange(n) - 0.5 * (n - 1)
    slope = t @ series / (t @ t)
    out: FloatArray = series - series.mean(axis=0) - np.outer(t, slope)
    return out


def _bin_edges(length_s: float, nyquist_hz: float) -> FloatArray:
    step = 1.0 / length_s
    edges = [1.5 * step]
    while edges[-1] < nyquist_hz:
        edges.append(max(edges[-1] * BIN_RATIO, edges[-1] + MIN_BIN * step))
    edges[-1] = nyquist_hz
    min_last = MIN_BIN * step
    if len(edges) > 2 and edges[-1] - edges[-2] < min_last:  # noqa: PLR2004
        edges.pop(-2)
    return np.array(edges)
