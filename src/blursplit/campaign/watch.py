"""Frames while they arrive: what is whole is followed at once, and the result so far is kept.

A folder or a file is looked at again and again. Frames that are whole are followed in pieces of
some seconds, the pieces are laid on each other by their stars, and the latest minutes of them
are kept. What is said on the way comes from `live`, and from whole fits in a process beside; at
the end the caller measures the same files with `measure`, so that the last word is the ordinary
one.
"""

from __future__ import annotations

import functools
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.campaign.live import ModeChange, Update, so_far
from blursplit.campaign.live_fit import Fits, FitSoFar
from blursplit.errors import BlursplitError, InputError
from blursplit.frames import Sequence, open_frames
from blursplit.frames.layout import Slab, is_fits_name, natural_key, read_layout
from blursplit.report.numbers import setup_text
from blursplit.report.words import sentence
from blursplit.rig import Rig
from blursplit.stars import StarTracks, follow_stars
from blursplit.stars.register import Peaks
from blursplit.stars.robust import masked_median, median_of
from blursplit.stars.tracks import Stamps
from blursplit.types import BoolArray, IntArray, sure

_Kind = tuple[tuple[int, int], float | None]  # shape and exposure
_WIDTHS = ("flux_adu", "width_px", "e1", "e2", "peak_adu")
_PER_SAMPLE = ("row_time_s", "x_px", "y_px", "sigma_px", *_WIDTHS, "good")


@dataclass(frozen=True)
class _Batch:
    """Whole frames of one kind that came since the last look, in the order of their files."""

    paths: tuple[Path, ...]
    skip: int  # frames of the first file that were taken before
    count: int  # frames to take
    kind: _Kind  # another one is a new run


@dataclass
class _File:
    """What is known of a file that is, or was, being written."""

    taken: int = 0
    size: int = -1
    inode: int = 0
    changed_s: float = 0.0
    failed: str = ""
    left_out: bool = False


class _Arrivals:
    """Looks for whole frames in a folder that fills, or a file that grows, once it is there."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notes: list[str] = []
        self._files: dict[Path, _File] = {}

    @property
    def waiting(self) -> list[str]:
        """The names of files that are half-written."""
        return [path.name for path, one in self._files.items() if one.failed and not one.left_out]

    def look(self, now_s: float) -> Iterator[_Batch]:
        """Yield what came since the last look; half-written files wait for a later one.

        `now_s`: a clock that does not go back: a file that cannot be read and has not changed for
        half a minute is left out.
        """
        found = [(path, self._whole_frames(path, now_s)) for path in self._listed()]
        group: list[tuple[Path, int, int]] = []
        kind: _Kind | None = None
        for path, slabs in found:
            if not slabs:
                continue
            one, own = self._files[path], (slabs[0].shape, slabs[0].header.exposure_s)
            held = sum(slab.planes for slab in slabs)
            if group and (own != kind or one.taken or _frames(group) >= const.WATCH_MOST_FRAMES):
                yield from self._batch(group, kind)
                group = []
            kind = own
            group.append((path, one.taken, held - one.taken))
        yield from self._batch(group, kind)

    def give_back(self, batch: _Batch) -> None:
        """Let frames that are too few to be followed come again with later ones."""
        for number, path in enumerate(batch.paths):
            one = self._files[path]
            one.taken, one.size = 0 if number else batch.skip, -1

    def _batch(self, group: list[tuple[Path, int, int]], kind: _Kind | None) -> Iterator[_Batch]:
        if not group or kind is None:
            return
        for path, taken, new in group:
            self._files[path].taken = taken + new
        paths = tuple(path for path, _, _ in group)
        yield _Batch(paths, group[0][1], _frames(group), kind)

    def _listed(self) -> list[Path]:
        try:
            if not self.path.is_dir():
                return [self.path] if self.path.exists() else []
            with os.scandir(self.path) as entries:
                names = [entry.name for entry in entries if entry.is_file()]
        except OSError as error:
            raise InputError(self.path, "cannot be looked into", "check the path") from error
        paths = [self.path / name for name in names]
        return sorted(filter(is_fits_name, paths), key=lambda path: natural_key(path.name))

    def _whole_frames(self, path: Path, now_s: float) -> list[Slab]:
        """Return the stacks of a file that holds more whole frames than were taken, else none."""
        try:
            state = path.stat()
        except OSError:
            return []  # moved away between listing and looking
        one = self._files.setdefault(path, _File(changed_s=now_s))
        if one.inode and (state.st_ino != one.inode or state.st_size < one.size):
            if one.taken:
                self.notes.append(sentence("watch-replaced", file=path.name))
            self._files[path] = one = _File(changed_s=now_s)
        if state.st_size == one.size:
            if one.failed and not one.left_out and now_s - one.changed_s > const.WATCH_GIVE_UP_S:
                one.left_out = True
                self.notes.append(sentence("watch-unreadable", file=path.name, why=one.failed))
            return []
        one.size, one.inode, one.changed_s, one.left_out = state.st_size, state.st_ino, now_s, False
        try:
            slabs = list(read_layout(path, growing=True).slabs)
        except InputError as error:
            one.failed = error.problem
            return []
        held = sum(slab.planes for slab in slabs)
        one.failed = "" if held else "holds no whole frame"
        return slabs if held > one.taken else []


def _frames(group: list[tuple[Path, int, int]]) -> int:
    return sum(new for _, _, new in group)


@dataclass
class _LiveRun:
    """The frames of one run so far: one field, one region, one exposure, no long pause."""

    kind: _Kind
    rig: Rig  # as the first frames and what is declared say
    frames: int = 0  # followed
    left_out: int = 0  # not followed: the field was not in them or they could not be read
    end_s: float = 0.0
    _shift: tuple[float, float] = (0.0, 0.0)
    _pieces: list[StarTracks] = field(default_factory=list)

    def add(self, tracks: StarTracks, begin_s: float) -> bool:
        """Lay a piece on the earlier ones; return whether the field was found in it.

        `begin_s`: its first frame's time since the first frame of the run.
        """
        count = tracks.n_frames
        cadence = tracks.cadence_s or 0.0
        joins = bool(self._pieces) and abs(begin_s - self.end_s - cadence) < 1.5 * cadence
        if joins and abs(begin_s - self.end_s - cadence) < const.WATCH_SAME_STEP * cadence:
            begin_s = self.end_s + cadence  # stamps are coarser than the camera's clock
        moved = replace(tracks, time_s=tracks.time_s - tracks.time_s[0] + begin_s)
        if self._pieces:
            found = _same_stars(self._pieces[0], moved, self._shift)
            if found is None:
                self.left_out += count
                return False
            moved, self._shift = found
            joins = joins and _step_px(self._pieces[-1], moved) < const.WATCH_JUMP_PX
            last = int(self._pieces[-1].segment[-1])
            segment = moved.segment - moved.segment[0] + last + (0 if joins else 1)
            moved = replace(moved, segment=segment)
        self._pieces.append(moved)
        self.end_s = float(moved.time_s[-1])
        self.frames += count
        while len(self._pieces) > 2 and self._held() > const.WATCH_FRAMES_KEPT:  # noqa: PLR2004
            # The first piece names the stars; of it a few frames stay, without a part in anything.
            self._pieces[1:2] = []
        later = np.cumsum([piece.n_frames for piece in self._pieces[::-1]])[::-1]
        for k in np.flatnonzero(later[1:] >= const.WATCH_FIT_FRAMES):
            self._pieces[k] = self._pieces[k].without_stamps()
        return True

    def tracks(self) -> StarTracks:
        """Return the latest minutes as one set of tracks, without cut-outs."""
        pieces = self._pieces
        if self.frames > self._held() and len(pieces) > 1:
            pieces = pieces[1:]  # what came between them and the first piece is gone
        return _joined(pieces)

    def latest(self) -> StarTracks:
        """Return the latest frames with the cut-outs of the stars that all of them have."""
        later = np.cumsum([piece.n_frames for piece in self._pieces[::-1]])
        count = int(np.searchsorted(later, const.WATCH_FIT_FRAMES)) + 1
        pieces = self._pieces[-count:]
        joined = _joined(pieces)
        cut = [piece.stamps for piece in pieces if piece.stamps is not None]
        if len(cut) < len(pieces):
            return joined
        star = functools.reduce(np.intersect1d, [stamps.star for stamps in cut])
        size = min(stamps.pixels_adu.shape[-1] for stamps in cut)
        if not star.size:
            return joined
        parts = [_trimmed(stamps, star, size) for stamps in cut]
        names = ("pixels_adu", "x0_px", "y0_px", "sky_adu")
        columns = {n: np.concatenate([getattr(part, n) for part in parts]) for n in names}
        return replace(joined, stamps=Stamps(star=star, **columns))

    def _held(self) -> int:
        return sum(piece.n_frames for piece in self._pieces)


def _joined(pieces: list[StarTracks]) -> StarTracks:
    joined: dict[str, Any] = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in (*_PER_SAMPLE, "time_s", "segment")
    }
    frame = np.arange(len(joined["time_s"]), dtype=np.int64)
    return replace(pieces[0], **joined, frame=frame, notes=(), dropped={}, pixels=None, stamps=None)


def _trimmed(stamps: Stamps, star: IntArray, size: int) -> Stamps:
    """Return the cut-outs of some stars about the same middle, of an odd size."""
    column = [int(np.flatnonzero(stamps.star == one)[0]) for one in star]
    edge = (stamps.pixels_adu.shape[-1] - size) // 2
    inner = slice(edge, edge + size)
    return Stamps(
        star=star,
        pixels_adu=stamps.pixels_adu[:, column, inner, inner],
        x0_px=stamps.x0_px[:, column] + edge,
        y0_px=stamps.y0_px[:, column] + edge,
        sky_adu=stamps.sky_adu[:, column],
    )


def _same_stars(
    first: StarTracks, piece: StarTracks, last_shift: tuple[float, float]
) -> tuple[StarTracks, tuple[float, float]] | None:
    """Return a piece with its stars in the order of the first one's, and the field's shift.

    Stars that are not found are lost samples; None where the field is not there. Where it lay last
    counts before any other shift that matches no more stars: among stars at even distances a
    shift by one of them matches nearly as many.
    """
    known, seen = _places(first), _places(piece)
    near = max(const.WATCH_NEAR_PX, float(np.nanmedian(first.width_px)))
    best = None
    for shift in (last_shift, _shown(known).likeliest_shift(_shown(seen), near)):
        found = _matched(known, seen, shift, near)
        # From where the first match lies two stars side by side are told apart.
        found = None if found is None else _matched(known, seen, found[2], near)
        if found is not None and (best is None or found[1].sum() > best[1].sum()):
            best = found
    return None if best is None else (_in_order(piece, best[0], best[1]), best[2])


def _matched(
    known: Peaks, seen: Peaks, shift: tuple[float, float], near: float
) -> tuple[IntArray, BoolArray, tuple[float, float]] | None:
    """Return the nearest star to each known one, which of them are the same, and their shift."""
    off_x = seen.x_px - known.x_px[:, None] - shift[0]
    off_y = seen.y_px - known.y_px[:, None] - shift[1]
    # A star that a whole piece does not show has no place.
    far = np.nan_to_num(np.hypot(off_x, off_y), nan=np.inf)
    nearest = far.argmin(axis=1)
    there = far.min(axis=1) <= near
    if not there.any():
        return None
    # All stars of a piece lose about the same share of their light.
    light = np.log(seen.height_adu[nearest] / known.height_adu)
    there &= np.abs(light - np.median(light[there])) < const.LIKE
    fewest = min(int(np.isfinite(peaks.x_px).sum()) for peaks in (known, seen))
    if 2 * there.sum() < fewest:
        return None
    rows = np.flatnonzero(there)
    moved = [float(np.median(off[rows, nearest[rows]])) for off in (off_x, off_y)]
    return nearest, there, (shift[0] + moved[0], shift[1] + moved[1])


def _in_order(piece: StarTracks, nearest: IntArray, there: BoolArray) -> StarTracks:
    """Return a piece with its stars in another order; those that are not there are lost."""
    columns: dict[str, Any] = {}
    for name in _PER_SAMPLE:
        values = getattr(piece, name)[:, nearest].copy()
        values[:, ~there] = False if name == "good" else 0.0 if name == "row_time_s" else np.nan
        columns[name] = values
    stamps = piece.stamps
    if stamps is not None:
        place = {int(nearest[i]): int(i) for i in np.flatnonzero(there)}
        kept = np.array([star for star in stamps.star if int(star) in place], dtype=np.int64)
        star = np.array([place[int(one)] for one in kept], dtype=np.int64)
        stamps = replace(_trimmed(stamps, kept, stamps.pixels_adu.shape[-1]), star=star)
    return replace(piece, **columns, stamps=stamps)


def _step_px(before: StarTracks, after: StarTracks) -> float:
    """Return how far the field lies after a seam from where it lay before, median of the stars."""
    few = 5
    along = []
    for name in ("x_px", "y_px"):
        late, early = getattr(after, name)[:few], getattr(before, name)[-few:]
        middle = masked_median(early, axis=0)
        off = (late - middle).ravel()
        along.append(median_of(off[np.isfinite(off)]))
    return float(np.hypot(along[0], along[1])) if np.isfinite(along).all() else np.inf


def _places(tracks: StarTracks) -> Peaks:
    """Return the middle places of stars, with fluxes as heights; NaN of one never seen."""
    columns = (tracks.x_px, tracks.y_px, tracks.flux_adu)
    return Peaks(*(masked_median(values, axis=0) for values in columns))


def _shown(stars: Peaks) -> Peaks:
    there = np.isfinite(stars.x_px)
    return Peaks(stars.x_px[there], stars.y_px[there], stars.height_adu[there])


class Watch:
    """Follows what arrives at a path, run by run."""

    def __init__(self, path: Path, rig: Rig) -> None:
        self.arrivals = _Arrivals(path)
        self.rig = rig
        self.run: _LiveRun | None = None
        self.run_files: list[Path] = []
        self.runs = 0
        self.notes: list[str] = []
        self.problem = ""
        self._start_mjd: float | None = None

    def look(self, now_s: float) -> int:
        """Take in what came; return how many frames were followed."""
        taken = 0
        for batch in self.arrivals.look(now_s):
            if batch.skip + batch.count < const.WATCH_LEAST_FRAMES:
                self.arrivals.give_back(batch)
                continue
            taken += self._take(batch)
        self.notes += self.arrivals.notes
        self.arrivals.notes = []
        return taken

    def _take(self, batch: _Batch) -> int:
        try:
            sequence = open_frames(list(batch.paths), self.rig, growing=True)
        except BlursplitError as error:
            if self.run is None:  # what is missing may come, or somebody adds it to the setup
                self.problem = str(error)
                self.arrivals.give_back(batch)
            else:
                self._leave_out(batch, str(error))
            return 0
        try:
            part = _newest(sequence, batch)
            begin_s, why = self._begin(batch, part)
            if part.n_frames < const.WATCH_LEAST_FRAMES and not why:
                self.arrivals.give_back(batch)
                return 0
            tracks = follow_stars(part)
        except BlursplitError as error:
            self._leave_out(batch, str(error))
            return 0
        finally:
            sequence.source.close()
        self.problem = ""
        if why:
            self._new_run(batch, sequence, why)
            begin_s = 0.0
        run = sure(self.run)  # the first frames begin one
        run.left_out += part.n_frames - tracks.n_frames  # no star was found in them
        if not run.add(tracks, begin_s):
            self.notes.append(sentence("watch-other-field", frames=tracks.n_frames))
        self.run_files += [path for path in batch.paths if path not in self.run_files[-1:]]
        return tracks.n_frames

    def _leave_out(self, batch: _Batch, why: str) -> None:
        """Count frames that cannot be read or show no star: they do not come again."""
        self.problem = why
        if self.run is not None:
            self.run.left_out += batch.count
            self.notes.append(sentence("watch-left-out", frames=batch.count, why=why))

    def _begin(self, batch: _Batch, part: Sequence) -> tuple[float, str]:
        """Return when frames begin in the present run, and why they begin a new one ("" if not)."""
        start = _mjd(part)
        run = self.run
        if run is None:
            return 0.0, "first frames"
        if batch.kind[0] != run.kind[0]:
            old, new = (f"{wide} x {high}" for high, wide in (run.kind[0], batch.kind[0]))
            return 0.0, sentence("run-other-region", old=old, new=new)
        if batch.kind[1] != run.kind[1]:
            old, new = (setup_text("exposure_s", kind[1]) for kind in (run.kind, batch.kind))
            return 0.0, sentence("run-other-exposure", old=old, new=new)
        begin = run.end_s + (part.cadence_s or 0.0)
        if start is not None and self._start_mjd is not None:
            begin = (start - self._start_mjd) * 86_400.0
        why = ""
        if begin - run.end_s > const.WATCH_NEW_RUN_S:
            why = sentence("run-paused", pause_s=begin - run.end_s)
        elif begin < run.end_s - (part.cadence_s or 0.0):
            why = sentence("run-back-in-time")
        return begin, why

    def _new_run(self, batch: _Batch, sequence: Sequence, why: str) -> None:
        if self.run is not None:
            self.notes.append(sentence("watch-new-run", why=why))
        self.runs += 1
        self.run = _LiveRun(batch.kind, sequence.instrument)
        self.run_files = []
        self._start_mjd = _mjd(_newest(sequence, batch))

    def updates(
        self,
        *,
        before: StarTracks | None = None,
        every_s: float = const.WATCH_EVERY_S,
        idle_s: float = const.WATCH_IDLE_S,
        until_decided: bool = False,
        fits: Fits | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> Iterator[Update]:
        """Yield what is known every few seconds, and at last why the watch ended.

        `before`: an earlier record, whose lines are compared. `every_s`: the first update comes so
        long after the first frames. `idle_s`: without new frames for so long the watch ends.
        `until_decided`: end when two updates, or two whole fits, in a row say the same "yes" or
        "no" (one may be luck). `fits`: fits on the way; an update waits for a quick one for a
        moment, and comes again with it where it takes longer. `clock`, `sleep`: for tests.
        """
        begun = last = clock()
        due: float | None = None
        agreement, update = _Agreement(), Update()
        while True:
            now = clock()
            came = self.look(now)
            if came:
                last = clock()
                due = due or now + every_s - const.WATCH_LOOK_S
            run = self.run
            is_due = due is not None and clock() >= due
            if fits is not None and run is not None:
                _ask(fits, self.runs, run, is_due=is_due)
            if due is not None and is_due and run is not None:
                update = _update(self, before, last, clock)
                due += every_s * max(1.0, np.ceil((clock() - due) / every_s))
                if fits is not None:
                    most_s = const.WATCH_FIT_WAIT_S
                    fits.answer((most_s if fits.is_quick(most_s) else 0.0) - update.late_s)
                    fits.offer(self.runs, self.run_files, self.rig, run.end_s)
                    update = replace(update, fits=fits.known)
                yield update
                if agreement.is_reached(update) and until_decided:
                    yield replace(update, ended="decided twice in a row")
                    return
            # As of the look: frames that come while something is said are found by the next one.
            if not came and now - max(last, begun) > idle_s:
                update = _update(self, before, last, clock)
                known = () if fits is None else fits.known
                yield replace(update, fits=known, ended=f"no new frame for {idle_s:.0f} s")
                return
            next_s = now + const.WATCH_LOOK_S
            if fits is not None and fits.answer(next_s - clock()) and update.found:
                update = replace(update, fits=fits.known)
                yield update
            sleep(max(0.0, next_s - clock()))


def _newest(sequence: Sequence, batch: _Batch) -> Sequence:
    """Return the frames of a batch, in order of time: later ones came while it was opened."""
    late = batch.skip + batch.count
    new = np.flatnonzero((sequence.frame >= batch.skip) & (sequence.frame < late))
    return sequence.part(int(new[0]), int(new[-1]) + 1)


def _mjd(sequence: Sequence) -> float | None:
    """Return the date of the first frame; differences of it are all that is used."""
    if sequence.start_utc is None:
        return None
    since = np.datetime64(sequence.start_utc, "us") - np.datetime64("1858-11-17", "us")
    return float(since / np.timedelta64(1, "s")) / 86_400.0


def _ask(fits: Fits, number: int, run: _LiveRun, *, is_due: bool) -> None:
    """Ask for a quick fit, where none was made in this run before it is due: later ones start it.

    The first starts from nothing and takes longest.
    """
    is_owed = fits.is_owed and not fits.is_asked
    if is_due or is_owed or (fits.is_cold(number) and run.end_s >= const.WATCH_FIT_WARM_S):
        fits.ask(number, run.latest(), run.rig)


@dataclass
class _Agreement:
    """Whether two updates in a row, or two whole fits, say the same "yes" or "no"."""

    bounds: int = 0
    fits: list[FitSoFar] = field(default_factory=list)

    def is_reached(self, update: Update) -> bool:
        decided = update.found is not None and update.found.mechanics != "open"
        self.bounds = self.bounds + 1 if decided else 0
        whole = next((fit for fit in update.fits if fit.is_whole), None)
        if whole is not None and whole not in self.fits:
            self.fits = [*self.fits[-1:], whole]
        said = [fit.mechanics for fit in self.fits]
        agree = len(said) > 1 and said[0] == said[1] and said[0] in {"yes", "no"}
        return self.bounds > 1 or agree


def _update(
    watch: Watch, before: StarTracks | None, last: float, clock: Callable[[], float]
) -> Update:
    run = watch.run
    if run is None:
        return Update()
    tracks = run.tracks()
    found = so_far(tracks, run.rig)
    changes = () if before is None else ModeChange.between(before, tracks, run.rig)
    return Update(found, changes, clock() - last)
