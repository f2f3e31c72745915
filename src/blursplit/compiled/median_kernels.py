"""Medians of many short rows and of few long ones, compiled like the loops of `stamp_kernels`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit.compiled.njit import exact


@exact
def masked_median(values: Any, mask: Any, out: Any) -> None:
    """Write the median of each row's values under the mask, NaN where there is none."""
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = keep(values[row], mask[row], kept)
        out[row] = median_of(kept, n)


@exact
def in_sigmas(values: Any, mask: Any, least: float, out: Any) -> None:
    """Write each row's deviations from its median under the mask in median deviations.

    Median deviations are `least` at least; a row without any value under the mask is NaN.
    """
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = keep(values[row], mask[row], kept)
        middle = median_of(kept, n)
        for i in range(n):
            kept[i] = abs(kept[i] - middle)
        spread = max(median_of(kept, n), least)
        for column in range(columns):
            out[row, column] = (values[row, column] - middle) / spread


@exact
def apart_in_sigmas(values: Any, each: bool, least: float, out: Any) -> None:
    """Write how far values (n, k) are from the median of their row, in deviations as `in_sigmas`.

    Those of each column, or of all where `each` is false; zero where a value is not finite, or the
    only one of its row: that it does not differ from itself says nothing of what is usual.
    """
    rows, columns = values.shape
    kept = np.empty(rows * columns)
    for row in range(rows):
        middle, known = _middle_of(values[row : row + 1], 0, kept), 0
        for column in range(columns):
            known += abs(values[row, column]) < math.inf
        for column in range(columns):
            out[row, column] = values[row, column] - middle if known > 1 else math.nan
    parts, width = (columns, 1) if each else (1, columns)
    for part in range(parts):
        middle = _middle_of(out[:, part : part + width], 0, kept)
        for row in range(rows):
            for column in range(part, part + width):
                out[row, column] -= middle
        spread = max(_middle_of(out[:, part : part + width], 1, kept), least)
        for row in range(rows):
            for column in range(part, part + width):
                off = out[row, column] / spread
                out[row, column] = off if abs(off) < math.inf else 0.0


@exact
def _middle_of(values: Any, absolute: int, kept: Any) -> float:
    """Return the median of the finite ones of a table, or of their sizes."""
    n = 0
    for row in range(values.shape[0]):
        for column in range(values.shape[1]):
            value = values[row, column]
            kept[n] = abs(value) if absolute else value
            n += abs(value) < math.inf  # which NaN is not
    return median_of(kept, n)


@exact
def two_levels(values: Any, fewest: int, out: Any) -> None:
    """Write what values differ in all from two medians: of those before a place, and from it on.

    For each place with `fewest` values on either side.
    """
    n = values.size
    kept = np.empty(n)
    for place in range(fewest, n - fewest + 1):
        total = 0.0
        for first, last in ((0, place), (place, n)):
            for i in range(first, last):
                kept[i - first] = values[i]
            middle = median_of(kept, last - first)
            for i in range(first, last):
                total += abs(values[i] - middle)
        out[place - fewest] = total


@exact
def keep(values: Any, mask: Any, kept: Any) -> int:
    """Write the values under the mask one after the other and return how many they are."""
    n = 0
    for i in range(values.size):
        if mask[i]:
            kept[n] = values[i]
            n += 1
    return n


@exact
def median_of(kept: Any, n: int) -> float:
    """Return the median of the first n values, which lose their order."""
    gaps = 0
    for i in range(n):
        gaps += math.isnan(kept[i])
    if n == 0 or gaps:
        return math.nan
    upper = n // 2
    first = _select(kept, n, upper)
    if n % 2:
        return float(kept[upper])
    low = kept[upper - 1]
    if upper == first:
        for i in range(upper):
            low = max(low, kept[i])
    return float(0.5 * (low + kept[upper]))


@exact
def level_and_scatter(image: Any, step: int) -> Any:
    """Return number, median and median deviation of the finite ones of every few pixels."""
    ny, nx = image.shape
    kept = np.empty(-(-ny // step) * -(-nx // step))
    n = 0
    for y in range(0, ny, step):
        row = image[y]
        for x in range(0, nx, step):
            value = row[x]
            kept[n] = value
            n += abs(value) < math.inf  # which NaN is not
    middle = median_of(kept, n)
    for i in range(n):
        kept[i] = abs(kept[i] - middle)
    return n, middle, median_of(kept, n)


@exact
def _select(values: Any, n: int, wanted: int) -> int:
    """Bring the value of rank `wanted` to its place; return from where on there is order before it.

    Before that place are smaller ones in any order. Values are parted at a pivot (Hoare 1961) by
    exchanges that need no branch: a processor guesses every second one wrong.
    """
    first, last = 0, n - 1
    while last - first > 8:  # noqa: PLR2004
        a, b, c = values[first], values[(first + last) // 2], values[last]
        pivot = max(min(a, b), min(max(a, b), c))
        j = _part(values, first, last, pivot, 0)
        if j == first:  # nothing is smaller: what equals the pivot comes first
            j = _part(values, first, last, pivot, 1)
            if wanted < j:
                return first
            first = j
        elif wanted < j:
            last = j - 1
        else:
            first = j
    for i in range(first + 1, last + 1):
        value = values[i]
        j = i - 1
        while j >= first and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value
    return first


@exact
def _part(values: Any, first: int, last: int, pivot: float, equal: int) -> int:
    """Bring values below a pivot, or equal to it as well, to the front; return where they end."""
    j = first
    for i in range(first, last + 1):
        value = values[np.uintp(i)]
        values[np.uintp(i)] = values[np.uintp(j)]
        values[np.uintp(j)] = value
        j += int(value < pivot) | (equal & int(value == pivot))
    return j
