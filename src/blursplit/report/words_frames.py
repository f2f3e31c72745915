"""Words about frames and tracks: what was odd in the files, in their times and in their stars."""

from __future__ import annotations

_LEFT_OUT = "Left out as {reason:name}, {count:count} in all: {names:name}."
_CAMERA_GAIN = (
    "[[ The header's {keyword:name} = {value:given} may be a setting of the camera, not e⁻/ADU.]]"
)
FRAMES: dict[str, str] = {
    "unreadable-files": _LEFT_OUT,
    "repeated-files": _LEFT_OUT,
    "mixed_exposures": _LEFT_OUT,
    "mixed_filters": _LEFT_OUT,
    "times-unreadable": _LEFT_OUT,
    "calibration-frames": _LEFT_OUT,
    "calibration-frames/all": (
        "By their headers all of these are calibration frames ({kind:name})."
    ),
    "checksum-differs": (
        "The pixels of {file:name} do not match their DATASUM: damaged, or changed after recording."
    ),
    "duplicate-keywords": (
        "Given twice with different values, of which the first is used: {keywords:name}."
    ),
    "ser-cut-short": (
        "The file {file:name} was cut short:[[ of {promised:count} frames promised]] it holds "
        "{frames:count} whole ones."
    ),
    "ser-byte-order": (
        "The bytes of {file:name} are in the order that its flag denies; the pixels tell."
    ),
    "colour-planes": "Three planes are colours: the second (green) is measured.",
    "colour-mosaic": (
        "Of the colour mosaic {pattern:name} the two green pixels of each 2 × 2 cell are averaged, "
        "nothing is interpolated; pixel scale and pixel size are those of the cell."
    ),
    "target-pixels": (
        "Small images (target pixels, {tables:count} tables) are laid side by side; distances "
        "between stars are not those on the sky."
    ),
    "pier-flip": "PIERSIDE changes ({times:count} ×): the record is split there.",
    # times
    "times-unknown": "Nothing says when the frames were taken: {missing:name}.",
    "times-assumed": "On the times: {note:name}.",
    "times-do-not-advance": "In all frames the time ({keyword:name}) is the same.",
    "times-backward": (
        "Time steps back in the order of the files ({times:count} ×): they were sorted by time."
    ),
    "times-coarse": (
        "Times come in steps of {step_s:s} ({keyword:name}), cut or rounded: the start is known to "
        "{start_s:s}[[, the interval to {share:percent} (frequencies too); state "
        "camera.frame_interval_s]]."
    ),
    "clock-stepped-back": "The clock was set back ({times:count} ×); the times were repaired.",
    "past-midnight": "Times of day start anew at midnight: a day was added.",
    "duplicate-times": "Frames that repeat the time of another were dropped: {frames:count}.",
    "missing-frames": "Frames missing from the time grid: {frames:count}.",
    "gaps": "Gaps: {gaps:count}, the longest {longest_s:s}; the record is split there.",
    "interval-contradicts-times": (
        "An interval of {stated_s:precise_s} is given, the times say {found_s:precise_s}."
    ),
    "exposure-in-milliseconds": (
        "The header's {keyword:name} = {value:given} exceeds the interval of {interval_s:set_s}: "
        "taken as milliseconds."
    ),
    "exposure-of-cube": (
        "The header's {keyword:name} = {value:given} s is taken as the time of all frames."
    ),
    "exposure-unusable": (
        "The header's {keyword:name} = {value:given} s exceeds the frame interval of "
        "{interval_s:set_s}: ignored."
    ),
    "exposure-unknown": (
        "No exposure is given: what it averages out within a frame is not corrected, and the band "
        "of the result ends at half the frame rate."
    ),
    "two-rates": (
        "Of two frame rates the {frames:count} frames at {rate_hz:rate} are measured; the "
        "{other_frames:count} at {other_rate_hz:rate} only help to tell the true frequency of each "
        "line."
    ),
    # pixels
    "bad-pixels": "Of the pixels {share:fine_percent} are NaN, infinite or blank.",
    "hot-pixels": "Hot or dead pixels left out: {pixels:count}.",
    "shifted-bits": (
        "Values come in steps of {step_adu:count} ADU: {bits:count}-bit data shifted left."
    ),
    "eight-bit": (
        "These are 8-bit values: faint stars are coarse, and a display stretch may have been "
        "applied."
    ),
    "saturated-pixels": (
        "Pixels pile up at {level_adu:given} ADU[[, below the header's {header_adu:given} ADU]]."
    ),
    "calibrated": "Applied: {images:name}[[; {note:name}]].",
    "gain-unknown": (
        "The gain is unknown, and the frames do not show it: give camera.gain_e_per_adu."
        + _CAMERA_GAIN
    ),
    "gain-unknown/stars": (
        "No gain is known or measurable: the noise leaves out the stars' own photons."
    ),
    "gain-measured": (
        "A gain of {gain_e_per_adu:fine} ± {error_e_per_adu:fine} e⁻/ADU follows from the noise of "
        "{stars:count} stars in {frames:count} frames." + _CAMERA_GAIN
    ),
    "gain-measured/stars": (
        "A gain of {gain_e_per_adu:fine} ± {error_e_per_adu:fine} e⁻/ADU follows from the pixel "
        "noise of a star."
    ),
    # stars
    "few-stars": "Stars that could be followed: {stars:count} only.",
    "stars-lost": "Stars seen in few of the frames were left out: {stars:count}.",
    "stars-left-out": "Stars with fewer than {least:count} positions were left out: {stars:count}.",
    "twins": "Sources that are stars followed already: {sources:count}.",
    "moving-source": "Sources that moved among the stars were left out: {sources:count}.",
    "sources-refused": "Sources not used, by reason: {reasons:name}.",
    "cores-clipped": (
        "The frames were stretched for display and their cores clipped: positions only."
    ),
    "undersampled": (
        "Stars of {fwhm_px:px} FWHM are too narrow for these pixels: positions only, no widths and "
        "no split."
    ),
    "field-turned": "The field turned by half a turn ({times:count} ×): a new segment each.",
    "dither": "The field jumped ({times:count} ×): a new segment each.",
    "row-order-assumed": (
        "The order of the rows is not known: the first one is taken to be read first."
    ),
    "cloud": "Stars were fainter than half their usual flux in {frames:count} frames.",
    "frames-unreadable": "Frames that could not be read: {frames:count} ({why:name}).",
    "frames-lost": "Frames in which no star was found: {frames:count}.",
    "saturated": "Saturated samples were left out: {samples:count}.",
    "cosmic-ray": "Samples hit by a cosmic ray were left out: {samples:count}.",
    "width-drift": (
        "Star widths changed by {change:signed_percent} over the run: focus, dew or air."
    ),
    "stamps-fewer": "Cut-outs of fewer stars were kept: the run is long.",
    "noise-from-spectrum": (
        "No noise of the positions is given: it is taken from the upper end of their spectrum, "
        "where it is at most this large."
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
PROSPECTS: dict[str, str] = {
    "can-widths": "widths of the stars",
    "can-subframes": (
        "motion between subframes, elongation shared by all stars, width of each frame"
    ),
    "can-spectra": (
        "spectra from {low_hz:fine} to {high_hz:precise_hz}; what is faster shows folded, as a set "
        "of candidate frequencies"
    ),
    "can-two-rates": (
        "lines of the {frames:count} frames at {rate_hz:rate}, whose true frequency the "
        "{other_frames:count} frames at {other_rate_hz:rate} help to tell"
    ),
    "can-two-rates/1": "lines of the {frames:count} frames at {rate_hz:rate}",
    "can-motion": (
        "motion up to about {half_power_hz:rough_hz} keeps half its power or more within a frame "
        "of {exposure_s:exposure}"
    ),
    "can-arcsec": "motion and widths in arcseconds",
    "can-air": "the air, its lower bound from star pairs (two stars or more) included",
    "cannot-times": "spectra, drift and what they tell: nothing says when the frames were taken",
    "cannot-fast": (
        "anything faster than {above_hz:hz}: vibration and most of the air move within one frame "
        "and stay together in its width"
    ),
    "cannot-other-rate": _OTHER_RATE
    + "[[; a ratio of {times:count} to {to:count} leaves some folded lines open, uneven rates do "
    "not]]",
    "cannot-other-rate/1": _OTHER_RATE
    + "; nor does it help with folded lines, because {rate_hz:rough} is {times:count} "
    "times {other_rate_hz:rough}",
    "cannot-spectra": "spectra: {frames:count} frames, at least {needed:count} are needed",
    "cannot-exposure": "how much motion each frame averages: the exposure is unknown",
    "cannot-arcsec": "arcseconds: motion stays in pixels without a pixel scale",
    "cannot-air": "the air's share and seeing: the aperture is unknown",
    "cannot-altitude": "the altitude from position and site: the date is unknown",
    "expose-shorter": (
        "expose 2 to 10 ms instead of {exposure_s:exposure}: longer frames blur fast motion"
    ),
    "record-faster": (
        "record {good_rate_hz:rate} or more instead of {rate_hz:rate}: cut out a region around the "
        "stars"
    ),
    "record-longer": (
        "record 60 to 120 s instead of {duration_s:rough} s: slow air and slow drive errors need "
        "the length"
    ),
    "hardware-stamps": (
        "if the camera stamps frames itself, say so (--set camera.time_stamps=hardware); these "
        "stamps are taken as software, the frames as evenly spaced"
    ),
    "rolling-rows": (
        "if the shutter rolls, give camera.row_time_us; rows are taken as exposed together"
    ),
    "more-bits": "record 12 or 16 bits, linear",
    "expose-less": "expose less or lower the gain: the brightest stars are clipped and left out",
    "lose-fewer-frames": (
        "frames are lost on the way: a smaller region or a faster disk keeps them"
    ),
    "field-higher": "choose a field higher in the sky: dispersion and air grow with airmass",
    "use-none": "of another size than the frames: of no use here",
    "use": (
        "measure with --{kind:name} {folder:name}[[ and with bias frames: the frames were exposed "
        "{exposure_s:exposure}]]"
    ),
}
