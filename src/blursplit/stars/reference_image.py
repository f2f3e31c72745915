"""What the first frames show: a registered mean, the stars' width, hot and saturated pixels."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    CLIP_SIGMAS,
    FIRST_SIGMA_PX,
    LASTING_SHARE,
    MEAN_BYTES,
    MEAN_FRAMES,
    SATURATED_SHARE,
    SIGMA_RANGE_PX,
    SPARSE_FIELD,
    UNSURE_MATCH,
)
from blursplit.errors import InputError, TooFewStarsError
from blursplit.frames import FrameSource
from blursplit.frames.source import failed_frames
from blursplit.stars.geometry import masked_median
from blursplit.stars.register import (
    Peaks,
    find_hot_pixels,
    find_peaks,
    lasting_peaks,
    register,
    robust_level,
    smooth_near,
)
from blursplit.types import BoolArray, FloatArray, ImageArray


@dataclass(frozen=True)
class ReferenceImage:
    """Registered mean of early frames, and what single frames say that the mean hides."""

    image: ImageArray
    clipped_share: ImageArray  # share of frames in which a pixel is saturated
    scatter: float  # of the sky of one frame
    shift_x_px: float  # of frame 0
    shift_y_px: float


def read_early_frames(source: FrameSource, name: str) -> ImageArray:
    """Return up to 24 first frames, fewer where they are large (120 MB).

    Raises InputError when most of them cannot be read: that is no fault of the sky.
    """
    ny, nx = source.shape
    count = int(np.clip(MEAN_BYTES // (4 * ny * nx), 3, MEAN_FRAMES))
    frames = source.read(0, min(count, source.n_frames))
    failed = [why for frame, why in failed_frames(source).items() if frame < len(frames)]
    if 2 * len(failed) > len(frames):
        raise InputError(name, f"cannot be read ({failed[0]})", "copy it again")
    return frames


def mean_of(frames: ImageArray) -> ImageArray:
    """Return the mean over frames, NaN pixels left out."""
    shape = frames.shape[1:]
    none, far = np.zeros(shape, dtype=bool), np.full(shape, np.inf, dtype=np.float32)
    moved = [(frame, 0, 0) for frame in frames]
    return _mean_within(moved, none, np.zeros(shape, dtype=np.float32), far)


def find_lasting_hot_pixels(frames: ImageArray, mean: ImageArray) -> BoolArray:
    """Return the pixels that stand out of the mean of the frames, and do so in most of them.

    Where a cosmic ray hit, or two trails cross, the mean stands out as well, but only by what
    one or two frames add to it.
    """
    hot = find_hot_pixels(mean)
    y, x = np.nonzero(hot)
    if x.size == 0:
        return hot
    ring = np.array([(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if j or i]).T
    rows = np.clip(y[:, None] + ring[0], 0, mean.shape[0] - 1)
    columns = np.clip(x[:, None] + ring[1], 0, mean.shape[1] - 1)
    around = frames[:, rows, columns]
    above = (frames[:, y, x] - masked_median(around.astype(float), np.isfinite(around))).T
    usual = masked_median(above, np.isfinite(above))
    total = np.where(np.isfinite(above), above, 0).sum(axis=1)
    seen = np.maximum(np.isfinite(above).sum(axis=1), 1)
    with np.errstate(invalid="ignore"):
        hot[y, x] = np.abs(usual) > LASTING_SHARE * np.abs(total / seen)
    return hot


def find_saturation(frames: ImageArray, hot: BoolArray, declared: float | None) -> float | None:
    """Return the level of saturation: declared, or seen as a pile-up at the highest value."""
    # A frame at a time, so that no second copy of them all is made.
    tops = [float(np.fmax.reduce(frame[~hot], initial=-np.inf)) for frame in frames]
    top = max(tops)
    top = top if np.isfinite(top) else 0.0
    _, scatter = robust_level(frames[0])
    # Stars do not reach exactly the same height; five equal maxima a frame are a ceiling.
    ceiling = top - 0.01 * scatter
    many = sum(
        int(((frame >= ceiling) & ~hot).sum())
        for frame, own in zip(frames, tops, strict=True)
        if own >= ceiling
    )
    piled = many >= max(5, 2 * len(frames))
    found = top if piled and top > 10.0 * scatter else None
    known = [level for level in (declared, found) if level is not None]
    return min(known) if known else None


def find_width(
    frames: ImageArray, mean: ImageArray, hot: BoolArray, limit: float | None, name: str
) -> float:
    """Return the sigma of the bright stars: median of five single frames, or of the mean.

    Five, so that one or two full of flipped bits or cosmic rays do not set the width.
    """
    few = frames[np.unique(np.linspace(0, len(frames) - 1, 5).astype(int))]
    found = [_width_of(image, hot, limit) for image in few]
    widths = [width for width in found if width is not None]
    if widths:
        return float(np.median(widths))
    width = _width_of(mean, hot, limit)
    if width is None:
        raise no_star(name)
    return width


def no_star(name: str) -> TooFewStarsError:
    """Return the error of frames that show nothing."""
    return TooFewStarsError(
        name,
        "no star was found in the first frames",
        "check focus, exposure and that the frames are light frames of a star field",
    )


def _width_of(image: ImageArray, hot: BoolArray, limit: float | None) -> float | None:
    """Iterate the smoothing to the stars' own width; None without a peak."""
    sigma = FIRST_SIGMA_PX
    for _ in range(4):
        width = _width_at(image, sigma, hot, limit)
        if width is None:
            return None
        last, sigma = sigma, float(np.clip(width, *SIGMA_RANGE_PX))
        if abs(sigma / last - 1.0) < 0.05:  # noqa: PLR2004
            break
    return sigma


def _width_at(image: ImageArray, sigma: float, hot: BoolArray, limit: float | None) -> float | None:
    """Return the lower quartile of the widths of the brightest peaks, or None without a peak.

    Smoothed by s, the peak of a Gaussian star of sigma w has a height in proportion to
    1 / (w^2 + s^2); two amounts of smoothing give w. Only the innermost pixels take part, so
    that neighbours do little; what they do is to widen, and the lower quartile holds the stars
    that stand alone.
    """
    peaks = find_peaks(image, max(0.7 * sigma, 1.0), hot=hot, count=60)
    if peaks.x_px.size == 0:
        return None
    clipped = _clipped_near(image, peaks, limit)
    if not clipped.all():
        peaks = Peaks(peaks.x_px[~clipped], peaks.y_px[~clipped], peaks.height_adu[~clipped])
    less, more = 0.5 * sigma, sigma
    sky, _ = robust_level(image)
    clean = np.where(hot | ~np.isfinite(image), np.float32(sky), image) - np.float32(sky)
    x, y = peaks.x_px[:24].astype(int), peaks.y_px[:24].astype(int)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = smooth_near(clean, x, y, less) / smooth_near(clean, x, y, more)
        width = np.sqrt((more**2 - ratio * less**2) / (ratio - 1.0))
    width = width[np.isfinite(width)]
    # Among few stars the sharp hits of cosmic rays would make up the lower quartile.
    wide = width > SIGMA_RANGE_PX[0]
    width = width[wide] if wide.any() else width
    return float(np.quantile(width, 0.25)) if width.size else None


def _clipped_near(image: ImageArray, peaks: Peaks, limit: float | None) -> BoolArray:
    if limit is None:
        return np.zeros(peaks.x_px.size, dtype=bool)
    full = (image >= SATURATED_SHARE * limit).astype(np.float32)
    return sum_core(full, peaks.x_px, peaks.y_px) > 0


def register_mean(
    frames: ImageArray, sigma: float, hot: BoolArray, limit: float | None, name: str
) -> ReferenceImage:
    """Shift frames by whole pixels on the one with most stars, clip outliers, and average."""
    peaks = [find_peaks(frame, sigma, hot=hot) for frame in frames]
    shape = (frames.shape[1], frames.shape[2])
    places = _registered(peaks, shape, max(2.0, 1.5 * sigma))
    moved = [
        (frame, -round(place[0]), -round(place[1]))
        for frame, place in zip(frames, places, strict=True)
        if place is not None
    ]
    if not moved:
        raise no_star(name)
    first = places[0] or (0.0, 0.0)
    full = np.zeros(shape, dtype=np.float32)
    if limit is not None:
        for frame, by_x, by_y in moved:
            to, from_ = _overlap(shape, by_x, by_y)
            full[to] += (~hot & (frame >= SATURATED_SHARE * limit))[from_]
        full /= np.float32(len(moved))
    far = np.full(shape, np.inf, dtype=np.float32)
    mean = _mean_within(moved, hot, np.zeros(shape, dtype=np.float32), far)
    if len(moved) > 4:  # noqa: PLR2004 - fewer leave nothing to clip against
        spread = np.sqrt(_mean_within(moved, hot, mean, far, squared=True))
        limit_adu = np.float32(CLIP_SIGMAS) * np.maximum(spread, np.float32(1e-6))
        mean += _mean_within(moved, hot, mean, limit_adu)
    image, by_x, by_y = moved[0]
    scatter = robust_level(_shifted(np.where(hot, np.nan, image), by_x, by_y))[1]
    if len(moved) > 4 and np.isfinite(mean).mean() < SPARSE_FIELD:  # noqa: PLR2004 - as above
        # Small images of stars have no sky between them: their scatter in time is the noise.
        scatter = min(scatter, float(np.nanmedian(spread)))
    return ReferenceImage(mean, full, scatter, *first)


def _mean_within(
    moved: list[tuple[ImageArray, int, int]],
    hot: BoolArray,
    middle: ImageArray,
    limit: ImageArray,
    *,
    squared: bool = False,
) -> ImageArray:
    """Return the mean of what frames, laid on each other, differ from `middle`, far ones left out.

    A frame at a time, so that it is added while the processor's cache holds it; NaN where no
    frame has a pixel.
    """
    from blursplit.stars.frame_kernels import add_within

    total, count = np.zeros_like(middle), np.zeros_like(middle)
    for frame, by_x, by_y in moved:
        add_within(frame, middle, limit, hot, int(by_x), int(by_y), squared, total, count)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(total / count)


def _registered(
    peaks: list[Peaks], shape: tuple[int, int], tolerance_px: float
) -> list[tuple[float, float] | None]:
    """Return the shift of each frame against the one with most stars, None where there is none.

    A frame or two that chance lays wrongly are clipped from the mean.

    The frame with most peaks may owe them to flipped bits or cosmic rays: where it fits less than
    half of the others, frames with an ordinary number are tried, and at last only those of their
    peaks that last.
    """
    count = np.array([min(p.x_px.size, 15) for p in peaks])
    order = np.argsort(count, kind="stable")
    usual = [int(order[round(share * (len(peaks) - 1))]) for share in (0.5, 0.25, 0.75)]
    best: list[tuple[float, float] | None] = [None] * len(peaks)
    most = 0
    whole = [peaks[i] for i in (int(np.argmax(count)), *usual)]
    lasting = (lasting_peaks(peaks[i], peaks, tolerance_px) for i in usual)
    for pattern in itertools.chain(whole, lasting):
        found = [
            register(
                pattern,
                one,
                shape,
                tolerance_px=tolerance_px,
                turns_deg=(0.0,),
                false_match=UNSURE_MATCH,
            )
            for one in peaks
        ]
        places = [None if one is None else (one.shift_x_px, one.shift_y_px) for one in found]
        fitting = len(places) - places.count(None)
        if fitting > most:
            best, most = places, fitting
        if 2 * most > len(peaks):
            break
    if most == 0:
        # Three wide stars in a small window fit by chance too often for any match to be sure, a
        # frame on itself included. Frames of one run hardly move: they are laid as they are.
        return [(0.0, 0.0) if one.x_px.size else None for one in peaks]
    return best


def _overlap(
    shape: tuple[int, ...], by_x: int, by_y: int
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return which pixels of the result come from which of an image moved by whole pixels."""
    along = [
        (slice(max(by, 0), max(n + min(by, 0), 0)), slice(max(-by, 0), max(n - max(by, 0), 0)))
        for n, by in zip(shape, (by_y, by_x), strict=True)
    ]
    return (along[0][0], along[1][0]), (along[0][1], along[1][1])


def _shifted(image: ImageArray, by_x: int, by_y: int) -> ImageArray:
    """Move an image by whole pixels; NaN comes in from outside."""
    out = np.full_like(image, np.nan)
    to, from_ = _overlap(image.shape, by_x, by_y)
    out[to] = image[from_]
    return out


def sum_core(share: ImageArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Sum an image over 7x7 pixels about each place."""
    padded = np.pad(share, 3)
    window = np.lib.stride_tricks.sliding_window_view(padded, (7, 7))
    return np.asarray(
        window[np.rint(y).astype(int), np.rint(x).astype(int)].sum(axis=(1, 2)), dtype=float
    )
