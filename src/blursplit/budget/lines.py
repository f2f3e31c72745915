"""Lines of the shared motion: found, checked for being shared, named, and written down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.budget.line_terms import LineTerm
from blursplit.estimate import (
    Estimate,
    axial_estimate,
    ends_about,
    from_ends,
    upper_limit,
    with_error,
)
from blursplit.evidence.guest import Guest
from blursplit.evidence.guide_loop import NAME as GUIDE_LOOP
from blursplit.evidence.guide_loop import find_guide_motion
from blursplit.evidence.rolling_rows import kept_by_rows, rolling_shutter_lines
from blursplit.image.otf import HalfMaximum, streak_otf
from blursplit.motion import CommonMotion
from blursplit.motion.common import GridData, GridSegment
from blursplit.result import Line
from blursplit.rig import Rig
from blursplit.spectra import (
    AliasDecision,
    LineFit,
    LineSearch,
    find_lines,
    group_harmonics,
    lomb_scargle_density,
    shared_probability,
    steady_chance,
)
from blursplit.spectra.aliases import (
    alias_candidates,
    decide_alias,
    row_time_log_odds,
    time_stamp_log_odds,
)
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray, sure


@dataclass(frozen=True)
class FoundLine:
    """A line with all that is known of it, in the unit of the grid."""

    fit: LineFit
    shared_probability: float | None
    alias: AliasDecision
    cause: str = "unknown"
    cause_odds: dict[str, float] = field(default_factory=dict)
    owner: Literal["tracking", "structure", "open"] = "structure"
    family: int | None = None
    kept: FloatArray | None = None  # of each candidate's power by the mean over the rows
    steady_chance: float | None = None  # that noise makes so steady a sinusoid (Thomson's F)

    @property
    def term(self) -> LineTerm:
        """The line as a part of the budget."""
        return LineTerm(
            fit=self.fit,
            owner=self.owner,
            candidates_hz=self.alias.candidates_hz,
            odds=self.alias.odds / self.alias.odds.sum(),
        )


def search_lines(
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
    for number, family in enumerate(group_harmonics(frequency, sigma)):
        family_of.update(dict.fromkeys((int(m) for m in family.members), number))
    longest = max(grid.segments, key=lambda s: len(s.real))
    lines = []
    for i, fit in enumerate(fits):
        shared = _shared(grid, longest, fit, search)
        if shared is not None and shared < const.SHARED_ENOUGH:
            continue
        alias = _alias(grid, longest, fit, search, tracks, rig, star, guests)
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


def _owner(fit: LineFit, drive_odds: float) -> Literal["tracking", "structure", "open"]:
    if drive_odds >= const.DRIVE_ODDS:
        return "tracking"
    return "structure" if fit.frequency_hz >= const.SLOWEST_STRUCTURE_HZ else "open"


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


def _alias(
    grid: GridData,
    piece: GridSegment,
    fit: LineFit,
    search: LineSearch,
    tracks: StarTracks,
    rig: Rig,
    star: StarImage | None,
    guests: Sequence[Guest],
) -> AliasDecision:
    candidates = alias_candidates(fit.frequency_hz, grid.cadence_s)
    rows = grid.row_time_s
    by_rows = None
    if rows is not None:
        by_rows = row_time_log_odds(
            *piece.read_xy_arcsec,
            rows,
            grid.cadence_s,
            fit,
            search.continuum,
            candidates,
            row_order_known=rig.get("row_order") is not None,
        )
    by_stamps = None
    if rig.get("time_stamps") == "hardware" and tracks.timing == "jittered":
        good = piece.frame >= 0
        rows_of = piece.frame[good]
        by_stamps = time_stamp_log_odds(
            tracks.time_s[rows_of],
            piece.shared_arcsec[good],
            fit,
            search.continuum,
            candidates.frequency_hz,
        )
    said = {
        guest.alias_evidence: guest.alias_log_odds(fit, candidates.frequency_hz) for guest in guests
    }
    decision = decide_alias(
        candidates,
        exposure_s=grid.exposure_s,
        evidence={"row times": by_rows, "time stamps": by_stamps, **said},
    )
    more = damping_log_odds(fit, decision.candidates_hz)
    evidence = [*decision.evidence, "usual damping"]
    if star is not None:
        more = more + image_log_odds(fit, decision.candidates_hz, grid.exposure_s, star)
        evidence.append("star image")
    odds = decision.odds * np.exp(more - more.max())
    return replace(decision, odds=odds / odds.sum(), evidence=tuple(evidence))


def name_found(
    found: Sequence[FoundLine], rig: Rig, *, cadence_s: float, lowest_hz: float
) -> list[FoundLine]:
    """Return the lines with causes that the declared sources allow, and whose they are.

    `lowest_hz`: start of the search.
    """
    from blursplit.pier.causes import LineFacts, is_steady, list_causes, name_causes

    mains = rig.get("mains_hz")
    turns = rig.get("drive") != "off"
    causes = list_causes(
        worm_period_s=rig.get("worm_period_s") if turns else None,
        wheel_teeth=rig.get("wheel_teeth") if turns else None,
        drive_angle_deg=rig.get("ra_angle_deg"),
        mode_hz=_predicted_modes(rig),
        mains_hz=(50.0, 60.0) if mains is None else (float(mains),),
        fan_rpm=rig.get("fan_rpm") or (),
        known_lines=rig.setup.known_lines,
    )
    facts = [
        LineFacts(
            line.fit.frequency_hz,
            max(line.fit.frequency_sigma, 1e-6 * line.fit.frequency_hz),
            line.alias.candidates_hz.tolist(),
            line.alias.odds.tolist(),
            is_steady(line.fit.kind, line.steady_chance),
            line.fit.angle_deg,
            line.fit.angle_sigma_deg,
        )
        for line in found
    ]
    highest = max([0.5 / cadence_s, *(float(line.alias.candidates_hz.max()) for line in found)])
    out = []
    for i, line in enumerate(found):
        others = [fact for j, fact in enumerate(facts) if j != i]
        cause, odds = name_causes(facts[i], causes, range_hz=(lowest_hz, highest), others=others)
        drive = sum(odds.get(c.name, 0.0) for c in causes if c.kind == "drive")
        out.append(replace(line, cause=cause, cause_odds=odds, owner=_owner(line.fit, drive)))
    return out


def _predicted_modes(rig: Rig) -> list[tuple[str, float]]:
    if not rig.setup.pier:
        return []
    from blursplit.pier.model import build_pier, pier_modes
    from blursplit.pier.setup import read_pier

    modes = pier_modes(build_pier(read_pier(rig.setup.pier, "setup file")))
    return [(f"{mode.kind} {i + 1}", mode.frequency_hz) for i, mode in enumerate(modes)]


# --- as the records of the result -----------------------------------------------------------------
def to_result(
    found: Sequence[FoundLine],
    *,
    exposure_s: float,
    in_arcsec: bool,
    rng: np.random.Generator,
    lever_m: float | None = None,
) -> list[Line]:
    """Turn lines into the records of the result.

    `lever_m`: from where the structure turns to its head: adds the head's motion to lines that are
    not the drive's.

    Exposure averaging is undone where the true frequency is decided and a tenth of the power is
    left; else the interval covers the candidates.
    """
    records = [_one_line(line, exposure_s, rng, in_arcsec=in_arcsec) for line in found]
    if lever_m is None:
        return records
    return [
        record if line.owner == "tracking" else _with_head(record, line, lever_m)
        for record, line in zip(records, found, strict=True)
    ]


def _with_head(record: Line, line: FoundLine, lever_m: float) -> Line:
    """Add what the line is at the pier's head, over all true frequencies that it may have."""
    from blursplit.pier.report import head_motion

    if record.rms_arcsec is None:
        return record
    order = np.argsort(-line.alias.odds, kind="stable")
    likely = [k for k in order if k == order[0] or line.alias.odds[k] > const.LEAST_ALIAS_ODDS]
    head = head_motion(record.rms_arcsec, line.alias.candidates_hz[likely].tolist(), lever_m)
    return record.model_copy(
        update={
            "head_displacement_um": head.displacement_um,
            "head_velocity_um_s": head.velocity_um_s,
            "vibration_class": head.vibration_class or "none",
        }
    )


def _one_line(
    line: FoundLine, exposure_s: float, rng: np.random.Generator, *, in_arcsec: bool
) -> Line:
    fit = line.fit
    kept = np.sinc(line.alias.candidates_hz * exposure_s) ** 2
    gains = 1.0 / np.maximum(kept, const.LEAST_SINC2)
    if line.kept is not None:
        gains = gains / np.maximum(line.kept, const.LINE_LEAST_ROWS)
    gain = float(np.sqrt(gains[int(np.argmax(line.alias.odds))]))
    rms = with_error(fit.rms * gain, fit.rms_sigma * gain)
    if not line.alias.is_decided:
        likely = np.sqrt(gains[line.alias.odds > const.LEAST_ALIAS_ODDS])
        rms = _widened(rms, fit.rms, likely)
    true_hz = line.alias.best_hz if line.alias.is_decided else fit.frequency_hz
    # a mode decays alike whatever its alias: the damping ratio goes with 1 / frequency
    damping_high = fit.damping_high * fit.frequency_hz / true_hz
    damping: Estimate | None
    if fit.damping_ratio is None:
        damping = Estimate(value=None, low=0.0, high=damping_high, high95=damping_high)
    else:
        ratio, low = np.array([fit.damping_ratio, fit.damping_low]) * fit.frequency_hz / true_hz
        damping = Estimate(
            value=ratio,
            low=low,
            high=damping_high,
            low95=max(0.0, 2.0 * low - ratio),
            high95=2.0 * damping_high - ratio,
        )
    return Line(
        frequency_hz=with_error(true_hz, fit.frequency_sigma),
        folded_frequency_hz=with_error(fit.frequency_hz, fit.frequency_sigma),
        rms_arcsec=rms if in_arcsec else None,
        rms_px=None if in_arcsec else rms,
        angle_deg=axial_estimate(
            fit.angle_deg + fit.angle_sigma_deg * rng.standard_normal(const.LINE_DIRECTION_DRAWS)
        ),
        minor_over_major=_axis_ratio(fit, rng),
        damping_ratio=damping,
        false_alarm_probability=fit.false_alarm_probability,
        shared_probability=line.shared_probability,
        alias_candidates_hz=[float(f) for f in line.alias.candidates_hz],
        alias_odds=[float(o) for o in line.alias.odds],
        kind=fit.kind,
        steady_chance=line.steady_chance,
        family=line.family,
        cause=line.cause,
        cause_odds=line.cause_odds,
    )


def _axis_ratio(fit: LineFit, rng: np.random.Generator) -> Estimate:
    """Return the smaller over the larger half axis of the ellipse of motion.

    A limit where motion along a straight line is not excluded: errors then turn some variance
    along the smaller axis negative, which counts as none.
    """
    noise = (
        rng.standard_normal((const.LINE_DIRECTION_DRAWS, 3))
        * fit.covariance_sigma[[0, 0, 1], [0, 1, 1]]
    )
    xx, xy, yy = (fit.covariance[[0, 0, 1], [0, 1, 1]] + noise).T
    mean, half = (xx + yy) / 2.0, np.hypot((xx - yy) / 2.0, xy)
    larger = np.maximum(mean + half, np.finfo(np.float64).tiny)
    draws = np.sqrt(np.clip((mean - half) / larger, 0.0, 1.0))
    ends = np.percentile(draws, const.PERCENTILES)
    if ends[0] <= 0.0:
        return upper_limit(float(np.percentile(draws, 95.0)))
    return from_ends(ends_about(float(fit.axis_ratio), ends))


def _widened(rms: Estimate, measured: float, gains: FloatArray) -> Estimate:
    """Let the interval reach from the smallest to the largest gain of the likely candidates."""
    return Estimate(
        value=rms.value,
        low=min(sure(rms.low), measured * float(gains.min())),
        high=max(sure(rms.high), measured * float(gains.max())),
        low95=min(rms.low95 or 0.0, measured * float(gains.min())),
        high95=max(rms.high95 or 0.0, measured * float(gains.max())),
    )


# --- what the star image and experience with structures say of a line's true frequency ------------
# A motion faster than the exposures is mostly lost to the centroids but not to the star image: it
# widens every frame. A registered star narrower than that rules the candidate out.
@dataclass(frozen=True)
class StarImage:
    """Widths of the registered star, with their standard error, and of the perfect one."""

    registered: HalfMaximum
    error: float
    perfect_fwhm: float


def image_log_odds(
    fit: LineFit, candidates_hz: FloatArray, exposure_s: float, star: StarImage
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
    otf = np.exp(-2.0 * (np.pi * f * perfect_fwhm / const.FWHM_PER_SIGMA) ** 2) * streak_otf(
        f, sigma, turns
    )

    def above_half(x: float) -> float:
        return float(np.sum(otf * (np.cos(2.0 * np.pi * f * x) - 0.5)) - 0.25 * otf[0])

    return 2.0 * float(brentq(above_half, 0.25 * perfect_fwhm, widest))


def damping_log_odds(fit: LineFit, candidates_hz: FloatArray) -> FloatArray:
    """Return the log of how usual the damping ratio of each candidate would be.

    A line's width is what is measured; the same width at a higher frequency is less damping.
    Steady lines (no width) say nothing.
    """
    if fit.damping_ratio is None:
        return np.zeros(len(candidates_hz))
    damping = fit.damping_ratio * fit.frequency_hz / candidates_hz
    return np.asarray(-0.5 * (np.log(damping / const.USUAL_DAMPING) / const.DAMPING_LN_SPREAD) ** 2)


# --- frames that follow no regular grid, at their own times ---------------------------------------
def lines_at_own_times(
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
