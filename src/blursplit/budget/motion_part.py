"""The motion part of the result: plain statistics per frame, before any model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.motion.pairs import detrend
from blursplit.result import Motion, PairMotion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.motion import CommonMotion, PairStatistics
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

MOST_BINS = 6
FEWEST_PAIRS_A_BIN = 3


def motion_part(
    tracks: StarTracks, motion: CommonMotion, pairs: PairStatistics, scale: float | None
) -> Motion:
    """Return rms of shared and pair motion: trend and noise removed, averaging not undone."""
    seen = np.isfinite(motion.x_px)
    time, segment = tracks.time_s[seen], tracks.segment[seen]
    noise2 = float(np.nanmean(motion.noise_px[seen] ** 2))
    rms = [
        max(float(np.var(detrend(time, values[seen], segment))) - noise2, 0.0) ** 0.5
        for values in (motion.x_px, motion.y_px)
    ]
    single = float(np.sqrt(np.nanmean(np.where(tracks.good, tracks.sigma_px, np.nan) ** 2)))
    turn = motion.rotation_rad[seen]
    turning = bool(np.any(turn != 0))
    have_pairs = len(pairs.separation_px) > 0
    return Motion(
        common_rms_x_arcsec=None if scale is None else rms[0] * scale,
        common_rms_y_arcsec=None if scale is None else rms[1] * scale,
        noise_rms_arcsec=None if scale is None else single * scale,
        common_rms_x_px=rms[0],
        common_rms_y_px=rms[1],
        pair_rms_x_px=float(np.median(pairs.mad_x_px)) if have_pairs else None,
        pair_rms_y_px=float(np.median(pairs.mad_y_px)) if have_pairs else None,
        noise_rms_px=single,
        rotation_rms_arcsec=float(206264.806 * np.std(detrend(time, turn, segment)))
        if turning
        else None,
        pairs=[] if scale is None else _pair_bins(pairs, scale),
    )


def _pair_bins(pairs: PairStatistics, scale: float) -> list[PairMotion]:
    """Pairs in bins of separation with about equal numbers."""
    n = len(pairs.separation_px)
    if n == 0:
        return []
    order = np.argsort(pairs.separation_px)
    bins = np.array_split(order, max(1, min(MOST_BINS, n // FEWEST_PAIRS_A_BIN)))
    return [
        PairMotion(
            separation_arcsec=float(pairs.separation_px[rows].mean() * scale),
            along_rms_arcsec=_root(pairs.along_var_px2[rows], scale),
            across_rms_arcsec=_root(pairs.across_var_px2[rows], scale),
            count=len(rows),
        )
        for rows in bins
    ]


def _root(variance_px2: FloatArray, scale: float) -> float | None:
    mean = float(variance_px2.mean())
    return scale * float(np.sqrt(mean)) if mean > 0 else None
