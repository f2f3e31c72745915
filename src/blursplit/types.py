"""Names of the arrays that signatures speak of."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoolArray", "ComplexArray", "FloatArray", "ImageArray", "IntArray"]

FloatArray: TypeAlias = NDArray[np.float64]
ComplexArray: TypeAlias = NDArray[np.complex128]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
ImageArray: TypeAlias = NDArray[np.float32]
"""Pixels: a frame [y, x], or a stack of frames or cut-outs."""
