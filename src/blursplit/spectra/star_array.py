"""The stars as an array of receivers: how probable their spectra are under a stated pattern.

In one Fourier bin the stars' amplitudes are complex Gaussian with covariance

    line power x pattern  +  shared continuum x (all ones, delayed by the rows)  +  own noise

and the pattern says what is asked: the same motion at all stars (delayed by the rows, at a
candidate frequency), or a motion of each star's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from blursplit import constants as const
from blursplit.spectra.modes import LineFit
from blursplit.spectra.periodogram import Continuum
from blursplit.types import ComplexArray, FloatArray


@dataclass(frozen=True)
class _ArraySpectra:
    """Amplitudes of the stars in the bins of a line."""

    frequency_hz: FloatArray  # (b,)
    # (2, b, n_stars): for x and y; squared modulus averages to the one-sided density.
    amplitude: ComplexArray
    line: FloatArray  # (2, b): line's density in these bins
    shared: FloatArray  # (2, b): continuum shared by the stars
    own: FloatArray  # (2, n_stars): density of each star's own motion and noise beside the line
    row_time_s: FloatArray  # (n_stars,)
    rate_hz: float  # frame rate


def array_spectra(
    x: FloatArray,
    y: FloatArray,
    cadence_s: float,
    line: LineFit,
    continuum: Continuum,
    row_time_s: FloatArray | None = None,
) -> _ArraySpectra:
    """Return the stars' amplitudes around a line.

    `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN, in the unit of the
    line. `row_time_s` (n_stars,): delay of each star's row.
    """
    n, n_stars = x.shape
    # a Hann taper: the red part must not leak under a weak line; scaled to keep the density
    taper = np.hanning(n + 2)[1:-1]
    taper = taper / np.sqrt((taper**2).sum())
    both = np.stack([x - x.mean(axis=0), y - y.mean(axis=0)])
    spectrum = np.fft.rfft(both * taper[None, :, None], axis=1) * np.sqrt(2.0 * cadence_s)
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
    low, high = line.band_hz
    inside = np.flatnonzero((frequency > max(low, 1.5 / (n * cadence_s))) & (frequency < high))
    # every second bin: neighbours under a Hann taper repeat each other
    inside = inside[:: 2 if inside.size > 4 else 1]  # noqa: PLR2004
    own = _own_density(spectrum, frequency, line)
    weight = (own.mean(axis=1) / n_stars)[:, None]
    shared = np.maximum(continuum(frequency[inside]).T - weight, 1e-3 * weight)
    model = np.diagonal(line.psd_model, axis1=1, axis2=2)
    # the search's grid has every 1/T up to Nyquist, ends left out
    grid = np.arange(1, model.shape[0] + 1) * line.bin_hz
    density = np.stack([np.interp(frequency[inside], grid, model[:, k]) for k in range(2)])
    delays = np.zeros(n_stars) if row_time_s is None else np.asarray(row_time_s, np.float64)
    return _ArraySpectra(
        frequency[inside], spectrum[:, inside], density, shared, own, delays, 1.0 / cadence_s
    )


def row_aligned_motion(
    x: FloatArray, y: FloatArray, row_time_s: FloatArray, cadence_s: float, order: int, sign: int
) -> FloatArray:
    """Return the stars' mean motion with the rows' delays taken out for one zone of frequencies.

    `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN. `row_time_s`
    (n_stars,). `order`, `sign`: zone: true frequencies order x frame rate + sign x apparent
    frequency.

    Returns: (n, 2): A line whose true frequency lies in this zone keeps its full amplitude here; a
    plain mean over rows damps it by |mean exp(2 pi i nu d)|, which for fast lines can hide it.
    """
    n = x.shape[0]
    apparent = np.fft.rfftfreq(n, cadence_s)
    true = order / cadence_s + sign * apparent
    turn = np.exp(-2j * np.pi * sign * np.outer(true, row_time_s))
    columns = []
    for values in (x, y):
        mean = values.mean(axis=0)
        spectrum = (np.fft.rfft(values - mean, axis=0) * turn).mean(axis=1)
        columns.append(np.fft.irfft(spectrum, n=n) + mean.mean())
    return np.stack(columns, axis=1)


def shared_log_likelihood(spectra: _ArraySpectra, order: int = 0, sign: int = 1) -> float:
    """Return the log likelihood that all stars move together, power refitted.

    `order`, `sign`: the true frequency is order x frame rate + sign x apparent frequency; with row
    times this sets the phase between the stars. Order 0, sign 1: as it appears.

    A star whose row is read d later sees the motion at t + d. Sampled with the frames, a motion
    at nu = k fs + s f shows at s f with the phase 2 pi nu d, so that the bin at +f carries
    exp(2 pi i s nu d).
    """
    frequency = spectra.frequency_hz * sign + order * spectra.rate_hz
    phase = 2.0 * np.pi * sign * np.outer(frequency, spectra.row_time_s)
    return _best_over_scale(spectra, np.exp(1j * phase))


def _best_over_scale(spectra: _ArraySpectra, pattern: ComplexArray | None) -> float:
    scales = np.geomspace(0.1, 30.0, 11)
    return max(_log_likelihood(spectra, pattern, float(scale)) for scale in scales)


def _log_likelihood(spectra: _ArraySpectra, pattern: ComplexArray | None, scale: float) -> float:
    still = np.exp(2j * np.pi * np.outer(spectra.frequency_hz, spectra.row_time_s))
    total = 0.0
    for axis in range(2):
        base = still[:, :, None] * still[:, None, :].conj() * spectra.shared[axis, :, None, None]
        base = base + np.diag(spectra.own[axis])[None]
        power = scale * spectra.line[axis]
        if pattern is None:
            base = base + power[:, None, None] * np.eye(still.shape[1])[None]
        else:
            base = base + power[:, None, None] * pattern[:, :, None] * pattern[:, None, :].conj()
        z = spectra.amplitude[axis]
        _, logdet = np.linalg.slogdet(base)
        solved = np.linalg.solve(base, z[:, :, None])[:, :, 0]
        total += float(-np.sum(logdet) - np.sum((z.conj() * solved).real))
    return total


def _own_density(spectrum: ComplexArray, frequency: FloatArray, line: LineFit) -> FloatArray:
    """Density of each star against the mean of the others, beside the line."""
    low, high = line.band_hz
    reach = const.ARRAY_SIDE_BAND * (high - low)
    centre = line.frequency_hz
    beside = (np.abs(frequency - centre) < reach) & ((frequency < low) | (frequency > high))
    if beside.sum() < 8:  # noqa: PLR2004 - a mean of fewer bins is too rough
        nearest = np.argsort(np.abs(frequency - centre))
        beside = np.zeros(frequency.size, dtype=bool)
        beside[nearest[: min(40, frequency.size)]] = True
    n_stars = spectrum.shape[2]
    if n_stars == 1:
        return np.asarray((np.abs(spectrum[:, beside]) ** 2).mean(axis=1))
    part = spectrum[:, beside]
    others = (part.sum(axis=2, keepdims=True) - part) / (n_stars - 1)
    difference = (np.abs(part - others) ** 2).mean(axis=1)
    # var(own - mean of others) = own + mean(own)/(n - 1) about
    level = difference.mean(axis=1, keepdims=True) * (n_stars - 1) / n_stars
    return np.asarray(np.maximum(difference - level / (n_stars - 1), 0.2 * level))


@dataclass(frozen=True)
class _SharedSpectrum:
    """Share of the motion's power that is common to all stars."""

    frequency_hz: FloatArray  # (b,): middle of each band
    # `share`, `low`, `high`: (b,): 0 to 1, noise removed, with a 68 % interval; NaN where the noise
    # drowns the motion.
    share: FloatArray
    low: FloatArray
    high: FloatArray


def coherence_spectrum(
    x: FloatArray, y: FloatArray, noise_sigma: FloatArray | float, cadence_s: float
) -> _SharedSpectrum:
    """Return the share of the motion's power common to two or more stars, by frequency.

    `x`, `y` (n, n_stars): motion on the regular grid, without NaN, any unit. `noise_sigma`
    (n_stars,): centroid noise of one axis, same unit.

    Common power: mean over pairs of Re(z_s conj z_t); total: mean |z_s|^2 less the noise. The
    interval is a jackknife over the bins of a band.
    """
    n, n_stars = x.shape
    from scipy.signal.windows import dpss

    tapers = dpss(n, 2.0, 3)
    both = np.stack([x - x.mean(axis=0), y - y.mean(axis=0)])
    spectra = np.fft.rfft(tapers[:, None, :, None] * both[None], axis=2)
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
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

    `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN, in the unit of the
    line. `row_time_s` (n_stars,). `signs`: alias candidates to allow for when rows have their own
    times.

    Returns: against the alternative that each star has the line's power for itself, even odds
    beforehand; None for a single star.
    """
    if x.shape[1] < 2:  # noqa: PLR2004
        return None
    spectra = array_spectra(x, y, cadence_s, line, continuum, row_time_s)
    together = max(shared_log_likelihood(spectra, order, sign) for order, sign in signs)
    gain = together - _best_over_scale(spectra, None)  # the power of each star for itself
    return float(1.0 / (1.0 + np.exp(np.clip(-gain, -50, 50))))


def _by_band(
    frequency: FloatArray, common: FloatArray, total: FloatArray, noise: float
) -> _SharedSpectrum:
    bins = np.arange(2, frequency.size - 1)  # the mean, and Nyquist, are left out
    edges = [float(bins[0])]
    while edges[-1] < bins[-1]:
        edges.append(
            max(
                edges[-1] * 2.0 ** (1.0 / const.SHARED_BANDS_PER_OCTAVE),
                edges[-1] + const.SHARED_FEWEST_BINS,
            )
        )
    rows = []
    for low, high in pairwise(edges):
        part = bins[(bins >= low) & (bins < high)]
        if part.size < const.SHARED_FEWEST_BINS - 1:
            continue
        middle = float(np.sqrt(frequency[part[0]] * frequency[part[-1]]))
        rows.append((middle, *_ratio(common[part], total[part], noise)))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return _SharedSpectrum(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


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
