"""Which stars to follow: detection on a registered mean of early frames, and what is refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import (
    BLEND_SHARE,
    BLEND_SIGMAS,
    CROWD_ELONGATED,
    CROWD_OFFSET,
    CROWD_SNR,
    CROWD_STARS,
    CROWD_WIDEST,
    DETECTION_SIGMAS,
    DETECTION_WIDTH,
    EDGE_SIGMAS,
    FAINTEST_SNR,
    HALF_DIAGONAL_PX,
    MOST_ELONGATED,
    MOST_PEAKS,
    NARROWEST,
    OFTEN_CLIPPED,
    PEAK_SIGMAS,
    SIGMA_RANGE_PX,
    SMALLEST_SNR,
    WIDEST,
    WINDOW_OVER_SIGMA,
)
from blursplit.errors import InputError, TooFewStarsError
from blursplit.frames import Sequence
from blursplit.stars.centroid import measure_windowed
from blursplit.stars.pixels import complete_sky, fill_gaps, measure_sky
from blursplit.stars.reference_image import (
    ReferenceImage,
    find_lasting_hot_pixels,
    find_saturation,
    find_width,
    mean_of,
    no_star,
    read_early_frames,
    register_mean,
    sum_core,
)
from blursplit.stars.register import Peaks, find_peaks, local_maxima, robust_level, smoothed
from blursplit.types import BoolArray, FloatArray, ImageArray


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
    # `shift_x_px`, `shift_y_px`: where the first frame lies against the reference image.
    shift_x_px: float
    shift_y_px: float
    refused: dict[str, int]  # reason -> number of sources refused


def find_stars(sequence: Sequence, max_stars: int = 60) -> Field:
    """Return the stars worth following, from a registered mean of early frames.

    `max_stars`: keep at most so many: half of them the brightest, the others spread over the field.

    Raises TooFewStarsError when no star is found; InputError when all stars are saturated.
    """
    source = sequence.source
    frames = read_early_frames(source, sequence.name)
    plain_mean = mean_of(frames)
    hot = find_lasting_hot_pixels(frames, plain_mean)
    limit = find_saturation(frames, hot, sequence.instrument.get("saturation_adu"))
    sigma = find_width(frames, plain_mean, hot, limit, sequence.name)
    early = register_mean(frames, sigma, hot, limit, sequence.name)
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


def _detect(image: ImageArray, sigma: float, most: int) -> Peaks:
    """Return the sources of an image, brightest first.

    Smoothed by less than the stars' own sigma, so that close neighbours stay apart and are seen
    to be there; the wider smoothing that is taken off removes slopes of the background.
    """
    sky, _ = robust_level(image)
    known = np.isfinite(image)
    clean = np.where(known, image, np.float32(sky))
    smooth = smoothed(clean, DETECTION_WIDTH * sigma)[0] - smoothed(clean, 3.0 * sigma)[0]
    middle, scatter = robust_level(smooth)
    y, x = local_maxima(smooth, middle + DETECTION_SIGMAS * scatter, int(np.ceil(sigma)))
    y, x = y[known[y, x]], x[known[y, x]]
    order = np.argsort(-smooth[y, x], kind="stable")[: max(most, 100)]
    y, x = y[order], x[order]
    return Peaks(x.astype(float), y.astype(float), smooth[y, x].astype(float) - middle)


def _choose(
    name: str,
    early: ReferenceImage,
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
        sigma_px=float(np.clip(width, *SIGMA_RANGE_PX)),
        pattern=_clear_peaks(image, sigma, early.scatter),
        image_adu=image,
        hot=hot,
        saturation_adu=None if stretched else limit,
        clipped=stretched and limit is not None,
        shift_x_px=early.shift_x_px,
        shift_y_px=early.shift_y_px,
        refused={reason: n for reason, n in refused.items() if n},
    )


def _clear_peaks(image: ImageArray, sigma: float, scatter: float) -> Peaks:
    """Return the peaks of the mean image that a single frame shows as well."""
    peaks = find_peaks(image, sigma, count=MOST_PEAKS)
    # Smoothing by a Gaussian of sigma s divides the noise of pixels by 2 sqrt(pi) s.
    clear = peaks.height_adu > PEAK_SIGMAS * scatter / (2.0 * np.sqrt(np.pi) * sigma)
    if not clear.any():
        clear[:1] = True
    return Peaks(peaks.x_px[clear], peaks.y_px[clear], peaks.height_adu[clear])


def _refuse(
    early: ReferenceImage,
    sources: Peaks,
    found: dict[str, FloatArray],
    sigma: float,
    *,
    stretched: bool,
) -> tuple[dict[str, int], BoolArray, float]:
    """Return how many sources each reason refuses, a mask of those left, and the star width."""
    ny, nx = early.image.shape
    margin = EDGE_SIGMAS * sigma + 2.0
    snr = found["core"] / np.sqrt(np.pi) / (WINDOW_OVER_SIGMA * sigma * early.scatter)
    clipped = sum_core(early.clipped_share, sources.x_px, sources.y_px)
    # In pictures stretched for display the cores are clipped as a rule; as long as no more than
    # the disk within one sigma is, the flanks still give the position (but not the shape).
    too_clipped = np.pi * sigma**2 if stretched else OFTEN_CLIPPED
    with np.errstate(invalid="ignore"):
        reasons: dict[str, BoolArray] = {
            "edge": (sources.x_px < margin)
            | (sources.x_px > nx - 1 - margin)
            | (sources.y_px < margin)
            | (sources.y_px > ny - 1 - margin),
            "saturated": clipped > too_clipped,
            "shapeless": ~np.isfinite(found["x"] + found["width"]),
            "faint": ~(snr >= SMALLEST_SNR),
        }
        # A peak is a whole pixel, up to half a diagonal off the star that made it.
        astray = max(sigma, HALF_DIAGONAL_PX)
        strayed = np.hypot(found["x"] - sources.x_px, found["y"] - sources.y_px) > astray
        # A window that wanders off to a brighter neighbour measures that one.
        reasons["shapeless"] |= strayed
        if not np.any(~np.logical_or.reduce(list(reasons.values()))):
            reasons["faint"] = ~(snr >= FAINTEST_SNR)
        left = ~np.logical_or.reduce(list(reasons.values()))
        left &= (clipped <= OFTEN_CLIPPED) | ~np.any(left & (clipped <= OFTEN_CLIPPED))
        sample = np.flatnonzero(left)[:25]
        width = float(np.median(found["width"][sample])) if sample.size else sigma
        e1 = float(np.median(found["e1"][sample])) if sample.size else 0.0
        e2 = float(np.median(found["e2"][sample])) if sample.size else 0.0
        odd_shape = np.hypot(found["e1"] - e1, found["e2"] - e2) > MOST_ELONGATED
        reasons["narrower than the stars"] = found["width"] < NARROWEST * width
        reasons["extended"] = (found["width"] > WIDEST * width) | odd_shape
        reasons["blended"] = _is_blended(sources, sigma)
        # In a crowd few stars stand alone. One whose neighbours are fainter and share its motion
        # is better than none, so long as the window settles on the peak itself.
        off = np.hypot(found["x"] - sources.x_px, found["y"] - sources.y_px)
        settled = (off < CROWD_OFFSET * sigma) & (found["width"] < CROWD_WIDEST * width)
        settled &= (np.hypot(found["e1"], found["e2"]) < CROWD_ELONGATED) & (snr > CROWD_SNR)
    alone = ~np.logical_or.reduce(list(reasons.values()))
    if alone.sum() < CROWD_STARS:
        reasons["extended"] &= ~settled
        reasons["blended"] &= ~settled
    counts: dict[str, int] = {}
    good = np.ones(sources.x_px.size, dtype=bool)
    for reason, mask in reasons.items():
        counts[reason] = int((good & mask).sum())
        good &= ~mask
    whole = good & alone & (clipped <= OFTEN_CLIPPED)
    single = found["width"][whole if whole.any() else good]
    return counts, good, float(np.median(single)) if single.size else sigma


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
    found = ", ".join(f"{n} {reason}" for reason, n in refused.items() if n)
    if not found:
        raise no_star(name)
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
