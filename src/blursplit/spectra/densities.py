"""Spectral densities of motion: multitaper, between two series, and for uneven times.

All densities are one-sided: their integral over frequency is the variance. Units are those of
the values, squared, per hertz.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from blursplit import constants as const
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class _Density:
    """A one-sided spectral density with its 68 % band."""

    frequency_hz: FloatArray  # (m,)
    # `psd`, `low`, `high`: (m, k): density and jackknife band, unit^2/Hz.
    psd: FloatArray
    low: FloatArray
    high: FloatArray


def regular_grid(
    time_s: FloatArray, values: FloatArray, cadence_s: float
) -> tuple[FloatArray, BoolArray]:
    """Put samples on a regular grid and fill what is missing by linear interpolation.

    `time_s` (n,): increasing; each sample goes to the nearest grid point. `values` (n,) or (n, k):
    NaN counts as missing.

    Returns `grid_values` (m,) or (m, k); `filled` (m,): true where at least one column was
    interpolated.
    """
    columns = np.asarray(values, dtype=np.float64).reshape(len(values), -1)
    slot = np.rint((time_s - time_s[0]) / cadence_s).astype(np.int64)
    grid = np.full((int(slot[-1]) + 1, columns.shape[1]), np.nan)
    grid[slot] = columns
    missing = ~np.isfinite(grid)
    index = np.arange(grid.shape[0])
    for column in range(grid.shape[1]):
        lost = missing[:, column]
        grid[lost, column] = np.interp(index[lost], index[~lost], grid[~lost, column])
    filled = missing.any(axis=1)
    return (grid[:, 0] if values.ndim == 1 else grid), filled


def multitaper_density(values: FloatArray, cadence_s: float) -> _Density:
    """Return the multitaper density of each column.

    `values` (n,) or (n, k): regular, without NaN, sixteen at least; the mean is removed here.

    Thomson 1982 (Proc. IEEE 70, 1055), his section V for the weights against leakage, frequency by
    frequency; jackknife of ln S over tapers, Thomson & Chave 1991 (from memory).
    """
    columns = np.asarray(values, dtype=np.float64).reshape(len(values), -1)
    columns = columns - columns.mean(axis=0)
    spectra, ratios = _eigenspectra(columns, cadence_s)
    power = np.abs(spectra) ** 2
    weights = _adaptive_weights(power, ratios, columns.var(axis=0) * cadence_s)
    psd = (weights * power).sum(axis=0) / weights.sum(axis=0)
    low, high = _jackknife_band(power, weights)
    frequency = np.asarray(np.fft.rfftfreq(len(columns), cadence_s), dtype=np.float64)
    twice = np.full((frequency.size, 1), 2.0)
    twice[0] = 1.0
    if len(columns) % 2 == 0:
        twice[-1] = 1.0
    return _Density(frequency, psd * twice, low * twice, high * twice)


def lomb_scargle_density(
    time_s: FloatArray, values: FloatArray, frequency_hz: FloatArray
) -> FloatArray:
    """Return the one-sided density of unevenly sampled values.

    `time_s` (n,). `values` (n,): samples that are not finite are left out. `frequency_hz` (m,):
    frequencies above zero.

    Returns: (m,): on even times, away from zero and Nyquist, equal to the periodogram. White noise
    of variance s^2 gives 2 s^2 times the mean interval.

    Generalised periodogram with a free mean (Zechmeister & Kuerster 2009, from memory), computed by
    astropy. No taper is possible here: steep spectra leak, so remove the trend first.
    """
    from astropy.timeseries import LombScargle

    keep = np.isfinite(values)
    times, kept = time_s[keep], values[keep]
    power = LombScargle(times, kept, fit_mean=True).power(
        frequency_hz, method="cython", normalization="psd"
    )
    interval = (times[-1] - times[0]) / (times.size - 1)
    return np.asarray(2.0 * interval * power, dtype=np.float64)


def segment_slices(segment: IntArray | None, n: int) -> list[slice]:
    """Return the stretches of equal segment number, in order, as slices."""
    if segment is None:
        return [slice(0, n)]
    cuts = np.flatnonzero(np.diff(segment)) + 1
    edges = [0, *cuts.tolist(), n]
    return [slice(a, b) for a, b in pairwise(edges)]


def _eigenspectra(columns: FloatArray, cadence_s: float) -> tuple[ComplexArray, FloatArray]:
    """Return the tapered transforms, shape (taper, m, k), two-sided, and the tapers' ratios."""
    from scipy.signal.windows import dpss

    tapers, ratios = dpss(
        len(columns), const.DENSITY_BANDWIDTH, const.DENSITY_TAPERS, return_ratios=True
    )
    transform = np.fft.rfft(tapers[:, :, None] * columns, axis=1) * np.sqrt(cadence_s)
    return np.asarray(transform), np.asarray(ratios)


def _adaptive_weights(power: FloatArray, ratios: FloatArray, level: FloatArray) -> FloatArray:
    """Return Thomson's adaptive weights; `level` is the white two-sided level of each column."""
    ratio = ratios[:, None, None]
    level = np.maximum(level, np.finfo(np.float64).tiny)
    psd = power[:2].mean(axis=0) + 1e-12 * level
    weights = np.ones_like(power)
    for _ in range(30):
        amplitude = psd / (ratio * psd + (1.0 - ratio) * level)
        weights = amplitude**2 * ratio
        update = (weights * power).sum(axis=0) / weights.sum(axis=0) + 1e-12 * level
        change = np.max(np.abs(update / psd - 1.0))
        psd = update
        if change < 1e-4:  # noqa: PLR2004 - far below the density's own scatter
            break
    return weights


def _jackknife_band(power: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    from scipy.stats import t as student

    n_tapers = power.shape[0]
    tiny = np.finfo(np.float64).tiny
    total, weight = (weights * power).sum(axis=0), weights.sum(axis=0)
    without = np.log(np.maximum((total - weights * power) / (weight - weights), tiny))
    spread = (without - without.mean(axis=0)) ** 2
    sigma = np.sqrt((n_tapers - 1) / n_tapers * spread.sum(axis=0))
    reach = student.ppf(0.01 * const.BAND_PERCENTILES[-1], n_tapers - 1) * sigma
    psd = total / weight
    return psd * np.exp(-reach), psd * np.exp(reach)


def steady_chance(
    values: FloatArray, cadence_s: float, frequency_hz: float, sigma_hz: float
) -> float | None:
    """Return the chance that smooth noise makes so steady a sinusoid about a given frequency.

    `values` (n,): regular, without NaN. `frequency_hz`, `sigma_hz`: where a line was found, and its
    standard error.

    Returns: None within NW/T of zero and Nyquist, where mirror images disturb the test.

    The F of `steady_line_test`, the largest within two standard errors and half of 1/T, at a tenth
    of 1/T: a sinusoid between two bins loses most of its F at either. Frequencies a third of 1/T
    apart count as one trial each (simulated, see the tests).
    """
    from scipy.signal.windows import dpss

    n = values.size
    resolution_hz = 1.0 / (n * cadence_s)
    edge = const.DENSITY_BANDWIDTH * resolution_hz
    if not edge <= frequency_hz <= 0.5 / cadence_s - edge:
        return None
    tapers = dpss(n, const.DENSITY_BANDWIDTH, const.DENSITY_TAPERS)
    sums = tapers.sum(axis=1)
    sums[1::2] = 0.0
    reach = 2.0 * sigma_hz + 0.5 * resolution_hz
    steps = int(np.ceil(10 * reach / resolution_hz))
    grid = frequency_hz + np.linspace(-reach, reach, 2 * steps + 1)
    turn = np.exp(-2j * np.pi * np.outer(np.arange(n) * cadence_s, grid))
    spectra = tapers @ ((values - values.mean())[:, None] * turn)
    mean = sums @ spectra / (sums**2).sum()
    rest = (np.abs(spectra - sums[:, None] * mean[None]) ** 2).sum(axis=0)
    # F over the degrees of freedom of what is left
    ratio = np.abs(mean) ** 2 * (sums**2).sum() / np.maximum(rest, 1e-300)
    alone = (1.0 + float(ratio.max())) ** -(const.DENSITY_TAPERS - 1.0)
    trials = 1.0 + 6.0 * reach / resolution_hz
    return float(min(1.0, -np.expm1(trials * np.log1p(-min(alone, 1.0 - 1e-16)))))
