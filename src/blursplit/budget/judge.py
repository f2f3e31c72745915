"""The verdict: whether each cure matters, what to say first, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.budget.answer import Readings
from blursplit.definitions import CURES
from blursplit.estimate import Estimate
from blursplit.evidence.second_camera import witness_baseline_m
from blursplit.evidence.sensor_record import MOTION_SENSORS, accelerometer_noise_ug
from blursplit.result import Answer, Check, Facts, NextStep, Remark, Result, Verdict
from blursplit.types import sure

_SINGLE = ("tracking", "structure", "near_air", "optics")
_WITHOUT = {
    "tracking": "without_tracking_arcsec",
    "structure": "without_structure_arcsec",
    "mechanics": "without_both_arcsec",
}
_VOIDED_BY = {  # what a voided quantity takes with it
    "motion": ("tracking", "structure", "mechanics", "near_air"),
    "widths": tuple(CURES),
    "seeing": ("atmosphere", "near_air"),
}


@dataclass(frozen=True)
class Findings:
    """What the verdict needs beside the readings: conditions and single findings, no words."""

    level: str  # "split", "widths" or "positions"
    exposure_s: float | None
    duration_s: float
    airmass: float
    stars: int
    # `optics_stated`, `drive_stated`, `steady_blur`: whether the optics' width was stated or
    # measured, whether anything is known of the drive, and whether a constant blur may be a
    # vibration.
    optics_stated: bool = False
    drive_stated: bool = False
    steady_blur: bool = False
    converged: bool = True
    r_hat: float | None = None
    pixel_arcsec: float | None = None
    checks: tuple[Check, ...] = ()
    remarks: tuple[Remark, ...] = ()  # reasons of the stages before
    missing: tuple[str, ...] = ()

    def verdict(
        self, result: Result, readings: Readings | None, worth_arcsec: float | None
    ) -> Verdict:
        """Return the verdict; without readings or a width, of positions alone."""
        recorded = result.fwhm.recorded_arcsec
        if readings is None or recorded is None or recorded.value is None:
            return _judge_positions(result, self, worth_arcsec)
        return _judge_widths(result, readings, self, _worth_of(recorded.value, worth_arcsec))


def _worth_of(recorded_arcsec: float | None, asked_arcsec: float | None) -> float:
    """Return the saving that counts as worth a cure [arcsec]."""
    if asked_arcsec is not None:
        return asked_arcsec
    return max(const.LEAST_WORTH_ARCSEC, const.WORTH_SHARE * (recorded_arcsec or 0.0))


def _judge_widths(
    result: Result, readings: Readings, found: Findings, worth_arcsec: float
) -> Verdict:
    """Return the verdict of a run whose widths are known."""
    recorded = sure(sure(result.fwhm.recorded_arcsec).value)  # this level has widths
    low, high, matters = {}, {}, {}
    for cure, saved in readings.saving.items():
        least, most = recorded * saved.T
        low[cure] = float(np.mean(least > worth_arcsec))
        high[cure] = float(np.mean(most > worth_arcsec))
        matters[cure] = _answer(low[cure], high[cure])
    if "yes" in (matters["tracking"], matters["structure"]):
        # Whoever may cure both may leave one: drifts that are not there must not blur the answer.
        matters["mechanics"] = "yes"
    void = [str(c.facts.get("touches", "")) for c in found.checks if c.severity == "void"]
    for touched in " ".join(void).split():
        for cure in _VOIDED_BY.get(touched, ()):
            matters[cure] = "not asked"
    if not found.converged:
        matters = dict.fromkeys(matters, "not asked")
    code, facts = _headline(result, readings, matters, found, recorded, worth_arcsec)
    return Verdict(
        level=found.level,
        worth_arcsec=worth_arcsec,
        matters=matters,
        probability_low=low,
        probability_high=high,
        largest=_largest(readings),
        headline_code=code,
        headline_facts=facts,
        reasons=list(_reasons(result, found)),
        next=_next_steps(result, readings, matters, found, recorded),
    )


def _judge_positions(result: Result, found: Findings, worth_arcsec: float | None) -> Verdict:
    """Return the verdict of a run that has positions alone.

    In the band that the frames show, a Gaussian path of the shared motion's size adds at most its
    own FWHM to a star of any width; what is faster than the exposure stays open.
    """
    worth = _worth_of(None, worth_arcsec)
    motion = result.open.motion_rms_major_arcsec
    width = result.fwhm.recorded_arcsec
    facts: Facts = {}
    if width is not None and width.value is not None:
        facts = {"width": "measured", "width_arcsec": width.value}
    answer: Answer = "open"
    if result.open.band_hz is not None:
        facts["band_low_hz"], facts["band_high_hz"] = result.open.band_hz
    if motion is not None and motion.high95 is not None:
        added = const.FWHM_PER_SIGMA * motion.high95
        facts |= {"added_arcsec": added}
        if motion.value is None:
            facts["most_arcsec"] = motion.high95
        else:
            facts["rms_arcsec"] = _ends(motion, motion.value)
        answer = "no" if added < worth else "open"
    else:
        shared = result.motion.common_rms_x_px, result.motion.common_rms_y_px
        known = [size for size in shared if size is not None and size.value is not None]
        if known:
            largest = max(known, key=lambda size: sure(size.value))
            facts["rms_px"] = largest.as_fact()
    if any(check.severity == "void" for check in found.checks):
        answer = "not asked"
    matters = dict.fromkeys(("tracking", "structure", "mechanics"), answer)
    matters |= {"near_air": "open", "optics": "open", "atmosphere": "open"}
    steps = [NextStep(code=code, facts=_facts_of(code, found)) for code in found.missing]
    if not steps:
        steps = [NextStep(code="raw-frames")]
    if found.exposure_s is None:
        steps.append(NextStep(code="give-times"))
    return Verdict(
        level="positions",
        worth_arcsec=worth,
        matters=matters,
        headline_code="positions-only",
        headline_facts=facts,
        reasons=list(_reasons(result, found)),
        next=steps,
    )


def _answer(low: float, high: float) -> Answer:
    if low >= const.SURE:
        return "yes"
    return "no" if 1.0 - high >= const.SURE else "open"


def _largest(readings: Readings) -> list[str]:
    """Which cures may save most, with more than 5 % each, either reading counting alike."""
    saved = np.stack([readings.saving[cure] for cure in _SINGLE])  # (cure, draw, reading)
    first = np.argmax(saved, axis=0).ravel()
    chance = np.bincount(first, minlength=len(_SINGLE)) / first.size
    return [_SINGLE[i] for i in np.argsort(-chance) if chance[i] > const.LARGEST_CHANCE]


def _headline(
    result: Result,
    readings: Readings,
    matters: Mapping[str, Answer],
    found: Findings,
    recorded: float,
    worth: float,
) -> tuple[str, Facts]:
    if not found.converged:
        return "not-converged", {"r_hat": found.r_hat}
    void = next((c for c in found.checks if c.severity == "void"), None)
    if void is not None and matters["mechanics"] == "not asked":
        return "not-asked", {"check": void.code}
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    facts: Facts = {"width_arcsec": recorded, "worth_arcsec": worth}
    if seeing is not None and seeing.value is not None:
        facts["seeing_arcsec"] = _ends(seeing, seeing.value)
    saved = {cure: float(np.median(s)) * recorded for cure, s in readings.saving.items()}
    wins = [cure for cure in _SINGLE if matters[cure] == "yes"]
    if matters["mechanics"] == "yes" and len(set(wins) & {"tracking", "structure"}) != 1:
        wins = [w for w in wins if w not in {"tracking", "structure"}] + ["mechanics"]
    if wins:
        best = max(wins, key=saved.__getitem__)
        low, high = readings.saving[best].T
        left = getattr(result.fwhm, _WITHOUT[best]) if best in _WITHOUT else None
        left = left or Estimate.between(recorded * (1.0 - high), recorded * (1.0 - low))
        without = _ends(sure(left), recorded * (1.0 - float(np.median(low))))
        return "cure-matters", {**facts, "cure": best, "without_arcsec": without}
    if matters["mechanics"] == "no":
        return "no-cure-matters", {**facts, "cure": "mechanics"}
    most = float(np.percentile(readings.saving["mechanics"][:, 1], 95.0)) * recorded
    facts |= {"cure": "mechanics", "near_air": matters["near_air"]}
    return "open", {**facts, "up_to_arcsec": max(most, 0.0)}


def _ends(estimate: Estimate, value: float) -> list[float]:
    """Return a value that lies in an estimate's interval, and the ends of its 68 %."""
    return [value, min(sure(estimate.low), value), max(sure(estimate.high), value)]


def _reasons(result: Result, found: Findings) -> list[Remark]:
    out = list(found.remarks)
    sized = [(line.rms_arcsec, line) for line in result.lines if line.rms_arcsec is not None]
    mechanical = [(rms, line) for rms, line in sized if rms.value]
    if mechanical:
        rms, strongest = max(mechanical, key=lambda pair: pair[0].value or 0.0)
        facts: Facts = {"count": len(mechanical), "strongest_hz": strongest.likely_hz}
        facts["strongest_odds"] = strongest.likely_odds
        facts |= {"rms_arcsec": rms.value, "low": rms.low, "high": rms.high}
        out.append(Remark.of("lines-found", **facts, cause=strongest.cause))
    elif result.structure.undetected_rms_arcsec is not None and result.structure.band_hz:
        facts = {"limit_rms_arcsec": result.structure.undetected_rms_arcsec}
        facts["band_low_hz"], facts["band_high_hz"] = result.structure.band_hz
        out.append(Remark.of("no-line-found", **facts))
    for code, fact, size in (
        ("pairs-show-air", "seeing_arcsec", result.atmosphere.lower_seeing_arcsec),
        ("open-motion", "rms_arcsec", result.open.motion_rms_major_arcsec),
        ("drift-found", "rate_arcsec_per_min", result.tracking.drift_arcsec_per_min),
        ("near-air", "saving_arcsec", result.near_air.saving_arcsec),
        ("steady-blur-open", "fwhm_arcsec", result.open.constant_blur_arcsec),
    ):
        if size is not None and size.value:
            out.append(Remark.of(code, **{fact: size.value, "low": size.low, "high": size.high}))
    if found.stars in (1, 2):
        out.append(Remark.of(("one-star", "two-stars")[found.stars - 1]))
    if found.steady_blur and found.exposure_s is not None:
        out.append(Remark.of("faster-than-exposure", exposure_s=found.exposure_s))
    if found.level != "positions" and not found.optics_stated:
        out.append(Remark.of("optics-unstated"))
    return out


class _Steps:
    """Steps with the arcsec that each could save or decide."""

    def __init__(self, readings: Readings, recorded: float) -> None:
        self._readings, self._recorded = readings, recorded
        self._best: dict[str, NextStep] = {}

    def add(self, code: str, gain: float, **facts: float | str | list[float] | None) -> None:
        """Add a step; of one named twice the larger gain counts."""
        step = NextStep(code=code, gain_arcsec=max(gain, 0.0), facts=dict(facts))
        known = self._best.get(code)
        if known is None or (known.gain_arcsec or 0.0) < (step.gain_arcsec or 0.0):
            self._best[code] = step

    def saved(self, cure: str) -> float:
        """Return what a cure saves in the low reading [arcsec]."""
        return float(np.median(self._readings.saving[cure][:, 0])) * self._recorded

    def undecided(self, cure: str) -> float:
        """Return the range of a cure's saving over both readings [arcsec]."""
        low, high = np.percentile(self._readings.saving[cure], [5.0, 95.0])
        return float(high - low) * self._recorded

    def in_order(self) -> list[NextStep]:
        """Return the steps, the largest first."""
        return sorted(self._best.values(), key=lambda step: -(step.gain_arcsec or 0.0))


def _next_steps(
    result: Result,
    readings: Readings,
    matters: Mapping[str, Answer],
    found: Findings,
    recorded: float,
) -> list[NextStep]:
    """Return what to do next, by the arcsec it could save or decide, the largest first."""
    steps = _Steps(readings, recorded)
    _add_cures(steps, result, matters)
    _add_witnesses(steps, result, matters, found)
    for code in found.missing:
        steps.add(code, 0.5 * recorded, **_facts_of(code, found))
    if matters["mechanics"] == "no" and found.airmass > const.AIRMASS_TO_MENTION:
        gain = recorded * (1.0 - found.airmass**-0.6)
        steps.add("observe-higher", gain, airmass=found.airmass)
    return steps.in_order()


def _facts_of(code: str, found: Findings) -> Facts:
    """Return what the words of a step name: how long a run, or how short the exposures."""
    if code == "longer-run":
        return {"duration_s": const.LONGER_RUN * found.duration_s}
    if code == "finer-sampling":
        return {"pixel_arcsec": found.pixel_arcsec}
    if code == "shorter-exposure" and found.exposure_s is not None:
        return {"exposure_s": min(const.EXPOSURE_TO_TRY_S, 0.1 * found.exposure_s)}
    return {}


def _add_cures(steps: _Steps, result: Result, matters: Mapping[str, Answer]) -> None:
    if matters["tracking"] == "yes":
        drift = result.tracking.drift_arcsec_per_min
        gain = steps.saved("tracking")
        if drift is not None and drift.value is not None:
            steps.add("polar-alignment", gain, rate_arcsec_per_min=drift.value)
        for term in result.tracking.periodic:
            if term.amplitude_arcsec is not None and term.amplitude_arcsec.value is not None:
                steps.add("service-drive", gain, period_s=term.period_s)
    if matters["structure"] == "yes":
        ringing = [line.likely_hz for line in result.lines if line.kind == "resonance"]
        strongest = ringing[0] if ringing else None
        steps.add("tap-pier", steps.saved("structure"), frequency_hz=strongest)
        steps.add("stiffen", steps.saved("structure"), frequency_hz=strongest)
    if matters["near_air"] == "yes":
        steps.add("ventilate", steps.saved("near_air"))
    if matters["optics"] == "yes":
        steps.add("focus", steps.saved("optics"))
        steps.add("collimate", 0.5 * steps.saved("optics"))


def _add_of_open_motion(
    steps: _Steps, result: Result, matters: Mapping[str, Answer], found: Findings
) -> None:
    gain = max(steps.undecided("mechanics"), steps.undecided("near_air"))
    # what moves with a sensor is no air; where no shaking is in doubt it has nothing to tell
    shaking = "open" in (matters["mechanics"], matters["structure"])
    used = {witness.kind for witness in result.witnesses if witness.used}
    if found.level == "split":
        if shaking and not used & MOTION_SENSORS:
            steps.add("sensor", gain, noise_ug=_noise_needed_ug(result))
        if "second-camera" not in used:
            steps.add("second-camera", 0.9 * gain, baseline_m=_baseline_needed_m(result))
        steps.add("longer-run", 0.5 * gain, **_facts_of("longer-run", found))
        if found.stars < const.PLAN_STARS:
            steps.add("more-stars", 0.4 * gain)
    if shaking and found.steady_blur and found.exposure_s is not None:
        steps.add("shorter-exposure", gain, **_facts_of("shorter-exposure", found))


def _add_witnesses(
    steps: _Steps, result: Result, matters: Mapping[str, Answer], found: Findings
) -> None:
    if "open" in (matters["mechanics"], matters["structure"], matters["near_air"]):
        _add_of_open_motion(steps, result, matters, found)
    if matters["optics"] == "open" and not found.optics_stated:
        steps.add("focus-runs", steps.undecided("optics"))
        steps.add("state-optics", 0.9 * steps.undecided("optics"))
        if found.steady_blur:
            steps.add("turn-camera", 0.5 * steps.undecided("optics"))
    if matters["tracking"] == "open" and found.level == "split" and not found.drive_stated:
        steps.add("state-drive", 0.5 * steps.undecided("tracking"))
    elif matters["tracking"] == "open":
        steps.add("longer-run", steps.undecided("tracking"), **_facts_of("longer-run", found))


def _noise_needed_ug(result: Result) -> float | None:
    """Return the accelerometer's noise [micro-g/sqrt(Hz)] that hides a tenth of the open motion."""
    rms, band = result.open.motion_rms_major_arcsec, result.open.band_hz
    size = None if rms is None else rms.value or rms.high95
    if not size or band is None:
        return None
    return accelerometer_noise_ug(size**2 / (band[1] - band[0]))


def _baseline_needed_m(result: Result) -> float | None:
    entry = result.setup.get("aperture_m")
    return None if entry is None else witness_baseline_m(float(entry.value))
