"""The stages between star tracks and the fit, each a frozen record of what it found."""

from __future__ import annotations

from dataclasses import dataclass

from blursplit.drive.terms import DriveRecord, DriveTerm
from blursplit.evidence.guest import Record
from blursplit.image.stack import StarImages
from blursplit.motion import CommonMotion, PairStatistics
from blursplit.motion.common import GridData
from blursplit.result import Remark


@dataclass(frozen=True)
class Motion:
    """Shared and differential motion; `grid` and `quiet` are None where there are no spectra.

    `quiet` has the drive's fitted terms and the delays of the rows taken out, for the line search
    and the air's fit.
    """

    shared: CommonMotion
    pairs: PairStatistics
    terms: tuple[DriveTerm, ...]
    grid: GridData | None
    quiet: GridData | None

    @classmethod
    def of(cls, record: Record, found_before: tuple[DriveTerm, ...] | None = None) -> Motion:
        """Put the motion on a grid of times, if its times follow one.

        `found_before`: terms of the drive that an earlier part of the run has shown; none are
        looked for then.
        """
        tracks, facts = record.tracks, record.facts
        grid = None
        if not facts.is_long and tracks.cadence_s is not None and tracks.timing != "irregular":
            scale = facts.scale_arcsec or 1.0
            grid = GridData.of(
                tracks, record.motion, scale_arcsec=scale, cadence_s=tracks.cadence_s
            )
        length = tracks.longest_stretch_s if grid is None else grid.longest_s
        terms = DriveTerm.of_rig(record.rig, grid, length, found_before)
        quiet = grid
        if grid is not None and terms:
            quiet = grid.without(DriveRecord.of_grid(grid).fitted(terms))
        quiet = None if quiet is None else quiet.rows_aligned()
        return cls(record.motion, record.pairs, terms, grid, quiet)


@dataclass(frozen=True)
class Allowed:
    """How much a record can say, and why not more."""

    level: str
    reasons: tuple[Remark, ...]
    steps: tuple[str, ...]

    @classmethod
    def of(cls, record: Record, motion: Motion, stack: StarImages | None) -> Allowed:
        """Return the level of the answer: positions < widths < split, with the reasons for less."""
        facts, tracks = record.facts, record.tracks
        reasons: list[Remark] = []
        steps: list[str] = []
        level = "split"

        def lower(to: str, code: str, step: str | None = None, **more: float | str | None) -> None:
            nonlocal level
            level = min(level, to, key=("positions", "widths", "split").index)
            reasons.append(Remark.of(code, **more))
            if step is not None:
                steps.append(step)

        if record.barred is not None:
            level = "positions"
            reasons.append(record.barred)
        if facts.scale_arcsec is None:
            lower("positions", "no-pixel-scale", "state-pixel-scale")
        elif facts.optics is None and record.barred is None:
            lower("positions", "no-aperture", "state-aperture")
        if stack is None:
            narrow = any(code == "undersampled" for code, _ in tracks.notes)
            lower("positions", "no-star-image", "finer-sampling" if narrow else "raw-frames")
        if not facts.within_record:
            lengths = {"blur_time_s": facts.blur_time_s, "duration_s": tracks.duration_s}
            lower("positions", "blur-time-too-long", "longer-run", **lengths)
        if motion.grid is None:
            lower(
                "widths", *_no_spectra(record), exposure_s=tracks.exposure_s, frames=tracks.n_frames
            )
        return cls(level, tuple(reasons), tuple(steps))


def _no_spectra(record: Record) -> tuple[str, str]:
    """Return why there are no spectra, and what would give them."""
    tracks = record.tracks
    if record.facts.is_long:
        return "long-frames", "shorter-exposure"
    if tracks.cadence_s is None or tracks.timing == "irregular":
        return "irregular-times", "give-times"
    return "few-frames", "longer-run"
