"""What the mask found, as parts of the result and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.constants import SEEING_WAVELENGTH_M
from blursplit.estimate import Estimate, estimate
from blursplit.result import Atmosphere, Remark
from blursplit.turbulence.conversions import seeing_arcsec

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.mask_route import MaskReading
    from blursplit.budget.view import View

    FloatArray = NDArray[np.float64]

EVIDENCE = "two-aperture mask"


def with_mask(part: Atmosphere, reading: MaskReading) -> Atmosphere:
    """Put what the mask measured into the air's part, in place of the joint fit's."""
    result = reading.result
    update: dict[str, object] = {
        "r0_500nm_zenith_m": _log_estimate(result.r0_500nm_zenith_m, reading.log_r0_error),
        "seeing_500nm_zenith_arcsec": _log_estimate(
            float(seeing_arcsec(result.r0_500nm_zenith_m, SEEING_WAVELENGTH_M)),
            reading.log_r0_error,
        ),
        "evidence": [EVIDENCE, *part.evidence],
    }
    if part.lower_seeing_arcsec is None:
        lower = _seeing_of_j(reading, reading.lower_j(np.random.default_rng(0)))
        update["lower_seeing_arcsec"] = estimate(lower)
    if part.wind_m_s is None:
        low, middle, high = result.wind_m_s
        update["wind_m_s"] = Estimate(value=middle, low=low, high=high)
    return part.model_copy(update=update)


def mask_remark(reading: MaskReading) -> Remark:
    """Return what the two images say, as facts."""
    result, geometry = reading.result, reading.geometry
    turn = np.radians(geometry.angle_deg)
    along, across = result.expected_common_arcsec2
    expected = np.sqrt(
        [
            along * np.cos(turn) ** 2 + across * np.sin(turn) ** 2,
            along * np.sin(turn) ** 2 + across * np.cos(turn) ** 2,
        ]
    )
    common = np.sqrt(np.maximum(result.common_variance_arcsec2, 0.0))
    return Remark(
        code="mask",
        facts={
            "opening_m": geometry.opening_m,
            "separation_m": geometry.separation_m,
            "r0_m": result.r0_500nm_zenith_m,
            "relative_error": float(np.expm1(reading.log_r0_error)),
            "r0_along_m": result.along.r0_m,
            "r0_across_m": result.across.r0_m,
            "common_x_arcsec": float(common[0]),
            "common_y_arcsec": float(common[1]),
            "expected_x_arcsec": float(expected[0]),
            "expected_y_arcsec": float(expected[1]),
        },
    )


def _log_estimate(value: float, log_sigma: float) -> Estimate:
    low, high, low95, high95 = (value * float(np.exp(k * log_sigma)) for k in (-1, 1, -2, 2))
    return Estimate(value=value, low=low, high=high, low95=low95, high95=high95)


def _seeing_of_j(reading: MaskReading, j: FloatArray) -> FloatArray:
    """Return the seeing at 500 nm and zenith of r0^(-5/3) along the line of sight."""
    to_zenith = reading.result.r0_500nm_zenith_m / reading.result.r0_m
    return seeing_arcsec(to_zenith * j**-0.6, SEEING_WAVELENGTH_M)


def image_places(view: View) -> dict[str, NDArray[np.float64]]:
    """Return the places of the two images, not the place between them."""
    assert view.mask is not None  # noqa: S101 - the caller has checked
    tracks, columns = view.images, list(view.mask.columns)
    places = {"star_x_px": tracks.x_px, "star_y_px": tracks.y_px, "star_flux_adu": tracks.flux_adu}
    return {
        name: np.nanmedian(np.where(tracks.good, values, np.nan)[:, columns], axis=0)
        for name, values in places.items()
    }
