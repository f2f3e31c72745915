"""Inner loops over sets of parameters and over images, compiled by numba at their first use."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.compiled.lanes import take_logarithms, whiten_rows
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
def _add_corners(values: Any, node: Any, weight: Any, i: int, out: Any, row: int) -> None:
    """Add a table's rows times weights i of `node`, `weight` (n, terms) to a row of `out`.

    Four to a corner of a grid, so that the sum is read and written once for them.
    """
    for k in range(0, node.shape[1], 4):
        n0, n1, n2, n3 = node[i, k], node[i, k + 1], node[i, k + 2], node[i, k + 3]
        w0, w1 = values.dtype.type(weight[i, k]), values.dtype.type(weight[i, k + 1])
        w2, w3 = values.dtype.type(weight[i, k + 2]), values.dtype.type(weight[i, k + 3])
        for at in range(values.shape[1]):
            out[row, at] += (
                w0 * values[n0, at]
                + w1 * values[n1, at]
                + w2 * values[n2, at]
                + w3 * values[n3, at]
            )


@loose
def weighted_sums(values: Any, node: Any, weight: Any, out: Any) -> None:
    """Add a table's rows times weights to `out` (n, columns).

    `node`, `weight` (n, terms): see `_add_corners`.
    """
    for i in range(node.shape[0]):
        _add_corners(values, node, weight, i, out, i)


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
def mode_misfits(
    base: Any,
    scale: Any,
    table: Any,
    node: Any,
    weight: Any,
    whiten: Any,
    keep: Any,
    first: Any,
    mean: Any,
    squares: Any,
) -> None:
    """Write how far logarithms of modes are from zero: what they share, and squares of the rest.

    Powers of sixteen modes for each bin, (bins * 16,), are `base` times `scale` (n,) and rows of a
    `table` times weights: `node`, `weight` (n, terms), four to a corner of a grid. `whiten` and
    `keep`: see `lanes.whiten_rows`. `first` (n, 2, bins): powers of the first two modes. `mean` (n,
    bins): over the modes that count, white. `squares` (n,): of what it leaves, summed.
    """
    bins = mean.shape[1]
    length, share = whiten.size // bins, np.float32(1.0 / max(keep.sum(), 1.0))
    values = np.ones(16 * length, np.float32)
    powers_of_modes = values[: base.size].reshape(1, base.size)
    middle, left = np.empty(bins, np.float32), np.empty(bins, np.float32)
    for t in range(len(scale)):
        factor = np.float32(scale[t])
        for i in range(base.size):
            values[i] = factor * base[i]
        _add_corners(table, node, weight, t, powers_of_modes, 0)
        for b in range(bins):
            first[t, 0, b], first[t, 1, b] = values[16 * b], values[16 * b + 1]
        take_logarithms(values, bins)
        whiten_rows(values, whiten, bins, length, keep, share, middle, left)
        total = 0.0
        for b in range(bins):
            mean[t, b] = middle[b]
            total += left[b]
        squares[t] = total


@loose
def folded_shapes(at: Any, gain: Any, centre: Any, half_width: Any, out: Any) -> None:
    """Write two-sided Lorentzians of unit area, summed over the folds of each frequency.

    `at`, `gain` (bins, folds): true frequencies, none negative, and what is left of them there.
    `centre`, `half_width` (n,). `out` (n, bins).
    """
    bins, folds = at.shape
    for t in range(centre.size):
        c, square = centre[t], half_width[t] * half_width[t]
        for b in range(bins):
            out[t, b] = 0.0
        for k in range(folds):
            for b in range(bins):
                above, below = at[b, k] - c, at[b, k] + c
                one, other = square + above * above, square + below * below
                out[t, b] += gain[b, k] * (one + other) / (one * other)
        for b in range(bins):
            out[t, b] *= half_width[t] / math.pi


@loose
def log_bessel(x: Any, out: Any) -> None:
    """Write ln I0 of numbers that are not negative, (n, columns).

    Power series; from where its terms grow many, the asymptotic one, whose error there is below a
    millionth (Abramowitz & Stegun 1964, 9.6.12 and 9.7.1).
    """
    for t in range(x.shape[0]):
        for b in range(x.shape[1]):
            at, k, term, total = x[t, b], 0.0, 1.0, 1.0
            if at < const.BESSEL_LARGE:
                square = 0.25 * at * at
                while term > const.BESSEL_PRECISION * total:
                    k += 1.0
                    term *= square / (k * k)
                    total += term
                out[t, b] = math.log(total)
            else:
                for _ in range(const.BESSEL_TERMS):
                    term *= (2.0 * k + 1.0) ** 2 / (8.0 * (k + 1.0) * at)
                    k += 1.0
                    total += term
                out[t, b] = at - 0.5 * math.log(2.0 * math.pi * at) + math.log(total)


@exact
def products(matrix: Any, vector: Any, out: Any) -> None:
    """Write the products of matrices (n, 2, 2) and vectors (n, 2)."""
    for k in range(len(vector)):
        one, other = vector[k, 0], vector[k, 1]
        out[k, 0] = matrix[k, 0, 0] * one + matrix[k, 0, 1] * other
        out[k, 1] = matrix[k, 1, 0] * one + matrix[k, 1, 1] * other


@exact
def roots(matrix: Any, out: Any) -> None:
    """Write symmetric roots of covariances (n, 2, 2): (M + sI)/t, s^2 = det, t^2 = tr + 2s."""
    for k in range(len(matrix)):
        a, d = max(matrix[k, 0, 0], 0.0), max(matrix[k, 1, 1], 0.0)
        c = 0.5 * (matrix[k, 0, 1] + matrix[k, 1, 0])
        s = math.sqrt(max(a * d - c * c, 0.0))
        t = math.sqrt(a + d + 2.0 * s)
        t = t if t > 0.0 else 1.0
        out[k, 0, 0], out[k, 1, 1] = (a + s) / t, (d + s) / t
        out[k, 0, 1] = out[k, 1, 0] = c / t


@loose
def powers(angle: Any, cosine: Any, sine: Any) -> None:
    """Write cosine and sine of k times each angle (n,), shape (most + 1, n) each."""
    c, s = np.cos(angle), np.sin(angle)
    one, other = np.ones(angle.size), np.zeros(angle.size)
    for k in range(len(cosine)):
        for i in range(angle.size):
            cosine[k, i], sine[k, i] = one[i], other[i]
            one[i], other[i] = one[i] * c[i] - other[i] * s[i], other[i] * c[i] + one[i] * s[i]


@exact
def inside_half_maximum(image: Any, out: Any) -> None:
    """Write the part of each point's cell inside the contour of half the maximum.

    By the distance of the contour along the gradient; the error of the area is second order in
    the step.
    """
    rows, columns = image.shape
    above = image / image.max() - 0.5
    for r in range(rows):
        r0, r1 = max(r - 1, 0), min(r + 1, rows - 1)
        for c in range(columns):
            c0, c1 = max(c - 1, 0), min(c + 1, columns - 1)
            slope_y = (above[r1, c] - above[r0, c]) / (r1 - r0)
            slope_x = (above[r, c1] - above[r, c0]) / (c1 - c0)
            steepness = max(abs(slope_x) + abs(slope_y), 1e-12)
            out[r, c] = min(max(0.5 + above[r, c] / steepness, 0.0), 1.0)


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
    # Rows and columns at right angles: a row and its mirror image are as far from the middle.
    across = abs(step[0, 0] * step[0, 1] + step[1, 0] * step[1, 1])
    is_mirrored = across <= 1e-12 * np.sum(step * step)
    gain, exponent = np.empty((rows, columns)), np.zeros((rows, columns))
    for r in range(rows):
        is_known = is_mirrored and 2 * r > rows
        if is_known:
            gain[r], exponent[r] = gain[rows - 1 - r], exponent[rows - 1 - r]
        for c in range(columns):
            fx = step[0, 0] * c + step[0, 1] * (r - rows // 2)
            fy = step[1, 0] * c + step[1, 1] * (r - rows // 2)
            if not is_known:
                share, value = math.sqrt(fx * fx + fy * fy) / highest, 1.0
                for table in radial:
                    value *= _read(table, share)
                gain[r, c] = value
                if share > 0.0 and len(log_structure):
                    at = (math.log(share) - ends[0]) / (ends[1] - ends[0]) * (points - 1)
                    lower, upper = _place(at, points)
                    for k in range(len(log_structure)):
                        one = log_structure[k]
                        exponent[r, c] += math.exp(
                            (1.0 - upper) * one[lower] + upper * one[lower + 1]
                        )
            value = gain[r, c]
            for k in range(2):
                x = along[k, c] + down[k, r]
                if x != 0.0:
                    # the sine of a plane is that of a sum: fewer of them are taken
                    sine = (
                        sine_down[k, r] * cosine_along[k, c] + cosine_down[k, r] * sine_along[k, c]
                    )
                    value *= sine / x
            loss, factor = _gaussians(fx, fy, tensors, first)
            out[r, c] = value * factor * math.exp(-exponent[r, c] - loss)
