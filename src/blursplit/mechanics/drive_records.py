"""Records of what a run says about drift and drive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from blursplit.mechanics.drive_terms import Columns
    from blursplit.mechanics.polar import PolarReading, RaDirection
    from blursplit.result import Estimate

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rate:
    """A rate of drift.

    Parameters
    ----------
    size_arcsec_min : Estimate
        An upper limit where noise alone would do as much.
    angle_deg : Estimate
        Direction, [0, 360) from +x toward +y.
    x_arcsec_min, y_arcsec_min : Estimate
    covariance_arcsec2_min2 : ndarray, shape (2, 2)
    noise_probability : float
        How often noise alone makes as large a rate.
    """

    size_arcsec_min: Estimate
    angle_deg: Estimate
    x_arcsec_min: Estimate
    y_arcsec_min: Estimate
    covariance_arcsec2_min2: Array
    noise_probability: float


@dataclass(frozen=True)
class DriveTerm:
    """One harmonic of one drive period.

    Parameters
    ----------
    name : str
    period_s : float
        Of the fundamental.
    harmonic : int
    amplitude_arcsec : Estimate
        Half of peak to peak along the term's major axis; an upper limit where not shown.
    phase_deg : float or None
        Phase of the cosine at the run's first sample, None where not shown.
    angle_deg : float or None
        Axial direction, None where not shown.
    turns_covered : float
        Of the fundamental.
    is_separable : bool
        Whether the run covers two turns, without which drift and worm trade places.
    is_determined : bool
        Whether the data say more than was assumed beforehand.
    noise_probability : float
    blur_covariance_arcsec2 : ndarray, shape (2, 2), or None
    """

    name: str
    period_s: float
    harmonic: int
    amplitude_arcsec: Estimate
    phase_deg: float | None
    angle_deg: float | None
    turns_covered: float
    is_separable: bool
    is_determined: bool
    noise_probability: float
    blur_covariance_arcsec2: Array | None


@dataclass(frozen=True)
class DriveFit:
    """What the run says of drift and drive.

    Parameters
    ----------
    mean_rate : Rate
        How fast the image moved on average: drift and worm together, well determined.
    drift_rate : Rate
        The straight part alone; wide where a worm turns less than twice in the run.
    curvature_arcsec_s2 : ndarray, shape (2,)
    terms : tuple of DriveTerm
    tracking_x_arcsec, tracking_y_arcsec : ndarray, shape (sample,)
        Fitted drift and drive terms at every sample, also where that was lost; mean 0.
    tracking_sigma_arcsec : ndarray, shape (sample,)
        One-axis uncertainty of the fitted motion.
    blur_covariance_arcsec2 : ndarray, shape (2, 2), or None
        Of the whole tracking over the blur time, noise taken off; None where it does not fit.
    blur_covariance_draws_arcsec2 : ndarray, shape (draw, 2, 2), or None
    drift_blur_covariance_arcsec2 : ndarray, shape (2, 2), or None
        Of drift and curvature alone, L/sqrt(12) for a straight drift of length L.
    noise_probability : float
        How often noise alone would make as much blur as the whole tracking.
    ra : RaDirection or None
    polar : PolarReading or None
        Equatorial mounts with a known direction of right ascension and no guiding.
    noise_correlation_s : float
    notes : tuple of (code, text)
    columns : Columns
        What the coefficients multiply.
    mean, draws : ndarray, shapes (2, column) and (draw, 2, column)
        Coefficients along x and y.
    """

    mean_rate: Rate
    drift_rate: Rate
    curvature_arcsec_s2: Array
    terms: tuple[DriveTerm, ...]
    tracking_x_arcsec: Array
    tracking_y_arcsec: Array
    tracking_sigma_arcsec: Array
    blur_covariance_arcsec2: Array | None
    blur_covariance_draws_arcsec2: Array | None
    drift_blur_covariance_arcsec2: Array | None
    noise_probability: float
    ra: RaDirection | None
    polar: PolarReading | None
    noise_correlation_s: float
    notes: tuple[tuple[str, str], ...]
    columns: Columns
    mean: Array
    draws: Array
