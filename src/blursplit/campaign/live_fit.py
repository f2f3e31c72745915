"""Fits while frames arrive: of the latest frames within seconds, of many more of them beside.

Two processes that end with the watch. One waits for the latest frames' tracks and answers at
once: it keeps what new frames do not change, the tables of the air and where the last fit's
particles ended, and leaves out what decides nothing. The other makes the whole fit, as `measure`
does, of the files; again whenever there is enough more to fit.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.budget.fit import AirFit, Kept, Pace
from blursplit.budget.line_search import Lines
from blursplit.budget.record import Allowed, Motion
from blursplit.drive.terms import DriveTerm
from blursplit.errors import BlursplitError
from blursplit.evidence.guest import AboveTheAir, Record
from blursplit.frames import open_frames
from blursplit.image.stack import StarImages
from blursplit.measure import measure_tracks
from blursplit.report.words import put_in_words, sentence
from blursplit.rig import Rig
from blursplit.sources import Source
from blursplit.stars import StarTracks, follow_stars


@dataclass(frozen=True)
class FitSoFar:
    """What a fit says of a part of a run, which begins and ends so long after its first frame."""

    begin_s: float
    end_s: float
    headline: str  # or why there is none
    mechanics: str  # "yes", "no", "open" or "not asked"
    is_whole: bool = True
    is_warm: bool = False  # went on from the last one of the run
    cpu_s: float = 0.0  # processor time that it took

    @property
    def sentence(self) -> str:
        """What it says, and of what."""
        return sentence(
            "watch-fit",
            what="whole fit" if self.is_whole else "quick fit",
            begin_s=self.begin_s,
            end_s=self.end_s,
            headline=self.headline,
        )


def _fit_so_far(files: list[Path], rig: Rig) -> FitSoFar:
    """Measure what a run has so far as `measure` would; of a long one the latest frames."""
    start = time.process_time()
    sequence = open_frames(files[-const.WATCH_FRAMES_KEPT :], rig, growing=True)
    first = max(0, sequence.source.n_frames - const.WATCH_FRAMES_KEPT)
    try:
        tracks = follow_stars(sequence.part(first, sequence.source.n_frames))
    finally:
        sequence.source.close()
    source = Source(tracks, sequence.instrument, "so far", len(files), tracks.n_frames)
    verdict = measure_tracks(source).result.verdict
    begin_s = float(sequence.time_s[first] - sequence.time_s[0])
    end_s = begin_s + float(tracks.time_s[-1] - tracks.time_s[0])
    cpu_s = time.process_time() - start
    mechanics = verdict.matters.get("mechanics", "open")
    return FitSoFar(begin_s, end_s, verdict.headline, mechanics, cpu_s=cpu_s)


class _QuickFits:
    """Quick answers about a run, each of which keeps what it can of the last one."""

    def __init__(self) -> None:
        self.fit: AirFit | None = None  # the last one
        self._kept: Kept | None = None
        self._lines: Lines | None = None
        self._terms: tuple[DriveTerm, ...] | None = None
        self._last: tuple[Record, StarImages | None] | None = None

    def answer(self, tracks: StarTracks, rig: Rig) -> FitSoFar:
        """Return what the tracks say, by the stages of `measure_tracks`.

        Lines and a drive's period are those that `look_ahead` found in the tracks before.
        """
        from blursplit.budget import answer, findings
        from blursplit.evidence.mask import MaskGuest
        from blursplit.evidence.two_rates import TwoRates

        start = time.process_time()
        begin_s, end_s = float(tracks.time_s[0]), float(tracks.time_s[-1])
        tracks = replace(tracks, time_s=tracks.time_s - begin_s)
        run = Record.of(tracks, rig, None, (TwoRates(None), AboveTheAir(), MaskGuest()))
        motion = Motion.of(run, self._terms)
        stack = run.stacked()
        allowed = Allowed.of(run, motion, stack)
        self._last = run, stack
        lines = self._lines or Lines.of(run, motion, stack)
        sizes = const.WATCH_HISTORIES, const.WATCH_PARTICLES
        pace = Pace(*sizes, with_shares=False, kept=self._kept)
        given = answer.Answer.of(run, motion, stack, allowed, lines, const.MEASURE_SEED, pace=pace)
        self.fit = given.fit
        self._kept = self._kept if given.fit is None else given.fit.kept
        source = Source(tracks, rig, "so far", 1, tracks.n_frames)
        result = findings.write_down(
            source, run, motion, stack, allowed, lines, given, (), None, "", const.MEASURE_SEED
        )
        put_in_words(result)
        return FitSoFar(
            begin_s,
            end_s,
            result.verdict.headline,
            result.verdict.matters.get("mechanics", "open"),
            is_whole=False,
            is_warm=given.fit is not None and given.fit.is_warm,
            cpu_s=time.process_time() - start,
        )

    def afresh(self) -> _QuickFits:
        """Return the same without an earlier fit to start from."""
        fresh = _QuickFits()
        fresh._lines, fresh._terms = self._lines, self._terms
        return fresh

    def look_ahead(self) -> None:
        """Find what the next answer keeps of the last tracks, while nobody waits."""
        if self._last is None:
            return
        run, stack = self._last
        motion = Motion.of(run)
        self._terms, self._lines = motion.terms, Lines.of(run, motion, stack)


def _quietly(below: int) -> None:
    """Let frames come first; Ctrl-C is for the watch, which ends its processes itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(below)


def _whole_into(pipe: Any, files: list[Path], rig: Rig) -> None:
    _quietly(10)
    try:
        pipe.send(_fit_so_far(files, rig))
    except BlursplitError as error:
        pipe.send(FitSoFar(0.0, 0.0, str(error), "open"))


def _answer_each(pipe: Any) -> None:
    """Answer for each set of tracks that comes, until the watch is gone."""
    _quietly(2)
    fits, of_run = _QuickFits(), 0
    while True:
        try:
            run, tracks, rig = pipe.recv()
            if run != of_run:
                fits, of_run = _QuickFits(), run
            try:
                found = fits.answer(tracks, rig)
            except BlursplitError as error:
                ends = float(tracks.time_s[0]), float(tracks.time_s[-1])
                found = FitSoFar(*ends, str(error), "open", is_whole=False)
            pipe.send((run, found))
            fits.look_ahead()
        except (EOFError, BrokenPipeError):
            return


def _send_unless_gone(pipe: Any, what: object) -> None:
    """Send to a process that may end meanwhile: whoever waits for its answer sees that."""
    with contextlib.suppress(OSError):
        pipe.send(what)


class Fits:
    """Fits beside a watch: quick ones when asked, whole ones when there is enough more to fit."""

    def __init__(self) -> None:
        self.quick: FitSoFar | None = None
        self.whole: FitSoFar | None = None
        self._spawn = multiprocessing.get_context("spawn")
        self._answerer: tuple[Any, Any] | None = None
        self._asked = 0  # the run that an answer is due for
        self.is_owed = False  # somebody asked while an earlier answer was still due
        self._asked_s, self._took_s = 0.0, np.inf  # the last answer, by the clock on the wall
        self._running: tuple[int, Any, Any] | None = None
        self._run, self._fitted_s = 0, 0.0

    @property
    def known(self) -> tuple[FitSoFar, ...]:
        """The latest of each kind."""
        return tuple(fit for fit in (self.quick, self.whole) if fit is not None)

    @property
    def is_asked(self) -> bool:
        """Whether a quick answer is due."""
        return self._asked > 0

    def is_cold(self, run: int) -> bool:
        """Return whether nobody has asked for a quick answer in this run."""
        return run != self._run or (self.quick is None and not self.is_asked)

    def ask(self, run: int, tracks: StarTracks, rig: Rig) -> None:
        """Ask for a quick answer; while one is still due it stays owed."""
        self._begin(run)
        self.is_owed = self.is_asked
        if self.is_asked:
            return
        if self._answerer is None or not self._answerer[0].is_alive():
            self._answerer = self._start(_answer_each)
        # Half a minute of tracks is more than a pipe holds, and the answerer may be looking ahead:
        # frames and numbers do not wait until it reads.
        question = (self._answerer[1], (run, tracks, rig))
        threading.Thread(target=_send_unless_gone, args=question, daemon=True).start()
        self._asked, self._asked_s = run, time.monotonic()

    def is_quick(self, most_s: float) -> bool:
        """Return whether the last answer took no longer: the next is worth waiting for."""
        return self._took_s <= most_s

    def answer(self, wait_s: float) -> bool:
        """Take up a quick answer that comes within so many seconds; return whether one did."""
        if self._answerer is None or not self.is_asked:
            return False
        process, pipe = self._answerer
        try:
            if not pipe.poll(max(wait_s, 0.0)):
                return False
            run, found = pipe.recv()
        except (EOFError, ConnectionResetError):  # it was ended from outside
            process.join()
            self._answerer, self._asked = None, 0
            return False
        self._asked, self._took_s = 0, time.monotonic() - self._asked_s
        if run == self._run:
            self.quick = found
        return bool(run == self._run)

    def offer(self, run: int, files: list[Path], rig: Rig, seconds: float) -> None:
        """Take up a whole fit that has ended; begin the next where the run is longer by enough."""
        self._begin(run)
        if self._running is not None:
            of_run, process, pipe = self._running
            ended = pipe.poll() or not process.is_alive()
            if ended and pipe.poll():
                found = pipe.recv()
                self.whole = found if of_run == run else self.whole
            self._running = None if ended else self._running
        due = max(const.WATCH_FIT_FIRST_S, const.WATCH_FIT_LONGER * self._fitted_s)
        if self._running is None and seconds >= due:
            process, here = self._start(_whole_into, list(files), rig)
            self._running, self._fitted_s = (run, process, here), seconds

    def wait(self) -> None:
        """Wait until the whole fit that runs, if any, has ended."""
        if self._running is not None:
            self._running[1].join()

    def close(self) -> None:
        """End both processes: nobody waits for them any more."""
        for process in [one[-2] for one in (self._answerer, self._running) if one is not None]:
            process.terminate()
            process.join()
        self._answerer = self._running = None
        self._asked = 0

    def _start(self, work: Callable[..., None], *given: Any) -> tuple[Any, Any]:
        """Begin a process that ends with this one; return it, and this end of its pipe."""
        here, there = self._spawn.Pipe()
        process = self._spawn.Process(target=work, args=(there, *given), daemon=True)
        process.start()
        there.close()
        return process, here

    def _begin(self, run: int) -> None:
        """Forget what was said of an earlier run."""
        if run != self._run:
            self._run, self._fitted_s, self.quick, self.whole = run, 0.0, None, None
