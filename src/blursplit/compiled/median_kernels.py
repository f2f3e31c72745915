"""Medians of many short rows and of few long ones, compiled like the loops of `stamp_kernels`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.compiled.njit import exact


@exact
def masked_median(values: Any, mask: Any, out: Any) -> None:  # pragma: no cover - compiled
    """Write the median of each row's values under the mask, NaN where there is none."""
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = _keep(values[row], mask[row], kept)
        out[row] = median_of(kept, n)


@exact
def in_sigmas(values: Any, mask: Any, least: float, out: Any) -> None:  # pragma: no cover
    """Write each row's deviations from its median under the mask in median deviations.

    Median deviations are `least` at least; a row without any value under the mask is NaN.
    """
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = _keep(values[row], mask[row], kept)
        middle = median_of(kept, n)
        for i in range(n):
            kept[i] = abs(kept[i] - middle)
        spread = max(median_of(kept, n), least)
        for column in range(columns):
            out[row, column] = (values[row, column] - middle) / spread


@exact
def apart_in_sigmas(  # pragma: no cover - compiled
    values: Any, each: bool, least: float, out: Any
) -> None:
    """Write how far values (n, k) are from the median of their row, in deviations as `in_sigmas`.

    Those of each column, or of all where `each` is false; zero where a value is not finite.
    """
    rows, columns = values.shape
    kept = np.empty(rows * columns)
    for row in range(rows):
        middle = _middle_of(values[row : row + 1], 0, kept)
        for column in range(columns):
            out[row, column] = values[row, column] - middle
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
def _middle_of(values: Any, absolute: int, kept: Any) -> float:  # pragma: no cover - compiled
    """Return the median of the finite ones of a table, or of their sizes."""
    n = 0
    for row in range(values.shape[0]):
        for column in range(values.shape[1]):
            value = values[row, column]
            kept[n] = abs(value) if absolute else value
            n += abs(value) < math.inf  # which NaN is not
    return median_of(kept, n)


@exact
def two_levels(values: Any, fewest: int, out: Any) -> None:  # pragma: no cover - compiled
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
def _keep(values: Any, mask: Any, kept: Any) -> int:  # pragma: no cover - compiled
    """Write the values under the mask one after the other and return how many they are."""
    n = 0
    for i in range(values.size):
        if mask[i]:
            kept[n] = values[i]
            n += 1
    return n


@exact
def median_of(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median of the first n values, which lose their order."""
    gaps = 0
    for i in range(n):
        gaps += math.isnan(kept[i])
    if n == 0 or gaps:
        return math.nan
    if n <= const.MEDIAN_BY_RANKS:
        return _median_of_few(kept, n)
    if n >= const.MEDIAN_BY_SAMPLE:
        return _median_of_many(kept, n)
    upper = n // 2
    _select(kept, n, upper)
    high = kept[upper]
    if n % 2:
        return float(high)
    low = kept[0]
    for i in range(1, upper):
        low = max(low, kept[i])
    return float(0.5 * (low + high))


@exact
def _median_of_few(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median by the rank of each value: no branch to guess but the last."""
    lower, upper = (n - 1) // 2, n // 2
    low, high = kept[0], kept[0]
    below_low: Any = -1
    below_high: Any = -1
    for i in range(n):
        value, below = kept[i], np.int32(0)
        for j in range(n):
            below = np.int32(below + np.int32(kept[j] < value))
        if below_low < below <= lower:
            low, below_low = value, below
        if below_high < below <= upper:
            high, below_high = value, below
        if below_low == lower and below_high == upper:
            break
    return float(high if n % 2 else 0.5 * (low + high))


@exact
def _median_of_many(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median from the values between two that a sample says are close about it.

    In 8-bit pixels half of all values are one and the same: those equal to the two are counted.
    """
    many, margin = const.MEDIAN_SAMPLE, const.MEDIAN_MARGIN
    sample = np.empty(many)
    step = n // many
    for i in range(many):
        sample[i] = kept[i * step]
    _select(sample, many, many // 2 - margin)
    first = sample[many // 2 - margin]
    _select(sample, many, many // 2 + margin)
    last = sample[many // 2 + margin]
    below, at_first, at_last, inner = 0, 0, 0, 0
    for i in range(n):
        below += kept[np.uintp(i)] < first
        at_first += kept[np.uintp(i)] == first
        at_last += kept[np.uintp(i)] == last
    between = np.empty(n)
    if last > first:
        for i in range(n):
            value = kept[np.uintp(i)]
            between[np.uintp(inner)] = value
            inner += (value > first) & (value < last)
    else:
        at_last = 0
    upper = n // 2
    high = _ranked(between, inner, upper, below, (first, at_first), (last, at_last))
    if n % 2 == 0 and not math.isnan(high):
        low = _ranked(between, inner, upper - 1, below, (first, at_first), (last, at_last))
    else:
        low = high
    if math.isnan(high + low):  # the sample was no fair one
        _select(kept, n, upper)
        high = kept[upper]
        low = high
        if n % 2 == 0:
            low = kept[0]
            for i in range(1, upper):
                low = max(low, kept[i])
    return float(0.5 * (low + high))


@exact
def _ranked(  # pragma: no cover - compiled
    between: Any, inner: int, rank: int, below: int, at_first: Any, at_last: Any
) -> float:
    """Return the value of a rank: of those at `first`, between, or at `last`, else NaN."""
    first, firsts = at_first
    last, lasts = at_last
    rank -= below
    if rank < 0 or rank >= firsts + inner + lasts:
        return math.nan
    if rank < firsts:
        return float(first)
    if rank >= firsts + inner:
        return float(last)
    _select(between, inner, rank - firsts)
    return float(between[rank - firsts])


@exact
def level_and_scatter(image: Any, step: int) -> Any:  # pragma: no cover - compiled
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
def _select(values: Any, n: int, wanted: int) -> None:  # pragma: no cover - compiled
    """Bring the value of rank `wanted` to its place, smaller ones before it (Hoare 1961)."""
    first, last = 0, n - 1
    while last - first > 8:  # noqa: PLR2004
        middle = (first + last) // 2
        a, b, c = values[first], values[middle], values[last]
        pivot = max(min(a, b), min(max(a, b), c))
        i, j = first, last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if wanted <= j:
            last = j
        elif wanted >= i:
            first = i
        else:
            return
    for i in range(first + 1, last + 1):
        value = values[i]
        j = i - 1
        while j >= first and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value
