"""What follows from the moments of stars, compiled like the loops of `stamp_kernels`.

A number that divides may be zero here, as in numpy: what comes of it is not finite.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit.compiled.median_kernels import median_of
from blursplit.compiled.njit import Kernel, exact


def _as_numpy(function: Kernel) -> Kernel:
    return exact(function, error_model="numpy")


@_as_numpy
def unwindow(xx: Any, yy: Any, xy: Any, window: float, out: Any) -> None:
    """Write into (3, m) the second moments of Gaussians whose windowed moments are given."""
    inverse = 1.0 / (window * window)
    for i in range(xx.size):
        determinant = xx[i] * yy[i] - xy[i] * xy[i]
        a, b = yy[i] / determinant - inverse, xx[i] / determinant - inverse
        c = -xy[i] / determinant
        d = a * b - c * c
        real = (determinant > 0) and (d > 0) and (a > 0)
        out[0, i] = b / d if real else math.nan
        out[1, i] = a / d if real else math.nan
        out[2, i] = -c / d if real else math.nan


@_as_numpy
def centroid_noise(shapes: Any, flux: Any, variance: Any, window: float, out: Any) -> None:
    """Write into (2, m) the terms of the variance of centroids from light and from background.

    `shapes`: moments along x and y, and the slopes along x and y, each (m,).
    """
    xx, yy, slope_x, slope_y = shapes
    wide = 2.0 / (window * window)
    back = 0.25 * math.pi * window**4
    for i in range(xx.size):
        near_x, near_y = 1.0 / (1.0 / xx[i] + wide), 1.0 / (1.0 / yy[i] + wide)
        # sum w^2 x^2 P for a Gaussian P of unit flux is this times its narrowed variance
        share = math.sqrt(near_x / xx[i] * near_y / yy[i]) * flux[i]
        by_x, by_y = 1.0 / (slope_x[i] * slope_x[i]), 1.0 / (slope_y[i] * slope_y[i])
        out[0, i] = 0.5 * share * (near_x * by_x + near_y * by_y)
        out[1, i] = back * variance[i] * (by_x + by_y)


@_as_numpy
def sharpness(above: Any, at: Any, flux: Any, moments: Any, out: Any) -> None:
    """Write by how much brightest pixels stand out more than in Gaussians of the frame's medians.

    `above`, `flux`, `at` and `moments`, of which there are two and three: (n, k) each, as `out` is.
    """
    n, k = out.shape
    kept, usual = np.empty(k), np.empty(3)
    for row in range(n):
        for which in range(3):
            known = 0
            for value in moments[which][row]:
                kept[known] = value
                known += abs(value) < math.inf
            usual[which] = median_of(kept, known)
        xx, yy, xy = usual[0], usual[1], usual[2]
        determinant = xx * yy - xy * xy
        scale = -0.5 / determinant
        peak = 1.0 / (2.0 * math.pi * math.sqrt(determinant)) if determinant >= 0 else math.nan
        for star in range(k):
            x, y = at[0][row, star], at[1][row, star]
            here = x * x * yy + y * y * xx - 2.0 * x * y * xy
            to_x, to_y = 2.0 * (x * yy - y * xy), 2.0 * (y * xx - x * xy)
            around = math.exp(scale * (here + to_x + yy)) + math.exp(scale * (here - to_x + yy))
            around += math.exp(scale * (here + to_y + xx)) + math.exp(scale * (here - to_y + xx))
            seen = above[row, star] / flux[row, star]
            out[row, star] = seen - peak * (math.exp(scale * here) - 0.25 * around)
