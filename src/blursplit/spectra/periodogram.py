"""The tapered periodogram of two-axis motion, and what a damped mode looks like in it.

The model of a mode is never compared with the data as it stands: its autocovariance is
multiplied by that of the tapers first, so that the width of the window (and folding at Nyquist)
are in the model and cannot pass as damping.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra.densities import regular_grid, segment_slices

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    ComplexArray = NDArray[np.complex128]
    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]

TAPERS = 3
"""Sine tapers averaged: resolution +-2/T, leakage falling as the fourth power."""

TAPER_VARIANCE = 1.0 + 1.0 / (2 * TAPERS)
"""Variance of a band's mean power against an untapered periodogram: N sum (mean taper^2)^2."""

SEGMENT_SHARE = 0.25
"""Stretches shorter than this share of the longest are left out."""


LONGEST = 4000
"""Samples of a piece: the search then costs no more for longer records, and a mode (broader than
the 1/T of 40 s at 100 frames/s) loses nothing."""

RANGE = 3e-7
"""Smallest density against the largest above the drift's: of a sine without noise the far wings
are leakage, which the model does not follow to all digits."""

DRIFT_BINS = 15
"""Bins below are the drift's, however large it is."""

FLOOR = 1e-24
"""Smallest density, unit^2/Hz: a millionth of a millionth of a unit is no motion."""


@dataclass(frozen=True)
class Periodogram:
    """One-sided mean periodogram of (x, y) motion over tapers and stretches.

    Parameters
    ----------
    frequency_hz : ndarray, shape (m,)
        Every 1/T up to Nyquist, zero and Nyquist left out.
    power : ndarray, shape (m, 2, 2)
        Real part of the cross periodogram of the axes, unit^2/Hz, tapered.
    plain : ndarray, shape (m, 2, 2)
        The same without taper: the power that was really there, for realised variances.
    taper_lags : ndarray, shape (n,)
        Mean autocorrelation of the tapers (1 at lag 0), gaps set to zero.
    plain_lags : ndarray, shape (n,)
        The same without taper.
    shape : float
        Shape of the gamma law that each bin of `power` follows.
    weight : float
        Independent complex values that a bin stands for.
    cadence_s, duration_s : float
        Sampling interval; length of the longest stretch.
    """

    frequency_hz: FloatArray
    power: FloatArray
    plain: FloatArray
    taper_lags: FloatArray
    plain_lags: FloatArray
    shape: float
    weight: float
    cadence_s: float
    duration_s: float

    def along(self, angle_rad: float) -> FloatArray:
        """Return the tapered power of the motion along a direction, shape (m,)."""
        unit = np.array([np.cos(angle_rad), np.sin(angle_rad)])
        return np.asarray(np.einsum("i,mij,j->m", unit, self.power, unit))


def motion_periodogram(
    time_s: FloatArray,
    motion_xy: FloatArray,
    cadence_s: float,
    timing: str = "regular",
    segment: IntArray | None = None,
) -> Periodogram:
    """Return the mean periodogram of the motion, linear trend of each piece removed.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    motion_xy : ndarray, shape (n, 2)
        NaN counts as missing.
    cadence_s : float
    timing : "regular", "jittered" or "irregular"
        Regular records go onto a grid (fast transform); the others are transformed at their own
        times.
    segment : ndarray of int, shape (n,), optional

    Returns
    -------
    Periodogram

    Raises
    ------
    ValueError
        With fewer than 50 finite samples in the longest stretch.
    """
    pieces = []
    for part in _shorter(segment_slices(segment, time_s.size)):
        keep = np.isfinite(motion_xy[part]).all(axis=1)
        if keep.sum() >= 50:  # noqa: PLR2004 - fewer frames carry no spectrum (1 s at 50 Hz)
            pieces.append(_prepare(time_s[part][keep], motion_xy[part][keep], cadence_s, timing))
    if not pieces:
        raise ValueError("no stretch of at least 50 samples")
    longest = max(piece.n for piece in pieces)
    pieces = [piece for piece in pieces if piece.n >= SEGMENT_SHARE * longest]
    share = np.array([piece.n for piece in pieces], dtype=np.float64) / longest
    frequency = np.arange(1, (longest + 1) // 2) / (longest * cadence_s)
    parts = [_piece_power(piece, frequency, cadence_s, longest) for piece in pieces]
    power, plain, taper_lags, plain_lags = (
        sum(s * part[k] for s, part in zip(share, parts, strict=True)) / share.sum()
        for k in range(4)
    )
    # an axis that does not move at all must not end in logarithms of zero
    size = np.trace(power, axis1=1, axis2=2)
    floor = max(1e-9 * float(size.mean()), RANGE * float(size[DRIFT_BINS:].max(initial=0.0)), FLOOR)
    power = power + floor * np.eye(2)
    return Periodogram(
        frequency,
        np.asarray(power),
        np.asarray(plain),
        np.asarray(taper_lags),
        np.asarray(plain_lags),
        TAPERS * share.sum() ** 2 / float((share**2).sum()),
        share.sum() / TAPER_VARIANCE,
        cadence_s,
        longest * cadence_s,
    )


def mode_density(
    periodogram: Periodogram, frequency_hz: float, damping_ratio: float, *, plain: bool = False
) -> FloatArray:
    """Return the expected periodogram of a damped mode of unit variance.

    Parameters
    ----------
    periodogram : Periodogram
    frequency_hz : float
        Undamped frequency of the mode; above Nyquist it folds, as it does in the data.
    damping_ratio : float
        Below 1.
    plain : bool
        For the untapered periodogram.

    Returns
    -------
    ndarray, shape (m,)
        One-sided, 1/Hz.

    Notes
    -----
    Autocovariance of a mode driven by white force, exp(-g t) (cos w t + g/w sin w t), g = zeta
    w0, w = w0 sqrt(1 - zeta^2); multiplied by that of the tapers and transformed: the exact
    expectation (Sykulski et al. 2019, Biometrika 106, 251, from memory).
    """
    lags = periodogram.plain_lags if plain else periodogram.taper_lags
    tau_s = np.arange(lags.size) * periodogram.cadence_s
    omega = 2.0 * np.pi * frequency_hz
    decay = damping_ratio * omega
    damped = omega * np.sqrt(1.0 - damping_ratio**2)
    covariance = np.exp(-decay * tau_s) * (
        np.cos(damped * tau_s) + decay / damped * np.sin(damped * tau_s)
    )
    return transform_of_lags(covariance * lags, periodogram.cadence_s)


def mode_density_slopes(
    periodogram: Periodogram, frequency_hz: float, damping_ratio: float
) -> FloatArray:
    """Return the expected periodogram of a mode and its slopes by ln frequency and ln damping.

    Parameters
    ----------
    periodogram : Periodogram
    frequency_hz, damping_ratio : float

    Returns
    -------
    ndarray, shape (3, m)

    Notes
    -----
    With u = w0 t and s = sqrt(1 - zeta^2) the autocovariance of `mode_density` has the slopes
    - (u/s) exp(-zeta u) sin(s u) by ln w0 and exp(-zeta u) (sin(s u)/s^3 - u cos(s u)/s^2) by
    zeta.
    """
    lags = periodogram.taper_lags
    turn = 2.0 * np.pi * frequency_hz * periodogram.cadence_s * np.arange(lags.size)
    root = np.sqrt(1.0 - damping_ratio**2)
    decay = np.exp(-damping_ratio * turn) * lags
    cosine, sine = decay * np.cos(root * turn), decay * np.sin(root * turn)
    rows = np.stack(
        [
            cosine + damping_ratio / root * sine,
            -turn / root * sine,
            damping_ratio * (sine / root**3 - turn * cosine / root**2),
        ]
    )
    return transform_of_lags(rows, periodogram.cadence_s)


def transform_of_lags(covariance: FloatArray, cadence_s: float) -> FloatArray:
    """Return the one-sided density at every 1/T of a covariance at lags 0..n-1, ends left out.

    Lags lie along the last axis.
    """
    from scipy.fft import rfft

    n = covariance.shape[-1]
    # At multiples of 1/T a lag and its negative less T have one phase: half the transform's
    # length is enough.
    folded = covariance.copy()
    folded[..., 1:] += covariance[..., :0:-1]
    density = 2.0 * cadence_s * rfft(folded).real
    return np.asarray(density[..., 1 : (n + 1) // 2], dtype=np.float64)


def _shorter(parts: list[slice]) -> list[slice]:
    """Cut stretches longer than LONGEST into equal pieces, whose periodograms are averaged."""
    pieces = []
    for part in parts:
        count = -(-(part.stop - part.start) // LONGEST)
        edges = np.linspace(part.start, part.stop, count + 1).round().astype(int).tolist()
        pieces += [slice(a, b) for a, b in pairwise(edges)]
    return pieces


@dataclass(frozen=True)
class _Piece:
    time_s: FloatArray
    motion: FloatArray
    present: BoolArray
    n: int
    on_grid: bool


def _prepare(time_s: FloatArray, motion: FloatArray, cadence_s: float, timing: str) -> _Piece:
    if timing == "regular":
        values, filled = regular_grid(time_s, motion, cadence_s)
        times = np.arange(len(values), dtype=np.float64) * cadence_s
        slope = np.polynomial.polynomial.polyfit(times, values, 1)
        return _Piece(
            times,
            values - (slope[0] + np.outer(times, slope[1])),
            ~filled,
            len(values),
            on_grid=True,
        )
    times = time_s - time_s[0]
    slope = np.polynomial.polynomial.polyfit(times, motion, 1)
    n = round(float(times[-1]) / cadence_s) + 1
    return _Piece(
        times,
        motion - (slope[0] + np.outer(times, slope[1])),
        np.ones(times.size, dtype=bool),
        n,
        on_grid=False,
    )


def _piece_power(
    piece: _Piece, frequency_hz: FloatArray, cadence_s: float, longest: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    position = piece.time_s / cadence_s
    order = np.arange(1, TAPERS + 1)[:, None]
    # sine tapers, Riedel & Sidorenko 1995 (from memory): sqrt(2/(n+1)) sin(pi k (t+1)/(n+1))
    tapers = np.sqrt(2.0 / (piece.n + 1)) * np.sin(
        np.pi * order * (position[None] + 1.0) / (piece.n + 1)
    )
    # missing times in an uneven record: keep the tapers' power at one
    tapers = tapers / np.sqrt((tapers**2).sum(axis=1, keepdims=True))
    box = np.full((1, position.size), 1.0 / np.sqrt(position.size))
    lags = []
    powers = []
    for windows in (tapers, box):
        data = windows[:, :, None] * piece.motion[None]
        spectrum = _transform(data, piece, frequency_hz, longest)
        cross = np.einsum("kmi,kmj->mij", spectrum, spectrum.conj()).real
        powers.append(2.0 * cadence_s * cross / len(windows))
        lags.append(_window_lags(windows, piece, longest))
    return powers[0], powers[1], lags[0], lags[1]


def _transform(
    data: FloatArray, piece: _Piece, frequency_hz: FloatArray, longest: int
) -> ComplexArray:
    if piece.on_grid:
        full = np.fft.rfft(data, n=longest, axis=1)
        return np.asarray(full[:, 1 : frequency_hz.size + 1])
    parts = []
    for start in range(0, frequency_hz.size, 512):  # bounds the memory of the phase matrix
        block = frequency_hz[start : start + 512]
        phase = np.exp(-2j * np.pi * np.outer(block, piece.time_s))
        parts.append(np.einsum("mt,kti->kmi", phase, data, optimize=True))
    return np.concatenate(parts, axis=1)


def _window_lags(windows: FloatArray, piece: _Piece, longest: int) -> FloatArray:
    """Return the mean autocorrelation of the windows at lags 0..longest-1, gaps as zeros."""
    grid = np.zeros((len(windows), longest))
    slot = np.arange(piece.n) if piece.on_grid else None
    if slot is None:
        slot = np.rint(piece.time_s / piece.time_s[-1] * (piece.n - 1)).astype(np.int64)
        for row, window in zip(grid, windows, strict=True):
            np.add.at(row, slot, window)
    else:
        grid[:, : piece.n] = windows * piece.present
    spectrum = np.abs(np.fft.rfft(grid, n=2 * longest, axis=1)) ** 2
    lags = np.fft.irfft(spectrum.mean(axis=0), n=2 * longest)[:longest]
    return np.asarray(lags)
