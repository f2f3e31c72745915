"""One block of frames: cut the stars out once and measure every one of them.

How far each frame lies off its expected place is told by the brightest stars.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.frames import FrameSource
from blursplit.frames.source import FileFrames, Packing
from blursplit.stars.centroid import (
    WindowedShapes,
    WindowSetup,
    kernel_window,
    measure_centroids,
)
from blursplit.stars.pixels import (
    RayHits,
    background_variance,
    border_places,
    brightest_near,
    complete_sky,
    fill_gaps,
    measure_sky,
    peaks_and_excess,
)
from blursplit.stars.robust import masked_median, runs
from blursplit.types import BoolArray, FloatArray, ImageArray, IntArray

Shape = tuple[int, int]


def _pick_guides(x_px: FloatArray, y_px: FloatArray, flux: FloatArray, shape: Shape) -> IntArray:
    """Return the brightest stars, those first that stay in the frame; x, y have shape (n, k)."""
    ny, nx = shape
    inside = (x_px > 0) & (x_px < nx - 1) & (y_px > 0) & (y_px < ny - 1)
    merit = flux * np.where(inside.all(axis=0), 1.0, 1e-6)
    return np.argsort(-merit, kind="stable")[: const.GUIDES].astype(np.int64)


def _guess_offsets(
    profiles: ImageArray, at_x: FloatArray, at_y: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Guess how far each frame lies off its expected place, to about half a pixel.

    `profiles` (n, g, 2, size) float32: sums along columns and rows of wide cut-outs of the
    brightest guide stars. `at_x`, `at_y` (n, g): where the stars were expected in them. `sigma`:
    star sigma [px].

    Smoothed by the star's width, the sums have their highest point at the star. The median of the
    stars' profiles is taken, so that a neighbour or a cosmic ray in one of them does no harm. What
    is guessed wrong shows when the stars are measured.
    """
    size = profiles.shape[-1]
    smooth = _smoothing(size, sigma)
    smooth -= smooth.mean(axis=0)  # the mean of what comes out is zero
    # One product for all of them: a small one for each frame takes three times as long. Along the
    # first axis numpy takes many maxima at once.
    height = (smooth @ profiles.reshape(-1, size).T).reshape(size, *profiles.shape[:-1])
    height /= np.maximum(height.max(axis=0), np.float32(1e-6))
    off_x, off_y = (
        _peak(_joined(height[..., axis]).T) - at.mean(axis=1)
        for axis, at in enumerate((at_x, at_y))
    )
    return off_x, off_y


def _smoothing(size: int, sigma: float) -> ImageArray:
    """Return the matrix that smooths a row of pixels by a Gaussian of unit height."""
    x = np.arange(size)
    smooth = np.exp(-0.5 * ((x[:, None] - x) / sigma) ** 2).astype(np.float32)
    # Products with numbers too small to be normal take a processor a hundred times as long.
    smooth[smooth < np.finfo(np.float32).tiny] = 0
    return smooth


def _joined(level: ImageArray) -> ImageArray:
    """Return the median over the stars, which are the last axis, or the sum of one or two."""
    g = level.shape[-1]
    if g <= 2:  # noqa: PLR2004 - of two profiles neither outvotes the other
        return np.asarray(level.sum(axis=-1))
    if g > const.FAST_GUIDES:
        return np.asarray(np.median(level, axis=-1))
    first, second, third = level[..., 0], level[..., 1], level[..., 2]
    return np.maximum(np.minimum(first, second), np.minimum(np.maximum(first, second), third))


def _peak(profile: ImageArray) -> FloatArray:
    """Return the place of the highest point of each row, refined by a parabola."""
    row = np.arange(len(profile))
    at = np.clip(np.ascontiguousarray(profile).argmax(axis=1), 1, profile.shape[1] - 2)
    left, middle, right = (profile[row, at + i].astype(float) for i in (-1, 0, 1))
    curve = left - 2.0 * middle + right
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(curve < 0, 0.5 * (left - right) / curve, 0.0)
    return np.asarray(at + np.clip(fine, -0.5, 0.5), dtype=float)


def _sum_cuts(cuts: ImageArray) -> ImageArray:
    """Return the sums along columns and rows of cut-outs, gaps filled with their means.

    `cuts` (n, g, size, size). Returns (n, g, 2, size), as `stamp_kernels.sum_stored` writes them.
    """
    known = np.isfinite(cuts)
    count = np.maximum(known.sum(axis=(2, 3), keepdims=True), 1)
    level = np.where(known, cuts, 0).sum(axis=(2, 3), keepdims=True) / count
    full = np.where(known, cuts, level).astype(np.float32)
    return np.stack([full.sum(axis=2), full.sum(axis=3)], axis=2)


def _find_doubtful(
    off_x: FloatArray, off_y: FloatArray, ratio: FloatArray, width: FloatArray, sigma: float
) -> IntArray:
    """Return the frames whose guide stars do not look like themselves at one common offset.

    `off_x`, `off_y` (n, g): where the guide stars were found against their expected places [px].
    `ratio`, `width` (n, g): flux and width over those expected. `sigma`: star sigma [px].
    """
    with np.errstate(invalid="ignore"):
        fits = (ratio > const.GUIDE_FLUX_RANGE[0]) & (ratio < const.GUIDE_FLUX_RANGE[1])
        fits &= (width > const.GUIDE_WIDTH_RANGE[0]) & (width < const.GUIDE_WIDTH_RANGE[1])
    middle_x, middle_y = masked_median(off_x, fits), masked_median(off_y, fits)
    with np.errstate(invalid="ignore"):
        far = np.hypot(off_x - middle_x[:, None], off_y - middle_y[:, None])
        agree = (fits & (far < const.GUIDE_SIGMAS * sigma + 1.0)).sum(axis=1)
    return np.flatnonzero(agree < max(1, (off_x.shape[1] + 1) // 2))


def _vote_offsets(
    cuts: ImageArray, at_x: FloatArray, at_y: FloatArray, flux: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Return how far each frame lies off its expected place, all guide stars voting in 2-D.

    Slower than `_guess_offsets`, and right where stars are faint or have neighbours.

    `cuts` (n, g, size, size). `at_x`, `at_y` (n, g). `flux` (g,).
    """
    sky, _ = measure_sky(cuts)
    n, _, size, _ = cuts.shape
    smooth = _smoothing(size, sigma)
    light = np.nan_to_num(cuts - sky[:, :, None, None].astype(np.float32))
    # For a star of the expected flux the filtered height is half its flux; a cosmic ray or a
    # neighbour counts for less than two such stars.
    height = np.matmul(np.matmul(smooth, light), smooth) / (0.5 * flux[:, None, None])
    joined = np.clip(height, -0.5, const.MOST_VOTES).sum(axis=1)
    edge = min(int(np.ceil(2.0 * sigma)), size // 2 - 1)
    inner = joined[:, edge : size - edge, edge : size - edge].reshape(n, -1)
    row, column = np.divmod(inner.argmax(axis=1), size - 2 * edge)
    off_x, off_y = column + edge - at_x.mean(axis=1), row + edge - at_y.mean(axis=1)
    return np.where(np.isfinite(off_x), off_x, 0.0), np.where(np.isfinite(off_y), off_y, 0.0)


# --- a block, star by star ------------------------------------------------------------------------
class _Cuts:
    """The stamps of a block: those of some stars are kept, others are cut again when asked for.

    Few are looked at after they were measured, and writing all of them out costs as much as
    copying them. What is not in files of its own would have to be made once more: all is kept.

    `start`: first frame of the block. `stars`: whose stamps to keep. `size`: their width. `room`
    (n, stars, width, width): where to keep them, if they fit.
    """

    def __init__(
        self,
        source: FrameSource,
        start: int,
        shape: Shape,
        stars: IntArray,
        setup: WindowSetup,
        room: ImageArray | None = None,
    ) -> None:
        every = not isinstance(source, FileFrames) or setup.method != "windowed"
        self.star = np.arange(shape[1]) if every else stars
        self.column = np.full(shape[1], -1)
        self.column[self.star] = np.arange(self.star.size)
        self.size = setup.cut
        whole = shape[0], self.star.size, self.size, self.size
        if room is None or room.shape != whole:
            room = np.empty(whole, dtype=np.float32)
        self.pixels = room
        self._source, self._start, self._setup = source, start, setup

    def part(self, rows: slice) -> _Cuts:
        """Return the stamps of some frames."""
        count = len(range(*rows.indices(len(self.pixels))))
        start = self._start + (rows.start or 0)
        part = _Cuts(self._source, start, (count, self.column.size), self.star, self._setup)
        part.pixels = self.pixels[rows]
        return part

    def of(self, frame: IntArray, star: IntArray, x0: IntArray, y0: IntArray) -> ImageArray:
        """Return stamps (m, size, size) of frames of the block, hot pixels blanked.

        `frame`, `star` (m,). `x0`, `y0` (n, k): corners of all stamps.
        """
        if (self.column[star] >= 0).all():
            return np.asarray(self.pixels[frame, self.column[star]])
        # As many stamps of each frame as the one has that asks for most, whichever stars they are.
        first, order = int(frame.min()), np.argsort(frame, kind="stable")
        row = frame[order] - first
        count = np.bincount(row)
        column = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
        rows = slice(first, first + count.size)

        def table(corner: IntArray) -> IntArray:
            out = np.repeat(corner[rows, star[0], None], count.max(), axis=1)
            out[row, column] = corner[frame[order], star[order]]
            return out

        near_x, near_y = table(x0), table(y0)
        begin, end = self._start + rows.start, self._start + rows.stop
        cuts = self._source.cut(begin, end, near_x, near_y, self.size)
        hot = self._setup.hot_near(near_x, near_y, self.size)
        kernels().blank_pixels(cuts, near_x, near_y, hot)
        place = np.empty_like(order)
        place[order] = row * count.max() + column
        return np.asarray(cuts.reshape(-1, self.size, self.size)[place])


@dataclass
class Block:
    """Measurements of a block, arrays of shape (n, k); positions are in the frame.

    `alive` says that a sample is credible by itself; stars are compared in `judge`. `star_term`
    and `background_term` are those of `WindowedShapes.variance_terms`.
    """

    x: FloatArray
    y: FloatArray
    star_term: FloatArray
    background_term: FloatArray
    flux: FloatArray
    width: FloatArray
    e1: FloatArray
    e2: FloatArray
    peak: FloatArray
    excess: FloatArray
    excess_noise: FloatArray
    sky: FloatArray
    snr: FloatArray
    alive: BoolArray
    saturated: BoolArray
    spiked: BoolArray
    empty: BoolArray
    x0: IntArray
    y0: IntArray
    cuts: _Cuts

    def rows(self, which: slice) -> Block:
        """Return some of the frames."""
        part = {name: getattr(self, name)[which] for name in _ARRAYS}
        return Block(**part, cuts=self.cuts.part(which))

    def put(self, rows: slice, other: Block) -> None:
        """Overwrite rows with those of another block (cuts of the same size)."""
        for name in _ARRAYS:
            getattr(self, name)[rows] = getattr(other, name)
        self.cuts.pixels[rows] = other.cuts.pixels

    def stamps(self, frame: IntArray, star: IntArray) -> ImageArray:
        """Return the stamps of some samples, (m, size, size); `frame`, `star` (m,)."""
        return self.cuts.of(frame, star, self.x0, self.y0)

    @classmethod
    def measure(
        cls,
        source: FrameSource,
        start: int,
        x_px: FloatArray,
        y_px: FloatArray,
        flux_adu: FloatArray,
        margin: int,
        setup: WindowSetup,
        *,
        steady: bool,
        keep: IntArray,
        room: ImageArray | None,
    ) -> Block:
        """Cut out and measure stars in frames from `start` on.

        `x_px`, `y_px` (n, k): where the stars are expected. `flux_adu` (k,): their expected flux.
        `margin`: how far the whole field may lie off its expected place. `steady`: the field hardly
        leaves its expected place: frames are not searched for it first. `keep`, `room`: stars whose
        stamps are kept, and where (see `_Cuts`).
        """
        guides = _pick_guides(x_px, y_px, flux_adu, source.shape)
        at_x, at_y = x_px, y_px
        if not steady:
            fast = guides[: const.FAST_GUIDES]
            where = x_px[:, fast], y_px[:, fast]
            sums, off_x, off_y = _sum_wide(source, start, *where, margin, setup)
            shift_x, shift_y = _guess_offsets(sums, off_x, off_y, setup.sigma_px)
            at_x, at_y = x_px + shift_x[:, None], y_px + shift_y[:, None]
        block = _measure_at(source, start, at_x, at_y, setup, keep, room)
        doubtful = np.zeros(len(x_px), dtype=bool)
        doubtful[
            _find_doubtful(
                (block.x - x_px)[:, guides],
                (block.y - y_px)[:, guides],
                (block.flux / flux_adu)[:, guides],
                (block.width / setup.sigma_px)[:, guides],
                setup.sigma_px,
            )
        ] = True
        for first, last in runs(doubtful):
            rows, begin = slice(first, last), start + first
            where = x_px[rows][:, guides], y_px[rows][:, guides]
            cuts, off_x, off_y = _cut_wide(source, begin, *where, margin, setup)
            shift_x, shift_y = _vote_offsets(cuts, off_x, off_y, flux_adu[guides], setup.sigma_px)
            voted = x_px[rows] + shift_x[:, None], y_px[rows] + shift_y[:, None]
            block.put(rows, _measure_at(source, begin, *voted, setup, keep))
        off = block.x - x_px, block.y - y_px
        rays = RayHits.find(
            block.excess, block.excess_noise, *off, block.flux / flux_adu, block.width
        )
        block.spiked[:] = rays.hit
        if rays.doubtful.any():
            usual = block.alive & ~rays.hit & ~rays.doubtful
            block.spiked |= rays.on_flanks(block.stamps, block.flux, block.excess_noise, usual)
        return block


_ARRAYS = tuple(field.name for field in fields(Block) if field.name != "cuts")


def _corners(centre: FloatArray, size: int) -> IntArray:
    return np.rint(centre).astype(np.int64) - size // 2


def _cut_wide(
    source: FrameSource,
    start: int,
    x_px: FloatArray,
    y_px: FloatArray,
    margin: int,
    setup: WindowSetup,
) -> tuple[ImageArray, FloatArray, FloatArray]:
    """Return wide cut-outs of guide stars, hot pixels blanked, and the stars' places in them."""
    size = setup.core + 2 * margin
    x0, y0 = _corners(x_px, size), _corners(y_px, size)
    cuts = source.cut(start, start + len(x_px), x0, y0, size)
    kernels().blank_pixels(cuts, x0, y0, setup.hot_near(x0, y0, size))
    return cuts, x_px - x0, y_px - y0


def _stored_pieces(
    source: FrameSource, start: int, stop: int
) -> Iterator[tuple[int, int, NDArray[Any] | None, Packing | None]]:
    """Yield runs that cover ``start:stop``, with their pixels as stored where there are such."""
    if isinstance(source, FileFrames):
        yield from source.stored_pieces(start, stop)
    else:
        yield start, stop, None, None


def _sum_wide(
    source: FrameSource,
    start: int,
    x_px: FloatArray,
    y_px: FloatArray,
    margin: int,
    setup: WindowSetup,
) -> tuple[ImageArray, FloatArray, FloatArray]:
    """Return the sums of what `_cut_wide` returns, made without the cut-outs where pixels allow."""
    size = setup.core + 2 * margin
    x0, y0 = _corners(x_px, size), _corners(y_px, size)
    hot = setup.hot_near(x0, y0, size)
    sums = np.empty((*x0.shape, 2, size), dtype=np.float32)
    for first, last, raw, packing in _stored_pieces(source, start, start + len(x0)):
        rows = slice(first - start, last - start)
        if packing is not None:
            kernels().sum_stored(raw, packing, x0[rows], y0[rows], hot, sums[rows])
            continue
        cuts = source.cut(first, last, x0[rows], y0[rows], size)
        kernels().blank_pixels(cuts, x0[rows], y0[rows], hot)
        sums[rows] = _sum_cuts(cuts)
    return sums, x_px - x0, y_px - y0


def _measure_at(
    source: FrameSource,
    start: int,
    x_px: FloatArray,
    y_px: FloatArray,
    setup: WindowSetup,
    keep: IntArray,
    room: ImageArray | None = None,
) -> Block:
    """Measure stars close to the given places, each frame by itself."""
    n, k = x_px.shape
    size = setup.cut
    x0, y0 = _corners(x_px, size), _corners(y_px, size)
    near = (x_px - x0).ravel(), (y_px - y0).ravel()
    cuts = _Cuts(source, start, (n, k), keep, setup, room)
    found = np.empty((const.STAMP_NUMBERS, n, k))
    hot = setup.hot_near(x0, y0, size)
    # Nearer to the edge than two windows a stamp holds too little of a star to tell its place.
    far_px = max(const.NEAR_PX, (size - 1) / 2 - 2.0 * setup.window_px)
    windows = tuple(kernel_window(size, setup.window_px, px) for px in (const.NEAR_PX, far_px))
    recipe = border_places(size)[0], windows, setup.brightest_reach(size)
    for first, last, raw, packing in _stored_pieces(source, start, start + n):
        rows = slice(first - start, last - start)
        if packing is not None:
            where = x0[rows], y0[rows], hot, x_px[rows], y_px[rows]
            to = cuts.column, cuts.pixels[rows], found[:, rows]
            kernels().measure_stored(raw, packing, *where, *recipe, *to)
            continue
        whole = source.cut(first, last, x0[rows], y0[rows], size)
        kernels().blank_pixels(whole, x0[rows], y0[rows], hot)
        at = (x_px[rows] - x0[rows]).ravel(), (y_px[rows] - y0[rows]).ravel()
        out = np.empty((const.STAMP_NUMBERS, len(at[0])))
        kernels().measure_stamps(whole.reshape(-1, size * size), *at, *recipe, out)
        found[:, rows] = out.reshape(found[:, rows].shape)
        cuts.pixels[rows] = whole[:, cuts.star]

    def stamps(which: IntArray) -> ImageArray:
        return cuts.of(*np.divmod(which, k), x0, y0)

    seen = _first_look(stamps, found.reshape(const.STAMP_NUMBERS, n * k), setup)
    sky, variance, brightest = seen.sky, seen.variance, seen.brightest
    whole, holed, shapes = _fill_and_measure(stamps, sky, *near, setup, far_px, seen.shapes)
    if holed.size:
        again = brightest_near(whole, shapes.x_px[holed], shapes.y_px[holed], setup)
        for kept, new in zip(brightest, again, strict=True):
            kept[holed] = new
    x, y = shapes.x_px, shapes.y_px
    holey = np.zeros(n * k, dtype=bool)
    if holed.size:
        holey[holed] = _is_holey(stamps(holed), x[holed], y[holed], setup)
    pixel_variance = background_variance(sky, variance, setup, (n, k), brightest[2])
    peak, excess, noise = peaks_and_excess(
        brightest, shapes, sky, pixel_variance, setup, ~holey.reshape(n, k)
    )
    star_term, background_term = shapes.variance_terms(setup.window_px, pixel_variance)
    snr = shapes.signal_to_noise(setup.window_px, setup.gain_e_per_adu, pixel_variance)
    with np.errstate(invalid="ignore"):
        saturated = peak + sky >= const.SATURATED_SHARE * (setup.saturation_adu or np.inf)
        ratio = shapes.width_px / setup.sigma_px
        alive = np.isfinite(x) & (snr > const.FAINTEST_CORE_SNR) & ~holey
        alive &= (ratio > const.GUIDE_WIDTH_RANGE[0]) & (ratio < const.GUIDE_WIDTH_RANGE[1])
    if setup.method != "windowed":
        filled = cuts.pixels.reshape(n * k, size, size).copy()
        filled[holed] = whole
        x, y = _other_centroid(filled, sky, x, y, alive, setup)
        alive &= np.isfinite(x)
    block = {
        "x": x + x0.ravel(),
        "y": y + y0.ravel(),
        "star_term": star_term,
        "background_term": background_term,
        "flux": shapes.flux_adu,
        "width": shapes.width_px,
        "e1": shapes.e1,
        "e2": shapes.e2,
        "peak": peak,
        "excess": excess,
        "excess_noise": noise,
        "sky": sky,
        "snr": snr,
        "alive": alive,
        "saturated": saturated,
        "spiked": np.zeros(n * k, dtype=bool),
        "empty": seen.empty,
    }
    return Block(**{key: v.reshape(n, k) for key, v in block.items()}, x0=x0, y0=y0, cuts=cuts)


@dataclass(frozen=True)
class _FirstLook:
    """What a pass over the stamps tells of stars near the middle of stamps without gaps."""

    sky: FloatArray
    variance: FloatArray
    empty: BoolArray
    shapes: WindowedShapes
    brightest: tuple[FloatArray, FloatArray, FloatArray, FloatArray]


Stamps = Callable[[IntArray], ImageArray]


def _first_look(stamps: Stamps, found: FloatArray, setup: WindowSetup) -> _FirstLook:
    sky, variance, x, y = found[:4]
    to_x, to_y, top, around = found[-4:]
    shapes = WindowedShapes.of_moments(x, y, found[4:-4], setup.window_px)
    variance *= border_places(setup.cut)[1]
    empty = ~np.isfinite(sky)
    bare = np.flatnonzero(empty)
    if bare.size:
        level, scatter = sky[bare], variance[bare]
        empty[bare] = complete_sky(stamps(bare), level, scatter)
        sky[bare], variance[bare] = level, scatter
    return _FirstLook(sky, variance, empty, shapes, (to_x, to_y, top, around))


def _fill_and_measure(
    stamps: Stamps,
    sky: FloatArray,
    at_x: FloatArray,
    at_y: FloatArray,
    setup: WindowSetup,
    far_px: float,
    shapes: WindowedShapes,
) -> tuple[ImageArray, IntArray, WindowedShapes]:
    """Fill the gaps of the stamps that have some, and measure these anew.

    `stamps`: gives those of some samples. `far_px`: how far from the middle of its stamp a star is
    looked for that is not near it.

    Returns `whole` (m, size, size) float32: the stamps that were measured anew; `holed`: which
    samples these are; `shapes`.
    """
    # A pixel that is not finite leaves no centroid, so only these need be looked through.
    holed = np.flatnonzero(np.isnan(shapes.x_px) & np.isfinite(sky))
    whole = np.empty((0, setup.cut, setup.cut), dtype=np.float32)
    if holed.size:
        whole = stamps(holed)
        gaps = ~np.isfinite(whole).all(axis=(1, 2))
        whole, holed = whole[gaps], holed[gaps]
        whole = fill_gaps(whole, sky[holed])
    left = np.arange(holed.size)
    for reach_px in (const.NEAR_PX, far_px):
        if left.size:
            few = holed[left]
            start = {"start_x_px": at_x[few], "start_y_px": at_y[few]}
            window = setup.window_px
            found = WindowedShapes.measure(
                whole[left], sky[few], window, **start, reach_px=reach_px
            )
            shapes = shapes.replaced(few, found)
            left = left[np.isnan(found.x_px)]
    return whole, holed, shapes


def _is_holey(stamps: ImageArray, x: FloatArray, y: FloatArray, setup: WindowSetup) -> BoolArray:
    """Say which stamps miss too many pixels under the window to be trusted.

    One or two lone pixels are filled from their neighbours; a frame's edge within 1.5 windows
    or a group of lost pixels is not.
    """
    size = stamps.shape[-1]
    position = np.arange(size)
    with np.errstate(invalid="ignore"):
        far_y = np.square(position[None, :, None] - y[:, None, None])
        far_x = np.square(position[None, None, :] - x[:, None, None])
        under = far_x + far_y < (1.5 * setup.window_px) ** 2
    lost = (~np.isfinite(stamps) & under).sum(axis=(1, 2))
    return np.asarray((lost > 2) | ~np.isfinite(x), dtype=bool)  # noqa: PLR2004


def _other_centroid(
    stamps: ImageArray,
    sky: FloatArray,
    x: FloatArray,
    y: FloatArray,
    alive: BoolArray,
    setup: WindowSetup,
) -> tuple[FloatArray, FloatArray]:
    """Replace windowed centroids by those of another method, in stamps cut to the star."""
    out_x, out_y = np.full_like(x, np.nan), np.full_like(y, np.nan)
    i = np.flatnonzero(alive)
    size, core = stamps.shape[-1], setup.core
    column = np.clip(np.rint(x[i]).astype(int) - core // 2, 0, size - core)
    row = np.clip(np.rint(y[i]).astype(int) - core // 2, 0, size - core)
    windows = np.lib.stride_tricks.sliding_window_view(stamps, (core, core), axis=(1, 2))
    near = windows[i, row, column]
    found_x, found_y = measure_centroids(near, sky[i], setup.window_px, setup.method)
    out_x[i], out_y[i] = found_x + column, found_y + row
    return out_x, out_y
