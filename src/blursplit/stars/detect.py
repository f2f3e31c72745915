"""Which stars to follow: detection on a registered mean of early frames, and what is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.errors import InputError, TooFewStarsError
from blursplit.stars.centroid import WINDOW_OVER_SIGMA, fill_gaps, measure_sky, measure_windowed
from blursplit.stars.register import (
    MAX_PEAKS,
    Peaks,
    find_hot_pixels,
    find_peaks,
    register,
    robust_level,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.frames import FrameSource, Sequence

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    Image = NDArray[np.float32]

MEAN_FRAMES = 40
MEAN_BYTES = 120_000_000
CLIP_SIGMAS = 4.0
FIRST_SIGMA_PX = 1.7  # FWHM of 4 px, to begin with
SIGMA_RANGE_PX = (0.5, 12.0)
# Shares of the median star width beyond which a source is no star of this field.
NARROWEST, WIDEST, MOST_ELONGATED = 0.65, 1.5, 0.35
# A neighbour at 4.5 star sigmas, three windows, has a weight of 0.011 in the centroid.
BLEND_SIGMAS = 4.5
BLEND_SHARE = 0.15
# What is let through where fewer than so many stars stand alone.
CROWD_STARS, CROWD_OFFSET, CROWD_WIDEST, CROWD_ELONGATED = 12, 0.5, 1.9, 0.7
EDGE_SIGMAS = 3.0  # two windows
SATURATED_SHARE = 0.97
OFTEN_CLIPPED = 0.2  # of the early frames
SMALLEST_SNR = 10.0
FAINTEST_SNR = 5.0


@dataclass(frozen=True)
class _Early:
    """Registered mean of early frames, and what single frames say that the mean hides."""

    image: Image
    clipped_share: Image  # share of frames in which a pixel is saturated
    scatter: float  # of the sky of one frame
    shift_x_px: float  # of frame 0
    shift_y_px: float


@dataclass(frozen=True)
class Field:
    """The stars to follow and what else is known of the field.

    Parameters
    ----------
    x_px, y_px, flux_adu : ndarray, shape (n_stars,)
        In the reference image, brightest first.
    sigma_px : float
        Median one-axis sigma of the stars.
    pattern : Peaks
        All bright peaks of the reference image, saturated and double ones too: for registering.
    image_adu : ndarray, shape (ny, nx)
        Registered mean of early frames.
    hot : ndarray of bool, shape (ny, nx)
    saturation_adu : float or None
    shift_x_px, shift_y_px : float
        Where the first frame lies against the reference image.
    refused : dict
        Reason -> number of sources refused.
    """

    x_px: FloatArray
    y_px: FloatArray
    flux_adu: FloatArray
    sigma_px: float
    pattern: Peaks
    image_adu: Image
    hot: BoolArray
    saturation_adu: float | None
    shift_x_px: float
    shift_y_px: float
    refused: dict[str, int]


def find_stars(sequence: Sequence, max_stars: int = 60) -> Field:
    """Return the stars worth following, from a registered mean of early frames.

    Parameters
    ----------
    sequence : Sequence
    max_stars : int
        Keep at most so many: half of them the brightest, the others spread over the field.

    Raises
    ------
    TooFewStarsError
        When no star is found.
    InputError
        When all stars are saturated.
    """
    source = sequence.source
    frames = _early_frames(source)
    plain_mean = _mean(frames)
    hot = find_hot_pixels(plain_mean)
    limit = _saturation(frames, hot, sequence.instrument.get("saturation_adu"))
    sigma = _first_width(frames, plain_mean, hot, sequence.name)
    early = _registered_mean(frames, sigma, hot, limit)
    del frames
    return _choose(sequence.name, early, sigma, hot, limit, max_stars)


def _early_frames(source: FrameSource) -> Image:
    ny, nx = source.shape
    count = int(np.clip(MEAN_BYTES // (4 * ny * nx), 3, MEAN_FRAMES))
    return source.read(0, min(count, source.n_frames))


def _mean(frames: Image) -> Image:
    finite = np.isfinite(frames)
    if finite.all():
        return np.asarray(frames.mean(axis=0), dtype=np.float32)
    count = finite.sum(axis=0)
    total = np.where(finite, frames, 0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def _saturation(frames: Image, hot: BoolArray, declared: float | None) -> float | None:
    """Return the level of saturation: declared, or seen as a pile-up at the highest value."""
    values = frames[:, ~hot]
    top = float(np.nanmax(values)) if np.isfinite(values).any() else 0.0
    _, scatter = robust_level(frames[0])
    # Stars do not reach exactly the same height; five equal maxima a frame are a ceiling.
    piled = int((values >= top - 0.01 * scatter).sum()) >= max(5, 2 * len(frames))
    found = top if piled and top > 10.0 * scatter else None
    known = [level for level in (declared, found) if level is not None]
    return min(known) if known else None


def _first_width(frames: Image, mean: Image, hot: BoolArray, name: str) -> float:
    """Return the sigma of the bright stars of a single frame (or of the mean)."""
    for image in (*frames[:3], mean):
        sigma = FIRST_SIGMA_PX
        for _ in range(4):
            width = _width_at(image, sigma, hot)
            if width is None:
                break
            last, sigma = sigma, float(np.clip(width, *SIGMA_RANGE_PX))
            if abs(sigma / last - 1.0) < 0.05:  # noqa: PLR2004
                break
        else:
            width = sigma
        if width is not None:
            return sigma
    raise TooFewStarsError(
        name,
        "no star was found in the first frames",
        "check focus, exposure and that the frames are light frames of a star field",
    )


def _width_at(image: Image, sigma: float, hot: BoolArray) -> float | None:
    """Return the lower quartile of the widths of the brightest peaks, or None without a peak.

    Smoothed by s, the peak of a Gaussian star of sigma w has a height in proportion to
    1 / (w^2 + s^2); two amounts of smoothing give w. Only the innermost pixels take part, so
    that neighbours do little; what they do is to widen, and the lower quartile holds the stars
    that stand alone.
    """
    from scipy.ndimage import gaussian_filter

    peaks = find_peaks(image, max(0.7 * sigma, 1.0), hot=hot, count=24)
    if peaks.x_px.size == 0:
        return None
    less, more = 0.5 * sigma, sigma
    sky, _ = robust_level(image)
    clean = np.where(hot | ~np.isfinite(image), np.float32(sky), image) - np.float32(sky)
    x, y = peaks.x_px.astype(int), peaks.y_px.astype(int)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = gaussian_filter(clean, less)[y, x] / gaussian_filter(clean, more)[y, x]
        width = np.sqrt((more**2 - ratio * less**2) / (ratio - 1.0))
    width = width[np.isfinite(width)]
    return float(np.quantile(width, 0.25)) if width.size else None


def _measure(
    image: Image, x: FloatArray, y: FloatArray, sigma: float, hot: BoolArray
) -> dict[str, FloatArray]:
    """Measure sources of one image: position, flux, width, elongation."""
    half = int(np.ceil(4.5 * sigma)) + 4
    padded = np.pad(np.where(hot, np.nan, image), half, constant_values=np.nan)
    x0, y0 = np.rint(x).astype(int), np.rint(y).astype(int)
    window = np.lib.stride_tricks.sliding_window_view(padded, (2 * half + 1, 2 * half + 1))
    stamps = window[y0, x0].astype(np.float32)
    sky = measure_sky(stamps)[0]
    shapes = measure_windowed(fill_gaps(stamps, sky), sky, WINDOW_OVER_SIGMA * sigma)
    return {
        "x": shapes.x_px + x0 - half,
        "y": shapes.y_px + y0 - half,
        "flux": shapes.flux_adu,
        "core": shapes.core_adu,
        "width": shapes.width_px,
        "e1": shapes.e1,
        "e2": shapes.e2,
    }


def _registered_mean(frames: Image, sigma: float, hot: BoolArray, limit: float | None) -> _Early:
    """Shift frames by whole pixels on the one with most stars, clip outliers, and average."""
    peaks = [find_peaks(frame, sigma, hot=hot) for frame in frames]
    pattern = peaks[int(np.argmax([min(p.x_px.size, 15) for p in peaks]))]
    kept: list[Image] = []
    first = (0.0, 0.0)
    for i, frame in enumerate(frames):
        found = register(
            pattern,
            peaks[i],
            frame.shape,
            tolerance_px=max(2.0, 1.5 * sigma),
            turns_deg=(0.0,),
        )
        if found is None:
            continue
        if i == 0:
            first = (found.shift_x_px, found.shift_y_px)
        clean = np.where(hot, np.nan, frame)
        kept.append(_shifted(clean, -round(found.shift_x_px), -round(found.shift_y_px)))
    stack = np.stack(kept)
    del kept
    clipped = np.zeros(stack.shape[1:], dtype=np.float32)
    if limit is not None:
        clipped = np.asarray((stack >= SATURATED_SHARE * limit).mean(axis=0), dtype=np.float32)
    scatter = robust_level(stack[0])[1]
    mean = _mean(stack)
    if len(stack) > 4:  # noqa: PLR2004 - fewer leave nothing to clip against
        spread = np.sqrt(_mean(np.square(stack - mean)))
        middle = np.median(stack, axis=0) if np.isfinite(stack).all() else mean
        stack[np.abs(stack - middle) > CLIP_SIGMAS * np.maximum(spread, 1e-6)] = np.nan
        mean = _mean(stack)
    return _Early(mean, clipped, scatter, *first)


def _shifted(image: Image, by_x: int, by_y: int) -> Image:
    """Move an image by whole pixels; NaN comes in from outside."""
    if by_x == 0 and by_y == 0:
        return image
    out = np.full_like(image, np.nan)
    ny, nx = image.shape
    if abs(by_x) >= nx or abs(by_y) >= ny:
        return out
    to_y, from_y = slice(max(by_y, 0), ny + min(by_y, 0)), slice(max(-by_y, 0), ny - max(by_y, 0))
    to_x, from_x = slice(max(by_x, 0), nx + min(by_x, 0)), slice(max(-by_x, 0), nx - max(by_x, 0))
    out[to_y, to_x] = image[from_y, from_x]
    return out


def _choose(
    name: str, early: _Early, sigma: float, hot: BoolArray, limit: float | None, max_stars: int
) -> Field:
    image = early.image
    pattern = find_peaks(image, sigma, count=max(4 * max_stars, 100))
    found = _measure(image, pattern.x_px, pattern.y_px, sigma, np.zeros_like(hot))
    refused, good, width = _refuse(early, pattern, found, sigma)
    if not good.any():
        _explain_nothing(name, refused)
    picked = _spread(found, good, image.shape, max_stars)
    brightest = min(MAX_PEAKS, pattern.x_px.size)
    return Field(
        x_px=found["x"][picked],
        y_px=found["y"][picked],
        flux_adu=found["flux"][picked],
        sigma_px=float(np.clip(width, *SIGMA_RANGE_PX)),
        pattern=Peaks(
            pattern.x_px[:brightest], pattern.y_px[:brightest], pattern.height_adu[:brightest]
        ),
        image_adu=image,
        hot=hot,
        saturation_adu=limit,
        shift_x_px=early.shift_x_px,
        shift_y_px=early.shift_y_px,
        refused={reason: n for reason, n in refused.items() if n},
    )


def _refuse(
    early: _Early, pattern: Peaks, found: dict[str, FloatArray], sigma: float
) -> tuple[dict[str, int], BoolArray, float]:
    """Return how many sources each reason refuses, a mask of those left, and the star width."""
    ny, nx = early.image.shape
    margin = EDGE_SIGMAS * sigma + 2.0
    snr = found["core"] / np.sqrt(np.pi) / (WINDOW_OVER_SIGMA * sigma * early.scatter)
    clipped = _core_sum(early.clipped_share, pattern.x_px, pattern.y_px)
    with np.errstate(invalid="ignore"):
        reasons: dict[str, BoolArray] = {
            "edge": (pattern.x_px < margin)
            | (pattern.x_px > nx - 1 - margin)
            | (pattern.y_px < margin)
            | (pattern.y_px > ny - 1 - margin),
            "saturated": clipped > OFTEN_CLIPPED,
            "shapeless": ~np.isfinite(found["x"] + found["width"]),
            "faint": ~(snr >= SMALLEST_SNR),
        }
        if not np.any(~np.logical_or.reduce(list(reasons.values()))):
            reasons["faint"] = ~(snr >= FAINTEST_SNR)
        left = ~np.logical_or.reduce(list(reasons.values()))
        sample = np.flatnonzero(left)[:25]
        width = float(np.median(found["width"][sample])) if sample.size else sigma
        e1 = float(np.median(found["e1"][sample])) if sample.size else 0.0
        e2 = float(np.median(found["e2"][sample])) if sample.size else 0.0
        odd_shape = np.hypot(found["e1"] - e1, found["e2"] - e2) > MOST_ELONGATED
        reasons["narrower than the stars"] = found["width"] < NARROWEST * width
        reasons["extended"] = (found["width"] > WIDEST * width) | odd_shape
        reasons["blended"] = _is_blended(pattern, sigma)
        # In a crowd few stars stand alone. One whose neighbours are fainter and share its motion
        # is better than none, so long as the window settles on the peak itself.
        off = np.hypot(found["x"] - pattern.x_px, found["y"] - pattern.y_px)
        settled = (off < CROWD_OFFSET * sigma) & (found["width"] < CROWD_WIDEST * width)
        settled &= np.hypot(found["e1"], found["e2"]) < CROWD_ELONGATED
    alone = ~np.logical_or.reduce(list(reasons.values()))
    if alone.sum() < CROWD_STARS:
        reasons["extended"] &= ~settled
        reasons["blended"] &= ~settled
    counts: dict[str, int] = {}
    good = np.ones(pattern.x_px.size, dtype=bool)
    for reason, mask in reasons.items():
        counts[reason] = int((good & mask).sum())
        good &= ~mask
    single = found["width"][alone] if alone.any() else found["width"][good]
    return counts, good, float(np.median(single)) if single.size else sigma


def _core_sum(share: Image, x: FloatArray, y: FloatArray) -> FloatArray:
    """Sum an image over 7x7 pixels about each place."""
    padded = np.pad(share, 3)
    window = np.lib.stride_tricks.sliding_window_view(padded, (7, 7))
    return np.asarray(window[y.astype(int), x.astype(int)].sum(axis=(1, 2)), dtype=float)


def _is_blended(pattern: Peaks, sigma: float) -> BoolArray:
    distance = np.hypot(pattern.x_px[:, None] - pattern.x_px, pattern.y_px[:, None] - pattern.y_px)
    matters = pattern.height_adu[None, :] > BLEND_SHARE * pattern.height_adu[:, None]
    near = (distance < BLEND_SIGMAS * sigma) & matters
    np.fill_diagonal(near, val=False)
    return np.asarray(near.any(axis=1), dtype=bool)


def _explain_nothing(name: str, refused: dict[str, int]) -> None:
    if refused["saturated"] and refused["saturated"] >= 0.5 * sum(refused.values()):
        raise InputError(
            name, "all usable stars are saturated", "shorten the exposure or lower the gain"
        )
    found = ", ".join(f"{n} {reason}" for reason, n in refused.items() if n) or "none found"
    raise TooFewStarsError(
        name,
        f"no star can be followed ({found})",
        "choose a field with an isolated star of moderate brightness, away from the edges",
    )


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
