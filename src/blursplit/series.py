"""Arrays behind the numbers: time series, spectra, pair statistics and star images.

Every array is plain float with its unit in the name, so that one file format (a FITS file with
one image extension an array) holds all of them and any reader understands them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

SERIES_NAMES: dict[str, str] = {
    "time_s": "time since the first frame, shape (frame,)",
    "common_x_arcsec": "shared motion of the stars along +x, mean removed, NaN where lost",
    "common_y_arcsec": "the same along +y",
    "tracking_x_arcsec": "estimated drift and drive terms",
    "tracking_y_arcsec": "the same along +y",
    "structure_x_arcsec": "estimated (smoothed) damped modes and lines",
    "structure_y_arcsec": "the same along +y",
    "frequency_hz": "frequencies of the densities, shape (bin,)",
    "common_psd_x_arcsec2_hz": "one-sided density of the shared motion along +x",
    "common_psd_y_arcsec2_hz": "the same along +y",
    "common_psd_low_arcsec2_hz": "68 % band of the density of both axes' sum, low end",
    "common_psd_high_arcsec2_hz": "the same, high end",
    "differential_psd_arcsec2_hz": "density of one star against the others, both axes' sum",
    "air_psd_arcsec2_hz": "air's part of the shared density, both axes' sum, median",
    "air_psd_low_arcsec2_hz": "the same, low end of its 68 % band",
    "air_psd_high_arcsec2_hz": "the same, high end of its 68 % band",
    "noise_psd_arcsec2_hz": "noise of the shared motion, both axes' sum",
    "coherence": "share of the motion's power common to all stars, by frequency",
    "time_edge_s": "ends of the columns of common_psd_by_time_arcsec2_hz, shape (column + 1,)",
    "frequency_edge_hz": "ends of its rows, shape (row + 1,)",
    "common_psd_by_time_arcsec2_hz": "density of the shared motion by time and frequency, drive "
    "terms removed, both axes' sum, shape (column, row), NaN where nothing was recorded",
    "pair_separation_arcsec": "separation of each pair, shape (pair,)",
    "pair_along_rms_arcsec": "differential motion along the pair, noise removed",
    "pair_across_rms_arcsec": "the same across the pair",
    "pair_model_separation_arcsec": "grid of the fitted air, shape (grid,)",
    "pair_model_along_low_arcsec": "fitted air along the pair, 16 %",
    "pair_model_along_arcsec": "the same, median",
    "pair_model_along_high_arcsec": "the same, 84 %",
    "pair_model_across_low_arcsec": "fitted air across the pair, 16 %",
    "pair_model_across_arcsec": "the same, median",
    "pair_model_across_high_arcsec": "the same, 84 %",
    "baseline_m": "pupil baseline of the registered star's transfer function",
    "otf_measured": "registered star's transfer function, azimuthal mean",
    "otf_model_low": "fitted model, 16 %",
    "otf_model": "the same, median",
    "otf_model_high": "the same, 84 %",
    "exposure_grid_s": "exposure times of the width curve",
    "exposure_fwhm_arcsec": "width of the star for each of these exposure times",
    "focus_position": "focus position of each run, in the recorded unit, shape (run,)",
    "focus_fwhm_arcsec": "its width at short baselines, as a Gaussian FWHM",
    "focus_fwhm_low_arcsec": "the same less its error and the change of the air",
    "focus_fwhm_high_arcsec": "the same and its error and the change of the air",
    "focus_curve_position": "positions of the fitted focus curve, shape (grid,)",
    "focus_curve_low_arcsec": "fitted width, 16 %",
    "focus_curve_arcsec": "the same, median",
    "focus_curve_high_arcsec": "the same, 84 %",
    "elongation_e1": "elongation shared by all stars in each frame",
    "elongation_e2": "the same, at 45 degrees",
    "star_flux_adu": "median flux of each star, shape (star,)",
    "star_x_px": "mean position of each star, shape (star,)",
    "star_y_px": "the same along +y",
}

IMAGE_NAMES: dict[str, str] = {
    "recorded": "mean star as recorded over the blur time, peak 1",
    "without_tracking": "the same frames with drift and drive terms shifted out",
    "without_structure": "the same frames with the accepted modes shifted out",
    "without_both": "both shifted out",
    "registered": "every frame shifted on its own centroid",
    "without_mechanics": "drift, drive terms and modes shifted out",
    "loop": "frames of the best star as they came, shape (frame, y, x), brightest pixel 1",
    "finder": "mean of the first frames, for the finder chart [adu]",
}


@dataclass(frozen=True)
class Series:
    """Named arrays of a measurement.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        Keys from `SERIES_NAMES`; what could not be measured is absent.
    images : mapping of str to ndarray, shape (y, x)
        Keys from `IMAGE_NAMES`.
    image_scale_arcsec : float or None
        Size of a pixel of the star images (not of the finder), None when no scale is known.
    """

    arrays: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    images: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)
    image_scale_arcsec: float | None = None
