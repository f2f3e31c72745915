"""The account of a sequence: every step after the pixels, in order, and what each one gave."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.budget import assemble, curves
from blursplit.budget.alias_evidence import StarImage
from blursplit.budget.drift import draw_drift, drive_terms, without_drive
from blursplit.budget.fwhm import resample
from blursplit.budget.grid import GridData, grid_data
from blursplit.budget.images import (
    StarImages,
    registration_noise_arcsec2,
    series_on_frames,
    star_images,
    width_against_exposure,
)
from blursplit.budget.joint import FitSetup, JointFit, fit_jointly, perfect_instrument
from blursplit.budget.lines import (
    FoundLine,
    search_lines,
    structure_limit,
    to_result,
)
from blursplit.budget.lower_bound import lower_bound_j
from blursplit.budget.mask_report import report_mask
from blursplit.budget.motion_part import motion_part
from blursplit.budget.optics_data import OpticsData, registered_transfer
from blursplit.budget.perfect import perfect_width_arcsec
from blursplit.budget.split import Split, SplitSetup, split_motion
from blursplit.budget.verdict import Evidence, judge
from blursplit.budget.view import View, view_of
from blursplit.result import Warning_

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.drift import DriftDraws, DriveTerm
    from blursplit.budget.facts import Facts
    from blursplit.instrument import Instrument
    from blursplit.motion import CommonMotion, PairStatistics
    from blursplit.result import Result
    from blursplit.spectra import LineSearch
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

N_DRAWS = 400
N_WIDTHS = 80
WIDTH_DISAGREEMENT = 0.15
OVERSAMPLING = 4  # of the star images that are kept


@dataclass
class Account:
    """What was found, as parts of the result, arrays and images.

    Parameters
    ----------
    parts : dict
        Part of the result -> its record.
    arrays, images : dict
        For the series.
    warnings : list of Warning_
    evidence : Evidence
    facts : Facts
    split : Split or None
    """

    facts: Facts
    evidence: Evidence
    parts: dict[str, Any] = field(default_factory=dict)
    arrays: dict[str, FloatArray] = field(default_factory=dict)
    images: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    warnings: list[Warning_] = field(default_factory=list)
    split: Split | None = None

    def warn(self, code: str, text: str) -> None:
        """Keep a doubt that goes with the numbers."""
        self.warnings.append(Warning_(code=code, text=text))

    def with_verdict(self, result: Result) -> Result:
        """Return the result with its verdict."""
        verdict = judge(result, self.split, self.facts, self.evidence)
        return result.model_copy(update={"verdict": verdict})


def draw_up(
    tracks: StarTracks,
    instrument: Instrument,
    facts: Facts,
    motion: CommonMotion,
    pairs: PairStatistics,
    rng: np.random.Generator,
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
    """
    view = view_of(tracks, instrument, facts, motion, pairs)
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
    return account


def _look(account: Account, view: View, instrument: Instrument, rng: np.random.Generator) -> None:
    tracks, motion, pairs, facts = view.tracks, view.motion, view.pairs, view.facts
    evidence = account.evidence
    if view.barred is not None:
        account.warn(*view.barred)
    account.parts["motion"] = motion_part(tracks, motion, pairs, facts.scale_arcsec)
    _plain_arrays(account, tracks, motion, pairs)
    images = star_images(view.images, facts.blur_time_s, facts.scale_arcsec or 1.0, {})
    if images is not None:
        evidence.has_star_image = True
        _recorded(account, images)
    else:
        account.warn("no-widths", "no star image could be stacked: widths are not given")
    grid = _grid(account, tracks, motion)
    if grid is None:
        return
    evidence.has_spectra = True
    terms = drive_terms(instrument, grid.longest_s)
    quiet = without_drive(grid, terms)
    star = None
    if images is not None and facts.optics is not None:
        star = StarImage(images.widths["registered"], perfect_width_arcsec(facts))
    search, found = search_lines(quiet, tracks, instrument, star)
    account.parts["lines"] = to_result(
        found,
        exposure_s=grid.exposure_s,
        in_arcsec=facts.scale_arcsec is not None,
        rng=rng,
    )
    if facts.scale_arcsec is not None:
        evidence.structure_limit_arcsec = structure_limit(search, grid)
        account.arrays |= curves.density_curves(quiet, tracks)
    if _can_split(account, images):
        _split(account, view, images, grid, quiet, terms, search, found, rng)  # type: ignore[arg-type]
    elif facts.optics is not None and evidence.pairs:
        account.parts["atmosphere"] = assemble.lower_bound_part(pairs, quiet, facts, rng)


def _grid(account: Account, tracks: StarTracks, motion: CommonMotion) -> GridData | None:
    facts = account.facts
    if facts.is_long:
        account.warn(
            "long-frames",
            f"frames of {tracks.exposure_s:g} s hide the motion inside them: no spectra, no split",
        )
        return None
    if tracks.cadence_s is None or tracks.timing == "irregular":
        account.warn("irregular-times", "the times follow no regular grid: no spectra, no split")
        return None
    grid = grid_data(
        tracks, motion, scale_arcsec=facts.scale_arcsec or 1.0, cadence_s=tracks.cadence_s
    )
    if grid is None:
        account.warn("few-frames", "no stretch of 64 frames: no spectra, no split")
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


def _plain_arrays(
    account: Account, tracks: StarTracks, motion: CommonMotion, pairs: PairStatistics
) -> None:
    scale = account.facts.scale_arcsec
    account.arrays["time_s"] = tracks.time_s
    account.arrays["star_x_px"] = motion.reference_x_px
    account.arrays["star_y_px"] = motion.reference_y_px
    flux = np.where(tracks.good, tracks.flux_adu, np.nan)
    account.arrays["star_flux_adu"] = np.nanmedian(flux, axis=0)
    weight = np.where(tracks.good, motion.weight, 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-12)
    for name, values in (("elongation_e1", tracks.e1), ("elongation_e2", tracks.e2)):
        account.arrays[name] = (np.nan_to_num(values) * weight).sum(axis=1) / total
    if scale is not None:
        account.arrays["common_x_arcsec"] = (motion.x_px - np.nanmean(motion.x_px)) * scale
        account.arrays["common_y_arcsec"] = (motion.y_px - np.nanmean(motion.y_px)) * scale
        account.arrays |= curves.pair_curves(pairs, scale)
    if tracks.finder_adu is not None:
        account.images["finder"] = tracks.finder_adu


def _recorded(account: Account, images: StarImages) -> None:
    """Widths that need no model."""
    from blursplit.result import Fwhm

    estimates = images.recorded_estimates()
    if account.facts.scale_arcsec is None:
        account.parts["fwhm"] = Fwhm(
            blur_time_s=account.facts.blur_time_s,
            recorded_px=estimates["mean"],
            recorded_angle_deg=estimates["angle"],
            method="frames",
        )
    else:
        account.parts["fwhm"] = Fwhm(
            blur_time_s=account.facts.blur_time_s,
            recorded_arcsec=estimates["mean"],
            recorded_major_arcsec=estimates["major"],
            recorded_minor_arcsec=estimates["minor"],
            recorded_angle_deg=estimates["angle"],
            registered_arcsec=estimates["registered"],
            method="frames",
        )
    _keep_images(account, images)


def _keep_images(account: Account, images: StarImages) -> None:
    top = images.stack.images["recorded"].max()
    for name, image in images.stack.images.items():
        account.images[name] = (resample(image, OVERSAMPLING) / top).astype(np.float32)


def _split(
    account: Account,
    view: View,
    images: StarImages,
    grid: GridData,
    quiet: GridData,
    terms: list[DriveTerm],
    search: LineSearch | None,
    found: list[FoundLine],
    rng: np.random.Generator,
) -> None:
    facts, tracks, pairs = account.facts, view.images, view.pairs
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
    fit = fit_jointly(
        quiet,
        [line.term for line in found],
        transfer,
        FitSetup(
            optics=optics,
            recorded_fwhm_arcsec=images.widths["recorded"].mean,
            known_instrument_arcsec=facts.known_instrument_arcsec,
            registration_noise_arcsec2=registration_noise_arcsec2(tracks, scale),
            continuum=None if search is None else search.continuum,
            mask=None if view.mask is None else view.mask.prior,
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
        SplitSetup(optics, facts.blur_time_s, scale, facts.dispersion, N_WIDTHS),
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
    _restacked(account, tracks, grid, drift, split, scale)
    account.arrays |= curves.transfer_curves(fit)
    account.arrays |= curves.air_curves(fit, account.arrays["frequency_hz"])
    if len(pairs.separation_px):
        widest = float(pairs.separation_px.max()) * scale
        account.arrays |= curves.pair_model_curves(fit, facts, widest)
    times, widths = width_against_exposure(tracks, scale, grid.cadence_s)
    account.arrays["exposure_grid_s"], account.arrays["exposure_fwhm_arcsec"] = times, widths


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
        has_lines=any(line.owner == "structure" for line in found),
        limit_arcsec=evidence.structure_limit_arcsec,
        sky_x_deg=None,
    )
    account.parts["tracking"] = assemble.tracking_part(split, drift, None)
    account.parts["unassigned"] = assemble.unassigned_part(split, None)
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


def _restacked(
    account: Account,
    tracks: StarTracks,
    grid: GridData,
    drift: DriftDraws,
    split: Split,
    scale: float,
) -> None:
    """Shift the frames by what was estimated, add them, and write down both kinds of width."""
    tracking = series_on_frames(tracks, grid, drift.series)
    structure = series_on_frames(tracks, grid, split.structure_series)
    account.arrays["tracking_x_arcsec"], account.arrays["tracking_y_arcsec"] = tracking.T
    account.arrays["structure_x_arcsec"], account.arrays["structure_y_arcsec"] = structure.T
    removed = {
        "without_tracking": tracking / scale,
        "without_structure": structure / scale,
        "without_both": (tracking + structure) / scale,
    }
    images = star_images(tracks, account.facts.blur_time_s, scale, removed)
    if images is None:
        return
    _keep_images(account, images)
    account.parts["fwhm"] = assemble.fwhm_part(
        split,
        account.facts,
        images.recorded_estimates(),
        {name: images.widths[name].mean for name in removed},
    )
    recorded = images.widths["recorded"].mean
    modelled = float(np.median(split.recorded))
    apart = abs(modelled / recorded - 1.0)
    if apart > WIDTH_DISAGREEMENT:
        account.evidence.frames_disagree = True
        account.warn(
            "widths-disagree",
            f"the modelled width of {modelled:.2f} arcsec and the recorded one of "
            f"{recorded:.2f} arcsec differ by {100 * apart:.0f} %",
        )
