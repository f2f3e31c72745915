"""Every number that enters a formula or a decision: its unit, and where it comes from.

A line reads ``NAME = value  # unit | source``. A source is a publication, the script and table
that set the number, or an honest "common practice, no source" or "judgement, no source".
"""

from __future__ import annotations

import math

# --- conversions and physics --------------------------------------------------------------------
ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi  # arcsec/rad | definition
FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))  # - | of a Gaussian, definition
SEEING_IN_LAMBDA_OVER_R0 = 0.97586  # - | Fried 1966, numerical Hankel transform (0.976 in use)
SEEING_WAVELENGTH_M = 500e-9  # m | the trade's convention for seeing

# --- rig and frames -----------------------------------------------------------------------------
KERNEL_SAMPLES = (
    50_000  # stars in frames | fewer take less time than importing numba, benchmarks/speed.py
)

# --- stars --------------------------------------------------------------------------------------

# --- motion -------------------------------------------------------------------------------------

# --- spectra ------------------------------------------------------------------------------------

# --- turbulence ---------------------------------------------------------------------------------

# --- image --------------------------------------------------------------------------------------

# --- drive --------------------------------------------------------------------------------------

# --- pier ---------------------------------------------------------------------------------------

# --- evidence -----------------------------------------------------------------------------------

# --- fit, histories, verdict ----------------------------------------------------------------------

# --- campaign -----------------------------------------------------------------------------------

# --- simulate -----------------------------------------------------------------------------------

# --- report -------------------------------------------------------------------------------------
