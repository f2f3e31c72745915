"""Recorded widths of two sides as they would be in one and the same air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.campaign.background import ARCSEC, r0_along_sight_m
from blursplit.campaign.compare_record import CommonAir
from blursplit.campaign.estimates import BETWEEN_WIDTHS, from_draws, mean_of_sides, quantile

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.estimate import Estimate
    from blursplit.result import Mechanical, Result

    FloatArray = NDArray[np.float64]

FALLBACK_APERTURE_M = 0.2
BINS = 161
"""Frequencies an axis: a field of 80 lambda/D, sixteen times a star of D/r0 = 5."""
PARTS = ("tracking", "structure", "unassigned")


def width_at_common_air(
    before: Sequence[Result], after: Sequence[Result], *, rng: np.random.Generator
) -> CommonAir | None:
    """Return the recorded width of both sides predicted for the mean air of all runs.

    Each run's recorded width is multiplied by model(common air)/model(its own air). The model is
    the optical transfer function of telescope, air, instrument and the run's own mechanical
    motion, so that a run with strong shake answers less to a change of the air than a quiet one.

    Parameters
    ----------
    before, after : sequence of Result
    rng : numpy.random.Generator

    Returns
    -------
    CommonAir or None
        None when a side has no run with both a recorded width and a seeing.
    """
    sides = [[r for r in side if _usable(r)] for side in (before, after)]
    if not (sides[0] and sides[1]):
        return None
    seeings = [r.atmosphere.seeing_500nm_zenith_arcsec for side in sides for r in side]
    common = float(np.exp(np.mean([np.log(quantile(s, 0.0)) for s in seeings if s])))
    moved = [[_moved(r, common, rng) for r in side] for side in sides]
    draws = mean_of_sides(moved[0], moved[1], rng, scatter=BETWEEN_WIDTHS)
    difference = draws.after - draws.before
    assumed = sorted({a for side in sides for r in side for a in _assumed(r)})
    method = "recorded width times the ratio of modelled widths in the common and in its own air"
    if assumed:
        method += "; assumed: " + ", ".join(assumed)
    return CommonAir(
        seeing_500nm_zenith_arcsec=common,
        before_arcsec=from_draws(draws.before),
        after_arcsec=from_draws(draws.after),
        difference_arcsec=from_draws(difference),
        probability_smaller=float(np.mean(difference < 0)),
        method=method,
    )


def _usable(result: Result) -> bool:
    recorded = result.fwhm.recorded_arcsec
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    return (
        recorded is not None
        and recorded.value is not None
        and seeing is not None
        and seeing.value is not None
    )


def _moved(result: Result, common_seeing: float, rng: np.random.Generator) -> Estimate:
    """Return the recorded width of a run moved to the common air, with both uncertainties."""
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    recorded = result.fwhm.recorded_arcsec
    assert seeing is not None  # noqa: S101 - checked by _usable
    assert recorded is not None  # noqa: S101
    ends = quantile(seeing, np.array([-2.5, 2.5]))
    grid = np.geomspace(min(ends[0], common_seeing) * 0.98, max(ends[1], common_seeing) * 1.02, 9)
    widths = np.array([model_fwhm_arcsec(result, s) for s in grid])
    at_common = np.interp(np.log(common_seeing), np.log(grid), np.log(widths))
    own = quantile(seeing, np.clip(rng.standard_normal(4000), -2.5, 2.5))
    at_own = np.interp(np.log(own), np.log(grid), np.log(widths))
    width = quantile(recorded, rng.standard_normal(4000))
    return from_draws(width * np.exp(at_common - at_own))


def model_fwhm_arcsec(result: Result, seeing_500nm_zenith_arcsec: float) -> float:
    """Return the modelled long-exposure width of a run in a given air.

    Parameters
    ----------
    result : Result
        Gives aperture, wavelength, airmass, outer scale, instrument width and the covariance of
        all mechanical motion over the blur time.
    seeing_500nm_zenith_arcsec : float

    Returns
    -------
    float
        Diameter of the circle with the area above half maximum [arcsec].

    Notes
    -----
    T0(lambda f/D) exp(-D_phi(lambda f)/2) times Gaussians for the motion's covariance and for
    what the instrument's width exceeds diffraction by; Gaussian motion is an approximation for
    drift and sinusoids beyond half the width (docs, method: blur arithmetic), harmless in a ratio.
    """
    from blursplit.image.otf import atmosphere_otf, gaussian_otf, pixel_otf, telescope_otf
    from blursplit.image.widths import fwhm_of_otf_arcsec

    aperture = float(_value(result, "aperture_m", FALLBACK_APERTURE_M))
    outer = _value(result, "outer_scale_m", [10.0, 50.0])
    wavelength = result.sequence.wavelength_m or 550e-9
    r0 = r0_along_sight_m(seeing_500nm_zenith_arcsec, wavelength, result.sequence.airmass or 1.0)
    f_max = aperture / wavelength / ARCSEC
    axis = np.linspace(-f_max, f_max, BINS)
    fx, fy = axis[None, :], axis[:, None]
    baseline = np.hypot(fx, fy) * ARCSEC * wavelength
    xx, xy, yy = motion_covariance_arcsec2(result)
    optics = _instrument_variance_arcsec2(result, wavelength / aperture * ARCSEC)
    otf = telescope_otf(baseline / aperture, float(_value(result, "obstruction", 0.0)))
    otf = otf * atmosphere_otf(baseline, r0, float(np.sqrt(outer[0] * outer[1])))
    otf = otf * gaussian_otf(fx, fy, xx + optics, yy + optics, xy)
    # The instrument's width holds the pixel already; without one the pixel stands for itself.
    scale = _value(result, "pixel_scale_arcsec", None)
    if scale and optics == 0.0:
        otf = otf * pixel_otf(fx, fy, float(scale))
    return float(fwhm_of_otf_arcsec(otf, float(axis[1] - axis[0])).fwhm_arcsec)


def motion_covariance_arcsec2(result: Result) -> tuple[float, float, float]:
    """Return xx, xy and yy of tracking, structure and unassigned motion together."""
    total = np.zeros(3)
    for name in PARTS:
        part: Mechanical = getattr(result, name)
        major, minor = _middle(part.rms_major_arcsec), _middle(part.rms_minor_arcsec)
        angle = np.deg2rad(_middle(part.angle_deg))
        c, s = np.cos(angle), np.sin(angle)
        total += [
            (major * c) ** 2 + (minor * s) ** 2,
            (major**2 - minor**2) * c * s,
            (major * s) ** 2 + (minor * c) ** 2,
        ]
    return float(total[0]), float(total[1]), float(total[2])


def _middle(estimate: Estimate | None) -> float:
    # An upper limit is no motion that was seen.
    return 0.0 if estimate is None or estimate.value is None else estimate.value


def _instrument_variance_arcsec2(result: Result, lambda_over_d_arcsec: float) -> float:
    width = result.instrument.fwhm_arcsec
    if width is None or width.value is None:
        return 0.0
    # 1.029 lambda/D: width of a filled pupil's diffraction image.
    beyond = width.value**2 - (1.029 * lambda_over_d_arcsec) ** 2
    return max(beyond, 0.0) / 2.354820**2


def _value(result: Result, key: str, otherwise: Any) -> Any:
    entry = result.setup.get(key)
    return otherwise if entry is None or entry.value is None else entry.value


def _assumed(result: Result) -> list[str]:
    if result.setup.get("aperture_m") is None:
        return [f"aperture {FALLBACK_APERTURE_M} m"]
    return []
