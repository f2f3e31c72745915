"""One star seen twice through a mask: the two images paired, the air measured, one star made.

What the images do differently is air, whatever telescope and mount do; what they do together
goes on through the budget as the motion of one star.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.estimate import Estimate, estimate, with_error
from blursplit.evidence.guest import Guest, KnownStrength, Record, motion_and_pairs
from blursplit.evidence.two_apertures import MaskGeometry, MaskResult, find_mask_pairs, measure_mask
from blursplit.facts import Facts, gather_facts
from blursplit.result import Atmosphere, Remark
from blursplit.rig import Rig
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.conversions import seeing_arcsec
from blursplit.types import FloatArray, sure

EVIDENCE = "two-aperture mask"
_MEANS = ("x_px", "y_px", "width_px", "e1", "e2", "peak_adu")  # of two images taken as one star


class MaskGuest(Guest):
    """A mask with two openings, where one is declared: it leaves one star and its reading."""

    def prepare(self, record: Record) -> Record:
        """Pair the images where a mask is declared."""
        if record.barred is not None:
            return record
        reading = _read_mask(record.tracks, record.rig, record.facts)
        if reading is None:
            return record
        if isinstance(reading, Remark):
            return record.without_air(reading)
        motion, pairs = motion_and_pairs(reading.tracks)
        return replace(
            record,
            tracks=reading.tracks,
            motion=motion,
            pairs=pairs,
            facts=reading.facts,
            guests=(*record.guests, reading),
        )


@dataclass(frozen=True)
class _MaskReading(Guest):
    """What the mask gave of the air."""

    result: MaskResult
    geometry: MaskGeometry
    columns: tuple[int, int]  # the two images among the tracks
    tracks: StarTracks  # one star that moves as the mean of the images; without stamps
    facts: Facts  # with the optics of one opening
    doubts: tuple[Remark, ...]  # those of the result among them

    @property
    def log_r0_error(self) -> float:
        """Sampling and systematic error of ln r0 together."""
        return float(np.hypot(self.result.log_r0_sigma, self.result.log_r0_systematic))

    @property
    def shapes_are_stars(self) -> bool:
        """Each image has passed one opening alone."""
        return False

    @property
    def strength(self) -> KnownStrength:
        """What the joint fit is told."""
        ln_j = -5.0 / 3.0 * float(np.log(self.result.r0_m))
        return KnownStrength((ln_j, 5.0 / 3.0 * self.log_r0_error), self.geometry.separation_m)

    def lower_strength(self, rng: np.random.Generator) -> FloatArray:
        """Return draws of the smallest r0^(-5/3): the variance as measured, no exposure undone."""
        axes = (self.result.along, self.result.across)
        j = float(np.mean([axis.uncorrected_r0_m ** (-5.0 / 3.0) for axis in axes]))
        sigma = float(np.hypot(5.0 / 3.0 * self.result.log_r0_sigma, const.MASK_KERNEL_SIGMA))
        return np.asarray(j * np.exp(sigma * rng.standard_normal(const.MASK_DRAWS)))

    def parts(self, parts: dict[str, Any]) -> dict[str, Any]:
        """Put what the mask measured into the air's part."""
        return {**parts, "atmosphere": _with_mask(parts.get("atmosphere", Atmosphere()), self)}

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return the places of the two images, not the place between them."""
        tracks, columns = record.images, list(self.columns)
        return {
            f"star_{name}": np.nanmedian(tracks.seen(name)[:, columns], axis=0)
            for name in ("x_px", "y_px", "flux_adu")
        }

    def remarks(self) -> tuple[Remark, ...]:
        """Return what the two images say, and doubts about them."""
        return (_mask_remark(self), *self.doubts)


def _read_mask(tracks: StarTracks, rig: Rig, facts: Facts) -> _MaskReading | Remark | None:
    """Measure the air through the declared mask, or say why it gives none.

    `tracks`: the two images of the star among them. `rig`: with `mask_opening_m` and
    `mask_separation_m`; the split finds the images where there are more than two.
    """
    opening, separation = rig.get("mask_opening_m"), rig.get("mask_separation_m")
    split = rig.get("mask_split_arcsec")
    if opening is None and separation is None and split is None:
        return None
    pair = None
    if facts.scale_arcsec is not None:
        pair = _images(tracks, None if split is None else float(split) / facts.scale_arcsec)
    if opening is None or separation is None:
        # two images, and nothing else, look like those of a mask
        alike = pair is not None and tracks.n_stars == 2  # noqa: PLR2004
        return Remark.of("mask-openings-unknown") if alike else None
    if facts.scale_arcsec is None:
        return Remark.of("mask-no-scale")
    if separation < opening:
        return Remark.of("mask-overlap", separation_m=float(separation), opening_m=float(opening))
    if pair is None:
        because = "one image" if tracks.n_stars == 1 else "no split" if split is None else None
        images = float(tracks.n_stars)
        return Remark.of("mask-no-pair", because=because, images=images, split_arcsec=split)
    return _measure(tracks, rig, facts, float(opening), float(separation), pair)


def _images(tracks: StarTracks, split_px: float | None) -> tuple[int, int] | None:
    """Find the brightest pair of images, equally bright and as far apart as the wedge says."""
    flux = np.nanmedian(tracks.seen("flux_adu"), axis=0)
    if split_px is not None:
        pairs = find_mask_pairs(tracks.x_px, tracks.y_px, split_px)
    else:
        pairs = [(0, 1)] if tracks.n_stars == 2 else []  # noqa: PLR2004
    alike = [p for p in pairs if _ratio(flux, p) < const.MASK_NOT_A_PAIR]
    return max(alike, key=lambda p: float(flux[p[0]] + flux[p[1]])) if alike else None


def _ratio(flux: FloatArray, pair: tuple[int, int]) -> float:
    first, second = flux[pair[0]], flux[pair[1]]
    return float(max(first, second) / max(min(first, second), 1e-9))


def _measure(
    tracks: StarTracks,
    rig: Rig,
    facts: Facts,
    opening_m: float,
    separation_m: float,
    pair: tuple[int, int],
) -> _MaskReading | Remark:
    scale = sure(facts.scale_arcsec)
    both = int(np.count_nonzero(tracks.good[:, pair].all(axis=1)))
    if facts.is_long or tracks.exposure_s is None or tracks.cadence_s is None:
        return Remark.of("mask-exposure-unknown")
    if both < const.MASK_RUN_FRAMES:
        return Remark.of("mask-few-frames", frames=both, needed=const.MASK_RUN_FRAMES)
    own = rig.with_setting("aperture_m", opening_m, "option")
    own = own.with_setting("obstruction", 0.0, "option")
    through_one = gather_facts(tracks, own, facts.blur_time_s)
    optics = sure(through_one.optics)
    angle, notes = _direction(tracks, rig, pair)
    geometry = MaskGeometry(opening_m, separation_m, angle)
    place = list(pair)
    result = measure_mask(
        tracks.seen("x_px")[:, place] * scale,
        tracks.seen("y_px")[:, place] * scale,
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
        return Remark.of("mask-noise")
    return _MaskReading(
        result=result,
        geometry=geometry,
        columns=pair,
        tracks=_as_one_star(tracks, pair),
        facts=through_one,
        doubts=(*notes, *result.notes),
    )


def _direction(tracks: StarTracks, rig: Rig, pair: tuple[int, int]) -> tuple[float, list[Remark]]:
    """Return the direction of the line of the openings, and doubts about the images."""
    notes: list[Remark] = []
    flux = np.nanmedian(tracks.seen("flux_adu"), axis=0)
    ratio = _ratio(flux, pair)
    if ratio > const.MASK_UNEQUAL:
        notes.append(Remark.of("mask-images-unequal", times=ratio))
    declared = rig.get("mask_angle_deg")
    if declared is not None:
        return float(declared), notes
    dx, dy = (
        float(np.nanmedian(np.diff(tracks.seen(name)[:, list(pair)], axis=1)))
        for name in ("x_px", "y_px")
    )
    angle = float(np.degrees(np.arctan2(dy, dx)) % 180.0)
    notes.append(Remark.of("mask-angle-assumed", angle_deg=angle))
    return angle, notes


def _as_one_star(tracks: StarTracks, pair: tuple[int, int]) -> StarTracks:
    """Return one star at the mean of the two images, seen where both are."""
    place = list(pair)
    good = np.asarray(tracks.good[:, place].all(axis=1))[:, None]

    def mean(values: FloatArray) -> FloatArray:
        return np.where(good, values[:, place].mean(axis=1, keepdims=True), np.nan)

    same: dict[str, Any] = {name: mean(getattr(tracks, name)) for name in _MEANS}
    return replace(
        tracks,
        **same,
        row_time_s=tracks.row_time_s[:, place].mean(axis=1, keepdims=True),
        sigma_px=mean(tracks.sigma_px) / np.sqrt(2.0),
        flux_adu=2.0 * mean(tracks.flux_adu),
        good=good,
        stamps=None,
    )


# --- as parts of the result -----------------------------------------------------------------------
def _with_mask(part: Atmosphere, reading: _MaskReading) -> Atmosphere:
    """Put what the mask measured into the air's part, in place of the joint fit's."""
    result = reading.result
    update: dict[str, object] = {
        "r0_500nm_zenith_m": _log_estimate(result.r0_500nm_zenith_m, reading.log_r0_error),
        "seeing_500nm_zenith_arcsec": _log_estimate(
            float(seeing_arcsec(result.r0_500nm_zenith_m, const.SEEING_WAVELENGTH_M)),
            reading.log_r0_error,
        ),
        "evidence": [EVIDENCE, *part.evidence],
    }
    if part.lower_seeing_arcsec is None:
        to_zenith = result.r0_500nm_zenith_m / result.r0_m
        r0_m = to_zenith * reading.lower_strength(np.random.default_rng(0)) ** -0.6
        update["lower_seeing_arcsec"] = estimate(seeing_arcsec(r0_m, const.SEEING_WAVELENGTH_M))
    if part.wind_m_s is None:
        low, middle, high = result.wind_m_s
        update["wind_m_s"] = Estimate(value=middle, low=low, high=high)
    return part.model_copy(update=update)


def _mask_remark(reading: _MaskReading) -> Remark:
    """Return what the two images say, as facts."""
    result, geometry = reading.result, reading.geometry
    expected = np.sqrt(result.expected_common_arcsec2)
    common = np.sqrt(np.maximum(result.common_variance_arcsec2, 0.0))
    return Remark.of(
        "mask",
        opening_m=geometry.opening_m,
        separation_m=geometry.separation_m,
        r0_m=result.r0_500nm_zenith_m,
        relative_error=float(np.expm1(reading.log_r0_error)),
        r0_along_m=result.along.r0_m,
        r0_across_m=result.across.r0_m,
        common_x_arcsec=float(common[0]),
        common_y_arcsec=float(common[1]),
        expected_x_arcsec=float(expected[0]),
        expected_y_arcsec=float(expected[1]),
    )


def _log_estimate(value: float, log_sigma: float) -> Estimate:
    return with_error(float(np.log(value)), log_sigma, np.exp)
