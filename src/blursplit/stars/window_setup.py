"""What stays fixed for a run: window, stamp size, noise, saturation, pixels to leave out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.compiled import ready_kernels
from blursplit.constants import BORDER_PX, CORE_SIGMAS, MOST_HOT, SMALLEST_CORE
from blursplit.frames import Sequence
from blursplit.stars.centroid import WINDOW_OVER_SIGMA, CentroidMethod
from blursplit.types import IntArray

if TYPE_CHECKING:  # detection needs the pixels, and they this file
    from blursplit.stars.detect import Field


@dataclass(frozen=True)
class WindowSetup:
    """What stays fixed for a whole run.

    Parameters
    ----------
    sigma_px, window_px : float
        Star sigma at the start, and the window's.
    core : int
        Stamp size that holds the window and the star, odd.
    cut : int
        Size that is cut out: the core and a border for the sky, odd.
    gain_e_per_adu : float
        Infinity where it is not known yet.
    electronics_adu2 : float or None
        Read-out variance of a pixel; with it the sky's photon noise is computed.
    hot_x, hot_y : ndarray of int
        Pixels to leave out.
    compiled : bool
        Long enough for the compiled kernels to repay their loading.
    """

    sigma_px: float
    window_px: float
    core: int
    cut: int
    gain_e_per_adu: float
    electronics_adu2: float | None
    saturation_adu: float | None
    hot_x: IntArray
    hot_y: IntArray
    method: CentroidMethod = "windowed"
    compiled: bool = False


def make_window_setup(sequence: Sequence, field: Field, method: CentroidMethod) -> WindowSetup:
    """Return what stays fixed for a run: window, stamp size, noise and saturation."""
    known = sequence.instrument.get
    gain, read_noise = known("gain_e_per_adu"), known("read_noise_e")
    sigma = field.sigma_px
    electronics = None
    if gain and read_noise is not None:
        # 1/12: rounding to whole data units
        electronics = (read_noise / gain) ** 2 + 1.0 / 12.0
    core = 2 * max(int(np.ceil(CORE_SIGMAS * sigma)), SMALLEST_CORE // 2) + 1
    hot_y, hot_x = np.nonzero(field.hot)
    return WindowSetup(
        sigma_px=sigma,
        window_px=WINDOW_OVER_SIGMA * sigma,
        core=core,
        cut=core + 2 * BORDER_PX,
        gain_e_per_adu=float(gain) if gain else float("inf"),
        electronics_adu2=electronics,
        saturation_adu=field.saturation_adu,
        hot_x=hot_x[:MOST_HOT],
        hot_y=hot_y[:MOST_HOT],
        method=method,
        compiled=ready_kernels(sequence.source.n_frames * field.x_px.size) is not None,
    )
