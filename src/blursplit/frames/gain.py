"""Electrons per ADU from the frames themselves, where no header can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.frames.source import FrameSource
from blursplit.types import FloatArray, IntArray


@dataclass(frozen=True)
class _Gain:
    """A measured gain with its standard error, and what it rests on."""

    e_per_adu: float
    error_e_per_adu: float
    stars: int
    frames: int


def estimate_gain(source: FrameSource, saturation_adu: float | None = None) -> _Gain | None:
    """Measure the gain from the variance of star pixels against their level.

    `source`: uncalibrated frames; the first 96 are used, stars in a window of at most 1024 pixels.
    `saturation_adu`: stars that come within 20 percent of it are left out.

    Returns: None where no star lends itself to it, or the error exceeds 30 percent.

    Photon transfer: the temporal variance of a pixel is read noise^2 + level / gain (Janesick
    2007, Photon Transfer, chapter 5; in ADU), so that the slope against the level is 1/gain
    whatever the pedestal. What moves, swells or twinkles is no noise: each frame's stamp is first
    fitted by its mean, the derivatives of that up to fourth order and a constant. The variance of
    what is left is compared with what the same fit leaves of noise that grows with the level,
    exactly: E[r_p^2] = sum_q (1 - H)_pq^2 (a + level_q / gain). Patterns that stand out of the
    residuals of a star (strong motion, neighbours) are taken out too; stars of which neighbouring
    pixels still vary together (speckles) are left out, which may leave none. The error joins a
    jackknife over 8 stretches of time with 5 percent for what such patterns leave or take away
    (found on simulated stars).
    """
    frames = min(const.GAIN_FRAMES, source.n_frames)
    if frames < const.GAIN_FEWEST_FRAMES:
        return None
    limit = np.inf if saturation_adu is None else 0.8 * saturation_adu
    stars = _bright_stars(source, min(const.GAIN_REFERENCE_FRAMES, frames), limit)
    if stars is None:
        return None
    stamps = _of_usual_brightness(_follow(source, frames, *stars))
    frames = stamps.shape[0]
    if frames < const.GAIN_FEWEST_FRAMES:
        return None
    usable = np.isfinite(stamps).all(axis=(0, 2, 3)) & (stamps.max(axis=(0, 2, 3)) < limit)
    if not usable.any():
        return None
    found = [_residuals(stamps[:, star]) for star in np.flatnonzero(usable)]
    parts = [part for part in found if part is not None]
    # Where most stars fail, those that pass do so by chance.
    return _slope(parts, frames) if 2 * len(parts) > len(found) else None


def _bright_stars(
    source: FrameSource, frames: int, limit_adu: float
) -> tuple[IntArray, IntArray] | None:
    """Return the corners of stamps around isolated bright maxima of the mean of early frames."""
    from scipy.ndimage import uniform_filter

    size = min(*source.shape, const.GAIN_WINDOW_PX)
    if size < 2 * const.GAIN_STAMP_PX:
        return None
    corner_x, corner_y = (source.shape[1] - size) // 2, (source.shape[0] - size) // 2
    x0, y0 = np.array([corner_x]), np.array([corner_y])
    total, count = np.zeros((size, size)), np.zeros((size, size))
    for number in range(frames):
        image = source.cut(number, number + 1, x0, y0, size)[0, 0]
        known = np.isfinite(image)
        total[known] += image[known]
        count += known
    if not count.any():
        return None
    mean = total / np.maximum(count, 1)
    mean[count == 0] = np.median(mean[count > 0])
    smooth = uniform_filter(mean, 3, mode="nearest")
    sky = float(np.median(smooth))
    # A sky clipped to one level has no noise; stars then stand out of all of the image's scatter.
    scatter = const.SIGMA_PER_MAD * float(np.median(np.abs(smooth - sky)))
    noise = scatter or 0.1 * float(smooth.std())
    margin = const.GAIN_STAMP_PX
    inner = smooth.copy()
    inner[:margin] = inner[-margin:] = inner[:, :margin] = inner[:, -margin:] = sky
    xs: list[int] = []
    ys: list[int] = []
    for _ in range(4 * const.GAIN_STARS):
        y, x = np.unravel_index(int(np.argmax(inner)), inner.shape)
        if inner[y, x] <= sky + 8 * noise or len(xs) == const.GAIN_STARS:
            break
        top, is_hot = _peak(mean, int(x), int(y), sky)
        if not is_hot and top < limit_adu:
            xs.append(corner_x + int(x) - const.GAIN_STAMP_PX // 2)
            ys.append(corner_y + int(y) - const.GAIN_STAMP_PX // 2)
        inner[max(y - margin, 0) : y + margin, max(x - margin, 0) : x + margin] = sky
    return (np.array(xs), np.array(ys)) if xs else None


def _peak(mean: FloatArray, x: int, y: int, sky: float) -> tuple[float, bool]:
    """Return the height of the peak near a place, and whether it is a lone hot pixel."""
    near = mean[y - 1 : y + 2, x - 1 : x + 2]
    row, column = divmod(int(np.argmax(near)), 3)
    y, x = y - 1 + row, x - 1 + column
    light = mean[y - 1 : y + 2, x - 1 : x + 2] - sky
    return float(mean[y, x]), bool(light.sum() < const.LONE_PIXEL * light[1, 1])


def _follow(source: FrameSource, frames: int, x0: IntArray, y0: IntArray) -> FloatArray:
    """Return stamps that follow the shared drift by whole pixels [frame, star, y, x]."""
    size = const.GAIN_STAMP_PX
    out = np.empty((frames, x0.size, size, size))
    shift = np.zeros(2, dtype=np.int64)
    axis = np.arange(size) - size // 2
    for number in range(frames):
        stamps = source.cut(number, number + 1, x0 + shift[0], y0 + shift[1], size)[0]
        out[number] = stamps
        if not np.isfinite(stamps).any(axis=(1, 2)).all():
            continue
        light = stamps - np.nanmedian(stamps, axis=(1, 2), keepdims=True)
        light = np.where(light > 0.2 * np.nanmax(light, axis=(1, 2), keepdims=True), light, 0.0)
        total = np.maximum(light.sum(axis=(1, 2)), 1e-9)
        away_x = np.median((light.sum(axis=1) @ axis) / total)
        away_y = np.median((light.sum(axis=2) @ axis) / total)
        if number % 4 == 3:  # noqa: PLR2004  drift, not the jitter of single frames
            shift += np.rint([away_x, away_y]).astype(np.int64)
    return out


def _of_usual_brightness(stamps: FloatArray) -> FloatArray:
    """Leave out frames that are blank, clouded or scaled otherwise: half or twice the usual."""
    with np.errstate(invalid="ignore"):
        light = stamps.max(axis=(2, 3)) - np.median(stamps, axis=(2, 3))
    light = light[:, np.isfinite(light).any(axis=0)]
    seen = np.isfinite(light).any(axis=1)
    stamps, light = stamps[seen], light[seen]
    if light.size == 0:
        return stamps
    usual = np.maximum(np.nanmedian(light, axis=0), 1e-9)
    ratio = np.nanmedian(light / usual, axis=1)
    return np.asarray(stamps[(ratio > 0.5) & (ratio < 2.0)])  # noqa: PLR2004


def _residuals(stamps: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Return squared residuals (frames, pixels) and what one fit leaves of unit and level noise.

    None where neighbouring pixels still go together: then light moved that no pattern took out.
    """
    frames = stamps.shape[0]
    mean = stamps.mean(axis=0)
    along_x = _derivatives(mean, axis=1)
    modes = [np.ones_like(mean)]
    modes += [
        along_y
        for order, slope in enumerate(along_x)
        for along_y in _derivatives(slope, axis=0)[: const.GAIN_MODE_ORDER + 1 - order]
    ]
    flat = stamps.reshape(frames, -1) - mean.ravel()
    level = mean.ravel() - np.median(mean)
    columns = np.stack([mode.ravel() for mode in modes], axis=1)
    for _ in range(const.GAIN_EXTRA_ROUNDS):
        basis = np.linalg.qr(columns)[0]
        residual = flat - (flat @ basis) @ basis.T
        spread = np.maximum(residual.std(axis=0), 1e-9)
        _, size, patterns = np.linalg.svd(residual / spread, full_matrices=False)
        # White noise stays below this edge (Marchenko & Pastur 1967); what exceeds it moves.
        strong = size > const.GAIN_EDGE_SLACK * (np.sqrt(frames) + np.sqrt(spread.size))
        if not strong.any():
            break
        columns = np.column_stack([columns, (patterns[strong] * spread).T])
    basis = np.linalg.qr(columns)[0]
    residual = flat - (flat @ basis) @ basis.T
    kept = np.eye(basis.shape[0]) - basis @ basis.T
    # what the fit itself makes of independent noise that grows with the level
    noise = (kept * np.maximum(level, 0.05 * level.max())) @ kept
    extra = _correlation(residual.T @ residual, level) - _correlation(noise, level)
    if abs(extra) > const.GAIN_CORRELATED:
        return None
    left = kept**2
    # Patterns taken from the data cost a degree of freedom in time each, as the mean does.
    found = columns.shape[1] - len(modes)
    squares = residual**2 * (frames / max(frames - 1 - found, 1))
    return squares, left.sum(axis=1), left @ level


def _correlation(covariance: FloatArray, level: FloatArray) -> float:
    """Return the correlation of pixels side by side where the star is bright."""
    bright = (level > 0.1 * level.max()).reshape(const.GAIN_STAMP_PX, const.GAIN_STAMP_PX)
    number = np.arange(level.size).reshape(const.GAIN_STAMP_PX, const.GAIN_STAMP_PX)
    across = bright[:, :-1] & bright[:, 1:]
    along = bright[:-1] & bright[1:]
    one = np.concatenate([number[:, :-1][across], number[:-1][along]])
    other = np.concatenate([number[:, 1:][across], number[1:][along]])
    if one.size == 0:
        return 0.0
    squares = 0.5 * np.sum(covariance[one, one] + covariance[other, other])
    # where nothing varies there is no noise to see
    return float(np.sum(covariance[one, other]) / squares) if squares > 0 else 1.0


def _derivatives(image: FloatArray, axis: int) -> list[FloatArray]:
    """Return an image and its derivatives along an axis, to order 4 on five points."""
    from scipy.ndimage import correlate1d

    # Fornberg (1988), Mathematics of Computation 51, 699, table 1.
    stencils = ((1, -8, 0, 8, -1), (-1, 16, -30, 16, -1), (-1, 2, 0, -2, 1), (1, -4, 6, -4, 1))
    return [image, *(correlate1d(image, stencil, axis, float, "nearest") for stencil in stencils)]


def _slope(parts: list[tuple[FloatArray, FloatArray, FloatArray]], frames: int) -> _Gain | None:
    level = np.concatenate([part[2] for part in parts])
    design = np.stack([np.concatenate([part[1] for part in parts]), level], axis=1)
    blocks = np.array_split(np.arange(frames), const.GAIN_TIME_BLOCKS)
    sums = np.stack(
        [np.concatenate([part[0][block].sum(axis=0) for part in parts]) for block in blocks]
    )
    counts = np.array([block.size for block in blocks], dtype=np.float64)
    slope = _fit(design, sums.sum(axis=0) / frames)
    if not slope > 0:
        return None
    left = (sums.sum(axis=0) - sums) / (frames - counts)[:, None]
    slopes = np.array([_fit(design, variance) for variance in left])
    spread = np.sum((slopes - slopes.mean()) ** 2)
    error = float(np.sqrt((const.GAIN_TIME_BLOCKS - 1) / const.GAIN_TIME_BLOCKS * spread))
    if not error < const.WORST_GAIN_FIT * slope:
        return None
    relative = float(np.hypot(error / slope, const.GAIN_SYSTEMATIC))
    return _Gain(1 / slope, relative / slope, len(parts), frames)


def _fit(design: FloatArray, variance: FloatArray) -> float:
    """Return d variance / d level by weighted least squares with clipping."""
    usual = float(np.median(variance))
    if not usual > 0:
        return 0.0  # most pixels never vary: clipped or repeated
    weight = np.full(variance.size, 1 / usual)
    keep = np.ones(variance.size, dtype=bool)
    fitted: FloatArray = np.zeros(design.shape[1])
    for _ in range(5):
        rows = design[keep] * weight[keep, np.newaxis]
        fitted = np.asarray(np.linalg.lstsq(rows, variance[keep] * weight[keep], rcond=None)[0])
        model = np.maximum(design @ fitted, 0.2 * usual)
        weight = 1 / model
        keep = variance < 4 * model
    return float(fitted[1])
