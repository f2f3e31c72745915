"""All words that people read about a result: remarks by code, and cautions.

The catalogues of a subject stand in modules of their own (`words_evidence`, `words_campaign`);
all are looked up here.

A remark is a code and facts. Its sentence is a template: ``{fact:kind}`` is a fact written as
`KINDS` says, unit included, and a part in double brackets is left out where one of its facts is
missing. A code may have variants, ``code/value``, by the fact that `VARIANT_FACTS` names.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

from blursplit.errors import plain
from blursplit.estimate import Estimate
from blursplit.report.catalogue import sentences
from blursplit.report.numbers import (
    UNKNOWN,
    estimate_text,
    figure,
    number,
    probability,
    setting,
)
from blursplit.report.words_campaign import ACCEPT, COMPARE, PHRASES, PLAN, WATCH
from blursplit.report.words_evidence import (
    DRIVE,
    EVIDENCE,
    FOCUS,
    FRAMES,
    MASK,
    PIER,
    PROSPECTS,
    SECOND_CAMERA,
    SENSOR,
    TAP,
)
from blursplit.result import Remark, Result

# --- names of causes and cures ------------------------------------------------------------------

CAUSE_NAMES: dict[str, str] = {
    "base": "Telescope and pixel",
    "atmosphere": "Air outside",
    "near_air": "Air close by",
    "tracking": "Tracking",
    "structure": "Shaking",
    "open": "Owner open",
    "optics": "Optics",
    "untold": "Air or optics",
    "recorded": "As recorded",
}

CURE_NAMES: dict[str, str] = {
    "structure": "Shaking of pier, mount and tube",
    "tracking": "Tracking: drift and drive",
    "mechanics": "Both: a perfectly steady mount",
    "near_air": "Air in tube, dome and the first metres",
    "optics": "Optics: focus, alignment, figure",
    "atmosphere": "For comparison: all the air",
}

_CURED: dict[str, str] = {
    "structure": "the shaking",
    "tracking": "the tracking",
    "mechanics": "the mount's motion",
    "near_air": "the air close by",
    "optics": "the optics",
    "atmosphere": "the air",
}

_OWNERS: dict[str, str] = {
    "structure": "the structure: pier, mount or tube",
    "tracking": "the drive",
    "atmosphere": "the air",
    "air": "the air",
    "mechanics": "the mount",
}

_MOTIONS: dict[str, str] = {
    "structure": "structure's motion",
    "shared": "motion that all stars share",
}

# --- the sentences ------------------------------------------------------------------------------

VARIANT_FACTS: dict[str, str] = {
    "cure-matters": "cure",
    "open": "near_air",
    "positions-only": "width",
    "not-asked": "check",
    "lines-found": "count",
    "undersampled": "of",
    "setup-differs": "key",
    "calibration-frames": "which",
    "gain-unknown": "by",
    "lines-above": "count",
    "archive-holds": "sequences",
    "gain-measured": "by",
    "mask-no-pair": "because",
    "tap-none": "stretches",
    "watch-verdict": "state",
    "can-two-rates": "to",
    "cannot-other-rate": "to",
    "watch-mode": "became",
}

_WOULD_BE = (
    " would be {without_arcsec:estimate}, not {width_arcsec:arcsec}."
    "[[ Your seeing was {seeing_arcsec:estimate}.]]"
)
_MOVED = (
    "[[Your stars moved by {rms_arcsec:estimate} rms between {band_low_hz:figure} and "
    "{band_high_hz:hz}. ]][[Your stars moved by at most {most_arcsec:arcsec} rms between "
    "{band_low_hz:figure} and {band_high_hz:hz}. ]][[Your stars moved by {rms_px:estimate_px} rms "
    "between {band_low_hz:figure} and {band_high_hz:hz}. ]]"
    "[[That adds {added_arcsec:arcsec} to their width at most. ]]"
)

_HEADLINES = sentences("""
cure-matters/near_air: Without the turbulent air close to your telescope your stars would be
    {without_arcsec:estimate}, not {width_arcsec:arcsec}.[[ The seeing outside was
    {seeing_arcsec:estimate}.]]
no-cure-matters: Your mount is not the reason: curing it would save less than {worth_arcsec:arcsec}
    of your {width_arcsec:arcsec}.[[ Your seeing was {seeing_arcsec:estimate}.]]
open: Up to {up_to_arcsec:arcsec} of your {width_arcsec:arcsec} may be shaking and drift, or air
    close to the telescope; these frames do not tell which.
open/no: Up to {up_to_arcsec:arcsec} of your {width_arcsec:arcsec} may be shaking and drift, or air;
    these frames do not tell which.
not-converged: No verdict: two independent runs of the fit disagree[[ (R-hat {r_hat:ratio})]]. What
    was measured stands below.
not-asked: No verdict: these frames cannot be taken as the camera made them.
not-asked/air-too-still: No verdict: the stars are narrower than the air of any site leaves them.
not-asked/frames-recentred: No verdict: the frames were centred on their star before they were
    saved, so that the motion is gone from them.
not-asked/frames-repeated: No verdict: frames are repeated in this sequence.
not-asked/frames-mixed: No verdict: the frames are mixtures of others.
not-asked/pixels-nonlinear: No verdict on widths: the brightness in these frames is not proportional
    to the light.
not-asked/pixels-filtered: No verdict on widths: the frames were filtered before saving.
not-asked/scale-disputed: No verdict in arcsec: the stated pixel scale contradicts the frames.
not-asked/stars-trailed: No verdict: the stars are trailed within single frames.
not-asked/pointing-stepped: No verdict: the telescope was moved during the record.
not-asked/times-impossible: No verdict on motion: the times of the frames cannot be true.
""") | {
    "cure-matters": "Without {cure:cure} your stars" + _WOULD_BE,
    "cure-matters/tracking": "With perfect tracking your stars" + _WOULD_BE,
    "cure-matters/mechanics": "On a perfectly steady mount your stars" + _WOULD_BE,
    "cure-matters/optics": "With perfect optics your stars" + _WOULD_BE,
    "positions-only": _MOVED + "Their width itself was not measured.",
    "positions-only/measured": (
        _MOVED + "What makes your stars {width_arcsec:arcsec} wide these frames do not tell."
    ),
}

_REASONS = sentences("""
lines-found: {count:count} lines in the motion that all stars share. The strongest, at
    {strongest_hz:any_hz}[[ (odds {strongest_odds:each_percent})]], moves them by
    {rms_arcsec:arcsec} rms[[ ({low:figure} to {high:figure}, 68 %)]][[; its owner is
    {owner:owner}]].
lines-found/1: One line in the motion that all stars share: at {strongest_hz:any_hz}[[ (odds
    {strongest_odds:each_percent})]], {rms_arcsec:arcsec} rms[[ ({low:figure} to {high:figure},
    68 %)]][[; its owner is {owner:owner}]].
no-line-found: No ringing was found between {band_low_hz:figure} and {band_high_hz:hz}; a mode of
    {limit_rms_arcsec:arcsec} rms would have been, 95 times in 100.
open-motion: Shared motion of {rms_arcsec:arcsec} rms[[ ({low:figure} to {high:figure}, 68 %)]] has
    no proven owner: air close to the telescope, wind shake and a drive that nobody described look
    alike in it.
pairs-show-air: Stars move against each other, which no mount can do: that air alone makes a seeing
    of {seeing_arcsec:arcsec}[[ ({low:figure} to {high:figure}, 68 %)]].
one-star: With one star, motion of the air and of the mount cannot be told by comparison.
two-stars: With two stars, the air's motion shows along one line only.
drift-found: The stars drift by {rate_arcsec_per_min:arcsec_per_min}[[ ({low:figure} to
    {high:figure}, 68 %)]][[, along {angle_deg:deg} from +x toward +y]].
drive-period-found: The stars swing along one line every {period_s:s}, for {turns:figure} turns, as
    a gear of the drive makes them; it counts as tracking. Nobody stated that period, and a steady
    vibration close to a multiple of the frame rate would look the same.
inside-exposures: Within single exposures the stars move by {rms_arcsec:arcsec} rms[[; the change
    from frame to frame shows {share_shown:percent} of it]].
steady-blur-open: A steady blur of {fwhm_arcsec:arcsec} FWHM[[ ({low:figure} to {high:figure}, 68
    %)]] may be optics, or motion too fast for the frames.
near-air: Air in the tube, the dome or the first metres: its cure would save
    {saving_arcsec:arcsec}[[ ({low:figure} to {high:figure}, 68 %)]].
no-aperture: The aperture is not known; without it air and optics cannot be parted.
no-pixel-scale: The pixel scale is not known; sizes are in pixels.
no-star-image: No image of a star is at hand; positions tell motion, not width.
few-frames: Only {frames:count} frames; too few for rhythms in the motion.
irregular-times: The frames came at uneven times; rhythms show less clearly.
long-frames: Each frame lasts {exposure_s:s}; faster motion shows in the width alone.
blur-time-too-long: The blur time of {blur_time_s:s} exceeds the record of {duration_s:s}; no width
    is given for it.
pixels-too-large: The pixels are too large for the shape of the stars to be measured.
widths-disagree: The model gives a width of {modelled_arcsec:arcsec}, the frames
    {recorded_arcsec:arcsec}; one of them is wrong.
centring-not-excluded: This verdict rests on stars that move little; frames that were centred on a
    star before they were saved look alike, and no fixed pattern or hot pixel shows that these were
    not: make sure that centring was off.
evidence-disagrees: Pairs of stars ask for a seeing of {lower_arcsec:arcsec} or more, the centred
    star allows {upper_arcsec:arcsec} at most; one of them is wrong.
dispersion-unknown: Colours spread by the air are not taken out; airmass or band is not known.
optics-unstated: What the optics alone would give was not stated.
faster-than-exposure: Motion faster than the exposure of {exposure_s:s} shows in the shape of the
    stars alone.
no-event-found: No event was found in {frames:count} frames; an oscillation of {peak_arcsec:arcsec}
    peak over {window_s:set_s} would have been.
events-found: Events touch {affected:count} of {frames:count} frames; none is left out for it. The
    smallest that would be found: an oscillation of {peak_arcsec:arcsec} peak over {window_s:set_s}.
more-events: More events are in the result file: {events:count}.
would-save: It would save {saving:name} arcsec[[ ({range:name}, 68 %)]].
would-save-up-to: It would save up to {gain_arcsec:arcsec}.
would-settle: It would settle up to {gain_arcsec:arcsec}.
""")

_NEXT = sentences("""
sensor: Fix a vibration sensor[[ with a noise of {noise_ug:figure} µg/√Hz or less]] to the mount and
    record it beside the frames (measure --sensor): motion that goes with it is shaking.
second-camera: Record with a second camera on the same mount[[, its tube {baseline_m:metres} or more
    from the main one,]] at the same time (measure --second-camera): what moves in one alone is air.
longer-run: Record {duration_s:s} in one run.
shorter-exposure: Record with exposures of {exposure_s:s} or shorter.
turn-camera: Turn the camera by a quarter and record again: a shape that turns with it is the
    camera's own.
focus-runs: Record a run inside and one outside of focus (measure --focus-run): they part defocus
    from air.
state-aperture: State the aperture (--set telescope.aperture_m=...).
state-drive: State the periods of the drive (--set mount.worm_period_s=[...]): what repeats with
    them is its own.
state-pixel-scale: State the pixel scale (--set camera.pixel_scale_arcsec=...).
give-times: Give the time of each frame in the headers, or state their rate (--set
    camera.frame_interval_s=...).
more-stars: Choose a field that holds four stars or more.
tap-pier: Tap the pier and record how it dies away (blursplit tap).[[ Does it ring at
    {frequency_hz:any_hz}?]]
stiffen: Find what shakes[[ at {frequency_hz:any_hz}]] and stiffen it: pier and its bolts, mount
    head, clamps, tube rings.
polar-alignment: Improve the polar alignment: the stars drift by
    {rate_arcsec_per_min:arcsec_per_min}.
service-drive: See to the drive: it swings the stars every {period_s:s}. Clean and adjust it, or let
    the mount correct it.
ventilate: Let the telescope cool, move the air in tube and dome, and keep heat away from the beam.
observe-higher: Observe higher in the sky: the airmass was {airmass:ratio}.
focus: Focus again, and once more when the temperature has changed.
collimate: Check the alignment of the optics.
finer-sampling: Use smaller pixels or a longer focal length[[: {pixel_arcsec:arcsec} a pixel hides
    the shape of the stars]].
raw-frames: Record raw frames: no centring, stacking, sharpening, stretching or scaling before
    saving.
state-optics: State the width that the optics alone give (--set
    telescope.instrument_fwhm_arcsec=...).
""")

_CHECKS = sentences("""
air-too-still: The star is as narrow as if the seeing were below {seeing_arcsec:arcsec}, which no
    site on the ground has: what was followed may be hot pixels that were moved with the images, or
    the pixel scale or the aperture is wrong; record raw frames and check both.
frames-recentred: The frames follow a star: the window was moved or the images were shifted while
    they were recorded[[ (seen by {seen_by:name})]], so motion is missing from them; switch off
    centring and alignment in the camera's program and record again.
centring-suspected: A star wanders about the middle of one pixel on both axes, as a window leaves it
    that follows it by whole pixels; one motion in forty does so by chance, and stars narrower than
    the pixels may. If centring was on, motion is missing from these frames: switch it off in the
    camera's program and record again.
frames-repeated: Frames are copies of the one before[[: {frames:count} of them, {share:percent}]];
    record at a rate that camera and disk keep up with, or remove the copies.
frames-mixed: The noise of blank sky goes on from frame to frame[[ (correlation {correlation:ratio};
    raw frames have none)]]: frames are mixtures of others; switch off averaging and noise filters
    and record again.
pixels-nonlinear: The pixel values do not follow the light[[: pixels of {level_adu:count} ADU are
    only {noise_ratio:ratio} times as noisy as the sky]][[: bright stars are {wider_by:percent}
    wider than faint ones]][[: a star's light grows as its image widens (slope {flux_slope:ratio}, 0
    where values follow the light)]]; record without gamma, stretch or compression.
pixels-filtered: The noise of neighbouring pixels goes together[[ (correlation {correlation:ratio};
    raw frames have none)]]: the frames were smoothed, sharpened or compressed; use the frames as
    the camera made them.
noise-unclear: The noise of blank sky goes together from pixel to pixel or from frame to frame, and
    the field wanders too much to tell drifting faint stars from a filter: make sure that these
    frames were not averaged, filtered or aligned before they were saved.
scale-disputed: The pixel scale is disputed[[: {low_arcsec:arcsec} by {low_from:name},
    {high_arcsec:arcsec} by {high_from:name}]], and every width and motion goes with it; state
    camera.pixel_scale_arcsec.
stars-trailed: All stars are elongated alike[[ by {elongation:ratio} at {angle_deg:deg}]], more than
    air can make: they moved during the exposure or the optics are astigmatic, and only their narrow
    side bounds the air; expose less, or check tracking and collimation.
pointing-stepped: The pointing stepped[[ by {step_px:px} after {at_s:s}]] and stayed there; look for
    a mirror that shifts, a cable that pulls or a knock, and measure the parts apart.
widths-changed: The stars were [[{times:ratio} times ]]as wide in one part of the run as in another:
    the focus moved or the air changed, and one width speaks for both; keep the focus as it is while
    frames are recorded, or measure the parts apart.
rows-delayed: Rows were read one after another[[, {row_time_us:figure} ({low_us:figure} to
    {high_us:figure}) µs from row to row by the shaking at {frequency_hz:hz}, if that is its true
    frequency]]: as long as the row time is not stated some of the shaking passes for air; state
    camera.row_time_us as the camera's maker gives it[[ and camera.row_order, by these frames
    {row_order:name}]].
pixels-not-checked: Only positions were given, so nothing tells whether the frames were raw:
    averaged, filtered, stretched and trailed frames and patterns that a moving window leaves show
    in pixels alone; measure the frames themselves.
times-impossible: The times of the frames cannot be true[[: {interval_s:s} apart, and
    {standing_share:percent} of them do not advance]]; give the true times, or the interval as
    camera.frame_interval_s.
""")

_EVIDENCE = (MASK, FOCUS, DRIVE, SENSOR, SECOND_CAMERA, TAP, PIER, EVIDENCE)
_SUBJECTS = (FRAMES, PROSPECTS, *_EVIDENCE, PLAN, WATCH, COMPARE, ACCEPT, PHRASES)

TEMPLATES: dict[str, str] = {
    **_HEADLINES,
    **_REASONS,
    **_NEXT,
    **_CHECKS,
    **{code: text for table in _SUBJECTS for code, text in table.items()},
}

# --- cautions -----------------------------------------------------------------------------------

_LOADS = (
    "Loads: a pier, footing or floor carries people and heavy parts. Have changes to it checked "
    "by someone licensed for such work, and follow the local building code."
)
_LIFTING = (
    "Lifting: take tube and weights off in the order the maker gives, with a second person or a "
    "hoist; an unbalanced axis swings when its clutch opens."
)
_ELECTRICITY = (
    "Electricity: switch off and unplug before touching motors, fans, cables or housings; work on "
    "mains wiring belongs to a licensed electrician."
)
_LASER = (
    "Laser: keep the beam below eye level, never look into it or its reflections, and never point "
    "it at the sky where aircraft may be."
)
_SUN = "Sun: by day keep every aperture, the finder's too, covered; one unfiltered look blinds."
_MOVING = "Moving parts: lead cables and mounts so that no axis can pull or trap them."

CAUTIONS_OF: dict[str, tuple[str, ...]] = {
    "stiffen": (_LOADS, _LIFTING),
    "tap-pier": (_LOADS, _SUN),
    "service-drive": (_ELECTRICITY, _LIFTING),
    "ventilate": (_ELECTRICITY, _SUN),
    "collimate": (_LASER, _SUN),
    "sensor": (_MOVING,),
    "second-camera": (_LIFTING, _MOVING),
    "polar-alignment": (_LIFTING,),
    "finer-sampling": (_LIFTING,),
}


class _Said(Protocol):
    @property
    def code(self) -> str: ...
    @property
    def facts(self) -> Mapping[str, Any]: ...


def text_of(remark: _Said) -> str:
    """Return the sentence of a remark from its code and facts.

    A code that has no sentence here, as from a newer version, keeps the text that came with it.
    """
    facts = remark.facts
    value = facts.get(VARIANT_FACTS.get(remark.code, ""))
    variant = f"{value:g}" if isinstance(value, float) else str(value)
    template = TEMPLATES.get(f"{remark.code}/{variant}", TEMPLATES.get(remark.code))
    if template is None:
        return plain(getattr(remark, "text", "") or remark.code.replace("-", " "))

    def optional(part: re.Match[str]) -> str:
        names = re.findall(r"\{(\w+):", part[1])
        return part[1] if all(facts.get(name) is not None for name in names) else ""

    def fill(part: re.Match[str]) -> str:
        fact = facts.get(part[1])
        return UNKNOWN if fact is None else KINDS[part[2]](fact)

    kept = re.sub(r"\[\[(.*?)\]\]", optional, template)
    return re.sub(r"\{(\w+):(\w+)\}", fill, kept)


def sentence(code: str, **facts: float | str | list[float] | None) -> str:
    """Return the sentence of a code with these facts."""
    return text_of(Remark.of(code, **facts))


def said(code: str, **facts: float | str | list[float] | None) -> Remark:
    """Return a remark with its sentence."""
    return Remark(code=code, facts=facts, text=sentence(code, **facts))


def put_in_words(told: Result | Iterable[Remark]) -> None:
    """Write its sentence into each remark, of a result into its headline too."""
    if isinstance(told, Result):
        verdict = told.verdict
        verdict.headline = sentence(verdict.headline_code, **verdict.headline_facts)
        told = (*verdict.reasons, *verdict.next, *told.checks, *told.warnings)
    for remark in told:
        remark.text = text_of(remark)


def _duration(seconds: float) -> str:
    """Return a time in the unit that reads best."""
    if seconds < 120:  # noqa: PLR2004 - longer times read better in minutes
        return f"{setting(float(f'{seconds:.2g}'))} s"
    minutes = seconds / 60.0
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60.0:.1f} h"  # noqa: PLR2004


KINDS: dict[str, Callable[[Any], str]] = {
    "arcsec": lambda value: f"{figure(value)} arcsec",
    "figure": figure,
    "estimate": lambda ends: estimate_text(Estimate.of_fact(ends), "arcsec", finest=2),
    "estimate_px": lambda ends: estimate_text(Estimate.of_fact(ends), "px", finest=2),
    "px": lambda value: f"{figure(value)} px",
    "hz": lambda value: f"{figure(value)} Hz",
    "s": _duration,
    "ms": lambda value: f"{setting(float(f'{1000.0 * value:.3g}'))} ms",
    "exposure": lambda v: f"{setting(v)} s" if v >= 1 else KINDS["ms"](v),
    "rate": lambda value: f"{setting(value)} frames/s",
    "metres": lambda value: f"{figure(value)} m",
    "mm": lambda value: f"{1000.0 * value:.0f} mm",
    "deg": lambda value: f"{value:.0f} deg",
    "percent": probability,
    "arcsec_per_min": lambda value: f"{figure(value)} arcsec/min",
    "nights": lambda value: f"{value:.0f} night{'s' * (value != 1)}",
    "count": lambda value: f"{value:.0f}",
    "ratio": lambda value: f"{value:.2f}",
    "given": lambda value: f"{value:g}",  # as a header or a focuser has it, in its own unit
    "long_s": lambda v: f"{number(v, 2)} s" if v < 1000 else f"{number(v / 60, 2)} min",  # noqa: PLR2004
    "rough": lambda value: f"{value:.3g}",
    "rough_hz": lambda value: f"{value:.3g} Hz",
    "precise_hz": lambda value: f"{value:.4g} Hz",
    "precise_s": lambda value: f"{value:.6g} s",
    "fine_percent": lambda value: f"{100.0 * value:.1f} %",
    "signed_percent": lambda value: f"{100.0 * value:+.0f} %".replace("-", "−"),
    "exact_hz": lambda value: f"{value:.2f} Hz",
    "magnitude": lambda value: f"{value:.1f}",
    "fine": lambda value: number(value, 2),
    "turns": number,
    "fine_arcsec": lambda value: f"{number(value, 2)} arcsec",  # may lie below a thousandth
    "each_percent": lambda values: " and ".join(probability(value) for value in values),
    "each_figure": lambda values: ", ".join(figure(value) for value in values),
    "each_s": lambda values: ", ".join(f"{value:.2f} s" for value in values),
    "each_hz": lambda values: ", ".join(f"{setting(value)} Hz" for value in values),
    "any_hz": lambda values: " or ".join(
        f"{figure(value)} Hz" for value in ([values] if isinstance(values, float) else values)
    ),
    "each_m": lambda values: ", ".join(f"{setting(value)} m" for value in values),
    "each_arcsec": lambda values: ", ".join(f"{setting(value)} arcsec" for value in values),
    # set, not measured: as many digits as were given
    "set_arcsec": lambda value: f"{setting(value)} arcsec",
    "set_percent": lambda value: f"{setting(100.0 * value)} %",
    "set_s": lambda value: f"{setting(value)} s",
    "cure": lambda value: _CURED.get(value, plain(value)),
    "owner": lambda value: _OWNERS.get(value, plain(value)),
    "motion": lambda value: _MOTIONS.get(value, plain(value)),
    "name": plain,
}
