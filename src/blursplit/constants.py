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

# --- stars --------------------------------------------------------------------------------------

# --- motion -------------------------------------------------------------------------------------
INSIDE_BAND_FWHM = (0.10, 0.20, 0.45)  # cycles per FWHM | lowest, highest, refused above; screens
INSIDE_TAPER_PX = 4.0  # px | ramp at a stamp's edge; judgement, no source
INSIDE_LEAST_BINS = 20  # - | fewer say nothing of a lag (3/sqrt(20) = 0.67); judgement
INSIDE_MOST_BINS = 400  # - | keeps the fit within two seconds; judgement
INSIDE_AIR_LAG = (0.0, 0.12, 0.25)  # - | memory of air's shape over V tau/D of 1 and more; screens
INSIDE_LARGEST_AIR_SHARE = 0.4  # - | scatter of air's tensor over its mean: 0.20 to 0.38; screens
INSIDE_SCALE_ERROR = 0.05  # - | slope of ln|OTF| tensors on true ones; screens
INSIDE_RADII, INSIDE_ANGLES = 3, 8  # - | frequencies of the least squares; judgement
INSIDE_HALF_CYCLES = 0.443  # cycles per exposure | sinc^2 is one half there
INSIDE_DECAYS = (0.06, 4.0, 9)  # of the energy, per bin | lowest, highest, how many
INSIDE_DAMPED_DECAYS = (4.0, 20.0)  # per bin | too damped for any lag to show
INSIDE_AIR_SKEWS = (0.2, 0.6, 1.2, 2.0, 3.0)  # - | of the shared tensor; screens 1.2 to 3
INSIDE_AIR_CROSSINGS = 3.0  # apertures | within these the air's scatter does not fall yet; screens
INSIDE_LEAST_AIR_SHARE = 0.005  # - | of the constant part: lower end of the prior
INSIDE_BINS_PER_MEMORY = 6  # - | finer bins than a sixth of the decay carry no more; judgement
INSIDE_STRETCHES = 4  # - | stretches of a long run that the fit reads
INSIDE_LONGEST_GAP = 20  # bins | over a longer gap every mode has forgotten itself
INSIDE_STATES = 32  # - | of the energy's grid; 44 changed no result
INSIDE_TABLE_POINTS = 400  # - | of the noise's distribution function
INSIDE_OUTLIER_SHARE = 1e-3  # - | of values that lie anywhere; judgement
INSIDE_LEAST_ENERGY = 0.05  # of the noise | narrower cells would differ by rounding only
INSIDE_ROUNDS = (400, 200, 8)  # places | first round, later rounds, rounds: 50 to 300 effective

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
