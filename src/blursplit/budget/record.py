"""The stages between star tracks and the fit, each a frozen record of what it found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from blursplit import constants as const
from blursplit.budget.lines import (
    FoundLine,
    StarImage,
    name_found,
    weigh_aliases,
)
from blursplit.definitions import History, width
from blursplit.drive.terms import DriveTerm, terms_of_drive, without_drive
from blursplit.evidence.guest import Guest, Record
from blursplit.evidence.guide_loop import NAME as GUIDE_LOOP
from blursplit.evidence.guide_loop import find_guide_motion
from blursplit.evidence.rolling_rows import align_rows, kept_by_rows, rolling_shutter_lines
from blursplit.facts import duration_s, longest_stretch_s
from blursplit.image.stack import StarImages, star_images
from blursplit.motion import CommonMotion, PairStatistics
from blursplit.motion.common import GridData, GridSegment, grid_data
from blursplit.result import Remark
from blursplit.rig import Rig
from blursplit.spectra import (
    AliasDecision,
    LineFit,
    LineSearch,
    find_lines,
    lomb_scargle_density,
    shared_probability,
    steady_chance,
)
from blursplit.spectra.detection_limit import mode_limit_arcsec
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray

__all__ = [
    "Allowed",
    "Lines",
    "Motion",
    "Record",
    "find_shared_lines",
    "prepare",
    "what_can_be_said",
]


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


@dataclass(frozen=True)
class Allowed:
    """How much a record can say, and why not more."""

    level: str
    reasons: tuple[Remark, ...]
    steps: tuple[str, ...]


@dataclass(frozen=True)
class Lines:
    """Lines of the shared motion, and what the search would have found."""

    search: LineSearch | None
    found: tuple[FoundLine, ...]
    # `hidden_hz`, `hidden_limit_arcsec`: rms at which 95 % of the modes of each true frequency are
    # found.
    hidden_hz: FloatArray
    hidden_limit_arcsec: FloatArray
    # (rms, (low, high)): the largest of them over the band that the frames show.
    undetected: tuple[float, tuple[float, float]] | None
    arrays: dict[str, FloatArray]  # densities, where the times are uneven


def prepare(
    tracks: StarTracks, rig: Rig, blur_time_s: float | None, guests: Sequence[Guest]
) -> Record:
    """Undo what is special about a record."""
    record = Record.of(tracks, rig, blur_time_s)
    for guest in guests:
        record = guest.prepare(record)
    return record


def shared_and_differential(
    record: Record, found_before: tuple[DriveTerm, ...] | None = None
) -> Motion:
    """Put the motion on a grid of times, if its times follow one.

    `found_before`: terms of the drive that an earlier part of the run has shown; none are looked
    for then.
    """
    tracks, facts = record.tracks, record.facts
    grid = None
    if not facts.is_long and tracks.cadence_s is not None and tracks.timing != "irregular":
        grid = grid_data(
            tracks,
            record.motion,
            scale_arcsec=facts.scale_arcsec or 1.0,
            cadence_s=tracks.cadence_s,
        )
    length = longest_stretch_s(tracks) if grid is None else grid.longest_s
    terms = terms_of_drive(record.rig, grid, length, found_before)
    quiet = None if grid is None else align_rows(without_drive(grid, terms))
    return Motion(record.motion, record.pairs, terms, grid, quiet)


def stack_stars(record: Record) -> StarImages | None:
    """Add up the cut-outs, as recorded and registered."""
    facts = record.facts
    return star_images(record.images, facts.blur_time_s, facts.scale_arcsec or 1.0, {})


def what_can_be_said(record: Record, motion: Motion, stack: StarImages | None) -> Allowed:
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
        lower(
            "positions",
            "blur-time-too-long",
            "longer-run",
            blur_time_s=facts.blur_time_s,
            duration_s=duration_s(tracks),
        )
    if motion.grid is None:
        lower(
            "widths",
            *_no_spectra(record),
            exposure_s=tracks.exposure_s,
            frames=tracks.n_frames,
        )
    return Allowed(level, tuple(reasons), tuple(steps))


def _no_spectra(record: Record) -> tuple[str, str]:
    """Return why there are no spectra, and what would give them."""
    tracks = record.tracks
    if record.facts.is_long:
        return "long-frames", "shorter-exposure"
    if tracks.cadence_s is None or tracks.timing == "irregular":
        return "irregular-times", "give-times"
    return "few-frames", "longer-run"


@dataclass(frozen=True)
class _Family:
    """A fundamental and its harmonics."""

    members: tuple[int, ...]  # indices of the lines
    chance: float  # probability that lines placed at random would match as well


def _group_harmonics(frequency_hz: FloatArray, sigma_hz: FloatArray) -> tuple[_Family, ...]:
    """Group lines whose frequencies are whole multiples of the lowest of them.

    `frequency_hz`, `sigma_hz` (l,): frequencies and standard errors. The fundamental must be among
    them.

    Returns: each line belongs to one family at most; the least accidental family is taken first.
    """
    left = set(range(frequency_hz.size))
    families: list[_Family] = []
    while True:
        found = [_family_of(k, frequency_hz, sigma_hz, left) for k in sorted(left)]
        proper = [f for f in found if f is not None and f.chance <= const.FAMILY_LARGEST_CHANCE]
        if not proper:
            return tuple(families)
        best = min(proper, key=lambda family: family.chance)
        families.append(best)
        left -= set(best.members)


def _family_of(
    base: int, frequency: FloatArray, sigma: FloatArray, left: set[int]
) -> _Family | None:
    members, chance = [base], 1.0
    for other in sorted(left - {base}):
        multiple = round(float(frequency[other] / frequency[base]))
        if not 2 <= multiple <= const.FAMILY_HIGHEST_HARMONIC:  # noqa: PLR2004
            continue
        reach = const.FAMILY_SIGMAS * float(np.hypot(sigma[other], multiple * sigma[base]))
        if abs(frequency[other] - multiple * frequency[base]) <= reach:
            members.append(other)
            # a line at random falls this near to some multiple with this probability
            chance *= min(1.0, 2.0 * reach / float(frequency[base]))
    if len(members) == 1:
        return None
    trials = max(1, len(left) - 1)
    return _Family(tuple(members), min(1.0, chance * trials))


def _search_lines(
    grid: GridData,
    tracks: StarTracks,
    rig: Rig,
    star: StarImage | None,
    guests: Sequence[Guest] = (),
) -> tuple[LineSearch | None, list[FoundLine]]:
    """Find the lines of the shared motion.

    `rig`: for time stamps, row times, declared periods and known sources of vibration. `star`:
    widths of the registered star, in the unit of the grid. `guests`: what else tells aliases apart.

    Returns `search`: none when the record is too short; `lines`: only lines that all stars share
    (or of a single star).
    """
    time, motion, segment = grid.time_s, grid.shared_arcsec, grid.number
    try:
        search = find_lines(time, motion, cadence_s=grid.cadence_s, segment=segment)
    except ValueError:
        return None, []
    fits = rolling_shutter_lines(grid, time, segment, list(search.lines))
    frequency = np.array([fit.frequency_hz for fit in fits])
    sigma = np.array([fit.frequency_sigma for fit in fits])
    family_of: dict[int, int] = {}
    for number, family in enumerate(_group_harmonics(frequency, sigma)):
        family_of.update(dict.fromkeys((int(m) for m in family.members), number))
    longest = max(grid.segments, key=lambda s: len(s.real))
    lines = []
    for i, fit in enumerate(fits):
        shared = _shared(grid, longest, fit, search)
        if shared is not None and shared < const.SHARED_ENOUGH:
            continue
        alias = weigh_aliases(grid, longest, fit, search, tracks, rig, star, guests)
        kept = kept_by_rows(alias.candidates_hz, grid.row_time_s, grid.cadence_s)
        if all(fit is not line for line in search.lines):
            # found with the rows' delays undone: the mean over the rows shows this much of it
            fit = _scaled(fit, float(kept[int(np.argmax(alias.odds))]))  # noqa: PLW2901
        steady = _steady_chance(longest, fit, grid.cadence_s)
        lines.append(
            FoundLine(fit, shared, alias, family=family_of.get(i), kept=kept, steady_chance=steady)
        )
    lines = name_found(lines, rig, cadence_s=grid.cadence_s, lowest_hz=search.searched_hz[0])
    return search, _with_guide_loop(lines, grid, rig)


def _with_guide_loop(lines: list[FoundLine], grid: GridData, rig: Rig) -> list[FoundLine]:
    """Give the lines in a guide loop's bump to tracking; the bump itself where none was found."""
    guide = find_guide_motion(grid, rig)
    if guide is None:
        return lines
    low, high = guide.band_hz
    odds = {GUIDE_LOOP: guide.odds, "unknown": 1.0 - guide.odds}
    if any(low <= line.fit.frequency_hz <= high for line in lines):
        return [
            replace(line, owner="tracking", cause=GUIDE_LOOP, cause_odds=odds)
            if low <= line.fit.frequency_hz <= high
            else line
            for line in lines
        ]
    alias = AliasDecision(np.array([guide.line.frequency_hz]), np.ones(1), ("guide cycle",))
    bump = FoundLine(guide.line, None, alias, GUIDE_LOOP, odds, "tracking")
    return sorted([*lines, bump], key=lambda line: line.fit.frequency_hz)


def _scaled(fit: LineFit, power: float) -> LineFit:
    return replace(
        fit,
        covariance=power * fit.covariance,
        covariance_sigma=power * fit.covariance_sigma,
        psd_model=power * fit.psd_model,
    )


def _shared(grid: GridData, piece: GridSegment, fit: LineFit, search: LineSearch) -> float | None:
    rows, motion = grid.row_time_s, piece.read_xy_arcsec
    signs = ((0, 1),) if rows is None else ((0, 1), (1, -1), (1, 1), (2, -1), (2, 1))
    return shared_probability(*motion, grid.cadence_s, fit, search.continuum, rows, signs)


def _steady_chance(piece: GridSegment, fit: LineFit, cadence_s: float) -> float | None:
    """Return the chance of so steady a line; None for one that is wider than the record resolves.

    As many samples as the search takes at once, whatever the length of the record.
    """
    if fit.kind != "steady":
        return None
    angle = np.radians(fit.angle_deg)
    along = piece.shared_arcsec[: const.LINE_PIECE_SAMPLES] @ np.array(
        [np.cos(angle), np.sin(angle)]
    )
    return steady_chance(along, cadence_s, fit.frequency_hz, fit.frequency_sigma)


def _lines_at_own_times(
    tracks: StarTracks, motion: CommonMotion, scale_arcsec: float, rig: Rig
) -> tuple[tuple[FoundLine, ...], dict[str, FloatArray]] | None:
    """Search the shared motion at the frames' own times, at which nothing folds a line.

    `tracks`: irregular in time. `scale_arcsec`: arcsec per pixel (1 to stay in pixels).

    Returns: lines; frequencies and densities of the shared motion along x and y, of the longest
    stretch, and the 68 % band of their sum. None with fewer than 100 frames in that stretch.

    Generalised Lomb-Scargle periodogram for the density; the search transforms at the same times.
    Up to half the usual rate only: intervals that scatter fold no frequency onto another, but hide
    none either, and what is faster shows as a raised floor.
    """
    from scipy.stats import chi2

    shared = scale_arcsec * motion.xy_px
    good = np.isfinite(shared).all(axis=1)
    time_s, shared, segment = tracks.time_s[good], shared[good], tracks.segment[good]
    if not time_s.size:
        return None
    numbers, counts = np.unique(segment, return_counts=True)
    longest = segment == numbers[int(np.argmax(counts))]
    if longest.sum() < const.IRREGULAR_FEWEST_FRAMES:
        return None
    cadence_s = float(np.median(np.diff(time_s[longest])))
    search = find_lines(
        time_s, shared, cadence_s=cadence_s, timing="irregular", segment=segment.astype(np.int64)
    )
    at, part = (
        time_s[longest][: const.IRREGULAR_MOST_FRAMES],
        shared[longest][: const.IRREGULAR_MOST_FRAMES],
    )
    slope = np.polynomial.polynomial.polyfit(at, part, 1)
    part = part - (slope[0] + np.outer(at, slope[1]))
    span_s = float(at[-1] - at[0])
    frequency = np.arange(1, max(int(0.5 * span_s / cadence_s), 2)) / span_s
    densities = [lomb_scargle_density(at, part[:, axis], frequency) for axis in range(2)]
    total = densities[0] + densities[1]
    low, high = (float(chi2.ppf(part, const.IRREGULAR_FREEDOM)) for part in (0.15865, 0.84135))
    lines = [
        FoundLine(
            _doubted(fit),
            None,
            AliasDecision(np.array([fit.frequency_hz]), np.ones(1), ("uneven times",)),
        )
        for fit in search.lines
    ]
    lowest_hz = float(search.searched_hz[0])
    return tuple(name_found(lines, rig, cadence_s=cadence_s, lowest_hz=lowest_hz)), {
        "frequency_hz": frequency,
        "common_psd_x_arcsec2_hz": densities[0],
        "common_psd_y_arcsec2_hz": densities[1],
        "common_psd_low_arcsec2_hz": const.IRREGULAR_FREEDOM * total / high,
        "common_psd_high_arcsec2_hz": const.IRREGULAR_FREEDOM * total / low,
    }


def _doubted(fit: LineFit) -> LineFit:
    """Widen the errors of a line's size by what uneven times leave open."""
    size = np.sqrt(np.outer(np.diag(fit.covariance), np.diag(fit.covariance)))
    return replace(
        fit, covariance_sigma=np.hypot(fit.covariance_sigma, const.IRREGULAR_SIZE_ERROR * size)
    )


def find_shared_lines(record: Record, motion: Motion, stack: StarImages | None) -> Lines:
    """Find the lines of the shared motion, and what would have been found."""
    facts, tracks = record.facts, record.tracks
    none = np.zeros(0)
    if motion.quiet is None:
        if facts.is_long or tracks.timing != "irregular":
            return Lines(None, (), none, none, None, {})
        scale = facts.scale_arcsec or 1.0
        found, arrays = _lines_at_own_times(tracks, motion.shared, scale, record.rig) or ((), {})
        return Lines(None, found, none, none, None, arrays)
    star, conditions = None, record.conditions
    if stack is not None and conditions is not None:
        perfect = width(History(conditions, np.zeros(1), np.zeros(1, dtype=np.int64)))
        star = StarImage(stack.widths["registered"], stack.error("registered"), perfect)
    search, several = _search_lines(motion.quiet, tracks, record.rig, star, record.guests)
    if search is None:
        return Lines(None, tuple(several), none, none, None, {})
    at, limit, undetected = _limits(search, motion.quiet)
    return Lines(search, tuple(several), at, limit, undetected, {})


def _limits(
    search: LineSearch, grid: GridData
) -> tuple[FloatArray, FloatArray, tuple[float, tuple[float, float]] | None]:
    low, high = search.searched_hz
    frequency = np.geomspace(low, high, 200)
    density = search.continuum(frequency).max(axis=1)
    at = np.geomspace(max(const.SLOWEST_STRUCTURE_HZ, low), const.FASTEST_STRUCTURE_HZ, 60)
    limit = mode_limit_arcsec(
        at,
        const.LIMIT_DAMPING,
        frequency,
        density,
        duration_s=grid.longest_s,
        cadence_s=grid.cadence_s,
        exposure_s=grid.exposure_s,
    )
    band = (max(const.LOWEST_LIMIT_HZ, low), min(high, 0.5 / grid.cadence_s))
    seen = (at >= band[0]) & (at <= band[1]) & np.isfinite(limit)
    undetected = (float(limit[seen].max()), band) if np.any(seen) else None
    return at, limit, undetected
