"""What runs in another process: measure one sequence and come back with text, never with arrays."""

from __future__ import annotations

import importlib
import os
import threading
import time
import traceback
from dataclasses import dataclass, field
from typing import Any, Literal

from blursplit.rig import Origin

MEASURE = "blursplit.measure:measure"


@dataclass(frozen=True)
class Task:
    """One sequence to measure.

    Parameters
    ----------
    key : str
    paths : tuple of str
        Files in order; every process must see them under these names.
    setup : dict
        Tables of the setup file.
    origins : dict
        Flat key -> "setup file" or "option".
    blur_time_s : float or None
    measure : str
        ``module:function`` with the arguments of `blursplit.measure.measure`.
    """

    key: str
    paths: tuple[str, ...]
    setup: dict[str, Any] = field(default_factory=dict)
    origins: dict[str, Origin] = field(default_factory=dict)
    blur_time_s: float | None = None
    measure: str = MEASURE


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
    """Measure one sequence; whatever goes wrong comes back as a reason.

    Parameters
    ----------
    task : Task

    Returns
    -------
    Outcome
    """
    from blursplit.errors import BlursplitError, TooFewFramesError
    from blursplit.rig import Setup, rig_of

    start = time.perf_counter()
    try:
        module, _, name = task.measure.partition(":")
        measure = getattr(importlib.import_module(module), name)
        measurement = measure(
            list(task.paths),
            rig_of(Setup.model_validate(task.setup), task.origins),
            blur_time=task.blur_time_s,
        )
        text = measurement.result.to_json()
    except TooFewFramesError as error:
        return Outcome(task.key, "too short", str(error), seconds=time.perf_counter() - start)
    except BlursplitError as error:
        return Outcome(task.key, "failed", str(error), seconds=time.perf_counter() - start)
    except Exception as error:  # noqa: BLE001 - one broken sequence must not stop an archive
        return Outcome(task.key, "failed", _internal(error), seconds=time.perf_counter() - start)
    return Outcome(task.key, "done", result=text, seconds=time.perf_counter() - start)


def _internal(error: Exception) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}:{last.lineno}"  # noqa: PTH119
    return f"internal failure, please report it: {type(error).__name__}: {error} ({place})"
