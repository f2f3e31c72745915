"""Measure every sequence under a folder into a store; stop it at any time and run it again.

Where sequences are measured, text coming back: own processes, or those of a Dask cluster.
"""

from __future__ import annotations

import difflib
import hashlib
import importlib
import json
import os
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

from blursplit import constants as const
from blursplit.campaign.grouping import Group, walk
from blursplit.campaign.store import CONDITIONS, Store
from blursplit.errors import (
    BlursplitError,
    InputError,
    OutputError,
    TimingError,
    TooFewFramesError,
    plain,
)
from blursplit.report.words import said, sentence
from blursplit.result import SCHEMA, Fwhm, Result
from blursplit.rig import Origin, Rig, Setup

MEASURE = "blursplit.measure:measure"


@dataclass(frozen=True)
class _Task:
    """One sequence to measure."""

    key: str
    paths: tuple[str, ...]  # files in order; every process must see them under these names
    setup: dict[str, Any] = field(default_factory=dict)  # tables of the setup file
    origins: dict[str, Origin] = field(default_factory=dict)  # flat key -> "setup file" or "option"
    blur_time_s: float | None = None
    measure: str = MEASURE  # ``module:function`` with the arguments of `blursplit.measure.measure`
    settings: str = ""  # digest of setup and options, for the store
    # Taken for the frame interval where nothing tells the times, so that widths come out.
    interval_s: float = 1.0
    folder: str | None = None  # where the whole result goes, as a folder named by the key


@dataclass(frozen=True)
class _Outcome:
    """What came of a task; `result` is the text of result.json."""

    key: str
    status: Literal["done", "failed", "too short"]
    reason: str = ""
    result: str | None = None
    seconds: float = 0.0


def _prepare_process() -> None:
    """Set up a worker process: no Ctrl-C of its own, no life after its parent's."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process when its parent is gone, even when the parent was killed."""
    import multiprocessing
    from multiprocessing.connection import wait

    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _measure_task(task: _Task) -> _Outcome:
    """Measure one sequence; whatever goes wrong comes back as a reason."""
    start = time.perf_counter()
    try:
        try:
            outcome = _Outcome(task.key, "done", result=_measured(task))
        except TimingError as error:
            outcome = _Outcome(task.key, "done", result=_width_alone(task, error))
    except TooFewFramesError as error:
        outcome = _Outcome(task.key, "too short", str(error))
    except BlursplitError as error:
        outcome = _Outcome(task.key, "failed", str(error))
    except Exception as error:  # noqa: BLE001 - one broken sequence must not stop an archive
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(last.filename).name}:{last.lineno}"
        facts = {"kind": type(error).__name__, "error": str(error), "place": place}
        outcome = _Outcome(task.key, "failed", sentence("internal-failure", **facts))
    return replace(outcome, seconds=time.perf_counter() - start)


def _measured(task: _Task, **camera: float) -> str:
    """Measure and return the text of result.json; write the whole result where one is wanted."""
    module, _, name = task.measure.partition(":")
    measure = getattr(importlib.import_module(module), name)
    setup = task.setup | ({"camera": task.setup.get("camera", {}) | camera} if camera else {})
    rig = Rig.of_setup(Setup.model_validate(setup), task.origins)
    measurement = measure(list(task.paths), rig, blur_time=task.blur_time_s)
    if task.folder is not None and not camera:
        measurement.save(Path(task.folder) / task.key, replace=True)
    return str(measurement.result.to_json())


def _width_alone(task: _Task, missing: TimingError) -> str:
    """Measure frames without times for their width: all else depends on when they were taken."""
    try:
        whole = Result.from_json(_measured(task, frame_interval_s=task.interval_s))
    except BlursplitError as error:
        raise missing from error
    sequence = {"cadence_s": None, "duration_s": None, "nyquist_hz": None, "start_utc": None}
    known = {
        name: getattr(whole.fwhm, name) for name in Fwhm.model_fields if name.startswith("recorded")
    }
    alone = Result(
        version=whole.version,
        sequence=whole.sequence.model_copy(update=sequence),
        setup={k: e for k, e in whole.setup.items() if k != "frame_interval_s"},
        fwhm=Fwhm(**known),
        warnings=[said("times-unknown", missing=str(missing))],
    )
    return alone.to_json()


THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class _Here(Executor):
    """Runs a task in this process while it is submitted."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


@contextmanager
def _local_processes(workers: int) -> Iterator[Executor]:
    """Open a pool of fresh processes; leaving it by an exception stops them at once.

    With no workers the tasks run one by one in this process.
    """
    if workers == 0:
        yield _Here()
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    pool = ProcessPoolExecutor(
        max_workers=workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_prepare_process,
    )
    # Read by numpy when a new process loads it: one thread each, or two processes fight for two
    # cores. Set here because a new process loads numpy before any code of ours runs in it.
    absent = [name for name in THREAD_VARIABLES if name not in os.environ]
    os.environ.update(dict.fromkeys(absent, "1"))
    try:
        yield pool
    except BaseException:
        # Taken before the shutdown, which forgets them.
        processes = list((pool._processes or {}).values())  # noqa: SLF001 - public from 3.14 on
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()
        raise
    finally:
        for name in absent:
            os.environ.pop(name, None)
    pool.shutdown(wait=True)


@contextmanager
def _dask_cluster(address: str) -> Iterator[tuple[Executor, int]]:
    """Connect to an existing cluster and return its executor and its number of threads.

    The workers need blursplit installed and must see the archive under the same paths.
    """
    option = f"--scheduler {address}"
    if ":" not in address:
        # Refused here: the client's own refusal leaves a half-made object that complains at exit.
        raise InputError(option, "is no address", "write e.g. tcp://192.0.2.7:8786")
    try:
        from distributed import Client
    except ImportError as error:
        remedy = "install blursplit with its 'dask' extra"
        raise InputError(option, "needs the Dask client", remedy) from error
    try:
        client = Client(  # type: ignore[no-untyped-call]
            address, timeout=const.CONNECT_TIMEOUT_S, set_as_default=False
        )
    except (OSError, ValueError, TypeError) as error:
        problem = f"does not answer ({type(error).__name__})"
        remedy = "check the address and that the scheduler runs"
        raise InputError(option, problem, remedy) from error
    with client:
        threads = sum(client.ncores().values())  # type: ignore[no-untyped-call]
        if threads == 0:
            raise InputError(option, "has no workers", "start some workers")
        # An impure task runs once per call; retries cover workers that die.
        executor = client.get_executor(pure=False, retries=1)  # type: ignore[no-untyped-call]
        try:
            yield executor, threads
        finally:
            executor.shutdown(wait=False)


# --- every sequence under a folder ----------------------------------------------------------------


@dataclass
class ArchiveRun:
    """What one run did."""

    sequences: int = 0  # sequences found under the folder
    known: int = 0  # of these, in the store already
    done: int = 0  # measured now
    failed: int = 0  # now; the store holds the reasons
    too_short: int = 0  # too few frames
    refused_files: int = 0  # FITS files that could not be read
    # reason -> files that are no exposures of the sky, or copies
    skipped_files: dict[str, int] = field(default_factory=dict)
    # digests of setup and options, as in the store's column ``settings``: one, or one for each
    # telescope whose scale is given
    settings: set[str] = field(default_factory=set)
    # keys under which sequences whose scale is given now stood without it
    superseded: set[str] = field(default_factory=set)


def archive(
    folder: Path,
    store_path: Path,
    *,
    rig: Rig | str | Path | None = None,
    blur_time_s: float | None = None,
    gap_s: float | None = None,
    min_frames: int = const.LEAST_FRAMES_OF_SEQUENCE,
    workers: int = 2,
    scheduler: str | None = None,
    retry_failed: bool = False,
    scales: Mapping[str, float] | None = None,
    results: Path | None = None,
    measure: str = MEASURE,
    on_walk: Callable[[int], None] | None = None,
    on_sequence: Callable[[int, int], None] | None = None,
) -> ArchiveRun:
    """Measure every sequence under a folder that the store does not hold yet.

    `folder`: walked with all its sub-folders, read only. `store_path`: SQLite file, made when
    absent. `rig`, `blur_time_s`: as for `blursplit.measure`; another setup or blur time is another
    row. `gap_s`: pause that starts a new sequence; see `walk`. `min_frames`: shorter sequences are
    noted as "too short" and not measured. `workers`: processes of this machine, unless `scheduler`
    is given, the address of an existing Dask cluster; 0 measures in this process. `retry_failed`:
    whether to try again what failed in an earlier run. `scales`: telescope, as the headers name it,
    -> pixel scale [arcsec] of all its sequences. `results`: folder into which whole results go,
    each as a folder named by the key of the sequence. `measure`: ``module:function`` that measures,
    for trials. `on_walk`, `on_sequence`: called with the files seen, and with the sequences
    finished and their total.

    Raises InputError when the folder or the store cannot be used; OutputError when the store cannot
    be written, or the cluster is lost: what was finished is kept.

    One row is one transaction, written by this process alone; a run that is killed loses the
    sequences being measured and nothing else. At most twice as many sequences as workers are in
    flight, so that memory does not grow with the archive.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.campaign import archive
    >>> run = archive(Path("night1"), Path("fresh.sqlite"), workers=0)
    >>> run.sequences, run.done
    (1, 1)
    >>> archive(Path("night1"), Path("fresh.sqlite"), workers=0).known
    1
    """
    declared = Rig.of(rig)
    tables = declared.setup.model_dump(mode="json", exclude_none=True)
    origins = {key: entry.origin for key, entry in declared.settings.items()}
    by_telescope = {name.casefold(): scale for name, scale in (scales or {}).items()}
    with Store(store_path) as store:
        found = walk(folder, gap_s, on_walk)
        store.refuse(list(found.refused))
        _refuse_unknown(scales or {}, found.groups)
        run = ArchiveRun(len(found.groups), skipped_files=found.skipped)
        run.refused_files = len(found.refused)
        line = _Line(store, run, on_sequence)
        known = store.known(with_failed=not retry_failed)
        for group in found.groups:
            scale = by_telescope.get(str(group.facts.get("telescope") or "").casefold())
            camera = {"pixel_scale_arcsec": scale}
            own = tables if scale is None else tables | {"camera": tables["camera"] | camera}
            settings = _settings_digest(own, blur_time_s)
            run.settings.add(settings)
            if scale is not None:
                run.superseded.add(_key(group, _settings_digest(tables, blur_time_s)))
            key = _key(group, settings)
            task = _Task(
                key,
                tuple(group.paths),
                own,
                origins if scale is None else origins | {"pixel_scale_arcsec": "option"},
                blur_time_s,
                measure,
                settings,
                float(group.facts.get("exposure_s") or 1.0),
                None if results is None else str(results),
            )
            if key in known:
                store.moved(key, group.paths)
                run.known += 1
            elif group.frames < min_frames:
                reason = sentence("too-short", frames=group.frames, needed=min_frames)
                line.write((task, group), _Outcome(key, "too short", reason))
            else:
                line.todo.append((task, group))
        if results is not None and line.todo:
            results.mkdir(parents=True, exist_ok=True)
        line.measure(workers, scheduler)
    return run


def _refuse_unknown(scales: Mapping[str, float], groups: Sequence[Group]) -> None:
    """Refuse the scale of a telescope that no header names."""
    names = sorted({str(g.facts["telescope"]) for g in groups if g.facts.get("telescope")})
    there = {name.casefold() for name in names} | {""}
    for name in scales:
        if name.casefold() not in there:
            near = difflib.get_close_matches(name, names, n=1, cutoff=0.4)
            remedy = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(names)}"
            raise InputError(f"--scale {name}", "is no telescope of these headers", remedy)


def _settings_digest(tables: Mapping[str, Any], blur_time_s: float | None) -> str:
    """Return a digest of everything besides the files that changes a result."""
    text = json.dumps([tables, blur_time_s, SCHEMA], sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def _key(group: Group, settings: str) -> str:
    return hashlib.blake2b(f"{group.key}/{settings}".encode(), digest_size=16).hexdigest()


@dataclass
class _Line:
    """Sequences on their way into the store: at most a few in flight."""

    store: Store
    run: ArchiveRun
    tell: Callable[[int, int], None] | None
    todo: deque[tuple[_Task, Group]] = field(default_factory=deque)
    flying: dict[Future[_Outcome], tuple[_Task, Group]] = field(default_factory=dict)
    finished: int = 0
    total: int = 0

    def measure(self, workers: int, scheduler: str | None) -> None:
        """Measure what is to do, in processes of this machine or on a cluster."""
        self.total = len(self.todo)
        if self.todo and scheduler is not None:
            with _dask_cluster(scheduler) as (executor, threads):
                self._feed(executor, self.todo, 2 * threads)
        while self.todo:
            try:
                with _local_processes(workers) as executor:
                    self._feed(executor, self.todo, max(2 * workers, 1))
            except BrokenProcessPool:
                suspects = list(self.flying.values())
                self.flying.clear()
                for suspect in suspects:  # each with no company, to find out which it was
                    try:
                        with _local_processes(1) as executor:
                            self._feed(executor, deque([suspect]), 1)
                    except BrokenProcessPool:
                        self.flying.clear()
                        died = _Outcome(suspect[0].key, "failed", sentence("process-died"))
                        self._settle(suspect, died)

    def _feed(self, executor: Executor, todo: deque[tuple[_Task, Group]], at_most: int) -> None:
        """Keep `at_most` tasks in flight until none is left; BrokenProcessPool passes through."""
        while todo or self.flying:
            while todo and len(self.flying) < at_most:
                pair = todo.popleft()
                try:
                    self.flying[executor.submit(_measure_task, pair[0])] = pair
                except BrokenProcessPool:
                    todo.appendleft(pair)
                    raise
            ready, _ = wait(self.flying, return_when=FIRST_COMPLETED)
            for future in ready:
                self._take(future)

    def _take(self, future: Future[_Outcome]) -> None:
        pair = self.flying[future]
        try:
            outcome = future.result()
        except BrokenProcessPool:
            raise
        except CancelledError as error:
            remedy = "run again: what is finished is kept"
            raise OutputError(self.store.path, "lost the cluster", remedy) from error
        except Exception as error:  # noqa: BLE001 - whatever a cluster raises for a lost worker
            kind = type(error).__name__
            died, facts = kind == "KilledWorker", {"kind": kind, "error": str(error)}
            why = sentence("process-died" if died else "cluster-gave-up", **facts)
            outcome = _Outcome(pair[0].key, "failed", why)
        del self.flying[future]
        self._settle(pair, outcome)

    def _settle(self, pair: tuple[_Task, Group], outcome: _Outcome) -> None:
        self.write(pair, outcome)
        self.finished += 1
        if self.tell is not None:
            self.tell(self.finished, self.total)

    def write(self, pair: tuple[_Task, Group], outcome: _Outcome) -> None:
        """Write what came of a sequence into the store, and count it."""
        task, group = pair
        told = [
            str(name) for k in ("object", "filter", "start_utc") if (name := group.facts.get(k))
        ]
        row = {
            "content": group.key,
            "settings": task.settings,
            "status": outcome.status,
            "reason": outcome.reason,
            "name": plain(" ".join(told) or group.paths[0]),
            "first_file": group.paths[0],
            "files": len(group.paths),
            "frames": group.frames,
            **{name: group.facts.get(name) for name in CONDITIONS},
            "seconds": outcome.seconds,
            "version": version("blursplit"),
        }
        self.store.put(outcome.key, row, group.paths, outcome.result)
        counter = outcome.status.replace(" ", "_")
        setattr(self.run, counter, getattr(self.run, counter) + 1)
