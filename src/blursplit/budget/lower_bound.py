"""The lower bound on the air: what pairs of stars do differently, whatever its height.

No vibration moves two stars apart, so all of it is air. The bound uses the variance as measured,
noise removed, exposure averaging not undone, and the largest kernel that any height can have.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_data import TILT
from blursplit.constants import TILT_G_OVER_Z
from blursplit.motion.grid import remove_trend
from blursplit.turbulence.tilt import pair_kernels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.facts import Optics
    from blursplit.motion import PairStatistics
    from blursplit.motion.grid import GridData

    FloatArray = NDArray[np.float64]

N_DRAWS = 300
LARGEST_TILT = 1.15  # of Z: what a windowed centroid measures at D/r0 of 8
SLOWEST_HZ = 0.2  # independent pieces of the differential motion last about this long (V/L0)


def lower_bound_j(
    pairs: PairStatistics,
    grid: GridData,
    optics: Optics,
    scale_arcsec: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Return draws of the smallest r0^(-5/3) that the pairs allow; empty without a pair.

    Parameters
    ----------
    pairs : PairStatistics
    grid : GridData
        For the length of the record.
    optics : Optics
    scale_arcsec : float
    rng : numpy.random.Generator

    Notes
    -----
    J >= variance/(K lambda^2 D^(-1/3)) with K the largest pair kernel: both axes' mean at the
    separation and outer scale at which it peaks. With two stars only their motion along the line
    that joins them is used, since rotation adds across it.
    """
    if not len(pairs.separation_px) or len(grid.star) < 2:  # noqa: PLR2004
        return np.zeros(0)
    two_stars = len(grid.star) == 2  # noqa: PLR2004
    if two_stars:
        variance = float(pairs.along_var_px2[0]) * scale_arcsec**2
    else:
        variance = _mean_pair_variance(grid)
    s = np.geomspace(0.5, 200.0, 40)
    largest = 0.0
    for outer in optics.outer_scale_m:
        k_along, k_across = pair_kernels(s, optics.aperture_m / outer, optics.obstruction, TILT)
        largest = max(largest, float(np.max(k_along if two_stars else 0.5 * (k_along + k_across))))
    independent = max(grid.duration_s * SLOWEST_HZ, 1.0) * (1.0 if two_stars else 4.0)
    spread = 1.0 + rng.standard_normal(N_DRAWS) / np.sqrt(independent)
    tilt = rng.uniform(TILT_G_OVER_Z, LARGEST_TILT, N_DRAWS)
    j = variance * np.maximum(spread, 0.0) / (largest * tilt * optics.unit_arcsec2)
    return np.asarray(np.maximum(j, 1e-9))


def _mean_pair_variance(grid: GridData) -> float:
    """Mean variance of the pairs, one axis, that rotation and plate scale cannot have made.

    Of n stars, 2n - 4 numbers are left after shift, rotation and scale of every frame are
    removed. Beams that have fully parted give each of them half the variance of a pair; beams
    that have not give more of it to rotation and scale, the widest patterns of all, so that
    what is left then falls short, as a lower bound may.
    """
    n = len(grid.star)
    x = grid.star_x_arcsec - grid.star_x_arcsec.mean()
    y = grid.star_y_arcsec - grid.star_y_arcsec.mean()
    one, zero = np.ones(n), np.zeros(n)
    columns = [(one, zero), (zero, one), (-y, x), (x, y)]
    basis, _ = np.linalg.qr(np.stack([np.concatenate(c) for c in columns], axis=1))
    project = np.eye(2 * n) - basis @ basis.T
    noise = np.tile(grid.noise_psd_arcsec2_hz / (2.0 * grid.cadence_s), 2)
    left = sum(
        len(s.real) * float(remove_trend(s.stars_arcsec @ project).var(axis=0).sum())
        for s in grid.segments
    )
    total = left / sum(len(s.real) for s in grid.segments) - float(np.diag(project) @ noise)
    return max(total, 0.0) / (n - 2)
