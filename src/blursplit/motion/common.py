"""Motion that all stars share: shift, and rotation and scale where enough stars allow it.

It is found frame by frame, and then placed on the regular grid of times, segment by segment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from blursplit import constants as const
from blursplit.stars.robust import median_of, remove_trend
from blursplit.stars.tracks import StarTracks
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class CommonMotion:
    """Shared motion of the stars, and what each star does beside it."""

    # `x_px`, `y_px`: (n_frames,): shift at the weighted centre of the stars, NaN where none was
    # good.
    x_px: FloatArray
    y_px: FloatArray
    # `rotation_rad`, `scale`: (n_frames,): from +x toward +y, and relative change; zero where not
    # fitted.
    rotation_rad: FloatArray
    scale: FloatArray
    noise_px: FloatArray  # (n_frames,): one-axis noise of the shift
    # `reference_x_px`, `reference_y_px`: (n_stars,): mean place of each star.
    reference_x_px: FloatArray
    reference_y_px: FloatArray
    # `residual_x_px`, `residual_y_px`: (n_frames, n_stars): what shift, rotation and scale leave,
    # NaN where the star was lost.
    residual_x_px: FloatArray
    residual_y_px: FloatArray
    weight: FloatArray  # (n_stars,): of each star in the shift, sum 1

    @property
    def xy_px(self) -> FloatArray:
        """The shift as rows (x, y), shape (n_frames, 2)."""
        return np.stack([self.x_px, self.y_px], axis=1)

    @property
    def centre_px(self) -> tuple[float, float]:
        """Weighted centre of the stars, about which they rotate."""
        return (
            float(self.weight @ self.reference_x_px),
            float(self.weight @ self.reference_y_px),
        )

    @classmethod
    def of(cls, tracks: StarTracks) -> CommonMotion:
        """Fit shift, rotation and scale of each frame by weighted robust least squares.

        Lost samples (not good) take no part; a frame without a good star gives NaN. Rotation and
        scale are fitted in frames with three or more stars only: with fewer, they cannot be told
        from what the air does to a pair.

        Weights are 1/(noise^2 + scatter^2), the scatter being what a star does beside the others
        (air, mostly), so that one very bright star does not stand for the whole field.
        """
        good = tracks.good & np.isfinite(tracks.x_px) & np.isfinite(tracks.y_px)
        place = np.where(good, [tracks.x_px, tracks.y_px], 0.0)  # (2, n_frames, n_stars)
        noise2 = np.where(good, tracks.sigma_px**2, 0.0)
        reference = _first_reference(place, good)
        robust = good.astype(float)
        weight = np.full(tracks.n_stars, 1.0 / tracks.n_stars)
        for _ in range(const.MOTION_ITERATIONS):
            patterns = _patterns(reference - (reference @ weight)[:, None])
            left = place - reference[:, None]
            shift = _solve_frames(left, robust * weight, patterns, good)
            residual = left - shift @ patterns
            step = _weighted_mean(residual, robust)
            reference = reference + step
            residual = residual - step[:, None]
            variance = _weighted_mean(0.5 * (residual**2).sum(axis=0), robust)
            mean_noise2 = _weighted_mean(noise2, good.astype(float))
            total = np.maximum(variance, mean_noise2) + np.median(variance) + 1e-8
            weight = (1.0 / total) / np.sum(1.0 / total)
            size = np.hypot(*residual) / np.sqrt(2.0 * variance + 1e-12)
            robust = good * np.minimum(1.0, const.HUBER / np.maximum(size, 1e-9))
        lost = ~good.any(axis=1)
        shift[lost] = np.nan
        used = good * weight
        total_weight = used.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            noise = np.sqrt((used**2 * noise2).sum(axis=1)) / total_weight
        blank = np.where(good, 0.0, np.nan)
        return cls(
            x_px=shift[:, 0],
            y_px=shift[:, 1],
            rotation_rad=shift[:, 2],
            scale=shift[:, 3],
            noise_px=noise,
            reference_x_px=reference[0],
            reference_y_px=reference[1],
            residual_x_px=residual[0] + blank,
            residual_y_px=residual[1] + blank,
            weight=weight,
        )


def _weighted_mean(values: FloatArray, weight: FloatArray) -> FloatArray:
    mean: FloatArray = (values * weight).sum(axis=-2) / np.maximum(weight.sum(axis=0), 1e-12)
    return mean


def _first_reference(place: FloatArray, good: BoolArray) -> FloatArray:
    """Place the stars relative to each other from the frame that shows most of them, (2, n_stars).

    Stars missing there are joined through frames that share stars with those already placed.
    """
    first = int(np.argmax(good.sum(axis=1)))
    placed = good[first].copy()
    reference = np.where(placed, place[:, first], 0.0)
    while not placed.all():
        links = (good & placed).sum(axis=1)[:, None] * (good & ~placed)
        frame, star = (int(i) for i in np.unravel_index(int(np.argmax(links)), links.shape))
        if links[frame, star] == 0:
            star = int(np.flatnonzero(~placed)[0])
            seen = good[:, star]
            reference[:, star] = place[:, seen, star].mean(axis=1) if seen.any() else 0.0
        else:
            both = good[frame] & placed
            away = (place[:, frame, both] - reference[:, both]).mean(axis=1)
            reference[:, star] = place[:, frame, star] - away
        placed[star] = True
    return reference


def _patterns(offset_px: FloatArray) -> FloatArray:
    """Return what each of shift x, shift y, rotation and scale does to the stars, (2, 4, n_stars).

    `offset_px` (2, n_stars): places about the stars' centre.
    """
    dx, dy = offset_px
    one, zero = np.ones_like(dx), np.zeros_like(dx)
    return np.array([[one, zero, -dy, dx], [zero, one, dx, dy]])


def _solve_frames(
    left: FloatArray, weight: FloatArray, patterns: FloatArray, good: BoolArray
) -> FloatArray:
    """Solve shift x, shift y, rotation, scale of every frame; shape (n_frames, 4)."""
    size = max(float(np.hypot(*patterns[:, 3]).max()), 1.0)
    unit = np.array([1.0, 1.0, size, size])
    scaled = patterns / unit[:, None]
    products = np.einsum("aij,akj->jik", scaled, scaled).reshape(len(good.T), 16)
    normal = (weight @ products).reshape(-1, 4, 4)
    right = sum((weight * each) @ pattern.T for each, pattern in zip(left, scaled, strict=True))
    only_shift = good.sum(axis=1) < const.ROTATION_LEAST_STARS
    normal[only_shift, 2:, :] = 0.0
    normal[only_shift, :, 2:] = 0.0
    right[only_shift, 2:] = 0.0
    empty = weight.sum(axis=1) <= 0
    normal[only_shift | empty, 2, 2] = normal[only_shift | empty, 3, 3] = 1.0
    normal[empty, 0, 0] = normal[empty, 1, 1] = 1.0
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0] / unit)


# --- differential motion of pairs of stars --------------------------------------------------------
@dataclass(frozen=True)
class PairStatistics:
    """Differential motion of every pair of stars (n_pairs,), linear trend removed."""

    star: IntArray  # (n_pairs, 2): columns of the tracks
    separation_px: FloatArray
    noise_var_px2: FloatArray  # of the difference, one axis
    # `along_var_px2`, `across_var_px2`: variance of the difference along and across the line that
    # joins them, the noise of both stars removed (may be negative).
    along_var_px2: FloatArray
    across_var_px2: FloatArray
    # `mad_x_px`, `mad_y_px`: robust rms (1.48 MAD) of the difference along image axes, noise
    # included.
    mad_x_px: FloatArray
    mad_y_px: FloatArray

    @classmethod
    def of(
        cls, tracks: StarTracks, *, reference_x_px: FloatArray, reference_y_px: FloatArray
    ) -> PairStatistics:
        """Measure every pair of stars that share ten frames or more; without one, arrays are empty.

        `reference_x_px`, `reference_y_px` (n_stars,): mean places, as `CommonMotion` gives them.
        """
        _, segment = np.unique(tracks.segment, return_inverse=True)
        # star by star, each in one piece of memory, so that many pairs read them fast
        columns = (tracks.x_px, tracks.y_px, tracks.sigma_px**2)
        stars = np.ascontiguousarray(np.stack(columns).transpose(2, 0, 1))
        good = np.ascontiguousarray(tracks.good.T)
        reference = np.stack([reference_x_px, reference_y_px], axis=1)
        time_s, free = tracks.time_s, []
        for star, seen in zip(stars, good, strict=True):
            rows = np.flatnonzero(seen)
            free.append(_trendless(star.take(rows, axis=1), time_s[rows], segment[rows]))
        found, which = [], []
        for a, b in combinations(range(tracks.n_stars), 2):
            one, other = free[a], free[b]
            if not np.array_equal(good[a], good[b]):
                rows = np.flatnonzero(good[a] & good[b])
                one, other = stars[a].take(rows, axis=1), stars[b].take(rows, axis=1)
                other[:2] -= one[:2]
                one[:2] = 0.0
                other = _trendless(other, time_s[rows], segment[rows])
            if one.shape[1] >= const.PAIR_LEAST_FRAMES:
                found.append(_one_pair(one, other, reference[b] - reference[a]))
                which.append((a, b))
        numbers = np.array(found, dtype=np.float64).reshape(len(found), 6).T.copy()
        return cls(np.array(which, dtype=np.int64).reshape(-1, 2), *numbers)


def _trendless(star: FloatArray, time_s: FloatArray, segment: IntArray) -> FloatArray:
    """Take the trends out of x and y of a star, or of a pair, in place; (3, n): see `_one_pair`."""
    for values in star[:2]:
        values[:] = detrend(time_s, values, segment)
    return star


def _one_pair(one: FloatArray, other: FloatArray, apart_px: FloatArray) -> tuple[float, ...]:
    """Return the numbers of a row of `PairStatistics`.

    `one` and `other` (3, n): x and y, free of a trend, and square of the noise. What is free of its
    trend in each of two stars is so in their difference.
    """
    dx, dy = other[:2] - one[:2]
    noise = float(np.mean(one[2] + other[2]))
    angle = float(np.arctan2(apart_px[1], apart_px[0]))
    c, s = np.cos(angle), np.sin(angle)
    along, across = dx * c + dy * s, -dx * s + dy * c
    keep = _not_outlying(along) & _not_outlying(across)
    return (
        float(np.hypot(*apart_px)),
        noise,
        float(np.var(along[keep], ddof=2)) - noise,
        float(np.var(across[keep], ddof=2)) - noise,
        _middle_and_scatter(dx)[1],
        _middle_and_scatter(dy)[1],
    )


def detrend(time_s: FloatArray, values: FloatArray, segment: IntArray) -> FloatArray:
    """Remove the mean of every segment and one linear trend common to all segments.

    `time_s`, `values`, `segment` (n,): no NaN allowed.
    """
    count = np.maximum(np.bincount(segment), 1)
    centred_t = time_s - (np.bincount(segment, time_s) / count)[segment]
    centred_v = values - (np.bincount(segment, values) / count)[segment]
    power = float(centred_t @ centred_t)
    slope = float(centred_t @ centred_v) / power if power > 0 else 0.0
    return np.asarray(centred_v - slope * centred_t)


def _middle_and_scatter(values: FloatArray) -> tuple[float, float]:
    middle = median_of(values)
    return middle, const.SIGMA_PER_MAD * median_of(np.abs(values - middle))


def _not_outlying(values: FloatArray) -> BoolArray:
    middle, scatter = _middle_and_scatter(values)
    limit = 6.0 * max(scatter, 1e-12)  # six sigmas: no Gaussian sample of any run goes there
    return np.asarray(np.abs(values - middle) < limit)


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

    @property
    def read_xy_arcsec(self) -> tuple[FloatArray, FloatArray]:
        """Motion of the stars along x and along y as it was read, shape (n, n_stars) each."""
        read = self.stars_arcsec if self.as_read_arcsec is None else self.as_read_arcsec
        x, y = np.split(read, 2, axis=1)
        return x, y


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

    def split(self, series: FloatArray) -> list[FloatArray]:
        """Return the parts of a series at all points, one for each segment."""
        return np.split(series, np.cumsum([len(s.real) for s in self.segments])[:-1])

    def without(self, path_arcsec: FloatArray) -> GridData:
        """Return the grid with a path (n, 2) at all points taken out of all motions."""
        segments = []
        for segment, part in zip(self.segments, self.split(path_arcsec), strict=True):
            each = np.repeat(part, len(self.star), axis=1)
            as_read = segment.as_read_arcsec
            left = replace(
                segment,
                shared_arcsec=segment.shared_arcsec - part,
                stars_arcsec=segment.stars_arcsec - each,
                as_read_arcsec=None if as_read is None else as_read - each,
            )
            segments.append(left)
        return replace(self, segments=tuple(segments))

    def rows_aligned(self) -> GridData:
        """Return the grid with each star's motion at the mean time of the rows.

        The motion as it was read stays in `as_read_arcsec`, for what decides between aliases.
        """
        if self.row_time_s is None:
            return self
        delay = self.row_time_s - self.row_time_s.mean()
        segments = tuple(_align(segment, delay, self.cadence_s) for segment in self.segments)
        return replace(self, segments=segments)

    def kept_by_rows(self, true_hz: FloatArray) -> FloatArray:
        """Return the share of the power that the mean over the aligned rows keeps, shape (n,).

        `true_hz` (n,): true frequencies. A global shutter keeps all.
        """
        if self.row_time_s is None:
            return np.ones(len(true_hz))
        zone = np.rint(true_hz * self.cadence_s)
        delay = self.row_time_s - self.row_time_s.mean()
        phase = 2.0 * np.pi * np.outer(zone / self.cadence_s, delay)
        return np.asarray(np.abs(np.exp(1j * phase).mean(axis=1)) ** 2)

    @property
    def noise_arcsec2(self) -> FloatArray:
        """Variance of each star's centroid noise, x of all stars and then y, shape (2 n_stars,)."""
        return np.tile(self.noise_psd_arcsec2_hz / (2.0 * self.cadence_s), 2)

    def patterns_of_air(self) -> FloatArray | None:
        """Return orthonormal patterns of displacement that only air makes, (2 n_stars, n_patterns).

        Shift, rotation and scale of a frame are none; of two stars, only the motion along the line
        that joins them is left, for which their scale stays in. None of a lone star.
        """
        n = len(self.star)
        if n < 2:  # noqa: PLR2004
            return None
        x = self.star_x_arcsec - self.star_x_arcsec.mean()
        y = self.star_y_arcsec - self.star_y_arcsec.mean()
        one, zero = np.ones(n), np.zeros(n)
        shared = [(one, zero), (zero, one), (-y, x)]
        if n > 2:  # noqa: PLR2004 - two stars would have nothing left
            shared.append((x, y))
        basis = np.stack([np.concatenate(part) for part in shared], axis=1)
        left, _, _ = np.linalg.svd(basis, full_matrices=True)
        return np.asarray(left[:, len(shared) :], dtype=float)

    @property
    def longest_s(self) -> float:
        """Length of the longest segment."""
        return max(len(s.real) for s in self.segments) * self.cadence_s

    @property
    def duration_s(self) -> float:
        """Sum of the segments' lengths."""
        return sum(len(s.real) for s in self.segments) * self.cadence_s

    @classmethod
    def of(
        cls, tracks: StarTracks, motion: CommonMotion, *, scale_arcsec: float, cadence_s: float
    ) -> GridData | None:
        """Place the motion on a regular grid of times; None where no segment holds 50 points of it.

        `scale_arcsec`: arcsec per pixel (1 to stay in pixels). `cadence_s`: frame interval.
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
        shared = motion.xy_px
        own = residual + rotated
        segments = [
            _one_segment(tracks.time_s, rows, shared * scale_arcsec, own * scale_arcsec, cadence_s)
            for rows in (np.flatnonzero(tracks.segment == s) for s in np.unique(tracks.segment))
        ]
        kept = tuple(
            s for s in segments if s is not None and len(s.real) >= const.GRID_LEAST_FRAMES
        )
        if not kept:
            return None
        sigma2 = np.nanmean(tracks.seen("sigma_px") ** 2, axis=0)[chosen]
        white = 2.0 * cadence_s * scale_arcsec**2
        exposure = tracks.exposure_s if tracks.exposure_s is not None else cadence_s
        rows = np.nanmedian(tracks.row_time_s[:, chosen], axis=0)
        return cls(
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
    sigma = np.nanmedian(tracks.seen("sigma_px")[:, enough], axis=0)
    return np.sort(enough[np.argsort(sigma)[: const.GRID_MOST_STARS]])


def _one_segment(
    time_s: FloatArray, rows: IntArray, shared: FloatArray, own: FloatArray, cadence_s: float
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


def _align(segment: GridSegment, delay_s: FloatArray, cadence_s: float) -> GridSegment:
    stars = segment.stars_arcsec
    flat = remove_trend(stars)
    frequency = np.fft.rfftfreq(len(flat), cadence_s)
    turn = np.exp(-2j * np.pi * np.outer(frequency, np.tile(delay_s, 2)))
    moved = np.fft.irfft(np.fft.rfft(flat, axis=0) * turn, n=len(flat), axis=0)
    change = moved - flat
    n = len(delay_s)
    shared = np.stack([change[:, :n].mean(axis=1), change[:, n:].mean(axis=1)], axis=1)
    return replace(
        segment,
        stars_arcsec=stars + change,
        shared_arcsec=segment.shared_arcsec + shared,
        as_read_arcsec=stars,
    )
