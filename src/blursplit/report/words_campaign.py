"""Words about many runs: plans, watches, comparisons, limits kept or not, and whole archives."""

from __future__ import annotations

from blursplit.report.catalogue import sentences

PLAN = sentences("""
plan-record: Record {duration_s:set_s} at {rate_hz:rate}, {exposure_s:ms} each, with {stars:count}
    or more stars of magnitude {faintest_mag:magnitude} or brighter.
plan-shows: In {seeing_arcsec:set_arcsec} seeing such a run shows, 19 times in 20, a structure mode
    (damping {damping_ratio:set_percent}) from {mode_rms_arcsec:fine_arcsec} rms and a steady line
    from {line_rms_arcsec:fine_arcsec} rms, between {band_low_hz:figure} and {band_high_hz:hz}.
plan-shows-nothing: The run is too short to show lines.
witness-sensor: Stars half a degree apart still leave most of the air below {unseen_below_m:metres}
    unseen, so ground air and shaking without lines may stay open. An accelerometer fixed to the
    mount and recorded beside the frames decides down to {shake_arcsec:fine_arcsec} rms: from 1 Hz
    on with a noise of {noise_ug:figure} µg/√Hz, from {board_from_hz:hz} on with {board_ug:figure}
    µg/√Hz (measure --sensor).
witness-second-camera: Or a second camera on the same mount, its tube {baseline_m:metres} or more
    beside this one, exposed as briefly (measure --second-camera).
witness-mask: Or a mask with two openings on one star, which sees all of the air: openings of
    {opening_m:mm}, {separation_m:mm} apart, one with a weak wedge; also where no field with four
    stars fits the camera.
mains-alias: At {rate_hz:rate} the mains ({mains_hz:each_hz}) folds to almost zero and passes for
    drift: choose another rate, such as {other_rate_hz:rate}.
row-time-unknown: The row time is not stated, so a global shutter is assumed; with a rolling shutter
    state camera.row_time_us, or shared vibration looks like air.
rolling-shutter: With this rolling shutter stars {rows:count} rows apart see {frequency_hz:hz}
    shifted by {turn_deg:deg}: state camera.row_order too, and prefer stars on different rows, which
    tell aliases apart.
site-unknown: No fields are listed: state site.latitude_deg and site.longitude_deg (east positive).
no-dark-hours: This night has no dark hours.
interval-below-exposure: Frames every {interval_s:s} cannot be exposed for {exposure_s:s} each.
undersampled/plan: With {pixel_arcsec:arcsec} a pixel a star is {fwhm_px:px} wide: below
    {least_px:px} its centroid depends on where in a pixel it lies. Use a longer focal length or a
    Barlow lens.
too-little-light: Even the brightest stars are too noisy in so short an exposure.
saturation-unknown: The level of saturation is not known (camera.saturation_adu and
    camera.gain_e_per_adu): check the peak.
saturation: Stars bright enough to be measured (magnitude {faintest_mag:magnitude}) saturate in good
    moments (from {brightest_mag:magnitude}): shorten the exposure or lower the gain.
""")

WATCH = sentences("""
watch-width: Width {width:name} FWHM, as Gaussians, from {frames:count} frames in {seconds:s}; stars
    followed: {stars:count}.
watch-shared: Shared motion {rms:name} rms on one axis within {window_s:s}; without it the width
    would lose {saving:name}.
watch-line: Strongest line: {frequency_hz:precise_hz} (or an alias of it), {rms:name} rms on one
    axis.
watch-no-line: Strongest line: none stands out so far.
watch-verdict/yes: Provisional verdict: a mechanical line alone costs more than is worth a cure
    ({worth:name}).
watch-verdict/no: Provisional verdict: all the motion that the stars share costs less than is worth
    a cure ({worth:name}).
watch-verdict/open: Provisional verdict: open (worth a cure: {worth:name}). More of the same frames
    does not decide it; the fit at the end may.
watch-verdict/wait: Provisional verdict: open (worth a cure: {worth:name}). About {more_s:s} more
    would decide, all else equal.
watch-mode: Mode at {frequency_hz:precise_hz}: before {before:name}, now {now:name} rms; changed
    (smallest change shown so far: {shown:name}).
watch-mode/same: Mode at {frequency_hz:precise_hz}: before {before:name}, now {now:name} rms; no
    change shown (smallest shown so far: {shown:name}).
# notes on the way
watch-replaced: The file {file:name} was replaced or cut: its frames are taken anew.
watch-unreadable: The file {file:name} was left out: {why:name}.
watch-other-field: Frames that do not show the field of the first ones: {frames:count}.
watch-left-out: Frames left out: {frames:count} ({why:name}).
watch-new-run: A new run begins: {why:name}.
""")

LIVE_CAUTIONS = (
    "Hands off a moving mount: touch nothing while it slews; keep hands, hair and cables away.",
    "Hang and prop nothing that can fall: fix a brace or weight before letting go of it.",
    "Switch a fan by its own switch; wiring belongs to a licensed electrician.",
)

COMPARE = sentences("""
widths-in-same-air: In the same air {before:name} arcsec[[ ({before_ends:name}, 95 %)]] would have
    become {after:name} arcsec[[ ({after_ends:name}, 95 %)]].
change-not-told: These data do not tell that from no change.
structure-not-compared: The structure was not measured on both sides, so nothing can be said of it.
structure-not-shown: No structure was shown before or after; a change of {smallest:fine} {unit:name}
    rms or more would have been seen.
motion-changed: The {motion:motion} became {way:name} ({change:name} {unit:name} rms, 95 % interval
    {interval:name}); probability {chance:name}.
motion-undecided: Undecided whether the {motion:motion} changed ({change:name} {unit:name} rms, 95 %
    interval {interval:name}); probability that it became smaller {chance:name}. These data could
    have shown a change of {smallest:fine} {unit:name} or more.
open-motion-changed: Shared motion whose cause is open became {way:name} ({change:name} arcsec rms,
    95 % interval {interval:name}): wind shake, tube currents or structure.
line-gone: The line at {frequency:name} Hz is gone.
line-new: The line at {frequency:name} Hz is new.
limits-on-both-sides: Only upper limits on both sides: nothing was shown that could have changed.
limit-before: Only an upper limit before.
limit-after: Only an upper limit after.
blur-times-differ: Blur times reach from {shortest_s:set_s} to {longest_s:set_s}: widths, tracking
    and what else grows with the blur time are not compared. Measure all runs again with one
    --blur-time.
repeats-assumed: One run on a side: how much repeats differ is assumed (about {share:percent}), not
    measured; three or more runs a side, taken in turns, would measure it.
not-alternating: The sides were not taken in turns: wind and air may have changed with the hour.
air-changed: The air itself changed: compare widths at the common air, not as recorded.
setup-differs/aperture_m: The aperture differs between the runs ({values:each_m}).
setup-differs/pixel_scale_arcsec: The pixel scale differs between the runs ({values:each_arcsec}).
setup-differs/focal_length_m: The focal length differs between the runs ({values:each_m}).
""")

# Parts of sentences: they stand in the cells of tables, or behind a colon.
ACCEPT: dict[str, str] = {
    "accept-pass": "All limits are kept.",
    "accept-fail": "At least one limit is not kept.",
    "accept-not-shown": "No limit is broken, but these data do not show that all are kept.",
}
PHRASES = sentences("""
# a watch: what a fit says, and why a new run begins
watch-fit: Provisional, {what:name} of the frames from {begin_s:rough} to {end_s:rough} s:
    {headline:name}
run-other-region: the region changed from {old:name} to {new:name} px
run-other-exposure: the exposure changed from {old:name} to {new:name}
run-paused: the camera paused for {pause_s:s}
run-back-in-time: the times of the frames went back
# why to record so, and what a limit takes to be shown
as-stated: as stated
exposure-of-air: 0.3 D/V with a wind of {wind_m_s:figure} m/s, so that the air is not averaged away
rate-of-exposure: the exposure allows no faster one
rate-of-plan: reaches resonances up to 23 Hz and keeps the mains from folding to zero; faster is
    better where the camera allows it
length-of-plan: the slow air of a shorter run is one draw, up to 20 % off in variance
length-short: short: the slow air of one run departs from theory by 20 % and more
needs-taps: three to five taps by hand, ten seconds apart, 50 frames/s or more
needs-any-run: any run
needs-one-run: one run
needs-no-mode: to show that no mode of that size is there
needs-little-drift: if the drift is below half of it
needs-repeats: repeats; how far they lie apart decides
needs-other-air: no length: {least_arcsec:fine_arcsec} is the least that {longest_s:s} show;
    brighter or more stars, steadier air, or a sensor on the pier
needs-other-frames: no length of record shows it at this exposure and frame rate
needs-other-rate: a second run at {rate_hz:rate}, which parts aliases
needs-shorter-exposure: exposures below {exposure_s:s}: these average such lines away
needs-mount-sensor: in such air the frames show nothing below {least_arcsec:fine_arcsec} rms over
    {over_s:set_s}: an encoder or sensor on the mount
needs-slews: each run begins while the mount arrives; every slew counts
line-match-inferred: nearest line on the other side; whether it is the same one is inferred
line-would-show: a line of {smallest_arcsec:fine_arcsec} rms would have been found
line-limit-unknown: what the other side could have shown is not known at this frequency
line-could-hide: the other side shows lines only from {smallest_arcsec:fine_arcsec} rms
common-air-method: recorded width times the ratio of modelled widths in the common and in its own
    air[[; assumed: aperture {aperture_m:metres}]]
# a limit, what was measured, why it is judged so, and what would show it
at-least: at least {end:given}[[ {unit:name}]]
at-most: at most {end:given}[[ {unit:name}]]
below: below {high:name}[[ {unit:name}]] (95 %)
exact: {value:given}[[ {unit:name}]]
within: {value:name}[[ {unit:name}]] ({low:name} to {high:name}, 95 %)
above-limit: the whole 95 % interval lies above the limit
below-limit: the whole 95 % interval lies below the limit
inside-limit: the whole 95 % interval lies inside the limit
across-limit: the 95 % interval reaches across the limit
exact-inside: counted or stated, without error: inside
exact-outside: counted or stated, without error: outside
of-several-runs: {reason:name} ({how:name} of {runs:count} runs)[[; {silent:count} more do not tell:
    {why:name}]]
other-blur-time: the run gives it for exposures of {had_s:given} s, the limit holds for
    {limit_s:given} s
unknown-blur-time: the run does not say for what exposure, the limit holds for {limit_s:given} s
tap-not-given: no tap result was given (--tap)
tap-lacks-it: the tap result does not hold it
not-measured: it was not measured[[ ({why:name})]]
no-interval: the value comes without an interval, so nothing is shown by it
by-tap-run: a tap run: blursplit tap SEQUENCE --out FOLDER, given as --tap FOLDER/tap.json
by-clearer-tap: a clearer tap
by-interval: a measurement with an interval
by-longer-quiet: a record {times:fine} times as long, if there is nothing to be seen in it
by-no-runs: no sensible number of runs: the value lies at the limit
by-more-runs: some {runs:count} such runs together; {outcome:name} is the likelier
by-stated-blur-time: blur_time_s stated in the limits file
by-same-frames: the same frames measured again with --blur-time {blur_time_s:given}
# lines in a band
lines-limit: no shared line above {limit_arcsec:given} arcsec rms
lines-above: {count:count} shared lines above the limit
lines-above/1: 1 shared line above the limit
lines-none-from: any line above {smallest_arcsec:fine_arcsec} rms would have been found
lines-none-found: no line found above it
lines-none-above: no line above the limit
lines-unknown: what could have been seen is not known (frame interval or seeing missing)
line-unseen: a line of[[ {rms_arcsec:fine_arcsec} rms]][[ {any:name} size]] at {at_hz:rough_hz}
    could have stayed unseen
line-measured: {at_hz:precise_hz}, {low_arcsec:rough} to {high_arcsec:rough} arcsec rms (95 %)
line-no-rms: {at_hz:precise_hz}: no rms in arcsec (pixel scale unknown)
line-across: {at_hz:precise_hz}: its rms reaches across the limit
line-alias: {at_hz:precise_hz}: in this band with odds of {share:percent} only, else an alias of a
    line outside it
by-other-rate: a run at another frame rate, which parts a line from its alias
by-second-rate: a second run at another frame rate, {rate_hz:rough}/s
by-short-exposures: exposures below {exposure_s:fine} s
by-record-of: a record of {duration_s:rough} s or more
by-record-in-all: {duration_s:long_s} of record in all
by-steadier-air: steadier air, or a sensor on the pier: no length of record helps here
# after a slew
slew-limit: rms at most {limit_arcsec:given} arcsec over {over_s:given} s, from {within_s:given} s
    after the slew
slew-worst: {reason:name} (worst of {slews:count} slews)
slew-no-motion: the record holds no motion in arcsec
slew-too-short: the record is shorter than the stretch
slew-measured: still from {ends:name} on (95 %); at {at_s:fine} s the mount moves by
    {low_arcsec:fine} to {high_arcsec:fine} arcsec rms
slew-at: {at_s:fine} s
slew-never: never in this record
slew-still: still from {at_s:fine} s after the slew at the latest
slew-still-late: still at {at_s:fine} s at the earliest
slew-still-never: still never in this record
slew-in-air: the air that all stars share hides so small a motion
by-whole-folder: the whole result folder, of a run with a pixel scale and a seeing
by-wider-field: a wider field or steadier air, or an encoder or sensor on the mount
# an archive in numbers
archive-holds: {sequences:count} sequences[[ of {nights:nights}]][[, median width {width:rough}
    {unit:name}]]
archive-holds/1: 1 sequence[[ of {nights:nights}]][[, median width {width:rough} {unit:name}]]
archive-stands-out: {name:name} stands out: {reason:name}.
archive-even: None stands out.
too-short: {frames:count} frames, {needed:count} needed
process-died: the process that measured it died: out of memory, or killed from outside
cluster-gave-up: the cluster gave it up: {kind:name}: {error:name}
internal-failure: internal failure, please report it: {kind:name}: {error:name} ({place:name})
pick-cause: {cause:name} costs {saving_arcsec:fine} of {width_arcsec:fine} arcsec FWHM
pick-wide: {width:fine} {unit:name} wide, {times:fine} times the median of its telescope
pick-mechanics: drive and structure together are worth curing
""")
