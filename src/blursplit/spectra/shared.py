"""How much of the motion all stars share, by frequency and for a single line."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra.star_array import (
    array_spectra,
    separate_log_likelihood,
    shared_log_likelihood,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.spectra.continuum import Continuum
    from blursplit.spectra.describe import LineFit

    FloatArray = NDArray[np.float64]

BANDS_PER_OCTAVE = 3
FEWEST_BINS = 6


@dataclass(frozen=True)
class SharedSpectrum:
    """Share of the motion's power that is common to all stars.

    Parameters
    ----------
    frequency_hz : ndarray, shape (b,)
        Middle of each band.
    share, low, high : ndarray, shape (b,)
        0 to 1, noise removed, with a 68 % interval; NaN where the noise drowns the motion.
    """

    frequency_hz: FloatArray
    share: FloatArray
    low: FloatArray
    high: FloatArray


def coherence_spectrum(
    x: FloatArray,
    y: FloatArray,
    noise_sigma: FloatArray | float,
    cadence_s: float,
    row_time_s: FloatArray | None = None,
) -> SharedSpectrum:
    """Return the share of the motion's power common to all stars, by frequency.

    Parameters
    ----------
    x, y : ndarray, shape (n, n_stars)
        Motion on the regular grid, without NaN, any unit.
    noise_sigma : float or ndarray, shape (n_stars,)
        Centroid noise of one axis, same unit.
    cadence_s : float
    row_time_s : ndarray, shape (n_stars,), optional
        Delays of the stars' rows; taken out of the phases as if nothing were aliased.

    Returns
    -------
    SharedSpectrum

    Raises
    ------
    ValueError
        With fewer than two stars.

    Notes
    -----
    Common power: mean over pairs of Re(z_s conj z_t); total: mean |z_s|^2 less the noise. The
    interval is a jackknife over the bins of a band.
    """
    n, n_stars = x.shape
    if n_stars < 2:  # noqa: PLR2004
        raise ValueError("the share common to all stars needs two stars")
    from scipy.signal.windows import dpss

    tapers = dpss(n, 2.0, 3)
    both = np.stack([x - x.mean(axis=0), y - y.mean(axis=0)])
    spectra = np.fft.rfft(tapers[:, None, :, None] * both[None], axis=2)
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
    if row_time_s is not None:
        spectra = spectra * np.exp(-2j * np.pi * np.outer(frequency, row_time_s))
    noise = float(np.mean(np.broadcast_to(np.asarray(noise_sigma), (n_stars,)) ** 2))
    power = (np.abs(spectra) ** 2).sum(axis=3)
    pairs = (np.abs(spectra.sum(axis=3)) ** 2 - power) / (n_stars * (n_stars - 1))
    common = pairs.mean(axis=(0, 1))
    total = (power / n_stars - noise).mean(axis=(0, 1))
    return _by_band(frequency, common, total, noise)


def shared_probability(
    x: FloatArray,
    y: FloatArray,
    cadence_s: float,
    line: LineFit,
    continuum: Continuum,
    row_time_s: FloatArray | None = None,
    signs: tuple[tuple[int, int], ...] = ((0, 1),),
) -> float | None:
    """Return the probability that a line moves all stars alike.

    Parameters
    ----------
    x, y : ndarray, shape (n, n_stars)
        Motion of each star on the regular grid, without NaN, in the unit of the line.
    cadence_s : float
    line : LineFit
    continuum : Continuum
    row_time_s : ndarray, shape (n_stars,), optional
    signs : tuple of (order, sign)
        Alias candidates to allow for when rows have their own times.

    Returns
    -------
    float or None
        Against the alternative that each star has the line's power for itself, even odds
        beforehand; None for a single star.
    """
    if x.shape[1] < 2:  # noqa: PLR2004
        return None
    spectra = array_spectra(x, y, cadence_s, line, continuum, row_time_s)
    together = max(shared_log_likelihood(spectra, order, sign) for order, sign in signs)
    gain = together - separate_log_likelihood(spectra)
    return float(1.0 / (1.0 + np.exp(np.clip(-gain, -50, 50))))


def _by_band(
    frequency: FloatArray, common: FloatArray, total: FloatArray, noise: float
) -> SharedSpectrum:
    bins = np.arange(2, frequency.size - 1)  # the mean, and Nyquist, are left out
    edges = [float(bins[0])]
    while edges[-1] < bins[-1]:
        edges.append(max(edges[-1] * 2.0 ** (1.0 / BANDS_PER_OCTAVE), edges[-1] + FEWEST_BINS))
    rows = []
    for low, high in pairwise(edges):
        part = bins[(bins >= low) & (bins < high)]
        if part.size < FEWEST_BINS - 1:
            continue
        middle = float(np.sqrt(frequency[part[0]] * frequency[part[-1]]))
        rows.append((middle, *_ratio(common[part], total[part], noise)))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return SharedSpectrum(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


def _ratio(common: FloatArray, total: FloatArray, noise: float) -> tuple[float, float, float]:
    top, bottom = common.sum(), total.sum()
    # a sum of power smaller than its own scatter carries no share
    if bottom <= 0.2 * noise * common.size / np.sqrt(common.size):
        return np.nan, np.nan, np.nan
    ratio = top / bottom
    without = (top - common) / (bottom - total)
    # neighbouring bins under NW = 2 tapers repeat each other: half of them count
    m = common.size
    sigma = np.sqrt(2.0 * (m - 1) / m * np.sum((without - without.mean()) ** 2))
    return (
        float(np.clip(ratio, 0.0, 1.0)),
        float(np.clip(ratio - sigma, 0.0, 1.0)),
        float(np.clip(ratio + sigma, 0.0, 1.0)),
    )
