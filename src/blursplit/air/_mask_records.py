"""What is known of a mask with two openings, and what is found with it."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class MaskGeometry:
    """A mask with two equal openings, and how the camera saw them.

    Parameters
    ----------
    opening_m, separation_m : float
        Diameter of an opening and distance of their centres [m].
    angle_deg : float
        Direction of the line through the openings on the camera, from +x toward +y. Whether the
        wedge splits the images along it does not matter.
    obstruction : float
        Diameter ratio of an obstruction within each opening; usually 0.
    """

    opening_m: float
    separation_m: float
    angle_deg: float
    obstruction: float = 0.0


@dataclass(frozen=True)
class AxisEstimate:
    """One axis of the mask.

    Parameters
    ----------
    variance_arcsec2, variance_sigma_arcsec2 : float
        Differential variance without noise, and its sampling error.
    noise_variance_arcsec2 : float
        Noise variance of the difference, already removed.
    exposure_factor : float
        Share that the exposure left, mean over the wind.
    r0_m : float
        Corrected for the exposure; infinite when no motion is left above the noise.
    uncorrected_r0_m : float
        From the variance as measured: an upper limit of r0, a lower bound on the air.
    log_r0_sigma : float
        Sampling error of ln r0.
    """

    variance_arcsec2: float
    variance_sigma_arcsec2: float
    noise_variance_arcsec2: float
    exposure_factor: float
    r0_m: float
    uncorrected_r0_m: float
    log_r0_sigma: float


@dataclass(frozen=True)
class MaskResult:
    """Seeing from two openings.

    Parameters
    ----------
    along, across : AxisEstimate
        Along and across the line of the openings.
    r0_m : float
        Weighted mean of both axes, at the sequence's wavelength and line of sight.
    r0_500nm_zenith_m : float
        The same at 500 nm and the zenith.
    log_r0_sigma, log_r0_systematic : float
        Sampling error, and that of tilt kind, outer scale and wind, of ln r0.
    axis_disagreement : float
        Difference of ln r0 of the two axes in its standard errors.
    wind_m_s : (float, float, float)
        Wind speed: 16, 50 and 84 % of its posterior from comparing tau with 2 tau; the prior's
        when times do not allow it.
    common_variance_arcsec2, expected_common_arcsec2 : (float, float)
        Variance of the mean of the two images along x and y, noise removed, and what that r0
        predicts for the axes along and across the line of the openings.
    excess_rms_arcsec : (float, float)
        Root of what is beyond the prediction, x and y: tracking or structure. Zero where
        nothing is.
    notes : tuple of (code, text)
        Failed validity checks.
    """

    along: AxisEstimate
    across: AxisEstimate
    r0_m: float
    r0_500nm_zenith_m: float
    log_r0_sigma: float
    log_r0_systematic: float
    axis_disagreement: float
    wind_m_s: tuple[float, float, float]
    common_variance_arcsec2: tuple[float, float]
    expected_common_arcsec2: tuple[float, float]
    excess_rms_arcsec: tuple[float, float]
    notes: tuple[tuple[str, str], ...] = field(default=())
