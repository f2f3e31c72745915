"""The search for lines of the shared motion, with what would have been found, and their aliases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.budget.lines import FoundLine
from blursplit.budget.record import Motion
from blursplit.definitions import History
from blursplit.evidence.guest import Guest, Record
from blursplit.evidence.guide_loop import NAME as GUIDE_LOOP
from blursplit.evidence.guide_loop import find_guide_motion
from blursplit.evidence.rolling_rows import rolling_shutter_lines
from blursplit.image.otf import HalfMaximum, streak_otf
from blursplit.image.stack import StarImages
from blursplit.motion import CommonMotion
from blursplit.motion.common import GridData, GridSegment
from blursplit.motion.inside import InsideMotion
from blursplit.motion.trails import Swing
from blursplit.rig import Rig
from blursplit.spectra import (
    AliasCandidates,
    AliasDecision,
    LineFit,
    LineSearch,
    lomb_scargle_density,
    shared_probability,
    steady_chance,
)
from blursplit.spectra.detection_limit import mode_limit_arcsec
from blursplit.stars.robust import remove_trend
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


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
    inside: InsideMotion | None = None  # what the stars' shapes say of motion inside the frames

    @classmethod
    def of(
        cls,
        record: Record,
        motion: Motion,
        stack: StarImages | None,
        seed: int = const.MEASURE_SEED,
    ) -> Lines:
        """Find the lines of the shared motion, inside the frames too, and what would be found."""
        facts, tracks = record.facts, record.tracks
        none = np.zeros(0)
        if motion.quiet is None:
            if facts.is_long or tracks.timing != "irregular":
                return cls(None, (), none, none, None, {}, record.inside(None, seed))
            scale = facts.scale_arcsec or 1.0
            found = _lines_at_own_times(tracks, motion.shared, scale, record.rig)
            lines, arrays = found or ((), {})
            return cls(None, lines, none, none, None, arrays, record.inside(None, seed))
        star, conditions = None, record.conditions
        if stack is not None and conditions is not None:
            perfect = History(conditions, np.zeros(1), np.zeros(1, dtype=np.int64)).width()
            star = _StarImage(stack.widths["registered"], stack.error("registered"), perfect)
        grid = motion.quiet
        search, several = _search_lines(grid, tracks, record.rig, star, record.guests)
        if search is None:
            return cls(None, (), none, none, None, {}, record.inside(None, seed))
        several = _with_trails(several, record.images, facts.scale_arcsec or 1.0)
        at, limit, undetected = _limits(search, grid)
        swings = _ringing_inside(several, grid.exposure_s)
        inside = record.inside(swings, seed)
        if inside is not None and inside.is_shown:
            shapes = _ShapesSay.of(inside, grid.exposure_s, at, limit)
            several = _with_shapes(several, shapes, grid.exposure_s)
        several = FoundLine.named(
            several, record.rig, cadence_s=grid.cadence_s, lowest_hz=search.searched_hz[0]
        )
        several = _with_guide_loop(several, grid, record.rig)
        return cls(search, tuple(several), at, limit, undetected, {}, inside)


def _with_trails(
    lines: Sequence[FoundLine], tracks: StarTracks, scale_arcsec: float
) -> list[FoundLine]:
    """Put in how far the window of the centroids follows trails, where there was one."""
    if tracks.window_px is None or not tracks.exposure_s:
        return list(lines)
    swings = [
        Swing(line.fit.covariance, line.alias.candidates_hz, line.alias.odds) for line in lines
    ]
    width_px = float(np.nanmedian(tracks.seen("width_px")))
    sizes = scale_arcsec * tracks.window_px, scale_arcsec * width_px
    gains = Swing.followed(swings, tracks.exposure_s, *sizes)
    return [replace(line, followed=gain) for line, gain in zip(lines, gains, strict=True)]


@dataclass(frozen=True)
class _ShapesSay:
    """What the shapes say of the motion inside the frames, and what a missed mode may add to it."""

    ln_arcsec2: tuple[float, float]  # mean and sigma of the logarithm of its variance, both axes
    missed_arcsec2: FloatArray  # (n,): inside the frames, of modes that the search may have missed
    chance: FloatArray  # (n,): of each, given that there is one

    @classmethod
    def of(
        cls, inside: InsideMotion, exposure_s: float, at_hz: FloatArray, limit_arcsec: FloatArray
    ) -> _ShapesSay:
        """Take missed modes flat in both logarithms, by the chance that the search misses them.

        `at_hz`, `limit_arcsec` (m,): 95 % of the modes of this size are found.
        """
        drawn = np.trace(inside.mechanical_arcsec2, axis1=1, axis2=2)
        told = np.log(drawn[drawn > 0.0])
        sigma = float(np.hypot(const.LINE_INSIDE_SIGMA, told.std()))
        rms = np.geomspace(*const.HIDDEN_RMS_ARCSEC, const.MISSED_MODE_SIZES)[:, None]
        missed = LineSearch.chance_missed(rms, limit_arcsec)
        lost = rms**2 * (1.0 - np.sinc(at_hz * exposure_s) ** 2)
        return cls((float(told.mean()), sigma), lost.ravel(), (missed / missed.sum()).ravel())

    def likelihood(self, arcsec2: FloatArray) -> FloatArray:
        """Return that of variances which the lines have inside the frames, (c,)."""
        mean, sigma = self.ln_arcsec2
        with_missed = np.add.outer(arcsec2, np.concatenate([[0.0], self.missed_arcsec2]))
        near = np.exp(-0.5 * ((np.log(np.maximum(with_missed, 1e-12)) - mean) / sigma) ** 2)
        alone, beside, chance = near[:, 0], near[:, 1:] @ self.chance, const.HIDDEN_MODE_CHANCE
        return np.asarray((1.0 - chance) * alone + chance * beside + const.ALIAS_ODDS_FLOOR)


def _lost_inside(line: FoundLine, exposure_s: float) -> FloatArray:
    """Return the variance, both axes, that shapes see inside the frames at each true frequency.

    A motion of covariance C at the frames' mean places has C (1 - k)/k inside them, with
    k = sinc^2(nu tau). A steady line blurs every frame alike: shapes remember nothing of it.
    """
    if line.fit.kind == "steady":
        return np.zeros(len(line.alias.odds))
    kept = np.maximum(np.sinc(line.alias.candidates_hz * exposure_s) ** 2, const.LEAST_KEPT)
    followed = 1.0 if line.followed is None else line.followed
    return np.asarray(np.trace(line.fit.covariance) / followed**2 * (1.0 / kept - 1.0))


def _ringing_inside(
    lines: Sequence[FoundLine], exposure_s: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return the frequencies that motion inside the frames may have, and how much each counts."""
    if not lines:
        return None
    share = [line.alias.odds * _lost_inside(line, exposure_s) for line in lines]
    weight = np.concatenate(share)
    if not np.any(weight):
        return None
    return np.concatenate([line.alias.candidates_hz for line in lines]), weight


def _with_shapes(
    lines: Sequence[FoundLine], shapes: _ShapesSay, exposure_s: float
) -> list[FoundLine]:
    """Weigh the true frequencies by the motion inside the frames that the stars' shapes remember.

    What all lines have there together, and by an even chance a mode that was missed besides, is
    what the shapes say; the other lines count by their odds so far.
    """
    blur = [_lost_inside(line, exposure_s) for line in lines]
    odds = [line.alias.odds / line.alias.odds.sum() for line in lines]
    for _ in range(const.SHAPES_ROUNDS):
        for i, line in enumerate(lines):
            others = sum(float(odds[k] @ blur[k]) for k in range(len(lines)) if k != i)
            weight = line.alias.odds * shapes.likelihood(others + blur[i])
            odds[i] = weight / weight.sum()
    return [
        replace(line, alias=line.alias.with_odds(weighed, "motion inside the frames"))
        for line, weighed in zip(lines, odds, strict=True)
    ]


def _limits(
    search: LineSearch, grid: GridData
) -> tuple[FloatArray, FloatArray, tuple[float, tuple[float, float]] | None]:
    low, high = search.searched_hz
    frequency = np.geomspace(low, high, 200)
    density = search.continuum(frequency).max(axis=1)
    at = np.geomspace(max(const.SLOWEST_STRUCTURE_HZ, low), const.FASTEST_STRUCTURE_HZ, 60)
    run = {"cadence_s": grid.cadence_s, "exposure_s": grid.exposure_s}
    run["duration_s"] = grid.longest_s
    limit = mode_limit_arcsec(at, const.LIMIT_DAMPING, frequency, density, **run)
    band = (max(const.LOWEST_LIMIT_HZ, low), min(high, 0.5 / grid.cadence_s))
    seen = (at >= band[0]) & (at <= band[1]) & np.isfinite(limit)
    undetected = (float(limit[seen].max()), band) if np.any(seen) else None
    return at, limit, undetected


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
    star: _StarImage | None,
    guests: Sequence[Guest] = (),
) -> tuple[LineSearch | None, list[FoundLine]]:
    """Find the lines of the shared motion.

    `rig`: for time stamps and row times. `star`: widths of the registered star, in the unit of the
    grid. `guests`: what else tells aliases apart.

    Returns `search`: none when the record is too short; `lines`: only lines that all stars share
    (or of a single star), their causes not yet named.
    """
    time, motion, segment = grid.time_s, grid.shared_arcsec, grid.number
    try:
        search = LineSearch.of(time, motion, cadence_s=grid.cadence_s, segment=segment)
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
        alias = _weigh_aliases(grid, longest, fit, search, tracks, rig, star, guests)
        kept = grid.kept_by_rows(alias.candidates_hz)
        if all(fit is not line for line in search.lines):
            # found with the rows' delays undone: the mean over the rows shows this much of it
            fit = _scaled(fit, float(kept[int(np.argmax(alias.odds))]))  # noqa: PLW2901
        steady = _steady_chance(longest, fit, grid.cadence_s)
        lines.append(
            FoundLine(fit, shared, alias, family=family_of.get(i), kept=kept, steady_chance=steady)
        )
    return search, lines


def _with_guide_loop(lines: list[FoundLine], grid: GridData, rig: Rig) -> list[FoundLine]:
    """Give the lines in a guide loop's bump to tracking; the bump itself where none was found."""
    guide = find_guide_motion(grid, rig)
    if guide is None:
        return lines
    low, high = guide.band_hz
    odds = {GUIDE_LOOP: guide.odds, "unknown": 1.0 - guide.odds}
    inside = [low <= line.fit.frequency_hz <= high for line in lines]
    if any(inside):
        known: dict[str, Any] = {"owner": "tracking", "cause": GUIDE_LOOP, "cause_odds": odds}
        pairs = zip(lines, inside, strict=True)
        return [replace(line, **known) if is_in else line for line, is_in in pairs]
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
    unit = np.array([np.cos(angle), np.sin(angle)])
    along = piece.shared_arcsec[: const.LINE_PIECE_SAMPLES] @ unit
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
    search = LineSearch.of(
        time_s, shared, cadence_s=cadence_s, timing="irregular", segment=segment.astype(np.int64)
    )
    some = np.flatnonzero(longest)[: const.IRREGULAR_MOST_FRAMES]
    at, part = time_s[some], remove_trend(shared[some], time_s[some])
    span_s = float(at[-1] - at[0])
    frequency = np.arange(1, max(int(0.5 * span_s / cadence_s), 2)) / span_s
    densities = [lomb_scargle_density(at, part[:, axis], frequency) for axis in range(2)]
    total = densities[0] + densities[1]
    low, high = (float(chi2.ppf(part, const.IRREGULAR_FREEDOM)) for part in (0.15865, 0.84135))
    lines = []
    for fit in search.lines:
        alias = AliasDecision(np.array([fit.frequency_hz]), np.ones(1), ("uneven times",))
        lines.append(FoundLine(_doubted(fit), None, alias))
    lowest_hz = float(search.searched_hz[0])
    return tuple(FoundLine.named(lines, rig, cadence_s=cadence_s, lowest_hz=lowest_hz)), {
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


# --- what the star image and experience with structures say of a line's true frequency ------------
# A motion faster than the exposures is mostly lost to the centroids but not to the star image: it
# widens every frame. A registered star narrower than that rules the candidate out.
@dataclass(frozen=True)
class _StarImage:
    """Widths of the registered star, with their standard error, and of the perfect one."""

    registered: HalfMaximum
    error: float
    perfect_fwhm: float


def _image_log_odds(
    fit: LineFit, candidates_hz: FloatArray, exposure_s: float, star: _StarImage
) -> FloatArray:
    """Return the log likelihood of each candidate given the registered star's width and shape.

    `fit`: motion as the centroids show it, same unit as the widths. `candidates_hz` (n,).

    Motion of measured variance V at nu has V (1 - k)/k inside the exposures, k = sinc^2(nu tau).
    Along its direction the registered star is at least as wide as the perfect star drawn out by
    it. Streaks differ in length from frame to frame, and the short ones keep the core of their
    sum narrow: its half-maximum width grows far less than a Gaussian of that variance says.
    """
    angle = np.radians(fit.angle_deg)
    unit = np.array([np.cos(angle), np.sin(angle)])
    along = float(unit @ fit.covariance @ unit)
    turn = angle - np.radians(star.registered.angle_deg)
    major2, minor2 = star.registered.major**2, star.registered.minor**2
    seen2 = major2 * np.cos(turn) ** 2 + minor2 * np.sin(turn) ** 2
    error2 = np.hypot(const.STREAK_WIDTH_ERROR, 2.0 * star.error / star.registered.mean) * seen2
    odds = np.zeros(len(candidates_hz))
    for i, hz in enumerate(candidates_hz):
        kept = max(float(np.sinc(hz * exposure_s)) ** 2, 1e-4)
        sigma = np.sqrt(along * (1.0 - kept) / kept)
        least = _drawn_out_fwhm(star.perfect_fwhm, float(sigma), turns=hz * exposure_s)
        excess = max(least**2 - max(seen2, star.perfect_fwhm**2), 0.0) / error2
        odds[i] = -0.5 * min(excess, 30.0) ** 2
    return odds


def _drawn_out_fwhm(perfect_fwhm: float, sigma: float, *, turns: float) -> float:
    """Return the full width at half maximum of a star along the motion inside its exposures."""
    from scipy.optimize import brentq

    sigma = min(sigma, const.LONGEST_STREAK * perfect_fwhm)
    widest = const.FWHM_PER_SIGMA * float(np.hypot(sigma, perfect_fwhm / const.FWHM_PER_SIGMA))
    f = np.linspace(0.0, 4.0 / perfect_fwhm, 1200)
    otf = np.exp(-2.0 * (np.pi * f * perfect_fwhm / const.FWHM_PER_SIGMA) ** 2)
    otf = otf * streak_otf(f, sigma, turns)

    def above_half(x: float) -> float:
        return float(np.sum(otf * (np.cos(2.0 * np.pi * f * x) - 0.5)) - 0.25 * otf[0])

    return 2.0 * float(brentq(above_half, 0.25 * perfect_fwhm, widest))


def _damping_log_odds(fit: LineFit, candidates_hz: FloatArray) -> FloatArray:
    """Return the log of how usual the damping ratio of each candidate would be.

    A line's width is what is measured; the same width at a higher frequency is less damping.
    Steady lines (no width) say nothing.
    """
    if fit.damping_ratio is None:
        return np.zeros(len(candidates_hz))
    damping = fit.damping_ratio * fit.frequency_hz / candidates_hz
    return np.asarray(-0.5 * (np.log(damping / const.USUAL_DAMPING) / const.DAMPING_LN_SPREAD) ** 2)


def _weigh_aliases(
    grid: GridData,
    piece: GridSegment,
    fit: LineFit,
    search: LineSearch,
    tracks: StarTracks,
    rig: Rig,
    star: _StarImage | None,
    guests: Sequence[Guest],
) -> AliasDecision:
    """Return the true frequencies that a line may have, with odds by all that tells them apart."""
    candidates = AliasCandidates.of(fit.frequency_hz, grid.cadence_s)
    by_rows = None
    if grid.row_time_s is not None:
        known = rig.get("row_order") is not None
        read = *piece.read_xy_arcsec, grid.row_time_s, grid.cadence_s
        by_rows = candidates.row_time_log_odds(*read, fit, search.continuum, row_order_known=known)
    by_stamps = None
    if rig.get("time_stamps") == "hardware" and tracks.timing == "jittered":
        good = piece.frame >= 0
        seen = tracks.time_s[piece.frame[good]], piece.shared_arcsec[good]
        by_stamps = candidates.time_stamp_log_odds(*seen, fit, search.continuum)
    said = {g.alias_evidence: g.alias_log_odds(fit, candidates.frequency_hz) for g in guests}
    decision = AliasDecision.of(
        candidates,
        exposure_s=grid.exposure_s,
        evidence={"row times": by_rows, "time stamps": by_stamps, **said},
    )
    more = _damping_log_odds(fit, decision.candidates_hz)
    evidence = ["usual damping"]
    if star is not None:
        more = more + _image_log_odds(fit, decision.candidates_hz, grid.exposure_s, star)
        evidence.append("star image")
    odds = decision.odds * np.exp(more - more.max())
    return decision.with_odds(odds / odds.sum(), *evidence)
