"""How the air of one run differs from that of another: its own pairs of stars, with an error."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.motion.grid import remove_trend

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.motion.grid import GridData

    FloatArray = NDArray[np.float64]

N_BLOCKS = 8
LEAST_BLOCK_FRAMES = 25
LEAST_ERROR = 0.05  # other stars, other places in the field


def air_by_pairs(grid: GridData) -> tuple[float, float] | None:
    """Return ln of the stars' differential variance and its sampling error; None where unseen.

    Parameters
    ----------
    grid : GridData

    Notes
    -----
    Shift is taken out of every frame, rotation and scale too with three stars or more; of two
    stars only the motion along the line that joins them is used. What is left is air alone and
    proportional to r0^(-5/3). The error is the scatter of eight stretches.
    """
    pattern = _patterns(grid)
    if pattern is None:
        return None
    noise = np.tile(grid.noise_psd_arcsec2_hz / (2.0 * grid.cadence_s), 2)
    floor = float((noise[:, None] * pattern**2).sum(axis=0).mean())
    variance: list[float] = []
    for segment in grid.segments:
        n_blocks = min(N_BLOCKS, len(segment.real) // LEAST_BLOCK_FRAMES)
        if n_blocks:
            parts = np.array_split(segment.stars_arcsec @ pattern, n_blocks)
            variance += [float(remove_trend(p).var(axis=0).mean()) - floor for p in parts]
    mean = float(np.mean(variance)) if variance else 0.0
    if len(variance) < 2 or mean <= 0.0:  # noqa: PLR2004 - no error from one
        return None
    error = float(np.std(variance, ddof=1)) / np.sqrt(len(variance)) / mean
    return float(np.log(mean)), float(np.hypot(error, LEAST_ERROR))


def _patterns(grid: GridData) -> FloatArray | None:
    """Return orthonormal patterns of displacement that only air makes, shape (2n, n_patterns)."""
    n = len(grid.star)
    if n < 2:  # noqa: PLR2004
        return None
    x = grid.star_x_arcsec - grid.star_x_arcsec.mean()
    y = grid.star_y_arcsec - grid.star_y_arcsec.mean()
    one, zero = np.ones(n), np.zeros(n)
    shared = [(one, zero), (zero, one), (-y, x)]
    if n > 2:  # noqa: PLR2004 - two stars would have nothing left
        shared.append((x, y))
    basis = np.stack([np.concatenate(part) for part in shared], axis=1)
    left, _, _ = np.linalg.svd(basis, full_matrices=True)
    return np.asarray(left[:, len(shared) :], dtype=float)
