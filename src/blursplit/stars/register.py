"""Where the field is in a frame: bright peaks, and the shift that lays a pattern on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.stars.robust import level_and_scatter, median_of
from blursplit.types import FloatArray, ImageArray, IntArray


@dataclass(frozen=True)
class Peaks:
    """Bright peaks of an image, brightest first."""

    # `x_px`, `y_px`: (n,): whole pixels.
    x_px: FloatArray
    y_px: FloatArray
    height_adu: FloatArray  # (n,): height above the background in the smoothed image

    @classmethod
    def find(
        cls,
        image_adu: NDArray[np.float32],
        sigma_px: float,
        *,
        hot: NDArray[np.bool_] | None = None,
        count: int = const.MOST_PEAKS,
    ) -> Peaks:
        """Return the brightest star-like peaks of a frame.

        `image_adu` (ny, nx): NaN pixels are taken as background. `sigma_px`: sigma of the stars;
        peaks are looked for in the image smoothed by it, less a wider one. `hot`: pixels to leave
        out. `count`: keep so many.
        """
        image = np.asarray(image_adu, dtype=np.float32)
        bad = ~np.isfinite(image) if hot is None else (~np.isfinite(image) | hot)
        if bad.any():
            image = np.where(bad, np.float32(robust_level(image)[0]), image)
        # Wide stars are as well seen in larger pixels, of which there are fewer.
        bins = int(np.clip(sigma_px / const.FINEST_SIGMA_PX, 1, const.MOST_BINNED))
        coarse = _binned(image, bins) if bins > 1 else image
        sigma = sigma_px / bins
        # A box as wide as a Gaussian of three sigmas costs a tenth of it.
        smooth, around = smoothed(coarse, sigma, int(np.ceil(5.2 * sigma)))
        smooth -= around
        middle, scatter = robust_level(smooth)
        y, x = local_maxima(smooth, middle + const.PEAK_SIGMAS * scatter, int(np.ceil(1.5 * sigma)))
        height = smooth[y, x] - middle
        order = np.argsort(-height, kind="stable")[:count]
        x, y, height = x[order], y[order], height[order]
        if bins > 1 and x.size:
            level = around[y, x] + np.float32(middle)
            middle_x, middle_y = bins * x + bins // 2, bins * y + bins // 2
            x, y, height = _sharpened(image, middle_x, middle_y, sigma_px, bins)
            height -= level
        return cls(x.astype(float), y.astype(float), height.astype(float))

    def register(
        self,
        peaks: Peaks,
        shape: tuple[int, int],
        *,
        tolerance_px: float,
        turns_deg: tuple[float, ...] = (0.0, 180.0),
        false_match: float = const.FALSE_MATCH,
    ) -> Registration | None:
        """Return the shift that lays this star pattern on the peaks of a frame, or None.

        Places of the pattern need not be whole pixels. `shape` (ny, nx): of the frame; turns are
        about its centre. `tolerance_px`: how far a matched peak may lie from its place.
        `turns_deg`: turns of the field to try; 180 is a telescope that has changed its side of the
        pier. `false_match`: matches as good that chance alone may find in a frame.

        Every pattern star and every peak vote for the shift between them. A shift is accepted when
        it matches 40 % of the stars that should be in the frame, at least three of them by peaks
        whose heights keep the stars' proportions within a factor of 2.5, and when chance would find
        so good a match among all shifts and turns tried in no more than `false_match` frames. The
        turn whose match is the least likely chance is taken. One or two stars are accepted only
        when every one of them is matched within a factor of three in height, two of them within 2.5
        of each other, and by the brightest peaks or, for two, with as little chance.
        """
        if peaks.x_px.size == 0 or self.x_px.size == 0:
            return None
        ny, nx = shape
        cx, cy = (nx - 1) / 2, (ny - 1) / 2
        best: Registration | None = None
        smallest = np.inf
        for turn in turns_deg:
            cos, sin = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
            x = cx + cos * (self.x_px - cx) - sin * (self.y_px - cy)
            y = cy + sin * (self.x_px - cx) + cos * (self.y_px - cy)
            turned = Peaks(x, y, self.height_adu)
            found, rank = _vote(turned, peaks, shape, tolerance_px, turn, len(turns_deg))
            # Equal ranks (one or two stars) go to the first turn tried, which is no turn.
            if found is not None and found.chance <= false_match and rank < smallest:
                best, smallest = found, rank
        return best

    def likeliest_shift(self, peaks: Peaks, tolerance_px: float) -> tuple[float, float]:
        """Return the shift for which most pairs of a star and a peak vote, whatever it is worth."""
        from blursplit.compiled.frame_kernels import densest_square

        dx = (peaks.x_px[None, :] - self.x_px[:, None]).ravel()
        dy = (peaks.y_px[None, :] - self.y_px[:, None]).ravel()
        # A pair of like rank is likelier to be the same star.
        ratio = peaks.height_adu[None, :] / np.maximum(self.height_adu[:, None], 1e-12)
        alike = np.exp(-0.5 * np.square(np.log(np.maximum(ratio, 1e-12)))).ravel() + 0.1
        column = np.floor((dx - dx.min()) / tolerance_px).astype(int)
        row = np.floor((dy - dy.min()) / tolerance_px).astype(int)
        height, width = int(row.max()) + 2, int(column.max()) + 2
        votes = np.bincount(row * width + column, alike, height * width).reshape(height, width)
        row0, column0 = divmod(densest_square(votes, row, column), width)
        near = np.isin(row - row0, (0, 1)) & np.isin(column - column0, (0, 1))
        return median_of(dx[near]), median_of(dy[near])

    def lasting(self, others: list[Peaks], tolerance_px: float) -> Peaks:
        """Return the peaks of a frame that most of the other frames show in the same places.

        Among few stars cosmic rays are as many as they, but no two frames show the same.

        `others`: of other frames, each laid on the pattern by its likeliest shift.
        """
        seen = np.zeros(self.x_px.size)
        for peaks in others:
            if peaks.x_px.size and seen.size:
                sx, sy = self.likeliest_shift(peaks, tolerance_px)
                off_x = peaks.x_px - self.x_px[:, None] - sx
                off_y = peaks.y_px - self.y_px[:, None] - sy
                seen += (np.hypot(off_x, off_y) <= tolerance_px).any(axis=1)
        kept = 2 * seen > len(others)
        return Peaks(self.x_px[kept], self.y_px[kept], self.height_adu[kept])


@dataclass(frozen=True)
class Registration:
    """How a star pattern lies in a frame: rotated by `turn_deg` about the centre, then shifted."""

    shift_x_px: float
    shift_y_px: float
    turn_deg: float
    chance: float = 0.0  # of finding as good a match where the field is not
    matched: int = 0  # stars of the pattern that lie on a peak


def robust_level(image: NDArray[np.float32]) -> tuple[float, float]:
    """Return median and 1.48 times the median deviation of an image (every few pixels of it)."""
    step = max(1, int(np.sqrt(image.size / const.SCATTER_PIXELS)))
    n, middle, deviation = level_and_scatter(image, step)
    if n == 0:
        return 0.0, 1.0
    if deviation:
        return middle, const.SIGMA_PER_MAD * deviation
    # Half of an image may be one and the same value (8-bit data, zeros): use its spread instead.
    sample = image[::step, ::step]
    return middle, float(sample[np.isfinite(sample)].std()) or 1.0


def _binned(image: ImageArray, bins: int) -> ImageArray:
    """Return the means of `bins` x `bins` pixels; what is left over at the far edges is cut off."""
    ny, nx = (bins * (length // bins) for length in image.shape)
    rows = np.add.reduce([image[i:ny:bins] for i in range(bins)])
    out = np.add.reduce([rows[:, i:nx:bins] for i in range(bins)])
    return np.asarray(out * np.float32(1.0 / bins**2))


def smoothed(image: ImageArray, sigma_px: float, half: int = 0) -> tuple[ImageArray, ImageArray]:
    """Return an image smoothed by a Gaussian, and its means over boxes of 2 half + 1 pixels."""
    from blursplit.compiled.frame_kernels import smooth_and_box

    smooth, around = np.empty_like(image), np.empty_like(image)
    smooth_and_box(image, _gaussian_weights(sigma_px), half, smooth, around)
    return smooth, around


def _gaussian_weights(sigma_px: float) -> ImageArray:
    """Return the weights of a Gaussian filter out to four sigmas."""
    far = int(4.0 * sigma_px + 0.5)
    kernel = np.exp(-0.5 * np.square(np.arange(-far, far + 1) / sigma_px))
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def smooth_near(
    image: ImageArray, x: IntArray, y: IntArray, sigma_px: float, reach: int = 0
) -> ImageArray:
    """Return what a Gaussian filter makes of the pixels within reach of some places.

    `image` (ny, nx): without NaN; continued beyond its edges by their own pixels. `x`, `y` (m,).

    Returns: (m, 2 reach + 1, 2 reach + 1) float32.
    """
    kernel = _gaussian_weights(sigma_px)
    far = kernel.size // 2
    weights = np.zeros((2 * reach + 1, 2 * (reach + far) + 1), dtype=np.float32)
    for i in range(2 * reach + 1):
        weights[i, i : i + 2 * far + 1] = kernel
    offset = np.arange(-reach - far, reach + far + 1)
    rows = np.clip(y[:, None] + offset, 0, image.shape[0] - 1)
    columns = np.clip(x[:, None] + offset, 0, image.shape[1] - 1)
    return np.asarray(weights @ image[rows[:, :, None], columns[:, None, :]] @ weights.T)


def _sharpened(
    image: ImageArray, x: IntArray, y: IntArray, sigma_px: float, bins: int
) -> tuple[IntArray, IntArray, ImageArray]:
    """Return places to the pixel and heights of peaks found in larger pixels, brightest first."""
    near = smooth_near(image, x, y, sigma_px, bins)
    wide = near.shape[-1]
    at = near.reshape(x.size, -1).argmax(axis=1)
    height = near.reshape(x.size, -1)[np.arange(x.size), at]
    x = np.clip(x + at % wide - bins, 0, image.shape[1] - 1)
    y = np.clip(y + at // wide - bins, 0, image.shape[0] - 1)
    return x, y, height


def local_maxima(
    image: NDArray[np.float32], threshold: float, reach: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows and columns of the pixels above a threshold that no pixel within reach tops."""
    from blursplit.compiled.frame_kernels import local_maxima

    places = np.empty(const.MOST_PEAKS, dtype=np.int64)
    n = local_maxima(image, threshold, reach, places)
    if n > places.size:
        places = np.empty(n, dtype=np.int64)
        local_maxima(image, threshold, reach, places)
    y, x = np.divmod(places[:n], image.shape[1])
    return y, x


def _vote(
    pattern: Peaks,
    peaks: Peaks,
    shape: tuple[int, int],
    tolerance: float,
    turn_deg: float,
    n_turns: int,
) -> tuple[Registration | None, float]:
    """Return the match at the shift most pairs vote for, and its rank: the smaller the better."""
    ny, nx = shape
    x, y, height = pattern.x_px, pattern.y_px, pattern.height_adu
    sx, sy = pattern.likeliest_shift(peaks, tolerance)
    place_x, place_y = x + sx, y + sy
    distance = np.hypot(peaks.x_px - place_x[:, None], peaks.y_px - place_y[:, None])
    matched = distance.min(axis=1) <= tolerance
    inside = (place_x >= 0) & (place_x <= nx - 1) & (place_y >= 0) & (place_y <= ny - 1)
    n, expected = int((matched & inside).sum()), int(inside.sum())
    if n == 0:
        return None, np.inf
    nearest = distance.argmin(axis=1)[matched]
    off_x, off_y = peaks.x_px[nearest] - x[matched], peaks.y_px[nearest] - y[matched]
    refined = median_of(off_x), median_of(off_y)
    log_ratio = np.log(peaks.height_adu[nearest] / height[matched])
    # All stars of a frame lose about the same share of their light.
    level = median_of(log_ratio)
    alike = int((np.abs(log_ratio - level) < const.LIKE)[inside[matched]].sum())
    log_height, log_peak = np.log(np.maximum(height, 1e-12)), np.log(peaks.height_adu)
    rivals = np.abs(log_peak - log_height[:, None] - level) < const.LIKE
    share = min(1.0, float(rivals[inside].sum(axis=1).mean()) * np.pi * tolerance**2 / (nx * ny))
    if x.size < const.SMALLEST_MATCH:
        whole = n == x.size and bool((np.abs(log_ratio) < const.FEW_LIKE).all())
        whole = whole and np.ptp(log_ratio) < const.LIKE
        trials = int((np.abs(log_peak - log_height[:, None]) < const.FEW_LIKE).sum())
        brightest = bool((nearest < x.size).all())
        chance = 0.0 if brightest else _chance(n, n, share, trials * n_turns)
        return (Registration(*refined, turn_deg, chance, n) if whole else None), 1.0
    chance = _chance(alike, expected, share, x.size * peaks.x_px.size * n_turns)
    enough = n >= const.MATCH_SHARE * expected and alike >= const.SMALLEST_MATCH
    return (Registration(*refined, turn_deg, chance, n) if enough else None), chance


def _chance(matched: int, expected: int, share: float, trials: int) -> float:
    """Return how many as good matches chance alone is to find in a frame.

    `matched`, `expected`: stars matched by a peak of fitting height, and stars that should be in
    the frame. `share`: mean probability that a peak of fitting height lies within the tolerance of
    a place. `trials`: shifts that were tried: every pair of a star and a peak makes one, in every
    turn.

    One star of a match lies on its peak because that pair made the shift. Each of the others
    has a probability of its own, and of all sets with one mean the binomial distribution has
    the largest upper tail (Hoeffding 1956). The window that holds the q matches, in x, y and
    the heights' common level, is then laid where it holds most: q of them fit into one that is
    free on an axis q times as often as into one that a given pair ties down, and each of the q
    pairs can be the given one, which leaves q^2 (Glaz, Naus and Wallenstein 2001).
    """
    from scipy.special import bdtrc

    tail = bdtrc(matched - 2, max(expected - 1, 0), share)
    return float(trials * matched**2 * tail)
