"""The air: conversions, motion and image statistics of turbulence, and seeing estimators."""

from __future__ import annotations

from blursplit.air.centroid_tilt import (
    centroid_tilt_mix,
    mixed_coefficient,
    mixed_covariance,
    mixed_kernels,
)
from blursplit.air.defocus import (
    defocus_loss,
    defocus_otf,
    defocus_sigma_arcsec,
    equivalent_variance,
)
from blursplit.air.dispersion import (
    Dispersion,
    band_dispersion,
    differential_refraction_arcsec,
)
from blursplit.air.focus import FocusFit, fit_focus
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
    exposed_covariance,
    exposure_factor,
    pair_exposure_factor,
    tilt_spectra,
)
from blursplit.air.tilt import (
    TiltKind,
    pair_covariance,
    pair_kernels,
    tilt_coefficient,
    tilt_coefficients,
)
from blursplit.air.turbulence import (
    phase_spectrum,
    r0_m,
    scale_r0,
    seeing_arcsec,
    structure_function,
    von_karman_fwhm_arcsec,
)
from blursplit.air.two_aperture import (
    AxisEstimate,
    MaskGeometry,
    MaskResult,
    find_mask_pairs,
    measure_mask,
)

__all__ = [
    "AxisEstimate",
    "CrossSpectrumTable",
    "Dispersion",
    "FocusFit",
    "FrequencyGrid",
    "ImageWidth",
    "MaskGeometry",
    "MaskResult",
    "TiltKind",
    "atmosphere_otf",
    "band_dispersion",
    "centroid_tilt_mix",
    "cross_spectra",
    "cross_spectrum_table",
    "defocus_loss",
    "defocus_otf",
    "defocus_sigma_arcsec",
    "differential_refraction_arcsec",
    "drift_otf",
    "equivalent_variance",
    "exposed_covariance",
    "exposure_factor",
    "find_mask_pairs",
    "fit_focus",
    "frequency_grid",
    "fried_short_exposure_otf",
    "fwhm_batch",
    "fwhm_of_image",
    "fwhm_of_otf_arcsec",
    "gaussian_otf",
    "measure_mask",
    "mixed_coefficient",
    "mixed_covariance",
    "mixed_kernels",
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
    "tilt_coefficients",
    "tilt_spectra",
    "von_karman_fwhm_arcsec",
]
