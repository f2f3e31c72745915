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

# --- estimates, fit, histories, verdict -----------------------------------------------------------
PERCENTILES = (2.5, 15.865, 50.0, 84.135, 97.5)  # % | of draws; 68 % and 95 % intervals, definition
PATH_PLACES = 600  # - | of a path in its transfer function, which then errs by 0.04 where it is 0
SOLVER_TOLERANCE = 1e-4  # - | of a joint draw, in the norm of the data; far below any draw's spread
MOST_ITERATIONS = 60  # - | of that solver, a safety only
LEAST_RESULTANT = 0.3  # - | directions more scattered have none; judgement, no source
# bins of the spectra
FIT_TAPERS = 3  # - | less than half a per cent of a steep spectrum leaks through the third
FIT_TAPER_HALF_BANDWIDTH = 3.0  # Fourier frequencies | judgement, no source
FIT_BIN_RATIO = 1.3  # - | judgement, no source: four bins an octave and a half
FIT_FEWEST_IN_BIN = (
    4  # Fourier frequencies | with the tapers five coefficients: ln is near Gaussian
)
FIT_MOST_DIFFERENTIAL_MODES = 14  # - | judgement, no source: the later ones are noise
# the layers' tables
FIT_LAYER_SEPARATIONS = (0.3, 1.5, 6.0)  # apertures | heights where the middle pair's beams part
FIT_HIGHEST_LAYER_M = 20000.0  # m | common practice, no source
FIT_FOLDS = 2  # - | how many times the spectrum above Nyquist is folded back
FIT_WIND_NODES = 20  # - | a fifth from node to node
FIT_OUTER_SCALE_NODES = (9, 4)  # near, outside | thirteen over 0.2 to 50 m; four are too few
FIT_NEAR_OUTER_SCALE_M = (0.2, 5.0)  # m | domes and tubes (0.57 m in one: arXiv 2509.02298)
FIT_NEAR_WIND_M_S = (0.3, 15.0)  # m/s | judgement, no source: convection to wind
# priors of the fit
FIT_SHARE_SIGMA = 2.0  # - | logistic-normal shares of layers, judgement: from a hundredth to all
REFERENCE_BASELINE = 0.2  # diameters | where the strength of all the air is told; judgement
FIT_STRENGTH_RANGE = (1e-3, 2.5)  # of the Kolmogorov value of the recorded width | judgement
FIT_OPEN_RMS_ARCSEC = (2e-3, 5.0)  # arcsec | below it no budget changes
FIT_OPEN_CORNER_HZ = (0.03, 8.0)  # Hz | judgement, no source
FIT_OPEN_CENTRE = (-0.5, 1.0)  # Nyquist frequencies | below zero: no hump, it falls from zero on
FIT_LEAST_HUMP = 0.15  # - | half-width of a hump over its frequency: half a bin
FIT_NOISE_SIGMA = 0.1  # - | gain and read noise are rarely known better; judgement
FIT_OTF_SIGMA = 0.08  # - | Gaussian registration formula up to D/r0 of 4, finite records
FIT_OPTICS_RANGE = (0.02, 1.0)  # of the recorded width's sigma | unstated optics, judgement
FIT_INSTRUMENT_SIGMA = 0.05  # - | relative error of a stated instrument width; judgement
FIT_EXCLUDED_WIDTH = 1e-3  # - | chance of a larger measured defocus that is let go
FIT_FAST_RANGE = 1e-2  # - | smallest over largest shake inside exposures that is allowed
FIT_CENTROID_SIGMA = 0.3  # of the share of Z tilt | optics that blur beyond the window
TILT_G_OVER_Z = 0.16980 / 0.18192  # - | single-aperture tilt coefficients, Tokovinin 2002
# ln OTF of a registered star over that of the Gaussian form, by D/r0 and baseline in diameters
REGISTERED_D_OVER_R0 = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)  # - | rows of the table below
REGISTERED_BASELINES = tuple(i / 32 for i in range(1, 14))  # diameters | its columns
REGISTERED_LOG_BIAS = tuple(  # 1/1000 | benchmarks/registered_otf.py, seed 20261, 2048 pupils
    tuple(0.001 * int(v) for v in row.split())
    for row in (
        "0 0 0 -1 -1 -1 -1 -1 -1 0 1 1 2",
        "1 0 -1 -2 -3 -3 -3 -2 -1 1 3 5 8",
        "1 -1 -3 -5 -7 -9 -9 -9 -7 -4 -1 4 8",
        "1 -2 -5 -9 -12 -14 -13 -12 -8 -4 2 9 15",
        "1 -9 -21 -35 -45 -52 -54 -51 -43 -33 -22 -13 -6",
        "0 -23 -51 -79 -100 -111 -108 -97 -80 -64 -52 -51 -62",
        "-6 -62 -126 -173 -179 -141 -71 6 70 107 111 75 -8",
        "-11 -97 -172 -172 -60 139 369 578 732 819 830 762 611",
    )
)
REGISTERED_BIAS_SIGMA = 0.3  # relative | obstruction, window, exposure, outer scale; judgement
# the model's own error
FIT_MODEL_ERROR_OCTAVE = 0.8  # of ln frequency | correlation length, about an octave
FIT_MODEL_ERROR_SHARED = 0.2  # of ln power | benchmarks/air_fit.py, excess of the residuals
FIT_MODEL_ERROR_COMMON = 0.15  # of ln power | the same, common to the differential modes
FIT_MODEL_ERROR_OWN = 0.25  # of ln power | the same, of each differential mode
FIT_CONTAMINATED = 0.03  # - | chance that a bin of the shared shift holds unmodelled shake
FIT_COHERENCE_LIMIT = 0.995  # - | keeps Fisher's z finite
# the sampler (physics: adaptive tempered Monte Carlo)
SMC_ESS = 0.5  # of the particles | Del Moral, Doucet & Jasra 2006
SMC_NU = 6.0  # degrees of freedom | of the Student density that proposals are made from
SMC_ACCEPTANCE = 0.25  # - | to which the step is adapted
SMC_DIFFERENCE_MOVES = 0.3  # - | share of moves along differences
SMC_JUMP_MOVES = 0.15  # - | share of moves over a gap between two kinds of particles
SMC_SWEEPS = (4, 16)  # least and most at a temperature
SMC_FORGOTTEN = 0.45  # of twice the variance | median squared jump at which a temperature ends
FIT_PARTICLES = 400  # - | benchmarks/air_fit.py
FIT_FINAL_SWEEPS = 240  # - | benchmarks/air_fit.py
FIT_MOST_DOUBLINGS = 2  # - | design: then there is no verdict
FIT_R_HAT = 1.02  # - | design: the gate
FIT_FINE_FREQUENCIES = 140  # - | of tables at any frequency

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
