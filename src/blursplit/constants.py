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
BLANK_PATCHES = 12  # - | judgement: 1,700 pixels a frame tell a correlation to 0.005 in 24 frames
BLANK_PATCH_PX = 12  # px | judgement: fits between the stars of an ordinary field
BLANK_RUN_FRAMES = 16  # - | judgement: filters of cameras reach over a few frames
BLANK_RUN_LAG = 8  # - | a recursive filter of 0.69 has 0.05 left after eight frames
BLANK_RUN_STEP = 64  # - | judgement: a quarter of the frames, a few rows of each
BLANK_RUNS = 64  # - | judgement: of long sequences
ALIKE_PX = 0.3  # px | starlight that moves by it changes a tenth of what it changes by a width
FEWEST_ALIKE = 3000  # pixels | tell a correlation to 0.02
FAR_PIXEL = 5  # px | beyond the reach of the usual filters
PATTERN_REACH_PX = 3  # px | judgement: largest jump of a window in eight frames that is looked for
PATTERN_SIGMAS = 5.0  # - | 49 places, one in 70,000 by chance (normal distribution)
HOT_LOOKS = 24  # - | judgement: whole frames that are looked at for lone bright pixels
HOT_WINDOW_PX = 512  # px | judgement: 10 ms a look
HOT_SIGMAS = 8.0  # - | above four neighbours: none by chance in a million pixels
MOST_LONE_PIXELS = 300  # - | judgement
HOT_REACH_PX = 20  # px | judgement: how far a window may have moved between two looks
HOT_CHANCE = 1e-7  # - | of as many equal distances at one of 1,681 places
# checks on frames; false alarms and detections: benchmarks/frame_checks.py
FASTEST_CAMERA_S = 5e-5  # s | 64 rows at 1 us a row take 64 us
REPEATED_PX = 1e-3  # px | four times what the iteration of a centroid leaves
FEWEST_REPEATS = 3  # - | judgement
LEAST_REPEATED_SHARE = 0.002  # - | judgement: fewer change no line and no variance
REPEATED_SHARE = 0.05  # - | judgement: from here on lines and variances are wrong, not only wider
SURE_SIGMAS = 5.0  # - | one in two million by chance (normal distribution)
MIXED_BY_TWO = 0.5  # - | lag-1 correlation of a running mean of two frames
MIXED_CORRELATION = 0.05  # - | raw frames have none; a tenth of what a mean of two frames has
NEIGHBOUR_CORRELATION = 0.03  # - | twice the capacitance of 1 % between pixels gives 0.02
LEAST_PEAK_SNR = 20.0  # - | of bright pixels over the sky's noise: judgement
NOISIEST_CAMERA_E = 60.0  # e- | three times the read noise of old CCD cameras
NOISIEST_SKY_E = 300.0  # e- | a sky of 90,000 e- that was subtracted
WIDER_BY = 0.08  # - | judgement: twice what field curvature does to stars over a frame
UNIFORM_SIGMA_PX = (0.24, 0.36)  # px | uniform over one pixel 0.289, over 1.2 px 0.346
UNIFORM_RANGE_PX = (0.85, 1.25)  # px | 96 % of a pixel 0.96, of 1.2 px 1.15
QUIETEST_STAR_PX = 0.1  # px | noise of a star whose places within a pixel can be told
LEAPS_SHARED = 0.5  # - | a window that leaps takes all stars with it: 1
NARROWEST_SHAPE_PX = 0.6  # px | below it pixels shape the star, see UNDERSAMPLED_PX
FEWEST_INDEPENDENT = 40  # - | the variance of so many is known to 22 %
FEWEST_JUMPS = 5  # - | judgement
FEWEST_MOVES = 3  # - | judgement: chance makes one in 600 looks
FEWEST_STILL = 5  # - | judgement
QUIET_SHARE = 0.3  # - | F test of 40 and 40 values: one in 10,000
LEAST_STEP_PX = 0.5  # px | judgement: smaller steps hardly widen a star
STEP_SIGMAS = (6.0, 5.0, 5.0)  # - | none of scenes 0 to 99 of benchmarks/frame_checks.py has 4.5
STEP_SPANS = (24, 72, 216)  # frames | judgement
TRAILED_ELONGATION = 0.2  # - | twice what air makes, see `raw_checks._trailed`
SCALE_AGREES = 0.03  # - | judgement: nominal focal lengths are good to 2 or 3 %


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
