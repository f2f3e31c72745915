"""Names of the arrays that signatures speak of, and a word for what is there."""

from __future__ import annotations

from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoolArray", "ComplexArray", "FloatArray", "ImageArray", "IntArray", "sure"]

FloatArray: TypeAlias = NDArray[np.float64]
ComplexArray: TypeAlias = NDArray[np.complex128]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
ImageArray: TypeAlias = NDArray[np.float32]
"""Pixels: a frame [y, x], or a stack of frames or cut-outs."""

_T = TypeVar("_T")


def sure(value: _T | None) -> _T:
    """Return a value that is there, as the caller knows: the checker of types does not."""
    assert value is not None  # noqa: S101 - a mistake of ours
    return value
