"""The result: every part written down from what the stages found."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.budget import diagnostics, summary
from blursplit.budget.answer import Answer
from blursplit.budget.judge import Findings, judge_positions, judge_widths, worth_of
from blursplit.budget.lines import to_result
from blursplit.budget.record import Allowed, Lines, Motion, shown_owner
from blursplit.drive.periodic_error import read_drive
from blursplit.drive.terms import record_of_grid, record_of_tracks
from blursplit.estimate import Estimate, estimate, limit, upper_limit
from blursplit.evidence.guest import Record
from blursplit.facts import Facts, duration_s
from blursplit.image.stack import StarImages
from blursplit.result import (
    Atmosphere,
    Check,
    Event,
    EventSearch,
    Fit,
    Fwhm,
    NearAir,
    Open,
    PeriodicTerm,
    Remark,
    Result,
    Saving,
    SequenceInfo,
    Tracking,
    Verdict,
)
from blursplit.series import Series
from blursplit.sources import Source
from blursplit.stars.raw_checks import Check as RawCheck
from blursplit.stars.raw_checks import lies_still
from blursplit.types import sure


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
    checks = tuple(
        Check(
            code=check.code,
            severity=check.severity,
            facts={**check.facts, "touches": " ".join(check.touches)},
        )
        for check in raw_checks
    )
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
        "lines": to_result(
            list(lines.found),
            exposure_s=record.tracks.exposure_s or 0.0,
            in_arcsec=facts.scale_arcsec is not None,
            rng=rng,
            lever_m=record.rig.get("lever_m"),
        ),
        "events": events,
        "event_search": event_search,
        "open": _shared_motion(record, motion),
    }
    if answer.lower_strength is not None and len(answer.lower_strength):
        parts["atmosphere"] = Atmosphere(
            lower_seeing_arcsec=estimate(summary.seeing_of(answer.lower_strength, facts)),
            evidence=[] if record.strength is not None else ["motion of pairs"],
        )
    if answer.readings is not None:
        parts |= _split_parts(record, motion, lines, answer, recorded)
        parts["fwhm"] = summary.with_cures(fwhm, answer.readings)
    remarks = list(allowed.reasons)
    parts["tracking"], said = _with_drive(
        record, motion, answer, parts.get("tracking", Tracking()), rng
    )
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
    result.verdict = _verdict(result, answer, found, width, worth_arcsec)
    result.verdict.next[:0] = [step for guest in answer.guests for step in guest.steps()]
    notes = [Remark.of(code, **facts) for code, facts in record.whole.notes]
    if record.whole.pixels is None:  # silence of the checks would pass for raw frames
        notes.append(Remark.of("pixels-not-checked"))
    elif _rests_on_little_motion(result.verdict) and not lies_still(record.whole.pixels):
        notes.append(Remark.of("centring-not-excluded"))
    result.warnings = [*notes, *remarks, *checks]
    return result


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


def _verdict(
    result: Result,
    answer: Answer,
    found: Findings,
    recorded: float | None,
    worth_arcsec: float | None,
) -> Verdict:
    if answer.readings is None or recorded is None:
        return judge_positions(result, found, worth_arcsec)
    return judge_widths(result, answer.readings, found, worth_of(recorded, worth_arcsec))


def _widths(facts: Facts, stack: StarImages | None) -> Fwhm:
    if stack is None:
        return Fwhm(blur_time_s=facts.blur_time_s)
    seen = stack.recorded_estimates()
    if facts.scale_arcsec is None:
        return Fwhm(
            blur_time_s=facts.blur_time_s,
            recorded_px=seen["mean"],
            recorded_angle_deg=seen["angle"],
            method="frames",
        )
    return Fwhm(
        blur_time_s=facts.blur_time_s,
        recorded_arcsec=seen["mean"],
        recorded_major_arcsec=seen["major"],
        recorded_minor_arcsec=seen["minor"],
        recorded_angle_deg=seen["angle"],
        registered_arcsec=seen["registered"],
        method="frames",
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
    return Open(motion_rms_major_arcsec=upper_limit(most), band_hz=band)


def _may_hide_vibration(record: Record) -> bool:
    """Return whether the frames are so long that a vibration in them looks like steady optics."""
    return (record.tracks.exposure_s or 0.0) >= const.STEADY_BLUR_EXPOSURE_S


def _split_parts(
    record: Record, motion: Motion, lines: Lines, answer: Answer, recorded: Estimate | None
) -> dict[str, Any]:
    readings, histories, facts = sure(answer.readings), sure(answer.histories), record.facts
    shown = _what_is_shown(record, lines, answer)
    band = None
    if motion.grid is not None:
        band = (1.0 / motion.grid.longest_s, 0.5 / motion.grid.cadence_s)
    stated = facts.known_instrument_arcsec is not None
    optics_from = "stated width" if stated else answer.optics_source
    parts: dict[str, Any] = {
        "tracking": summary.tracking_part(
            readings, histories.drive, facts, recorded, shown=shown.tracking
        ),
        "structure": summary.structure_part(
            readings, facts, recorded, shown=shown.structure, undetected=lines.undetected
        ),
        "mechanics": Saving(
            **summary.saving_parts(
                readings, "mechanics", recorded, shown=shown.tracking or shown.structure
            )
        ),
        "open": summary.open_part(readings, facts, band),
        "instrument": summary.instrument_part(
            readings, facts, recorded, optics_from=optics_from, shown=shown.optics
        ),
    }
    if optics_from is None and _may_hide_vibration(record):
        blur = parts["instrument"].optics_fwhm_arcsec
        parts["open"] = parts["open"].model_copy(update={"constant_blur_arcsec": blur})
    if answer.fit is not None:
        names = ["motion of pairs"] if len(motion.pairs.separation_px) else []
        names += ["registered star"] if answer.transfer is not None else []
        lower = answer.lower_strength if answer.lower_strength is not None else np.zeros(0)
        parts["atmosphere"] = summary.atmosphere_part(
            answer.fit,
            readings,
            facts,
            {"lower": lower, "upper": answer.fit.upper_j},
            recorded,
            [*names, "spectrum of the shared motion"],
        )
        parts["near_air"] = NearAir(
            **summary.saving_parts(readings, "near_air", recorded, shown=shown.near_air),
            share=readings.share["near_air"],
            outer_scale_m=estimate(answer.fit.near_outer_scale_m) if shown.near_air else None,
        )
    else:
        strength = np.array([run.strength for run in histories.runs])
        parts["atmosphere"] = Atmosphere(
            fwhm_arcsec=limit(readings.air_arcsec),
            lower_seeing_arcsec=None
            if answer.lower_strength is None or not len(answer.lower_strength)
            else estimate(summary.seeing_of(answer.lower_strength, facts)),
            upper_seeing_arcsec=limit(summary.seeing_of(np.maximum(strength, 1e-9), facts)),
            evidence=["width of the star"],
            share=readings.share["atmosphere"],
            **summary.saving_parts(readings, "atmosphere", recorded, shown=True),
        )
        parts["near_air"] = NearAir()
    return parts


def _what_is_shown(record: Record, lines: Lines, answer: Answer) -> summary.Shown:
    """Return which causes the record shows by evidence of their own."""
    readings, drive = sure(answer.readings), sure(answer.histories).drive
    moves = summary.is_shown(drive.rate_arcsec_s) or any(
        summary.is_shown(drive.periodic_arcsec[:, i, k])
        for i in range(drive.periodic_arcsec.shape[1])
        for k in range(2)
    )
    is_long = record.facts.is_long
    inside = answer.inside is not None and answer.inside.is_shown and not is_long
    stated = record.facts.known_instrument_arcsec is not None

    def above(cure: str) -> bool:
        return bool(np.percentile(readings.saving[cure][:, 0], 5.0) > const.SHOWN_SHARE)

    return summary.Shown(
        tracking=moves or shown_owner(lines.found, "tracking"),
        structure=shown_owner(lines.found, "structure") or inside or above("structure"),
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
        part = part.model_copy(
            update={
                "periodic": [
                    PeriodicTerm(name=t.name, period_s=t.period_s, turns_covered=t.turns)
                    for t in each
                ]
            }
        )
    if facts.scale_arcsec is None:
        return part, said
    if motion.grid is not None:
        series = record_of_grid(motion.grid)
    else:
        uneven = record_of_tracks(record.tracks, motion.shared, facts.scale_arcsec)
        if uneven is None:
            return part, said
        series = uneven
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
            out.append(
                Remark.of("widths-disagree", modelled_arcsec=modelled, recorded_arcsec=recorded)
            )
        if not record.facts.dispersion_known:
            out.append(Remark.of("dispersion-unknown"))
    air: Atmosphere = parts.get("atmosphere", Atmosphere())
    lower, upper = air.lower_seeing_arcsec, air.upper_seeing_arcsec
    if lower and upper and lower.low95 and upper.high95 and lower.low95 > upper.high95:
        out.append(
            Remark.of("evidence-disagrees", lower_arcsec=lower.low95, upper_arcsec=upper.high95)
        )
    if answer.fit is not None and answer.transfer is None:
        out.append(Remark.of("pixels-too-large"))
    if answer.inside is not None and answer.inside.is_shown:
        size = float(
            np.sqrt(np.median(np.trace(answer.inside.mechanical_arcsec2, axis1=1, axis2=2)))
        )
        out.append(Remark.of("inside-exposures", rms_arcsec=size))
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
        duration_s=duration_s(tracks),
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


def curves_and_images(
    record: Record, motion: Motion, stack: StarImages | None, lines: Lines, answer: Answer
) -> Series:
    """Return what a page draws beside the numbers of the result."""
    facts, tracks = record.facts, record.tracks
    arrays = diagnostics.plain_arrays(tracks, motion.shared, motion.pairs, facts.scale_arcsec)
    for guest in answer.guests:
        arrays |= guest.arrays(record)
    if facts.scale_arcsec is not None:
        arrays |= lines.arrays
        if motion.quiet is not None:
            arrays |= diagnostics.density_curves(motion.quiet)
            arrays |= diagnostics.time_frequency_arrays(motion.quiet)
    images = {} if tracks.finder_adu is None else {"finder": tracks.finder_adu}
    scale = None
    if stack is not None:
        removed: dict[str, np.ndarray] = {}
        if answer.histories is not None and motion.grid is not None and facts.scale_arcsec:
            removed, estimated = diagnostics.removed_motions(tracks, motion.grid, answer.histories)
            arrays |= estimated
        more, scale = diagnostics.images(record.images, stack, facts, removed)
        images |= more
    if answer.fit is not None:
        arrays |= answer.fit.transfer_curves()
        if "frequency_hz" in arrays:
            arrays |= answer.fit.air_curves(arrays["frequency_hz"])
        if len(motion.pairs.separation_px) and facts.scale_arcsec is not None:
            widest = float(motion.pairs.separation_px.max()) * facts.scale_arcsec
            arrays |= answer.fit.pair_curves(np.linspace(0.02 * widest, 1.1 * widest, 24))
    return Series(arrays, images, scale)


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
        duration_s=duration_s(tracks),
        nyquist_hz=None if not tracks.cadence_s else 0.5 / tracks.cadence_s,
        timing=tracks.timing,
        segments=len(np.unique(tracks.segment)),
        start_utc=tracks.start_utc,
        wavelength_m=None if facts.optics is None else facts.optics.wavelength_m,
        airmass=facts.airmass,
    )
