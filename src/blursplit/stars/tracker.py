"""The state of following: where the field is expected next, how it was found again, what came."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.frames import Sequence
from blursplit.stars.block import Block
from blursplit.stars.build_tracks import StampBook, assemble_tracks
from blursplit.stars.centroid import CENTROID_METHODS, CentroidMethod, WindowSetup
from blursplit.stars.detect import Field
from blursplit.stars.pixel_statistics import BlankSky
from blursplit.stars.register import Peaks, Registration
from blursplit.stars.robust import masked_median, median_of, runs
from blursplit.stars.tracks import StarTracks
from blursplit.types import BoolArray, FloatArray

_SAMPLE_NAMES = ("x", "y", "star_term", "background_term", "flux", "width", "e1", "e2", "peak")


@dataclass(frozen=True)
class _FrameQuality:
    """What the group says of a block."""

    good: BoolArray  # (n, k)
    lost: BoolArray  # (n,): frames in which the field was not found
    shift: FloatArray  # (n, 2): offset of the field from its expected place; NaN where lost
    transparency: FloatArray  # (n,): flux against the expected one, median of the good stars

    def rows(self, which: slice) -> _FrameQuality:
        """Return the quality on some of the frames."""
        return _FrameQuality(*(getattr(self, each.name)[which] for each in fields(self)))

    @classmethod
    def of(
        cls,
        block: Block,
        x_px: FloatArray,
        y_px: FloatArray,
        flux_adu: FloatArray,
        inside: BoolArray,
        tolerance_px: float,
        *,
        jumped: bool = False,
    ) -> _FrameQuality:
        """Check every sample of a block against the other stars of its frame.

        `x_px`, `y_px` (n, k): where the stars were expected. `flux_adu` (k,). `inside` (n, k):
        stars that should lie within the frame. `tolerance_px`: how far a star may stray from the
        field. `jumped`: after a jump a lone star has to have its flux, as its place proves nothing.
        """
        from blursplit.compiled.judge_kernels import judge_frames

        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = block.flux / flux_adu
        good, found = np.empty(inside.shape, dtype=bool), np.empty((len(inside), 3))
        judge_frames(
            block.x - x_px,
            block.y - y_px,
            ratio,
            block.alive,
            block.alive & inside & ~block.saturated & ~block.spiked,
            inside,
            flux_adu,
            tolerance_px,
            const.JUMPED_FLUX_RANGE if jumped else const.LONE_FLUX_RANGE,
            good,
            found,
        )
        lost = np.asarray(np.isnan(found[:, 0]), dtype=bool)
        return cls(good, lost, found[:, :2], found[:, 2])


class Tracker:
    """Walks through the sequence block by block and keeps what was measured.

    `field`: from `Field.find`.
    """

    def __init__(
        self, sequence: Sequence, field: Field, *, method: CentroidMethod, max_stamps: int
    ) -> None:
        self.sequence, self.field = sequence, field
        self.source = sequence.source
        self.setup = WindowSetup.of(sequence, field, method)
        n, k = self.source.n_frames, field.x_px.size
        self.samples = {name: np.full((n, k), np.nan) for name in _SAMPLE_NAMES}
        self.good = np.zeros((n, k), dtype=bool)
        self.shift = np.full((n, 2), np.nan)
        self.transparency = np.full(n, np.nan)
        self.turn_deg = np.zeros(n)
        self.counts = {kind: np.zeros(n, dtype=np.int64) for kind in ("saturated", "cosmic ray")}
        self.unreadable = np.zeros(n, dtype=bool)
        self.all_saturated = np.zeros(n, dtype=bool)
        self.out_of_frame = np.zeros(n, dtype=bool)  # where all stars were expected
        self.flux = field.flux_adu.copy()
        self.turn, self.turn_rate, self.turn_time_s, self.scale = 0.0, 0.0, 0.0, 1.0
        self.spread = float("nan")
        # Cuts that reach far beyond a small frame tell nothing more.
        room = (min(self.source.shape) - self.setup.core) // 2
        self.widest = int(np.clip(room, const.SMALLEST_MARGIN, const.LARGEST_MARGIN))
        self.block, self.margin = const.FIRST_BLOCK, min(const.SMALLEST_MARGIN + 2, self.widest)
        self.early = _early_path(field.shift_px)
        if np.ptp(self.early, axis=0).any():
            self.block, self.margin = const.SMALLEST_BLOCK, self.widest
        self.steady, self.since = True, 0  # `since`: frame before which it lay elsewhere
        self._last_turn: tuple[float, float, float] | None = None
        self.book = StampBook(field, n, max_stamps)
        self.blank = BlankSky(field, n)

    @property
    def tolerance_px(self) -> float:
        """How far a star may stray from the field."""
        loose = max(2.5, 1.5 * self.field.sigma_px)
        if not np.isfinite(self.spread):
            return loose
        return float(np.clip(const.STRAY_SIGMAS * self.spread, 1.0, 3.0 * loose))

    def advance(self, start: int) -> int:
        """Measure the next block and return where it ends."""
        stop = self._block_end(start)
        shift = self._expected_shift(start, stop)
        away = start > 0 and not np.isfinite(self.shift[start - 1, 0])
        block, quality = self._measure(start, shift, away=away, in_book=True)
        distance = np.hypot(*quality.shift.T)
        # What is behind the end of a path is measured anew, where the path leads.
        end = start + _end_of_path(distance, const.CALM_SHARE * self.margin)
        if end < stop:
            shift = shift[: end - start]
            block, quality = block.rows(slice(len(shift))), quality.rows(slice(len(shift)))
        expected = shift.copy()
        self._retake_far(start, block, quality, shift)
        self._store(start, block, quality, shift)
        before = self.since
        if quality.lost.any():
            end = self._search(start, expected)
        self.blank.look(self.source, start, end, self.shift[start:end].T)
        self._learn(start, end, distance[: end - start])
        if end < stop or self.since != before:
            self.block, self.margin = const.SMALLEST_BLOCK, self.widest
        return end

    def _block_end(self, start: int) -> int:
        k = self.field.x_px.size
        size = self.setup.cut
        fits = const.TRACKER_BLOCK_BYTES // (4 * k * size * size)
        # Guides are cut before the stars: no frame should have to be read twice for it.
        fits = min(fits, getattr(self.source, "kept_frames", const.LARGEST_BLOCK))
        most = min(self.block, max(const.SMALLEST_BLOCK, fits))
        return min(start + most, self.source.n_frames)

    def _expected_shift(self, start: int, stop: int) -> FloatArray:
        """Extrapolate the field's place: a line in time when it drifts, else the last median."""
        time = self.sequence.time_s
        first = max(self.since, start - 4 * const.RECENT)
        recent = first + np.flatnonzero(np.isfinite(self.shift[first:start, 0]))[-const.RECENT :]
        ahead = time[start:stop]
        if recent.size == 0:
            return self.early[np.minimum(np.arange(start, stop), len(self.early) - 1)]
        along = [_extrapolate(time[recent], path, ahead) for path in self.shift[recent].T]
        return np.stack(along, axis=1)

    def _place(
        self, shift: FloatArray, turn_deg: FloatArray | float
    ) -> tuple[FloatArray, FloatArray]:
        """Return expected places, shape (n, k), for shifts (n, 2) and turns of the field."""
        turn = np.broadcast_to(turn_deg, len(shift))[:, None]
        x, y = _turned(self.field.x_px, self.field.y_px, turn, self.scale, self.source.shape)
        return x + shift[:, :1], y + shift[:, 1:]

    def _turn_at(self, time_s: FloatArray) -> FloatArray:
        return np.asarray(self.turn + self.turn_rate * (time_s - self.turn_time_s), dtype=float)

    def _measure(
        self,
        start: int,
        shift: FloatArray,
        *,
        jumped: bool = False,
        away: bool = False,
        in_book: bool = False,
    ) -> tuple[Block, _FrameQuality]:
        """Measure some frames; stamps go straight to the book if nothing is there to be lost.

        `jumped`: the field is looked for where it was seen in the whole frame. `away`: it was lost
        in the frame before.
        """
        stop = start + len(shift)
        turn = self._turn_at(self.sequence.time_s[start:stop])
        self.turn_deg[start:stop] = turn
        x, y = self._place(shift, turn)
        block = Block.measure(
            self.source,
            start,
            x,
            y,
            self.flux,
            self.margin,
            self.setup,
            steady=self.steady,
            keep=self.book.star,
            room=self.book.pixels[start:stop] if in_book else None,
        )
        ny, nx = self.source.shape
        edge = 2.5 * self.field.sigma_px + 1.0

        def whole(x: FloatArray, y: FloatArray) -> BoolArray:
            return (x > edge) & (x < nx - 1 - edge) & (y > edge) & (y < ny - 1 - edge)

        inside = whole(x, y)
        self.out_of_frame[start:stop] = ~inside.any(axis=1)
        with np.errstate(invalid="ignore"):
            block.alive &= whole(block.x, block.y)
        how = (x, y, self.flux, inside, self.tolerance_px)
        quality = _FrameQuality.of(block, *how, jumped=jumped)
        # Where one or two stars are looked for that were lost, a peak of the sky soon passes.
        after = (away | np.logical_or.accumulate(quality.lost)) & (inside.sum(axis=1) <= const.PAIR)
        if after.any():
            with np.errstate(invalid="ignore"):
                sure = block.flux >= const.JUMPED_FLUX_RANGE[0] * self.flux
                sure |= block.snr > const.SMALLEST_SNR
            block.alive &= sure | ~after[:, None]
            quality = _FrameQuality.of(block, *how, jumped=jumped)
        # One star of several, far off its place, may be any of them.
        off = np.hypot(*quality.shift.T) > const.CALM_SHARE * self.margin
        off &= (quality.good.sum(axis=1) <= 1) & (inside.sum(axis=1) > 1)
        quality.good[off], quality.lost[off], quality.shift[off] = False, True, np.nan
        quality.transparency[off] = np.nan
        return block, quality

    def _retake_far(
        self, start: int, block: Block, quality: _FrameQuality, shift: FloatArray
    ) -> None:
        """Cut again, about where they were found, frames that left the middle of their stamps."""
        middle = (self.setup.cut - 1) / 2
        off_x, off_y = block.x - block.x0 - middle, block.y - block.y0 - middle
        off_x, off_y = masked_median(off_x, quality.good), masked_median(off_y, quality.good)
        with np.errstate(invalid="ignore"):
            far = np.maximum(np.abs(off_x), np.abs(off_y)) > const.OFF_CENTRE_PX
        for first, last in runs(far):
            rows = slice(first, last)
            shift[rows] += quality.shift[rows]
            again, new = self._measure(start + first, shift[rows])
            block.put(rows, again)
            for each in fields(quality):
                getattr(quality, each.name)[rows] = getattr(new, each.name)

    def _store(self, start: int, block: Block, quality: _FrameQuality, shift: FloatArray) -> None:
        rows = slice(start, start + quality.lost.size)
        for name in _SAMPLE_NAMES:
            self.samples[name][rows] = np.where(quality.good, getattr(block, name), np.nan)
        self.good[rows] = quality.good
        self.shift[rows] = shift + quality.shift
        self.transparency[rows] = quality.transparency
        seen = ~quality.lost[:, None]
        # Beyond the frame nothing is read, and nothing is wrong with the file.
        self.unreadable[rows] = block.empty.all(axis=1) & ~self.out_of_frame[rows]
        self.all_saturated[rows] = quality.lost & block.saturated.any(axis=1)
        hit = block.spiked & ~block.saturated
        self.counts["saturated"][rows] = (seen & block.saturated).sum(axis=1)
        self.counts["cosmic ray"][rows] = (seen & hit).sum(axis=1)
        self.book.keep(start, block, quality.lost)

    def _search(self, start: int, expected: FloatArray) -> int:
        """Look for the field in lost frames, ever more rarely while it stays away.

        `expected` (n, 2): shifts by which the block was measured. Returns where the block ends: a
        field that is found elsewhere has left them, and what they seemed to show behind it.
        """
        step, frame, stop = 1, start, start + len(expected)
        while frame < stop:
            lost = np.flatnonzero(~np.isfinite(self.shift[frame:stop, 0]))
            if lost.size == 0:
                return stop
            frame += int(lost[0])
            last = frame if self.unreadable[frame] else self._find_again(frame, stop)
            if last == frame:
                frame += step
                step = min(2 * step, const.SLOWEST_RETRY)
                continue
            off = np.hypot(*(self.shift[frame] - expected[frame - start]))
            if off > const.CALM_SHARE * self.margin:
                self.since = frame
                lost = np.isnan(self.shift[frame:last, 0])
                return frame + int(np.argmax(np.append(lost, True)))
            step, frame = 1, frame + 1
        return stop

    def _look(self, frame: int) -> Registration | None:
        """Look for the field in all of a frame."""
        image = self.source.read(frame, frame + 1)[0]
        peaks = Peaks.find(image, self.field.sigma_px, hot=self.field.hot)
        pattern = self.field.pattern
        turn = float(self._turn_at(self.sequence.time_s[frame : frame + 1])[0])
        x, y = _turned(pattern.x_px, pattern.y_px, turn, self.scale, self.source.shape)
        return Peaks(x, y, pattern.height_adu).register(
            peaks,
            self.source.shape,
            tolerance_px=max(2.0, 1.5 * self.field.sigma_px),
            false_match=const.UNSURE_MATCH,
        )

    def _is_sure(self, found: Registration, frame: int) -> bool:
        """Say whether chance is out of the question, by one of the next frames if need be."""
        if found.chance <= const.FALSE_MATCH:
            return True
        for other in range(frame + 1, min(frame + 1 + const.WITNESSES, self.source.n_frames)):
            again = self._look(other)
            if again is not None and again.turn_deg == found.turn_deg:
                moved = again.shift_x_px - found.shift_x_px, again.shift_y_px - found.shift_y_px
                if np.hypot(*moved) <= const.LARGEST_MARGIN:
                    return True
        return False

    def _find_again(self, frame: int, stop: int) -> int:
        """Measure a lost frame, and the lost ones about it, where all of it shows the field.

        Returns where the frames end that were measured anew; `frame` where it shows no field.
        """
        found = self._look(frame)
        if found is None or not self._is_sure(found, frame):
            return frame
        before = self.turn
        if found.turn_deg:
            self.turn = float(_nearest_turn_deg(self.turn + found.turn_deg, const.TURNS_ABOUT_DEG))
        first, last = self._run_of_lost(frame, stop)
        if found.turn_deg:
            last = stop  # what was judged by the other turn is judged anew
        moved = np.tile([found.shift_x_px, found.shift_y_px], (last - first, 1))
        turns_deg = self.turn_deg[first:last].copy()
        block, quality = self._measure(first, moved, jumped=True)
        if quality.lost[frame - first]:
            self.turn, self.turn_deg[first:last] = before, turns_deg
            return frame
        self._retake_far(first, block, quality, moved)
        self.good[first:last] = False
        self.shift[first:last] = np.nan
        for a, b in runs(~quality.lost):
            rows = slice(a, b)
            self._store(first + a, block.rows(rows), quality.rows(rows), moved[rows])
        return last

    def _run_of_lost(self, frame: int, stop: int) -> tuple[int, int]:
        """Return the lost frames around one: from those skipped before it to the next found one."""
        lost = ~np.isfinite(self.shift[:, 0])
        before = lost[max(frame - const.SLOWEST_RETRY, 0) : frame][::-1]
        first = frame - int(np.argmin(np.append(before, False)))
        return first, frame + 1 + int(np.argmin(np.append(lost[frame + 1 : stop], False)))

    def expected_places(self) -> tuple[FloatArray, FloatArray]:
        """Return where each star belongs by the field's shift and turn, shape (n, k)."""
        return self._place(self.shift, self.turn_deg)

    def _learn(self, start: int, stop: int, distance: FloatArray) -> None:
        """Adapt margin, block length, spread, fluxes and the field's turn to what was seen."""
        seen = np.isfinite(self.shift[start:stop, 0])
        here = np.isfinite(distance)
        if here.any():
            far_off = np.sort(distance[here])
            places = np.linspace(0.0, 1.0, far_off.size)
            usual, far = np.interp((0.9, 0.995), places, far_off).tolist()
            wanted = int(np.ceil(1.3 * far + 1.0))
            margin = max(wanted, self.margin - 1)
            self.margin = int(np.clip(margin, const.SMALLEST_MARGIN, const.LARGEST_MARGIN))
            # The few frames that lie farther off cost a second look, not the search of them all.
            self.steady = far < 2.0 * const.STEADY_PX and usual < const.STEADY_PX
            calm = far < const.CALM_SHARE * self.margin and bool(here.all())
            self.block = min(2 * self.block, const.LARGEST_BLOCK) if calm else self.block
            if far > self.widest - 2 or not here.all():
                self.block = max(self.block // 2, const.SMALLEST_BLOCK)
        if not seen.any():
            return
        good = self.good[start:stop]
        flux = masked_median(self.samples["flux"][start:stop], good, axis=0)
        # Clouds must not be learnt as the stars' flux, so it follows slowly and little.
        steady = np.isfinite(flux) & (flux > 0.5 * self.flux) & (flux < 2.0 * self.flux)
        self.flux[steady] += 0.3 * (flux[steady] - self.flux[steady])
        self._fit_turn(start, stop)

    def _fit_turn(self, start: int, stop: int) -> None:
        """Fit rotation and scale of the field over both halves of a block and continue them."""
        middle = start + (stop - start + 1) // 2
        early, late = self._turn_of(start, middle), self._turn_of(middle, stop)
        end_s = self.sequence.time_s[stop - 1]
        if late is None:
            return
        turn, scale, time_s, spread, error = late
        before = (early[0], early[2], early[4]) if early is not None else self._last_turn
        rate = 0.0
        if before is not None and time_s > before[1]:
            least = const.SURE_TURN_SIGMAS * np.hypot(error, before[2])
            if least <= abs(turn - before[0]) < const.FASTEST_TURN_DEG:
                rate = (turn - before[0]) / (time_s - before[1])
        # What a corner star would move over the block, below which a rate does not matter.
        reach = np.deg2rad(abs(rate)) * (end_s - self.sequence.time_s[start])
        if reach * 0.5 * max(self.source.shape) < const.SLOWEST_TURN_PX:
            rate = 0.0
        self.turn_rate = rate
        self.turn, self.turn_time_s = turn, time_s
        self._last_turn = (turn, time_s, error)
        self.scale = float(np.clip(self.scale * (1.0 + scale), 0.98, 1.02))
        self.spread = spread

    def _turn_of(self, first: int, last: int) -> tuple[float, float, float, float, float] | None:
        """Return turn [deg], relative scale, mean time, spread and the turn's error, or None."""
        rows = np.arange(first, last)
        # Where the field turned by half a turn in between, only what came after it counts.
        now = self._turn_at(self.sequence.time_s[rows])
        near = _nearest_turn_deg(self.turn_deg[rows], now)
        rows = rows[np.abs(near - now) < const.HALF_FLIP_DEG]
        good = self.good[rows]
        if not good.any():
            return None
        turn = _nearest_turn_deg(self.turn_deg[rows], self.turn)
        x, y = self._place(self.shift[rows], turn)
        off_x, off_y = self.samples["x"][rows] - x, self.samples["y"][rows] - y
        middle = median_of(turn)
        px, py = self._place(np.zeros((1, 2)), middle)
        px -= (self.source.shape[1] - 1) / 2
        py -= (self.source.shape[0] - 1) / 2
        found = _fit_field_rotation(px[0], py[0], off_x, off_y, good)
        if found is None:
            return None
        mean_s = float(np.mean(self.sequence.time_s[rows]))
        return middle + found.turn_deg, found.scale, mean_s, found.spread_px, found.error_deg


def follow_stars(
    sequence: Sequence,
    *,
    centroid: CentroidMethod = "windowed",
    max_stars: int = 60,
    max_stamps: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> StarTracks:
    """Follow every star of a sequence: positions, noise, flux and shape, frame by frame.

    Parameters
    ----------
    centroid : {"windowed", "com", "quadratic", "2dg"}
        How positions are measured; fluxes, shapes and noise always come from the window.
    max_stars : int
        Follow at most so many.
    max_stamps : int
        Keep the stamps of at most so many bright, isolated stars.
    progress : callable, optional
        Called with (frames done, frames in all).

    Returns
    -------
    StarTracks
        Samples that were lost are NaN and not `good`; frames in which no star was found are
        left out and counted in `dropped`.

    Raises
    ------
    TooFewStarsError
        When no star is found, or none can be followed.
    InputError
        When all stars are saturated.
    ValueError
        For an unknown centroid method.
    """
    if centroid not in CENTROID_METHODS:
        msg = f"centroid method {centroid!r} is none of {', '.join(CENTROID_METHODS)}"
        raise ValueError(msg)
    field = Field.find(sequence, max_stars)
    tracker = Tracker(sequence, field, method=centroid, max_stamps=max_stamps)
    done = 0
    while done < sequence.source.n_frames:
        done = tracker.advance(done)
        if progress is not None:
            progress(done, sequence.source.n_frames)
    return assemble_tracks(sequence, field, tracker)


# --- small fits: where the field will be, and how it turns --------------------------------------
def _turned(
    x_px: FloatArray,
    y_px: FloatArray,
    turn_deg: FloatArray | float,
    scale: float,
    shape: tuple[int, int],
) -> tuple[FloatArray, FloatArray]:
    """Return places turned by `turn_deg` (from +x toward +y) and scaled about a frame's centre."""
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    cos, sin = scale * np.cos(np.deg2rad(turn_deg)), scale * np.sin(np.deg2rad(turn_deg))
    dx, dy = x_px - cx, y_px - cy
    return cx + cos * dx - sin * dy, cy + sin * dx + cos * dy


def _nearest_turn_deg(turn_deg: FloatArray | float, to_deg: FloatArray | float) -> FloatArray:
    """Return turns by whole turns nearest to another: -0.1 rather than 359.9 to 0."""
    turn = np.asarray(turn_deg, dtype=float)
    return np.asarray(turn - 360.0 * np.round((turn - to_deg) / 360.0), dtype=float)


def _extrapolate(time_s: FloatArray, value_px: FloatArray, ahead_s: FloatArray) -> FloatArray:
    """Continue a coordinate: along a line where it drifts, else at its latest median.

    A step, such as a dither, is no drift: only what came after it is continued. Nor is a line
    continued to where its error would take the field out of the narrowest cuts.

    `time_s`, `value_px` (n,): what was seen, without NaN. `ahead_s` (m,): times to continue to.
    """
    since = _last_step(value_px)
    time_s, value_px = time_s[since:], value_px[since:]
    n = time_s.size
    latest = median_of(value_px[-const.TREND_LATEST :])
    if since and n < const.TREND_LATEST:
        return np.full(ahead_s.shape, latest)
    if n < const.TREND_FEWEST:
        return np.full(ahead_s.shape, float(value_px[-1]))
    half = n // 2
    step_s = float(time_s[-half:].mean() - time_s[:half].mean())
    if step_s <= 0:
        return np.full(ahead_s.shape, latest)
    slope = (median_of(value_px[-half:]) - median_of(value_px[:half])) / step_s
    line = slope * time_s
    rest = value_px - line
    middle = median_of(rest)
    scatter = const.SIGMA_PER_MAD * median_of(np.abs(rest - middle))
    # The median of n/2 values has 1.25 times the error of their mean.
    slope_error = 1.25 * scatter * np.sqrt(4.0 / n) / step_s
    wait_s = float(ahead_s[-1] - time_s[-1])
    is_small = abs(slope) * wait_s < const.DRIFT_MATTERS_PX or abs(slope) < 3.0 * slope_error
    if is_small or slope_error * wait_s > const.SMALLEST_MARGIN:
        return np.full(ahead_s.shape, latest)
    recent = median_of(rest[-const.TREND_LATEST :])
    return np.asarray(recent + slope * ahead_s, dtype=float)


def _early_path(shift_px: FloatArray) -> FloatArray:
    """Return where the field is expected in the first frames, (n, 2) without NaN.

    That is where the first one lies, unless most of them lie too far from it to be found there.

    `shift_px` (n, 2): where they were laid on the reference image, NaN where they were not.
    """
    known = np.flatnonzero(np.isfinite(shift_px[:, 0]))
    first = shift_px[0] if known[0] == 0 else np.zeros(2)
    if median_of(np.hypot(*(shift_px[known] - shift_px[known[0]]).T)) <= const.SMALLEST_MARGIN:
        return np.tile(first, (len(shift_px), 1))
    frame = np.arange(len(shift_px))
    return np.stack([np.interp(frame, known, path[known]) for path in shift_px.T], axis=1)


def _end_of_path(distance_px: FloatArray, limit_px: float) -> int:
    """Return the first lost frame of a block before which the field ran away, or its length.

    What follows is to be looked for where the frames before it lead, not where the block began.

    `distance_px` (n,): of the field from its expected place, NaN where lost.
    """
    with np.errstate(invalid="ignore"):
        ends = np.isnan(distance_px[1:]) & (distance_px[:-1] > limit_px)
    return int(np.argmax(ends)) + 1 if ends.any() else distance_px.size


def _last_step(value_px: FloatArray) -> int:
    """Return from which value on a coordinate stays where a step took it, 0 without a step.

    Two levels are laid through the values, and a line between the medians of their halves. The
    step counts where its description is the better one by the criterion of Schwarz (1978), with
    deviations of a Laplace distribution, whose likelihood outliers do not rule: a step has one
    parameter more than a line, its place. Fewer than four values on a side may be outliers.
    """
    n = value_px.size
    if n < 2 * const.TREND_FEWEST:
        return 0
    half = n // 2
    slope = (median_of(value_px[-half:]) - median_of(value_px[:half])) / (n - half)
    rest = value_px - slope * np.arange(n)
    line = float(np.abs(rest - median_of(rest)).sum())
    levels = np.empty(n - 2 * const.TREND_FEWEST + 1)
    kernels("median").two_levels(np.ascontiguousarray(value_px), const.TREND_FEWEST, levels)
    best = int(np.argmin(levels))
    is_step = 2.0 * n * np.log(max(line, 1e-9) / max(float(levels[best]), 1e-9)) > np.log(n)
    return best + const.TREND_FEWEST if is_step else 0


@dataclass(frozen=True)
class _FieldRotation:
    """Turn and scale that a stretch of frames adds to those assumed."""

    turn_deg: float  # from +x toward +y
    error_deg: float  # its standard error
    scale: float  # relative change of scale
    spread_px: float  # by how much stars stray from the field, one axis


def _fit_field_rotation(
    x_px: FloatArray, y_px: FloatArray, off_x_px: FloatArray, off_y_px: FloatArray, good: BoolArray
) -> _FieldRotation | None:
    """Fit turn and scale to the medians of where stars lie off their places, or return None.

    `x_px`, `y_px` (k,): places of the stars about the centre of the frame. `off_x_px`, `off_y_px`
    (n, k): where each was found against its expected place. `good` (n, k).

    Stars at distances r from their common centre whose places each have the error s tell the
    turn to s / sqrt(sum r^2). A median of n places that scatter by s_1 has 1.25 s_1 / sqrt(n);
    the air lasts from frame to frame, which leaves n (1 - c) / (1 + c) frames of their own, with
    c the correlation of neighbours (Bayley and Hammersley 1946).
    """
    dx, dy = masked_median(off_x_px, good, axis=0), masked_median(off_y_px, good, axis=0)
    used = np.isfinite(dx) & np.isfinite(dy)
    if used.sum() < const.SMALLEST_FIT:
        return None
    fitted = _fit_turn_and_scale(x_px[used], y_px[used], dx[used], dy[used])
    left = np.concatenate([dx[used], dy[used]])
    left = left - _offsets_of(x_px[used], y_px[used], *fitted)
    apart = off_x_px - dx, off_y_px - dy
    usual = median_of(np.abs(np.concatenate([off[good] for off in apart])))
    share = _own_share(*(np.where(good, off, 0.0) for off in apart))
    frames = good[:, used].sum(axis=0) * share
    square = np.square(x_px[used] - x_px[used].mean()) + np.square(y_px[used] - y_px[used].mean())
    weight = float((square * frames).sum())
    error = 1.25 * const.SIGMA_PER_MAD * usual / np.sqrt(weight) if weight > 0 else np.inf
    return _FieldRotation(
        turn_deg=fitted[0],
        error_deg=float(np.rad2deg(error)),
        scale=fitted[1],
        spread_px=const.SIGMA_PER_MAD * float(np.hypot(usual, median_of(np.abs(left)))),
    )


def _fit_turn_and_scale(
    x_px: FloatArray, y_px: FloatArray, dx_px: FloatArray, dy_px: FloatArray
) -> tuple[float, float, float, float]:
    """Return (turn in degrees, relative scale, shift x, shift y) of small displacements.

    `x_px`, `y_px` (k,): places about the centre. `dx_px`, `dy_px` (k,): displacements; stars beyond
    four robust sigmas are left out.
    """
    used = np.ones(x_px.shape, dtype=bool)
    fitted = 0.0, 0.0, 0.0, 0.0
    for _ in range(3):
        fitted = _least_squares(x_px[used], y_px[used], dx_px[used], dy_px[used])
        left = np.concatenate([dx_px, dy_px]) - _offsets_of(x_px, y_px, *fitted)
        left = np.hypot(*left.reshape(2, -1))
        again = left <= 4.0 * max(median_of(left), 1e-3)
        if again.sum() < 3 or (again == used).all():  # noqa: PLR2004
            break
        used = again
    return fitted


def _least_squares(
    x_px: FloatArray, y_px: FloatArray, dx_px: FloatArray, dy_px: FloatArray
) -> tuple[float, float, float, float]:
    """Return turn [deg], scale and shifts; about the mean place of the stars they are apart."""
    x, y, dx, dy = (float(value.mean()) for value in (x_px, y_px, dx_px, dy_px))
    from_x, from_y, off_x, off_y = x_px - x, y_px - y, dx_px - dx, dy_px - dy
    square = float(from_x @ from_x + from_y @ from_y)
    if square == 0.0:
        return 0.0, 0.0, dx, dy
    turn = float(from_x @ off_y - from_y @ off_x) / square
    scale = float(from_x @ off_x + from_y @ off_y) / square
    return float(np.rad2deg(turn)), scale, dx + turn * y - scale * x, dy - turn * x - scale * y


def _offsets_of(
    x_px: FloatArray, y_px: FloatArray, turn_deg: float, scale: float, x: float, y: float
) -> FloatArray:
    """Return the displacements (all x, then all y) of a small turn, scale and shift."""
    turn = np.deg2rad(turn_deg)
    return np.concatenate([-turn * y_px + scale * x_px + x, turn * x_px + scale * y_px + y])


def _own_share(*offsets_px: FloatArray) -> float:
    """Return the share of frames that are as good as independent, from neighbours' correlation.

    The offsets are zero where a star was not measured.
    """
    together = sum(float(np.vdot(off[1:], off[:-1])) for off in offsets_px)
    alone = sum(float(np.vdot(off, off)) for off in offsets_px)
    shared = float(np.clip(together / alone, 0.0, 0.99)) if alone > 0 else 0.0
    return (1.0 - shared) / (1.0 + shared)
