"""The result: every part written down from what the stages found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.budget import diagnostics
from blursplit.budget.answer import Answer, Readings
from blursplit.budget.fit import AirFit
from blursplit.budget.histories import DriveDraws
from blursplit.budget.judge import Findings
from blursplit.budget.line_search import Lines
from blursplit.budget.lines import FoundLine
from blursplit.budget.record import Allowed, Motion
from blursplit.drive.periodic_error import read_drive
from blursplit.drive.terms import DriveRecord, DriveTerm
from blursplit.estimate import Estimate
from blursplit.evidence.guest import Record
from blursplit.facts import Facts
from blursplit.image.stack import StarImages
from blursplit.result import (
    Atmosphere,
    Check,
    Event,
    EventSearch,
    Fit,
    Fwhm,
    InstrumentPart,
    NearAir,
    Open,
    PeriodicTerm,
    Remark,
    Result,
    Saving,
    SequenceInfo,
    Structure,
    Tracking,
    Verdict,
)
from blursplit.sources import Source
from blursplit.stars.raw_checks import Check as RawCheck
from blursplit.types import FloatArray, sure


@dataclass(frozen=True)
class _Shown:
    """Which causes the record shows, each by evidence of its own."""

    tracking: bool = False
    structure: bool = False
    near_air: bool = False
    optics: bool = False


def _axes(covariance: FloatArray, facts: Facts) -> dict[str, Estimate | None]:
    """Return the larger and smaller rms and their direction."""
    values, vectors = np.linalg.eigh(covariance)
    # A straight drift has no width across itself; rounding must not pass for one.
    values = np.where(values > 1e-8 * values[:, 1:], values, 0.0)
    rms = np.sqrt(np.clip(values, 0.0, None))
    angle = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180.0
    is_round = np.mean(rms[:, 0] > const.ROUND_RATIO * rms[:, 1]) > 0.5  # noqa: PLR2004 - in most draws
    direction = None if is_round else Estimate.axial(angle)
    sky = None if direction is None else facts.position_angle_deg(angle)
    return {
        "rms_major_arcsec": Estimate.of(rms[:, 1]),
        "rms_minor_arcsec": Estimate.of(rms[:, 0]),
        "angle_deg": direction,
        "position_angle_deg": None if sky is None else Estimate.axial(sky),
    }


def _limited(part: dict[str, Estimate | None], high: FloatArray) -> dict[str, Estimate | None]:
    """Turn a size that is not shown into a limit without a direction."""
    values = np.sqrt(np.clip(np.linalg.eigvalsh(high)[:, 1], 0.0, None))
    return {**dict.fromkeys(part), "rms_major_arcsec": Estimate.limit(values)}


def _open_part(readings: Readings, facts: Facts, band_hz: tuple[float, float] | None) -> Open:
    """Return the motion, and the constant blur, whose owner stays open."""
    covariance = readings.motion_arcsec2["open"]
    part = _axes(covariance, facts)
    major, least = part["rms_major_arcsec"], const.SHOWN_SHARE * np.median(readings.width_arcsec)
    if major is None or (major.low95 or 0.0) < least:
        part = _limited(part, covariance)
    return Open(
        motion_rms_major_arcsec=part["rms_major_arcsec"],
        motion_rms_minor_arcsec=part["rms_minor_arcsec"],
        angle_deg=part["angle_deg"],
        band_hz=band_hz,
        share=readings.share["open"],
    )


def write_down(
    source: Source,
    record: Record,
    motion: Motion,
    stack: StarImages | None,
    allowed: Allowed,
    lines: Lines,
    answer: Answer,
    raw_checks: Sequence[RawCheck],
    worth_arcsec: float | None,
    command: str,
    seed: int,
) -> Result:
    """Write down what was found; nothing is changed afterwards."""
    facts = record.facts
    rng = np.random.default_rng([seed, 9])
    checks: tuple[Check, ...] = ()
    for check in raw_checks:
        told = {**check.facts, "touches": " ".join(check.touches)}
        checks += (Check(code=check.code, severity=check.severity, facts=told),)
    fwhm = _widths(facts, stack)
    recorded = fwhm.recorded_arcsec
    width = None if recorded is None else recorded.value
    events: list[Event] = []
    event_search: EventSearch | None = None
    if motion.quiet is not None and facts.scale_arcsec is not None:
        events, event_search = diagnostics.find_shared_events(motion.quiet, record.tracks.start_utc)
    parts: dict[str, Any] = {
        "motion": diagnostics.motion_part(
            record.tracks, motion.shared, motion.pairs, facts.scale_arcsec
        ),
        "fwhm": fwhm,
        "lines": [
            line.to_result(
                exposure_s=record.tracks.exposure_s or 0.0,
                in_arcsec=facts.scale_arcsec is not None,
                rng=rng,
                lever_m=record.rig.get("lever_m"),
            )
            for line in lines.found
        ],
        "events": events,
        "event_search": event_search,
        "open": _shared_motion(record, motion),
    }
    lower = _lower_seeing(answer, facts)
    if lower is not None:
        evidence = [] if record.strength is not None else ["motion of pairs"]
        parts["atmosphere"] = Atmosphere(lower_seeing_arcsec=lower, evidence=evidence)
    if answer.readings is not None:
        parts |= _split_parts(record, motion, lines, answer, sure(stack), recorded)
        parts["fwhm"] = _with_cures(fwhm, answer.readings)
    remarks = list(allowed.reasons)
    tracking = parts.get("tracking", Tracking())
    parts["tracking"], said = _with_drive(record, motion, answer, tracking, rng)
    remarks += said
    for guest in answer.guests:
        parts = guest.parts(parts)
        remarks += guest.remarks()
    remarks += _doubts(record, answer, parts, width)
    checks += _too_still(parts.get("atmosphere", Atmosphere()))
    result = Result(
        version=version("blursplit"),
        command=command,
        sequence=_sequence_info(source, record),
        setup=dict(record.rig.settings),
        checks=list(checks),
        fit=_fit_record(answer),
        **parts,
    )
    found = _findings(record, allowed, answer, checks, tuple(remarks))
    result.verdict = found.verdict(result, answer.readings, worth_arcsec)
    result.verdict.next[:0] = [step for guest in answer.guests for step in guest.steps()]
    notes = [Remark.of(code, **facts) for code, facts in record.whole.notes]
    if record.whole.pixels is None:  # silence of the checks would pass for raw frames
        notes.append(Remark.of("pixels-not-checked"))
    elif _rests_on_little_motion(result.verdict) and not (
        record.whole.pixels and record.whole.pixels.lies_still
    ):
        notes.append(Remark.of("centring-not-excluded"))
    result.warnings = [*notes, *remarks, *checks]
    return result


def _lower_seeing(answer: Answer, facts: Facts) -> Estimate | None:
    """Return the seeing that the pairs of stars ask for at least, None where they say nothing."""
    strength = answer.lower_strength
    return None if strength is None else Estimate.of(facts.seeing_arcsec(strength))


def _too_still(air: Atmosphere) -> tuple[Check, ...]:
    """Void an answer whose air is stiller than that of any site."""
    seeing = air.seeing_500nm_zenith_arcsec
    if seeing is None or seeing.high95 is None or seeing.high95 >= const.STILLEST_AIR_ARCSEC:
        return ()
    facts: dict[str, Any] = {"seeing_arcsec": seeing.high95, "touches": "motion widths seeing"}
    return (Check(code="air-too-still", severity="void", facts=facts),)


def _rests_on_little_motion(verdict: Verdict) -> bool:
    """Return whether the verdict would be another if frames had followed a star.

    A window that follows it too badly for `frames-recentred` to see leaves motion of a size that
    air may have.
    """
    return verdict.matters["mechanics"] == "no" or verdict.matters["near_air"] == "yes"


def _widths(facts: Facts, stack: StarImages | None) -> Fwhm:
    if stack is None:
        return Fwhm(blur_time_s=facts.blur_time_s)
    seen = stack.recorded_estimates()
    known: dict[str, Any] = {"blur_time_s": facts.blur_time_s, "method": "frames"}
    known["recorded_angle_deg"] = seen["angle"]
    if facts.scale_arcsec is None:
        return Fwhm(**known, recorded_px=seen["mean"])
    return Fwhm(
        **known,
        recorded_arcsec=seen["mean"],
        recorded_major_arcsec=seen["major"],
        recorded_minor_arcsec=seen["minor"],
        registered_arcsec=seen["registered"],
    )


def _shared_motion(record: Record, motion: Motion) -> Open:
    """Return all the shared motion of a record whose owners nobody could part, as a limit."""
    facts, tracks = record.facts, record.tracks
    if facts.scale_arcsec is None:
        return Open()
    most, low_hz = diagnostics.shared_motion_limit(
        tracks, motion.shared, facts.scale_arcsec, facts.blur_time_s
    )
    if most is None or not tracks.cadence_s:
        return Open()
    band = (low_hz, 0.5 / tracks.cadence_s)
    return Open(motion_rms_major_arcsec=Estimate.upper_limit(most), band_hz=band)


def _may_hide_vibration(record: Record) -> bool:
    """Return whether the frames are so long that a vibration in them looks like steady optics."""
    return (record.tracks.exposure_s or 0.0) >= const.STEADY_BLUR_EXPOSURE_S


def _split_parts(
    record: Record,
    motion: Motion,
    lines: Lines,
    answer: Answer,
    stack: StarImages,
    recorded: Estimate | None,
) -> dict[str, Any]:
    readings, histories, facts = sure(answer.readings), sure(answer.histories), record.facts
    shown = _what_is_shown(record, lines, answer)
    band = None
    if motion.grid is not None:
        band = (1.0 / motion.grid.longest_s, 0.5 / motion.grid.cadence_s)
    stated = facts.known_instrument_arcsec is not None
    optics_from = "stated width" if stated else answer.optics_source
    moves = shown.tracking or shown.structure
    parts: dict[str, Any] = {
        "tracking": _tracking_part(
            readings, histories.drive, facts, recorded, shown=shown.tracking
        ),
        "structure": _structure_part(
            readings,
            facts,
            recorded,
            shown=shown.structure,
            undetected=lines.undetected,
            longest_arcsec=stack.most_along_one_axis(),
        ),
        "mechanics": Saving(**_saving_parts(readings, "mechanics", recorded, shown=moves)),
        "open": _open_part(readings, facts, band),
        "instrument": _instrument_part(
            readings, facts, recorded, optics_from=optics_from, shown=shown.optics
        ),
    }
    if optics_from is None and _may_hide_vibration(record):
        blur = parts["instrument"].optics_fwhm_arcsec
        parts["open"] = parts["open"].model_copy(update={"constant_blur_arcsec": blur})
    if answer.fit is not None:
        names = ["motion of pairs"] if len(motion.pairs.separation_px) else []
        names += ["registered star"] if answer.transfer is not None else []
        names += ["spectrum of the shared motion"]
        lower = _lower_seeing(answer, facts)
        parts["atmosphere"] = _atmosphere_part(answer.fit, readings, facts, lower, recorded, names)
        parts["near_air"] = NearAir(
            **_saving_parts(readings, "near_air", recorded, shown=shown.near_air),
            share=readings.share["near_air"],
            outer_scale_m=Estimate.of(answer.fit.near_outer_scale_m) if shown.near_air else None,
        )
    else:
        strength = np.array([run.strength for run in histories.runs])
        parts["atmosphere"] = Atmosphere(
            fwhm_arcsec=Estimate.limit(readings.air_arcsec),
            lower_seeing_arcsec=_lower_seeing(answer, facts),
            upper_seeing_arcsec=Estimate.limit(facts.seeing_arcsec(np.maximum(strength, 1e-9))),
            evidence=["width of the star"],
            share=readings.share["atmosphere"],
            **_saving_parts(readings, "atmosphere", recorded, shown=True),
        )
        parts["near_air"] = NearAir()
    return parts


def _shown_owner(lines: Sequence[FoundLine], owner: str) -> bool:
    """Return whether a line of this owner was found."""
    return any(line.owner == owner for line in lines)


def _is_shown(vector: FloatArray) -> bool:
    """Return whether draws of a vector (n, 2) exclude zero with 99 %."""
    mean = vector.mean(axis=0)
    covariance = np.cov(vector.T) + 1e-18 * np.eye(2)
    return bool(mean @ np.linalg.solve(covariance, mean) > const.SHOWN_CHI2)


def _what_is_shown(record: Record, lines: Lines, answer: Answer) -> _Shown:
    """Return which causes the record shows by evidence of their own."""
    readings, drive = sure(answer.readings), sure(answer.histories).drive
    moves = _is_shown(drive.rate_arcsec_s) or any(
        _is_shown(drive.periodic_arcsec[:, i, k])
        for i in range(drive.periodic_arcsec.shape[1])
        for k in range(2)
    )
    is_long = record.facts.is_long
    inside = answer.inside is not None and answer.inside.is_shown and not is_long
    stated = record.facts.known_instrument_arcsec is not None

    def above(cure: str) -> bool:
        return bool(np.percentile(readings.saving[cure][:, 0], 5.0) > const.SHOWN_SHARE)

    return _Shown(
        tracking=moves or _shown_owner(lines.found, "tracking"),
        structure=_shown_owner(lines.found, "structure") or inside or above("structure"),
        near_air=above("near_air"),
        optics=stated or answer.optics is not None or above("optics"),
    )


def _with_drive(
    record: Record, motion: Motion, answer: Answer, part: Tracking, rng: np.random.Generator
) -> tuple[Tracking, list[Remark]]:
    """Add what the record says of declared periods, right ascension and the polar axis."""
    rig, facts = record.rig, record.facts
    if not (motion.terms or rig.get("mount_kind") or rig.get("drive")):
        return part, []
    said = [
        Remark.of("drive-period-found", period_s=term.period_s, turns=term.turns)
        for term in motion.terms
        if term.found
    ]
    if not part.periodic:
        each = {term.name: term for term in motion.terms}.values()
        known = [
            PeriodicTerm(name=t.name, period_s=t.period_s, turns_covered=t.turns) for t in each
        ]
        part = part.model_copy(update={"periodic": known})
    if facts.scale_arcsec is None:
        return part, said
    series = (
        DriveRecord.of_tracks(record.tracks, motion.shared, facts.scale_arcsec)
        if motion.grid is None
        else DriveRecord.of_grid(motion.grid)
    )
    if series is None:
        return part, said
    rate = None if answer.histories is None else answer.histories.drive.rate_arcsec_s
    found, notes = read_drive(rig, series, motion.terms, rng, rate)
    return part.model_copy(update=found), [*said, *notes]


def _doubts(
    record: Record, answer: Answer, parts: dict[str, Any], recorded: float | None
) -> list[Remark]:
    """Return where the histories contradict the frames: the sentence that cannot be trusted."""
    out = []
    if answer.readings is not None and recorded is not None:
        modelled = float(np.median(answer.readings.width_arcsec))
        if abs(modelled / recorded - 1.0) > const.WIDTH_DISAGREEMENT:
            widths = {"modelled_arcsec": modelled, "recorded_arcsec": recorded}
            out.append(Remark.of("widths-disagree", **widths))
        if not record.facts.dispersion_known:
            out.append(Remark.of("dispersion-unknown"))
    air: Atmosphere = parts.get("atmosphere", Atmosphere())
    lower, upper = air.lower_seeing_arcsec, air.upper_seeing_arcsec
    if lower and upper and lower.low95 and upper.high95 and lower.low95 > upper.high95:
        ends = {"lower_arcsec": lower.low95, "upper_arcsec": upper.high95}
        out.append(Remark.of("evidence-disagrees", **ends))
    if answer.fit is not None and answer.transfer is None:
        out.append(Remark.of("pixels-too-large"))
    if answer.inside is not None and answer.inside.is_shown:
        square = np.median(np.trace(answer.inside.mechanical_arcsec2, axis1=1, axis2=2))
        out.append(Remark.of("inside-exposures", rms_arcsec=float(np.sqrt(square))))
    return out


def _findings(
    record: Record,
    allowed: Allowed,
    answer: Answer,
    checks: tuple[Check, ...],
    remarks: tuple[Remark, ...],
) -> Findings:
    tracks, facts = record.tracks, record.facts
    return Findings(
        level=allowed.level,
        exposure_s=tracks.exposure_s,
        duration_s=tracks.duration_s,
        airmass=facts.airmass,
        stars=tracks.n_stars,
        optics_stated=facts.known_instrument_arcsec is not None or answer.optics_source is not None,
        drive_stated=any(
            record.rig.get(key) is not None for key in ("worm_period_s", "wheel_teeth", "drive")
        ),
        steady_blur=_may_hide_vibration(record),
        converged=answer.fit is None or answer.fit.converged,
        r_hat=None if answer.fit is None else answer.fit.r_hat_max,
        pixel_arcsec=facts.scale_arcsec,
        checks=checks,
        remarks=remarks,
        missing=allowed.steps,
    )


def _fit_record(answer: Answer) -> Fit | None:
    fit = answer.fit
    if fit is None:
        return None if answer.histories is None else Fit(method="air matched to the width")
    return Fit(
        method="tempered sequential Monte Carlo",
        r_hat_max=fit.r_hat_max,
        effective_draws=fit.effective_draws,
        log_evidence=fit.log_evidence if np.isfinite(fit.log_evidence) else None,
        seconds=fit.seconds,
        converged=fit.converged,
    )


def _sequence_info(source: Source, record: Record) -> SequenceInfo:
    tracks, facts = record.tracks, record.facts
    name = record.rig.get("object")
    return SequenceInfo(
        name=source.name,
        object=None if name is None else str(name),
        files=source.n_files,
        frames=source.n_frames,
        frames_used=tracks.n_frames,
        frames_dropped=dict(tracks.dropped),
        stars_used=tracks.n_stars,
        frame_exposure_s=tracks.exposure_s,
        cadence_s=tracks.cadence_s,
        duration_s=tracks.duration_s,
        nyquist_hz=None if not tracks.cadence_s else 0.5 / tracks.cadence_s,
        timing=tracks.timing,
        segments=len(np.unique(tracks.segment)),
        start_utc=tracks.start_utc,
        wavelength_m=None if facts.optics is None else facts.optics.wavelength_m,
        airmass=facts.airmass,
    )


def _saving_parts(
    readings: Readings, cure: str, recorded: Estimate | None, *, shown: bool
) -> dict[str, Estimate | None]:
    """Return what a cure saves, as arcsec of the measured width and as a fraction.

    A limit where the cause is not shown and saving nothing is not excluded, of all draws: so it is
    below what is worth a cure just where the answer is no. A cause that may be absent has an even
    chance beforehand (`HIDDEN_MODE_CHANCE`, `FIT_NEAR_ABSENT`); more is said by the frames.
    """
    low, high = readings.saving[cure].T
    fraction = Estimate.between(low, high)
    if fraction is not None and not shown and (fraction.low95 or 0.0) < const.SHOWN_SHARE:
        fraction = Estimate.limit(np.maximum(high, 0.0))
    return {
        "saving_fraction": fraction,
        "saving_arcsec": None if recorded is None else _part_of_width(fraction, recorded),
    }


def _part_of_width(part: Estimate | None, recorded: Estimate) -> Estimate | None:
    """Return a part of the measured width.

    The errors of both add in squares, each side by itself; a limit is of the width as measured.
    """
    if part is None or recorded.value is None:
        return None
    width = recorded.value
    if part.value is None:
        return part.times(width)
    value = width * part.value
    out = {}
    sides = (("low", "high"), ("high", "low"), ("low95", "high95"), ("high95", "low95"))
    for name, other in sides:
        sign = -1.0 if name.startswith("low") else 1.0
        wider = getattr(recorded, name if part.value > 0 else other) - width
        more = getattr(part, name) - part.value
        out[name] = value + sign * float(np.hypot(wider * part.value, more * width))
    return Estimate(value=value, **out)


def _without(readings: Readings, cure: str, recorded: Estimate) -> Estimate | None:
    """Return the width that would have been recorded without a cause."""
    low, high = readings.saving[cure].T
    left = Estimate.between(np.maximum(1.0 - high, 0.0), np.maximum(1.0 - low, 0.0))
    width = _part_of_width(left, recorded)
    if width is None or width.low95 is None or width.low is None:
        return width
    # Where the stars of a field that turns differ as much as they are wide, the errors add up to
    # more than there is.
    return width.model_copy(update={"low": max(width.low, 0.0), "low95": max(width.low95, 0.0)})


def _structure_part(
    readings: Readings,
    facts: Facts,
    recorded: Estimate | None,
    *,
    shown: bool,
    undetected: tuple[float, tuple[float, float]] | None,
    longest_arcsec: float,
) -> Structure:
    """Return the structure's part.

    The low reading is what is known to be structure, the high one counts open motion and a steady
    vibration inside the frames too; where nothing is shown, a limit that includes these and a mode
    of the size that the search could have missed. `longest_arcsec`: rms that no motion inside the
    frames exceeds along any axis.
    """
    own, open_ = readings.motion_arcsec2["structure"], readings.motion_arcsec2["open"]
    part = _axes(own, facts)
    if shown:
        _reach_up(part, _axes(own + open_ + readings.steady_arcsec2, facts))
    else:
        missed = 0.0 if undetected is None else undetected[0]
        steady = np.minimum(_on_one_axis(readings), longest_arcsec**2)
        hidden = (steady + missed**2)[:, None, None] * np.diag([1.0, 0.0])
        there = steady > 0  # no chance given to its absence makes a limit small
        part = _limited(part, (open_ + hidden)[there if there.any() else slice(None)])
    return Structure(
        **part,
        **_saving_parts(readings, "structure", recorded, shown=shown),
        share=readings.share["structure"],
        undetected_rms_arcsec=None if undetected is None else undetected[0],
        band_hz=None if undetected is None else undetected[1],
    )


def _on_one_axis(readings: Readings) -> FloatArray:
    """Return the variance of the steady blur if all of it is along one axis, (n,).

    Most vibrations have one axis. The width is that of equal area, so that a line of variance s^2
    stands for a round blur of v in (w^2 + s^2) w^2 = (w^2 + v)^2, w the width without it.
    """
    round2 = 0.5 * np.trace(readings.steady_arcsec2, axis1=1, axis2=2)
    without = readings.width_arcsec * (1.0 - readings.saving["structure"][:, 1])
    return np.asarray(2.0 * round2 + (round2 * const.FWHM_PER_SIGMA / without) ** 2)


def _reach_up(part: dict[str, Estimate | None], larger: dict[str, Estimate | None]) -> None:
    """Let the sizes of a part reach up to those of the high reading."""
    for name in ("rms_major_arcsec", "rms_minor_arcsec"):
        low, high = part[name], larger[name]
        if low is not None and high is not None and low.value is not None:
            part[name] = low.model_copy(update={"high": high.high, "high95": high.high95})


def _tracking_part(
    readings: Readings, drive: DriveDraws, facts: Facts, recorded: Estimate | None, *, shown: bool
) -> Tracking:
    """Return drift and drive terms; the high reading counts open motion too."""
    vector = 60.0 * drive.rate_arcsec_s
    rate = np.hypot(*vector.T)
    own, open_ = readings.motion_arcsec2["tracking"], readings.motion_arcsec2["open"]
    part = _axes(own, facts)
    drifts = _is_shown(vector)
    direction = Estimate.axial(np.degrees(np.arctan2(*vector.T[::-1])) % 180) if drifts else None
    if shown:
        _reach_up(part, _axes(own + open_, facts))
    else:
        part = _limited(part, own + open_)
    return Tracking(
        **part,
        **_saving_parts(readings, "tracking", recorded, shown=shown),
        share=readings.share["tracking"],
        drift_arcsec_per_min=Estimate.of(rate) if drifts else Estimate.limit(rate),
        drift_angle_deg=direction,
        periodic=[_periodic_term(drive, i, term) for i, term in enumerate(drive.terms)],
    )


def _periodic_term(drive: DriveDraws, i: int, term: DriveTerm) -> PeriodicTerm:
    both = drive.periodic_arcsec[:, i]  # (n, cosine and sine, x and y)
    covariance = np.einsum("nki,nkj->nij", both, both)
    values, vectors = np.linalg.eigh(covariance)
    direction = Estimate.axial(np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180.0)
    amplitude = np.sqrt(values[:, 1])
    shown = any(_is_shown(both[:, :, axis]) for axis in range(2))
    return PeriodicTerm(
        name=term.name,
        period_s=term.period_s / max(term.harmonic, 1),
        harmonic=max(term.harmonic, 1),
        amplitude_arcsec=Estimate.of(amplitude) if shown else Estimate.limit(amplitude),
        angle_deg=None if direction is None else direction.value,
        turns_covered=term.turns,
    )


def _atmosphere_part(
    fit: AirFit,
    readings: Readings,
    facts: Facts,
    lower_seeing: Estimate | None,
    recorded: Estimate | None,
    evidence: list[str],
) -> Atmosphere:
    """Return what is known of the air: the seeing is that of the air outside."""
    heights = fit.model.table.height_m
    unseen = 1.0 - fit.state.j_high.sum(axis=1) / (fit.j_outside + fit.j_near)
    return Atmosphere(
        fwhm_arcsec=Estimate.of(readings.air_arcsec),
        seeing_500nm_zenith_arcsec=Estimate.of(facts.seeing_arcsec(fit.j_outside)),
        r0_500nm_zenith_m=Estimate.of(facts.r0_zenith_m(fit.j_outside)),
        lower_seeing_arcsec=lower_seeing,
        upper_seeing_arcsec=Estimate.of(facts.seeing_arcsec(fit.upper_j)),
        evidence=evidence,
        unseen_by_pairs_share=Estimate.of(unseen) if len(heights) else None,
        unseen_below_m=float(heights[0]) if len(heights) else None,
        wind_m_s=Estimate.of(fit.mean_wind_m_s()),
        motion_rms_arcsec=Estimate.of(fit.one_star_motion_arcsec()),
        share=readings.share["atmosphere"],
        **_saving_parts(readings, "atmosphere", recorded, shown=True),
    )


def _instrument_part(
    readings: Readings,
    facts: Facts,
    recorded: Estimate | None,
    *,
    optics_from: str | None,
    shown: bool,
) -> InstrumentPart:
    """Return the base and the optics beyond it."""
    optics = facts.optics
    assert optics is not None  # noqa: S101 - callers have histories, which need an aperture
    width = const.AIRY_FWHM - 0.17 * optics.obstruction  # lambda/D
    diffraction = width * optics.wavelength_m / optics.aperture_m
    dispersion = const.FWHM_PER_SIGMA * float(np.sqrt(0.5 * np.trace(facts.dispersion)))
    return InstrumentPart(
        base_fwhm_arcsec=readings.base_arcsec,
        optics_fwhm_arcsec=(Estimate.of if shown else Estimate.limit)(readings.optics_arcsec),
        optics_from=optics_from,
        diffraction_arcsec=diffraction * const.ARCSEC_PER_RADIAN,
        pixel_arcsec=facts.scale_arcsec,
        dispersion_arcsec=dispersion if facts.dispersion_known else None,
        share=readings.share["optics"],
        **_saving_parts(readings, "optics", recorded, shown=shown),
    )


def _with_cures(fwhm: Fwhm, readings: Readings) -> Fwhm:
    """Add the widths without each cause to the measured ones."""
    recorded = fwhm.recorded_arcsec
    if recorded is None:
        return fwhm
    cures = {"tracking": "tracking", "structure": "structure", "both": "mechanics"}
    left = {name: _without(readings, cure, recorded) for name, cure in cures.items()}
    without = {f"without_{name}_arcsec": width for name, width in left.items()}
    return fwhm.model_copy(update={"method": "both", **without})
