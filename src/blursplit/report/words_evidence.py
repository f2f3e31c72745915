"""Words about frames and tracks, about each special case and witness, and about evidence."""

from __future__ import annotations

from blursplit.report.catalogue import sentences

_LEFT_OUT = "Left out as {reason:name}, {count:count} in all: {names:name}."
_CAMERA_GAIN = (
    "[[ The header's {keyword:name} = {value:given} may be a setting of the camera, not e⁻/ADU.]]"
)
FRAMES = sentences("""
calibration-frames/all: By their headers all of these are calibration frames ({kind:name}).
checksum-differs: The pixels of {file:name} do not match their DATASUM: damaged, or changed after
    recording.
duplicate-keywords: Given twice with different values, of which the first is used: {keywords:name}.
ser-cut-short: The file {file:name} was cut short:[[ of {promised:count} frames promised]] it holds
    {frames:count} whole ones.
ser-byte-order: The bytes of {file:name} are in the order that its flag denies; the pixels tell.
colour-planes: Three planes are colours: the second (green) is measured.
colour-mosaic: Of the colour mosaic {pattern:name} the two green pixels of each 2 × 2 cell are
    averaged, nothing is interpolated; pixel scale and pixel size are those of the cell.
target-pixels: Small images (target pixels, {tables:count} tables) are laid side by side; distances
    between stars are not those on the sky.
pier-flip: PIERSIDE changes ({times:count} ×): the record is split there.
# times
times-unknown: Nothing says when the frames were taken: {missing:name}.
times-assumed: On the times: {note:name}.
times-do-not-advance: In all frames the time ({keyword:name}) is the same.
times-backward: Time steps back in the order of the files ({times:count} ×): they were sorted by
    time.
times-coarse: Times come in steps of {step_s:s} ({keyword:name}), cut or rounded: the start is known
    to {start_s:s}[[, the interval to {share:percent} (frequencies too); state
    camera.frame_interval_s]].
clock-stepped-back: The clock was set back ({times:count} ×); the times were repaired.
past-midnight: Times of day start anew at midnight: a day was added.
duplicate-times: Frames that repeat the time of another were dropped: {frames:count}.
missing-frames: Frames missing from the time grid: {frames:count}.
gaps: Gaps: {gaps:count}, the longest {longest_s:s}; the record is split there.
interval-contradicts-times: An interval of {stated_s:precise_s} is given, the times say
    {found_s:precise_s}.
exposure-in-milliseconds: The header's {keyword:name} = {value:given} exceeds the interval of
    {interval_s:set_s}: taken as milliseconds.
exposure-of-cube: The header's {keyword:name} = {value:given} s is taken as the time of all frames.
exposure-unusable: The header's {keyword:name} = {value:given} s exceeds the frame interval of
    {interval_s:set_s}: ignored.
exposure-unknown: No exposure is given: what it averages out within a frame is not corrected, and
    the band of the result ends at half the frame rate.
two-rates: Of two frame rates the {frames:count} frames at {rate_hz:rate} are measured; the
    {other_frames:count} at {other_rate_hz:rate} only help to tell the true frequency of each line.
# pixels
bad-pixels: Of the pixels {share:fine_percent} are NaN, infinite or blank.
hot-pixels: Hot or dead pixels left out: {pixels:count}.
shifted-bits: Values come in steps of {step_adu:count} ADU: {bits:count}-bit data shifted left.
eight-bit: These are 8-bit values: faint stars are coarse, and a display stretch may have been
    applied.
saturated-pixels: Pixels pile up at {level_adu:given} ADU[[, below the header's {header_adu:given}
    ADU]].
calibrated: Applied: {images:name}[[; {note:name}]].
gain-unknown/stars: No gain is known or measurable: the noise leaves out the stars' own photons.
gain-measured/stars: A gain of {gain_e_per_adu:fine} ± {error_e_per_adu:fine} e⁻/ADU follows from
    the pixel noise of a star.
# stars
few-stars: Stars that could be followed: {stars:count} only.
stars-lost: Stars seen in few of the frames were left out: {stars:count}.
stars-left-out: Stars with fewer than {least:count} positions were left out: {stars:count}.
twins: Sources that are stars followed already: {sources:count}.
moving-source: Sources that moved among the stars were left out: {sources:count}.
sources-refused: Sources not used, by reason: {reasons:name}.
cores-clipped: The frames were stretched for display and their cores clipped: positions only.
undersampled: Stars of {fwhm_px:px} FWHM are too narrow for these pixels: positions only, no widths
    and no split.
field-turned: The field turned by half a turn ({times:count} ×): a new segment each.
dither: The field jumped ({times:count} ×): a new segment each.
row-order-assumed: The order of the rows is not known: the first one is taken to be read first.
cloud: Stars were fainter than half their usual flux in {frames:count} frames.
frames-unreadable: Frames that could not be read: {frames:count} ({why:name}).
frames-lost: Frames in which no star was found: {frames:count}[[; in {away:count} of them the stars
    had left the frame]].
saturated: Saturated samples were left out: {samples:count}.
cosmic-ray: Samples hit by a cosmic ray were left out: {samples:count}.
width-drift: Star widths changed by {change:signed_percent} over the run: focus, dew or air.
stamps-fewer: Cut-outs of fewer stars were kept: the run is long.
noise-from-spectrum: No noise of the positions is given: it is taken from the upper end of their
    spectrum, where it is at most this large.
""") | {
    "unreadable-files": _LEFT_OUT,
    "repeated-files": _LEFT_OUT,
    "mixed_exposures": _LEFT_OUT,
    "mixed_filters": _LEFT_OUT,
    "times-unreadable": _LEFT_OUT,
    "calibration-frames": _LEFT_OUT,
    "gain-unknown": (
        "The gain is unknown, and the frames do not show it: give camera.gain_e_per_adu."
        + _CAMERA_GAIN
    ),
    "gain-measured": (
        "A gain of {gain_e_per_adu:fine} ± {error_e_per_adu:fine} e⁻/ADU follows from the noise of "
        "{stars:count} stars in {frames:count} frames." + _CAMERA_GAIN
    ),
}

_OTHER_RATE = (
    "motion and widths of the {other_frames:count} frames at {other_rate_hz:rate}: only the longer "
    "part is measured, give the other as a sequence of its own"
)

# Points of lists: what a sequence will bear, and how to record better.
NEEDED_FOR: dict[str, str] = {
    "pixel_scale_arcsec": "arcseconds",
    "aperture_m": "the air's share and the diffraction width",
    "exposure_s": "what motion is averaged within a frame",
    "gain_e_per_adu": "the noise of each position",
    "read_noise_e": "the noise of faint stars",
    "band_nm": "atmospheric dispersion",
    "altitude_deg": "seeing at the zenith",
    "position_angle_deg": "directions on the sky",
    "row_order": "the sign of a rolling shutter's delay",
    "frame_interval_s": "spectra, drift, seeing and all else but widths",
}
PROSPECTS = sentences("""
can-widths: widths of the stars
can-subframes: motion between subframes, elongation shared by all stars, width of each frame
can-spectra: spectra from {low_hz:fine} to {high_hz:precise_hz}; what is faster shows folded, as a
    set of candidate frequencies
can-two-rates: lines of the {frames:count} frames at {rate_hz:rate}, whose true frequency the
    {other_frames:count} frames at {other_rate_hz:rate} help to tell
can-two-rates/1: lines of the {frames:count} frames at {rate_hz:rate}
can-motion: motion up to about {half_power_hz:rough_hz} keeps half its power or more within a frame
    of {exposure_s:exposure}
can-arcsec: motion and widths in arcseconds
can-air: the air, its lower bound from star pairs (two stars or more) included
cannot-times: spectra, drift and what they tell: nothing says when the frames were taken
cannot-fast: anything faster than {above_hz:hz}: vibration and most of the air move within one frame
    and stay together in its width
cannot-spectra: spectra: {frames:count} frames, at least {needed:count} are needed
cannot-exposure: how much motion each frame averages: the exposure is unknown
cannot-arcsec: arcseconds: motion stays in pixels without a pixel scale
cannot-air: the air's share and seeing: the aperture is unknown
cannot-altitude: the altitude from position and site: the date is unknown
expose-shorter: expose 2 to 10 ms instead of {exposure_s:exposure}: longer frames blur fast motion
record-faster: record {good_rate_hz:rate} or more instead of {rate_hz:rate}: cut out a region around
    the stars
record-longer: record 60 to 120 s instead of {duration_s:rough} s: slow air and slow drive errors
    need the length
hardware-stamps: if the camera stamps frames itself, say so (--set camera.time_stamps=hardware);
    these stamps are taken as software, the frames as evenly spaced
rolling-rows: if the shutter rolls, give camera.row_time_us; rows are taken as exposed together
more-bits: record 12 or 16 bits, linear
expose-less: expose less or lower the gain: the brightest stars are clipped and left out
lose-fewer-frames: frames are lost on the way: a smaller region or a faster disk keeps them
field-higher: choose a field higher in the sky: dispersion and air grow with airmass
use-none: of another size than the frames: of no use here
use: measure with --{kind:name} {folder:name}[[ and with bias frames: the frames were exposed
    {exposure_s:exposure}]]
""") | {
    "cannot-other-rate": _OTHER_RATE
    + "[[; a ratio of {times:count} to {to:count} leaves some folded lines open, uneven rates do "
    "not]]",
    "cannot-other-rate/1": _OTHER_RATE
    + "; nor does it help with folded lines, because {rate_hz:rough} is {times:count} "
    "times {other_rate_hz:rough}",
}

MASK = sentences("""
mask: The two images of the mask give r₀ = {r0_m:metres} to {relative_error:percent}[[:
    {r0_along_m:metres} from motion along the mask, {r0_across_m:metres} across]]. That motion is
    free of vibration.
mask-no-scale: Without a pixel scale the mask measures no air.
mask-overlap: The openings of the mask overlap: mask.separation_m ({separation_m:metres}) is below
    mask.opening_m ({opening_m:metres}).
mask-openings-unknown: Two equally bright images stand apart by the declared split: give
    mask.opening_m and mask.separation_m, and the mask measures the air.
mask-no-pair: No two equally bright images stand {split_arcsec:set_arcsec} apart: check
    mask.split_arcsec and the pixel scale.
mask-no-pair/one image: One image alone was found: the mask needs both images of the star in every
    frame.
mask-no-pair/no split: There are {images:count} images, and nothing tells which two belong together:
    give mask.split_arcsec.
mask-exposure-unknown: The mask needs short frames of known exposure and interval: 2 to 10 ms are
    best.
mask-few-frames: Both images of the mask show in only {frames:count} frames; {needed:count} are
    needed.
mask-noise: What the mask's images do differently is hardly above the noise of their centroids.
mask-images-unequal: One image of the mask is {times:figure} times as bright as the other: an
    opening is partly covered, or they are two stars.
mask-angle-assumed: Without mask.angle_deg the openings are taken to lie along the images,
    {angle_deg:deg} from +x toward +y.
mask-axes-disagree: Along and across the mask r₀ differs by {sigmas:figure} standard errors: noise,
    exposure, or separation and opening of the mask are not as stated.
mask-exposure: About {share:percent} of the motion was averaged out within the exposure: use shorter
    frames.
above-the-air: A telescope in space sees no air: what its stars do differently is pointing, focus
    and the pixels, so nothing is said of an atmosphere.
""")
FOCUS = sentences("""
focus-not-used: The runs at other focus positions were not used: they do not differ by enough, or
    the air changed between them.
focus-disagrees: Defocus alone, {least_arcsec:arcsec} or more, exceeds the stated width of the
    instrument, {stated_arcsec:arcsec}, which is used: it was not measured at this focus.
focus-few-positions: Usable focus positions: {positions:count}. A curve needs three (two, where
    telescope.focus_step_um and the focal length are known), the measured run's own among them, so
    nothing is taken from them.
focus-run-too-blurred: The focus run {name:name} at {position:given} is too blurred, or its pixels
    too large, to be used.
focus-slope-disagrees: The focus curve is {times:figure} times as steep as telescope.focus_step_um
    and the focal ratio predict: check both (a moving mirror shifts the focus by more than itself).
    The measured steepness is used.
focus-not-bracketed: Best focus is not shown to lie between the positions recorded: add runs on the
    far side of it.
focus-air-changed: The air changed by about {share:percent} (as seeing) from run to run: take the
    focus positions within minutes, or more of them.
focus-air-unseen: No focus run has a pair of stars that tells how its air differed: seeing is taken
    to change by about {share:percent} from run to run.
focus-curve: With {runs:count} runs at several focus positions best focus lies at {best:given}
    ({best_low:given} to {best_high:given}), this run at {here:given}. Its defocus is[[
    {defocus_arcsec:arcsec} ({low_arcsec:figure} to {high_arcsec:figure})]][[ below
    {limit_arcsec:arcsec} (95 %)]], as a Gaussian FWHM. What is left at best focus is air and
    aberrations, which no focus curve can part.
focus-astigmatism: The stars' elongation turns by 90 degrees from one side of focus to the other:
    that part of it is astigmatism, neither motion nor wind.
refocus: Refocus: move from {here:given} to {best:given} (in the unit of the recorded focus
    position) and measure again.
""")
DRIVE = sentences("""
drive-error: Periodic error of the {name:name}: {size_arcsec:arcsec} peak to peak (95 %:
    {low_arcsec:figure} to {high_arcsec:figure})[[, only {turns:ratio} of the turn being seen and
    the rest inferred from its bend]].
drive-error-below: Periodic error of the {name:name}: not shown; below {limit_arcsec:arcsec} peak to
    peak (95 %).
drive-error-open: Periodic error of the {name:name}: nothing in this part of the turn limits it.
drive-guided: The run was guided: its periodic error is what the guiding left of it.
right-ascension: Right ascension lies along {angle_deg:deg} ± {half_deg:figure} deg from +x toward
    +y ({origin:name}).
right-ascension-open: Which way right ascension lies in the image is not known, nor does the record
    show it: state mount.ra_angle_deg or camera.position_angle_deg, or record the stars trailing
    with the drive off.
polar-axis-off: The declination drift needs a polar misalignment of at least {low_arcmin:figure}
    arcmin: this star shows {size_arcmin:figure} ± {sigma_arcmin:figure} arcmin of it, a star six
    hours away in hour angle the other part.
polar-axis-below: No declination drift is shown; the part of the polar misalignment that this star
    sees is below {high_arcmin:figure} arcmin. A star six hours away in hour angle shows the other
    part.
""")
SENSOR = sentences("""
sensor-coherent: The sensor {name:name} went with {rms_arcsec:arcsec} rms[[ ({low:figure} to
    {high:figure}, 68 %)]] of the shared motion: that is motion of the sensor's place, not air.
sensor-incoherent: Nothing of the shared motion went with the sensor {name:name}; up to
    {rms_arcsec:arcsec} would not show. Either its place stood still, or it recorded something else:
    another clock, another pier. It was not used.
sensor-blind: The sensor {name:name} shows little but its own noise: it could not have seen the
    motion, and says nothing about it.
sensor-proves-nothing: The record {name:name} proves no cause by going with the motion: a guide star
    carries the same air, and wind moves air and pier alike.
sensor-not-used: The sensor {name:name} was not used: it needs frames at regular times and a known
    scale.
sensor-repeated-times: The sensor {name:name} repeats times; the repeated samples were left out.
sensor-channel-constant: Channel {channel:name} of the sensor {name:name} does not move and was left
    out.
sensor-channel-saturated: Channel {channel:name} of the sensor {name:name} is saturated and was left
    out.
sensor-clipped: Channel {channel:name} of the sensor {name:name} is clipped now and then.
sensor-clock-jump: The times of the sensor {name:name} jump by {jump_s:s}, {at_s:s} after its start.
    If its clock was set then, give the parts before and after as records of their own.
""")
SECOND_CAMERA = sentences("""
second-camera-shaken: Both cameras move alike by {rms_arcsec:arcsec} beyond the air that both see:
    that is the mount and what carries it. What they do apart is air, whatever shakes them.
second-camera-still: Beyond the air that both see, the two cameras move alike by less than
    {rms_arcsec:arcsec}: mount and pier move no more than that in their common band.
second-camera-clock: The second camera was not used: nothing but air ties its clock to the main
    one's, and air that blows from tube to tube looks like a late clock. State offset_s in
    [second_camera], or tap the mount while both record.
second-camera-turn: The second camera was not used: its motion goes too little with the main one's
    to tell how its axes are turned. State angle_deg in [second_camera] (a trail of one star in both
    tells it), or tap the mount while both record.
second-camera-pixels: The second camera was not used: its star is {width_px:px} wide, and so narrow
    a star is drawn to the middles of its pixels. Defocus that camera to two pixels and record
    again.
second-camera-not-used: The second camera was not used: the main one's frames need regular times, a
    known scale and a known aperture.
""")
TAP = sentences("""
tap-lost-frames: Of the frames {share:percent} were lost and interpolated.
tap-frequency-bends: The mode at {frequency_hz:exact_hz} rings {share:percent} {way:name} while it
    is large: its stiffness depends on the amplitude, as that of joints that open does. The
    frequency and damping stated are those of small motion.
tap-fold-open: The ring at {frequency_hz:exact_hz} may be a faster mode that the frame rate folds
    ({candidates_hz:each_hz}): which of them it is, and with it the damping ratio, is open[[
    ({damping_ratios:each_figure})]]. The decay time holds for all; record once more at another
    frame rate.
tap-no-scale: Without a pixel scale amplitudes are in pixels and there is no settling time; give
    camera.pixel_scale_arcsec.
tap-none: No tap stands out of the motion in any of the {stretches:count} stretches between gaps and
    jumps of the field: record without a gap, and do not move the telescope.
tap-none/1: No tap stands out of the motion: tap three to five times, ten seconds apart, with the
    camera running, each time a little more firmly, never hard.
tap-no-ring: Shocks were found, but no ring-down after them.
tap-not-repeated: Each tap rings otherwise: no mode shows after two of them and half of all. Stars
    that a fast mode smears within an exposure, or that leave their windows, do this: tap more
    gently, expose shorter, or record at a higher frame rate.
tap-not-free: No single free decay from the start: the fit begins later after the taps at
    {taps_s:each_s} (by {late_s:each_s}). Taps that overlap, a star that left its window or motion
    that rubs do this: tap more gently, ten seconds apart.
tap-cut-off: A mode at three times the frequency of another shows after the taps at {taps_s:each_s}:
    the motion may be cut off, and damping ratios then come out too small.
tap-single: One tap only: the scatter from tap to tap is not in the intervals.
""")
PIER = sentences("""
pier-size: Column of {height_m:metres}, {mass_kg:count} kg above the ground (footing not counted).
pier-measured: After the measured {modes:name}: rocking stiffness of the foot {foot:name}; tilt for
    1 N at the axes {tilt:name}, as drawn {drawn_arcsec:arcsec} (brackets: 68 %).[[ No foot explains
    these frequencies well ({sigmas:count} sigmas off): masses, joints or the drawing differ.]]
pier-doubt: Tilt goes with the inverse square of a frequency: it carries {share:percent} where a
    frequency carries half of that; changes are better known.
""")

# --- pieces of evidence on the page: headings, what they show, and the words of their figures ----
HEADINGS: dict[str, str] = {
    "pairs": "Stars against stars: air that no mount can make",
    "otf": "The star with every frame centred",
    "focus": "Several focus positions",
    "spectrum": "Rhythms in the motion",
    "motion": "Motion over time",
    "by-time": "Rhythms over time",
    "ellipses": "Directions",
    "periodic": "Periodic error",
    "sensor": "A sensor beside the telescope",
    "cameras": "A second camera on the mount",
    "shape": "Shape shared by all stars",
}
TITLES: dict[str, str] = {
    "pairs": "Motion of pairs against separation",
    "otf": "Contrast of the centred star",
    "focus": "Width of the centred star against focus position",
    "spectrum": "Spectrum of the motion",
    "coherence": "Share of the motion common to all stars",
    "motion": "Shared motion along {axis}",
    "motion-again": "Shared motion along {axis}",
    "by-time": "Shared motion by time and frequency",
    "ellipses": "Motion by direction",
    "periodic": "Periodic error: {drive}",
    "sensor-spectra": "What goes with the sensor",
    "sensor-coherence": "Coherence with the sensor",
    "cameras-spectra": "Spectra of both cameras",
    "cameras-coherence": "Coherence of both cameras",
    "shape": "Shared elongation, one point a frame",
    "finder": "Finder chart",
}
TABLES: dict[str, str] = {
    "pairs": "Motion of pairs.",
    "otf": "Transfer function of the centred star.",
    "focus": "Width at each focus position.",
    "spectrum": "Densities, both axes added.",
    "coherence": "Share common to all stars.",
    "motion": "Motion along {axis}.",
    "motion-again": "Motion along {axis}.",
    "by-time": "Size and strongest rhythm by time.",
    "ellipses": "Motion, rms over the blur time.",
    "periodic": "Folded motion and fitted curve.",
    "sensor-spectra": "Spectra and coherence.",
    "cameras-spectra": "Spectra and coherence.",
    "shape": "Shared elongation.",
    "finder": "Stars used.",
}
EVIDENCE = sentences("""
table-thinned: Shown: {rows:count} of {of:count} rows; the result folder holds all.
shows-pairs: Two stars differ by air high enough for their beams to part; air close by does not
    show.
figure-pairs: Noise removed, {pairs:count} pairs; filled: along the joining line, open: across.[[
    Bars: pairs of like separation together, {bars:name}.]][[
    Bands: the fitted air, {bands:name}.]]
shows-otf: What is left without motion from frame to frame: air, optics, motion within frames.
figure-otf: At each baseline across the pupil; band: the fitted model, 68 %; dotted: aperture.
shows-focus: Out of focus a star widens as no change of the air repeats. Best focus: {best:name};
    this run: {used:name}. Defocus: {defocus:name}; astigmatism: {astigmatism:name}.
figure-focus: Bars hold the measuring error and the change of the air from run to run, 68 %. Dashed:
    best focus.
shows-spectrum: A narrow line that all stars share is mechanical. A broad excess is no proof: air
    close by and wind shake look alike.
figure-spectrum: Solid: shared by all stars. Bands: 68 %.[[ {marks:name}: lines of the table.]]
figure-coherence: One: all stars move together. Zero: each by itself, as high air moves them.
shows-motion: What moves all stars at once: drive, shaking, air close by.
figure-motion: All stars together.[[ In colour: {terms:name}.]][[ Shaded: {events:name}.]]
figure-motion-again: The same along {axis:name}.
shows-by-time: A level stripe is a steady line, an upright one a shock, a slanting one something
    that changes speed.
figure-by-time: Bright: strong.[[ Numbers at the right: {lines:name}.]][[ Above: {events:name}.]][[
    Crossed out: {blank:name}.]]
shows-ellipses: A drive errs along its axis, a pier has weak axes; wind gives air a direction too.[[
    {unknown:name} is not known.]]
figure-ellipses: Half-axes: rms over the blur time; x to the right, y up.
shows-periodic: The drive's own rhythm, folded.
figure-periodic: Shared motion along {angle_deg:deg}, folded on {period_s:set_s}, drift removed;
    {turns:turns} turns seen; [[nothing limits the {unlimited:name} of a whole turn]][[peak to peak
    of a turn: {size:name}]].[[ With so {few:name} turns drift and curve trade places.]]
shows-sensor: What goes with the sensor is motion of its place, not air.
shows-cameras: Mount and pier turn both tubes alike; what the cameras do apart is air, near air
    included.
goes-with-sensor: With {witness:name}: {rms:name} in each axis.
goes-with-cameras: With {witness:name}: {rms:name} in each axis; seeing of all the air
    {seeing:name}.
figure-sensor-spectra: Both axes added.
figure-cameras-spectra: Both axes added. Dotted: what the cameras do apart, whatever shakes them.
figure-sensor-coherence: One: all of the motion at this frequency goes with it.
figure-cameras-coherence: One: all of the motion at this frequency goes with it. Air that blows
    along the baseline is coherent too.
shows-shape: Changing from frame to frame it is motion within the exposure; constant, optics or
    steady fast motion.
figure-shape: Means: e1 {e1:name}, e2 {e2:name}.
figure-finder: Rings: stars used, numbered from 0; row 0 is below.
""")
