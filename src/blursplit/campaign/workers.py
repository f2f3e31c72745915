"""Where sequences are measured, text coming back: own processes, or those of a Dask cluster."""

from __future__ import annotations

import importlib
import os
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from blursplit.constants import CONNECT_TIMEOUT_S
from blursplit.errors import InputError, TimingError
from blursplit.rig import Origin

MEASURE = "blursplit.measure:measure"


@dataclass(frozen=True)
class Task:
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
class Outcome:
    """What came of a task; `result` is the text of result.json."""

    key: str
    status: Literal["done", "failed", "too short"]
    reason: str = ""
    result: str | None = None
    seconds: float = 0.0


def prepare_process() -> None:
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


def measure_task(task: Task) -> Outcome:
    """Measure one sequence; whatever goes wrong comes back as a reason."""
    from blursplit.errors import BlursplitError, TimingError, TooFewFramesError

    start = time.perf_counter()
    try:
        try:
            text = _measured(task)
        except TimingError as error:
            text = _width_alone(task, error)
    except TooFewFramesError as error:
        return Outcome(task.key, "too short", str(error), seconds=time.perf_counter() - start)
    except BlursplitError as error:
        return Outcome(task.key, "failed", str(error), seconds=time.perf_counter() - start)
    except Exception as error:  # noqa: BLE001 - one broken sequence must not stop an archive
        return Outcome(task.key, "failed", _internal(error), seconds=time.perf_counter() - start)
    return Outcome(task.key, "done", result=text, seconds=time.perf_counter() - start)


def _measured(task: Task, **camera: float) -> str:
    """Measure and return the text of result.json; write the whole result where one is wanted."""
    from blursplit.rig import Rig, Setup

    module, _, name = task.measure.partition(":")
    measure = getattr(importlib.import_module(module), name)
    setup = task.setup | ({"camera": task.setup.get("camera", {}) | camera} if camera else {})
    rig = Rig.of_setup(Setup.model_validate(setup), task.origins)
    measurement = measure(list(task.paths), rig, blur_time=task.blur_time_s)
    if task.folder is not None and not camera:
        measurement.save(Path(task.folder) / task.key, replace=True)
    return str(measurement.result.to_json())


def _width_alone(task: Task, missing: TimingError) -> str:
    """Measure frames without times for their width: all else depends on when they were taken."""
    from blursplit.errors import BlursplitError
    from blursplit.result import Fwhm, Remark, Result

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
        warnings=[Remark(code="times-unknown", text=str(missing))],
    )
    return alone.to_json()


def _internal(error: Exception) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}:{last.lineno}"  # noqa: PTH119
    return f"internal failure, please report it: {type(error).__name__}: {error} ({place})"


THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class _Here(Executor):
    """Runs a task in this process while it is submitted."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


@contextmanager
def local_processes(workers: int) -> Iterator[Executor]:
    """Open a pool of fresh processes; leaving it by an exception stops them at once.

    With no workers the tasks run one by one in this process.
    """
    if workers == 0:
        yield _Here()
        return
    import multiprocessing
    import os
    from concurrent.futures import ProcessPoolExecutor

    pool = ProcessPoolExecutor(
        max_workers=workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=prepare_process,
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
def dask_cluster(address: str) -> Iterator[tuple[Executor, int]]:
    """Connect to an existing cluster and return its executor and its number of threads.

    `address`: such as ``tcp://192.0.2.7:8786``. The workers need blursplit installed and must see
    the archive under the same paths.

    Raises InputError when the Dask client is not installed, nothing answers, or no worker is there.
    """
    if "://" not in address and ":" not in address:
        # Refused here: the client's own refusal leaves a half-made object that complains at exit.
        raise InputError(
            f"--scheduler {address}", "is no address", "write e.g. tcp://192.0.2.7:8786"
        )
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            f"--scheduler {address}",
            "needs the Dask client",
            "install blursplit with its 'dask' extra",
        ) from error
    try:
        client = Client(  # type: ignore[no-untyped-call]
            address, timeout=CONNECT_TIMEOUT_S, set_as_default=False
        )
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"--scheduler {address}",
            f"does not answer ({type(error).__name__})",
            "check the address and that the scheduler runs",
        ) from error
    with client:
        threads = sum(client.ncores().values())  # type: ignore[no-untyped-call]
        if threads == 0:
            raise InputError(f"--scheduler {address}", "has no workers", "start some workers")
        # An impure task runs once per call; retries cover workers that die.
        executor = client.get_executor(  # type: ignore[no-untyped-call]
            pure=False, retries=1
        )
        try:
            yield executor, threads
        finally:
            executor.shutdown(wait=False)
