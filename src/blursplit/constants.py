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

# --- pier ---------------------------------------------------------------------------------------

# --- evidence -----------------------------------------------------------------------------------

# --- fit, histories, verdict ----------------------------------------------------------------------

# --- campaign -----------------------------------------------------------------------------------

# --- simulate -----------------------------------------------------------------------------------

# --- report -------------------------------------------------------------------------------------
