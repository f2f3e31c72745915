"""Bias, dark and flat field applied to frames and to stamps alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Calibration:
    """What is subtracted from a frame and what it is divided by."""

    offset_adu: Floats | None = None
    flat: Floats | None = None
