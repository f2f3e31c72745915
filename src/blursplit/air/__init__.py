"""The air: conversions, motion and image statistics of turbulence, and seeing estimators."""

from __future__ import annotations

from blursplit.air.temporal import (
    CrossSpectrumTable,
    cross_spectra,
    cross_spectrum_table,
    exposure_factor,
    pair_exposure_factor,
    tilt_spectra,
)
from blursplit.air.tilt import TiltKind, pair_covariance, pair_kernels, tilt_coefficient
from blursplit.air.turbulence import (
    phase_spectrum,
    r0_m,
    scale_r0,
    seeing_arcsec,
    structure_function,
    von_karman_fwhm_arcsec,
)

__all__ = [
    "CrossSpectrumTable",
    "TiltKind",
    "cross_spectra",
    "cross_spectrum_table",
    "exposure_factor",
    "pair_covariance",
    "pair_exposure_factor",
    "pair_kernels",
    "phase_spectrum",
    "r0_m",
    "scale_r0",
    "seeing_arcsec",
    "structure_function",
    "tilt_coefficient",
    "tilt_spectra",
    "von_karman_fwhm_arcsec",
]
