"""From a result to a plain dictionary of texts: what the page, the terminal and notebooks say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from blursplit.plain import plain
from blursplit.report.cautions import cautions_for
from blursplit.report.event_rows import MOST_EVENTS, event_row, event_words
from blursplit.report.limits import NONE_FOUND, as_limit, is_limited, own_widths, shown_shares
from blursplit.report.line_rows import line_row
from blursplit.report.palette import CAUSE_NAMES
from blursplit.report.wording import (
    UNKNOWN,
    estimate_cells,
    estimate_text,
    label_of_key,
    number,
    probability,
    setting,
    setup_text,
)
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from blursplit.estimate import Estimate
    from blursplit.result import PeriodicTerm, Result

__all__ = ["summarize"]

SCENARIOS = (
    ("recorded", "As recorded"),
    ("without_tracking", "Tracking cured"),
    ("without_structure", "Structure cured"),
    ("without_both", "Both cured"),
)

_METHODS = {
    "frames": "measured, by shifting and adding the frames",
    "model": "inferred, from the model",
    "both": "inferred from model and shifted frames together",
}


def _title(result: Result) -> str:
    sequence = result.sequence
    named = [plain(text) for text in (sequence.object, sequence.name) if text]
    return ", ".join(dict.fromkeys(named)) or "sequence"


def _statement(result: Result) -> str:
    verdict = result.verdict
    if verdict.statement:
        return plain(verdict.statement)
    if verdict.dominant == "undecided":
        return "These data do not decide which cause gives the star most of its width."
    return f"The largest share of the star's width: {CAUSE_NAMES[verdict.dominant].lower()}."


def _certainty(result: Result) -> dict[str, str | None]:
    """Return how sure the verdict is; an undecided one says what it falls short of."""
    verdict = result.verdict
    if verdict.probability is None:
        return {"probability": None, "undecided": None}
    percent = probability(verdict.probability)
    if verdict.dominant != "undecided":
        return {"probability": f"probability {percent}", "undecided": None}
    return {
        "probability": None,
        "undecided": "A cause is named only if it has the largest share with a probability of "
        f"90 %; here the likeliest reaches {percent}.",
    }


def _widths(result: Result) -> list[dict[str, str]]:
    fwhm = result.fwhm
    rows = []
    for name, label in SCENARIOS:
        estimate: Estimate | None = getattr(fwhm, f"{name}_arcsec")
        unit = "arcsec"
        if estimate is None and name == "recorded" and fwhm.recorded_px is not None:
            estimate, unit = fwhm.recorded_px, "px"
        cells = estimate_cells(estimate, unit)
        basis = "unknown" if estimate is None else "measured"
        if estimate is not None and name != "recorded":
            basis = "measured" if fwhm.method == "frames" else "inferred"
        rows.append({"name": name, "label": label, "basis": basis, **cells})
    return rows


def _basis(name: str, result: Result) -> str:
    """Return how a contribution is known: measured, inferred, limit or unknown.

    Whatever takes part in the split is inferred: it rests on the model of air and optics. Motion
    that is read off the frames without a split, as in long subframes, is measured.
    """
    part: Any = getattr(result, name)
    air_or_optics = name in {"atmosphere", "instrument"}
    if (part.fwhm_arcsec if air_or_optics else part.rms_major_arcsec) is None:
        return "unknown"
    if is_limited(result, name):
        return "limit"
    split = air_or_optics or result.verdict.shares.get(name) is not None
    return "inferred" if split else "measured"


def _budget(result: Result) -> list[dict[str, Any]]:
    widths, shares = own_widths(result), shown_shares(result)
    rows = []
    for name in CONTRIBUTIONS:
        part: Any = getattr(result, name)
        motion = UNKNOWN
        if name == "instrument":
            motion = "none"
        elif name == "atmosphere":
            motion = estimate_text(result.atmosphere.motion_rms_arcsec, "arcsec")
        elif part.rms_major_arcsec is not None:
            motion = estimate_text(part.rms_major_arcsec, "arcsec")
            if part.rms_minor_arcsec is not None and not is_limited(result, name):
                motion += " × " + estimate_text(part.rms_minor_arcsec, "arcsec")
        share = estimate_cells(shares[name], "%", 100.0)
        if shares[name] is None and result.verdict.shares.get(name) is not None:
            share["value"] = NONE_FOUND
        saved = as_limit(part.saved_arcsec) if is_limited(result, name) else part.saved_arcsec
        rows.append(
            {
                "name": name,
                "label": CAUSE_NAMES[name],
                "width": estimate_cells(widths[name], "arcsec"),
                "motion": motion,
                "saved": estimate_cells(saved, "arcsec"),
                "share": share,
                "basis": _basis(name, result),
                "finding": plain(result.verdict.findings.get(name, "")),
            }
        )
    return rows


def _facts(result: Result) -> list[str]:
    sequence = result.sequence
    facts = [f"{sequence.frames_used} of {sequence.frames} frames", f"{sequence.stars_used} stars"]
    if sequence.stars_used == 1:
        facts[1] = "1 star"
    if sequence.frame_exposure_s is not None:
        facts.append(f"{setting(sequence.frame_exposure_s)} s exposures")
    if sequence.cadence_s:
        facts.append(f"one every {setting(sequence.cadence_s)} s")
    if sequence.duration_s is not None:
        facts.append(f"{setting(sequence.duration_s)} s long")
    if result.fwhm.blur_time_s is not None:
        facts.append(f"budget for an exposure of {setting(result.fwhm.blur_time_s)} s")
    if sequence.start_utc:
        facts.append(f"began {plain(sequence.start_utc)} UTC")
    return facts


def _atmosphere(result: Result) -> list[tuple[str, str]]:
    air = result.atmosphere
    rows = [
        (
            "Seeing at 500 nm and zenith (0.976 λ/r₀)",
            estimate_text(air.seeing_500nm_zenith_arcsec, "arcsec"),
        ),
        ("Fried's r₀ at 500 nm and zenith", estimate_text(air.r0_500nm_zenith_m, "m")),
        (
            "Lower bound of the seeing, from pairs of stars",
            _bound(air.lower_seeing_arcsec, "low95", "at least"),
        ),
        (
            "Upper bound of the seeing, from the registered star",
            _bound(air.upper_seeing_arcsec, "high95", "at most"),
        ),
        ("Air that no pair can see", estimate_text(air.unseen_by_pairs_share, "%", 100.0)),
        ("Wind that moves the turbulence", estimate_text(air.wind_m_s, "m/s")),
    ]
    if air.unseen_below_m is not None:
        rows.append(
            (
                "Pairs see less than a tenth of the air below about",
                f"{number(air.unseen_below_m, 2)} m",
            )
        )
    return rows


def _bound(estimate: Estimate | None, end: str, word: str) -> str:
    """Return a bound with the end of its 95 % interval that the sentences quote."""
    outer = None if estimate is None else getattr(estimate, end)
    text = estimate_text(estimate, "arcsec")
    return text if outer is None else f"{text}; {word} {outer:.2f} arcsec at 95 %"


def summarize(result: Result) -> dict[str, Any]:
    """Return the texts of a report, each number with its unit and its interval.

    Parameters
    ----------
    result : Result

    Returns
    -------
    dict
        Plain texts, lists and dictionaries; nothing is escaped for any medium, but control
        characters are gone.
    """
    verdict, sequence = result.verdict, result.sequence
    next_steps = [plain(step) for step in verdict.next]
    return {
        "title": _title(result),
        "statement": _statement(result),
        "dominant": verdict.dominant,
        **_certainty(result),
        "facts": _facts(result),
        "reasons": [plain(reason) for reason in verdict.reasons],
        "next": next_steps,
        "cautions": cautions_for(next_steps),
        "widths": _widths(result),
        "width_method": _METHODS[result.fwhm.method],
        "registered": estimate_text(result.fwhm.registered_arcsec, "arcsec"),
        "shape": [
            ("larger axis", estimate_text(result.fwhm.recorded_major_arcsec, "arcsec")),
            ("smaller axis", estimate_text(result.fwhm.recorded_minor_arcsec, "arcsec")),
            ("direction of the larger", estimate_text(result.fwhm.recorded_angle_deg, "deg")),
        ],
        "budget": _budget(result),
        "has_budget": any(_basis(name, result) != "unknown" for name in CONTRIBUTIONS),
        "atmosphere": _atmosphere(result),
        "evidence": [plain(text) for text in result.atmosphere.evidence],
        "lines": [line_row(k, line) for k, line in enumerate(result.lines, start=1)],
        "periodic": [
            {
                "name": plain(term.name),
                "period": f"{setting(term.period_s)} s",
                "harmonic": str(term.harmonic),
                "amplitude": estimate_text(term.amplitude_arcsec, "arcsec"),
                "whole": _whole_turn(result, term),
                "turns": number(term.turns_covered, 3),
            }
            for term in result.tracking.periodic
        ],
        "drift": estimate_text(result.tracking.drift_arcsec_per_min, "arcsec/min"),
        "events": [event_row(k, e) for k, e in enumerate(result.events[:MOST_EVENTS], start=1)],
        "event_words": event_words(result),
        "dropped": [
            (plain(reason).replace("_", " "), count)
            for reason, count in sequence.frames_dropped.items()
        ],
        "quality": _quality(result),
        "setup": [
            {
                "label": label_of_key(key),
                "value": setup_text(key, entry.value),
                "origin": entry.origin,
                "note": plain(entry.note),
            }
            for key, entry in result.setup.items()
        ],
        "warnings": [(plain(entry.code), plain(entry.text)) for entry in result.warnings],
        "motion": _motion_rows(result),
        "command": plain(result.command),
        "version": plain(result.version),
    }


def _quality(result: Result) -> list[tuple[str, str]]:
    sequence, motion = result.sequence, result.motion
    rows = [
        ("Files read", str(sequence.files)),
        ("Frames used", f"{sequence.frames_used} of {sequence.frames}"),
        ("Stars used", str(sequence.stars_used)),
        ("Stretches without a gap", str(sequence.segments)),
        ("Time stamps", sequence.timing),
    ]
    if sequence.nyquist_hz is not None:
        rows.append(("Highest frequency sampled directly", f"{setting(sequence.nyquist_hz)} Hz"))
    if motion.noise_rms_arcsec is not None:
        rows.append(
            (
                "Noise of one star's position in one frame",
                f"{number(motion.noise_rms_arcsec)} arcsec",
            )
        )
    elif motion.noise_rms_px is not None:
        rows.append(
            ("Noise of one star's position in one frame", f"{number(motion.noise_rms_px)} px")
        )
    return rows


def _motion_rows(result: Result) -> list[tuple[str, str]]:
    motion = result.motion
    entry = result.setup.get("pixel_scale_arcsec")
    scale = entry.value if entry is not None and isinstance(entry.value, (int, float)) else None
    rows = []
    for label, in_px, in_arcsec in (
        ("Shared motion along x, rms", motion.common_rms_x_px, motion.common_rms_x_arcsec),
        ("Shared motion along y, rms", motion.common_rms_y_px, motion.common_rms_y_arcsec),
        ("Motion of one star against another along x, rms", motion.pair_rms_x_px, None),
        ("Motion of one star against another along y, rms", motion.pair_rms_y_px, None),
    ):
        if in_arcsec is None and in_px is not None and scale is not None:
            in_arcsec = in_px * scale  # noqa: PLW2901 - the same quantity in the other unit
        texts = [
            f"{number(value)} {unit}"
            for value, unit in ((in_arcsec, "arcsec"), (in_px, "px"))
            if value is not None
        ]
        if texts:
            rows.append((label, texts[0] + (f" ({texts[1]})" if texts[1:] else "")))
    if motion.rotation_rms_arcsec is not None:
        rows.append(
            ("Rotation of the field, angle, rms", f"{number(motion.rotation_rms_arcsec)} arcsec")
        )
    return rows


def _whole_turn(result: Result, term: PeriodicTerm) -> str:
    """Return peak to peak of a whole turn, beside the period's first harmonic."""
    if term.harmonic != 1:
        return ""
    sizes = {c.name: c.peak_to_peak_arcsec for c in result.tracking.phase_curves}
    return estimate_text(sizes.get(term.name), "arcsec")
