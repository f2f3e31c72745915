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
GRAVITY_M_S2 = 9.80665  # m/s2 | standard gravity
PIER_SHAPE_PER_M = 1.5  # 1/m | rotation over deflection of a cantilever's end times length: 1.5/L
SENSOR_TAPERS = 5  # - | sine tapers; independent coefficients lie (k + 1)/T apart
SENSOR_BLOCK_COEFFICIENTS = 24  # - | least in a block: chance coherence K/n, judgement
SENSOR_BLOCK_HZ = 0.4  # Hz | least width of a block; a mode's pole drops out of the transfer
SENSOR_DIRECTIONS = 3  # - | most directions fitted in a block: limits grow as K^(1/4)
SENSOR_FLOOR_SIGMAS = 3.0  # - | direction is seen when above its floor by this much of 1/sqrt(n)
SENSOR_CLEAR = 0.1  # - | of the motion's density: a sensor whose floor is lower is not blind
SENSOR_ZONES = 3  # - | Nyquist zones of the frames that a sensor is read in, judgement
SENSOR_TRANSFER_REACH = 5.0  # - | how far a real transfer may exceed the nominal one, judgement
SENSOR_NEGLIGIBLE = 0.02  # - | of the motion's density: what a sensor could explain less of is left
SENSOR_PHASE_DRAWS = 499  # - | draws with random phases that give the null
SENSOR_ALARM = 0.01  # - | chance coherence accepted as coherent, counting the offsets tried
SENSOR_OFFSET_S = (-5.0, 5.0)  # s | clock offsets tried where nothing is stated, judgement
SENSOR_GAP_STEPS = 2.5  # median steps | a longer step is a gap
SENSOR_CLIPPED_SHARE = 0.2  # - | of samples at the end of the range: the channel is useless
SENSOR_END_S = 1.2  # s | frames this near the ends or gaps of a sensor's record are left out, judgement

# --- estimates, fit, histories, verdict -----------------------------------------------------------
PERCENTILES = (2.5, 15.865, 50.0, 84.135, 97.5)  # % | of draws; 68 % and 95 % intervals, definition
LEAST_RESULTANT = 0.3  # - | directions more scattered have none; judgement, no source

# --- campaign -----------------------------------------------------------------------------------

# --- simulate -----------------------------------------------------------------------------------
FINE_EDGE = 0.35  # 1/aperture | lower edge of the finest band of simulated air, judgement
MIDDLE_EDGE = FINE_EDGE / 8  # 1/aperture | edge between the two smooth bands, judgement
MIDDLE_PITCH = 0.2  # apertures | grid of the middle band: f pitch < 0.15 at its edge
COARSE_PITCH = 1.6  # apertures | the same for the coarse band
FORGET = 3.0  # apertures | the finest band is then independent (correlation under 1e-3)
RIBBON_POINTS = 24_000_000  # - | memory of one ribbon of phase, 200 MB
TURN_APART = 0.382  # - | golden section: keeps many turns of a ribbon apart
LONGEST_SPARSE = 512  # apertures | fresh air that one long exposure draws from, judgement
SPARSE_FRAMES = 256  # - | frames of one draw of fresh air, judgement
AIR_NODES = 6  # - | Chebyshev nodes across the aperture; a wave of one aperture errs by 3 %
AIR_RATE_HZ = 200.0  # Hz | grid of a near layer's realised tilt in the truth, judgement
SAMPLES_PER_CYCLE = 16  # - | a cubic spline then errs by less than 1e-3 of the amplitude
MOTION_GRID = 6_000_000  # - | longest grid of shared motion, 100 MB a term
RING_TIMES = 12.0  # damping times | length that a drawn mode has at least
LEAST_SPLIT = 10.0  # lambda/opening | closer images of a mask would interfere, judgement
EDGE_SUBSAMPLES = 8  # - | a side of a pupil cell, for the share of it inside the edge
WIDTH_UPSAMPLING = 8  # - | resampling of an image whose width is taken
STAMP_REACH = 3.0  # widths | one to two percent of the light lies beyond and is folded back
PUPILS_AT_ONCE = 128  # - | keeps the pupil fields of a batch in the processor's cache
FRAMES_AT_ONCE = 32  # - | frames drawn on the detector together
STEPS_PER_APERTURE = 4.0  # - | the air moves at most a quarter of the pupil in a step
STEPS_PER_CYCLE = 8.0  # - | steps of an exposure in one period of the fastest mode
STEPS_SHORT, STEPS_LONG, SHORT_EXPOSURE_S = 8, 48, 0.05  # -, -, s | speed, judgement
LONGEST_BLUR_TIME_S = 60.0  # s | blur time of short frames, by definition (docs: conventions)
LONG_FRAME_S = 5.0  # s | from here on the blur time is one frame, by definition
WAIST_NODES = 40  # - | waves across the wind of each sign and frequency, drawn in their bins
WAIST_HIGHEST = 1.6  # V/D | Z tilt above it holds under 1e-3 of the variance (physics: slope -17/3)
WAIST_OVERSAMPLING = 4  # - | grid points over Nyquist's; a local cubic then errs by 1 %
TRUTH_STARS = 3  # - | the brightest, whose mean width is the truth, as it is the measurement
HOT_E_PER_S = (2e4, 4e5)  # e-/s | invented hot pixels
COSMIC_E = (300.0, 20000.0)  # e- | invented cosmic rays
TRAIL_E_PER_PX = 400.0  # e- | an invented satellite

# --- report -------------------------------------------------------------------------------------
