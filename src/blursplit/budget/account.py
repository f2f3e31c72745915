"""The account of a sequence: every step after the pixels, in order, and what each one gave."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget import assemble, curves
from blursplit.budget.alias_evidence import StarImage
from blursplit.budget.drift import draw_drift, drive_terms, without_drive
from blursplit.budget.drive_notes import add_drive
from blursplit.budget.drive_record import record_of_grid, record_of_tracks
from blursplit.budget.event_records import find_shared_events, time_frequency_arrays
from blursplit.budget.facts import longest_stretch_s
from blursplit.budget.focus_account import add_focus, measure_focus, shaped
from blursplit.budget.grid import GridData, grid_data
from blursplit.budget.joint import FitSetup, JointFit, fit_jointly, perfect_instrument
from blursplit.budget.ledger import Account
from blursplit.budget.line_records import to_result
from blursplit.budget.lines import FoundLine, search_lines, structure_limit
from blursplit.budget.long_frames import bound_from_width, drift_between_frames
from blursplit.budget.lower_bound import lower_bound_j
from blursplit.budget.mask_report import report_mask
from blursplit.budget.motion_part import motion_part
from blursplit.budget.optics_data import OpticsData, registered_transfer
from blursplit.budget.perfect import perfect_width_arcsec
from blursplit.budget.pictures import plain_arrays, recorded_widths, restacked_widths
from blursplit.budget.rolling import align_rows
from blursplit.budget.shape import fast_variance_px2, shape_steps, shape_words, shared_shape
from blursplit.budget.split import Split, SplitSetup, split_motion
from blursplit.budget.uneven import uneven_lines
from blursplit.budget.verdict import Evidence
from blursplit.budget.view import View, view_of
from blursplit.image.stack import (
    StarImages,
    registration_noise_arcsec2,
    star_images,
    width_against_exposure,
    window_over_diffraction,
)
from blursplit.result import Atmosphere

if TYPE_CHECKING:
    from blursplit.budget.drift import DriftDraws, DriveTerm
    from blursplit.budget.facts import Facts
    from blursplit.budget.focus_runs import FocusSeries
    from blursplit.motion import CommonMotion, PairStatistics
    from blursplit.rig import Instrument
    from blursplit.spectra import LineSearch
    from blursplit.stars.tracks import StarTracks

N_DRAWS = 400
N_WIDTHS = 80


def draw_up(
    tracks: StarTracks,
    instrument: Instrument,
    facts: Facts,
    motion: CommonMotion,
    pairs: PairStatistics,
    rng: np.random.Generator,
    focus: FocusSeries | None = None,
    second: StarTracks | None = None,
) -> Account:
    """Draw up the account, as far as the record allows.

    Parameters
    ----------
    tracks : StarTracks
    instrument : Instrument
    facts : Facts
    motion : CommonMotion
    pairs : PairStatistics
    rng : numpy.random.Generator
    focus : FocusSeries or None
        Runs of the same telescope at other focus positions.
    second : StarTracks or None
        Frames of the run at another rate.
    """
    view = replace(view_of(tracks, instrument, facts, motion, pairs), focus=focus, second=second)
    evidence = Evidence(
        stars=view.tracks.n_stars,
        pairs=len(view.pairs.separation_px),
        has_spectra=False,
        has_star_image=False,
        instrument_known=facts.known_instrument_arcsec is not None,
        barred=None if view.barred is None else view.barred[1],
        has_mask=view.mask is not None,
    )
    account = Account(view.facts, evidence)
    _look(account, view, instrument, rng)
    report_mask(account, view)
    if focus is not None and account.split is None:
        account.warn("focus-not-used", "the focus runs were not used: this run allows no split")
    return account


def _look(account: Account, view: View, instrument: Instrument, rng: np.random.Generator) -> None:
    tracks, motion, pairs, facts = view.tracks, view.motion, view.pairs, view.facts
    evidence = account.evidence
    if view.barred is not None:
        account.warn(*view.barred)
    account.parts["motion"] = motion_part(tracks, motion, pairs, facts.scale_arcsec)
    plain_arrays(account, tracks, motion, pairs)
    images = star_images(view.images, facts.blur_time_s, facts.scale_arcsec or 1.0, {})
    if images is not None:
        evidence.has_star_image = True
        recorded_widths(account, images)
    else:
        account.warn("no-widths", "no star image could be stacked: widths are not given")
    shape = shared_shape(tracks)
    fast_px2 = fast_variance_px2(tracks, shape)
    if shape is not None:
        evidence.notes += shape_words(shape, facts.scale_arcsec)
        evidence.steps += shape_steps(shape)
    grid = _grid(account, tracks, motion)
    if grid is None:
        _without_spectra(account, tracks, motion)
        _uneven(account, tracks, motion, instrument, rng)
        terms = drive_terms(instrument, longest_stretch_s(tracks))
        record = record_of_tracks(tracks, motion, facts.scale_arcsec or 1.0)
        add_drive(account, instrument, record, terms, rng)
        return
    evidence.has_spectra = True
    terms = drive_terms(instrument, grid.longest_s)
    quiet = align_rows(without_drive(grid, terms))
    star = None
    if images is not None and facts.optics is not None:
        star = StarImage(images.widths["registered"], perfect_width_arcsec(facts))
    search, found = search_lines(quiet, tracks, instrument, star, view.second)
    account.parts["lines"] = to_result(
        found,
        exposure_s=grid.exposure_s,
        in_arcsec=facts.scale_arcsec is not None,
        rng=rng,
    )
    if facts.scale_arcsec is not None:
        evidence.structure_limit_arcsec = structure_limit(search, grid)
        account.arrays |= curves.density_curves(quiet)
        account.arrays |= time_frequency_arrays(quiet)
        events, event_search = find_shared_events(quiet, tracks.start_utc)
        account.parts |= {"events": events, "event_search": event_search}
    if _can_split(account, images):
        drift = _split(account, view, images, grid, quiet, terms, search, found, fast_px2, rng)  # type: ignore[arg-type]
        add_drive(account, instrument, record_of_grid(grid), terms, rng, drift.rate_arcsec_s)
        return
    if facts.optics is not None and evidence.pairs:
        account.parts["atmosphere"] = assemble.lower_bound_part(pairs, quiet, facts, rng)
    add_drive(account, instrument, record_of_grid(grid), terms, rng)


def _without_spectra(account: Account, tracks: StarTracks, motion: CommonMotion) -> None:
    """Tell what frames without spectra still tell."""
    facts = account.facts
    tracking = drift_between_frames(tracks, motion, facts)
    if tracking is not None:
        account.parts["tracking"] = tracking
    width = account.parts.get("fwhm")
    if width is not None and width.recorded_arcsec is not None:
        bound = bound_from_width(width.recorded_arcsec, facts)
        if bound is not None:
            account.parts["atmosphere"] = bound


def _uneven(
    account: Account,
    tracks: StarTracks,
    motion: CommonMotion,
    instrument: Instrument,
    rng: np.random.Generator,
) -> None:
    """Tell the lines of frames that follow no grid."""
    facts = account.facts
    if facts.is_long or tracks.timing != "irregular":
        return
    found = uneven_lines(tracks, motion, instrument, facts.scale_arcsec or 1.0)
    if found is None:
        return
    account.parts["lines"] = to_result(
        list(found.lines),
        exposure_s=tracks.exposure_s or 0.0,
        in_arcsec=facts.scale_arcsec is not None,
        rng=rng,
    )
    if facts.scale_arcsec is not None:
        account.arrays |= found.arrays


def _grid(account: Account, tracks: StarTracks, motion: CommonMotion) -> GridData | None:
    facts = account.facts
    if facts.is_long:
        account.warn(
            "long-frames",
            f"frames of {tracks.exposure_s:g} s hide the motion inside them: no spectra, no split",
        )
        return None
    if tracks.cadence_s is None or tracks.timing == "irregular":
        account.warn(
            "irregular-times",
            "the times follow no regular grid: lines are sought at the frames' own times, no split",
        )
        return None
    grid = grid_data(
        tracks, motion, scale_arcsec=facts.scale_arcsec or 1.0, cadence_s=tracks.cadence_s
    )
    if grid is None:
        account.warn("few-frames", "no stretch of 50 frames: no spectra, no split")
    return grid


def _can_split(account: Account, images: StarImages | None) -> bool:
    facts = account.facts
    if account.evidence.barred is not None:
        return False
    if facts.optics is None:
        missing = "pixel scale" if facts.scale_arcsec is None else "aperture"
        account.warn("no-" + missing.replace(" ", "-"), f"no {missing} is known: no split")
        return False
    if not facts.within_record:
        account.warn(
            "blur-time-too-long",
            f"the blur time of {facts.blur_time_s:g} s is longer than the record: nothing is "
            "extrapolated",
        )
        return False
    return images is not None


def _split(
    account: Account,
    view: View,
    images: StarImages,
    grid: GridData,
    quiet: GridData,
    terms: list[DriveTerm],
    search: LineSearch | None,
    found: list[FoundLine],
    fast_px2: float,
    rng: np.random.Generator,
) -> DriftDraws:
    facts, tracks, pairs, evidence = account.facts, view.images, view.pairs, account.evidence
    optics, scale = facts.optics, facts.scale_arcsec
    assert optics is not None  # noqa: S101 - `_can_split` has checked
    assert scale is not None  # noqa: S101
    transfer = registered_transfer(
        images.stack.images["registered"],
        images.stack.blocks["registered"],
        optics,
        scale_arcsec=scale,
        registered_fwhm_arcsec=images.widths["registered"].mean,
        dispersion_arcsec2=0.5 * float(np.trace(facts.dispersion)),
    )
    if transfer is None:
        account.warn(
            "pixels-too-large", "the pixels are too large for the star image to bound the air"
        )
    focus = measure_focus(account, view, images, quiet, transfer)
    fit = fit_jointly(
        quiet,
        [line.term for line in found],
        shaped(transfer, focus),
        FitSetup(
            optics=optics,
            recorded_fwhm_arcsec=images.widths["recorded"].mean,
            known_instrument_arcsec=facts.known_instrument_arcsec,
            registration_noise_arcsec2=registration_noise_arcsec2(tracks, scale),
            fast_motion_arcsec2=fast_px2 * scale**2,
            continuum=None if search is None else search.continuum,
            mask=None if view.mask is None else view.mask.prior,
            window_over_diffraction=window_over_diffraction(
                tracks, scale, optics.aperture_m, optics.wavelength_m
            ),
            least_instrument_arcsec2=None if focus is None else focus.least_arcsec2,
        ),
        rng,
        n_draws=N_DRAWS,
    )
    drift = draw_drift(grid, fit, terms, facts.blur_time_s, rng)
    split = split_motion(
        fit,
        quiet,
        [line.term for line in found],
        drift,
        SplitSetup(
            optics,
            facts.blur_time_s,
            scale,
            facts.dispersion,
            N_WIDTHS,
            evidence.structure_limit_arcsec,
        ),
        rng,
    )
    account.split = split
    bounds = assemble.AirBounds(
        lower_j=lower_bound_j(pairs, quiet, optics, scale, rng)
        if view.mask is None
        else view.mask.lower_j(rng),
        upper_j=perfect_instrument(fit, N_DRAWS, rng),
    )
    _parts(account, fit, split, drift, bounds, transfer, found)
    add_focus(account, focus)
    restacked_widths(account, tracks, grid, drift, split, scale)
    if evidence.frames_contradict:
        _withdraw(account, images)
        return drift
    account.arrays |= curves.transfer_curves(fit)
    account.arrays |= curves.air_curves(fit, account.arrays["frequency_hz"])
    if len(pairs.separation_px):
        widest = float(pairs.separation_px.max()) * scale
        account.arrays |= curves.pair_model_curves(fit, facts, widest)
    times, widths = width_against_exposure(tracks, scale, grid.cadence_s)
    account.arrays["exposure_grid_s"], account.arrays["exposure_fwhm_arcsec"] = times, widths
    return drift


def _withdraw(account: Account, images: StarImages) -> None:
    """Take back a budget that the recorded width contradicts; what needs no model stays."""
    account.split = None
    air = account.parts["atmosphere"]
    kept = {name: getattr(air, name) for name in ("lower_seeing_arcsec", "upper_seeing_arcsec")}
    account.parts["atmosphere"] = Atmosphere(**kept, evidence=air.evidence)
    for name in ("structure", "tracking", "unassigned", "instrument"):
        account.parts.pop(name)
    recorded_widths(account, images)


def _parts(
    account: Account,
    fit: JointFit,
    split: Split,
    drift: DriftDraws,
    bounds: assemble.AirBounds,
    transfer: OpticsData | None,
    found: list[FoundLine],
) -> None:
    facts, evidence = account.facts, account.evidence
    names = ["motion of pairs"] if evidence.pairs else []
    names += ["registered star"] if transfer is not None else []
    names += ["spectrum of the shared motion"]
    account.parts["atmosphere"] = assemble.atmosphere_part(fit, split, bounds, facts, names)
    account.parts["structure"] = assemble.structure_part(
        split,
        facts,
        has_lines=any(line.owner == "structure" for line in found),
    )
    account.parts["tracking"] = assemble.tracking_part(split, drift, facts)
    account.parts["unassigned"] = assemble.unassigned_part(split, facts)
    account.parts["instrument"] = assemble.instrument_part(split, facts)
    lower = account.parts["atmosphere"].lower_seeing_arcsec
    upper = account.parts["atmosphere"].upper_seeing_arcsec
    evidence.bounds_crossed = bool(
        lower is not None and upper is not None and lower.low95 > upper.high95
    )
    if evidence.bounds_crossed:
        account.warn(
            "evidence-disagrees",
            f"{'the mask shows' if evidence.has_mask else 'pairs of stars show'} more air than "
            "the star image allows",
        )
    if not facts.dispersion_known:
        account.warn(
            "dispersion-unknown",
            "no pass band is known: atmospheric dispersion is left in the instrument's width",
        )
