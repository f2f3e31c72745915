"""What a mask with two openings tells the joint fit: how strong the air is, and its filter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class MaskPrior:
    """The mask's word on the air.

    Parameters
    ----------
    ln_j : (mean, sigma)
        Of ln r0^(-5/3) at the observing wavelength along the line of sight.
    separation_m : float
        Distance of the openings' centres.
    """

    ln_j: tuple[float, float]
    separation_m: float
