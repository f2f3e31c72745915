"""The compiled kernels, where they can be had: numba is imported only for work that repays it."""

from __future__ import annotations

import os
import sys
from functools import lru_cache
from importlib import import_module
from types import ModuleType

from blursplit.constants import KERNEL_SAMPLES

__all__ = ["compiled_kernels", "ready_kernels"]

SWITCH = "BLURSPLIT_KERNELS"  # "off" makes everything run in numpy


@lru_cache(maxsize=1)
def compiled_kernels() -> ModuleType | None:
    """Return `blursplit.kernels`, or None where numba is absent, fails or is switched off.

    Notes
    -----
    The first use on a machine compiles for some seconds and leaves the machine code beside the
    package, or in the user's own cache folder; later processes load it in a few hundredths of a
    second. Where neither folder can be written, numpy does the work.
    """
    if os.environ.get(SWITCH, "").lower() in {"off", "0", "no"}:
        return None
    try:
        return import_module("blursplit.kernels")
    except (ImportError, RuntimeError, OSError):  # no numba for this Python, or no cache for it
        return None


def ready_kernels(samples: int = 0) -> ModuleType | None:
    """Return the kernels where they are loaded already, or `samples` stars are worth loading."""
    if samples < KERNEL_SAMPLES and "blursplit.kernels" not in sys.modules:
        return None
    return compiled_kernels()
