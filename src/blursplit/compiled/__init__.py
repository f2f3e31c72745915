"""Inner loops, compiled: numba is imported only when there are pixels to go through."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from types import ModuleType


@cache
def kernels() -> ModuleType:
    """Return `blursplit.compiled.stamp_kernels`.

    The first use on a machine compiles for some seconds and leaves the machine code beside the
    package, or in the user's own cache folder; later processes load it in half a second. With
    NUMBA_DISABLE_JIT=1 in the environment the same code runs uncompiled, some hundred times
    slower.
    """
    return import_module("blursplit.compiled.stamp_kernels")


@cache
def air() -> ModuleType:
    """Return `blursplit.compiled.air_kernels`, which is compiled and kept alike."""
    return import_module("blursplit.compiled.air_kernels")


@cache
def medians() -> ModuleType:
    """Return `blursplit.compiled.median_kernels`, which is compiled and kept alike."""
    return import_module("blursplit.compiled.median_kernels")
