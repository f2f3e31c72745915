"""Measure every sequence under a folder into a store; stop it at any time and run it again."""

from __future__ import annotations

import difflib
import hashlib
import json
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from blursplit.campaign.grouping import Group, walk
from blursplit.campaign.store import CONDITIONS, Store
from blursplit.campaign.workers import (
    MEASURE,
    Outcome,
    Task,
    dask_cluster,
    local_processes,
    measure_task,
)
from blursplit.constants import LEAST_FRAMES_OF_SEQUENCE
from blursplit.errors import InputError, OutputError
from blursplit.plain import plain
from blursplit.result import SCHEMA
from blursplit.rig import Rig, as_rig

DIED = "the process that measured it died: out of memory, or killed from outside"


@dataclass
class ArchiveRun:
    """What one run did.

    Parameters
    ----------
    sequences : int
        Sequences found under the folder.
    known : int
        Of these, in the store already.
    done, failed, too_short : int
        Measured now, failed now (the store holds the reasons), too few frames.
    refused_files : int
        FITS files that could not be read.
    skipped_files : dict
        Reason -> files that are no exposures of the sky, or copies.
    settings : set of str
        Digests of setup and options, as in the store's column ``settings``: one, or one for each
        telescope whose scale is given.
    superseded : set of str
        Keys under which sequences whose scale is given now stood without it.
    """

    sequences: int = 0
    known: int = 0
    done: int = 0
    failed: int = 0
    too_short: int = 0
    refused_files: int = 0
    skipped_files: dict[str, int] = field(default_factory=dict)
    settings: set[str] = field(default_factory=set)
    superseded: set[str] = field(default_factory=set)


def archive(
    folder: Path,
    store_path: Path,
    *,
    rig: Rig | str | Path | None = None,
    blur_time_s: float | None = None,
    gap_s: float | None = None,
    min_frames: int = LEAST_FRAMES_OF_SEQUENCE,
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

    Parameters
    ----------
    folder : Path
        Walked with all its sub-folders, read only.
    store_path : Path
        SQLite file, made when absent.
    rig, blur_time_s
        As for `blursplit.measure`; another setup or blur time is another row.
    gap_s : float, optional
        Pause that starts a new sequence; see `walk`.
    min_frames : int
        Shorter sequences are noted as "too short" and not measured.
    workers : int
        Processes of this machine, unless `scheduler` is given; 0 measures in this process.
    scheduler : str, optional
        Address of an existing Dask cluster.
    retry_failed : bool
        Whether to try again what failed in an earlier run.
    scales : mapping of str to float, optional
        Telescope, as the headers name it, -> pixel scale [arcsec]: for all of its sequences.
    results : Path, optional
        Folder into which whole results go, each as a folder named by the key of the sequence.
    measure : str
        ``module:function`` that measures; for trials.
    on_walk, on_sequence : callable, optional
        Progress: files seen; sequences finished and their total.

    Returns
    -------
    ArchiveRun

    Raises
    ------
    InputError
        When the folder or the store cannot be used.
    OutputError
        When the store cannot be written, or the cluster is lost; what was finished is kept.

    Notes
    -----
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
    declared = as_rig(rig)
    tables = declared.setup.model_dump(mode="json", exclude_none=True)
    origins = {key: entry.origin for key, entry in declared.settings.items()}
    by_telescope = {name.casefold(): scale for name, scale in (scales or {}).items()}
    with Store(store_path) as store:
        found = walk(folder, gap_s, on_walk)
        store.refuse(list(found.refused))
        _refuse_unknown(scales or {}, found.groups)
        run = ArchiveRun(
            sequences=len(found.groups),
            refused_files=len(found.refused),
            skipped_files=found.skipped,
        )
        todo: deque[tuple[Task, Group]] = deque()
        known = store.known(with_failed=not retry_failed)
        for group in found.groups:
            scale = by_telescope.get(str(group.facts.get("telescope") or "").casefold())
            own = tables if scale is None else _with_scale(tables, scale)
            settings = settings_digest(own, blur_time_s)
            run.settings.add(settings)
            if scale is not None:
                run.superseded.add(_key(group, settings_digest(tables, blur_time_s)))
            key = _key(group, settings)
            task = Task(
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
                short = Outcome(key, "too short", f"{group.frames} frames, {min_frames} needed")
                _write(store, run, (task, group), short)
            else:
                todo.append((task, group))
        if results is not None and todo:
            results.mkdir(parents=True, exist_ok=True)
        _run_all(store, run, todo, workers, scheduler, on_sequence)
    return run


def _with_scale(tables: Mapping[str, Any], scale: float) -> dict[str, Any]:
    return dict(tables) | {"camera": tables.get("camera", {}) | {"pixel_scale_arcsec": scale}}


def _refuse_unknown(scales: Mapping[str, float], groups: Sequence[Group]) -> None:
    """Refuse the scale of a telescope that no header names."""
    names = sorted({str(g.facts["telescope"]) for g in groups if g.facts.get("telescope")})
    there = {name.casefold() for name in names} | {""}
    for name in scales:
        if name.casefold() not in there:
            near = difflib.get_close_matches(name, names, n=1, cutoff=0.4)
            remedy = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(names)}"
            raise InputError(f"--scale {name}", "is no telescope of these headers", remedy)


def settings_digest(tables: Mapping[str, Any], blur_time_s: float | None) -> str:
    """Return a digest of everything besides the files that changes a result."""
    text = json.dumps([tables, blur_time_s, SCHEMA], sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def _key(group: Group, settings: str) -> str:
    return hashlib.blake2b(f"{group.key}/{settings}".encode(), digest_size=16).hexdigest()


class _Line:
    """Tasks in flight, at most a few, and their results as they come."""

    def __init__(
        self,
        store: Store,
        run: ArchiveRun,
        total: int,
        on_sequence: Callable[[int, int], None] | None,
    ) -> None:
        self.store, self.run, self.total, self.tell = store, run, total, on_sequence
        self.finished = 0
        self.flying: dict[Future[Outcome], tuple[Task, Group]] = {}

    def feed(self, executor: Executor, todo: deque[tuple[Task, Group]], at_most: int) -> None:
        """Keep `at_most` tasks in flight until none is left; BrokenProcessPool passes through."""
        while todo or self.flying:
            while todo and len(self.flying) < at_most:
                pair = todo.popleft()
                self.flying[_submit(executor, pair, todo)] = pair
            ready, _ = wait(self.flying, return_when=FIRST_COMPLETED)
            for future in ready:
                self.take(future)

    def take(self, future: Future[Outcome]) -> None:
        pair = self.flying[future]
        try:
            outcome = future.result()
        except BrokenProcessPool:
            raise
        except CancelledError as error:
            raise OutputError(
                self.store.path, "lost the cluster", "run again: what is finished is kept"
            ) from error
        except Exception as error:  # noqa: BLE001 - whatever a cluster raises for a lost worker
            outcome = Outcome(pair[0].key, "failed", _lost(error))
        del self.flying[future]
        self.settle(pair, outcome)

    def settle(self, pair: tuple[Task, Group], outcome: Outcome) -> None:
        _write(self.store, self.run, pair, outcome)
        self.finished += 1
        if self.tell is not None:
            self.tell(self.finished, self.total)


def _submit(
    executor: Executor, pair: tuple[Task, Group], todo: deque[tuple[Task, Group]]
) -> Future[Outcome]:
    try:
        return executor.submit(measure_task, pair[0])
    except BrokenProcessPool:
        todo.appendleft(pair)
        raise


def _lost(error: Exception) -> str:
    if type(error).__name__ == "KilledWorker":
        return DIED
    return f"the cluster gave it up: {type(error).__name__}: {error}"


def _run_all(
    store: Store,
    run: ArchiveRun,
    todo: deque[tuple[Task, Group]],
    workers: int,
    scheduler: str | None,
    on_sequence: Callable[[int, int], None] | None,
) -> None:
    line = _Line(store, run, len(todo), on_sequence)
    if not todo:
        return
    if scheduler is not None:
        with dask_cluster(scheduler) as (executor, threads):
            line.feed(executor, todo, 2 * threads)
        return
    while todo:
        try:
            with local_processes(workers) as executor:
                line.feed(executor, todo, max(2 * workers, 1))
        except BrokenProcessPool:
            suspects = list(line.flying.values())
            line.flying.clear()
            for suspect in suspects:
                _try_alone(line, suspect)


def _try_alone(line: _Line, suspect: tuple[Task, Group]) -> None:
    """Measure one of the sequences that were in flight when a process died, with no company."""
    try:
        with local_processes(1) as executor:
            line.feed(executor, deque([suspect]), 1)
    except BrokenProcessPool:
        line.flying.clear()
        line.settle(suspect, Outcome(suspect[0].key, "failed", DIED))


def _write(store: Store, run: ArchiveRun, pair: tuple[Task, Group], outcome: Outcome) -> None:
    from importlib.metadata import version

    task, group = pair

    row = {
        "content": group.key,
        "settings": task.settings,
        "status": outcome.status,
        "reason": outcome.reason,
        "name": _name(group),
        "first_file": group.paths[0],
        "files": len(group.paths),
        "frames": group.frames,
        **{name: group.facts.get(name) for name in CONDITIONS},
        "seconds": outcome.seconds,
        "version": version("blursplit"),
    }
    store.put(outcome.key, row, group.paths, outcome.result)
    counter = {"done": "done", "failed": "failed", "too short": "too_short"}[outcome.status]
    setattr(run, counter, getattr(run, counter) + 1)


def _name(group: Group) -> str:
    parts = [
        str(group.facts.get(k)) for k in ("object", "filter", "start_utc") if group.facts.get(k)
    ]
    return plain(" ".join(parts) or group.paths[0])
