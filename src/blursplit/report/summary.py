"""From a result to a plain dictionary of texts: what the page, the terminal and notebooks say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from blursplit.report.cautions import cautions_for
from blursplit.report.palette import CAUSE_NAMES
from blursplit.report.wording import (
    UNKNOWN,
    estimate_cells,
    estimate_text,
    label_of_key,
    number,
    plain,
    setting,
    setup_text,
)
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from blursplit.result import Estimate, Line, Result

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
    "both": "inferred from the model, upper ends checked on shifted and added frames",
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
    percent = f"{100 * verdict.probability:.0f} %"
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
    """Return how a contribution is known: measured, inferred, limit or unknown."""
    if name == "atmosphere":
        main = result.atmosphere.fwhm_arcsec
        return "unknown" if main is None else "limit" if main.is_limit else "inferred"
    if name == "instrument":
        main = result.instrument.fwhm_arcsec
        return "unknown" if main is None else "limit" if main.is_limit else "inferred"
    main = getattr(result, name).rms_major_arcsec
    return "unknown" if main is None else "limit" if main.is_limit else "measured"


def _budget(result: Result) -> list[dict[str, Any]]:
    from blursplit.report.figures.budget import own_widths

    widths = own_widths(result)
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
            if part.rms_minor_arcsec is not None:
                motion += " × " + estimate_text(part.rms_minor_arcsec, "arcsec")
        rows.append(
            {
                "name": name,
                "label": CAUSE_NAMES[name],
                "width": estimate_cells(widths[name], "arcsec"),
                "motion": motion,
                "saved": estimate_cells(part.saved_arcsec, "arcsec"),
                "share": estimate_cells(result.verdict.shares.get(name), "%", 100.0),
                "basis": _basis(name, result),
                "finding": plain(result.verdict.findings.get(name, "")),
            }
        )
    return rows


def _line_row(index: int, line: Line) -> dict[str, str]:
    rms = (
        estimate_text(line.rms_arcsec, "arcsec")
        if line.rms_arcsec is not None
        else estimate_text(line.rms_px, "px")
    )
    aliases = ", ".join(
        f"{number(f, 4)} Hz" + (f" ({100 * odds:.0f} %)" if odds is not None else "")
        for f, odds in zip(
            line.alias_candidates_hz,
            [*line.alias_odds, *[None] * len(line.alias_candidates_hz)],
            strict=False,
        )
    )
    causes = ", ".join(
        f"{plain(cause)} ({100 * odds:.0f} %)"
        for cause, odds in sorted(line.cause_odds.items(), key=lambda item: -item[1])
    )
    return {
        "number": str(index),
        "frequency": estimate_text(line.frequency_hz, "Hz"),
        "rms": rms,
        "direction": estimate_text(line.angle_deg, "deg"),
        "damping": estimate_text(line.damping_ratio, "%", 100.0)
        if line.damping_ratio is not None
        else ("steady" if line.kind == "steady" else UNKNOWN),
        "chance": f"{number(line.false_alarm_probability, 2)}",
        "shared": UNKNOWN
        if line.shared_probability is None
        else f"{100 * line.shared_probability:.0f} %",
        "aliases": aliases or "none",
        "cause": causes or plain(line.cause),
    }


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
            estimate_text(air.lower_seeing_arcsec, "arcsec"),
        ),
        (
            "Upper bound of the seeing, from the registered star",
            estimate_text(air.upper_seeing_arcsec, "arcsec"),
        ),
        ("Air that no pair can see", estimate_text(air.unseen_by_pairs_share, "%", 100.0)),
        ("Wind that moves the turbulence", estimate_text(air.wind_m_s, "m/s")),
    ]
    if air.unseen_below_m is not None:
        rows.append(("Pairs see nothing below about", f"{number(air.unseen_below_m, 2)} m"))
    return rows


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
        "lines": [_line_row(k, line) for k, line in enumerate(result.lines, start=1)],
        "periodic": [
            {
                "name": plain(term.name),
                "period": f"{setting(term.period_s)} s",
                "harmonic": str(term.harmonic),
                "amplitude": estimate_text(term.amplitude_arcsec, "arcsec"),
                "turns": number(term.turns_covered, 3),
            }
            for term in result.tracking.periodic
        ],
        "drift": estimate_text(result.tracking.drift_arcsec_per_min, "arcsec/min"),
        "events": [
            {
                "start": f"{number(event.start_s, 4)} s",
                "duration": f"{number(event.duration_s, 2)} s",
                "peak": f"{number(event.peak_arcsec, 2)} arcsec",
                "frames": str(event.frames),
            }
            for event in result.events
        ],
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
    rows = (
        ("Shared motion along x, rms a frame", motion.common_rms_x_px, "px"),
        ("Shared motion along y, rms a frame", motion.common_rms_y_px, "px"),
        ("Pair motion along x, rms a frame", motion.pair_rms_x_px, "px"),
        ("Pair motion along y, rms a frame", motion.pair_rms_y_px, "px"),
        ("Shared motion along x, rms a frame", motion.common_rms_x_arcsec, "arcsec"),
        ("Shared motion along y, rms a frame", motion.common_rms_y_arcsec, "arcsec"),
        ("Rotation at the field's edge, rms a frame", motion.rotation_rms_arcsec, "arcsec"),
    )
    return [(label, f"{number(value)} {unit}") for label, value, unit in rows if value is not None]
