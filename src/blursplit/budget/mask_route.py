"""One star seen twice through a mask: the two images paired, the air measured, one star made.

What the images do differently is air, whatever telescope and mount do; what they do together
goes on through the budget as the motion of one star.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.facts import gather_facts
from blursplit.budget.mask_prior import MaskPrior
from blursplit.evidence.two_apertures import MaskGeometry, MaskResult, find_mask_pairs, measure_mask

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.facts import Facts
    from blursplit.rig import Instrument
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

UNEQUAL = 1.5  # flux ratio of the images that is worth a word
NOT_A_PAIR = 3.0  # flux ratio beyond which they are two stars
KERNEL_SIGMA = 0.05  # of J: tilt that the centroid measures and outer scale; physics of tilt, 3 %
N_DRAWS = 300
MIN_FRAMES = 64


@dataclass(frozen=True)
class MaskFailure:
    """Why a declared mask gives no air."""

    code: str
    text: str


@dataclass(frozen=True)
class MaskReading:
    """What the mask gave.

    Parameters
    ----------
    result : MaskResult
    geometry : MaskGeometry
    columns : (int, int)
        The two images among the tracks.
    tracks : StarTracks
        One star that moves as the mean of the images; without stamps.
    facts : Facts
        With the optics of one opening.
    aperture_m : float or None
        Of the whole telescope, where it is known.
    obstruction : float
    notes : tuple of (code, text)
        Doubts, those of the result among them.
    """

    result: MaskResult
    geometry: MaskGeometry
    columns: tuple[int, int]
    tracks: StarTracks
    facts: Facts
    aperture_m: float | None
    obstruction: float
    notes: tuple[tuple[str, str], ...]

    @property
    def log_r0_error(self) -> float:
        """Sampling and systematic error of ln r0 together."""
        return float(np.hypot(self.result.log_r0_sigma, self.result.log_r0_systematic))

    @property
    def prior(self) -> MaskPrior:
        """What the joint fit is told."""
        ln_j = -5.0 / 3.0 * float(np.log(self.result.r0_m))
        return MaskPrior((ln_j, 5.0 / 3.0 * self.log_r0_error), self.geometry.separation_m)

    def lower_j(self, rng: np.random.Generator) -> FloatArray:
        """Return draws of the smallest r0^(-5/3): the variance as measured, no exposure undone."""
        axes = (self.result.along, self.result.across)
        j = float(np.mean([axis.uncorrected_r0_m ** (-5.0 / 3.0) for axis in axes]))
        sigma = float(np.hypot(5.0 / 3.0 * self.result.log_r0_sigma, KERNEL_SIGMA))
        return np.asarray(j * np.exp(sigma * rng.standard_normal(N_DRAWS)))


def read_mask(
    tracks: StarTracks, instrument: Instrument, facts: Facts
) -> MaskReading | MaskFailure | None:
    """Measure the air through the declared mask.

    Parameters
    ----------
    tracks : StarTracks
        The two images of the star among them.
    instrument : Instrument
        With `mask_opening_m` and `mask_separation_m`; the split finds the images where there
        are more than two.
    facts : Facts

    Returns
    -------
    MaskReading, or MaskFailure with its reason, or None where no mask was declared.
    """
    opening, separation = instrument.get("mask_opening_m"), instrument.get("mask_separation_m")
    split = instrument.get("mask_split_arcsec")
    if opening is None and separation is None and split is None:
        return None
    pair = None
    if facts.scale_arcsec is not None:
        pair = _images(tracks, None if split is None else float(split) / facts.scale_arcsec)
    if opening is None or separation is None:
        return _recognised(tracks, pair)
    if facts.scale_arcsec is None:
        return MaskFailure("mask-no-scale", "without a pixel scale the mask measures no air")
    if separation < opening:
        text = "the openings of the mask overlap: mask.separation_m is below mask.opening_m"
        return MaskFailure("mask-overlap", text)
    if pair is None:
        return MaskFailure("mask-no-pair", _why_no_pair(tracks, split))
    return _measure(tracks, instrument, facts, float(opening), float(separation), pair)


def _recognised(tracks: StarTracks, pair: tuple[int, int] | None) -> MaskFailure | None:
    """Return what is missing where two images, and nothing else, look like those of a mask."""
    if pair is None or tracks.n_stars != 2:  # noqa: PLR2004 - the two images alone
        return None
    text = (
        "two equally bright images stand apart by the declared split: give mask.opening_m and "
        "mask.separation_m, and the mask measures the air"
    )
    return MaskFailure("mask-openings-unknown", text)


def _images(tracks: StarTracks, split_px: float | None) -> tuple[int, int] | None:
    """Find the brightest pair of images, equally bright and as far apart as the wedge says."""
    flux = np.nanmedian(np.where(tracks.good, tracks.flux_adu, np.nan), axis=0)
    if split_px is not None:
        pairs = find_mask_pairs(tracks.x_px, tracks.y_px, split_px)
    else:
        pairs = [(0, 1)] if tracks.n_stars == 2 else []  # noqa: PLR2004
    alike = [p for p in pairs if _ratio(flux, p) < NOT_A_PAIR]
    return max(alike, key=lambda p: float(flux[p[0]] + flux[p[1]])) if alike else None


def _ratio(flux: FloatArray, pair: tuple[int, int]) -> float:
    first, second = flux[pair[0]], flux[pair[1]]
    return float(max(first, second) / max(min(first, second), 1e-9))


def _why_no_pair(tracks: StarTracks, split: float | None) -> str:
    if tracks.n_stars < 2:  # noqa: PLR2004
        return "one image alone was found: the mask needs both images of the star in every frame"
    if split is None:
        return (
            f"{tracks.n_stars} images were found and nothing tells which two belong together: "
            "give mask.split_arcsec"
        )
    return (
        f"no two equally bright images stand {split:g} arcsec apart: check mask.split_arcsec "
        "and the pixel scale"
    )


def _measure(
    tracks: StarTracks,
    instrument: Instrument,
    facts: Facts,
    opening_m: float,
    separation_m: float,
    pair: tuple[int, int],
) -> MaskReading | MaskFailure:
    scale = facts.scale_arcsec
    assert scale is not None  # noqa: S101 - the caller has checked
    both = int(np.count_nonzero(tracks.good[:, pair].all(axis=1)))
    if facts.is_long or tracks.exposure_s is None or tracks.cadence_s is None:
        text = "the mask needs short frames of known exposure and interval: 2 to 10 ms are best"
        return MaskFailure("mask-exposure-unknown", text)
    if both < MIN_FRAMES:
        text = f"only {both} frames show both images of the mask, {MIN_FRAMES} are needed"
        return MaskFailure("mask-few-frames", text)
    own = instrument.with_setting("aperture_m", opening_m, "option")
    own = own.with_setting("obstruction", 0.0, "option")
    through_one = gather_facts(tracks, own, facts.blur_time_s)
    optics = through_one.optics
    assert optics is not None  # noqa: S101 - scale and opening are known
    angle, notes = _direction(tracks, instrument, pair)
    geometry = MaskGeometry(opening_m, separation_m, angle)
    place = list(pair)
    result = measure_mask(
        _seen(tracks, tracks.x_px)[:, place] * scale,
        _seen(tracks, tracks.y_px)[:, place] * scale,
        tracks.sigma_px[:, place] * scale,
        geometry,
        wavelength_m=optics.wavelength_m,
        exposure_s=tracks.exposure_s,
        cadence_s=tracks.cadence_s,
        segment=tracks.segment,
        airmass=facts.airmass,
        outer_scale_m=optics.outer_scale_m,
        wind_m_s=optics.wind_m_s,
    )
    if not np.isfinite(result.r0_m):
        text = "what the mask's images do differently is not above the noise of their centroids"
        return MaskFailure("mask-noise", text)
    aperture = instrument.get("aperture_m")
    return MaskReading(
        result=result,
        geometry=geometry,
        columns=pair,
        tracks=_as_one_star(tracks, pair),
        facts=through_one,
        aperture_m=None if aperture is None else float(aperture),
        obstruction=float(instrument.get("obstruction") or 0.0),
        notes=(*notes, *result.notes),
    )


def _seen(tracks: StarTracks, values: FloatArray) -> FloatArray:
    return np.where(tracks.good, values, np.nan)


def _direction(
    tracks: StarTracks, instrument: Instrument, pair: tuple[int, int]
) -> tuple[float, list[tuple[str, str]]]:
    """Return the direction of the line of the openings, and doubts about the images."""
    notes = []
    flux = np.nanmedian(_seen(tracks, tracks.flux_adu), axis=0)
    ratio = _ratio(flux, pair)
    if ratio > UNEQUAL:
        text = (
            f"one image of the mask is {ratio:.1f} times as bright as the other: an opening is "
            "partly covered, or they are two stars"
        )
        notes.append(("mask-images-unequal", text))
    declared = instrument.get("mask_angle_deg")
    if declared is not None:
        return float(declared), notes
    dx, dy = (
        float(np.nanmedian(np.diff(_seen(tracks, at)[:, list(pair)], axis=1)))
        for at in (tracks.x_px, tracks.y_px)
    )
    angle = float(np.degrees(np.arctan2(dy, dx)) % 180.0)
    text = (
        f"mask.angle_deg was not given: the openings are taken to lie along the images, "
        f"{angle:.0f} deg from +x toward +y"
    )
    notes.append(("mask-angle-assumed", text))
    return angle, notes


def _as_one_star(tracks: StarTracks, pair: tuple[int, int]) -> StarTracks:
    """Return one star at the mean of the two images, seen where both are."""
    place = list(pair)
    good = np.asarray(tracks.good[:, place].all(axis=1))[:, None]

    def mean(values: FloatArray) -> FloatArray:
        return np.where(good, values[:, place].mean(axis=1, keepdims=True), np.nan)

    row_time = tracks.row_time_s[:, place].mean(axis=1, keepdims=True)
    return replace(
        tracks,
        row_time_s=row_time,
        x_px=mean(tracks.x_px),
        y_px=mean(tracks.y_px),
        sigma_px=mean(tracks.sigma_px) / np.sqrt(2.0),
        flux_adu=2.0 * mean(tracks.flux_adu),
        width_px=mean(tracks.width_px),
        e1=mean(tracks.e1),
        e2=mean(tracks.e2),
        peak_adu=mean(tracks.peak_adu),
        good=good,
        stamps=None,
    )
