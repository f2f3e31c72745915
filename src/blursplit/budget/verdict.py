"""What the numbers say in words: which contribution is largest, what was found, what to do next.

Nothing here claims a cause that was not measured; where the draws do not agree on one
contribution the verdict is "undecided" and the next step says which measurement would decide.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.doubts import what_keeps_it_open
from blursplit.result import CONTRIBUTIONS, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from blursplit.budget.facts import Facts
    from blursplit.budget.split import Split
    from blursplit.estimate import Estimate
    from blursplit.result import Contribution, Line, Result

DECIDED = 0.9  # design, section 2
LEAST_RMS_ARCSEC = 0.01
CONTRADICTED = (
    "The model that fits the motion best makes the star more than twice as wide, or less than half "
    "as wide, as it was recorded: no budget is drawn up from it, and the cause of the width is "
    "undecided."
)
STILL_LARGE = 0.15  # share of the width worth acting on
NAMES: dict[Contribution, str] = {
    "atmosphere": "turbulent air",
    "tracking": "tracking",
    "structure": "ringing of the structure",
    "unassigned": "shared motion of open cause",
    "instrument": "the instrument itself",
}
MEASURED_BY_FEW = {
    2: "Two stars: what they do differently along the line that joins them is air, free of "
    "vibration; across that line a turning field would look the same, so it is not used.",
    3: "Three stars: shift, rotation and scale are taken out of every frame, and the two numbers "
    "that are left are air, free of vibration.",
}


@dataclass
class Evidence:
    """What there was to judge by.

    Parameters
    ----------
    stars : int
    pairs : int
        Star pairs with enough frames in common.
    has_spectra : bool
    has_star_image : bool
    instrument_known : bool
    structure_limit_arcsec : float or None
        Smallest damped mode (rms, both axes) that would have been found.
    bounds_crossed : bool
        Lower bound on the air above the upper one.
    frames_disagree, frames_contradict : bool
        Modelled and measured recorded width apart by more than their errors allow, or by so
        much that the model is not believed.
    has_mask : bool
        One star seen twice through a mask; the two images count as one star.
    barred : str or None
        Why nothing may be said of the air.
    notes, steps : list of str
        Further doubts in words, and what would settle them.
    """

    stars: int
    pairs: int
    has_spectra: bool
    has_star_image: bool
    instrument_known: bool
    structure_limit_arcsec: float | None = None
    bounds_crossed: bool = False
    frames_disagree: bool = False
    frames_contradict: bool = False
    has_mask: bool = False
    barred: str | None = None
    notes: list[str] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)


def judge(result: Result, split: Split | None, facts: Facts, evidence: Evidence) -> Verdict:
    """Return the verdict.

    Parameters
    ----------
    result : Result
        With all its other parts filled in.
    split : Split or None
        None when no budget could be drawn up.
    facts : Facts
    evidence : Evidence
    """
    if split is None:
        return Verdict(
            statement=_no_budget(result, facts, evidence),
            findings=_findings(result, evidence),
            reasons=_reasons(result, evidence),
            next=next_steps(result, facts, evidence, None),
        )
    table = np.stack([split.share[part] for part in CONTRIBUTIONS], axis=1)
    largest = np.bincount(np.argmax(table, axis=1), minlength=len(CONTRIBUTIONS)) / len(table)
    best = int(np.argmax(largest))
    decided = largest[best] >= DECIDED and not evidence.bounds_crossed
    dominant = CONTRIBUTIONS[best] if decided else "undecided"
    doubt = what_keeps_it_open(dominant, result)
    if doubt is not None:
        dominant = "undecided"
        evidence.notes.append(doubt)
    from blursplit.budget.assemble import share_estimates

    return Verdict(
        dominant=dominant,
        probability=float(largest[best]),
        shares=share_estimates(split),
        findings=_findings(result, evidence),
        statement=_statement(result, split, dominant, largest, evidence),
        reasons=_reasons(result, evidence),
        next=next_steps(result, facts, evidence, split),
    )


def _number(estimate: Estimate | None, unit: str = "arcsec", digits: int = 2) -> str:
    if estimate is None:
        return "unknown"
    if estimate.value is None:
        return f"below {estimate.high:.{digits}f} {unit} (95 %)"
    low, high = f"{estimate.low:.{digits}f}", f"{estimate.high:.{digits}f}"
    return f"{estimate.value:.{digits}f} {unit} ({low} to {high})"


def _statement(
    result: Result, split: Split, dominant: str, largest: np.ndarray, evidence: Evidence
) -> str:
    recorded = _number(result.fwhm.recorded_arcsec)
    if evidence.has_mask:
        recorded += " through one opening of the mask"
    if dominant == "undecided":
        order = np.argsort(largest)[::-1]
        likely = [NAMES[CONTRIBUTIONS[i]] for i in order[:2] if largest[i] > 0.05]  # noqa: PLR2004
        between = " or ".join(likely)
        return (
            f"Of the recorded width of {recorded}, no contribution is the largest beyond doubt: "
            f"undecided, most likely {between}."
        )
    part: Contribution = dominant  # type: ignore[assignment]
    low, share, high = np.percentile(100.0 * split.share[part], (15.865, 50.0, 84.135))
    return (
        f"The largest part of the recorded width of {recorded} is {NAMES[part]}: "
        f"{share:.0f} % ({low:.0f} to {high:.0f} %) of it."
    )


def _no_budget(result: Result, facts: Facts, evidence: Evidence) -> str:
    lines = _line_words(result.lines)
    found = f" Shared lines: {lines}." if lines else ""
    if evidence.barred is not None:
        return f"Nothing is said of the air: {evidence.barred}. The width is undecided." + found
    if evidence.frames_contradict:
        return CONTRADICTED + found
    return _what_is_missing(facts, evidence) + found


def _what_is_missing(facts: Facts, evidence: Evidence) -> str:
    if facts.scale_arcsec is None:
        return (
            "Without a pixel scale nothing can be said in arcsec; motion and lines are given in "
            "pixels. The cause of the width is undecided."
        )
    if facts.optics is None:
        return (
            "Without an aperture the air's part cannot be computed; motion, widths and lines are "
            "given. The cause of the width is undecided."
        )
    if not facts.within_record:
        return "The blur time asked for is longer than the record: undecided."
    if facts.is_long:
        return (
            "Frames this long hide what moved during them: shared motion between frames is "
            "given, the cause of the width is undecided."
        )
    if not evidence.has_spectra:
        return "Too few frames for spectra: the cause of the width is undecided."
    return "The cause of the width is undecided."


def _line_words(lines: Sequence[Line]) -> str:
    words = []
    for line in lines[:4]:
        size = line.rms_arcsec if line.rms_arcsec is not None else line.rms_px
        unit = "arcsec" if line.rms_arcsec is not None else "px"
        words.append(f"{_number(line.frequency_hz, 'Hz')} of {_number(size, unit)} rms")
    return "; ".join(words)


def _findings(result: Result, evidence: Evidence) -> dict[str, str]:
    """Say of each contribution: present, below a limit, or not shown."""
    out: dict[str, str] = {}
    lower = result.atmosphere.lower_seeing_arcsec
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    if seeing is None and lower is None:
        out["atmosphere"] = "not shown: this record cannot measure it"
    elif evidence.has_mask and seeing is not None:
        out["atmosphere"] = (
            f"present: the mask shows seeing of {_number(seeing)} (500 nm, zenith), free of "
            "vibration"
        )
    elif lower is not None and lower.low95 is not None and lower.low95 > 0.05:  # noqa: PLR2004
        out["atmosphere"] = (
            f"present: pairs alone show seeing of at least {lower.low95:.2f} arcsec "
            "(500 nm, zenith, 95 %)"
        )
    else:
        bound = (
            "" if result.atmosphere.upper_seeing_arcsec is None else "; the star image bounds it"
        )
        out["atmosphere"] = "not shown by pairs of stars" + (bound and bound + " from above")
    for name in ("tracking", "structure", "unassigned"):
        part = getattr(result, name)
        rms = part.rms_major_arcsec
        if rms is None:
            out[name] = "not shown: this record cannot measure it"
        elif rms.value is None:
            out[name] = f"below {rms.high:.2f} arcsec rms (95 %)"
        elif (rms.low95 or 0.0) >= LEAST_RMS_ARCSEC:
            out[name] = f"present: {_number(rms)} rms along its larger axis"
        else:
            out[name] = f"below {rms.high95:.2f} arcsec rms (95 %)"
    width = result.instrument.fwhm_arcsec
    out["instrument"] = (
        "not shown: this record cannot measure it"
        if width is None
        else f"present: {_number(width)} FWHM"
    )
    return out


def _reasons(result: Result, evidence: Evidence) -> list[str]:
    reasons = list(evidence.notes) if evidence.has_mask else [_what_the_stars_allow(evidence)]
    upper = result.atmosphere.upper_seeing_arcsec
    if upper is not None:
        star = "The star with its motion removed" if evidence.has_spectra else "The recorded star"
        reasons.append(
            f"{star} allows seeing of at most {(upper.high95 or 0.0):.2f} arcsec (500 nm, zenith, "
            "95 %), with a perfect instrument."
        )
    unseen = result.atmosphere.unseen_by_pairs_share
    height = result.atmosphere.unseen_below_m
    if unseen is not None and height is not None:
        reasons.append(
            f"Air much below about {height:.0f} m moves all stars alike, as a shaking pier would; "
            "the star image and the spectrum bound it, the pairs cannot."
        )
    lines = _line_words(result.lines)
    if lines:
        reasons.append(
            f"Lines in the shared motion: {lines}. Air makes no lines, so these are mechanical."
        )
    elif evidence.structure_limit_arcsec is not None:
        reasons.append(
            "No line was found; a mode of "
            f"{evidence.structure_limit_arcsec:.2f} arcsec rms or more, slower than half the frame "
            "rate and damped by 2 % of critical or less, would have been." + _what_may_hide(result)
        )
    if evidence.bounds_crossed:
        reasons.append("The evidence disagrees: pairs show more air than the star image allows.")
    if evidence.frames_disagree:
        reasons.append("Modelled and recorded width differ by more than their errors.")
    return reasons if evidence.has_mask else reasons + evidence.notes


def _what_may_hide(result: Result) -> str:
    """Say what the structure can be with the modes that look like no line."""
    most = result.structure.rms_major_arcsec
    if most is None or not most.is_limit:
        return ""
    return (
        " With modes that are damped more or folded by the frame rate, which may hide in the "
        f"motion of open cause, structure is below {most.high:.2f} arcsec rms (95 %)."
    )


def _what_the_stars_allow(evidence: Evidence) -> str:
    """Say what this number of stars can tell (design, section 1)."""
    stars, pairs = evidence.stars, evidence.pairs
    if evidence.barred is not None:
        return f"Nothing is said of the air: {evidence.barred}."
    if stars == 1:
        return (
            "One star: lines, spectrum and width, but no lower bound on the air; nothing tells "
            "air from vibration but the colour of the motion and the width that stays when it "
            "is taken out."
        )
    if not pairs:
        return f"{stars} stars, no two of them in enough frames: no lower bound on the air."
    if stars in MEASURED_BY_FEW:
        return MEASURED_BY_FEW[stars]
    return (
        f"{pairs} pairs among {stars} stars, shift, rotation and scale taken out: what they do "
        "differently is air, free of vibration, and how it grows with distance says how high "
        "that air is."
    )


def next_steps(result: Result, facts: Facts, evidence: Evidence, split: Split | None) -> list[str]:
    """Return what would decide or help most, most useful first."""
    steps = []
    if facts.scale_arcsec is None:
        steps.append("Give the pixel scale: --set camera.pixel_scale_arcsec=...")
    if facts.optics is None and evidence.barred is None:
        steps.append("Give the aperture: --set telescope.aperture_m=...")
    if facts.is_long or not evidence.has_spectra:
        steps.append(
            "Record 60 to 120 s of 2 to 10 ms frames of a star field, guiding off; "
            "`blursplit plan` gives the numbers for your telescope."
        )
    from_focus = result.instrument.optics_from == "focus positions"
    if split is not None and not (evidence.instrument_known or from_focus):
        steps.append(
            "Measure the instrument's own width (a steady night, or an artificial star) and set "
            "telescope.instrument_fwhm_arcsec, or add runs at other focus positions "
            "(--focus-run): it halves the doubt about the air."
        )
    alone = evidence.stars < 4 and not evidence.has_mask  # noqa: PLR2004
    if alone and not facts.is_long and evidence.barred is None:
        steps.append(
            "Record a field with four or more stars, or put a mask with two openings before the "
            "telescope (`blursplit plan`): it measures the air free of vibration."
        )
    if split is not None and result.lines:
        steps.append(
            "Tap the pier gently while recording (`blursplit tap`) and see whether it rings at "
            "the frequencies found; predict them with `blursplit pier`."
        )
    unassigned = result.unassigned.rms_major_arcsec
    if unassigned is not None and unassigned.value is not None:
        steps.append(
            "Shared motion of open cause was found: compare a run with the tube fan on and off, "
            "and one sheltered from wind."
        )
    steps += _drift_steps(result, split) + _shock_steps(result, evidence)
    return steps + evidence.steps


def _shock_steps(result: Result, evidence: Evidence) -> list[str]:
    """Advise where the motion came in shocks, which no steady spectrum describes."""
    shocks = [event for event in result.events if event.kind != "gust"]
    if not (shocks and evidence.frames_disagree):
        return []
    return ["The motion came in shocks: `blursplit tap` on this run measures how each rings down."]


def _drift_steps(result: Result, split: Split | None) -> list[str]:
    drift = result.tracking.drift_arcsec_per_min
    if drift is None or split is None or float(np.median(split.share["tracking"])) <= STILL_LARGE:
        return []
    if drift.value is not None:
        return ["Check polar alignment and drive; drift is a large part of the width."]
    longer = (
        "Record for several minutes: a drift goes on, while slow currents turn back; in this run "
        "they cannot be told apart."
    )
    return [longer]
