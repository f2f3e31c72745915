"""The width of a perfect instrument: diffraction, pixel and dispersion alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.contributions import Blur, width_arcsec

if TYPE_CHECKING:
    from blursplit.budget.facts import Facts


def perfect_width_arcsec(facts: Facts) -> float:
    """Return the FWHM [arcsec] of diffraction, pixel and dispersion together."""
    return width_arcsec(perfect_blur(facts), ["instrument"])


def perfect_blur(facts: Facts) -> Blur:
    """Return a star blurred by nothing but a perfect instrument."""
    optics, scale = facts.optics, facts.scale_arcsec
    assert optics is not None  # noqa: S101 - callers have checked
    assert scale is not None  # noqa: S101
    nothing = np.zeros((2, 2))
    return Blur(
        j=0.0,
        outer_scale_m=optics.outer_scale_m[0],
        wavelength_m=optics.wavelength_m,
        aperture_m=optics.aperture_m,
        obstruction=optics.obstruction,
        drift_arcsec=(0.0, 0.0),
        sinusoids=(),
        tracking_extra=nothing,
        structure=nothing,
        unassigned=nothing,
        optics_sigma_arcsec=0.0,
        pixel_arcsec=scale,
        dispersion=facts.dispersion,
    )
