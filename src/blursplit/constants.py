"""Every number that enters a formula or a decision: its unit, and where it comes from.

A line reads ``NAME = value  # unit | source``. A source is a publication, the script and table
that set the number, or an honest "common practice, no source" or "judgement, no source".
"""

from __future__ import annotations

import math

# --- conversions and physics --------------------------------------------------------------------
ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi  # arcsec/rad | definition
FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))  # - | of a Gaussian, definition
SIGMA_PER_MAD = 1.4826  # - | of a Gaussian: 1 over the normal quantile of 3/4
SEEING_IN_LAMBDA_OVER_R0 = 0.975863  # - | Hankel transform, `kolmogorov_width` (Fried 1966: 0.976)
SEEING_WAVELENGTH_M = 500e-9  # m | the trade's convention for seeing

# --- rig and frames -----------------------------------------------------------------------------
SER_TICK_S = 1e-7  # s | unit of its times since 0001-01-01T00:00, published layout, version 3
SER_FEWEST_TICKS = 600_000_000_000_000_000  # 100 ns | the year 1902: earlier is no time of a frame
SER_LATEST_TICKS = 700_000_000_000_000_000  # 100 ns | the year 2219: later is no time of a frame
SER_SAME_CLOCK_S = 600.0  # s | clocks that agree so far are in one zone (zones differ by 900 s)
SER_UNLIKE = 0.9  # - | both byte orders look alike above; noise gives 1.0 within 0.01, tests/frames
KERNEL_SAMPLES = 50_000  # - | stars in frames; fewer do not repay loading numba, speed.py
OUTER_SCALE_RANGE_M = (10.0, 50.0)  # m | of the free air; common practice, no source
WIND_RANGE_M_S = (2.0, 30.0)  # m/s | calm ground to jet stream; judgement, no source
CAMERA_WAVELENGTH_NM = 550.0  # nm | middle of an unfiltered camera's band; judgement, no source

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
STEP_OVER_RMS = 4.0  # - | of the motion about a line and the step; slow air of ten frames makes 3.2
STEP_SPANS = (24, 72, 216)  # frames | judgement
TRAILED_ELONGATION = 0.2  # - | twice what air makes, see `raw_checks._trailed`
SCALE_AGREES = 0.03  # - | judgement: nominal focal lengths are good to 2 or 3 %

PACKING_STEPS = 3.0  # a noise | stored pixels that are no whole numbers: + 0.9 % of their variance
PACKING_TILE_FRAMES = 64  # cut-outs | packed together; 32 to 128 differ by 1 % in size
LEAST_SAMPLES_OF_STAR = 10  # frames | of a star in a table of positions; judgement, no source
NOISE_BAND_SHARE = 0.1  # - | of the band, its top: noise of positions that came without; judgement
TABLE_STAR_SIGMA_ARCSEC = 1.0  # arcsec | star of a table without widths; only for finding dithers

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
LINE_FALSE_ALARM = 0.02  # - | chance that a search shows a line that is none; judgement, no source
LINE_LOWEST_BINS = 15.0  # cycles a piece | slower lines look like the air's slow part; judgement
LINE_PIECE_SAMPLES = (
    4000  # samples | longer records are cut, their periodograms averaged; judgement
)
LINE_TRIALS_PER_BIN = 0.08  # - | benchmarks/lines.py, series without lines
LINE_LOWEST_CONTRAST = 2.0  # - | peak over continuum; judgement, no source
LINE_MOST_PARTS = 8  # - | successive parts kept of a record, to see what stays; judgement
LINE_FEWEST_PARTS = 4  # - | with fewer a mode must stand out by itself; judgement
LINE_PROMISING = 0.4  # - | power left without the best third of the parts, of the mean; judgement
LINE_CLIP = 2.5  # - | ratio above which a bin of the periodogram lifts the continuum no further
LINE_INITIAL_RATIO = 12.0  # - | weaker excesses reach no false alarm worth stating, are not fitted
LINE_ROUNDS = 6  # - | of fitting modes and continuum, which gives back wings only slowly
LINE_MOST_FAILED = 6  # - | places in a row where nothing could be kept; judgement (time)
LINE_BROAD_DAMPING = 0.02  # - | broader peaks may be ripples of one frozen layer; simulated
LINE_LEAST_BROAD_SHARE = 0.1  # of the rms | ripples hold 1 to 6 %; simulated
LINE_LARGEST_DAMPING = 0.08  # - | wider peaks cannot be told from the air's own maximum
LINE_WIDTH_RATIO = 2.2  # - | step of the widths tried; half of it off costs a few per cent
LINE_STRONG_RATIO = 1000.0  # - | gain from which a fit also starts at a steady line
LINE_PEAK_BINS = 4.0  # 1/T | half width of a steady line's peak under the tapers
LINE_CLOSE_GAIN = 20.5  # - | chi-square(5), 0.1 %: two modes for one
LINE_REFIT_LOSS = (
    1.8  # - | of the gain, to the continuum fitted with a mode; benchmarks/detection.py
)
LINE_LEFT_AT_LEAST = 0.1  # - | amplitude left by the exposure; less hides a line; judgement
LINE_LIMIT_DAMPINGS = (0.002, 0.01, 0.03)  # - | damping ratios of piers and mounts; judgement
LINE_TAPERS = 3  # - | sine tapers: resolution +-2/T, leakage falling as the fourth power
LINE_TAPER_VARIANCE = 1.0 + 1.0 / (2 * LINE_TAPERS)  # - | N sum (mean taper^2)^2
LINE_SEGMENT_SHARE = 0.25  # of the longest | shorter stretches are left out; judgement
LINE_DYNAMIC_RANGE = 3e-7  # - | far wings of a noiseless sine are leakage that no model follows
LINE_DRIFT_BINS = 15  # bins | below are the drift's
LINE_DENSITY_FLOOR = 1e-24  # unit^2/Hz | no motion
CONTINUUM_KNOT_RATIO = 2.0**0.5  # - | follows knees, not modes; benchmarks/ideal_detector.py
CONTINUUM_BINS_PER_KNOT = 6  # bins | judgement, no source
CONTINUUM_CURVATURE = (
    0.3  # ln power/knot^2 | the knee bends by 0.5 to 0.9; benchmarks/ideal_detector.py
)
CONTINUUM_COHERENCE = 0.9  # - | of the axes at most, keeps matrices definite; judgement
MODE_DAMPING_FLOOR = 1e-5  # - | damping ratios of the fit
MODE_DAMPING_CEILING = 0.15  # - | damping ratios of the fit
MODE_MOST_EVALUATIONS = 300  # - | usual fits need 20 to 60, what no mode fits any number
MODE_SIZE_DOUBT = 0.05  # of the rms | wings shared with the continuum; docs/line_detection.md
MODE_SIZE_DOUBT_DAMPING = 2.0  # of the rms per damping ratio | the same
MODE_SIZE_DOUBT_CONTRAST = 16.0  # - | peak over continuum from which it falls as the root; the same
UNKNOWN_DIRECTION_DEG = 180.0 / 12.0**0.5  # deg | a direction of which nothing is known
MODE_DAMPING_DOUBT = 4.0  # ln(ratio) per ratio | 11 % at 0.015; docs/line_detection.md
MODE_DAMPING_LOSS = 0.2  # ln(ratio) | weak modes lose wings; docs/line_detection.md
MODE_STEADY_GAIN = 3.84  # - | chi-square(1), 95 %
ARRAY_SIDE_BAND = 3.0  # line bands | where the stars' own noise is taken; judgement
SHARED_BANDS_PER_OCTAVE = 3  # - | judgement
SHARED_FEWEST_BINS = 6  # bins | judgement
EVENT_LOWEST_HZ = 1.0  # Hz | air and drive wander more slowly; judgement
EVENT_LEAST_RATIO = 10.0  # - | threshold against typical power, at least; benchmarks/events.py
EVENT_STEADY_S = 300.0  # s | longer records are judged in parts: air changes; judgement
EVENT_FOLLOWED_TO = 0.4  # - | of the threshold, to either side; judgement
EVENT_SHOCK_S = 1.0  # s | a longer event is a shock only if it dies away; judgement
EVENT_SUDDEN = 8.0  # - | rise of power that counts as sudden; benchmarks/events.py
EVENT_SUDDEN_AFTER_S = 0.075  # s | less than a cycle of most mounts; judgement
EVENT_SUDDEN_BEFORE_S = 0.2  # s | judgement
EVENT_SUDDEN_GAP_S = 0.25  # s | judgement
EVENT_QUIET = 0.02  # thresholds | power before a beginning below which nothing is told apart
EVENT_MIDDLE = (0.16, 0.5, 0.84)  # - | the middle 68 % of an event's power by frequency
EVENT_FALSE_ALARM = 0.01  # - | chance that steady motion shows an event in a record; judgement
EVENT_LEAST_SHAPE = 0.5  # - | gamma shapes believed: slow one-axis motion
EVENT_MOST_SHAPE = 1.0  # - | and a single narrow mode, whose power is exponential
EVENT_UPPER_QUANTILE = 0.75  # - | of the power, compared with the median; judgement
ONSET_SHOCK_POWER = 10.0  # - | air alone reached 9.0 in 200 records of 25 s, 7.7 in 432 of 30 s
ONSET_RISE_POWER = 4.0  # - | against the half second before; judgement
ONSET_SHORT_S = 0.12  # s | window of the power; judgement
ONSET_BEFORE_S = 0.5  # s | judgement
ONSET_GAP_S = 0.5  # s | judgement
TIME_MOST_COLUMNS = 240  # cells | what a figure shows
TIME_MOST_ROWS = 120  # cells | what a figure shows
TIME_SHORTEST_WINDOW_S = 1.0  # s | judgement
TIME_LONGEST_WINDOW_S = 4.0  # s | wider windows part lines better; judgement
TIME_WINDOWS_A_RECORD = 60.0  # - | judgement
TIME_FEWEST_SAMPLES = 16  # samples | judgement
TIME_MOST_FILLED = 0.5  # of a window | more was filled in: left blank; judgement
TIME_SAMPLES_AT_ONCE = 1 << 20  # samples | bounds the memory
DENSITY_SHORTEST = 16  # samples | seven tapers of NW = 4 need twice NW
ALIAS_HIGHEST_HZ = 200.0  # Hz | upper end of the candidates; common practice, no source
ALIAS_ODDS_FLOOR = 1e-4  # - | odds that no evidence takes away: models may be wrong; judgement
ALIAS_SMALLEST_LEFT = 0.02  # - | amplitude left by the exposure that is still believed; judgement
ALIAS_EXACT_SAMPLES = 900  # samples | where the full covariance is inverted; judgement (time)
FAMILY_HIGHEST_HARMONIC = 12  # - | judgement, no source
FAMILY_LARGEST_CHANCE = 0.05  # - | of an accidental match; judgement
FAMILY_SIGMAS = 2.5  # sigma | of a match; judgement

# --- turbulence ---------------------------------------------------------------------------------

# --- image --------------------------------------------------------------------------------------

# --- drive --------------------------------------------------------------------------------------
SIDEREAL_DAY_S = 86164.0905  # s | IAU
SIDEREAL_RATE_ARCSEC_S = 360.0 * 3600.0 / SIDEREAL_DAY_S  # arcsec/s
DRIVE_SAME_PERIOD = 0.01  # of the logarithm | closer ones are one period declared twice; judgement
DRIVE_HARMONICS = 3  # - | judgement, no source
DRIVE_SIZES_ARCSEC = (1e-3, 120.0)  # arcsec | few mounts err by more; common practice, no source
DRIVE_N_SIZES = 60  # - | of their grid
DRIVE_ACROSS_SHARES = (0.001, 0.05)  # - | across the axis: next to nothing, or 3 deg misstated
DRIVE_N_ANGLES = 36  # - | of the grid of directions
DRIVE_FINEST_DEG, DRIVE_N_FINE = 0.02, 12  # deg, - | directions beside that of the readings
DRIVE_LEAST_PATTERN = 1e-4  # of a full wave | a weaker pattern adds nothing to what is known
DRIVE_SHOWN_GAIN = 9.21  # - | 99 % of a chi-square of two free numbers, size and direction
DRIVE_SMOOTHNESS = (1.0, 2.0, 4.0)  # - | power by which harmonics fall: rough, triangle, sine
DRIVE_PHASE_BINS = 24  # - | of a folded record; judgement
DRIVE_MOST_BLOCKS = 128  # - | of a fit in red noise; judgement (time)
DRIVE_WHITE_SHARES = (3e-4, 0.003, 0.02, 0.1, 0.3, 0.6, 0.9, 0.99)  # - | of the noise
DRIVE_N_TIMES = 8  # - | correlation times tried
DRIVE_TIMES_A_DECADE = 3  # - | that stand for the air's slope of -2/3
DRIVE_ROUNDS = 5  # - | in which noise and coefficients settle: two digits or more in each
DRIVE_SMALLEST_NOISE_ARCSEC = 1e-5  # arcsec | for a series in which nothing moves at all
GUIDE_DELAYS = (0, 1)  # cycles | tried
GUIDE_CORNERS = 7  # - | of a slow current, tried
GUIDE_CURRENTS = (1.0, 4.0, 16.0, 64.0)  # - | its density over the air's, far below its corner
GUIDE_SHOWN_GAIN = 5.5  # - | 1000 unguided series reached 5.0; benchmarks/guide_loop.py
GUIDE_LEAST_BINS = 8  # - | judgement, no source

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
SENSOR_END_S = (
    1.2  # s | frames this near the ends or gaps of a sensor's record are left out, judgement
)
LONG_FRAME_LEAST_STEPS = 5  # - | a median and its scatter need them; judgement
LONG_FRAME_LARGEST_STEP = 6.0  # robust sigmas | beyond it a step is a dither or a jump; judgement
LONG_FRAME_MODEL_ERROR = 0.1  # - | a worm of ten frames a turn bends inside its steps: 5 to 10 %
LONG_FRAME_NARROWEST = 0.05  # of the frames | that bound every constant cause; judgement
LONG_FRAME_BLOCKS = 10  # - | of the bootstrap: seeing is remembered for minutes; judgement

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
# the model's own error
FIT_MODEL_ERROR_OCTAVE = 0.8  # of ln frequency | correlation length, about an octave
FIT_MODEL_ERROR_SHARED = 0.2  # of ln power | to be set by benchmarks/air_fit.py
FIT_MODEL_ERROR_COMMON = 0.2  # of ln power | the same, common to the differential modes
FIT_MODEL_ERROR_OWN = 0.2  # of ln power | the same, of each differential mode
FIT_CONTAMINATED = 0.03  # - | chance that a bin of the shared shift holds unmodelled shake
FIT_COHERENCE_LIMIT = 0.995  # - | keeps Fisher's z finite
# the sampler (physics: adaptive tempered Monte Carlo)
SMC_ESS = 0.5  # of the particles | Del Moral, Doucet & Jasra 2006
SMC_NU = 6.0  # degrees of freedom | of the Student density that proposals are made from
SMC_ACCEPTANCE = 0.25  # - | to which the step is adapted
SMC_DIFFERENCE_MOVES = 0.3  # - | share of moves along differences
SMC_SWEEPS = (4, 30)  # least and most at a temperature
SMC_FORGOTTEN = 0.45  # of twice the variance | median squared jump at which a temperature ends
FIT_PARTICLES = 600  # - | benchmarks/air_fit.py
FIT_FINAL_SWEEPS = 120  # - | benchmarks/air_fit.py
FIT_MOST_DOUBLINGS = 2  # - | design: then there is no verdict
FIT_R_HAT = 1.02  # - | design: the gate
FIT_FINE_FREQUENCIES = 140  # - | of tables at any frequency

# --- campaign -----------------------------------------------------------------------------------
WATCH_LEAST_FRAMES = 10  # - | frames followed together; the fewest that make a sequence
WATCH_LOOK_S = 2.5  # s | between two looks; each finds the stars anew, in about 0.2 s
WATCH_MOST_FRAMES = 4000  # - | frames followed together, so that nothing is late; judgement
WATCH_FRAMES_KEPT = 24_000  # - | two minutes at 200 frames/s; 50 MB with 30 stars
WATCH_GIVE_UP_S = 30.0  # s | a half-written file that changes no more is left out; judgement
WATCH_NEW_RUN_S = 60.0  # s | a longer pause of the camera begins a new run; judgement
WATCH_SAME_STEP = 0.5  # intervals | files' times are coarser than a camera's clock; judgement
WATCH_NEAR_PX = 2.0  # px | mean places of a star in two pieces, beside the field's shift; judgement
WATCH_JUMP_PX = 4.0  # px | farther off after a seam the field was moved; as in stars.assemble
WATCH_EVERY_S = 10.0  # s | what is said so far is renewed so often
WATCH_IDLE_S = 60.0  # s | without a new frame for so long, watching ends; judgement
WATCH_LONGEST_WINDOW_S = 60.0  # s | windows within which motion counts; default of the blur time
WATCH_SHORTEST_WINDOW_S = 1.0  # s | shorter ones hold too little of what drives do; judgement
WATCH_WINDOWS = 8  # - | so many windows tell how well their mean is known; judgement
WATCH_LINE_FRAMES = 8192  # - | latest frames in which lines are looked for, in about a second
WATCH_MODES = 5  # - | lines that are told of while frames arrive; judgement
WORTH_ARCSEC = 0.1  # arcsec | a saving below is not worth curing; definition
WORTH_SHARE = 0.1  # - | of the width, as above

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

# --- report -------------------------------------------------------------------------------------
PLAIN_NUMBER_POWERS = (-4, 6)  # powers of ten | outside, leading zeros hinder reading; judgement
SETTING_WITHOUT_EXPONENT = 9999.5  # - | four digits hold it, definition
SUREST_SHOWN = 0.99  # - | beyond, the model is in doubt more than the outcome; judgement
SMALLEST_CHANCE_SHOWN = 1e-6  # - | further out no run checks the distribution; judgement
CAPS_OF_DECIMALS = {"arcsec": 3, "Hz": 3, "px": 4}  # - | finer steps say nothing to anybody
LEAST_ODDS_NAMED = 0.01  # - | of an alias or a cause; no reader needs eight at "0 %"; judgement
TABLE_ROWS = 10  # rows | of the tables behind figures; the result folder holds all; judgement
EVENT_ROWS = 40  # rows | of the page's table of events; judgement
TERMINAL_LINES = 3  # lines | of the terminal's one screen; judgement
CHART_POINTS = 6000  # points | of an interactive chart, peaks kept; judgement
FEW_TURNS = 2.0  # turns | below, drift and periodic error trade places; judgement
FIGURE_IN = (4.3, 2.9)  # inch | narrow: on a phone letters of 9.5 points stay above 12 px
FIGURE_ENLARGED = 1.75  # CSS px a point | a point is 4/3 px; larger letters look clumsy
FIGURE_PAIRS = 150  # points | of pairs of stars, neighbours taken together; judgement
FIGURE_FRAMES = 500  # points | of single frames in a figure; judgement
FIGURE_MARKS = 8  # lines | marked in a spectrum; judgement
FIGURE_LABELS_TOUCH = 0.08  # log10 of Hz | a factor of 1.2; nearer labels are joined
FIGURE_LABELS_TOUCH_SHARE = 0.05  # of an axis | likewise
FIGURE_ROWS = 160  # rows | of the picture by time and frequency; judgement
FIGURE_TICKS_HZ = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)  # Hz | round numbers
AGREEMENT_DEG = 2.0  # deg | within which a direction and a position angle agree; judgement
NEARLY_ROUND = 0.8  # axis ratio | above, a circle misses neither axis by more than a tenth
LOOP_FRAMES = 48  # frames | of the loop in the page: about three seconds; judgement
LOOP_INTERVAL_S = 0.07  # s | from frame to frame in the page; judgement
