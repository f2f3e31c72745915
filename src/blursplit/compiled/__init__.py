"""Inner loops, compiled: numba is imported only when there are pixels to go through."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from types import ModuleType
from typing import Literal


@cache
def kernels(of: Literal["stamp", "air", "median"] = "stamp") -> ModuleType:
    """Return the compiled kernels of stamps, of the air's fit or of medians.

    The first use on a machine compiles for some seconds and leaves the machine code beside the
    package, or in the user's own cache folder; later processes load it in half a second. With
    NUMBA_DISABLE_JIT=1 in the environment the same code runs uncompiled, some hundred times
    slower.
    """
    return import_module(f"blursplit.compiled.{of}_kernels")
