"""From what was measured to the tracks: bad stars and frames out, segments, notes, noise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, cast

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import TooFewStarsError, plain
from blursplit.frames import Sequence
from blursplit.result import Note
from blursplit.stars.block import Block
from blursplit.stars.detect import Field
from blursplit.stars.robust import masked_median, median_of, runs
from blursplit.stars.tracks import Stamps, StarTracks
from blursplit.types import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:  # which builds tracks with this file
    from blursplit.stars.tracker import Tracker

Notes = list[Note]
# Of a length that leaves the variance of independent pixels as it is.
_DIFFERENCE = np.array(const.FOURTH_DIFFERENCE) / np.linalg.norm(const.FOURTH_DIFFERENCE)
# The level that the variance of the filtered noise follows: the mean under the squared filter.
_LEVEL = _DIFFERENCE**2


def assemble_tracks(sequence: Sequence, field: Field, tracker: Tracker) -> StarTracks:
    """Return the tracks of a finished tracker.

    Raises TooFewStarsError when no star could be followed.
    """
    notes: Notes = []
    good = tracker.good.copy()
    stars = _steady_stars(tracker, good, notes)
    seen: BoolArray = np.asarray(good[:, stars].any(axis=1), dtype=bool)
    rows = np.flatnonzero(seen)
    dropped = _dropped(tracker, seen)
    if rows.size == 0 or stars.size == 0:
        problem = "no star could be followed through the frames"
        remedy = "check that the frames show one field, in focus, with stars that are not saturated"
        raise TooFewStarsError(sequence.name, problem, remedy)
    few = slice(None) if good.shape == (rows.size, stars.size) else np.ix_(rows, stars)
    good = good[few]
    take = {name: np.where(good, values[few], np.nan) for name, values in tracker.samples.items()}
    column_of = {int(star): i for i, star in enumerate(stars)}
    stamps = tracker.book.stamps(rows, column_of)
    curve = _noise_curve(stamps)
    gain = _gain(tracker, curve, notes)
    if field.clipped:
        stamps = None
        notes.append(("cores-clipped", {}))
    width = float(np.nanmedian(take["width"]))
    if _is_folded(width, take["x"], take["y"]):
        stamps = None
        notes.append(("undersampled", {"fwhm_px": const.FWHM_PER_SIGMA * width}))
    _describe(sequence, field, tracker, rows, stars, take["width"], dropped, notes)
    return StarTracks(
        time_s=sequence.time_s[rows],
        segment=_segments(sequence.segment, tracker, rows, notes),
        row_time_s=_row_time_s(sequence, take["y"], notes),
        x_px=take["x"],
        y_px=take["y"],
        sigma_px=np.sqrt(take["star_term"] / gain + take["background_term"]),
        flux_adu=take["flux"],
        width_px=take["width"],
        e1=take["e1"],
        e2=take["e2"],
        peak_adu=take["peak"],
        good=good,
        exposure_s=sequence.exposure_s,
        timing=cast("Literal['regular', 'jittered', 'irregular']", sequence.timing),
        cadence_s=sequence.cadence_s,
        start_utc=sequence.start_utc,
        frame=np.asarray(sequence.frame, dtype=np.int64)[rows],
        finder_adu=field.image_adu,
        stamps=stamps,
        pixels=tracker.blank.statistics(curve),
        window_px=tracker.setup.window_px if tracker.setup.method == "windowed" else None,
        notes=tuple(notes),
        dropped=dropped,
    )


def _is_folded(width_px: float, x_px: FloatArray, y_px: FloatArray) -> bool:
    """Return whether pixels fold too much detail of stars of this sigma into their mean images.

    A star that wanders over its pixels folds with a turning phase, which averages out.
    """
    folded = np.exp(-0.5 * (np.pi * width_px) ** 2)
    if folded <= const.MOST_FOLDED:  # whatever the phases are
        return width_px < const.NARROWEST_STACKED_PX
    fixed = max(abs(np.nanmean(np.exp(2j * np.pi * at))) for at in (x_px, y_px))
    return bool(folded * fixed > const.MOST_FOLDED or width_px < const.NARROWEST_STACKED_PX)


def _steady_stars(tracker: Tracker, good: BoolArray, notes: Notes) -> IntArray:
    """Return the stars, once each, that were seen often enough and did not move among others."""
    frames = max(int(good.any(axis=1).sum()), 1)
    often = good.sum(axis=0) >= const.RARELY_SEEN * frames
    if not often.any():
        often = good.sum(axis=0) == good.sum(axis=0).max()
    rare = int((~often).sum())
    if rare:
        notes.append(("stars-lost", {"stars": rare}))
    stars = np.flatnonzero(often)
    x, y = (tracker.samples[axis][:, stars] for axis in "xy")
    twin = _find_duplicates(x, y, good[:, stars], tracker.field.sigma_px)
    if twin.any():
        notes.append(("twins", {"sources": int(twin.sum())}))
        stars = stars[~twin]
    if stars.size > const.FEW_STARS:
        moving = _moving(tracker, good[:, stars], stars)
        if moving.any() and not moving.all():
            notes.append(("moving-source", {"sources": int(moving.sum())}))
            stars = stars[~moving]
    return stars.astype(np.int64)


def _find_duplicates(
    x_px: FloatArray, y_px: FloatArray, good: BoolArray, sigma_px: float
) -> BoolArray:
    """Say which tracks follow a star that another track follows longer, shape (k,).

    `x_px`, `y_px` (n, k). `good` (n, k). `sigma_px`: one-axis sigma of a star.
    """
    seen = good.sum(axis=0)
    twin = np.zeros(seen.size, dtype=bool)
    order = np.argsort(-seen, kind="stable")
    near = _ever_near(x_px, good, const.ONE_PEAK_SIGMAS * sigma_px)
    near &= _ever_near(y_px, good, const.ONE_PEAK_SIGMAS * sigma_px)
    for place, second in enumerate(order.tolist()):
        for first in order[:place].tolist():
            if twin[first] or not near[first, second]:
                continue
            both = good[:, first] & good[:, second]
            apart = [at[both, first] - at[both, second] for at in (x_px, y_px)]
            if np.median(np.hypot(*apart)) < const.ONE_PEAK_SIGMAS * sigma_px:
                twin[second] = True
                break
    return twin


def _ever_near(at_px: FloatArray, good: BoolArray, limit_px: float) -> BoolArray:
    """Say which pairs may ever be near each other along one axis, shape (k, k).

    What all stars of a frame share is taken off: it changes no distance.
    """
    own = at_px - masked_median(at_px, good)[:, None]
    low, high = (
        edge(np.where(good, own, np.nan), axis=0) for edge in (np.fmin.reduce, np.fmax.reduce)
    )
    with np.errstate(invalid="ignore"):
        return np.asarray((low[:, None] < high + limit_px) & (low < high[:, None] + limit_px))


def _moving(tracker: Tracker, good: BoolArray, stars: IntArray) -> BoolArray:
    """Say which sources drift against the field from the first to the last fifth they are seen."""
    x, y = tracker.expected_places()
    off_x = tracker.samples["x"][:, stars] - x[:, stars]
    off_y = tracker.samples["y"][:, stars] - y[:, stars]
    moved = np.full((stars.size, 2), np.nan)
    for i in range(stars.size):
        rows = np.flatnonzero(good[:, i])
        part = max(rows.size // 5, 1)
        for axis, off in enumerate((off_x, off_y)):
            first, last = off[rows[:part], i], off[rows[-part:], i]
            moved[i, axis] = median_of(last) - median_of(first)
    apart = np.hypot(*(moved - np.median(moved, axis=0)).T)
    typical = float(np.median(apart))
    return np.asarray(apart > max(const.DRIFT_APART_PX, 6.0 * typical), dtype=bool)


def _dropped(tracker: Tracker, seen: BoolArray) -> dict[str, int]:
    unreadable = tracker.unreadable & ~seen
    saturated = tracker.all_saturated & ~seen & ~unreadable
    lost: BoolArray = np.asarray(~seen & ~unreadable & ~saturated, dtype=bool)
    left = np.zeros_like(lost)
    for first, last in runs(~seen):
        # The longer a field is away, the less is known of where it should be.
        left[first:last] = tracker.out_of_frame[first:last].any()
    counts = {
        "unreadable": int(unreadable.sum()),
        "all stars saturated": int(saturated.sum()),
        "stars out of the frame": int((lost & left).sum()),
        "no star found": int((lost & ~left).sum()),
    }
    return {reason: n for reason, n in counts.items() if n}


_Curve = tuple[FloatArray, FloatArray, FloatArray]


def _noise_curve(stamps: Stamps | None) -> _Curve:
    """Return the noise of the brightest stamps' pixels against their level."""
    if stamps is None:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    every = max(1, stamps.pixels_adu.shape[0] // const.GAIN_STAMPS)
    return _noise_against_level(stamps.pixels_adu[::every, 0], stamps.sky_adu[::every, 0])


def _noise_against_level(
    stamps_adu: NDArray[np.float32], sky_adu: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return level above the sky, noise variance and number of star pixels, in bins of the level.

    `stamps_adu` (m, size, size) float32: stamps of unsaturated stars. `sky_adu` (m,).

    A fourth difference along both axes passes the noise of single pixels and hardly any of a
    sampled star image, whatever the air does from frame to frame. All are empty where the stamps
    are too few or too faint.
    """
    from blursplit.compiled.frame_kernels import filtered_noise, sums_in_bins

    nothing = np.zeros(0), np.zeros(0), np.zeros(0)
    whole = np.isfinite(stamps_adu).all(axis=(1, 2)) & np.isfinite(sky_adu)
    clean, sky = np.ascontiguousarray(stamps_adu[whole], dtype=np.float32), sky_adu[whole]
    if len(clean) < 20:  # noqa: PLR2004 - too few to bin
        return nothing
    inner = (len(clean), clean.shape[1] - 4, clean.shape[2] - 4)
    noise, level = np.empty(inner), np.empty(inner)
    filtered_noise(clean, sky, _DIFFERENCE, _LEVEL, noise, level)
    noise, level = noise.ravel(), level.ravel()
    floor = median_of(noise) / 0.455  # median of chi-square with one degree of freedom
    ordered = np.sort(level)
    if ordered[-200] <= const.GAIN_LEVEL_SIGMAS * np.sqrt(floor):
        return nothing
    place = np.array([0.0, 0.3, 0.6, *np.linspace(0.8, 1.0, 15)]) * (level.size - 1)
    below = np.minimum(place.astype(int), level.size - 2)
    edges = ordered[below] + (place - below) * (ordered[below + 1] - ordered[below])
    count, levels, noises = np.zeros((3, edges.size - 1))
    sums_in_bins(edges, level, noise, count, levels, noises)
    used = count > 10  # noqa: PLR2004
    return levels[used] / count[used], noises[used] / count[used], count[used]


def _gain(tracker: Tracker, curve: _Curve, notes: Notes) -> float:
    """Return the gain in e-/ADU: as known, else fitted to the stars' own pixel noise."""
    if np.isfinite(tracker.setup.gain_e_per_adu):
        return tracker.setup.gain_e_per_adu
    fitted = _gain_of(*curve)
    if fitted is None or fitted[1] > const.WORST_GAIN_ERROR:
        notes.append(("gain-unknown", {"by": "stars"}))
        return float("inf")
    gain, error = fitted
    found = {"gain_e_per_adu": gain, "error_e_per_adu": error * gain}
    notes.append(("gain-measured", {"by": "stars", **found}))
    return gain


def _gain_of(
    level_adu: FloatArray, variance_adu2: FloatArray, count: FloatArray
) -> tuple[float, float] | None:
    """Return gain [e-/adu] and its relative error from `_noise_against_level`, or None.

    The variance is fitted with v0 + level / gain + b level^2, b >= 0; the last term takes up the
    little of the star that still passes. (An estimator of our own; no source.)
    """
    from scipy.optimize import nnls

    if not level_adu.size:
        return None
    design = np.stack([np.ones_like(level_adu), level_adu, level_adu**2], axis=1)
    weight = np.sqrt(count) / np.maximum(variance_adu2, 1e-12)
    scale = np.abs(design).max(axis=0)
    fit, _ = nnls(design / scale * weight[:, None], variance_adu2 * weight)
    per_level = float((fit / scale)[1])
    if per_level <= 0:
        return None
    normal = (design / scale * weight[:, None]).T @ (design / scale * weight[:, None])
    # Neighbouring outputs of the filter overlap: about four pixels make one independent value.
    error = 2.0 * np.sqrt(2.0 * np.linalg.pinv(normal)[1, 1]) / scale[1]
    return 1.0 / per_level, float(error / per_level)


def _segments(given: IntArray, tracker: Tracker, rows: IntArray, notes: Notes) -> IntArray:
    """Return the number of each frame's stretch between gaps, dithers and turns of the field."""
    (x, y), turn = tracker.shift[rows].T, tracker.turn_deg[rows]
    breaks = np.flatnonzero(np.diff(given[rows]) != 0) + 1
    turned = np.flatnonzero(np.abs((np.diff(turn) + 180.0) % 360.0 - 180.0) > 90.0) + 1  # noqa: PLR2004
    jumps = np.setdiff1d(find_jumps(x, y, tracker.field.sigma_px), turned)
    if turned.size:
        notes.append(("field-turned", {"times": turned.size}))
    if jumps.size:
        notes.append(("dither", {"times": jumps.size}))
    starts = np.zeros(rows.size, dtype=np.int64)
    starts[np.unique(np.concatenate([breaks, turned, jumps]).astype(np.int64))] = 1
    return np.cumsum(starts)


def find_jumps(x_px: FloatArray, y_px: FloatArray, sigma_px: float) -> IntArray:
    """Return the frames before which the field jumped and stayed where it landed.

    `x_px`, `y_px` (n,): place of the field, without NaN. `sigma_px`: star sigma: a jump is at least
    three of them and 4 px.

    Steps larger than six robust sigmas of all are gathered into bursts: steps between which the
    field does not rest belong together. A burst is a jump when the field lies elsewhere after it,
    averaged over four periods of whatever swings on: a knock that rings down is motion, not a
    dither. A drift that goes on all the while is neither: it is taken off.
    """
    if x_px.size < 2:  # noqa: PLR2004
        return np.zeros(0, dtype=np.int64)
    step_x, step_y = np.diff(x_px), np.diff(y_px)
    size = np.hypot(step_x - np.median(step_x), step_y - np.median(step_y))
    usual = const.SIGMA_PER_MAD * float(np.median(size))
    limit = max(const.JUMP_SIGMAS * usual, 3.0 * sigma_px, const.SMALLEST_JUMP_PX)
    drift = np.array([_steady_drift(step_x), _steady_drift(step_y)])
    place = np.stack([x_px, y_px], axis=1) - drift * np.arange(x_px.size)[:, None]
    bursts: list[tuple[int, int]] = []
    for i in (np.flatnonzero(size > limit) + 1).tolist():
        first, last = bursts[-1] if bursts else (i, i)
        if bursts and _moves_on(place[last:i], min(size[last - 1], size[i - 1])):
            bursts[-1] = (first, i)
        else:
            bursts.append((i, i))
    found: set[int] = set()
    for k, (first, last) in enumerate(bursts):
        begin = bursts[k - 1][1] if k else 0
        end = bursts[k + 1][0] if k + 1 < len(bursts) else x_px.size
        before = np.median(place[max(begin, first - const.JUMP_LONG_SIDE) : first], axis=0)
        after = _resting_place(place[last:end])
        if after is not None and float(np.hypot(*(after - before))) > 0.6 * limit:
            found |= {first, last}
    return np.array(sorted(found), dtype=np.int64)


def _steady_drift(step_px: FloatArray) -> float:
    """Return the drift of a frame's step, 0 where it is unsure or too small to pass for a swing."""
    middle = median_of(step_px)
    # The median of n steps has 1.25 times the error of their mean.
    scatter = const.SIGMA_PER_MAD * median_of(np.abs(step_px - middle))
    sure = abs(middle) > 3.0 * 1.25 * scatter / np.sqrt(step_px.size)
    return middle if sure and abs(middle) * const.JUMP_LONG_SIDE > const.STEADY_PX else 0.0


def _moves_on(place: FloatArray, step_px: float) -> bool:
    """Return whether the field swings between two steps rather than resting there."""
    if len(place) < const.JUMP_SIDE:
        return True
    return bool(np.hypot(*np.ptp(place[-2 * const.JUMP_LONG_SIDE :], axis=0)) > 0.6 * step_px)


def _resting_place(place: FloatArray) -> FloatArray | None:
    """Return where the field rests, None where it swings too slowly to tell; place (n, 2)."""
    length = min(len(place), const.JUMP_LONG_SIDE)
    while True:
        part = place[:length] - place[:length].mean(axis=0)
        along = part @ np.linalg.svd(part, full_matrices=False)[2][0]
        crossings = int((np.diff(np.signbit(along)) != 0).sum())
        if crossings >= 8 or length == len(place):  # noqa: PLR2004 - four periods
            break
        length = min(2 * length, len(place))
    swing, step = np.ptp(along), np.abs(np.diff(along))
    is_clear = length >= const.JUMP_LONG_SIDE and swing > const.SMALLEST_JUMP_PX
    if is_clear and step.max() < 0.5 * swing and crossings < 4:  # noqa: PLR2004 - two periods
        return None
    weight = np.hanning(length + 2)[1:-1] if crossings >= 4 else np.ones(length)  # noqa: PLR2004
    return np.asarray(weight @ place[:length] / weight.sum())


def _row_time_s(sequence: Sequence, y_px: FloatArray, notes: Notes) -> FloatArray:
    """Return by how much later than the first row each star's row was exposed."""
    row_s = 1e-6 * float(sequence.instrument.get("row_time_us") or 0.0)
    if row_s == 0.0:
        return np.zeros_like(y_px)
    order = sequence.instrument.get("row_order")
    if order is None:
        notes.append(("row-order-assumed", {}))
    row = sequence.source.shape[0] - 1 - y_px if order == "last-row-first" else y_px
    middle = np.broadcast_to(masked_median(row, axis=0), row.shape)
    return np.where(np.isfinite(row), row, middle) * row_s


def _describe(
    sequence: Sequence,
    field: Field,
    tracker: Tracker,
    rows: IntArray,
    stars: IntArray,
    width_px: FloatArray,
    dropped: dict[str, int],
    notes: Notes,
) -> None:
    """Add the notes that a reader of the result needs."""
    if stars.size < const.FEW_STARS:
        notes.append(("few-stars", {"stars": stars.size}))
    if field.refused:
        listed = ", ".join(f"{reason} ({n})" for reason, n in field.refused.items())
        notes.append(("sources-refused", {"reasons": listed}))
    if field.hot.any():
        notes.append(("hot-pixels", {"pixels": int(field.hot.sum())}))
    level = tracker.transparency[rows]
    usual = float(np.nanmedian(level))
    dim = int((level < const.CLOUD_FLUX * usual).sum())
    if dim:
        notes.append(("cloud", {"frames": dim}))
    failed = sequence.source.failures
    if failed:
        first = failed[min(failed)]
        notes.append(("frames-unreadable", {"frames": len(failed), "why": plain(first)}))
    lost = sequence.source.n_frames - rows.size - len(failed)
    if lost > 0:
        away = dropped.get("stars out of the frame")
        notes.append(("frames-lost", {"frames": int(lost), "away": away}))
    for kind in ("saturated", "cosmic ray"):
        if count := int(tracker.counts[kind].sum()):
            notes.append((kind.replace(" ", "-"), {"samples": count}))
    _describe_width(width_px, notes)
    if tracker.book.fewer:
        notes.append(("stamps-fewer", {}))


def _describe_width(width_px: FloatArray, notes: Notes) -> None:
    fifth = max(len(width_px) // 5, 1)
    known = np.isfinite(width_px)
    first = masked_median(width_px[:fifth], known[:fifth], axis=0)
    last = masked_median(width_px[-fifth:], known[-fifth:], axis=0)
    both = np.isfinite(first) & np.isfinite(last)
    if not both.any():
        return
    ratio = float(np.median(last[both] / first[both]))
    if max(ratio, 1.0 / ratio) > const.DEWED:
        notes.append(("width-drift", {"change": ratio - 1.0}))


# --- the cut-outs that are kept -------------------------------------------------------------------
def _pick_stamp_stars(field: Field, size: int, most: int) -> IntArray:
    """Return the stars to keep stamps of: bright, alone in their stamp, away from the edge."""
    ny, nx = field.image_adu.shape
    pattern = field.pattern
    alone = np.ones(field.x_px.size, dtype=bool)
    for i, (x, y) in enumerate(zip(field.x_px, field.y_px, strict=True)):
        far = np.maximum(np.abs(pattern.x_px - x), np.abs(pattern.y_px - y))
        own = pattern.height_adu[np.argmin(far)]
        near = (far > field.sigma_px) & (far < size // 2 + 1)
        alone[i] = not bool((pattern.height_adu[near] > const.ISOLATED_SHARE * own).any())
    to_edges = field.x_px, field.y_px, nx - 1 - field.x_px, ny - 1 - field.y_px
    edge = np.minimum.reduce(to_edges) / min(nx, ny)
    # A star that a drift may carry out of the frame counts less, one with company far less.
    merit = field.flux_adu * np.clip(edge / 0.1, 0.2, 1.0) * np.where(alone, 1.0, 0.05)
    return np.sort(np.argsort(-merit, kind="stable")[:most]).astype(np.int64)


class StampBook:
    """Collects stamps while the stars are followed; of frames without the field there are none.

    `most`: keep at most so many stars, fewer where all their stamps would exceed 150 MB; one star
    is always kept.
    """

    def __init__(self, field: Field, n_frames: int, most: int) -> None:
        # 4.5 star sigmas and 4 pixels to each side, odd
        size = 2 * int(np.ceil(4.5 * field.sigma_px)) + 9
        size = int(np.clip(size, const.SMALLEST_STAMP, const.LARGEST_STAMP))
        one_star = 4 * size * size * max(n_frames, 1)
        fits = max(1, const.STAMPS_MOST_BYTES // one_star)
        self.fewer = min(most, field.x_px.size) > fits
        self.star = _pick_stamp_stars(field, size, min(most, fits))
        k = self.star.size
        self.pixels = np.empty((n_frames, k, size, size), dtype=np.float32)
        self.x0 = np.zeros((n_frames, k), dtype=np.int64)
        self.y0 = np.zeros((n_frames, k), dtype=np.int64)
        self.sky = np.full((n_frames, k), np.nan)

    def keep(self, start: int, block: Block, lost: BoolArray) -> None:
        """Take the stamps of a block, centred on the stars to the pixel, but of lost frames."""
        size, wide = self.pixels.shape[-1], block.cuts.size
        rows = np.flatnonzero(~lost)
        is_here = block.cuts.pixels.base is self.pixels  # written into the book when measured
        for column, star in enumerate(self.star):
            cuts = block.cuts.pixels[:, block.cuts.column[star]]
            x, y = block.x[rows, star], block.y[rows, star]
            from_x = _inside(x - block.x0[rows, star], size, wide)
            from_y = _inside(y - block.y0[rows, star], size, wide)
            if size < wide:
                view = np.lib.stride_tricks.sliding_window_view(cuts, (size, size), axis=(1, 2))
                self.pixels[start + rows, column] = view[rows, from_y, from_x]
            else:
                gap = (size - wide) // 2
                kept = self.pixels[:, column, gap : gap + wide, gap : gap + wide]
                if gap:
                    self.pixels[start + rows, column] = np.nan
                if not is_here:
                    kept[start + rows] = cuts[rows]
                from_x = from_y = np.full(rows.size, -gap)
            self.x0[start + rows, column] = block.x0[rows, star] + from_x
            self.y0[start + rows, column] = block.y0[rows, star] + from_y
            self.sky[start + rows, column] = block.sky[rows, star]

    def stamps(self, rows: IntArray, column_of: dict[int, int]) -> Stamps | None:
        """Return the stamps of some frames; `column_of` maps a star to its column in the tracks."""
        kept = [i for i, star in enumerate(self.star) if int(star) in column_of]
        if not kept:
            return None
        every = rows.size == len(self.pixels) and len(kept) == self.star.size
        return Stamps(
            star=np.array([column_of[int(self.star[i])] for i in kept], dtype=np.int64),
            pixels_adu=self.pixels if every else self.pixels[rows][:, kept],
            x0_px=self.x0[rows][:, kept],
            y0_px=self.y0[rows][:, kept],
            sky_adu=self.sky[rows][:, kept],
        )


def _inside(centre: NDArray[np.float64], size: int, wide: int) -> IntArray:
    """Return where a stamp about `centre` begins, kept within a cut of width `wide`."""
    middle = np.where(np.isfinite(centre), centre, wide // 2)
    begin = np.rint(middle).astype(np.int64) - size // 2
    return np.clip(begin, 0, max(wide - size, 0))
