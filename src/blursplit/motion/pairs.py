"""Differential motion of star pairs, along and across the line that joins them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import PAIR_LEAST_FRAMES, SIGMA_PER_MAD
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


@dataclass(frozen=True)
class PairStatistics:
    """Differential motion of every pair, linear trend removed.

    Parameters
    ----------
    star_a, star_b : ndarray of int, shape (n_pairs,)
    separation_px, angle_rad : ndarray, shape (n_pairs,)
    along_var_px2, across_var_px2 : ndarray, shape (n_pairs,)
        Variance of the difference with the noise of both stars removed (may be negative).
    noise_var_px2 : ndarray, shape (n_pairs,)
        Noise variance that was removed.
    mad_x_px, mad_y_px : ndarray, shape (n_pairs,)
        Robust rms (1.48 MAD) of the difference along image axes, noise included.
    """

    star_a: NDArray[np.int64]
    star_b: NDArray[np.int64]
    separation_px: FloatArray
    angle_rad: FloatArray
    along_var_px2: FloatArray
    across_var_px2: FloatArray
    noise_var_px2: FloatArray
    mad_x_px: FloatArray
    mad_y_px: FloatArray


def pair_statistics(
    tracks: StarTracks, *, reference_x_px: FloatArray, reference_y_px: FloatArray
) -> PairStatistics:
    """Measure every pair of stars that share enough frames.

    Parameters
    ----------
    reference_x_px, reference_y_px : ndarray, shape (n_stars,)
        Mean places, as `CommonMotion` gives them.

    Returns
    -------
    PairStatistics
        Pairs with fewer than ten frames in common are left out; no pair gives empty arrays.
    """
    stars = _Stars.of(tracks)
    rows: list[tuple[float, ...]] = []
    for a in range(tracks.n_stars):
        for b in range(a + 1, tracks.n_stars):
            row = _one_pair(stars, a, b, reference_x_px, reference_y_px)
            if row is not None:
                rows.append((a, b, *row))
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 9)
    return PairStatistics(
        star_a=table[:, 0].astype(np.int64),
        star_b=table[:, 1].astype(np.int64),
        separation_px=table[:, 2],
        angle_rad=table[:, 3],
        along_var_px2=table[:, 4],
        across_var_px2=table[:, 5],
        noise_var_px2=table[:, 6],
        mad_x_px=table[:, 7],
        mad_y_px=table[:, 8],
    )


@dataclass(frozen=True)
class _Stars:
    """Tracks star by star, each in one piece of memory, so that many pairs read them fast."""

    time_s: FloatArray
    segment: NDArray[np.int64]
    good: NDArray[np.bool_]
    x_px: FloatArray
    y_px: FloatArray
    noise_px2: FloatArray

    @classmethod
    def of(cls, tracks: StarTracks) -> _Stars:
        _, number = np.unique(tracks.segment, return_inverse=True)
        return cls(
            tracks.time_s,
            number,
            np.ascontiguousarray(tracks.good.T),
            np.ascontiguousarray(tracks.x_px.T),
            np.ascontiguousarray(tracks.y_px.T),
            np.ascontiguousarray(tracks.sigma_px.T**2),
        )


def _one_pair(
    stars: _Stars, a: int, b: int, ref_x: FloatArray, ref_y: FloatArray
) -> tuple[float, ...] | None:
    both = stars.good[a] & stars.good[b]
    if np.count_nonzero(both) < PAIR_LEAST_FRAMES:
        return None
    time, segment = stars.time_s[both], stars.segment[both]
    dx = _detrend(time, stars.x_px[b][both] - stars.x_px[a][both], segment)
    dy = _detrend(time, stars.y_px[b][both] - stars.y_px[a][both], segment)
    noise = float(np.mean(stars.noise_px2[a][both] + stars.noise_px2[b][both]))
    sx, sy = ref_x[b] - ref_x[a], ref_y[b] - ref_y[a]
    angle = float(np.arctan2(sy, sx))
    c, s = np.cos(angle), np.sin(angle)
    along, across = dx * c + dy * s, -dx * s + dy * c
    keep = _not_outlying(along) & _not_outlying(across)
    along, across = along[keep], across[keep]
    return (
        float(np.hypot(sx, sy)),
        angle,
        float(np.var(along, ddof=2)) - noise,
        float(np.var(across, ddof=2)) - noise,
        noise,
        _mad(dx),
        _mad(dy),
    )


def detrend(time_s: FloatArray, values: FloatArray, segment: NDArray[np.int64]) -> FloatArray:
    """Remove the mean of every segment and one linear trend common to all segments.

    `time_s`, `values`, `segment` (n,): no NaN allowed.
    """
    _, number = np.unique(segment, return_inverse=True)
    return _detrend(time_s, values, number)


def _detrend(time_s: FloatArray, values: FloatArray, number: NDArray[np.int64]) -> FloatArray:
    """Remove means and trend, segments numbered from 0 (numbers may be missing)."""
    count = np.maximum(np.bincount(number), 1)
    centred_t = time_s - (np.bincount(number, time_s) / count)[number]
    centred_v = values - (np.bincount(number, values) / count)[number]
    power = float(centred_t @ centred_t)
    slope = float(centred_t @ centred_v) / power if power > 0 else 0.0
    return np.asarray(centred_v - slope * centred_t)


def _mad(values: FloatArray) -> float:
    return float(SIGMA_PER_MAD * np.median(np.abs(values - np.median(values))))


def _not_outlying(values: FloatArray) -> NDArray[np.bool_]:
    limit = 6.0 * max(_mad(values), 1e-12)  # six sigmas: no Gaussian sample of any run goes there
    return np.asarray(np.abs(values - np.median(values)) < limit)
