"""Words about many runs: plans of them, comparisons, limits kept or not, and whole archives."""

from __future__ import annotations

PLAN: dict[str, str] = {
    "plan-record": (
        "Record {duration_s:set_s} at {rate_hz:rate}, {exposure_s:ms} each, with {stars:count} or "
        "more stars of magnitude {faintest_mag:magnitude} or brighter."
    ),
    "plan-shows": (
        "In {seeing_arcsec:set_arcsec} seeing such a run shows, 19 times in 20, a structure mode "
        "(damping {damping_ratio:set_percent}) from {mode_rms_arcsec:fine_arcsec} rms and a steady "
        "line from {line_rms_arcsec:fine_arcsec} rms, between {band_low_hz:figure} and "
        "{band_high_hz:hz}."
    ),
    "plan-shows-nothing": "The run is too short to show lines.",
    "as-stated": "As stated.",
    "exposure-of-air": (
        "0.3 D/V with a wind of {wind_m_s:figure} m/s, so that the air is not averaged away."
    ),
    "rate-of-exposure": "The exposure allows no faster one.",
    "rate-of-plan": (
        "It reaches resonances up to 23 Hz and keeps the mains from folding to zero; faster is "
        "better where the camera allows it."
    ),
    "length-of-plan": ("The slow air of a shorter run is one draw, up to 20 % off in variance."),
    "length-short": (
        "That is short: the slow air of one run departs from theory by 20 % and more."
    ),
    "witness-sensor": (
        "Stars half a degree apart still leave most of the air below {unseen_below_m:metres} "
        "unseen, so ground air and shaking without lines may stay open. An accelerometer fixed to "
        "the mount and recorded beside the frames decides down to {shake_arcsec:fine_arcsec} rms: "
        "from 1 Hz on with a noise of {noise_ug:figure} µg/√Hz, from {board_from_hz:hz} on with "
        "{board_ug:figure} µg/√Hz (measure --sensor)."
    ),
    "witness-second-camera": (
        "Or a second camera on the same mount, its tube {baseline_m:metres} or more beside this "
        "one, exposed as briefly (measure --second-camera)."
    ),
    "witness-mask": (
        "Or a mask with two openings on one star, which sees all of the air: openings of "
        "{opening_m:mm}, {separation_m:mm} apart, one with a weak wedge; also where no field with "
        "four stars fits the camera."
    ),
    "mains-alias": (
        "At {rate_hz:rate} the mains ({mains_hz:each_hz}) folds to almost zero and passes for "
        "drift: choose another rate, such as {other_rate_hz:rate}."
    ),
    "row-time-unknown": (
        "The row time is not stated, so a global shutter is assumed; with a rolling shutter state "
        "camera.row_time_us, or shared vibration looks like air."
    ),
    "rolling-shutter": (
        "With this rolling shutter stars {rows:count} rows apart see {frequency_hz:hz} shifted by "
        "{turn_deg:deg}: state camera.row_order too, and prefer stars on different rows, which "
        "tell aliases apart."
    ),
    "site-unknown": (
        "No fields are listed: state site.latitude_deg and site.longitude_deg (east positive)."
    ),
    "no-dark-hours": "This night has no dark hours.",
    "interval-below-exposure": (
        "Frames every {interval_s:s} cannot be exposed for {exposure_s:s} each."
    ),
    "undersampled/plan": (
        "With {pixel_arcsec:arcsec} a pixel a star is {fwhm_px:px} wide: below {least_px:px} its "
        "centroid depends on where in a pixel it lies. Use a longer focal length or a Barlow lens."
    ),
    "too-little-light": "Even the brightest stars are too noisy in so short an exposure.",
    "saturation-unknown": (
        "The level of saturation is not known (camera.saturation_adu and camera.gain_e_per_adu): "
        "check the peak."
    ),
    "saturation": (
        "Stars bright enough to be measured (magnitude {faintest_mag:magnitude}) saturate in good "
        "moments (from {brightest_mag:magnitude}): shorten the exposure or lower the gain."
    ),
    # what a limit takes to be shown
    "needs-taps": "Three to five taps by hand, ten seconds apart, 50 frames/s or more.",
    "needs-any-run": "Any run.",
    "needs-one-run": "One run.",
    "needs-no-mode": "To show that no mode of that size is there.",
    "needs-little-drift": "If the drift is below half of it.",
    "needs-repeats": "Repeats; how far they lie apart decides.",
    "needs-other-air": (
        "No length: {least_arcsec:fine_arcsec} is the least that {longest_s:s} show. Brighter or "
        "more stars, steadier air, or a sensor on the pier."
    ),
    "needs-other-frames": "No length of record shows it at this exposure and frame rate.",
    "needs-other-rate": "A second run at {rate_hz:rate}, which parts aliases.",
    "needs-shorter-exposure": ("Exposures below {exposure_s:s}: these average such lines away."),
    "needs-mount-sensor": (
        "In such air the frames show nothing below {least_arcsec:fine_arcsec} rms over "
        "{over_s:set_s}: an encoder or sensor on the mount."
    ),
    "needs-slews": "Each run begins while the mount arrives; every slew counts.",
}

COMPARE: dict[str, str] = {
    "widths-in-same-air": (
        "In the same air {before:name} arcsec would have become {after:name} arcsec."
    ),
    "change-not-told": "These data do not tell that from no change.",
    "structure-not-compared": (
        "The structure was not measured on both sides, so nothing can be said of it."
    ),
    "structure-not-shown": (
        "No structure was shown before or after; a change of {smallest:fine} {unit:name} rms or "
        "more would have been seen."
    ),
    "motion-changed": (
        "The {motion:motion} became {way:name} ({change:name} {unit:name} rms, 95 % interval "
        "{interval:name}); probability {chance:name}."
    ),
    "motion-undecided": (
        "Undecided whether the {motion:motion} changed ({change:name} {unit:name} rms, 95 % "
        "interval {interval:name}); probability that it became smaller {chance:name}. These data "
        "could have shown a change of {smallest:fine} {unit:name} or more."
    ),
    "open-motion-changed": (
        "Shared motion whose cause is open became {way:name} ({change:name} arcsec rms, 95 % "
        "interval {interval:name}): wind shake, tube currents or structure."
    ),
    "line-gone": "Gone is the line at {frequency:name} Hz.",
    "line-new": "New is the line at {frequency:name} Hz.",
    "limits-on-both-sides": (
        "Only upper limits on both sides: nothing was shown that could have changed."
    ),
    "limit-before": "Only an upper limit before.",
    "limit-after": "Only an upper limit after.",
    "blur-times-differ": (
        "Blur times reach from {shortest_s:set_s} to {longest_s:set_s}: widths, tracking and what "
        "else grows with the blur time are not compared. Measure all runs again with one "
        "--blur-time."
    ),
    "repeats-assumed": (
        "One run on a side: how much repeats differ is assumed (about {share:percent}), not "
        "measured; three or more runs a side, taken in turns, would measure it."
    ),
    "not-alternating": (
        "The sides were not taken in turns: wind and air may have changed with the hour."
    ),
    "air-changed": "The air itself changed: compare widths at the common air, not as recorded.",
    "setup-differs/aperture_m": "The aperture differs between the runs ({values:each_m}).",
    "setup-differs/pixel_scale_arcsec": (
        "The pixel scale differs between the runs ({values:each_arcsec})."
    ),
    "setup-differs/focal_length_m": "The focal length differs between the runs ({values:each_m}).",
}

# Parts of sentences: they stand in the cells of tables, or behind a colon.
PHRASES: dict[str, str] = {
    "line-match-inferred": (
        "nearest line on the other side; whether it is the same one is inferred"
    ),
    "line-would-show": "a line of {smallest_arcsec:fine_arcsec} rms would have been found",
    "line-limit-unknown": ("what the other side could have shown is not known at this frequency"),
    "line-could-hide": ("the other side shows lines only from {smallest_arcsec:fine_arcsec} rms"),
    "common-air-method": (
        "recorded width times the ratio of modelled widths in the common and in its own air"
        "[[; assumed: aperture {aperture_m:metres}]]"
    ),
}
