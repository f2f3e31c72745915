"""Turbulence: conversions of seeing, image motion, its spectra, exposure, dispersion, defocus.

The conversions below take and return astropy quantities and are public; the modules of this
room work on plain arrays, with the unit in each name.
"""

from __future__ import annotations

from blursplit.turbulence.conversions import (
    image_motion,
    long_exposure_fwhm,
    r0_at,
    r0_from_seeing,
    seeing_from_r0,
)

__all__ = ["image_motion", "long_exposure_fwhm", "r0_at", "r0_from_seeing", "seeing_from_r0"]
