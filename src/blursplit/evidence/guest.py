"""The record of a run, and the faces of the special cases that know more than its stars alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.definitions import Conditions
from blursplit.facts import Facts
from blursplit.image.otf import DefocusShape, OpticsData
from blursplit.image.stack import StarImages
from blursplit.motion import CommonMotion, PairStatistics
from blursplit.motion.common import GridData
from blursplit.motion.inside import FrameTensors, InsideMotion
from blursplit.result import NextStep, Remark
from blursplit.rig import Rig
from blursplit.spectra import LineFit
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


@dataclass(frozen=True)
class Record:
    """Star tracks and what is known beside them, special cases undone."""

    whole: StarTracks  # as followed, of two frame rates the longer part
    # What the budget is drawn from: behind a mask one star in place of its two images.
    tracks: StarTracks
    images: StarTracks  # the tracks with stamps, image by image; widths are measured on these
    motion: CommonMotion
    pairs: PairStatistics
    rig: Rig
    facts: Facts  # behind a mask: with the optics of one opening
    guests: tuple[Guest, ...] = ()  # the special cases that this record is
    barred: Remark | None = None  # why nothing may be said of the air

    @classmethod
    def of(
        cls, tracks: StarTracks, rig: Rig, blur_time_s: float | None, guests: Sequence[Guest] = ()
    ) -> Record:
        """Return the record of tracks; the guests undo what is special about it."""
        facts = Facts.of(tracks, rig, blur_time_s)
        record = cls(tracks, tracks, tracks, *_motion_and_pairs(tracks), rig, facts)
        for guest in guests:
            record = guest.prepare(record)
        return record

    @property
    def conditions(self) -> Conditions | None:
        """Telescope and camera of the images; None without an aperture or a scale."""
        optics = self.facts.optics
        if optics is None or self.facts.scale_arcsec is None:
            return None
        return Conditions(
            optics.aperture_m, optics.obstruction, optics.wavelength_m, self.facts.scale_arcsec
        )

    @property
    def strength(self) -> KnownStrength | None:
        """What a guest has measured of the air."""
        return next((g.strength for g in self.guests if g.strength is not None), None)

    @property
    def shapes_are_stars(self) -> bool:
        """Whether the shapes of the images are those of stars through the whole telescope."""
        return all(guest.shapes_are_stars for guest in self.guests)

    def stacked(self) -> StarImages | None:
        """Add up the cut-outs, as recorded and registered."""
        facts = self.facts
        return StarImages.of(self.images, facts.blur_time_s, facts.scale_arcsec or 1.0, {})

    def inside(
        self, swings: tuple[FloatArray, FloatArray] | None, seed: int
    ) -> InsideMotion | None:
        """Return what the shapes of the stars say of motion inside the frames.

        `swings`: frequencies [Hz] that it may have, and how much of it each has, where known.

        Not where frames are so short that no mode of a mount has half its motion inside, nor where
        they lie so far apart that every mode has forgotten itself: focus and air change slowly.
        """
        tracks, optics, scale = self.images, self.facts.optics, self.facts.scale_arcsec
        exposure, cadence = tracks.exposure_s, tracks.cadence_s
        if exposure is None or cadence is None or exposure < const.STEADY_BLUR_EXPOSURE_S:
            return None
        if cadence > const.LONGEST_RINGING_S:
            return None
        if scale is None or optics is None or not self.shapes_are_stars:
            return None
        tensors = FrameTensors.of(tracks, scale, gain_e_per_adu=self.rig.get("gain_e_per_adu"))
        if tensors is None:
            return None
        air_time_s = optics.aperture_m / optics.wind_m_s[0]
        return InsideMotion.of(
            tensors, exposure, cadence, air_time_s=air_time_s, swings=swings, seed=seed
        )

    def with_tracks(self, tracks: StarTracks, facts: Facts) -> Record:
        """Return the record drawn from other tracks, whose motion is measured anew."""
        motion, pairs = _motion_and_pairs(tracks)
        return replace(self, tracks=tracks, motion=motion, pairs=pairs, facts=facts)

    def without_air(self, why: Remark) -> Record:
        """Return the record barred from saying anything of the air."""
        return replace(self, facts=replace(self.facts, optics=None), barred=why)


def _motion_and_pairs(tracks: StarTracks) -> tuple[CommonMotion, PairStatistics]:
    """Return the shared motion of the stars, and what pairs of them do differently."""
    motion = CommonMotion.of(tracks)
    pairs = PairStatistics.of(
        tracks, reference_x_px=motion.reference_x_px, reference_y_px=motion.reference_y_px
    )
    return motion, pairs


@dataclass(frozen=True)
class KnownStrength:
    """A guest's word on the air."""

    # (mean, sigma): of ln r0^(-5/3) at the observing wavelength along the line of sight.
    ln_j: tuple[float, float]
    separation_m: float  # distance of the openings whose mean motion the record shows


@dataclass(frozen=True)
class KnownOptics:
    """A guest's word on the optics."""

    source: str  # what it was measured with
    least_arcsec2: FloatArray | None  # draws of the variance of the part that was measured
    shape: DefocusShape | None  # of that part, where it is shown


class Guest:
    """A special case: what it may add to each stage, by default nothing."""

    alias_evidence = ""  # what its log odds are called in a line's evidence
    parts_winds = False  # whether it tells layers of different winds apart

    @property
    def shapes_are_stars(self) -> bool:
        """Whether the shapes of the images are those of stars through the whole telescope."""
        return True

    @property
    def strength(self) -> KnownStrength | None:
        """What it has measured of the air."""
        return None

    def prepare(self, record: Record) -> Record:
        """Return the record with this special case undone, and with this guest if it is one."""
        return replace(record, guests=(*record.guests, self))

    def alias_log_odds(self, line: LineFit, candidates_hz: FloatArray) -> FloatArray | None:
        """Return the log likelihood of each true frequency that a line may have."""
        del line, candidates_hz
        return None

    def seen(
        self, record: Record, stack: StarImages, grid: GridData, transfer: OpticsData | None
    ) -> Guest:
        """Return the guest with what the star's image tells it."""
        del record, stack, grid, transfer
        return self

    @property
    def optics(self) -> KnownOptics | None:
        """What it has measured of the optics."""
        return None

    def lower_strength(self, rng: np.random.Generator) -> FloatArray | None:
        """Return draws of the smallest r0^(-5/3) in place of those of the pairs."""
        del rng
        return None

    def constraint(self, theta: Any) -> FloatArray:
        """Return the log probability of each row of the fit's parameters."""
        del theta
        return np.zeros(1)

    @property
    def known_paths(self) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Return (path, sigma) by owner of what it has taken out of the motion."""
        return {}

    def mechanical_share(self, fit: Any, seed: int) -> FloatArray | None:
        """Return how much of each fitted row's open motion is shown to be none of the air's."""
        del fit, seed
        return None

    def parts(self, parts: dict[str, Any]) -> dict[str, Any]:
        """Return the parts of the result with what it has measured."""
        return parts

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return arrays for the figures."""
        del record
        return {}

    def remarks(self) -> tuple[Remark, ...]:
        """Return what is to be said, as facts."""
        return ()

    def steps(self) -> tuple[NextStep, ...]:
        """Return what is to be done first of all."""
        return ()


@dataclass(frozen=True)
class AboveTheAir(Guest):
    """A telescope in space: nothing may be said of an atmosphere."""

    note: str = "target-pixels"  # of the frames room

    def prepare(self, record: Record) -> Record:
        """Bar the record from the air where its files are those of such a telescope."""
        if not any(code == self.note for code, _ in record.tracks.notes):
            return record
        return record.without_air(Remark.of("above-the-air"))
