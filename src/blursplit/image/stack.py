"""Mean star images: frames shifted so that a reference falls on one place, and their widths."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.image.otf import HalfMaximum
from blursplit.stars.tracks import StarTracks
from blursplit.types import BoolArray, FloatArray, sure


@dataclass(frozen=True)
class _Restack:
    """Mean star images, one a kind of reference."""

    # (size, size) each: sky removed, flux 1. Larger than the cut-outs where the stars leave them.
    images: dict[str, FloatArray]
    # (n_blocks, size, size) each: of disjoint stretches of time, for the sampling error.
    blocks: dict[str, FloatArray]
    # (n_stamps, size, size) each: the same star by star.
    star_images: dict[str, FloatArray]
    frames: int  # frames added


@dataclass(frozen=True)
class BlurWindows:
    """Which blur-time window each frame lies in."""

    number: NDArray[np.int64]  # (n,)

    @classmethod
    def of(cls, time_s: FloatArray, segment: NDArray[np.int64], length_s: float) -> BlurWindows:
        """Cut each stretch into windows.

        A remainder shorter than half a window joins the window before it.
        """
        out = np.zeros(len(time_s), dtype=np.int64)
        first = 0
        for s in np.unique(segment):
            rows = segment == s
            t = time_s[rows] - time_s[rows][0]
            n = max(1, round(float(t[-1]) / length_s)) if length_s > 0 else 1
            out[rows] = first + np.minimum((t / max(length_s, 1e-9)).astype(np.int64), n - 1)
            first += n
        return cls(np.unique(out, return_inverse=True)[1])

    def about_mean(self, values: FloatArray) -> FloatArray:
        """Subtract from each column its mean over each window, ignoring NaN; shape (n, k)."""
        out = np.array(values, dtype=np.float64)
        seen = np.isfinite(out)
        for k, known in enumerate(seen.T):
            count = np.bincount(self.number, known)
            total = np.bincount(self.number, np.where(known, out[:, k], 0.0))
            out[:, k] -= (total / np.maximum(count, 1))[self.number]
        return out


def _restack(tracks: StarTracks, references: Mapping[str, FloatArray]) -> _Restack | None:
    """Add the stamps up, each frame shifted so that its reference falls on one place.

    `tracks`: with stamps. `references` (n_frames, n_stamps, 2) each:
    place (x, y) in the frame [px] that is brought to the middle; NaN leaves the frame out.

    Returns: none without stamps, with fewer than five usable frames, or with a path too long to
    draw.
    """
    from scipy.fft import irfft2, rfft2

    stamps = tracks.stamps
    if stamps is None or not len(stamps.star):
        return None
    size = stamps.pixels_adu.shape[-1]
    good = tracks.good[:, stamps.star]
    for reference in references.values():
        good = good & np.isfinite(reference).all(axis=2)
    if int(good.any(axis=1).sum()) < const.STACK_LEAST_FRAMES:
        return None
    n_blocks = min(const.JACKKNIFE_BLOCKS, tracks.n_frames)
    block = (np.arange(tracks.n_frames) * n_blocks) // tracks.n_frames
    corner = np.stack([stamps.x0_px, stamps.y0_px], axis=-1)
    shift = {n: reference - corner - (size - 1) / 2.0 for n, reference in references.items()}
    margin = {n: _margin(s[good], size) for n, s in shift.items()}
    if max(margin.values()) > const.STACK_LARGEST_MARGIN_PX:
        return None
    # A transform wraps what leaves the cut-out: whole pixels are moved in a larger image instead.
    pixels_of = {n: np.rint(np.nan_to_num(s)).astype(np.int64) for n, s in shift.items()}
    whole = {n: pixels * (margin[n] > 0) for n, pixels in pixels_of.items()}
    sides = {n: size + 2 * m for n, m in margin.items()}
    total = {n: np.zeros((n_blocks, len(stamps.star), m, m)) for n, m in sides.items()}
    order = np.rint(np.fft.fftfreq(size) * size).astype(np.int64)
    for k in range(len(stamps.star)):
        for rows, b in _batches(good[:, k], block):
            pixels = stamps.pixels_adu[rows, k].astype(np.float64)
            pixels -= stamps.sky_adu[rows, k, None, None]
            transform = rfft2(np.nan_to_num(pixels, copy=False))
            for n, s in shift.items():
                at = whole[n][rows, k]
                sx, sy = (s[rows, k] - at).T
                # Moving the reference to the middle is a shift by -s: phase +2 pi f s, by axes.
                shifted = transform * _phases(sx, size)[:, None, :]
                along_y = _phases(sy, size)[:, np.abs(order)]
                along_y = np.where(order < 0, along_y.conj(), along_y)
                if margin[n]:
                    moved = irfft2(shifted * along_y[:, :, None], s=(size, size))
                    for image, (x, y) in zip(moved, margin[n] - at, strict=True):
                        total[n][b, k, y : y + size, x : x + size] += image
                else:
                    # A product of matrices for each y adds the frames up.
                    added = (along_y.T[:, None] @ shifted.swapaxes(0, 1))[:, 0]
                    total[n][b, k] += irfft2(added, s=(size, size))
    return _to_images(total, int(good.any(axis=1).sum()))


def _to_mean_light(tracks: StarTracks, places: FloatArray, seen: HalfMaximum) -> FloatArray:
    """Return what leads from the stars' windowed places to the mean place of their light [px].

    A window settles on the bright part of a trail, so that frames laid on each other by it make too
    narrow a star. Trails are common to the stars, whose offsets are averaged by the square of their
    light; of each star the light within a circle counts, as wide as the sky's noise allows. A pixel
    beyond the star's own width that stands out from the nine about it is a cosmic ray's, which is
    outside the window and would pull the mean by pixels: their median takes its place.

    `places` (n_frames, n_stamps, 2); `seen`: width of the mean star so laid [px]. Returns shape
    (n_frames, 1, 2), about its mean; zero where the noise does not leave the circle the star.
    """
    from scipy.ndimage import median_filter

    stamps = sure(tracks.stamps)
    n, size = len(places), stamps.pixels_adu.shape[-1]
    at = places - np.stack([stamps.x0_px, stamps.y0_px], axis=-1)
    total, weight = np.zeros((n, 2)), np.zeros((n, 1))
    light = np.nan_to_num(stamps.pixels_adu - stamps.sky_adu[..., None, None])
    border = np.concatenate([light[:, :, 0], light[:, :, -1]], axis=2)
    seen_in = {k: rows for k, rows in enumerate(tracks.good[:, stamps.star].T) if rows.any()}
    signal, sky = np.zeros(light.shape[1]), np.zeros(light.shape[1])
    for k, rows in seen_in.items():
        sky[k] = max(const.SIGMA_PER_MAD * float(np.median(np.abs(border[rows, k]))), 1e-12)
        signal[k] = np.median(light[rows, k].sum(axis=(1, 2))) / sky[k]
    # The noise of the mean place in a circle of this radius is its square times the root of pi/4,
    # over signal to noise.
    noise = const.PLACE_NOISE * seen.mean / const.FWHM_PER_SIGMA
    quiet = np.sqrt(noise * float(np.linalg.norm(signal)) * 2.0 / np.sqrt(np.pi))
    reach = min(float(quiet), const.PLACE_REACH * seen.major, 0.5 * size)
    if reach < seen.mean:
        return np.zeros((n, 1, 2))
    index = np.arange(size)
    for k, rows in seen_in.items():
        dx, dy = (index - at[rows, k, axis, None] for axis in (0, 1))
        away = np.hypot(dy[:, :, None], dx[:, None, :])
        inside = light[rows, k]
        smooth = median_filter(inside, (1, 3, 3))
        hit = inside > 2.0 * np.maximum(smooth, 0.0) + const.SURE_SIGMAS * sky[k]
        inside = np.where(hit & (away > seen.mean), smooth, inside)
        inside *= np.clip(reach + 0.5 - away, 0.0, 1.0)
        flux = inside.sum(axis=(1, 2))
        sums = (inside.sum(axis=1) * dx).sum(axis=1), (inside.sum(axis=2) * dy).sum(axis=1)
        mean = np.stack(sums) / np.where(flux > 0, flux, np.inf)
        total[rows] += signal[k] ** 2 * (mean - np.median(mean, axis=1, keepdims=True)).T
        weight[rows] += signal[k] ** 2
    offset: FloatArray = total / np.maximum(weight, 1e-12)
    offset -= offset.mean(axis=0)
    return offset[:, None, :]


def _margin(shift_px: FloatArray, size: int) -> int:
    """Return how far beyond its cut-out a star's image reaches; 0 where it stays well inside."""
    reach = float(np.abs(shift_px).max(initial=0.0))
    return int(np.ceil(reach)) if reach > const.STACK_REACH * size else 0


def _phases(shift_px: FloatArray, size: int) -> NDArray[np.complex128]:
    """Return exp(2 pi i k s / size) of k = 0 to size / 2, shape (n, size // 2 + 1)."""
    turn = np.exp(2j * np.pi / size * shift_px)
    out = np.repeat(turn[:, None], size // 2 + 1, axis=1)
    out[:, 0] = 1.0
    # A power costs a product, which is a sixth of an exponential.
    np.multiply.accumulate(out, axis=1, out=out)
    return out


def _batches(good: BoolArray, block: NDArray[np.int64]) -> Iterator[tuple[NDArray[np.int64], int]]:
    """Yield the rows of some good frames at a time, all of one block, and its number."""
    for b in range(int(block[-1]) + 1):
        rows = np.flatnonzero(good & (block == b))
        for first in range(0, len(rows), const.STACK_BATCH):
            yield rows[first : first + const.STACK_BATCH], b


def _to_images(total: Mapping[str, FloatArray], frames: int) -> _Restack:
    images, blocks, stars = {}, {}, {}
    for name, each in total.items():
        flux = np.abs(each.sum(axis=(0, 2, 3)))
        flux[flux <= 0] = 1.0
        stars[name] = each.sum(axis=0) / flux[:, None, None]
        images[name] = stars[name].mean(axis=0)
        by_block = (each / flux[:, None, None]).sum(axis=1)
        level = by_block.sum(axis=(1, 2))
        full = level > 0
        blocks[name] = by_block[full] / level[full][:, None, None]
    return _Restack(images, blocks, stars, frames)


def _image_width(image: FloatArray, scale: float) -> HalfMaximum:
    """Return the half-maximum widths of a sampled star image whose sky is removed.

    `image` (n, n): star near the middle; resampled through its Fourier transform so that at least
    twelve points lie across the width (and at least four to a pixel). The widening by the pixels'
    own limit of detail is taken off. `scale`: size of a pixel in the unit wanted.
    """
    from scipy.ndimage import label

    pixels_across = max(2.0 * float(np.sqrt((image > 0.5 * image.max()).sum() / np.pi)), 1.0)
    factor = max(4, int(np.ceil(12.0 / pixels_across)))
    fine = _resample(image, factor)
    # A worm's star has a core at each turning point; a noise peak elsewhere is not the star.
    part, n_parts = label(fine > 0.5 * fine.max())
    size = np.bincount(part.ravel(), minlength=n_parts + 1)
    noise = size < const.IMAGE_PART * size[1:].max()
    fine = np.where(noise[part], 0.0, fine)
    rows, columns = np.nonzero(fine > 0.5 * fine.max())
    y0, y1 = max(int(rows.min()) - 3, 0), int(rows.max()) + 4
    x0, x1 = max(int(columns.min()) - 3, 0), int(columns.max()) + 4
    seen = HalfMaximum.of_core(fine[y0:y1, x0:x1], 1.0 / factor)
    # Each axis by its own width: the cores at both ends of a trail are as narrow as they are, how
    # ever far apart, and the circle of their area tells nothing of it.
    major, minor = _without_excess(seen.major), _without_excess(seen.minor)
    kept = float(np.sqrt(major * minor / (seen.major * seen.minor)))
    return HalfMaximum(seen.mean * kept * scale, major * scale, minor * scale, seen.angle_deg)


def _sampling_error(width_px: float) -> float:
    """Return the relative error of `_image_width` of a star of this width that pixels cause."""
    (level, fall), (scatter, scatter_fall) = const.PIXEL_EXCESS, const.PIXEL_EXCESS_SCATTER
    excess = const.PIXEL_EXCESS_ERROR * np.exp(level + fall * width_px)
    return float(np.hypot(excess, np.exp(scatter + scatter_fall * width_px)))


def _without_excess(seen_px: float) -> float:
    """Return the width that a star has whose sampled image has this one."""
    widths = np.linspace(const.LEAST_WIDTH_PX, 2.0 * const.LEAST_WIDTH_PX + seen_px, 400)
    level, fall = const.PIXEL_EXCESS
    return float(np.interp(seen_px, widths * (1.0 + np.exp(level + fall * widths)), widths))


def _resample(image: FloatArray, factor: int) -> FloatArray:
    """Return a band-limited image sampled `factor` times as finely, through its transform."""
    n = image.shape[0]
    transform = np.fft.fftshift(np.fft.fft2(image))
    if n % 2 == 0:  # the Nyquist row and column have no partner: drop them
        transform[0, :] = transform[:, 0] = 0.0
    padded = np.zeros((n * factor, n * factor), dtype=complex)
    first = (n * factor) // 2 - n // 2
    padded[first : first + n, first : first + n] = transform
    return np.asarray(np.fft.ifft2(np.fft.ifftshift(padded)).real * factor**2)


@dataclass(frozen=True)
class StarImages:
    """Restacked images and the widths of each."""

    stack: _Restack
    widths: dict[str, HalfMaximum]
    # (n_frames, n_stamps, 2): where each star lies in each frame [px].
    places_px: FloatArray

    def recorded_estimates(self) -> dict[str, Estimate | None]:
        """Return estimates of the recorded and registered width, in the unit of the scale."""
        recorded = self.widths["recorded"]
        error = self.error("recorded")
        angle_error = 0.5 * np.degrees(error / max(recorded.major - recorded.minor, 1e-9))
        is_round = recorded.major - recorded.minor < 2.0 * error
        registered = self.widths["registered"]
        angle = Estimate.with_error(recorded.angle_deg, float(angle_error))
        return {
            "mean": Estimate.with_error(recorded.mean, error),
            "major": Estimate.with_error(recorded.major, error),
            "minor": Estimate.with_error(recorded.minor, error),
            "angle": None if is_round else angle,
            "registered": Estimate.with_error(registered.mean, self.error("registered")),
        }

    def most_along_one_axis(self) -> float:
        """Return the rms that no motion inside the frames exceeds: the registered star's own."""
        most = self.widths["registered"].major + const.ONE_SIDED_95 * self.error("registered")
        return most / const.FWHM_PER_SIGMA

    def error(self, name: str) -> float:
        """Return the standard error of a width: spread between stars, and the flat field."""
        from scipy.stats import t as student_t

        mean = self.widths[name].mean
        stars = [w for w in (_safe_width(i) for i in self.stack.star_images[name]) if w]
        whole = _safe_width(self.stack.images[name]) or 1.0
        spread = 0.0
        if len(stars) > 1:
            few = float(student_t.ppf(const.ONE_SIGMA, len(stars) - 1))
            spread = few * float(np.std(stars, ddof=1) / np.sqrt(len(stars)))
        narrowest = self.widths[name].minor * whole / mean
        parts = spread / whole, const.LEAST_WIDTH_ERROR, _sampling_error(narrowest)
        return mean * float(np.linalg.norm(parts))

    @classmethod
    def of(
        cls,
        tracks: StarTracks,
        blur_time_s: float,
        scale: float,
        removed: Mapping[str, FloatArray],
        known: StarImages | None = None,
    ) -> StarImages | None:
        """Stack the stamps as recorded, registered, and with each motion removed; None without any.

        `blur_time_s`: windows of this length, each about its own mean place. `scale`: size of a
        pixel in the unit of the widths. `removed` (n_frames, 2) each: motion [px] to be shifted
        out, one image each. `known`: those as recorded and registered, which are not made again.
        """
        if tracks.stamps is None or not len(tracks.stamps.star):
            return None
        own = known.places_px if known else _places(tracks)
        windows = BlurWindows.of(tracks.time_s, tracks.segment, blur_time_s)
        flat = own.reshape(len(own), -1)
        still = (flat - windows.about_mean(flat)).reshape(own.shape)
        references = {"recorded": still, "registered": own} if known is None else {}
        for name, motion in removed.items():
            references[name] = still + windows.about_mean(motion)[:, None, :]
        stack = _restack(tracks, references)
        if stack is None:
            return None
        if known is not None:
            images = known.stack.images | stack.images
            return replace(known, stack=replace(known.stack, images=images))
        if _safe_width(stack.images["recorded"]) is None:
            return None
        widths = {name: _image_width(image, scale) for name, image in stack.images.items()}
        return cls(stack, widths, own)


def _places(tracks: StarTracks) -> FloatArray:
    """Return where each stacked star lies in each frame [px], shape (n_frames, n_stamps, 2)."""
    star = sure(tracks.stamps).star
    windowed = np.stack([tracks.x_px[:, star], tracks.y_px[:, star]], axis=-1)
    if tracks.exposure_s is None or tracks.exposure_s < const.LONG_FRAME_S:
        return windowed
    first = _restack(tracks, {"": windowed})
    if first is None or _safe_width(first.images[""]) is None:
        return windowed
    return windowed + _to_mean_light(tracks, windowed, _image_width(first.images[""], 1.0))


def _safe_width(image: FloatArray) -> float | None:
    """Width in pixels, None where noise has the upper hand."""
    border = np.concatenate([image[0], image[-1], image[:, 0], image[:, -1]])
    if image.max() < const.STACK_LEAST_SNR * max(float(np.std(border)), 1e-12):
        return None
    return _image_width(image, 1.0).mean
