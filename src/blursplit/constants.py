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
AIRY_FWHM = 1.029  # lambda/D | full width at half maximum of the Airy disk
BESSEL_SMALL = 1e-2  # - | below it series of J0 and J2 are exact to 1e-10; mathematics
# - | half of 6.8839, mathematics (Fried 1966)
FRIED_FACTOR = (24 / 5 * math.gamma(6 / 5)) ** (5 / 6)
KARMAN_SATURATION = math.gamma(5 / 6) * 2 ** (-1 / 6)  # - | x^(5/6) K_{5/6}(x) at 0; mathematics
SEEING_IN_LAMBDA_OVER_R0 = 0.975863  # - | Hankel transform, `kolmogorov_width` (Fried 1966: 0.976)
SEEING_WAVELENGTH_M = 500e-9  # m | the trade's convention for seeing

# --- rig and frames -----------------------------------------------------------------------------
SER_TICK_S = 1e-7  # s | unit of its times since 0001-01-01T00:00, published layout, version 3
SER_TICKS_AT_MJD_0 = 678_575 * 86_400 * 10_000_000  # 100 ns | days to 1858-11-17, proleptic
SER_TIME_BITS = (1 << 62) - 1  # - | some writers keep a mark of local or universal time above these
SER_FEWEST_TICKS = 600_000_000_000_000_000  # 100 ns | the year 1902: earlier is no time of a frame
SER_LATEST_TICKS = 700_000_000_000_000_000  # 100 ns | the year 2219: later is no time of a frame
SER_SAME_CLOCK_S = 600.0  # s | clocks that agree so far are in one zone (zones differ by 900 s)
SER_UNLIKE = 0.9  # - | both byte orders look alike above; noise gives 1.0 within 0.01, tests/frames
OUTER_SCALE_RANGE_M = (10.0, 50.0)  # m | of the free air; common practice, no source
WIND_RANGE_M_S = (2.0, 30.0)  # m/s | calm ground to jet stream; judgement, no source
CAMERA_WAVELENGTH_NM = 550.0  # nm | middle of an unfiltered camera's band; judgement, no source

LARGEST_TOML_BYTES = 1_000_000  # bytes | judgement: a setup file has some hundreds
DEEPEST_TOML = 8  # tables within tables | a pier's sections need four
MIDNIGHT_WAIT_S = 60.0  # s | longest wait over midnight between two frames; judgement
CHECKED_BYTES = 64_000_000  # bytes | of data whose sums are compared before reading: 0.1 s
LONGEST_SOURCE = 1000  # characters | of a path in a message; no real one is longer, judgement
LONGEST_QUOTE = 60  # characters | of a wrong value in a message, judgement
LONGEST_EXPOSED_SHARE = 1.05  # of the interval | 5 % for rounded values
# own unit | least and largest value of a setup key: beyond, it is in another unit; judgement
PLAUSIBLE = {
    "telescope.aperture_m": (0.01, 40.0),
    "telescope.focal_length_m": (0.02, 800.0),
    "telescope.instrument_fwhm_arcsec": (0.005, 60.0),
    "telescope.focus_step_um": (1e-3, 1e4),
    "camera.pixel_um": (0.5, 200.0),
    "camera.pixel_scale_arcsec": (1e-3, 500.0),
    "camera.frame_interval_s": (5e-5, 1e5),
    "camera.exposure_s": (1e-7, 1e5),
    "camera.gain_e_per_adu": (1e-4, 5000.0),
    "camera.read_noise_e": (0.0, 5000.0),
    "camera.row_time_us": (0.0, 5e4),
    "mount.worm_period_s": (1.0, 1e5),
    "mount.guide_period_s": (1e-3, 1e4),
    "mask.opening_m": (2e-3, 10.0),
    "mask.separation_m": (4e-3, 40.0),
    "mask.split_arcsec": (0.1, 1e5),
    "air.outer_scale_m": (0.01, 1e5),
    "air.wind_m_s": (0.01, 200.0),
    "air.band_nm": (100.0, 1e5),
    "site.fan_rpm": (1.0, 1e6),
}
# Header fact -> what that reading of the pixel scale is called
SCALE_SOURCES = {
    "scale_wcs_arcsec": "the header's sky coordinates",
    "scale_keyword_arcsec": "the header's scale keyword",
}

DARK_SAME_EXPOSURE = 1.1  # - | exposures this alike may share a dark frame, judgement
FLAT_FLOOR = 0.05  # of the mean sensitivity | a pixel with less is a bad pixel, judgement
GAIN_FRAMES, GAIN_FEWEST_FRAMES, GAIN_REFERENCE_FRAMES = 96, 16, 8  # frames | judgement
GAIN_WINDOW_PX, GAIN_STARS, GAIN_STAMP_PX = 1024, 24, 17  # px, stars, px | speed, judgement
GAIN_TIME_BLOCKS, GAIN_EXTRA_ROUNDS = 8, 3  # - | error of a slope; outliers taken out, judgement
LONE_PIXEL = 1.5  # - | light of 3 x 3 pixels over the middle one; a star has 2.7 or more
GAIN_CORRELATED = 0.05  # - | neighbouring pixels of noise are independent, moving light is not
GAIN_SYSTEMATIC, WORST_GAIN_FIT = 0.05, 0.3  # of a gain | a floor, and what is no gain; judgement
GAIN_EDGE_SLACK = 1.05  # - | above the edge of the random singular values, sqrt(n) + sqrt(m)
GAIN_MODE_ORDER = 4  # - | motion of half a star's sigma leaves less than its photon noise
NAMES_SHOWN = 3  # - | of files in a message, judgement
RUN_SAME_EXPOSURE = 1.02  # - | exposures this alike are one setting, judgement
UNSIGNED_ZERO = 32768  # counts | BZERO of unsigned 16-bit counts, FITS standard 4.0, section 5.2
FITS_BLOCK, FITS_CARD = 2880, 80  # bytes | FITS standard 4.0, section 3
# bytes | of a table's element by the letter of its type, FITS standard 4.0, tables 18 and 36
COLUMN_BYTES = {"L": 1, "B": 1, "A": 1, "I": 2, "J": 4, "K": 8, "E": 4, "D": 8, "C": 8, "M": 16}
# bits, shift | full scales, also shifted left to fill 16 bits; common practice, no source
FULL_SCALE_BITS = ((8, 0), (10, 0), (10, 6), (12, 0), (12, 4), (14, 0), (14, 2), (16, 0))
# - | of the instrument where two pixels of a 2 x 2 cell are averaged: twice the electrons a count
CELL_FACTORS = {
    "pixel_um": 2.0,
    "pixel_scale_arcsec": 2.0,
    "scale_wcs_arcsec": 2.0,
    "scale_keyword_arcsec": 2.0,
    "row_time_us": 2.0,
    "gain_e_per_adu": 2.0,
    "read_noise_e": 2.0**0.5,
}
MOST_HEADER_BLOCKS = 2000  # - | 5.8 MB, beyond any real header: what is longer has lost its END
SPECTRUM_FRAMES = 50  # frames | of the shortest record with a spectrum, judgement
# s, s, Hz | air stands still; slow modes and piers are seen
GOOD_EXPOSURE_S, GOOD_DURATION_S, GOOD_RATE_HZ = 0.010, 60.0, 50.0
SUBFRAME_S = 5.0  # s | frames this slow are no short exposures, by definition (LONG_FRAME_S)
SINC_HALF_POWER = 0.443  # - | sinc^2(x) = 1/2
LOW_ALTITUDE_AIRMASS = 2.0  # - | 30 deg: dispersion and refraction grow, judgement
MOST_FRAME_PIXELS = 400_000_000  # px | larger than any single detector; a frame of it fills 1.6 GB
MOST_COMPRESSION = 1100.0  # - | DEFLATE cannot exceed 1032:1 (zlib's technical notes)
COLOURS = 3  # - | planes of a colour image
HEADER_SCAN_BYTES = 1 << 16  # bytes | read at once
FEWEST_FRAMES = 10  # frames | of a sequence that says anything, judgement
INTERVAL_AGREES = 0.02  # - | relative: stated and measured interval, judgement
CLOCK_STEPS = 3  # - | in a cube, whose planes are in order: more of them are disorder
BAD_PIXEL_SHARE = 0.02  # of the pixels | that is worth a word, judgement
EIGHT_BITS = 255.0  # ADU | full scale, definition
LEVEL_FRAMES, LEVEL_PIXELS = 8, 20_000  # - | looked at: their median errs by 1 % of the scatter
PILED_PIXELS = 3  # px | in one frame at the very top: saturated, judgement
FULL_SHARE = 0.9  # of the pixels | at the top: nothing is left to measure
# deg | nobody measures below; header against sky, judgement
LOWEST_POINTING_DEG, SAME_ALTITUDE_DEG = 10.0, 5.0
SER_HEADER_BYTES, SER_LOOKED_AT = 178, 5  # bytes, frames | published layout; order of the bytes
CACHE_BYTES, MAPPED_BYTES = 96_000_000, 128_000_000  # bytes | of frames kept for a second look
STREAM_BYTES, CUT_BYTES = 4_000_000, 800_000  # bytes | read and turned at a time: the cache's size
WHOLE_ADU = 2**22  # ADU | whole numbers up to here add exactly in float32
LARGEST_ADU = 1e15  # ADU | no camera counts so far; the squares of more overflow float32
MOSAIC_MARGIN_PX = 8  # px | NaN between the images, so that no stamp shows two stars
MOSAIC_MOST_BYTES = 400_000_000  # bytes | of a mosaic in memory, judgement
JD_AT_MJD_0 = 2400000.5  # d | definition
DAY_S = 86400.0  # s | definition
# s | names of units of time in headers and tables; definition
TIME_UNITS_S = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6}
TIME_UNITS_S |= {"min": 60.0, "h": 3600.0, "d": DAY_S, "day": DAY_S, "days": DAY_S}
LONGEST_TIME_S = 1e12  # s | 30,000 years: what lies further from zero is no date in use
FINEST_TIME_S = 1e-3  # s | finer digits do not make one keyword better than another
GPS_BEHIND_TAI_S = 19.0  # s | constant by definition of GPS time
MOST_GRID_STEPS = 1e12  # - | thirty years of a thousand frames a second
REPEATED_STAMPS = 0.05  # of the steps of time | from here on stamps are cut to coarse digits
GRID_JITTER, EVEN_JITTER = 0.35, 0.005  # of an interval | more is no grid; less is as good as one
GRID_JITTER_STATED = 0.7  # of an interval | the same where the interval was stated, judgement
SLOW_CADENCE_S = 5.0  # s | slower frames are started by a script: their stamps beat a grid
GAP_FRAMES, GAP_S, SLOW_GAP_FRAMES = 10, 1.0, 5  # frames, s, frames | a longer pause parts a run
RATE_FEWEST_FRAMES = 100  # frames | on both sides of a change of rate, judgement
RATE_LEAST_CHANGE = 0.02  # of the interval | less is a clock, not a setting
RATE_GAP, RATE_LONG_STEP, RATE_SHORT_STEP = 3.0, 1.5, 0.75  # intervals | no step of either rate
RATE_FEW, RATE_SMALL_NUMBERS = 0.02, 6  # -, - | odd steps let pass; ratios of skipped frames

# --- stars --------------------------------------------------------------------------------------
ROUNDING_ADU2 = 1.0 / 12.0  # adu^2 | variance of rounding to whole units
LEAST_NOISE_SHARE = 1e-3  # of a star's peak | noise of a sky that was clipped away; judgement
SMALLEST_SIDE_PX = 7  # px | a star of the narrowest usable width with a pixel of sky on each side
BLANK_PATCHES = 12  # - | judgement: 1,700 pixels a frame tell a correlation to 0.005 in 24 frames
BLANK_PATCH_PX = 12  # px | judgement: fits between the stars of an ordinary field
BLANK_RUN_FRAMES = 16  # - | judgement: filters of cameras reach over a few frames
BLANK_RUN_LAG = 8  # - | a recursive filter of 0.69 has 0.05 left after eight frames
BLANK_LAGS = (1, 2, 3)  # frames | noise of raw frames has forgotten itself after one
BLANK_RUN_STEP = 64  # - | judgement: a quarter of the frames, a few rows of each
BLANK_RUNS = 12  # - | of long sequences: 192 frames tell a correlation to 0.0018, see above
ALIKE_PX = 0.3  # px | starlight that moves by it changes a tenth of what it changes by a width
FEWEST_ALIKE = 3000  # pixels | tell a correlation to 0.02
FAR_PIXEL = 5  # px | beyond the reach of the usual filters
BESIDE_STEPS = (1, FAR_PIXEL, 0)  # px | neighbours, pixels far apart, a pixel with itself
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
NARROWEST_SHAPE_PX = 0.6  # px | below it pixels shape the star, see MOST_FOLDED
FEWEST_INDEPENDENT = 40  # - | the variance of so many is known to 22 %
FEWEST_JUMPS = 5  # - | judgement
# 0.3 % of 50 Gaussian places pass on one axis, 0.05 % of 100; of 400 places uniform within a pixel
# 99 % do at errors of 0.1 px, 83 % at 0.15 px, 35 % at 0.2 px.
UNIFORM_LOG_ODDS = 4.6  # ln odds | 1 in 100; the shares above are computed
PIXEL_EDGE_PX = (0.03, 0.06, 0.1, 0.15, 0.2)  # px | errors of a camera that centres on a star
FEWEST_MOVES = 3  # - | judgement: chance makes one in 600 looks
FEWEST_STILL = 5  # - | judgement
QUIET_SHARE = 0.3  # - | F test of 40 and 40 values: one in 10,000
LEAST_STEP_PX = 0.5  # px | judgement: smaller steps hardly widen a star
# Passed, with what else is asked of a step, by 0.5 % of normal paths of the least favourable kind
# (1000 frames of air with a current of 100 or 300 frames; those without a current need 24).
STEP_LOG_RATIO = 28.5  # - | benchmarks/frame_checks.py --noise
STEP_FLOOR_PX = 1e-6  # px | places are nowhere known better; keeps a path that lies still defined
STEP_PUSHES = 4  # frames | from a step on in which one push may explain it as well; judgement
STEP_SPAN = 24  # frames | before and after a step that must keep it; judgement
STEP_AGREES = (0.65, 2.0)  # of it | change of medians beside it; benchmarks/frame_checks.py
STEP_KEPT = 0.5  # of the step | by all that lies before and after it; judgement
STEP_ROUNDS = 2  # - | the noise is fitted again without the step; a third changes little
STEP_MEMORY = 8  # frames | by which a path's changes are predicted; judgement
STEP_USUAL_SHARE = 0.9  # of places | whose squares show what chance makes of a path; judgement
STEP_WAIT = 4.0  # intervals | a longer gap dates no step; judgement
WIDTH_SPAN = 24  # frames | least of a stretch whose median width counts; judgement
WIDTH_PARTS = 16  # - | most stretches of a run; judgement
WIDTH_CHANGES = 1.75  # - | between stretches; drawn tracks of benchmarks/frame_checks.py: 1 in 170
PHASE_PX = 0.08  # px | of a pixel's middle: 2.5 % of motions lie there on both axes by chance
PHASE_SIGMA_PX = (0.25, 0.40)  # px | rounding alone 0.289, with 0.25 px of its own error 0.38
PHASE_REACH_PX = 0.85  # px | 98 % of half a pixel and of that error
PHASE_LEAPS = (0.15, 0.5)  # of frames | fast motion rounded: a quarter; with 0.4 px of error: 0.48
LOOSE_SIGMA_PX = 0.5  # px | rounding with 0.4 px of a camera's own error 0.493
LOOSE_REACH_PX = 1.15  # px | 98 % of such
STRETCH_SLOPE = 0.45  # - | flux against width, 1 for a square root; scenes 0 to 39: 0.24 and 0.60
STRETCH_CORRELATION = 0.8  # - | scenes 0 to 39 of benchmarks/frame_checks.py: 0.75 and 0.89
STRETCH_NOISE = 0.04  # of the width | centroid noise of stars that are asked; the same scenes
TRAILED_ELONGATION = 0.2  # - | twice what air makes, see `raw_checks._trailed`
SCALE_AGREES = 0.03  # - | judgement: nominal focal lengths are good to 2 or 3 %

PACKING_STEPS = 3.0  # a noise | stored pixels that are no whole numbers: + 0.9 % of their variance
PACKING_TILE_FRAMES = 64  # cut-outs | packed together; 32 to 128 differ by 1 % in size
LEAST_SAMPLES_OF_STAR = 10  # frames | of a star in a table of positions; judgement, no source
NOISE_BAND_SHARE = 0.1  # - | of the band, its top: noise of positions that came without; judgement
TABLE_STAR_SIGMA_ARCSEC = 1.0  # arcsec | star of a table without widths; only for finding dithers

FAINTEST_CORE_SNR = 5.0  # - | below, a peak of the sky may pass for a star
SATURATED_SHARE = 0.97  # of full scale | from where counts are taken for saturated, judgement
NEAR_PX = 2.0  # px | how far from the middle of its stamp a star is looked for first
RARELY_SEEN = 0.2  # of the frames | a star seen in fewer is left out, judgement
JUMP_SIGMAS, SMALLEST_JUMP_PX = 6.0, 4.0  # sigma, px | a swing's fastest step is twice the usual
# frames | before and after a jump that show rest; more while swinging
JUMP_SIDE, JUMP_LONG_SIDE = 5, 15
CLOUD_FLUX = 0.5  # of the usual flux | a frame with less is under cloud, judgement
DRIFT_APART_PX = 1.0  # px | a star that strays so far from the field is none of it, judgement
GAIN_STAMPS, WORST_GAIN_ERROR = 1500, 0.5  # frames, relative | of a gain of stamps; judgement
FEW_STARS = 4  # stars | so few are not left out for being seen rarely, judgement
DEWED = 1.25  # - | change of width over a run that is worth a word, judgement
# - | of a star's contrast at the pixels' limit, folded at one phase: a still star of sigma 0.6 px
MOST_FOLDED = 0.17
NARROWEST_STACKED_PX = 0.42  # px | LEAST_WIDTH_PX as a sigma: no width below it
SKY_ROUNDING = 1e-6  # of the sky | in single precision
# Speckled stars of 0.8 to 1.4 px sigma, still and shaken, stayed below 4.5 to 7.5 sigmas of their
# own sharpness in 12,000 samples of simulated air; unhurt samples reached 9 on the flanks.
RAY_SURE_SIGMAS = 9.0  # sigma | those samples
RAY_LIKELY_SIGMAS, RAY_ODD_SIGMAS = 2.5, 5.5  # sigma | less where place and flux are odd as well
RAY_FLANK_SIGMAS = 12.0  # sigma | robust ones of a block of twelve are rough
RAY_NOISE_SIGMAS = 6.0  # sigma | of pixel noise, judgement
# sigma, - | weak hits stand out twice the sharpest usual pixel
RAY_DOUBT_SIGMAS, RAY_SHARPER = 4.0, 2.0
# samples, of the flux | that tell what is usual; where nothing does
RAY_FEWEST, RAY_LONE_EXCESS = 12, 0.35
STAMPS_MOST_BYTES = 150_000_000  # bytes | of kept stamps, judgement
SMALLEST_STAMP, LARGEST_STAMP = 21, 61  # px | side, judgement
ISOLATED_SHARE = 0.03  # of a star's height | a neighbour that high spoils its wings, judgement
NARROWEST, WIDEST, MOST_ELONGATED = 0.65, 1.5, 0.35  # of the median width | else no star of it
# sigma, of the height | three windows: a weight of 0.011 in a centroid
BLEND_SIGMAS, BLEND_SHARE = 4.5, 0.15
# What is let through where fewer than so many stars stand alone.
CROWD_STARS, CROWD_OFFSET, CROWD_WIDEST, CROWD_ELONGATED = 12, 0.35, 1.6, 0.5  # - | judgement
CROWD_SNR = 15.0  # - | judgement
# sigma, star sigmas | of the smoothed mean image, judgement
DETECTION_SIGMAS, DETECTION_WIDTH = 4.0, 0.7
EDGE_SIGMAS, HALF_DIAGONAL_PX = 3.0, 0.71  # star sigmas, px | two windows; of a pixel
OFTEN_CLIPPED = 0.2  # of the early frames | that clip a star, judgement
SMALLEST_SNR, FAINTEST_SNR = 10.0, 5.0  # - | of a star; where there are too few of them, judgement
NEEDED_SHARE, AGREEING_SHARE = 0.3, 0.5  # of the stars | expected in the frame; measurable
PAIR = 2  # stars | nobody tells which of two is right
FLUX_FACTOR = 2.5  # - | scintillation in a small aperture and short exposures stays within
LONE_FLUX_RANGE, JUMPED_FLUX_RANGE = (0.03, 3.0), (0.3, 3.0)  # of the usual | judgement
HIT_PULL_PX = 2.0  # px | a cosmic ray pulls a centroid no farther than its window reaches
ONE_PEAK_SIGMAS = 2.0  # sigma | nearer Gaussians have one peak: no two centroids are two stars
TREND_FEWEST, TREND_LATEST = 4, 8  # frames | a line needs them; the latest place, judgement
DRIFT_MATTERS_PX = 0.7  # px | a block's drift that moves a star off its pixels, judgement
SMALLEST_MARGIN = 4  # px | off its expected place that the narrowest cuts still hold a field
LANES = 32  # px | of a row that kernels take together: two of the widest registers
# - | IEEE 754, single precision: sqrt(1/2) in bits, and how many of a number's hold its fraction
SINGLE_ROOT_HALF, SINGLE_FRACTION_BITS = 0x3F3504F3, 23
SUMS_AT_ONCE = 4  # - | that a product of rows is parted into: each waits for the one before
BESSEL_LARGE, BESSEL_TERMS = 15.0, 4  # - | from there on so many asymptotic terms err by 4e-7
BESSEL_PRECISION = 1e-12  # - | of the sum: where the power series ends
LOGARITHM_TERMS = (9.0, 7.0, 5.0, 3.0, 1.0)  # orders | the next one of artanh(0.172) is below 1e-9
SMALLEST_FIT = 3  # stars | two cannot be checked by a third
GUIDES, FAST_GUIDES = 5, 3  # stars | judgement
GUIDE_SIGMAS = 2.0  # star sigmas | guide stars agree within this of their median
MOST_VOTES = 1.5  # stars | that one bright neighbour counts for: two stars outvote it, judgement
GUIDE_FLUX_RANGE, GUIDE_WIDTH_RANGE = (0.1, 4.0), (0.45, 2.5)  # of the usual | judgement
STEADY_BLOCK, STEADY_STARS = 8, 4  # frames, stars | that share one sky noise, judgement
GAIN_LEVEL_SIGMAS = 5.0  # sigma | of the sky: pixels that bright tell a gain
STAMP_NUMBERS = 14  # - | that a kernel writes of each stamp: `stamp_kernels.measure_stamps`
BORDER_PIECES = 12  # - | of a stamp's border: a median of them forgives a neighbour or two
MOMENT_POWERS = ((0, 0), (0, 1), (1, 0), (0, 2), (2, 0), (1, 1))  # of y and x | definition
FOURTH_DIFFERENCE = (1.0, -4.0, 6.0, -4.0, 1.0)  # - | passes pixels' noise, hardly a star; binomial
DARK_SHARE = 0.2  # quantile | of a stamp that shows no border: its sky
MEAN_FRAMES, MEAN_BYTES = 24, 120_000_000  # frames, bytes | of the reference image
CLIP_SIGMAS = 3.0  # rms | outliers in m of n frames lie sqrt((n - m)/m) off: two of 24 at 3.3
FIRST_SIGMA_PX, SIGMA_RANGE_PX = 1.7, (0.5, 12.0)  # px | FWHM of 4 px to begin with; judgement
SPARSE_FIELD, LASTING_SHARE = 0.5, 0.5  # of the pixels, of an excess | holds anything; median tells
MOST_PEAKS, PEAK_SIGMAS = 40, 5.0  # -, sigma | of a frame that is registered, judgement
CLEAR_FRAMES = 2  # frames | that show a peak of their mean: no two have the same noise or ray
HOT_SHARE = 0.25  # of a peak | its neighbour's: a star of sigma 0.8 px leaves 0.46, of 0.6 px 0.25
MATCH_SHARE, SMALLEST_MATCH = 0.4, 3  # of the expected stars, stars | judgement
FALSE_MATCH, UNSURE_MATCH = 1e-3, 0.04  # fields a frame | by chance; where no harm is done
FEW_LIKE, LIKE = math.log(3.0), math.log(2.5)  # ln flux ratio | scintillation of a small aperture
SCATTER_PIXELS = 16_000  # px | the scatter of so many is known to 1 %
FINEST_SIGMA_PX, MOST_BINNED = 0.59, 8  # px, - | a star's sigma in the pixels it is looked for in
FIRST_BLOCK, SMALLEST_BLOCK, LARGEST_BLOCK = 32, 4, 256  # frames | speed, judgement
TRACKER_BLOCK_BYTES = 20_000_000  # bytes | of cut-outs at a time: the cache's size
CALM_SHARE = 0.6  # of the margin | a field that lies farther off may soon be lost, judgement
LARGEST_MARGIN = 16  # px | off its expected place that the widest cuts hold a field
STEADY_PX, RECENT = 2.0, 32  # px, frames | a field this close need not be searched for
OFF_CENTRE_PX = 3.5  # px | beyond, the sky about a star and its kept stamp are cut anew
STRAY_SIGMAS = 8.0  # robust sigmas | a star strays by its own air, distortion and noise
SLOWEST_RETRY = 32  # frames | between searches for a lost field, judgement
# Two unsure matches in one place, of the few per cent of a frame that the widest cuts hold:
# 0.04 x 3 x 0.04 x 0.05, less than a sure match may have.
WITNESSES = 3  # frames | that product
# deg a half block, px, sigma | judgement
FASTEST_TURN_DEG, SLOWEST_TURN_PX, SURE_TURN_SIGMAS = 5.0, 0.3, 3.0
HALF_FLIP_DEG, TURNS_ABOUT_DEG = 90.0, 90.0  # deg | no turn and half a turn lie far from them
WINDOW_OVER_SIGMA = 1.5  # - | within 2 to 6 % of the Cramer-Rao bound with background (computed)
WINDOW_MOST_STEPS, WINDOW_TOLERANCE_PX = 25, 2e-4  # -, px | a usable star has a noise of 5e-3 px
WINDOW_LAST_STEP_PX = 0.02  # px | Newton errs by a tenth of its square: below 4e-5 px
# windows, of an offset | a weight below 0.011; a credible mean sees it
FULL_WINDOWS, FLATTEST = 3.0, 0.25
CORE_SIGMAS, SMALLEST_CORE, BORDER_PX = 4.5, 13, 4  # star sigmas, px, px | three windows, judgement
MOST_HOT = 5000  # px | hot pixels that are remembered, judgement

# --- motion -------------------------------------------------------------------------------------
GRID_LEAST_FRAMES = 50  # - | of a segment that carries a spectrum; judgement
GRID_LEAST_GOOD_SHARE = 0.85  # - | of a star's frames; judgement
GRID_MOST_STARS = 24  # - | judgement (time)
ROTATION_LEAST_STARS = 3  # stars | with fewer, rotation cannot be told from the air of a pair
HUBER = 3.0  # sigma | residuals beyond lose weight; judgement, no source
MOTION_ITERATIONS = 8  # - | of the robust fit; the last changes nothing above 1e-6 px
PAIR_LEAST_FRAMES = 10  # frames | that two stars share; judgement, no source
INSIDE_BAND_FWHM = (0.10, 0.20, 0.45)  # cycles per FWHM | lowest, highest, refused above; screens
INSIDE_TAPER_PX = 4.0  # px | ramp at a stamp's edge; judgement, no source
INSIDE_LEAST_BINS = 20  # - | fewer say nothing of a lag (3/sqrt(20) = 0.67); judgement
INSIDE_MOST_BINS = 400  # - | keeps the fit within two seconds; judgement
INSIDE_OTF_STEP = 4  # draws | every fourth of 200: the error of their mean is a seventh
INSIDE_AIR_LAG = (0.0, 0.12, 0.25)  # - | memory of air's shape over V tau/D of 1 and more; screens
INSIDE_LARGEST_AIR_SHARE = 0.4  # - | scatter of air's tensor over its mean: 0.20 to 0.38; screens
INSIDE_SHOWN = (0.99, 0.95)  # - | probability of memory and of form; judgement
INSIDE_FORM_MOTION = (1.0, 2.5)  # - | traceless over half-trace variance: geometry, and beats
INSIDE_FORM_CURRENTS = (0.0, 0.9)  # - | none for a defocus, 0.78 for five low orders (screens)
INSIDE_AXIS_PRIOR = 0.293  # - | of a mode on one axis: one half that there is one on either
INSIDE_JACKKNIFE = 12  # - | stretches; judgement
INSIDE_SCALE_ERROR = 0.05  # - | slope of ln|OTF| tensors on true ones; screens
INSIDE_RADII, INSIDE_ANGLES = 3, 8  # - | frequencies of the least squares; judgement
INSIDE_FLICKER_NODES = 4  # - | places of a phase; judgement
INSIDE_LEAST_FLICKER = 0.2  # - | less would pass for 2 % of the energy: (1 + 0.2^2)^0.5
INSIDE_DECAYS = (0.06, 2.4, 9)  # per bin | above, a mode remembers no more than air may (0.25)
INSIDE_DAMPED_DECAYS = (2.4, 20.0)  # per bin | too damped for any lag to show
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
INSIDE_ENOUGH_PLACES = 40.0  # - | places that carry a round of sampling; judgement
INSIDE_ROUNDS = (400, 200, 8)  # places | first round, later rounds, rounds: 50 to 300 effective
MAD_EFFICIENCY = 0.3675  # - | of the median deviation beside the rms: Hampel 1974 (memory)
SAME_NOISE = 1e-9  # - | of the mean square: less is rounding of one and the same number
NOISE_PARTS = 20  # - | of a record, whose scatter is the error of its mean noise; judgement

# --- spectra ------------------------------------------------------------------------------------
LINE_FALSE_ALARM = 0.01  # - | chance that a search shows a line that is none; judgement
LINE_LOW_DOUBT = (10.0, 200.0)  # - | of low peaks below, above a bin's width; detection.py false
LINE_LOWEST_BINS = 15.0  # cycles a piece | slower lines look like the air's slow part; judgement
LINE_PIECE_SAMPLES = 4000  # samples | longer records are cut, periodograms averaged; judgement
LINE_TRIALS_PER_BIN = 0.08  # - | benchmarks/lines.py, series without lines
LINE_LOWEST_CONTRAST = 2.0  # - | peak over continuum; judgement, no source
LINE_MOST_PARTS = 8  # - | successive parts kept of a record, to see what stays; judgement
LINE_FEWEST_PARTS = 4  # - | with fewer a mode must stand out by itself; judgement
LINE_PROMISING = 0.4  # - | power left without the best third of the parts, of the mean; judgement
LINE_GUST_REACH = 0.1  # ln(frequency) | beside a line, to see how loud the air is; judgement
LINE_GUST_RATIO = 2.0  # of power, loud to quiet half | still air scatters by less; judgement
LINE_CLIP = 2.5  # - | ratio above which a bin of the periodogram lifts the continuum no further
LINE_INITIAL_RATIO = 12.0  # - | weaker excesses reach no false alarm worth stating, are not fitted
LINE_ROUNDS = 6  # - | of fitting modes and continuum, which gives back wings only slowly
LINE_MOST_FAILED = 6  # - | places in a row where nothing could be kept; judgement (time)
LINE_BROAD_DAMPING = 0.02  # - | broader peaks may be ripples of one frozen layer; simulated
LINE_RIPPLE_DAMPING = 0.03  # - | of the narrowest ripple of one frozen layer; simulated
LINE_NARROWER_GAIN = 4.0  # - | chi-square(1), 95 %: a low peak is narrower than ripples
LINE_LEAST_BROAD_SHARE = 0.1  # of the rms | ripples hold 1 to 6 %; simulated
LINE_LARGEST_DAMPING = 0.08  # - | wider peaks cannot be told from the air's own maximum
LINE_WIDTH_RATIO = 2.2  # - | step of the widths tried; half of it off costs a few per cent
LINE_STRONG_RATIO = 1000.0  # - | gain from which a fit also starts at a steady line
LINE_PEAK_BINS = 4.0  # 1/T | half width of a steady line's peak under the tapers
LINE_CLOSE_GAIN = 20.5  # - | chi-square(5), 0.1 %: two modes for one
LINE_PAIR_GAIN = 10.83  # - | chi-square(1), 0.1 %: a split on perpendicular axes
LINE_PAIR_LOSS = 9.49  # - | chi-square(4), 5 %: a pair where two modes of their own were fitted
LINE_WIDEST_SPLIT = 0.08  # of the frequency | of a round pipe's two modes; judgement
LINE_LEAST_SECOND_AXIS = 0.2  # of the larger axis' rms | less shows no second mode; judgement
LINE_SURE_CONTRAST = 10.0  # - | of a peak that may come and go; gusts of air make 6; judgement
LINE_BROAD_MARGIN = 1.15  # - | its size as measured scatters by a tenth; docs/line_detection.md
LINE_REFIT_LOSS = 1.8  # - | of the gain, to the continuum beside a mode; benchmarks/detection.py
LINE_LEFT_AT_LEAST = 0.1  # - | amplitude left by the exposure; less hides a line; judgement
LINE_WIDEST_SHARE = 0.25  # of half the rate | wider folded modes look like white noise; judgement
LEAST_ALIAS_ODDS = 0.05  # - | of candidates that a line's interval covers: 95 % of the odds
LINE_TAPERS = 3  # - | sine tapers: resolution +-2/T, leakage falling as the fourth power
LINE_TAPER_VARIANCE = 1.0 + 1.0 / (2 * LINE_TAPERS)  # - | N sum (mean taper^2)^2
LINE_SEGMENT_SHARE = 0.25  # of the longest | shorter stretches are left out; judgement
LINE_DYNAMIC_RANGE = 3e-7  # - | far wings of a noiseless sine are leakage that no model follows
LINE_DRIFT_BINS = 15  # bins | below are the drift's
LINE_DENSITY_FLOOR = 1e-24  # unit^2/Hz | no motion
CONTINUUM_KNOT_RATIO = 2.0**0.5  # - | follows knees, not modes; benchmarks/ideal_detector.py
CONTINUUM_BINS_PER_KNOT = 6  # bins | judgement, no source
# ln power/knot^2 | the knee bends by 0.5 to 0.9; benchmarks/ideal_detector.py
CONTINUUM_CURVATURE = 0.3
CONTINUUM_COHERENCE = 0.9  # - | of the axes at most, keeps matrices definite; judgement
MODE_DAMPING_FLOOR = 1e-5  # - | damping ratios of the fit
MODE_DAMPING_CEILING = 0.15  # - | damping ratios of the fit
MODE_MOST_EVALUATIONS = 300  # - | usual fits need 20 to 60, what no mode fits any number
MODE_SIZE_DOUBT = 0.05  # of the rms | wings shared with the continuum; docs/line_detection.md
MODE_SIZE_DOUBT_DAMPING = 2.0  # of the rms per damping ratio | the same
MODE_SIZE_DOUBT_CONTRAST = 16.0  # - | peak over continuum from which it falls as the root; the same
UNKNOWN_DIRECTION_DEG = 180.0 / 12.0**0.5  # deg | a direction of which nothing is known
# standard errors of the split | from there one line's interval reaches beyond two modes
MODE_SPLIT_SHOWS = 1.4
# standard errors of the middle | so far; both: shares nearest to 0.68, detection.py reach
MODE_SPLIT_REACH = 1.3
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
ONSET_LOWEST_HZ = (1.0, 5.0)  # Hz | 1 arcsec at 15 Hz: 7 of 12 taps, 1 without 5; taps.py
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
DENSITY_BANDWIDTH = 4.0  # - | half width of the tapers times the record's length, NW; judgement
DENSITY_TAPERS = 7  # - | 2 NW - 1, those that concentrate (Thomson 1982)
ALIAS_HIGHEST_HZ = 200.0  # Hz | upper end of the candidates; common practice, no source
ALIAS_ODDS_FLOOR = 1e-4  # - | odds that no evidence takes away: models may be wrong; judgement
ALIAS_SMALLEST_LEFT = 0.02  # - | amplitude left by the exposure that is still believed; judgement
ALIAS_EXACT_SAMPLES = 900  # samples | where the full covariance is inverted; judgement (time)
FAMILY_HIGHEST_HARMONIC = 12  # - | judgement, no source
FAMILY_LARGEST_CHANCE = 0.05  # - | of an accidental match; judgement
FAMILY_SIGMAS = 2.5  # sigma | of a match; judgement
RING_LOWEST_HZ = 1.0  # Hz | slower motion is left to a smooth baseline; judgement
RING_MOST_MODES = 4  # - | modes fitted to one ring-down; judgement
RING_LEAST_FRAMES = 4.0  # frames | in which a ring falls to 1/e; a faster one is the push itself
RING_SMALLEST_SNR2 = 40.0  # - | matched filter; noise exceeds it once in about a thousand taps
RING_LARGEST_DAMPING = 0.2  # - | damping ratio of a ring-down; judgement
RING_BEND_REACH = 0.1  # of the frequency | two rings nearer than this may be one that bends
RING_BEND_GAIN = 25.0  # - | chi-square that a bending frequency must gain; two parameters, 4e-6
RING_LATER = (0.5, 1.0, 1.5, 2.0, 2.5)  # decay times | later starts; a quarter is left at 1.5
RING_LATER_S = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6)  # s | later starts where the whole fits nothing
RING_SHORTEST_S = 0.3  # s | shorter stretches carry no ring-down; judgement
RING_LONGEST_S = 15.0  # s | judgement
RING_DISAGREES = 3.0  # sigma | between fits of the whole and of a later part
RING_SMALLEST_CHANGE = 0.03  # of the damping ratio | less is no other motion; judgement
RING_STILL_SEEN = 0.3  # of the largest mode's size | smaller ones may have gone; judgement
RING_HARMONIC_OFF = 0.015  # - | of a third harmonic's frequency; judgement
RING_LONGEST_SETTLING_S = 120.0  # s | judgement
RING_DRAWS = 400  # - | behind the intervals of derived times
RING_SAME_MODE = 0.05  # of the frequency | modes of two taps further apart are two; judgement
RING_ODD_DAMPING = 0.04  # - | few structures are damped more: a limit then, no value; judgement
RING_LARGEST_ARCSEC = 20.0  # arcsec | larger rings are rarer as the square of their size; judgement
# of the growth expected of the stars' variance | windows, phases; three simulated taps agreed so
RING_GROWTH_ERROR = 0.4
RING_GROWTH_FLOOR = 0.05  # of the ring's variance | the same where hardly any growth is expected
RING_DECIDED = 0.95  # - | odds from which a fold is no longer open, as those of lines; judgement
RING_USUAL_DAMPING = 0.012  # - | of piers, mounts and tripods, median; common practice, no source
RING_DAMPING_SPREAD = 0.8  # ln | of the same, one sigma; common practice, no source
TAP_SETTLE_ARCSEC = 0.5  # arcsec | amplitude that counts as still; judgement
TAP_REFERENCE_ARCSEC = 5.0  # arcsec | amplitude from which settling is stated; judgement

# --- turbulence ---------------------------------------------------------------------------------
SMALLEST_OUTER_SCALE_RATIO = 3.0  # - | L0/r0; below, the image is mostly its unscattered core
DEFOCUS_STRIPS = 400  # - | of half a pupil; 400 are good to 1e-5
LOWEST_ALTITUDE_DEG = 10.0  # deg | below, the flat-layer formula (n - 1) tan z no longer holds
PRESSURE_SCALE_HEIGHT_M = 8400.0  # m | of the standard atmosphere
SPECTRUM_RANGE = (1e-6, 100.0)  # - | frequencies nu D/V tabulated
CROSS_PHASE_CUT = 30.0  # rad | beyond, two beams count as unrelated: at most 3 % of the density
CROSS_RANGE = (1e-5, 20.0)  # - | frequencies nu D/V tabulated
CROSS_SIZES = (3e-3, 1e3)  # - | separations s/D tabulated
CROSS_HIGHEST = 150.0  # - | u = f D; the filter has taken the rest away
CROSS_STRIDE = 8  # - | steps of the grid a row of the table: 4 % in x
TILT_LOG_STEP = 0.005  # - | of the grid in ln u; coefficients are good to 1e-4
TILT_LOWEST = 1e-8  # - | u = f D of the grid
TILT_HIGHEST = 1e5  # - | u = f D of the grid
TILT_MEAN_FROM = 15.0  # - | u; Bessel functions outrun the grid: their mean square from here
TILT_MEAN_FULL = 45.0  # - | u; and alone from here
PAIR_SMALLEST = 1e-3  # - | s/D tabulated; the square law continues below
PAIR_LARGEST = 1e3  # - | s/D tabulated
PAIR_PER_DECADE = 24  # - | rows of the table; interpolation is good to 1e-4
TILT_PHASE_CUT = 90.0  # rad | waves that turn by more average out; the grid would alias them
MIX_OBSTRUCTION = (0.0, 0.33)  # - | rows of the two tables below
MIX_D_OVER_R0 = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)  # - | rows of the two tables below
# lambda/D | sigma of the centroid's window, columns of the first table
MIX_WINDOW = (0.5, 0.7, 1.0, 1.5, 2.5, 4.0)
# - | share of Z tilt, data/calibration/centroid_tilt.csv
TILT_MIX = (
    (
        (1.14, 1.09, 0.94, 0.71, 0.47, 0.32),
        (1.17, 1.12, 0.95, 0.71, 0.46, 0.3),
        (1.23, 1.19, 0.99, 0.73, 0.47, 0.31),
        (1.37, 1.3, 1.05, 0.74, 0.45, 0.28),
        (1.87, 1.74, 1.29, 0.8, 0.46, 0.28),
        (2.59, 2.39, 1.77, 1.04, 0.53, 0.32),
        (3.49, 3.3, 2.71, 1.62, 0.69, 0.37),
        (3.98, 3.88, 3.51, 2.44, 1.05, 0.53),
    ),
    (
        (1.08, 0.94, 0.66, 0.41, 0.25, 0.16),
        (1.1, 0.97, 0.68, 0.45, 0.3, 0.21),
        (1.13, 0.98, 0.68, 0.44, 0.29, 0.2),
        (1.2, 1.0, 0.7, 0.46, 0.32, 0.23),
        (1.81, 1.45, 0.84, 0.41, 0.18, 0.07),
        (2.03, 1.7, 1.14, 0.6, 0.32, 0.22),
        (3.13, 2.83, 2.17, 1.31, 0.5, 0.25),
        (3.26, 3.06, 2.67, 1.75, 0.63, 0.23),
    ),
)
# - | for a window of 1.5 star sigmas, the same file
TILT_MIX_DEFAULT = (
    (1.11, 1.15, 1.21, 1.34, 1.75, 2.18, 2.75, 3.24),
    (1.07, 1.09, 1.1, 1.15, 1.55, 1.66, 2.26, 2.51),
)
TILT_MIX_LEAST_SIGMA = 0.1  # - | of the share: pixel, exposure, other obstructions; judgement
TILT_MIX_SHARE = 0.3  # - | of its distance from 1, the table's own error (15 %) included
TILT_MIX_OPEN_SIGMA = 0.3  # - | for a window twice as wide: a star widened by pixels and optics

# --- image --------------------------------------------------------------------------------------
FWHM_HIGHEST = 2.0  # 1/width | a Gaussian's transfer function is 7e-7 there
FWHM_N_FREQUENCY = 48  # - | the image repeats after N/HIGHEST = 24 widths
FWHM_HALF_FIELD = 1.3  # widths | of the sampled image
FWHM_LONG_TRAIL = 3.0  # - | rough length over width: beyond it sharp ends need finer sampling
FWHM_MOST_FINENESS = 24  # - | trails up to 48 widths long
FWHM_N_POINTS = 61  # - | an axis of the sampled image
PIXEL_EXCESS = (2.04, -2.70)  # - | excess of narrow stars, from simulated stars, see image/otf.py
PIXEL_EXCESS_SCATTER = (0.99, -2.82)  # - | of it from star to star, likewise
PIXEL_EXCESS_ERROR = 0.15  # - | of it for other profiles, likewise
IMAGE_PART = 0.2  # - | of the largest part above half the peak: smaller ones are noise; judgement
LEAST_WIDTH_PX = 1.0  # px | narrower stars have no width; judgement, no source
STACK_BATCH = 64  # frames | at a time: their transforms stay in the processor's cache
STACK_LEAST_FRAMES = 5  # frames | of a stack; judgement, no source
JACKKNIFE_BLOCKS = 8  # - | of a stack, for its error; judgement, no source
LEAST_WIDTH_ERROR = 0.005  # - | relative: flat field and sky under the star; judgement, no source
ONE_SIGMA = 0.8413  # - | normal probability below + 1 sigma
STACK_REACH = 0.25  # cut-outs | a star moved further has its image in a larger one
STACK_LARGEST_MARGIN_PX = 200  # px | 90 MB for five stars: a longer trail gets no image
PLACE_NOISE = 0.07  # - | of a star's sigma, of a long frame's place: widens a stack by 0.25 %
PLACE_REACH = 2.0  # widths | within which the light of a trail counts for its place; judgement
STACK_LEAST_SNR = 8.0  # - | of the peak of a stack; judgement, no source

LOWEST_TRANSFER_BASELINE = 0.05  # apertures | below it the stamp's edge and the sky decide
HIGHEST_TRANSFER_BASELINE = 0.30  # apertures | above it the registered OTF's Gaussian form fails
TRANSFER_BASELINES = 8  # - | between them; neighbours share the stamp's noise, judgement
TRANSFER_FEWEST = 3  # - | baselines of a usable star image, judgement
TRANSFER_ANGLES = 24  # - | of the azimuthal mean; more change it by less than the pixel's part
MOST_TRANSFER_CYCLES_PX = 0.42  # cycles/px | Nyquist, a margin for the pixel's response; judgement
LEAST_TRANSFER = 0.04  # - | contrast below which noise decides, judgement
TRANSFER_POINT_SIGMA = 0.01  # of ln contrast | pixel response and interpolation, judgement
TRANSFER_SLOPE_SIGMA = 0.02  # of ln contrast | figure and pixel at the highest baseline, judgement
# The star is drawn and cut out under air of some strengths to know what its missing wings add.
CUT_D_OVER_R0 = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 7.0, 12.0)  # - | nodes, gain goes smoothly
CUT_FREQUENCIES = 200  # - | up to the telescope's limit: images repeat beyond 100 lambda/D
CUT_FINENESS = 6  # points a pixel | the light folded by pixels averages out to 1e-3
CUT_STEP_PX = 0.05  # px | of the radial profile: linear between, 1e-3 of the gain
CUT_GAIN_SIGMA = 0.25  # relative | wings that are not the air's (optics, neighbours); judgement
LEAST_WING_SIGMA = 0.01  # of the light | sky level, judgement
WHOLE_TURN = 0.7  # turns | in an exposure, from where motion blurs like a whole oscillation

# --- drive --------------------------------------------------------------------------------------
SIDEREAL_DAY_S = 86164.0905  # s | IAU
SIDEREAL_RATE_ARCSEC_S = 360.0 * 3600.0 / SIDEREAL_DAY_S  # arcsec/s
DRIVE_LEAST_TURNS = 1.0  # - | a period of which less was seen shows as drift and its curvature
DRIVE_NO_LIMIT_ARCSEC = 100.0  # arcsec | no better than what is thought possible beforehand
DRIVE_LEAST_SAMPLES = 3  # - | of a part: an offset takes one and a line through it a second
DRIVE_MOST_SEGMENTS = 40  # - | more cost time and add little; judgement
DRIVE_FEWEST_SAMPLES = 12  # - | of a record; judgement
DRIVE_BLOCKS, DRIVE_BLOCKS_A_TURN, DRIVE_MOST_BLOCKS_OF_CURVE = 128, 24, 512  # - | judgement (time)
DRIVE_STATED_SIGMA_DEG = 1.0  # deg | how well a stated direction is trusted; common practice
DRIVE_CHI2_95 = 5.99  # - | 95 % of a chi-square of two degrees of freedom
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
DRIVE_PHASES = 240  # - | of a turn on which a curve's span is read; judgement
DRIVE_WHITE_SHARES = (3e-4, 0.003, 0.02, 0.1, 0.3, 0.6, 0.9, 0.99)  # - | of the noise
DRIVE_N_TIMES = 8  # - | correlation times tried
DRIVE_TIMES_A_DECADE = 3  # - | that stand for the air's slope of -2/3
DRIVE_ROUNDS = 5  # - | in which noise and coefficients settle: two digits or more in each
DRIVE_SMALLEST_NOISE_ARCSEC = 1e-5  # arcsec | for a series in which nothing moves at all
GUIDE_GAINS = (0.1, 1.0, 19)  # lowest, highest, number | tried
# Air rises a little toward its outer scale; a steeper rise would take the place of a loop's dip.
GUIDE_SLOPES = (-0.25, 3.01, 0.25)  # of ln density over ln frequency: from, below, step | tried
GUIDE_DELAYS = (0, 1)  # cycles | tried
GUIDE_CORNERS = 7  # - | of a slow current, tried
GUIDE_CURRENTS = (1.0, 4.0, 16.0, 64.0)  # - | its density over the air's, far below its corner
GUIDE_SHOWN_GAIN = 5.5  # - | 1000 unguided series reached 5.0; benchmarks/guide_loop.py
GUIDE_LEAST_BINS = 8  # - | judgement, no source

# --- pier ---------------------------------------------------------------------------------------
CAUSE_NAMING_ODDS = 0.9  # - | below, a line's cause stays "unknown"; judgement
CAUSE_UNKNOWN_PRIOR = 0.5  # - | a cause is not on the list as often as it is; judgement
CAUSE_UNKNOWN_SPREAD = math.log(10.0)  # ln Hz | an unknown cause lies in a decade; judgement
CAUSE_LIKELY_FOLD = 0.1  # odds | less likely folds back up no other line; judgement
CAUSE_STEADY = {"drive": 0.9, "mains": 0.95, "fan": 0.8, "pier": 0.1}  # - | judgement, no source
CAUSE_UNKNOWN_STEADY = 0.5  # - | an unknown cause says nothing
CAUSE_STEADY_ENOUGH = 0.01  # - | chance of Thomson's F below which a line is steady; judgement
CAUSE_MAINS_SIGMA_HZ = 0.1  # Hz | wander of a public grid; common practice, no source
CAUSE_DRIVE_SIGMA = 0.002  # of a frequency | judgement, no source
CAUSE_FAN_SIGMA = 0.03  # of a frequency | real speed against the plate; common practice
CAUSE_KNOWN_SIGMA = 0.02  # of a frequency | where no tolerance is given; judgement
CAUSE_MOST_HARMONICS = 4  # - | judgement, no source
PIER_REST_SIGMA = 0.05  # of a frequency | what a model misses once its foot is fitted; judgement
# um/s rms in third octaves | generic criteria, common practice
VIBRATION_CLASSES_UM_S = {"VC-A": 50.0, "VC-B": 25.0, "VC-C": 12.5, "VC-D": 6.25, "VC-E": 3.12}
PIER_ELEMENTS = 24  # - | beam elements a stretch; frequencies then hold to 1e-4
GROUT_PA = 2.5e10  # Pa | common practice, no source
PIER_MODE_MOSTLY = 0.8  # - | share of the kinetic energy that gives a mode its name
# - | tensile over nominal area, 0.78 to 0.80 for M12 to M30; common practice
THREAD_AREA_FACTOR = 0.8
PIER_WALL_FACTOR = 1.5  # - | of the what-if; judgement
PIER_BASE_FACTOR = 1.5  # - | of the what-if; judgement
PIER_FOOTING_FACTOR = 1.25  # - | of the what-if; judgement
PIER_PARALLEL_LIMIT_M = 0.13  # m | of pipe above webs that the trade lets pass; common practice
PIER_MODEL_SIGMA = 0.15  # of a frequency | joints, ground, welds; common practice, no source
PIER_DOF = 5  # - | a node shifts and turns about both level axes, and twists
# Concrete: uncracked, reinforcement ignored; a cracked column is several times softer.
# Young's modulus [Pa], shear modulus [Pa], density [kg/m3] | common practice, no source
PIER_MATERIALS = {
    "steel": (2.05e11, 7.93e10, 7850.0),
    "aluminium": (7.0e10, 2.63e10, 2700.0),
    "concrete": (3.0e10, 1.25e10, 2400.0),
}
# Real ground varies by a factor of three within each name.
# Small-strain shear modulus [Pa], Poisson's ratio | common practice, no source
PIER_SOILS = {
    "rock": (2.0e9, 0.25),
    "dense sand": (8.0e7, 0.30),
    "stiff clay": (4.0e7, 0.40),
    "loose sand": (2.0e7, 0.30),
    "soft clay": (6.0e6, 0.45),
}
PIER_STIFF_N_M = 1e13  # N/m | does not move here: 1e4 times a heavy pier
PIER_STIFF_NM_RAD = 1e13  # N m/rad | the same

# --- evidence -----------------------------------------------------------------------------------
ROWS_FALSE_ALARM = 0.02  # - | of all zones together; judgement
ROWS_HIGHEST_ORDER = 2  # frame rates | exposures leave little of faster motion
ROWS_MOST_KEPT = 0.5  # of the power | where the plain mean keeps more, it finds the line itself
ROWS_FEWEST_STARS = 3  # - | two stars' phases say hardly more than that they differ
ROWS_LEAST_CONTRAST = 3.0  # - | of a line's bins to those beside it; judgement
ROWS_FEWEST_BINS = 6  # - | beside a line, for the noise of its phases
ROWS_DELAY_STEPS = 41  # - | of trial delays: a twentieth of a turn apart at Nyquist
ROWS_ROUNDS = 6  # - | of linear steps from there: two are enough
ROWS_AGREE = 3.0  # sigma | of two axes or lines with one delay
ROWS_SECOND_SIGMAS = 3.0  # sigma | without the surest of them; benchmarks/row_delays.py
HANN_OVERLAP = 35.0 / 18.0  # - | n sum w^4 / (sum w^2)^2 of a Hann window w
RATES_STAMP_RESOLUTION_S = 1e-6  # s | of times in the tracks
RATES_FALSE_ALARM = 0.2  # - | a line counts only where a candidate puts it: false ones do no harm
RATES_SLOW_CADENCE_S = 5.0  # s | frames as slow as this are started one by one, at any interval
GUIDE_TAPERS = 3  # - | of the spectrum searched for a loop
GUIDE_FREEDOM = 10.0  # - | of both axes' sum in every third bin, a fifth off for overlap
GUIDE_LOG_TRIALS = 3.0  # - | gained by one in fifty unguided series; benchmarks/guide_loop.py
GUIDE_LEAST_ODDS = 0.9  # - | judgement
GUIDE_FALSE_ALARM = 0.0063  # - | 2 of 1000 fresh series, 95 % limit (Clopper and Pearson 1934)
GUIDE_SIZE_ERROR = 0.3  # of the added variance | the continuum under the bump is a straight line
FOCUS_N_BEST = 121  # - | grid of the position of best focus; finer ones change no digit shown
FOCUS_N_SLOPE = 81  # - | grid of the slope; likewise
FOCUS_N_SCATTER = 9  # - | grid of the scatter of the air; likewise
FOCUS_FOLLOWS = (0.0, 0.5, 1.0)  # - | how far all the air follows what pairs see; judgement
# - | defocus over the span, in the smallest and the largest width; judgement
FOCUS_SLOPE_RANGE = (0.02, 6.0)
NEGLIGIBLE_ODDS = 1e-7  # - | of the largest; the grid is cut there
AIR_SCATTER = 0.25  # - | change of r0^(-5/3) between runs: seeing by 15 % (m), no source
AIR_SCATTER_LN_SIGMA = 0.6  # - | of its logarithm: a factor of two; judgement, no source
AIR_SCATTER_RANGE = (0.03, 0.8)  # - | searched; judgement, no source
FOCUS_FEWEST, FOCUS_FEWEST_ASTIGMATIC = 3, 4  # positions | parabola; a line in 2 parts and a rest
FOCUS_FEWEST_BASELINES = 4  # - | that all runs share, judgement
# of a predicted slope | focal length, step; simulated ones fall 2 to 10 % short
FOCUS_SLOPE_SIGMA = 0.1
FOCUS_SAME = 0.02  # - | relative: two runs of one telescope and camera, judgement
FOCUS_STATED_SIGMA = 0.05  # of a stated instrument width | judgement, no source
FOCUS_STEP_ARCSEC2 = 1e-3  # arcsec^2 | for a derivative
FOCUS_AIR_CHANGE = 0.5  # of r0^(-5/3) | scatter worth a word: seeing that changes by a third
FOCUS_LEAST_SHOWN = 0.12  # of the width | less does not widen the star by a hundredth
FOCUS_SEED = 5  # - | draws of its own: a run measured without focus runs stays as it was
FOCUS_N_CURVE = 61  # points | of the curve in its figure
FOCUS_AIR_BLOCKS, FOCUS_BLOCK_FRAMES = 8, 25  # -, frames | stretches that give an error, judgement
FOCUS_AIR_ERROR = 0.05  # of r0^(-5/3) | other stars, other places in the field; judgement
MASK_UNEQUAL = 1.5  # - | flux ratio of the images that is worth a word, judgement
MASK_NOT_A_PAIR = 3.0  # - | flux ratio beyond which they are two stars, judgement
MASK_KERNEL_SIGMA = 0.05  # of J | tilt that the centroid measures, 3 %, and outer scale
MASK_DRAWS = 300  # - | of the lower bound; its percentiles err by a twentieth of their width
MASK_RUN_FRAMES = 64  # frames | of both images: r0 to 0.6 sqrt(2/128) = 8 %
IRREGULAR_FEWEST_FRAMES = 100  # frames | of a spectrum without a grid of times, judgement
IRREGULAR_MOST_FRAMES = 8000  # frames | of the density: its cost grows with their square
IRREGULAR_FREEDOM = 4.0  # - | of the sum of two axes in one bin, no taper
IRREGULAR_SIZE_ERROR = 0.25  # of the variance | sizes were 12 % too large, docs/line_detection.md
STREAK_WIDTH_ERROR = 0.1  # of the variance | half-maximum widths are no Gaussians, judgement
LONGEST_STREAK = 20.0  # perfect widths | no star that is still one is drawn out further
USUAL_DAMPING = 0.015  # - | ratio of steel and concrete structures; common practice, no source
DAMPING_LN_SPREAD = math.log(3.0)  # - | a factor of three either way; common practice, no source
SHAPE_LEAST_STARS, SHAPE_LEAST_FRAMES = 3, 10  # - | a median and its scatter need them, judgement
SHAPE_SURE = 3.0  # sigma | from where an elongation is spoken of, judgement
WINDOW_DIMMING = 2.0  # - | a centroid's window hides half of what a streak adds along its length
LEAST_ELONGATION = 0.03  # (a^2 - b^2)/(a^2 + b^2) | less than any camera's tilt gives, judgement
MASK_LEAST_FRAMES = 10  # frames | for a variance; judgement, no source
MASK_AGREEMENT_SIGMAS = 3.0  # sigma | beyond it the two axes disagree; judgement, no source
MASK_SHORT_EXPOSURE = 0.9  # - | motion left, below which frames are too long; judgement
MASK_SPEEDS = 40  # - | wind speeds tabulated; finer grids change r0 by 0.1 %
MASK_ANGLES = 24  # - | wind directions tabulated; likewise
MASK_MIXTURES = 6000  # - | draws of layers; error of the mean 1 %
MASK_MOST_LAYERS = 4  # layers | in a draw; judgement, no source
GRAVITY_M_S2 = 9.80665  # m/s2 | standard gravity
PIER_SHAPE = 1.5  # - | rotation over deflection of a loaded cantilever's end, times its length
PIER_SHAPE_PER_M = 1.5  # 1/m | the same of a column of one metre
# Of the times in a sensor's record: s | definitions
SENSOR_TIME_UNITS = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
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
PAIR_LEAST_COEFFICIENTS = 10  # - | in a bin of two cameras' spectra, for its Wishart law
PAIR_HIGHEST_PHASE = 0.6  # cycles | of an exposure: beyond it the filter nears its zero
PAIR_HIGHEST_SHARE = 0.45  # of the slower rate | bins end below its Nyquist limit
PAIR_LINE_SIGMAS = 4.0  # robust sigmas | a difference this far above its neighbours is flexure
PAIR_PARTICLES, PAIR_FINAL_SWEEPS = 1200, 24  # - | benchmarks/witnesses.py: R-hat of two seeds
PAIR_ROUGH_M, PAIR_USUAL_L0_M = 0.1, 25.0  # m | roughness is compared over, for air of, judgement
PAIR_R0_M = (0.01, 1.0)  # m | range of r0 of air as rough, flat in the logarithm
PAIR_WIND_NODES, PAIR_OUTER_NODES = 28, (7, 4)  # - | nodes of the layers' tables; near, outside
PAIR_DIRECTIONS = 9  # - | of the wind, from along the baseline to across it; 3 % of a bin
PAIR_PROFILES_AT_ONCE = 120  # - | layers in memory at a time
PAIR_MODEL_ERROR = 0.1  # of ln power | tables and bins err by 0.05, frozen flow by more; judgement
PAIR_NOISE_SIGMA = 0.2  # of its power | the second camera's noise is known so well, judgement
PAIR_REACH_S = 0.05  # s | by which a found offset is refined: two steps of its search
PAIR_KNOWN_OFFSET_S = 0.02  # s | a range of the clock's offset as narrow as this counts as known
PAIR_BASELINES_M = (0.02, 5.0)  # m | two tubes on one mount
# m, apertures | nearer, the air they share is most; physics of two apertures
PAIR_WITNESS_BASELINE = (0.2, 1.2)
PAIR_FEWEST_FRAMES = 100  # frames | of the star followed: a dozen coefficients
PAIR_LEAST_OVERLAP_S = 10.0  # s | of both records: a dozen coefficients
N_WITNESS_DRAWS = 4000  # - | of a number that has a Gaussian error
SHAKEN_SHARE = 0.3  # of the median | shake whose 95 % begins below it is a limit, judgement
PAIR_SHARED_LINE = 0.5  # - | squared coherence at a line from which the line fixes the clock
# of ln likelihood, over axes of the other hand or far from it | air alone, which moves tubes more
# alike across than along their baseline, reached 19 with the wrong hand (16 nights)
PAIR_TURN_LEAD = 25.0  # - | see above
PAIR_OTHER_TURN_DEG = 45.0  # deg | a turn farther away is another one, judgement
# px, sigma | a narrower star is drawn to the pixels' middles: by 0.05 px at 0.59, 0.005 at 0.84
PAIR_LEAST_WIDTH_PX = 0.7
PAIR_ONE_MOTION = 0.9  # - | agreement of both motions that air through two apertures never has
PAIR_FREQUENCIES, PAIR_WAVES = 28, 30  # - | grid of the model's spectra: 2 % of a variance
PAIR_FOLDS = 4  # - | aliases added at most: less than 2 % of the variance lies beyond
# exponent of frequency | of a shake's fall beyond the bins: first-order motion, one above its modes
PAIR_SHAKE_FALL = (2.0, 4.0)
PAIR_NEAR_L0_M = (0.2, 5.0)  # m | outer scale of near air
PAIR_FAR_L0_M = (10.0, 50.0)  # m | outer scale of the air outside
PAIR_WINDS_M_S = (0.3, 40.0)  # m/s | range of the layers' tables
PAIR_LAYER_WINDS_M_S = ((0.3, 8.0), (1.0, 12.0), (5.0, 35.0))  # m/s | near, ground, high layer
SENSOR_ALARM = 0.01  # - | chance coherence accepted as coherent, counting the offsets tried
COHERENT_LINE = 0.5  # - | squared coherence from which a line is the sensor's, judgement
SENSOR_OFFSET_S = (-5.0, 5.0)  # s | clock offsets tried where nothing is stated, judgement
SENSOR_GAP_STEPS = 2.5  # median steps | a longer step is a gap
SENSOR_JUMP_S, SENSOR_JUMP_STEPS = 1.0, 20.0  # s, median steps | a longer step may be a set clock
SENSOR_CLIPPED_SHARE = 0.2  # - | of samples at the end of the range: the channel is useless
SENSOR_END_S = 1.2  # s | frames this near the ends or gaps of the record are left out, judgement
LONG_FRAME_LEAST_STEPS = 5  # - | a median and its scatter need them; judgement
LONG_FRAME_LARGEST_STEP = 6.0  # robust sigmas | beyond it a step is a dither or a jump; judgement
LONG_FRAME_MODEL_ERROR = 0.1  # - | a worm of ten frames a turn bends inside its steps: 5 to 10 %
LONG_FRAME_NARROWEST = 0.05  # of the frames | that bound every constant cause; judgement

# --- estimates, fit, histories, verdict -----------------------------------------------------------
LOWER_BOUND_DRAWS = 300  # - | its percentiles err by a twentieth of their width
LARGEST_TILT = 1.15  # of Z | what a windowed centroid measures at D/r0 of 8
DIFFERENTIAL_SLOWEST_HZ = 0.2  # Hz | independent pieces of the differential motion last V/L0
PAIR_BINS, PAIRS_IN_BIN = 6, 3  # - | of separation: most, and fewest pairs in each, judgement
LINE_LEAST_ROWS, LINE_DIRECTION_DRAWS = 0.02, 400  # of the power, - | undone no further; judgement
BAND_PERCENTILES = (15.865, 50.0, 84.135)  # % | 68 % band of a curve, definition
SHARED_ENOUGH = 0.9  # - | a line that moves single stars is air or a double star, no vibration
DRIVE_ODDS = 0.9  # - | from where a line is the drive's, judgement
LINE_CORE_WIDTHS, LINE_CORE_BINS = 4.0, 3.0  # half widths, 1/T | left out of the air's fit a side
LINE_INSIDE_SIGMA = 0.3  # of ln contrast | what centroids say of motion inside a frame, judgement
LINE_LEAST_ODDS = 0.02  # - | of a true frequency that counts, judgement
LEAST_SINC2 = 0.1  # of the power | exposure averaging is undone only where this much is left
STREAK_ANGLES = 90  # - | of an azimuthal mean
PERCENTILES = (2.5, 15.865, 50.0, 84.135, 97.5)  # % | of draws; 68 % and 95 % intervals, definition
STRUCTURE_TABLE_M = (1e-4, 1e2)  # m | baselines of the air's table; below it nothing is lost
STRUCTURE_TABLE_POINTS = 600  # - | of that table, evenly in ln baseline
OUTER_SCALE_STEPS = 200.0  # of ln m | outer scales of one table: within half a per cent
PATH_PLACES = 600  # - | of a path in its transfer function, which then errs by 0.04 where it is 0
N_SHARES = 16  # - | histories whose shares are averaged; they draw the picture and decide nothing
SHOWN_CHI2 = 9.21  # - | 99 % of chi-square with two degrees of freedom: a vector that is not zero
SHOWN_SHARE = 0.01  # - | of the width: what may be smaller is a limit; judgement
ROUND_RATIO = 0.9  # - | axes more alike than this have no direction to speak of; judgement
SURE = 0.95  # - | probability of a yes or a no | the question's definition
EXPOSURE_TO_TRY_S = 0.01  # s | freezes most piers and air: common practice, no source
LONGER_RUN = 4.0  # - | times as long halves the errors that length alone makes
LEAST_WORTH_ARCSEC = 0.1  # arcsec | worth is the larger of this and the next | definition
WORTH_SHARE = 0.1  # - | of the recorded width | definition
LARGEST_CHANCE = 0.05  # - | cures that save most with at least this chance are named | definition
AIRMASS_TO_MENTION = 1.3  # - | from here on observing higher narrows the star by 15 % or more
LIMIT_DAMPING = 0.02  # - | of the mode that a limit speaks of; piers have 0.005 to 0.04
LOWEST_LIMIT_HZ = 3.0  # Hz | limits on modes hold from here up; slower ones hide under the air
SLOWEST_STRUCTURE_HZ = 0.5  # Hz | no pier rings so slowly; the air and the drive do move there
# arcsec | half of the best quarter of Antarctic winter (Lawrence et al. 2004, from memory)
STILLEST_AIR_ARCSEC = 0.075
WIDTH_DISAGREEMENT = 0.15  # - | of modelled and recorded width, from which on it is said; judgement
OVERSAMPLING = 4  # - | of the star images that are kept for the page
LONGEST_RINGING_S = 16.0  # s | energy of a mode of 1 Hz, damping 0.005, falls to 1/e: 1/(4 pi f z)
N_HISTORIES = 100  # - | histories drawn; a 95 % probability then errs by 2 %
DRIFT_BENDS = (2, 3, 4)  # orders of Legendre | bends that show slow motion beside a straight drift
MEASURE_SEED = 20_260  # - | any will do: the same frames give the same numbers
AMPLITUDE_SIGMA = 0.02  # - | filled-in samples, shared wings; judgement, no source
# frames, places, rounds, steps | slopes err by a tenth of what they have above 1 (computed)
TRAIL_FRAMES, TRAIL_PLACES, TRAIL_ROUNDS, TRAIL_STEPS = 400, 24, 6, 24
TRAIL_MATTERS = 0.005  # of the window's and star's variance | shorter: within AMPLITUDE_SIGMA
MOST_FOLLOWED = 2.0  # - | longer trails leave the window two places; judgement
FOLLOWED_SIGMA = 0.3  # of what the slope has above 1 | stars of air are no Gaussians; judgement
# - | power an exposure must leave of a line for its blur inside to be told from it
LEAST_KEPT = 0.02
FASTEST_STRUCTURE_HZ = 50.0  # Hz | few modes of mounts are faster, and those are small; judgement
STEADY_BLUR_EXPOSURE_S = 0.02  # s | one turn of FASTEST_STRUCTURE_HZ: longer frames may hide a
# steady vibration in their constant blur
HIDDEN_MODE_CHANCE = 0.5  # - | beforehand, that a mode exists that was not found; an even chance
HIDDEN_RMS_ARCSEC = (0.002, 2.0)  # arcsec | range of such modes, flat in the logarithm; judgement
MISSED_MODE_SIZES = 24  # - | sizes over that range; twice as many moved odds by 0.001 (computed)
SHAPES_ROUNDS = 3  # - | each line's true frequency is weighed given the others'; judgement
DRIFT_PRIOR_ARCSEC_S = 1.0  # arcsec/s | one sigma; a degree of polar misalignment gives 0.26
PERIODIC_PRIOR_ARCSEC = 30.0  # arcsec | a sigma of an amplitude, over its harmonic; common practice
OFF_AXIS_SHARE = 0.1  # - | of a periodic error across a known right ascension; judgement
DRIFT_BLOCKS = 10  # - | means of a run of uneven times about which its drift is straight; judgement
FOUND_PERIOD_SHORTEST_S = 2.0  # s | supports ring faster: half a hertz, common practice, no source
FOUND_PERIOD_LEAST_TURNS = 1.3  # turns | fewer are a bend; judgement
FOUND_PERIOD_MOST_TURNS = 20.0  # turns | eight blocks of 160 in each
FOUND_PERIOD_CHANCE = 1e-4  # - | of air alone that passes for a drive, before its tails; judgement
FOUND_PERIOD_ROUNDEST = 0.3  # - | smaller over larger axis of a swing along one line; judgement
DRIVE_UNSEEN_ARCSEC = 0.03  # arcsec | rms that widens a star of one arcsecond by 0.25 %
DRIVE_SIZES = 24  # - | between that and the largest of drives: a third apart
DRIVE_FIRST_SWEEPS, DRIVE_SWEEPS = 40, 5  # - | of sizes and coefficients before a draw; judgement
DRIVE_BLOCKS = 160  # - | means of the record from which drift and periodic errors are fitted
LEAST_TELLING = 0.1  # - | of the error of a bend: slow motion that shows less of itself; judgement
SLOW_TURNS = 2.5  # turns a record | below, slow currents pass for a drift's bends
SOLVER_TOLERANCE = 1e-4  # - | of a joint draw, in the norm of the data; far below any draw's spread
MOST_ITERATIONS = 60  # - | of that solver, a safety only
LEAST_RESULTANT = 0.3  # - | directions more scattered have none; judgement, no source
# bins of the spectra
FIT_TAPERS = 3  # - | less than half a per cent of a steep spectrum leaks through the third
FIT_TAPER_HALF_BANDWIDTH = 3.0  # Fourier frequencies | judgement, no source
FIT_BIN_RATIO = 1.3  # - | judgement, no source: four bins an octave and a half
# Fourier frequencies | with the tapers five coefficients: ln is near Gaussian
FIT_BIN_SAMPLES = (0.125, 0.375, 0.625, 0.875)  # of a bin | where the model is evaluated
FIT_LEAST_POWER = 1e-12  # arcsec^2/Hz | keeps logarithms finite; a millionth of any noise
FIT_FEWEST_IN_BIN = 4
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
FIT_NEAR_ABSENT = 1e-3  # - | least part of near air left, decades alike: half below 3 %
FIT_SHARE_SIGMA = 2.0  # - | logistic-normal shares of layers, judgement: from a hundredth to all
REFERENCE_BASELINE = 0.2  # diameters | where the strength of all the air is told; judgement
FIT_STRENGTH_RANGE = (1e-3, 2.5)  # of the Kolmogorov value of the recorded width | judgement
FIT_OPEN_RMS_ARCSEC = (2e-3, 5.0)  # arcsec | below it no budget changes
FIT_OPEN_CORNER_HZ = (0.03, 8.0)  # Hz | judgement, no source
FIT_OPEN_CENTRE = (-0.5, 1.0)  # Nyquist frequencies | below zero: no hump, it falls from zero on
FIT_LEAST_HUMP = 0.15  # - | half-width of a hump over its frequency: half a bin
FIT_NOISE_SIGMA = 0.1  # - | gain and read noise are rarely known better; judgement
FIT_OTF_SIGMA = 0.03  # relative | exact phases through pixels and cut-outs (tests/image): 1 to 3 %
FIT_OPTICS_RANGE = (0.01, 1.0)  # of the recorded width's sigma | unstated optics, judgement
FIT_INSTRUMENT_SIGMA = 0.05  # - | relative error of a stated instrument width; judgement
FIT_EXCLUDED_WIDTH = 1e-3  # - | chance of a larger measured defocus that is let go
FIT_FAST_RANGE = 1e-2  # - | smallest over largest shake inside exposures that is allowed
FIT_CENTROID_SIGMA = 0.3  # of the share of Z tilt | optics that blur beyond the window
TILT_G_OVER_Z = 0.16980 / 0.18192  # - | single-aperture tilt coefficients, Tokovinin 2002
# what is read of src/blursplit/image/registered_otf.csv
REGISTERED_D_OVER_R0 = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0)  # - | zero is not in it: still air
REGISTERED_WINDOW = (0.7, 1.0, 1.5, 2.5, 4.0)  # lambda/D | sigma of the centroid's window
REGISTERED_BASELINES = tuple(i / 32 for i in range(1, 11))  # diameters | its first columns
REGISTERED_BIAS_SIGMA = 0.3  # relative | obstruction, window, exposure, outer scale; judgement
# Share of a defocus's loss of contrast that registering under air gives back.
DEFOCUS_REGISTERED = 0.5  # of (D/r0)^(5/3) (b/D)^2 | image/registered_otf.csv: 0.2 to 1
DEFOCUS_MOST_REGISTERED = 0.6  # - | the most of it there
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
# Of 27 coordinates all at once moved half as far in as many sweeps, a tenth of them less too.
SMC_COORDINATES = 1.0 / 3.0  # of all | proposed together: mean squared jumps, docs/method.md
SMC_DIFFERENCE_MOVES = 0.1  # - | share of moves along differences
SMC_JUMP_MOVES = 0.15  # - | share of moves over a gap between two kinds of particles
# With half as many sweeps of a fifth of the particles, near air had 0.3 and 0.4 of its odds on two
# nights, from both seeds alike: docs/method.md, against 4000 particles of 16 to 48 sweeps.
SMC_SWEEPS = (8, 24)  # least and most at a temperature | see above
# Words on the way stand on 24 histories: against 4000 particles twice as many sweeps were off by
# 0.2 to 0.3 of a sigma and these by 0.2 to 0.45 on two nights, at three fifths of the cost.
SMC_WARM_SWEEPS = (8, 16)  # the same of a fit that starts from an earlier one | see above
SMC_FORGOTTEN = 0.8  # of twice the variance | median squared jump at which a temperature ends
KEPT_NEAR = 0.01  # - | frequencies of a table that is kept; air's spectra then err by 4 %
KEPT_NEAR_ARCSEC = 1.0  # arcsec | stars of a table that is kept; beams of layers are wider
SMC_ENTRY = 0.1  # - | power of the likelihood at which earlier draws come in; tests/budget, live.py
FIT_PARTICLES = 1000  # - | too few where the two runs differ; then they are doubled: docs/method.md
FIT_FINAL_SWEEPS = 24  # - | so many particles are draws enough
FIT_WARM_SWEEPS = 40  # - | the same of a fit that starts from an earlier one, live.py
FIT_MOST_DOUBLINGS = 3  # - | to 8000 particles, as twice from 2000; then there is no verdict
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
WATCH_FIT_FIRST_S = 10.0  # s | of frames before the first whole fit on the way; judgement
WATCH_FIT_WARM_S = 4.0  # s | of frames before the quick fits begin: the first one takes longest
WATCH_FIT_FRAMES = 4000  # - | latest frames of a quick fit, 20 s at 200 frames/s; live.py
WATCH_FIT_WAIT_S = 2.0  # s | that numbers wait for the quick fit; later it comes by itself
WATCH_PARTICLES = 400  # - | of a quick fit, whose words are provisional
WATCH_HISTORIES = 24  # - | of a quick fit; a 95 % probability then errs by 4 %
WATCH_FIT_LONGER = 1.3  # - | times as long before the next: errors shrink by an eighth
WATCH_EVERY_S = 10.0  # s | what is said so far is renewed so often
WATCH_IDLE_S = 60.0  # s | without a new frame for so long, watching ends; judgement
WATCH_LONGEST_WINDOW_S = 60.0  # s | windows within which motion counts; default of the blur time
WATCH_SHORTEST_WINDOW_S = 1.0  # s | shorter ones hold too little of what drives do; judgement
WATCH_WINDOWS = 8  # - | so many windows tell how well their mean is known; judgement
WATCH_LINE_FRAMES = 2048  # - | latest frames in which lines are looked for; 4000 took 3 s, live.py
WATCH_MODES = 5  # - | lines that are told of while frames arrive; judgement
BLUR_TIME_TOLERANCE = 0.02  # - | relative; blur times count as one below it; judgement, no source
SHARED_FROM = 0.5  # - | probability from which a line counts as shared: more likely than not
ALIAS_DECIDED = 0.95  # - | odds at which a candidate counts as the frequency; judgement, no source
ALIAS_NEGLIGIBLE = 0.001  # - | odds below which a candidate counts as none; judgement, no source
ACCEPT_EXIT_CODES = {"pass": 0, "fail": 3, "not shown": 4}  # - | docs/commands.md
ACCEPT_SAME_APERTURE = 0.05  # - | relative; makers round, 16 inches are called 0.4 m; judgement
ACCEPT_MOST_RUNS = 30  # runs | more are no remedy, the value lies at its limit; judgement
ACCEPT_LONGEST_S = 14_400.0  # s | a longer record is no remedy: half a night; judgement
ACCEPT_LENGTH_STEP = 1.25  # - | between lengths tried; judgement
ACCEPT_BANDS_TOUCH = 0.1  # - | relative; bands so near to each other are told as one; judgement
ACCEPT_SLEW_STEPS = 30  # - | windows a length, moved along the record after a slew; judgement
LEAST_FRAMES_OF_SEQUENCE = 3  # frames | fewer are no sequence to measure; judgement, no source
CERTAIN_CHANGE = 0.999  # - | probability shown as certain; judgement, no source
FALLBACK_APERTURE_M = 0.2  # m | where no run states one; judgement, no source
MOTION_ONE_DRAW = 0.1  # share | of a run that states no interval: variance by a fifth; judgement
POWER_80 = 0.841621  # - | normal quantile of 0.8: a difference found four times in five
COMPARE_LEAST_TURNS = 2  # turns | of a drive period before sizes are compared; judgement
SURE_DIRECTION = 0.975  # - | probability from which a change has a direction: two-sided 95 %
LINE_SHIFT_AT_MOST = 0.25  # - | relative; larger shifts make another line; judgement, no source
Z95, ONE_SIDED_95 = 1.959964, 1.645  # - | normal quantiles of 0.975 and 0.95
NORMAL_SCORES = (-Z95, -1.0, 0.0, 1.0, Z95)  # sigmas | of a normal, in the order of PERCENTILES
BETWEEN_RUNS = 0.2  # - | prior scatter between repeats, share of a value; judgement, no source
BETWEEN_WIDTHS = 0.05  # - | the same for widths; judgement, no source
CONNECT_TIMEOUT_S = 20  # s | for a cluster to answer; judgement, no source
TWILIGHT_DEG = -12.0  # deg | altitude of the Sun below which the sky is dark: nautical twilight
HIGH_ENOUGH_DEG = 40.0  # deg | altitude of a field worth planning: airmass 1.6; judgement
SAMPLE_BYTES = 4096  # bytes | of a file that tell it from another; judgement, no source
SEQUENCE_GAP_S = 60.0  # s | a pause longer than this and than the next starts a sequence; judgement
SEQUENCE_GAP_INTERVALS = 10.0  # intervals | see above; judgement, no source
PHOTONS_ZERO_MAG = 1e11  # 1/(s m2 um) | magnitude 0 at 550 nm: 1000/(s cm2 A), common practice (m)
EFFICIENCY = 0.4  # e-/photon | optics, air and detector; judgement, no source
SKY_MAG_ARCSEC2 = 19.0  # mag/arcsec2 | a bright suburb; judgement, no source
PLAN_STARS = 4  # stars | the full fit needs four
PLAN_REPEATS = 3  # runs | the fewest whose scatter says something; judgement
PLAN_OTHER_RATE = 0.93  # - | of the frame rate for a second run, to part aliases; judgement
PLAN_BOARD_UG = 25.0  # micro-g/sqrt(Hz) | a good small accelerometer board, from memory
PLAN_TAPS_S = 60.0  # s | five taps, ten seconds apart; judgement
PLAN_DAMPING = 0.015  # - | of the structure looked for: bolted steel, common practice, no source
# Hz | rows of the plan; judgement, no source
SHOWN_HZ = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 30.0, 45.0, 60.0, 100.0)
PLAN_SEPARATIONS_ARCSEC = (30.0, 120.0, 600.0, 1800.0)  # arcsec | rows of the plan; judgement
MAINS_HZ = (50.0, 60.0)  # Hz | public grids
PLAN_DURATION_S = 60.0  # s | judgement, no source
PLAN_INTERVAL_S = 0.0215  # s | 46.5 a second: 50 and 60 Hz and harmonics fold 3 Hz off zero
PLAN_LONGEST_EXPOSURE_S = 0.02  # s | judgement, no source
PLAN_NOISE_ARCSEC = 0.1  # arcsec | of a star in a frame that is still useful; judgement, no source
FULL_WELL_SHARE = 0.8  # - | of the full well that a peak may reach; judgement, no source
DEMO_OPEN_WORTH_ARCSEC = 0.15  # arcsec | what the owner of the third night asks for; judgement
DIGEST_SHOWN = 16  # hex digits | of a SHA-256 on paper: 64 bits tell any two files apart
PLOT_ROW_PX = 30  # px | height of an interval; judgement
PLOT_SCALE_PX = 20  # px | of the labels below it; judgement
SCATTER_POINTS = 1000  # - | drawn of more sequences; more hide each other; judgement
STORE_VERSION = 2  # - | layout of the store, ours
STORE_APPLICATION_ID = 0x626C7370  # - | "blsp", by which `file` and we know a store
ARCHIVE_WIDE = 1.5  # - | widths above so many medians of their telescope stand out; judgement
ARCHIVE_FEWEST_FOR_WIDE = 5  # sequences | of a telescope before its widths are ranked; judgement
ARCHIVE_LISTED = 500  # sequences | listed one by one at most; judgement
FEWEST_FOR_TREND = 8  # runs | judgement, no source
ARCHIVE_WORTH_SHARE = 0.1  # - | of the width that a cure must save to be worth a look; judgement
MANY_SEQUENCES = 20  # sequences | shown one by one at most; judgement, no source

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
FRAMES_OF_SECOND = 256  # frames | of the second camera whose light is held at once
SAME_CLOCK_S = 0.005  # s | how well cameras on one computer agree, judgement
FEWEST_STRETCH_FRAMES = 10  # frames | shorter stretches are no record of their own, judgement
BLUR_WITHIN = 1.001  # of the duration | rounding of frame times
LOWEST_DISPERSED_DEG = 10.0  # deg | of altitude: below, the plane-parallel formula fails
TRUTH_STARS = 3  # - | the brightest, whose mean width is the truth, as it is the measurement
HOT_E_PER_S = (2e4, 4e5)  # e-/s | invented hot pixels
COSMIC_E = (300.0, 20000.0)  # e- | invented cosmic rays
TRAIL_E_PER_PX = 400.0  # e- | an invented satellite

# --- report -------------------------------------------------------------------------------------
EXIT_INPUT = 2  # - | exit code of bad input, ours
FIELDS_SHOWN = 10  # fields | judgement, no source
PLAIN_NUMBER_POWERS = (-4, 6)  # powers of ten | outside, leading zeros hinder reading; judgement
SETTING_WITHOUT_EXPONENT = 9999.5  # - | four digits hold it, definition
SUREST_SHOWN = 0.99  # - | beyond, the model is in doubt more than the outcome; judgement
SMALLEST_CHANCE_SHOWN = 1e-6  # - | further out no run checks the distribution; judgement
CAPS_OF_DECIMALS = {"arcsec": 3, "Hz": 3, "px": 4}  # - | finer steps say nothing to anybody
LIKELY_ALIAS_ODDS = 0.1  # - | of a true frequency that a sentence names; judgement
LEAST_ODDS_NAMED = 0.01  # - | of an alias or a cause; no reader needs eight at "0 %"; judgement
SHADES_PERCENT = (5.0, 99.7)  # % of the powers | where the shades of a picture end; judgement
TABLE_ROWS = 10  # rows | of the tables behind figures; the result folder holds all; judgement
EVENT_ROWS = 40  # rows | of the page's table of events; judgement
TERMINAL_LINES = 3  # lines | of the terminal's one screen; judgement
CHART_POINTS = 6000  # points | of an interactive chart, peaks kept; judgement
FEW_TURNS = 2.0  # turns | below, drift and periodic error trade places; judgement
FIGURE_IN = (4.3, 3.0)  # inch | narrow: letters of 11 points stay above 12 px on a phone
FIGURE_ENLARGED = 1.5  # CSS px a point | a point is 4/3 px; larger letters look clumsy
FIGURE_PAIRS = 150  # points | of pairs of stars, neighbours taken together; judgement
FIGURE_FRAMES = 500  # points | of single frames in a figure; judgement
FIGURE_MARKS = 8  # lines | marked in a spectrum; judgement
FIGURE_LABELS_TOUCH = 0.08  # log10 of Hz | a factor of 1.2; nearer labels are joined
FIGURE_LABELS_TOUCH_SHARE = 0.05  # of an axis | likewise
FIGURE_ROWS = 160  # rows | of the picture by time and frequency; judgement
FIGURE_TICKS_HZ = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)  # Hz | round numbers
AGREEMENT_DEG = 2.0  # deg | within which a direction and a position angle agree; judgement
NEARLY_ROUND = 0.8  # axis ratio | above, a circle misses neither axis by more than a tenth
MISSING_IN_PICTURE = 0.3  # of a saving | that a picture of the cure may fail to show; judgement
SAME_WIDTH = 0.04  # of a width | that nobody sees between two pictures; judgement
LOOP_FRAMES = 48  # frames | of the loop in the page: about three seconds; judgement
LOOP_INTERVAL_S = 0.07  # s | from frame to frame in the page; judgement
BAR_TELLS = 0.004  # of the bar | thinner pieces could not be seen; judgement
