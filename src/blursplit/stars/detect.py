"""Which stars to follow: detection on a registered mean of early frames, and what is refused.

What the first frames show: a registered mean, the stars' width, hot and saturated pixels.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError, TooFewStarsError
from blursplit.frames import FrameSource, Sequence
from blursplit.stars.centroid import WindowedShapes
from blursplit.stars.pixels import complete_sky, fill_gaps, measure_sky
from blursplit.stars.register import Peaks, local_maxima, robust_level, smooth_near, smoothed
from blursplit.stars.robust import masked_median
from blursplit.types import BoolArray, FloatArray, ImageArray, IntArray


@dataclass(frozen=True)
class _ReferenceImage:
    """Registered mean of early frames, and what single frames say that the mean hides."""

    image: ImageArray
    clipped_share: ImageArray  # share of frames in which a pixel is saturated
    scatter: float  # of the sky of one frame
    shift_px: FloatArray  # (n, 2): of the early frames, NaN where they were not laid on it
    peaks: Peaks  # of the image, those that single frames show as well


def _read_early_frames(source: FrameSource, name: str) -> ImageArray:
    """Return up to 24 first frames, fewer where they are large (120 MB).

    Raises InputError when most of them cannot be read: that is no fault of the sky.
    """
    ny, nx = source.shape
    count = int(np.clip(const.MEAN_BYTES // (4 * ny * nx), 3, const.MEAN_FRAMES))
    frames = source.read(0, min(count, source.n_frames))
    failed = [why for frame, why in source.failures.items() if frame < len(frames)]
    if 2 * len(failed) > len(frames):
        raise InputError(name, f"cannot be read ({failed[0]})", "copy it again")
    return frames


def _mean_of(frames: ImageArray) -> ImageArray:
    """Return the mean over frames, NaN pixels left out."""
    shape = frames.shape[1:]
    none, far = np.zeros(shape, dtype=bool), np.full(shape, np.inf, dtype=np.float32)
    moved = [(number, 0, 0) for number in range(len(frames))]
    return _mean_within(frames, moved, none, np.zeros(shape, dtype=np.float32), far)


def _find_hot_pixels(image_adu: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return a mask of lone pixels that stand out from all their neighbours.

    `image_adu` (ny, nx): mean of frames that were NOT registered, in which hot pixels stay put.

    Hot and cold pixels are narrower than any image that a telescope makes; the threshold lies
    below the share that a star of sigma 0.6 px leaves to its brightest neighbour.
    """
    sky, scatter = robust_level(image_adu)
    image = np.where(np.isfinite(image_adu), image_adu, np.float32(sky))
    above = np.pad(image - np.float32(sky), 1, mode="edge")
    hot = np.zeros(image.shape, dtype=bool)
    for sign in (1, -1):
        y, x = np.divmod(np.flatnonzero(sign * above > 8.0 * scatter), above.shape[1])
        inner = (y > 0) & (y <= image.shape[0]) & (x > 0) & (x <= image.shape[1])
        y, x = y[inner], x[inner]
        ring = [(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if j or i]
        around = np.max([sign * above[y + j, x + i] for j, i in ring], axis=0)
        # Background slopes lift the neighbours; a floor of the scatter keeps noise from mattering.
        hot[y - 1, x - 1] |= around < const.HOT_SHARE * sign * above[y, x]
    return hot


def _find_lasting_hot_pixels(frames: ImageArray, mean: ImageArray) -> BoolArray:
    """Return the pixels that stand out of the mean of the frames, and do so in most of them.

    Where a cosmic ray hit, or two trails cross, the mean stands out as well, but only by what
    one or two frames add to it.
    """
    hot = _find_hot_pixels(mean)
    y, x = np.nonzero(hot)
    if x.size == 0:
        return hot
    ring = np.array([(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if j or i]).T
    rows = np.clip(y[:, None] + ring[0], 0, mean.shape[0] - 1)
    columns = np.clip(x[:, None] + ring[1], 0, mean.shape[1] - 1)
    around = frames[:, rows, columns]
    above = (frames[:, y, x] - masked_median(around.astype(float))).T
    usual = masked_median(above)
    total = np.where(np.isfinite(above), above, 0).sum(axis=1)
    seen = np.maximum(np.isfinite(above).sum(axis=1), 1)
    with np.errstate(invalid="ignore"):
        hot[y, x] = np.abs(usual) > const.LASTING_SHARE * np.abs(total / seen)
    return hot


def _find_saturation(frames: ImageArray, hot: BoolArray, declared: float | None) -> float | None:
    """Return the level of saturation: declared, or seen as a pile-up at the highest value."""
    # A frame at a time, so that no second copy of them all is made.
    hot_y, hot_x = np.nonzero(hot)
    tops = [_top_of(frame, hot_y, hot_x) for frame in frames]
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


def _top_of(frame: ImageArray, hot_y: IntArray, hot_x: IntArray) -> float:
    """Return the highest pixel of a frame but the hot ones."""
    if hot_x.size:
        frame = frame.copy()
        frame[hot_y, hot_x] = -np.inf
    return float(np.fmax.reduce(frame, axis=None, initial=-np.inf))


def _find_width(
    frames: ImageArray, mean: ImageArray, hot: BoolArray, limit: float | None, name: str
) -> float:
    """Return the sigma of the bright stars: median of five single frames, or of the mean.

    Five, so that one or two full of flipped bits or cosmic rays do not set the width.
    """
    few = frames[np.unique(np.linspace(0, len(frames) - 1, 5).astype(int))]
    for images in (few, mean[None]):
        found = [_width_of(image, hot, limit) for image in images]
        widths = [width for width in found if width is not None]
        if widths:
            return float(np.median(widths))
    raise _no_star(name)


def _no_star(name: str) -> TooFewStarsError:
    """Return the error of frames that show nothing."""
    remedy = "check focus, exposure and that the frames are light frames of a star field"
    return TooFewStarsError(name, "no star was found in the first frames", remedy)


def _width_of(image: ImageArray, hot: BoolArray, limit: float | None) -> float | None:
    """Iterate the smoothing to the stars' own width; None without a peak."""
    sigma = const.FIRST_SIGMA_PX
    for _ in range(4):
        width = _width_at(image, sigma, hot, limit)
        if width is None:
            return None
        last, sigma = sigma, float(np.clip(width, *const.SIGMA_RANGE_PX))
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
    peaks = Peaks.find(image, max(0.7 * sigma, 1.0), hot=hot, count=60)
    if peaks.x_px.size == 0:
        return None
    full = (image >= const.SATURATED_SHARE * (limit or np.inf)).astype(np.float32)
    whole = _sum_core(full, peaks.x_px, peaks.y_px) == 0
    x, y = ((at[whole] if whole.any() else at)[:24].astype(int) for at in (peaks.x_px, peaks.y_px))
    less, more = 0.5 * sigma, sigma
    sky, _ = robust_level(image)
    clean = np.where(hot | ~np.isfinite(image), np.float32(sky), image) - np.float32(sky)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = smooth_near(clean, x, y, less) / smooth_near(clean, x, y, more)
        width = np.sqrt((more**2 - ratio * less**2) / (ratio - 1.0))
    width = width[np.isfinite(width)]
    # Among few stars the sharp hits of cosmic rays would make up the lower quartile.
    wide = width > const.SIGMA_RANGE_PX[0]
    width = width[wide] if wide.any() else width
    return float(np.quantile(width, 0.25)) if width.size else None


def _register_mean(
    frames: ImageArray, sigma: float, hot: BoolArray, limit: float | None, name: str
) -> _ReferenceImage:
    """Shift frames by whole pixels on the one with most stars, clip outliers, and average."""
    peaks = [Peaks.find(frame, sigma, hot=hot) for frame in frames]
    shape = (frames.shape[1], frames.shape[2])
    places = _registered(peaks, shape, max(2.0, 1.5 * sigma))
    moved = [
        (number, -round(place[0]), -round(place[1]))
        for number, place in enumerate(places)
        if place is not None
    ]
    if not moved:
        raise _no_star(name)
    full = np.zeros(shape, dtype=np.float32)
    if limit is not None:
        for number, by_x, by_y in moved:
            to, from_ = _overlap(shape, by_x, by_y)
            full[to] += (~hot & (frames[number] >= const.SATURATED_SHARE * limit))[from_]
        full /= np.float32(len(moved))
    far = np.full(shape, np.inf, dtype=np.float32)
    mean = _mean_within(frames, moved, hot, np.zeros(shape, dtype=np.float32), far)
    if len(moved) > 4:  # noqa: PLR2004 - fewer leave nothing to clip against
        spread = np.sqrt(_mean_within(frames, moved, hot, mean, far, squared=True))
        limit_adu = np.float32(const.CLIP_SIGMAS) * np.maximum(spread, np.float32(1e-6))
        mean += _mean_within(frames, moved, hot, mean, limit_adu)
    number, by_x, by_y = moved[0]
    scatter = robust_level(_shifted(np.where(hot, np.nan, frames[number]), by_x, by_y))[1]
    if len(moved) > 4 and np.isfinite(mean).mean() < const.SPARSE_FIELD:  # noqa: PLR2004 - as above
        # Small images of stars have no sky between them: their scatter in time is the noise.
        scatter = min(scatter, float(np.nanmedian(spread)))
    shift = np.array([(np.nan, np.nan) if place is None else place for place in places])
    clear = _clear_peaks(mean, sigma, scatter, peaks, shift)
    return _ReferenceImage(mean, full, scatter, shift, clear)


def _clear_peaks(
    image: ImageArray, sigma: float, scatter: float, single: list[Peaks], shift_px: FloatArray
) -> Peaks:
    """Return the peaks of the mean image that single frames show as well.

    Where a drift leaves few frames to average, at the edges most of all, the noise of one stands
    out of the mean, and a cosmic ray is clipped from none: two frames have to show a peak.

    `single`: peaks of the frames. `shift_px` (n, 2): where these lie, NaN where nobody knows.
    """
    peaks = Peaks.find(image, sigma, count=const.MOST_PEAKS)
    # Smoothing by a Gaussian of sigma s divides the noise of pixels by 2 sqrt(pi) s.
    clear = peaks.height_adu > const.PEAK_SIGMAS * scatter / (2.0 * np.sqrt(np.pi) * sigma)
    laid = np.isfinite(shift_px[:, 0])
    seen = np.zeros(clear.size, dtype=int)
    for frame in np.flatnonzero(laid):
        off_x = single[frame].x_px - peaks.x_px[:, None] - shift_px[frame, 0]
        off_y = single[frame].y_px - peaks.y_px[:, None] - shift_px[frame, 1]
        seen += (np.hypot(off_x, off_y) <= max(2.0, 1.5 * sigma)).any(axis=1)
    clear &= seen >= min(const.CLEAR_FRAMES, int(laid.sum()))
    if not clear.any():
        clear[:1] = True
    return Peaks(peaks.x_px[clear], peaks.y_px[clear], peaks.height_adu[clear])


def _mean_within(
    frames: ImageArray,
    moved: list[tuple[int, int, int]],
    hot: BoolArray,
    middle: ImageArray,
    limit: ImageArray,
    *,
    squared: bool = False,
) -> ImageArray:
    """Return the mean of what frames, laid on each other, differ from `middle`, far ones left out.

    `moved`: number of a frame, and by how much it is moved along x and y. NaN where no frame has a
    pixel.
    """
    from blursplit.compiled.frame_kernels import add_within

    total, count = np.zeros_like(middle), np.zeros_like(middle)
    add_within(frames, np.array(moved, dtype=np.int64), middle, limit, hot, squared, total, count)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(total / count)


def _registered(
    peaks: list[Peaks], shape: tuple[int, int], tolerance_px: float
) -> list[tuple[float, float] | None]:
    """Return the shift of each frame against the one with most stars, None where there is none.

    A frame or two that chance lays wrongly are clipped from the mean.

    The frame with most peaks may owe them to flipped bits or cosmic rays: where it fits less than
    half of the others, frames with an ordinary number are tried, and at last only those of their
    peaks that last. The one is taken that finds most pairs of stars in other frames: a lone star
    that a drift leaves at the edge fits more frames than the field that drifted out.
    """
    count = np.array([min(p.x_px.size, 15) for p in peaks])
    numbers = np.sort(count)[[round(share * (len(peaks) - 1)) for share in (0.5, 0.25, 0.75)]]
    usual = [int(np.argmax(count == number)) for number in numbers]  # the first frame of each
    best: list[tuple[float, float] | None] = [None] * len(peaks)
    most = (0, 0)
    whole = ((i, peaks[i]) for i in (int(np.argmax(count)), *usual))
    lasting = ((i, peaks[i].lasting(peaks, tolerance_px)) for i in usual)
    for own, pattern in itertools.chain(whole, lasting):
        how = {"tolerance_px": tolerance_px, "false_match": const.UNSURE_MATCH}
        found = [pattern.register(one, shape, turns_deg=(0.0,), **how) for one in peaks]
        places = [None if one is None else (one.shift_x_px, one.shift_y_px) for one in found]
        fitting = len(places) - places.count(None)
        others = (one.matched for i, one in enumerate(found) if one is not None and i != own)
        worth = sum(matched**2 for matched in others), fitting
        if worth > most:
            best, most = places, worth
        if 2 * fitting > len(peaks):
            break
    if most == (0, 0):
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


def _sum_core(share: ImageArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Sum an image over 7x7 pixels about each place."""
    window = np.lib.stride_tricks.sliding_window_view(np.pad(share, 3), (7, 7))
    near = window[np.rint(y).astype(int), np.rint(x).astype(int)]
    return np.asarray(near.sum(axis=(1, 2)), dtype=float)


# --- stars to follow ------------------------------------------------------------------------------
@dataclass(frozen=True)
class Field:
    """The stars to follow and what else is known of the field."""

    # `x_px`, `y_px`, `flux_adu`: (n_stars,): in the reference image, brightest first.
    x_px: FloatArray
    y_px: FloatArray
    flux_adu: FloatArray
    sigma_px: float  # median one-axis sigma of the stars
    # All bright peaks of the reference image, saturated and double ones too: for registering.
    pattern: Peaks
    image_adu: ImageArray  # (ny, nx): registered mean of early frames
    hot: BoolArray  # (ny, nx)
    saturation_adu: float | None
    clipped: bool  # stretched for display with clipped cores: positions can be used, shapes cannot
    # (n_early, 2): where the first frames lie against the reference image, NaN where nobody knows
    shift_px: FloatArray
    refused: dict[str, int]  # reason -> number of sources refused

    @classmethod
    def find(cls, sequence: Sequence, max_stars: int = 60) -> Field:
        """Return the stars worth following, from a registered mean of early frames.

        `max_stars`: keep at most so many: half of them the brightest, the others spread over the
        field.

        Raises TooFewStarsError when no star is found; InputError when all stars are saturated.
        """
        source = sequence.source
        frames = _read_early_frames(source, sequence.name)
        plain_mean = _mean_of(frames)
        hot = _find_lasting_hot_pixels(frames, plain_mean)
        limit = _find_saturation(frames, hot, sequence.instrument.get("saturation_adu"))
        sigma = _find_width(frames, plain_mean, hot, limit, sequence.name)
        early = _register_mean(frames, sigma, hot, limit, sequence.name)
        del frames
        stretched = any(code == "eight-bit" for code, _ in sequence.notes)
        return _choose(sequence.name, early, sigma, hot, limit, max_stars, stretched=stretched)


def _measure(
    image: ImageArray, x: FloatArray, y: FloatArray, sigma: float, hot: BoolArray
) -> dict[str, FloatArray]:
    """Measure sources of one image: position, flux, width, elongation."""
    half = int(np.ceil(4.5 * sigma)) + 4
    padded = np.pad(np.where(hot, np.nan, image), half, constant_values=np.nan)
    x0, y0 = np.rint(x).astype(int), np.rint(y).astype(int)
    window = np.lib.stride_tricks.sliding_window_view(padded, (2 * half + 1, 2 * half + 1))
    stamps = window[y0, x0].astype(np.float32)
    sky, variance = measure_sky(stamps)
    complete_sky(stamps, sky, variance)
    shapes = WindowedShapes.measure(fill_gaps(stamps, sky), sky, const.WINDOW_OVER_SIGMA * sigma)
    return {
        "x": shapes.x_px + x0 - half,
        "y": shapes.y_px + y0 - half,
        "flux": shapes.flux_adu,
        "core": shapes.core_adu,
        "width": shapes.width_px,
        "e1": shapes.e1,
        "e2": shapes.e2,
    }


def _detect(image: ImageArray, sigma: float, most: int) -> Peaks:
    """Return the sources of an image, brightest first.

    Smoothed by less than the stars' own sigma, so that close neighbours stay apart and are seen
    to be there; the wider smoothing that is taken off removes slopes of the background.
    """
    sky, _ = robust_level(image)
    known = np.isfinite(image)
    clean = np.where(known, image, np.float32(sky))
    smooth = smoothed(clean, const.DETECTION_WIDTH * sigma)[0] - smoothed(clean, 3.0 * sigma)[0]
    middle, scatter = robust_level(smooth)
    y, x = local_maxima(smooth, middle + const.DETECTION_SIGMAS * scatter, int(np.ceil(sigma)))
    y, x = y[known[y, x]], x[known[y, x]]
    order = np.argsort(-smooth[y, x], kind="stable")[: max(most, 100)]
    y, x = y[order], x[order]
    return Peaks(x.astype(float), y.astype(float), smooth[y, x].astype(float) - middle)


def _choose(
    name: str,
    early: _ReferenceImage,
    sigma: float,
    hot: BoolArray,
    limit: float | None,
    max_stars: int,
    *,
    stretched: bool,
) -> Field:
    image = early.image
    sources = _detect(image, sigma, 4 * max_stars)
    found = _measure(image, sources.x_px, sources.y_px, sigma, np.zeros_like(hot))
    refused, good, width = _refuse(early, sources, found, sigma, stretched=stretched)
    if not good.any():
        _explain_nothing(name, refused)
    picked = _spread(found, good, image.shape, max_stars)
    return Field(
        x_px=found["x"][picked],
        y_px=found["y"][picked],
        flux_adu=found["flux"][picked],
        sigma_px=float(np.clip(width, *const.SIGMA_RANGE_PX)),
        pattern=early.peaks,
        image_adu=image,
        hot=hot,
        saturation_adu=None if stretched else limit,
        clipped=stretched and limit is not None,
        shift_px=early.shift_px,
        refused={reason: n for reason, n in refused.items() if n},
    )


def _refuse(
    early: _ReferenceImage,
    sources: Peaks,
    found: dict[str, FloatArray],
    sigma: float,
    *,
    stretched: bool,
) -> tuple[dict[str, int], BoolArray, float]:
    """Return how many sources each reason refuses, a mask of those left, and the star width."""
    ny, nx = early.image.shape
    x, y = sources.x_px, sources.y_px
    margin = const.EDGE_SIGMAS * sigma + 2.0
    snr = found["core"] / np.sqrt(np.pi) / (const.WINDOW_OVER_SIGMA * sigma * early.scatter)
    clipped = _sum_core(early.clipped_share, x, y)
    # In pictures stretched for display the cores are clipped as a rule; as long as no more than
    # the disk within one sigma is, the flanks still give the position (but not the shape).
    too_clipped = np.pi * sigma**2 if stretched else const.OFTEN_CLIPPED
    with np.errstate(invalid="ignore"):
        reasons: dict[str, BoolArray] = {
            "edge": np.minimum.reduce([x, y, nx - 1 - x, ny - 1 - y]) < margin,
            "saturated": clipped > too_clipped,
            "shapeless": ~np.isfinite(found["x"] + found["width"]),
            "faint": ~(snr >= const.SMALLEST_SNR),
        }
        # A peak is a whole pixel, up to half a diagonal off the star that made it.
        astray = max(sigma, const.HALF_DIAGONAL_PX)
        off = np.hypot(found["x"] - x, found["y"] - y)
        # A window that wanders off to a brighter neighbour measures that one.
        reasons["shapeless"] |= off > astray
        if not np.any(~np.logical_or.reduce(list(reasons.values()))):
            reasons["faint"] = ~(snr >= const.FAINTEST_SNR)
        left = ~np.logical_or.reduce(list(reasons.values()))
        left &= (clipped <= const.OFTEN_CLIPPED) | ~np.any(left & (clipped <= const.OFTEN_CLIPPED))
        sample = np.flatnonzero(left)[:25]
        width, e1, e2 = sigma, 0.0, 0.0
        if sample.size:
            width, e1, e2 = (float(np.median(found[n][sample])) for n in ("width", "e1", "e2"))
        odd_shape = np.hypot(found["e1"] - e1, found["e2"] - e2) > const.MOST_ELONGATED
        reasons["narrower than the stars"] = found["width"] < const.NARROWEST * width
        reasons["extended"] = (found["width"] > const.WIDEST * width) | odd_shape
        reasons["blended"] = _is_blended(sources, sigma)
        # In a crowd few stars stand alone. One whose neighbours are fainter and share its motion
        # is better than none, so long as the window settles on the peak itself.
        settled = (off < const.CROWD_OFFSET * sigma) & (found["width"] < const.CROWD_WIDEST * width)
        settled &= np.hypot(found["e1"], found["e2"]) < const.CROWD_ELONGATED
        settled &= snr > const.CROWD_SNR
    alone = ~np.logical_or.reduce(list(reasons.values()))
    if alone.sum() < const.CROWD_STARS:
        reasons["extended"] &= ~settled
        reasons["blended"] &= ~settled
    counts: dict[str, int] = {}
    good = np.ones(x.size, dtype=bool)
    for reason, mask in reasons.items():
        counts[reason] = int((good & mask).sum())
        good &= ~mask
    whole = good & alone & (clipped <= const.OFTEN_CLIPPED)
    single = found["width"][whole if whole.any() else good]
    return counts, good, float(np.median(single)) if single.size else sigma


def _is_blended(pattern: Peaks, sigma: float) -> BoolArray:
    distance = np.hypot(pattern.x_px[:, None] - pattern.x_px, pattern.y_px[:, None] - pattern.y_px)
    matters = pattern.height_adu[None, :] > const.BLEND_SHARE * pattern.height_adu[:, None]
    near = (distance < const.BLEND_SIGMAS * sigma) & matters
    np.fill_diagonal(near, val=False)
    return np.asarray(near.any(axis=1), dtype=bool)


def _explain_nothing(name: str, refused: dict[str, int]) -> None:
    if refused["saturated"] and refused["saturated"] >= 0.5 * sum(refused.values()):
        remedy = "shorten the exposure or lower the gain"
        raise InputError(name, "all usable stars are saturated", remedy)
    found = ", ".join(f"{n} {reason}" for reason, n in refused.items() if n)
    if not found:
        raise _no_star(name)
    problem = f"no star can be followed ({found})"
    remedy = "choose a field with an isolated star of moderate brightness, away from the edges"
    raise TooFewStarsError(name, problem, remedy)


def _spread(
    found: dict[str, FloatArray], good: BoolArray, shape: tuple[int, ...], max_stars: int
) -> NDArray[np.intp]:
    """Pick the brightest half, then the brightest of each of 4 x 4 cells in turn."""
    order = np.flatnonzero(good)
    order = order[np.argsort(-found["flux"][order], kind="stable")]
    if order.size <= max_stars:
        return order
    bright, rest = order[: (max_stars + 1) // 2], order[(max_stars + 1) // 2 :]
    cell = (4 * found["y"][rest] // shape[0]).astype(int) * 4
    cell += (4 * found["x"][rest] // shape[1]).astype(int)
    rank = np.array([int((cell[:i] == cell[i]).sum()) for i in range(rest.size)])
    spread = rest[np.argsort(rank, kind="stable")][: max_stars - bright.size]
    picked = np.concatenate([bright, spread])
    return picked[np.argsort(-found["flux"][picked], kind="stable")]
