"""Medians, trends and runs of what was measured, with what is missing or bad left out."""

from __future__ import annotations

import math

import numpy as np

from blursplit.compiled import medians
from blursplit.types import BoolArray, FloatArray, ImageArray


def remove_trend(series: FloatArray) -> FloatArray:
    """Remove mean and straight line from each column."""
    n = len(series)
    t = np.arange(n) - 0.5 * (n - 1)
    slope = t @ series / (t @ t)
    out: FloatArray = series - series.mean(axis=0) - np.outer(t, slope)
    return out


def masked_columns(values: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median of each column's values under the mask; NaN where there is none."""
    return masked_median(values.T, mask.T)


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Return (first, last + 1) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def median_of(values: FloatArray) -> float:
    """Return the median of all values, NaN where there are none or one of them is NaN."""
    kept = np.array(values, dtype=float).ravel()
    return float(medians().median_of(kept, kept.size))


def level_and_scatter(image: ImageArray, step: int) -> tuple[int, float, float]:
    """Return number, median and median deviation of the finite ones of every few pixels."""
    pixels = np.ascontiguousarray(image, dtype=np.float32)
    number, middle, deviation = medians().level_and_scatter(pixels, step)
    return int(number), float(middle), float(deviation)


def masked_median(values: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median along the last axis of the values under the mask; NaN where none is."""
    rows = math.prod(values.shape[:-1])
    middle = np.empty(rows)
    medians().masked_median(
        np.ascontiguousarray(values, dtype=float).reshape(rows, values.shape[-1]),
        np.ascontiguousarray(mask).reshape(rows, values.shape[-1]),
        middle,
    )
    return middle.reshape(values.shape[:-1])
