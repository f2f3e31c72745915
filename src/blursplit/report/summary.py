"""From a result to plain texts: what the page, the terminal and notebooks say."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, NamedTuple

from blursplit import constants as const
from blursplit.errors import plain
from blursplit.estimate import Estimate
from blursplit.report.numbers import (
    UNKNOWN,
    estimate_cells,
    estimate_text,
    label_of_key,
    number,
    probability,
    setting,
    setup_text,
)
from blursplit.report.words import CAUSE_NAMES, CAUTIONS_OF, CURE_NAMES, sentence, text_of
from blursplit.result import Event, Line, NextStep, Remark, Result

_NOT_CHECKED = "pixels-not-checked"

# which image and which width show a cure; the air's and the optics' cannot be shifted out
CURED_IMAGES: dict[str, tuple[str, str, str]] = {
    "mechanics": ("without_both", "without_both_arcsec", "On a steady mount"),
    "structure": ("without_structure", "without_structure_arcsec", "Without shaking"),
    "tracking": ("without_tracking", "without_tracking_arcsec", "With perfect tracking"),
}

ANSWERS = {"yes": "worth it", "no": "not worth it", "open": "open", "not asked": "not asked"}

# which cure a step is; every other step decides something instead
_CURE_OF_STEP = {
    "stiffen": "structure",
    "polar-alignment": "tracking",
    "service-drive": "tracking",
    "ventilate": "near_air",
    "focus": "optics",
    "collimate": "optics",
}
# in the title, or of no use to a reader
_SAID_ELSEWHERE = {"object", "image_kind", "camera_name", "telescope_name", "pier_side", "binning"}
_OF_SCALE = ("focal_length_m", "pixel_um")  # only the pixel scale enters, where it is known
_ORIGINS = {"default": "assumed", "setup file": "setup"}
_KINDS_OF_EVENT = {"shock": "shock", "shocks": "several shocks", "gust": "gust"}


class _Segment(NamedTuple):
    """A piece of the bar of the width: a cause, its words, and its share of the bar."""

    name: str
    label: str
    size: str
    share: float


def _headline(result: Result) -> str:
    verdict = result.verdict
    if verdict.headline_code:
        return text_of(Remark.of(verdict.headline_code, **verdict.headline_facts))
    return plain(verdict.headline) or "Nothing is said about this sequence."


def _width(result: Result) -> tuple[Estimate | None, str]:
    if result.fwhm.recorded_arcsec is not None:
        return result.fwhm.recorded_arcsec, "arcsec"
    return result.fwhm.recorded_px, "px"


def _cure_shown(result: Result) -> str | None:
    """Return the cure whose star is shown beside the recorded one, None where none can be."""
    verdict = result.verdict
    cure = verdict.headline_facts.get("cure")
    if isinstance(cure, str):
        return cure if cure in CURED_IMAGES else None
    return None if verdict.headline_code in {"not-asked", "not-converged"} else "mechanics"


def _part_of(result: Result, cure: str) -> Any:
    return result.instrument if cure == "optics" else getattr(result, cure)


def _bar(result: Result) -> list[_Segment]:
    """Return the pieces of the recorded width, mean shares above the base; empty if not known."""
    recorded, base = result.fwhm.recorded_arcsec, result.instrument.base_fwhm_arcsec
    if recorded is None or not recorded.value or base is None or base >= recorded.value:
        return []
    width = recorded.value
    causes = ("atmosphere", "near_air", "tracking", "structure", "open", "optics")
    shares = {name: _part_of(result, name).share for name in causes}
    known = {name: max(share, 0.0) for name, share in shares.items() if share is not None}
    if not known:
        return []
    rest = 1.0 - sum(known.values())
    if rest > const.BAR_TELLS and len(known) < len(shares):
        known["untold"] = rest
    total = sum(known.values())
    sizes = {"base": base} | {
        name: (width - base) * share / total for name, share in known.items() if total > 0
    }
    places = 1 if width >= 1 else 2
    return [
        _Segment(name, CAUSE_NAMES[name], _rounded(size, places), size / width)
        for name, size in sizes.items()
        if size / width >= const.BAR_TELLS
    ]


def _rounded(size: float, places: int) -> str:
    text = f"{size:.{places}f}"
    return f"< {10**-places:g}" if float(text) == 0 else text


def _stars(result: Result) -> list[dict[str, Any]]:
    """Return the stars of the first screen: the recorded one, and one with a cure."""
    recorded, unit = _width(result)
    cells = estimate_cells(recorded, "", finest=2)
    now = {"image": "recorded", "label": "Now", "width": cells["value"], "range": cells["range68"]}
    stars: list[dict[str, Any]] = [now | {"unit": unit}]
    cure = _cure_shown(result)
    if cure is not None:
        image, name, label = CURED_IMAGES[cure]
        said = result.verdict.headline_facts.get("without_arcsec")
        # the reading that the headline speaks of
        estimate = Estimate.of_fact(said) if isinstance(said, list) else getattr(result.fwhm, name)
        cells = estimate_cells(estimate, "", finest=2)
        shown, span = cells["value"], cells["range68"]
        stated = None if estimate is None else estimate.value
        if result.verdict.headline_code == "open" and span:
            shown, span, stated = span, "", estimate.low  # where all of it is the mount's
        cured = {"image": image, "label": label, "width": shown, "range": span}
        stars.append(cured | {"unit": "arcsec", "stated_arcsec": stated})
    for star in stars:
        if star["width"] == UNKNOWN:
            star["unit"] = ""
    return stars


def _gain(result: Result, step: NextStep) -> str:
    cure = _CURE_OF_STEP.get(step.code)
    saving = None if cure is None else _part_of(result, cure).saving_arcsec
    if saving is not None and saving.value is not None:
        cells = estimate_cells(saving, "", finest=2)
        return sentence("would-save", saving=cells["value"], range=cells["range68"] or None)
    if step.gain_arcsec is None or step.gain_arcsec <= 0:
        return ""
    return sentence("would-save-up-to" if cure else "would-settle", gain_arcsec=step.gain_arcsec)


def _cautions_for(codes: Iterable[str]) -> list[str]:
    """Return the cautions that proposed steps call for, each once."""
    return list(dict.fromkeys(text for code in codes for text in CAUTIONS_OF.get(code, ())))


def _steps(result: Result) -> list[dict[str, Any]]:
    return [
        {"text": text_of(s), "gain": _gain(result, s), "cautions": _cautions_for([s.code])}
        for s in result.verdict.next
    ]


def _cures(result: Result) -> list[dict[str, Any]]:
    """Return one row for each cure: whether it matters, and what it would save."""
    verdict = result.verdict
    rows = []
    for cure, label in CURE_NAMES.items():
        part = _part_of(result, cure)
        saving = part.saving_arcsec
        answer = verdict.matters.get(cure)
        if answer is None and saving is None:
            continue
        motion = getattr(part, "rms_major_arcsec", None)
        row = {"name": cure, "label": label, "state": answer or ""}
        row["answer"] = "" if answer is None or cure == "atmosphere" else ANSWERS[answer]
        row["motion"] = "" if motion is None else estimate_text(motion, "", finest=3)
        rows.append(row | {"saving": estimate_cells(saving, "", finest=2)})
    return rows


def _widths(result: Result) -> list[tuple[str, str]]:
    fwhm, air = result.fwhm, result.atmosphere
    rows: list[tuple[str, Estimate | None, str]] = [
        ("Recorded", *_width(result)),
        ("With perfect tracking", fwhm.without_tracking_arcsec, "arcsec"),
        ("Without shaking", fwhm.without_structure_arcsec, "arcsec"),
        ("On a perfectly steady mount", fwhm.without_both_arcsec, "arcsec"),
        ("Every frame centred", fwhm.registered_arcsec, "arcsec"),
        ("All the air alone", air.fwhm_arcsec, "arcsec"),
        ("Optics", result.instrument.optics_fwhm_arcsec, "arcsec"),
        ("Seeing outside (500 nm, zenith)", air.seeing_500nm_zenith_arcsec, "arcsec"),
        ("Seeing at least, from pairs", air.lower_seeing_arcsec, "arcsec"),
        ("Seeing at most, from the centred star", air.upper_seeing_arcsec, "arcsec"),
        ("Wind of the turbulence", air.wind_m_s, "m/s"),
    ]
    return [
        (label, estimate_text(estimate, unit, finest=2 if unit == "arcsec" else None))
        for label, estimate, unit in rows
        if estimate is not None
    ]


def _motion(result: Result) -> list[tuple[str, str]]:
    motion, open_part = result.motion, result.open
    scale = result.setting("pixel_scale_arcsec")
    pair_px = [motion.pair_rms_x_px, motion.pair_rms_y_px]
    sizes = [
        (
            "Shared motion along x and y, rms",
            [motion.common_rms_x_arcsec, motion.common_rms_y_arcsec],
            [motion.common_rms_x_px, motion.common_rms_y_px],
        ),
        (
            "Star against star along x and y, rms",
            [None if size is None or not scale else size.times(scale) for size in pair_px],
            pair_px,
        ),
        ("Noise of one position, rms", [motion.noise_rms_arcsec], [motion.noise_rms_px]),
    ]
    rows = []
    for label, *units in sizes:
        for values, unit in zip(units, ("arcsec", "px"), strict=True):
            known = [_measured(size, unit) for size in values if size is not None]
            if known:
                rows.append((label, " and ".join(known)))
                break
    if open_part.motion_rms_major_arcsec is not None:
        size = estimate_text(open_part.motion_rms_major_arcsec, "arcsec")
        rows.append(("Motion without an owner, rms", size))
    if result.tracking.drift_arcsec_per_min is not None:
        rows.append(("Drift", estimate_text(result.tracking.drift_arcsec_per_min, "arcsec/min")))
    structure = result.structure
    if structure.undetected_rms_arcsec is not None:
        band = structure.band_hz
        where = "" if band is None else f", {number(band[0], 2)} to {number(band[1], 2)} Hz"
        size = number(structure.undetected_rms_arcsec, 2)
        rows.append((f"Smallest mode found, 95 %{where}", f"{size} arcsec rms"))
    return rows


def _measured(size: Estimate, unit: str) -> str:
    """Return a size no finer than two figures of it.

    An interval whose ends are the same two figures is told by its share.
    """
    value = size.value or 1.0
    text = estimate_text(size, unit, finest=max(1 - math.floor(math.log10(value)), 0))
    figures = text.split()[0]
    if size.low is not None and size.high is not None and f"({figures} to {figures})" in text:
        share = math.ceil(100.0 * max(size.high - value, value - size.low) / value)
        return f"{text.split(' (')[0]} (within {share}\N{NO-BREAK SPACE}%)"
    return text


def _line(index: int, line: Line) -> dict[str, str]:
    rms = (line.rms_arcsec, "arcsec") if line.rms_arcsec is not None else (line.rms_px, "px")
    damping = "steady" if line.kind == "steady" else UNKNOWN
    if line.damping_ratio is not None:
        damping = estimate_text(line.damping_ratio, "%", 100.0)
    odds = [*line.alias_odds, *[None] * len(line.alias_candidates_hz)]
    others = sorted(
        zip(line.alias_candidates_hz, odds, strict=False), key=lambda item: -(item[1] or 0.0)
    )
    named = [
        f"{number(frequency, 3)} Hz ({probability(odd)})"
        for frequency, odd in others
        if odd is not None and odd >= const.LEAST_ODDS_NAMED
    ]
    aliases = ", ".join(named) if len(named) > 1 else "no other"
    if line.shown_hz is not None and line.shown_hz != line.frequency_hz.value:
        aliases += f"; the frames show it at {number(line.shown_hz, 3)} Hz"
    causes = sorted(line.cause_odds.items(), key=lambda item: -item[1])
    named_causes = [
        f"{plain(cause)} ({probability(odd)})"
        for cause, odd in causes
        if odd >= const.LEAST_ODDS_NAMED
    ]
    told = "" if len(named_causes) == 1 else ", ".join(named_causes)
    return {
        "number": str(index),
        "frequency": estimate_text(line.frequency_hz, "Hz"),
        "rms": estimate_text(*rms),
        "direction": estimate_text(line.angle_deg, "deg"),
        "damping": damping,
        "chance": _chance(line.false_alarm_probability),
        "aliases": aliases,
        "odds": "" if line.likely_hz == [line.frequency_hz.value] else f", by odds {aliases}",
        "cause": told or plain(line.cause),
        "head": _head(line),
    }


def _head(line: Line) -> str:
    """Return the motion of the pier's head, empty where no lever is stated."""
    if line.head_displacement_um is None:
        return ""
    kept = line.vibration_class
    return (
        f"{estimate_text(line.head_displacement_um, 'µm')}, "
        f"{estimate_text(line.head_velocity_um_s, 'µm/s')} rms; "
        + ("keeps none of VC-A to VC-E" if kept in {None, "none"} else f"keeps {kept} by itself")
    )


def _event(index: int, event: Event) -> dict[str, str]:
    kind = _KINDS_OF_EVENT[event.kind]
    if event.kind == "shocks":
        kind += f" ({event.onsets} or more)"
    return {
        "number": str(index),
        "start": f"{event.start_s:.2f} s",
        "duration": f"{number(event.duration_s, 2)} s",
        "kind": kind,
        "peak": estimate_text(event.peak_arcsec, "arcsec"),
        "frequency": f"{number(event.frequency_hz, 2)} Hz",
    }


def _event_words(result: Result) -> list[str]:
    search = result.event_search
    if search is None:
        return []
    left = len(result.events) - const.EVENT_ROWS
    return [
        sentence(
            "events-found" if result.events else "no-event-found",
            affected=search.frames_affected,
            frames=search.frames_searched,
            peak_arcsec=search.smallest_peak_arcsec,
            window_s=search.window_s,
        ),
        *([sentence("more-events", events=left)] if left > 0 else []),
    ]


def _facts(result: Result) -> list[str]:
    sequence = result.sequence
    stars = "1 star" if sequence.stars_used == 1 else f"{sequence.stars_used} stars"
    facts = [f"{sequence.frames_used} of {sequence.frames} frames", stars]
    if sequence.frame_exposure_s is not None:
        facts.append(f"exposures of {setting(sequence.frame_exposure_s)} s")
    if sequence.duration_s is not None:
        facts.append(f"{setting(float(f'{sequence.duration_s:.3g}'))} s long")
    if result.fwhm.blur_time_s is not None:
        blur_time = setting(float(f"{result.fwhm.blur_time_s:.3g}"))
        facts.append(f"widths for an exposure of {blur_time} s")
    if sequence.start_utc:
        facts.append(f"{plain(sequence.start_utc)[:19].replace('T', ' ')} UTC")
    return facts


def _quality(result: Result) -> list[tuple[str, str]]:
    sequence, fit = result.sequence, result.fit
    counts = (("Files", sequence.files), ("Stretches without a gap", sequence.segments))
    rows = [(label, str(count)) for label, count in counts if count > 1]
    rows.append(("Time stamps", sequence.timing))
    rows += [
        (f"Left out: {plain(reason).replace('_', ' ')}", str(count))
        for reason, count in sequence.frames_dropped.items()
    ]
    if sequence.nyquist_hz is not None:
        rows.append(("Highest frequency sampled", f"{setting(sequence.nyquist_hz)} Hz"))
    if fit is not None:
        agree = "" if fit.r_hat_max is None else f"; two runs agree to R-hat {fit.r_hat_max:.3f}"
        rows.append(("Fit", plain(fit.method) + agree))
    return rows


def summarize(result: Result) -> dict[str, Any]:
    """Return the texts of a report, each number with its unit and its interval.

    Nothing is escaped for any medium, but control characters are gone.
    """
    verdict, sequence = result.verdict, result.sequence
    worth = verdict.worth_arcsec
    named = [plain(text) for text in (sequence.object, sequence.name) if text]
    checks = [{"severity": c.severity, "text": text_of(c)} for c in result.checks]
    # Where checks stand, their absence stands too: a reader takes none for raw frames.
    unmade = [text_of(w) for w in result.warnings if w.code == _NOT_CHECKED]
    checks += [{"severity": "not made", "text": text} for text in unmade]
    told = {check.code for check in result.checks} | {_NOT_CHECKED}
    warned = [text_of(w) for w in result.warnings if w.code not in told]
    reasons = [text_of(reason) for reason in verdict.reasons]
    first = _cautions_for(step.code for step in verdict.next[:1])
    later = _cautions_for(step.code for step in verdict.next[1:])
    return {
        "title": ", ".join(dict.fromkeys(named)) or "sequence",
        "headline": _headline(result),
        "facts": _facts(result),
        "stars": _stars(result),
        "bar": _bar(result),
        "steps": _steps(result),
        "cautions": [text for text in later if text not in first],
        "cautions_above": any(text in first for text in later),
        "checks": checks,
        "reasons": reasons,
        "doubts": [text for text in warned if text not in reasons],
        "worth": "" if worth is None else f"{number(worth, 2)} arcsec",
        "cures": _cures(result),
        "widths": _widths(result),
        "motion": _motion(result),
        "lines": [_line(k, line) for k, line in enumerate(result.lines, start=1)],
        "has_head": any(line.head_displacement_um is not None for line in result.lines),
        "events": [_event(k, e) for k, e in enumerate(result.events[: const.EVENT_ROWS], start=1)],
        "event_words": _event_words(result),
        "quality": _quality(result),
        "setup": [
            {
                "label": label_of_key(key),
                "value": setup_text(key, entry.value),
                "origin": _ORIGINS.get(entry.origin, entry.origin),
            }
            for key, entry in result.setup.items()
            if key not in _SAID_ELSEWHERE
            and not (key in _OF_SCALE and "pixel_scale_arcsec" in result.setup)
        ],
        "command": plain(result.command),
        "version": plain(result.version),
    }


def _chance(value: float) -> str:
    """Return a _chance of false alarm; far tails of a distribution are not told apart."""
    return "< 10⁻⁶" if value < const.SMALLEST_CHANCE_SHOWN else number(value, 2)
