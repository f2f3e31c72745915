"""How inner loops are compiled: by numba, at their first use on a machine, and kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from numba import njit

Kernel = TypeVar("Kernel", bound=Callable[..., Any])


def exact(function: Kernel, **options: Any) -> Kernel:
    """Compile a function; where no folder can keep the machine code, anew in each process."""
    compiled: Kernel
    try:
        compiled = njit(cache=True, nogil=True, **options)(function)
    except RuntimeError:
        compiled = njit(nogil=True, **options)(function)
    return compiled


def loose(function: Kernel, **options: Any) -> Kernel:
    """Compile so that sums may be reordered and products joined; NaN and infinity stay."""
    return exact(function, fastmath={"contract", "reassoc", "nsz", "arcp"}, **options)
