"""The air: conversions, motion and image statistics of turbulence, and seeing estimators."""

from __future__ import annotations

from blursplit.air.image import (
    FrequencyGrid,
    ImageWidth,
    atmosphere_otf,
    drift_otf,
    frequency_grid,
    fried_short_exposure_otf,
    fwhm_batch,
    fwhm_of_image,
    fwhm_of_otf_arcsec,
    gaussian_otf,
    pixel_otf,
    registered_otf,
    sinusoid_otf,
    telescope_otf,
)
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
    "FrequencyGrid",
    "ImageWidth",
    "TiltKind",
    "atmosphere_otf",
    "cross_spectra",
    "cross_spectrum_table",
    "drift_otf",
    "exposure_factor",
    "frequency_grid",
    "fried_short_exposure_otf",
    "fwhm_batch",
    "fwhm_of_image",
    "fwhm_of_otf_arcsec",
    "gaussian_otf",
    "pair_covariance",
    "pair_exposure_factor",
    "pair_kernels",
    "phase_spectrum",
    "pixel_otf",
    "r0_m",
    "registered_otf",
    "scale_r0",
    "seeing_arcsec",
    "sinusoid_otf",
    "structure_function",
    "telescope_otf",
    "tilt_coefficient",
    "tilt_spectra",
    "von_karman_fwhm_arcsec",
]
