"""Inner loops over sets of parameters and over images, compiled by numba at their first use."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit.compiled.njit import exact, loose


@exact
def _place(at: float, n: int) -> tuple[int, float]:
    """Return the lower of n rows about a place, and the upper one's weight; ends clipped."""
    if not at > 0.0:  # nor is NaN
        at = 0.0
    at = min(at, n - 1.0)
    lower = min(int(at), n - 2)
    return lower, at - lower


@loose
def rows_between(rows: Any, at: Any, out: Any) -> None:
    """Write rows read at places between them; `at` (n,), `out` (n, columns)."""
    for t in range(at.size):
        lower, upper = _place(at[t], rows.shape[0])
        for c in range(rows.shape[1]):
            out[t, c] = (1.0 - upper) * rows[lower, c] + upper * rows[lower + 1, c]


@loose
def corners(n: Any, at: Any, other_at: Any, node: Any, weight: Any) -> None:
    """Write the four nodes of a grid about each place and their weights, (places, 4) each."""
    for t in range(at.size):
        i, u = _place(at[t], n[0])
        k, v = _place(other_at[t], n[1])
        first = i * n[1] + k
        node[t, 0], node[t, 1] = first, first + 1
        node[t, 2], node[t, 3] = first + n[1], first + n[1] + 1
        weight[t, 0], weight[t, 1] = (1.0 - u) * (1.0 - v), (1.0 - u) * v
        weight[t, 2], weight[t, 3] = u * (1.0 - v), u * v


@loose
def weighted_sums(values: Any, node: Any, weight: Any, out: Any) -> None:
    """Add a table's rows times weights to `out` (n, columns); `node`, `weight` (n, terms)."""
    for i in range(node.shape[0]):
        for k in range(node.shape[1]):
            row, factor = node[i, k], values.dtype.type(weight[i, k])
            for c in range(values.shape[1]):
                out[i, c] += factor * values[row, c]


@loose
def turn(pair: Any, strength: Any, axis: Any, out: Any) -> None:
    """Add densities along and across the wind (n, 2, bins), turned, to `out` (n, 3, bins).

    `strength` (n,). `axis` (n, 2): cosine and sine of twice the wind's direction, times how steady
    it is. Of `out` the middle axis is x, y and the cross density.
    """
    for t in range(strength.size):
        for b in range(pair.shape[2]):
            mean = 0.5 * strength[t] * (pair[t, 0, b] + pair[t, 1, b])
            half = 0.5 * strength[t] * (pair[t, 0, b] - pair[t, 1, b])
            out[t, 0, b] += mean + half * axis[t, 0]
            out[t, 1, b] += mean - half * axis[t, 0]
            out[t, 2, b] += half * axis[t, 1]


@loose
def part_mean(values: Any, mean: Any) -> None:
    """Take the mean over the middle axis out of `values` (n, modes, bins): `mean` (n, 1, bins)."""
    n, modes, bins = values.shape
    share = values.dtype.type(1.0 / modes)
    for t in range(n):
        for b in range(bins):
            mean[t, 0, b] = 0.0
        for m in range(modes):
            for b in range(bins):
                mean[t, 0, b] += share * values[t, m, b]
        for m in range(modes):
            for b in range(bins):
                values[t, m, b] -= mean[t, 0, b]


@loose
def folded_shapes(at: Any, gain: Any, centre: Any, half_width: Any, out: Any) -> None:
    """Write two-sided Lorentzians of unit area, summed over the folds of each frequency.

    `at`, `gain` (bins, folds): true frequencies, none negative, and what is left of them there.
    `centre`, `half_width` (n,). `out` (n, bins).
    """
    for t in range(centre.size):
        c, square = centre[t], half_width[t] * half_width[t]
        for b in range(at.shape[0]):
            total = 0.0
            for k in range(at.shape[1]):
                above, below = at[b, k] - c, at[b, k] + c
                one, other = square + above * above, square + below * below
                total += gain[b, k] * (one + other) / (one * other)
            out[t, b] = total * half_width[t] / math.pi


@exact
def _read(table: Any, share: float) -> float:
    """Interpolate a table of even steps from 0 to 1, which goes on as it ends."""
    lower, upper = _place(share * (table.size - 1), table.size)
    return float((1.0 - upper) * table[lower] + upper * table[lower + 1])


@loose
def _gaussians(fx: float, fy: float, tensors: Any, first: Any) -> tuple[float, float]:
    """Return -ln of the product of the single Gaussians, and that of the means of the groups."""
    loss, factor = 0.0, 1.0
    for group in range(len(first) - 1):
        n = first[group + 1] - first[group]
        total = 0.0
        for t in range(first[group], first[group + 1]):
            form = tensors[t, 0, 0] * fx * fx + tensors[t, 1, 1] * fy * fy
            form = 2.0 * np.pi**2 * (form + 2.0 * tensors[t, 0, 1] * fx * fy)
            if n == 1:
                loss += form
            else:
                total += math.exp(-form) / n
        if n > 1:
            factor *= total
    return loss, factor


@loose
def without_paths(
    step: Any,
    highest: Any,
    radial: Any,
    log_structure: Any,
    ends: Any,
    tensors: Any,
    first: Any,
    side: float,
    out: Any,
) -> None:
    """Write the transfer function of all of an image but the paths, (rows, columns).

    `step` (2, 2): of fx and fy from column to column and from row to row, the middle row at zero
    [cycles/arcsec]. `highest`: frequency of a baseline of one aperture. `radial`: tables from no
    baseline to one aperture. `log_structure` (k, points): ln of exponents of layers of air,
    between the `ends` (lowest, highest) of ln baseline in apertures. `tensors` (m, 2, 2) in groups,
    of which `first` is where each begins and the last ends: the mean of a group's Gaussians is one
    factor. `side` of the pixel [arcsec].
    """
    rows, columns = out.shape
    points = log_structure.shape[1]
    along = np.pi * side * step[:, :1] * np.arange(columns)
    down = np.pi * side * step[:, 1:] * (np.arange(rows) - rows // 2)
    sine_along, cosine_along = np.sin(along), np.cos(along)
    sine_down, cosine_down = np.sin(down), np.cos(down)
    for r in range(rows):
        for c in range(columns):
            value = 1.0
            for k in range(2):
                x = along[k, c] + down[k, r]
                if x != 0.0:
                    # the sine of a plane is that of a sum: fewer of them are taken
                    sine = (
                        sine_down[k, r] * cosine_along[k, c] + cosine_down[k, r] * sine_along[k, c]
                    )
                    value *= sine / x
            fx = step[0, 0] * c + step[0, 1] * (r - rows // 2)
            fy = step[1, 0] * c + step[1, 1] * (r - rows // 2)
            share = math.sqrt(fx * fx + fy * fy) / highest
            for table in radial:
                value *= _read(table, share)
            exponent = 0.0
            if share > 0.0 and len(log_structure):
                at = (math.log(share) - ends[0]) / (ends[1] - ends[0]) * (points - 1)
                lower, upper = _place(at, points)
                for k in range(len(log_structure)):
                    layer = log_structure[k]
                    exponent += math.exp((1.0 - upper) * layer[lower] + upper * layer[lower + 1])
            loss, factor = _gaussians(fx, fy, tensors, first)
            out[r, c] = value * factor * math.exp(-exponent - loss)
