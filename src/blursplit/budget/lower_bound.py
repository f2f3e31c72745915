"""The lower bound on the air: what pairs of stars do differently, whatever its height.

No vibration moves two stars apart, so all of it is air. The bound uses the variance as measured,
noise removed, exposure averaging not undone, and the largest kernel that any height can have.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.tilt import pair_kernels
from blursplit.budget.air_table import TILT
from blursplit.budget.likelihood import G_OVER_Z

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.air_table import Optics
    from blursplit.budget.grid import GridData
    from blursplit.motion import PairStatistics

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
    separation and outer scale at which it peaks. Pairs wider than the median are used; their
    along-pair motion alone where there are only two stars, since rotation adds across the pair.
    """
    if not len(pairs.separation_px):
        return np.zeros(0)
    two_stars = len(pairs.separation_px) == 1
    wide = pairs.separation_px >= np.median(pairs.separation_px)
    along, across = pairs.along_var_px2[wide], pairs.across_var_px2[wide]
    variance = float(np.mean(along if two_stars else 0.5 * (along + across)))
    s = np.geomspace(0.5, 200.0, 40)
    largest = 0.0
    for outer in optics.outer_scale_m:
        k_along, k_across = pair_kernels(s, optics.aperture_m / outer, optics.obstruction, TILT)
        largest = max(largest, float(np.max(k_along if two_stars else 0.5 * (k_along + k_across))))
    independent = max(grid.duration_s * SLOWEST_HZ, 1.0) * (1.0 if two_stars else 4.0)
    spread = 1.0 + rng.standard_normal(N_DRAWS) / np.sqrt(independent)
    tilt = rng.uniform(G_OVER_Z, LARGEST_TILT, N_DRAWS)
    j = (
        variance
        * scale_arcsec**2
        * np.maximum(spread, 0.0)
        / (largest * tilt * optics.unit_arcsec2)
    )
    return np.asarray(np.maximum(j, 1e-9))
