"""Every number that enters a formula or a decision: its unit, and where it comes from.

A line reads ``NAME = value  # unit | source``. A source is a publication, the script and table
that set the number, or an honest "common practice, no source" or "judgement, no source".
"""

from __future__ import annotations

import math

# --- conversions and physics --------------------------------------------------------------------
ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi  # arcsec/rad | definition
FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))  # - | of a Gaussian, definition
SEEING_IN_LAMBDA_OVER_R0 = 0.975863  # - | Hankel transform, `kolmogorov_width` (Fried 1966: 0.976)
SEEING_WAVELENGTH_M = 500e-9  # m | the trade's convention for seeing

# --- rig and frames -----------------------------------------------------------------------------
OUTER_SCALE_RANGE_M = (10.0, 50.0)  # m | of the free air; common practice, no source
WIND_RANGE_M_S = (2.0, 30.0)  # m/s | calm ground to jet stream; judgement, no source
CAMERA_WAVELENGTH_NM = 550.0  # nm | middle of an unfiltered camera's band; judgement, no source

# --- stars --------------------------------------------------------------------------------------

# --- motion -------------------------------------------------------------------------------------

# --- spectra ------------------------------------------------------------------------------------
LINE_FALSE_ALARM = 0.02  # - | chance that a search shows a line that is none; judgement, no source
LINE_LOWEST_BINS = 15.0  # cycles a piece | slower lines look like the air's slow part; judgement
LINE_PIECE_SAMPLES = (
    4000  # samples | longer records are cut, their periodograms averaged; judgement
)
LINE_TRIALS_PER_BIN = 0.08  # - | benchmarks/lines.py, series without lines
LINE_LOWEST_CONTRAST = 2.0  # - | peak over continuum; judgement, no source
LINE_REFIT_LOSS = (
    1.8  # - | of the gain, to the continuum fitted with a mode; benchmarks/detection.py
)
LINE_LEFT_AT_LEAST = 0.1  # - | amplitude left by the exposure; less hides a line; judgement
LINE_LIMIT_DAMPINGS = (0.002, 0.01, 0.03)  # - | damping ratios of piers and mounts; judgement

# --- turbulence ---------------------------------------------------------------------------------

# --- image --------------------------------------------------------------------------------------

# --- drive --------------------------------------------------------------------------------------

# --- pier ---------------------------------------------------------------------------------------

# --- evidence -----------------------------------------------------------------------------------

# --- fit, histories, verdict ----------------------------------------------------------------------

# --- campaign -----------------------------------------------------------------------------------

# --- simulate -----------------------------------------------------------------------------------

# --- report -------------------------------------------------------------------------------------
