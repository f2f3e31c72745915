"""Medians, trends and runs of what was measured, with what is missing or bad left out."""

from __future__ import annotations

import math

import numpy as np

from blursplit.compiled import kernels
from blursplit.types import BoolArray, FloatArray, ImageArray


def remove_trend(series: FloatArray, at: FloatArray | None = None) -> FloatArray:
    """Remove mean and straight line from each column; `at` (n,): where rows that are uneven lie."""
    n = len(series)
    t = np.arange(n) - 0.5 * (n - 1) if at is None else at - at.mean()
    slope = t @ series / (t @ t)
    out: FloatArray = series - series.mean(axis=0) - np.outer(t, slope)
    return out


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Return (first, last + 1) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def median_of(values: FloatArray) -> float:
    """Return the median of all values, NaN where there are none or one of them is NaN."""
    kept = np.array(values, dtype=float).ravel()
    return float(kernels("median").median_of(kept, kept.size))


def level_and_scatter(image: ImageArray, step: int) -> tuple[int, float, float]:
    """Return number, median and median deviation of the finite ones of every few pixels."""
    pixels = np.ascontiguousarray(image, dtype=np.float32)
    number, middle, deviation = kernels("median").level_and_scatter(pixels, step)
    return int(number), float(middle), float(deviation)


def masked_median(values: FloatArray, mask: BoolArray | None = None, axis: int = -1) -> FloatArray:
    """Return the median along an axis of the values under the mask, or of the finite ones.

    NaN where there is none.
    """
    mask = np.isfinite(values) if mask is None else mask
    values, mask = np.moveaxis(values, axis, -1), np.moveaxis(mask, axis, -1)
    rows = math.prod(values.shape[:-1])
    middle = np.empty(rows)
    kernels("median").masked_median(
        np.ascontiguousarray(values, dtype=float).reshape(rows, values.shape[-1]),
        np.ascontiguousarray(mask).reshape(rows, values.shape[-1]),
        middle,
    )
    return middle.reshape(values.shape[:-1])
