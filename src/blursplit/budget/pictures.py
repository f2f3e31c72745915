"""Star images and plain arrays of the account, and the widths read off them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget import curves
from blursplit.budget.cured import fwhm_part, shifted_frames
from blursplit.image.stack import StarImages, star_images
from blursplit.result import Fwhm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.drift import DriftDraws
    from blursplit.budget.grid import GridData
    from blursplit.budget.ledger import Account
    from blursplit.budget.split import Split
    from blursplit.motion import CommonMotion, PairStatistics
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

WIDTH_DISAGREEMENT = 0.15
CONTRADICTION = 2.0  # no budget is drawn up from a model so far from the recorded width
OVERSAMPLING = 4  # of the star images that are kept


def plain_arrays(
    account: Account, tracks: StarTracks, motion: CommonMotion, pairs: PairStatistics
) -> None:
    """Keep the arrays that need no model: times, shared motion, stars, shapes, pairs."""
    scale = account.facts.scale_arcsec
    account.arrays["time_s"] = tracks.time_s
    account.arrays["star_x_px"] = motion.reference_x_px + np.nanmean(motion.x_px)
    account.arrays["star_y_px"] = motion.reference_y_px + np.nanmean(motion.y_px)
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


def recorded_widths(account: Account, images: StarImages) -> None:
    """Widths that need no model."""
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
        account.images[name] = (_enlarged(image, OVERSAMPLING) / top).astype(np.float32)


def _enlarged(image: FloatArray, factor: int) -> FloatArray:
    """Return a finer image for the eye, sample 0 in its place.

    Cubic splines: the exact band-limited image of a star hardly wider than its pixels rings far
    along rows and columns, which looks like structure of the star.
    """
    from scipy.ndimage import map_coordinates

    fine = np.arange(image.shape[0] * factor) / factor
    places = np.meshgrid(fine, fine, indexing="ij")
    return np.asarray(map_coordinates(image, places, order=3, mode="nearest"))


def restacked_widths(
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
    widths = {name: images.widths[name].mean for name in removed}
    account.parts["fwhm"] = fwhm_part(
        split,
        account.facts,
        images.recorded_estimates(),
        shifted_frames(widths, split, drift, grid, account.facts.blur_time_s),
    )
    recorded = images.widths["recorded"].mean
    modelled = float(np.median(split.recorded))
    apart = abs(modelled / recorded - 1.0)
    if max(modelled / recorded, recorded / modelled) > CONTRADICTION:
        account.evidence.frames_contradict = True
    if apart > WIDTH_DISAGREEMENT:
        account.evidence.frames_disagree = True
        account.warn(
            "widths-disagree",
            f"the modelled width of {modelled:.2f} arcsec and the recorded one of "
            f"{recorded:.2f} arcsec differ by {100 * apart:.0f} %",
        )


def series_on_frames(tracks: StarTracks, grid: GridData, series: list[FloatArray]) -> FloatArray:
    """Return motions on the grid at the frames of the tracks, shape (n_frames, 2); 0 outside."""
    out = np.zeros((tracks.n_frames, 2))
    for segment, motion in zip(grid.segments, series, strict=True):
        real = segment.frame >= 0
        out[segment.frame[real]] = motion[real]
    return out
