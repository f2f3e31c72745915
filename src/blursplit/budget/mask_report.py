"""What the mask found, as parts of the result and in words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.contributions import width_arcsec
from blursplit.budget.perfect import perfect_blur
from blursplit.constants import SEEING_WAVELENGTH_M
from blursplit.estimate import Estimate, estimate
from blursplit.result import Atmosphere
from blursplit.turbulence.conversions import seeing_arcsec

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.ledger import Account
    from blursplit.budget.mask_route import MaskReading
    from blursplit.budget.view import View

    FloatArray = NDArray[np.float64]

EVIDENCE = "two-aperture mask"


def report_mask(account: Account, view: View) -> None:
    """Put what the mask measured into the account, beside or in place of the joint fit's.

    Parameters
    ----------
    account : Account
    view : View
        With a mask; nothing happens without one.
    """
    reading = view.mask
    if reading is None:
        return
    result = reading.result
    r0 = _log_estimate(result.r0_500nm_zenith_m, reading.log_r0_error)
    part: Atmosphere = account.parts.get("atmosphere", Atmosphere())
    update = {
        "r0_500nm_zenith_m": r0,
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
    account.parts["atmosphere"] = part.model_copy(update=update)
    for code, text in reading.notes:
        account.warn(code, text)
    account.evidence.notes += _sentences(reading)
    _image_places(account, view)


def _log_estimate(value: float, log_sigma: float) -> Estimate:
    low, high, low95, high95 = (value * float(np.exp(k * log_sigma)) for k in (-1, 1, -2, 2))
    return Estimate(value=value, low=low, high=high, low95=low95, high95=high95)


def _seeing_of_j(reading: MaskReading, j: FloatArray) -> FloatArray:
    """Return the seeing at 500 nm and zenith of r0^(-5/3) along the line of sight."""
    to_zenith = reading.result.r0_500nm_zenith_m / reading.result.r0_m
    return seeing_arcsec(to_zenith * j**-0.6, SEEING_WAVELENGTH_M)


def _sentences(reading: MaskReading) -> list[str]:
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
    error = 100.0 * np.expm1(reading.log_r0_error)
    told = (
        f"Two images of one star through openings of {geometry.opening_m:g} m, "
        f"{geometry.separation_m:g} m apart: what they do differently is air, free of vibration. "
        f"It gives r0 of {100.0 * result.r0_500nm_zenith_m:.1f} cm (500 nm, zenith) within "
        f"{error:.0f} %; along the openings {100.0 * result.along.r0_m:.1f} cm, across them "
        f"{100.0 * result.across.r0_m:.1f} cm at the wavelength and airmass of the record."
    )
    together = (
        f"Together the images move {common[0]:.2f} (x) and {common[1]:.2f} (y) arcsec rms; air of "
        f"that r0 moves them about {expected[0]:.2f} and {expected[1]:.2f}, and one short run "
        "departs from that by some 10 to 20 %. What is beyond is shared motion of telescope and "
        "mount."
    )
    width = (
        "The recorded width is that of the image through one opening of the mask, not of the star "
        "through the whole telescope." + _whole_telescope(reading)
    )
    return [told, together, width]


def _whole_telescope(reading: MaskReading) -> str:
    optics, scale = reading.facts.optics, reading.facts.scale_arcsec
    if reading.aperture_m is None or optics is None or scale is None:
        return ""
    blur = replace(
        perfect_blur(reading.facts),
        j=float(reading.result.r0_m ** (-5.0 / 3.0)),
        outer_scale_m=float(np.sqrt(optics.outer_scale_m[0] * optics.outer_scale_m[1])),
        aperture_m=reading.aperture_m,
        obstruction=reading.obstruction,
    )
    air = width_arcsec(blur, ["atmosphere"])
    whole = width_arcsec(blur, ["atmosphere", "instrument"])
    return (
        f" This air alone blurs a long exposure to {air:.2f} arcsec FWHM; with perfect optics of "
        f"{reading.aperture_m:g} m on a still mount the same pixels would record {whole:.2f} "
        "arcsec."
    )


def _image_places(account: Account, view: View) -> None:
    """Show the two images, not the place between them."""
    assert view.mask is not None  # noqa: S101 - the caller has checked
    tracks, columns = view.images, list(view.mask.columns)
    places = {"star_x_px": tracks.x_px, "star_y_px": tracks.y_px, "star_flux_adu": tracks.flux_adu}
    for name, values in places.items():
        seen = np.where(tracks.good, values, np.nan)[:, columns]
        account.arrays[name] = np.nanmedian(seen, axis=0)
