"""Star positions on the regular grid of frames, segment by segment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.motion.common import CommonMotion
from blursplit.stars.tracks import StarTracks
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class GridSegment:
    """One stretch of frames without a gap, lost samples filled in."""

    start_s: float  # time of the first grid point
    shared_arcsec: FloatArray  # (n, 2): shared motion (x, y), mean not removed
    # (n, 2 n_stars): displacement of each chosen star from its mean place (all x, then all y).
    stars_arcsec: FloatArray
    real: BoolArray  # (n,): whether the grid point is a frame (False: filled in)
    frame: IntArray  # (n,): row of the tracks, -1 where filled in
    # (n, 2 n_stars): the stars' motion before the delays of their rows were taken out.
    as_read_arcsec: FloatArray | None = None


@dataclass(frozen=True)
class GridData:
    """All segments on one grid of times, with what is needed to model them."""

    segments: tuple[GridSegment, ...]
    star: IntArray  # (n_stars,): columns of the tracks that were chosen
    # `star_x_arcsec`, `star_y_arcsec`: (n_stars,)
    star_x_arcsec: FloatArray
    star_y_arcsec: FloatArray
    # (n_stars,): one-sided density of each star's centroid noise, one axis.
    noise_psd_arcsec2_hz: FloatArray
    shared_noise_psd_arcsec2_hz: float  # the same of the shared motion
    cadence_s: float
    exposure_s: float
    # (n_stars,): delay of each star's row; None where all rows are read at once.
    row_time_s: FloatArray | None = None

    @property
    def time_s(self) -> FloatArray:
        """Times of all points, segment after segment."""
        return np.concatenate(
            [s.start_s + np.arange(len(s.real)) * self.cadence_s for s in self.segments]
        )

    @property
    def number(self) -> IntArray:
        """Number of the segment of each point."""
        return np.repeat(np.arange(len(self.segments)), [len(s.real) for s in self.segments])

    @property
    def shared_arcsec(self) -> FloatArray:
        """Shared motion at all points, shape (n, 2)."""
        return np.concatenate([s.shared_arcsec for s in self.segments])

    @property
    def longest_s(self) -> float:
        """Length of the longest segment."""
        return max(len(s.real) for s in self.segments) * self.cadence_s

    @property
    def duration_s(self) -> float:
        """Sum of the segments' lengths."""
        return sum(len(s.real) for s in self.segments) * self.cadence_s


def grid_data(
    tracks: StarTracks, motion: CommonMotion, *, scale_arcsec: float, cadence_s: float
) -> GridData | None:
    """Place the motion on a regular grid of times.

    `scale_arcsec`: arcsec per pixel (1 to stay in pixels). `cadence_s`: frame interval.

    Returns: none when no segment holds at least 50 grid points.
    """
    chosen = _choose_stars(tracks)
    residual = np.concatenate(
        [motion.residual_x_px[:, chosen], motion.residual_y_px[:, chosen]], axis=1
    )
    offset_x = motion.reference_x_px[chosen] - motion.centre_px[0]
    offset_y = motion.reference_y_px[chosen] - motion.centre_px[1]
    rotated = np.concatenate(
        [
            motion.scale[:, None] * offset_x - motion.rotation_rad[:, None] * offset_y,
            motion.scale[:, None] * offset_y + motion.rotation_rad[:, None] * offset_x,
        ],
        axis=1,
    )
    shared = np.stack([motion.x_px, motion.y_px], axis=1)
    own = residual + rotated
    segments = [
        _one_segment(tracks.time_s, rows, shared * scale_arcsec, own * scale_arcsec, cadence_s)
        for rows in (np.flatnonzero(tracks.segment == s) for s in np.unique(tracks.segment))
    ]
    kept = tuple(s for s in segments if s is not None and len(s.real) >= const.GRID_LEAST_FRAMES)
    if not kept:
        return None
    sigma2 = np.nanmean(np.where(tracks.good, tracks.sigma_px, np.nan) ** 2, axis=0)[chosen]
    white = 2.0 * cadence_s * scale_arcsec**2
    exposure = tracks.exposure_s if tracks.exposure_s is not None else cadence_s
    rows = np.nanmedian(tracks.row_time_s[:, chosen], axis=0)
    return GridData(
        segments=kept,
        star=chosen,
        star_x_arcsec=offset_x * scale_arcsec,
        star_y_arcsec=offset_y * scale_arcsec,
        noise_psd_arcsec2_hz=sigma2 * white,
        shared_noise_psd_arcsec2_hz=float(np.nanmean(motion.noise_px**2)) * white,
        cadence_s=cadence_s,
        exposure_s=exposure,
        row_time_s=rows if np.ptp(rows) > 0 else None,
    )


def _choose_stars(tracks: StarTracks) -> IntArray:
    """Stars seen nearly always, the quietest first; at least the one seen most often."""
    share = tracks.good.mean(axis=0)
    enough = np.flatnonzero(share >= min(const.GRID_LEAST_GOOD_SHARE, float(share.max())))
    sigma = np.nanmedian(np.where(tracks.good, tracks.sigma_px, np.nan)[:, enough], axis=0)
    return np.sort(enough[np.argsort(sigma)[: const.GRID_MOST_STARS]])


def _one_segment(
    time_s: FloatArray,
    rows: IntArray,
    shared: FloatArray,
    own: FloatArray,
    cadence_s: float,
) -> GridSegment | None:
    rows = rows[np.isfinite(shared[rows, 0])]
    if len(rows) < const.GRID_LEAST_FRAMES // 2:
        return None
    start = float(time_s[rows[0]])
    place = np.rint((time_s[rows] - start) / cadence_s).astype(np.int64)
    first_of_place = np.unique(place, return_index=True)[1]
    rows, place = rows[first_of_place], place[first_of_place]
    n = int(place[-1]) + 1
    frame = np.full(n, -1, dtype=np.int64)
    frame[place] = rows
    offset = (time_s[rows] - start) - place * cadence_s
    # A star's own motion is filled in apart from the shared one: the other stars know the shared
    # motion of a frame in which this star was lost, however fast it was.
    together = _fill(place, offset, shared[rows], n, cadence_s)
    return GridSegment(
        start_s=start,
        shared_arcsec=together,
        stars_arcsec=np.repeat(together, own.shape[1] // 2, axis=1)
        + _fill(place, offset, own[rows], n, cadence_s),
        real=frame >= 0,
        frame=frame,
    )


def _fill(
    place: IntArray, offset_s: FloatArray, values: FloatArray, n: int, cadence_s: float
) -> FloatArray:
    """Interpolate linearly onto the grid, over lost samples and small jitter alike."""
    at = place + offset_s / cadence_s
    grid = np.arange(n, dtype=np.float64)
    out = np.empty((n, values.shape[1]))
    for column in range(values.shape[1]):
        seen = np.isfinite(values[:, column])
        if np.any(seen):
            out[:, column] = np.interp(grid, at[seen], values[seen, column])
        else:
            out[:, column] = 0.0
    return out


def remove_trend(series: FloatArray) -> FloatArray:
    """Remove mean and straight line from each column."""
    n = len(series)
    t = np.arange(n) - 0.5 * (n - 1)
    slope = t @ series / (t @ t)
    out: FloatArray = series - series.mean(axis=0) - np.outer(t, slope)
    return out
