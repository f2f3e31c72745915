"""What single pixels say of how frames were made: noise in time, beside and against the level.

Raw frames have noise of their own in every frame and every pixel, and it grows with the light.
Programs and cameras that repeat, average, filter or stretch frames leave their marks there.
"""

from __future__ import annotations

from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.frames import FrameSource
from blursplit.stars.detect import Field
from blursplit.stars.robust import level_and_scatter, masked_median, median_of
from blursplit.stars.tracks import PixelStatistics
from blursplit.types import BoolArray, FloatArray, IntArray


class BlankSky:
    """Looks at a few patches of blank sky in short runs of frames while stars are followed.

    With D_k the mean square of what a pixel changes in k frames, the correlation of its noise over
    k frames is 1 - D_k / D_far: a fixed pattern drops out. Differences of pixels side by side are
    taken, which removes the wings of stars and noise that a row shares. Neighbours are compared in
    differences of far frames, and what pixels five apart have in common (banding) is taken off.
    """

    def __init__(self, field: Field, n_frames: int) -> None:
        self.x0, self.y0 = _blank_patches(field)
        self.step = max(const.BLANK_RUN_STEP, n_frames // const.BLANK_RUNS)
        self.next = 0
        self.frames = 0
        self.change, self.changes = np.zeros((2, len(const.BLANK_LAGS) + 1))
        self.beside = np.zeros((2, 3))  # neighbours, pixels far apart, the pixel with itself
        self.count = np.zeros(2, dtype=np.int64)  # of all far frames, of those with the field alike
        self.alike, self.alikes = 0.0, 0
        self.still = self.moved = 0
        self.level = np.full(self.x0.size, np.nan)
        self.field = field
        self.hot_step, self.hot_next = max(1, n_frames // const.HOT_LOOKS), 0
        self.hot_still = self.hot_moved = 0
        self.hot: tuple[FloatArray, FloatArray] | None = None

    def look(self, source: FrameSource, start: int, stop: int, shift_px: FloatArray) -> None:
        """Look at the runs that are due in a block of frames which has just been read.

        `shift_px` (2, n): where the field lies in each frame of the block.
        """
        while self.hot_next < stop:
            frame = max(self.hot_next, start)
            self.hot_next = frame + self.hot_step
            if np.isfinite(shift_px[:, frame - start]).all():
                self._compare_hot(source, frame, shift_px[:, frame - start])
        while self.x0.size and self.next < stop:
            first = max(self.next, start)
            last = min(first + const.BLANK_RUN_FRAMES, stop)
            if last - first > const.BLANK_RUN_LAG:
                cuts = source.cut(first, last, self.x0, self.y0, const.BLANK_PATCH_PX)
                self._add(cuts.astype(float), shift_px[:, first - start : last - start])
            self.next = first + self.step

    def _compare_hot(self, source: FrameSource, frame: int, shift_px: FloatArray) -> None:
        """See whether lone bright pixels lie where they lay at the last look.

        All distances between two lists of pixels are counted by whole pixels. The place with most
        of them must stand out of chance (Poisson), and must not be where the stars went.
        """
        from scipy.special import pdtrc

        ny, nx = source.shape
        size = min(ny, nx, const.HOT_WINDOW_PX)
        x0, y0 = np.array([(nx - size) // 2]), np.array([(ny - size) // 2])
        image = source.cut(frame, frame + 1, x0, y0, size)[0, 0]
        x, y = _lone_pixels(image)
        x, y = x + x0[0], y + y0[0]
        off_x = x - (self.field.pattern.x_px + shift_px[0])[:, None]
        off_y = y - (self.field.pattern.y_px + shift_px[1])[:, None]
        reach = 2.5  # a star's own highest pixel, and a pixel of its own motion
        far = np.hypot(off_x, off_y).min(axis=0, initial=np.inf) > reach
        now = np.stack([x[far], y[far]]), shift_px
        before, self.hot = self.hot, now
        if before is None or not (now[0].size and before[0].size):
            return
        side = 2 * const.HOT_REACH_PX + 1
        apart = (now[0][:, :, None] - before[0][:, None, :]).reshape(2, -1) + const.HOT_REACH_PX
        near = apart[:, ((apart >= 0) & (apart < side)).all(axis=0)].astype(np.int64)
        table = np.bincount(near[0] * side + near[1], minlength=side**2).reshape(side, side)
        chance = now[0].shape[1] * before[0].shape[1] / size**2
        enough = 3
        while pdtrc(enough - 1, chance) > const.HOT_CHANCE:
            enough += 1
        best = np.unravel_index(int(table.argmax()), table.shape)
        place = np.array(best) - const.HOT_REACH_PX
        here = table[const.HOT_REACH_PX, const.HOT_REACH_PX]
        if here >= enough:
            self.hot_still += 1
        elif table[best] >= enough:
            apart_px = np.abs(place - (shift_px - before[1])).max()
            self.hot_moved += int(apart_px > 1.2)  # noqa: PLR2004 - rounding

    def _add(self, patch: FloatArray, shift_px: FloatArray) -> None:
        """Add a run, shape (frames, patches, y, x), and where the field lay in it."""
        from blursplit.compiled.frame_kernels import neighbour_products, patch_spread

        level = patch.mean(axis=(2, 3))
        clean = np.isfinite(level).all(axis=0)
        fixed = patch - level[:, :, None, None]
        change = fixed[const.BLANK_RUN_LAG :] - fixed[: -const.BLANK_RUN_LAG]
        spread = np.empty(change.shape[1])
        patch_spread(change, spread)
        spread /= 2.0 * 0.455
        with np.errstate(invalid="ignore"):
            # A star that comes in lifts the level, and a patch of it changes more than the others.
            known = np.isfinite(self.level)
            usual = masked_median(level, np.ones(level.shape, dtype=bool), axis=0)
            lifted = known & (np.abs(usual - self.level) > np.sqrt(spread))
            clean &= ~lifted & (spread <= 2.0 * median_of(spread[clean])) if clean.any() else clean
        self.level = np.where(known, self.level, usual)
        if not clean.any():
            return
        fixed, change = fixed[:, clean], change[:, clean]
        limit = 5.0 * np.sqrt(2.0 * median_of(spread[clean]))
        self.frames += len(patch)
        self._add_changes(np.diff(fixed, axis=3), limit)
        change = np.ascontiguousarray(change)
        for row, step in enumerate(const.BESIDE_STEPS):
            self.beside[0, row] += neighbour_products(change, step, limit) * change.size
        self.count[0] += change.size
        one, other = _alike(shift_px)
        if one.size:
            self._add_alike(fixed, one, other, limit)
        self._add_pattern(fixed)

    def _add_changes(self, fixed: FloatArray, limit: float) -> None:
        from blursplit.compiled.frame_kernels import clipped_changes

        images = np.ascontiguousarray(fixed).reshape(len(fixed), -1)
        for number, lag in enumerate((*const.BLANK_LAGS, *range(6, const.BLANK_RUN_FRAMES - 2))):
            if lag >= len(fixed):
                break
            pairs = len(fixed) - lag
            total, same = clipped_changes(images, lag, 1.5 * limit)
            row = min(number, len(const.BLANK_LAGS))
            self.change[row] += total
            self.changes[row] += (pairs - same) * images.shape[1]

    def _add_alike(self, fixed: FloatArray, one: IntArray, other: IntArray, limit: float) -> None:
        """Add frames with the field in one place, less each other."""
        from blursplit.compiled.frame_kernels import far_products

        fixed = np.ascontiguousarray(fixed)
        out = np.empty(len(const.BESIDE_STEPS) + 1)
        far_products(fixed, one, other, np.array(const.BESIDE_STEPS), limit, out)
        *products, square = out
        size = one.size * fixed[0].size
        self.beside[1] += np.array(products) * size
        self.count[1] += size
        self.alike += float(square)
        self.alikes += size - size // fixed.shape[-1]

    def _add_pattern(self, fixed: FloatArray) -> None:
        """Count frames whose fixed pattern lies where it lay before, or whole pixels from there."""
        from blursplit.compiled.frame_kernels import pattern_products

        reach = const.PATTERN_REACH_PX
        sharp = fixed[:, :, 1:-1, 1:-1] - 0.25 * (
            fixed[:, :, 2:, 1:-1] + fixed[:, :, :-2, 1:-1] + fixed[:, :, 1:-1, 2:]
            + fixed[:, :, 1:-1, :-2]
        )  # fmt: skip
        one, other = sharp[: -const.BLANK_RUN_LAG], sharp[const.BLANK_RUN_LAG :]
        size = sharp.shape[-1]
        side = 2 * reach + 1
        table = np.empty((len(one), side * side))
        pattern_products(one, other, reach, table)
        # The filter that sharpens correlates neighbours: 1.5 times the scatter of as many pixels.
        sigma = 1.5 / np.sqrt(one.shape[1] * (size - 2 * reach) ** 2)
        middle = side * side // 2
        here, best = table[:, middle], table.argmax(axis=1)
        top = table[np.arange(len(table)), best]
        self.still += int((here > const.PATTERN_SIGMAS * sigma).sum())
        elsewhere = (best != middle) & (here < 0.5 * top)
        self.moved += int((elsewhere & (top > const.PATTERN_SIGMAS * sigma)).sum())

    def statistics(self, noise: tuple[FloatArray, FloatArray, FloatArray]) -> PixelStatistics:
        """Return what was seen, joined with the noise of star pixels against their level."""
        far = self.change[-1] / self.changes[-1] if self.changes[-1] else np.nan
        near = self.change[:-1] / np.maximum(self.changes[:-1], 1)
        alike = self.alike / self.alikes if self.alikes > const.FEWEST_ALIKE else np.nan
        with np.errstate(invalid="ignore", divide="ignore"):
            # Faint stars that drift through the patches change far frames more than near ones, and
            # neighbours alike. Frames with the field in one place are free of that, but fewer.
            least = np.fmin(far, alike) if np.isfinite(alike) else far
            lags = np.where(least > 0, 1.0 - near / least, np.nan)
            beside = (self.beside[:, 0] - self.beside[:, 1]) / self.beside[:, 2]
        which = 0
        if beside[0] > const.NEIGHBOUR_CORRELATION:  # starlight makes no negative one
            which = 1
            if self.count[1] <= const.FEWEST_ALIKE:
                beside[1] = np.nan
        if lags[0] > const.MIXED_CORRELATION and not np.isfinite(alike):
            lags = np.full(len(const.BLANK_LAGS), np.nan)
        level = float(np.nanmedian(self.level)) if np.isfinite(self.level).any() else float("nan")
        return PixelStatistics(
            frames=self.frames,
            pixels=int(self.count[which]),
            sky_adu=level,
            sky_noise_adu=float(np.sqrt(far / 4.0)),
            lag_correlation=tuple(float(v) for v in lags),
            neighbour_correlation=float(beside[which]),
            pattern_still=self.still,
            pattern_moved=self.moved,
            hot_still=self.hot_still,
            hot_moved=self.hot_moved,
            noise_level_adu=tuple(float(v) for v in noise[0]),
            noise_variance_adu2=tuple(float(v) for v in noise[1]),
            noise_count=tuple(int(v) for v in noise[2]),
        )


_far_pairs = lru_cache(maxsize=8)(partial(np.triu_indices, k=6))


def _alike(shift_px: FloatArray) -> tuple[IntArray, IntArray]:
    """Return pairs of far frames in which the field lies in one place, to 0.3 px."""
    one, other = _far_pairs(shift_px.shape[1])
    with np.errstate(invalid="ignore"):
        near = np.hypot(*(shift_px[:, one] - shift_px[:, other])) < const.ALIKE_PX
    return one[near], other[near]


def _lone_pixels(image: NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """Return the pixels that stand far above all four neighbours, the clearest first."""
    from blursplit.compiled.frame_kernels import above_neighbours

    above = np.empty((image.shape[0] - 2, image.shape[1] - 2), dtype=np.float32)
    above_neighbours(image, above)
    step = max(1, int(np.sqrt(above.size / const.SCATTER_PIXELS)))
    _, middle, deviation = level_and_scatter(above, step)
    flat = above.ravel()
    scatter = max(const.SIGMA_PER_MAD * deviation, 0.5)
    lone = np.flatnonzero(flat > middle + const.HOT_SIGMAS * scatter)
    lone = lone[np.argsort(-flat[lone], kind="stable")[: const.MOST_LONE_PIXELS]]
    y, x = np.divmod(lone, above.shape[1])
    return x.astype(float) + 1.0, y.astype(float) + 1.0


def _blank_patches(field: Field) -> tuple[IntArray, IntArray]:
    """Return the corners of the emptiest patches of the reference image, away from its stars."""
    image = np.where(np.isfinite(field.image_adu), field.image_adu, np.inf)
    ny, nx = image.shape
    size = const.BLANK_PATCH_PX
    if min(ny, nx) < size + 2:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    xs = np.arange(1, nx - size, max(size, (nx - size) // 40))
    ys = np.arange(1, ny - size, max(size, (ny - size) // 40))
    y0, x0 = (grid.ravel() for grid in np.meshgrid(ys, xs, indexing="ij"))
    middle = (size - 1) / 2
    away = np.maximum(
        np.abs(x0[:, None] + middle - field.pattern.x_px),
        np.abs(y0[:, None] + middle - field.pattern.y_px),
    ).min(axis=1)
    # Sums along either axis where patches lie: small means would take a tenth of a second.
    with np.errstate(invalid="ignore"):
        rows = np.add.reduce([image[:, xs + i] for i in range(size)])
        mean = np.add.reduce([rows[ys + i] for i in range(size)]).ravel() / size**2
    usable: BoolArray = np.isfinite(mean) & (away > size / 2 + 3.0 * field.sigma_px)
    order = np.flatnonzero(usable)
    order = order[np.lexsort((mean[order], -np.minimum(away[order], size + 8.0 * field.sigma_px)))]
    best = order[: const.BLANK_PATCHES]
    return x0[best].astype(np.int64), y0[best].astype(np.int64)
