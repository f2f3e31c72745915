"""Lines of the shared motion: aliases weighed, causes named with odds, and written down.

Never a claim from one coincidence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.budget.line_terms import LineTerm
from blursplit.drive.terms import declared_periods
from blursplit.estimate import (
    Estimate,
    axial_estimate,
    ends_about,
    from_ends,
    upper_limit,
    with_error,
)
from blursplit.evidence.guest import Guest
from blursplit.image.otf import HalfMaximum, streak_otf
from blursplit.motion.common import GridData, GridSegment
from blursplit.result import Line
from blursplit.rig import KnownLine, Rig
from blursplit.spectra import (
    AliasDecision,
    LineFit,
    LineSearch,
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


def _owner(fit: LineFit, drive_odds: float) -> Literal["tracking", "structure", "open"]:
    if drive_odds >= const.DRIVE_ODDS:
        return "tracking"
    return "structure" if fit.frequency_hz >= const.SLOWEST_STRUCTURE_HZ else "open"


UNKNOWN = "unknown"


Kind = Literal["drive", "mains", "fan", "pier", "known"]


@dataclass(frozen=True)
class _Cause:
    """Something that could make a line."""

    name: str
    kind: Kind
    # `frequency_hz`, `sigma_hz`: where its line is expected and how sure that is.
    frequency_hz: float
    sigma_hz: float
    family: str = ""  # harmonics of one source share it
    angle_deg: float | None = None  # axial direction in the image along which it moves, where known
    harmonic: int = 1  # the k-th counts 1/k of the first


@dataclass(frozen=True)
class _LineFacts:
    """What was measured of a line."""

    # `frequency_hz`, `sigma_hz`: as seen, below the Nyquist frequency.
    frequency_hz: float
    sigma_hz: float
    # `candidates_hz`, `odds`: true frequencies that fold onto it and their odds; empty means as
    # seen.
    candidates_hz: Sequence[float] = field(default_factory=tuple)
    odds: Sequence[float] = field(default_factory=tuple)
    is_steady: bool | None = None  # a line rather than a damped mode; None where not decided
    # `angle_deg`, `angle_sigma_deg`: axial direction of its motion.
    angle_deg: float | None = None
    angle_sigma_deg: float | None = None

    def folded(self) -> list[tuple[float, float]]:
        """Return pairs of true frequency and its normalised odds."""
        if not len(self.candidates_hz):
            return [(self.frequency_hz, 1.0)]
        odds = list(self.odds) or [1.0] * len(self.candidates_hz)
        total = sum(odds)
        return [(f, o / total) for f, o in zip(self.candidates_hz, odds, strict=True)]


def _list_causes(
    *,
    worm_period_s: Sequence[float] | None = None,
    wheel_teeth: Sequence[int] | None = None,
    drive_angle_deg: float | None = None,
    mode_hz: Sequence[tuple[str, float]] = (),
    mains_hz: Sequence[float] = (50.0, 60.0),
    fan_rpm: Sequence[float] = (),
    known_lines: Sequence[KnownLine] = (),
) -> list[_Cause]:
    """Return everything that is declared or usual and could make a line.

    `worm_period_s`, `wheel_teeth`: declared drive. `drive_angle_deg`: direction of right ascension
    in the image. `mode_hz` (name, frequency) each: predicted modes of the pier.
    `mains_hz`: grid frequencies possible here; twice the grid's is what motors and lamps make.
    `fan_rpm`: plate speeds. `known_lines`: the user's own.
    """
    most = const.CAUSE_MOST_HARMONICS
    # family, kind, frequency [Hz] and how sure that is, harmonics, direction
    sources: list[tuple[str, Kind, float, float, int, float | None]] = [
        (family, "drive", 1.0 / period_s, const.CAUSE_DRIVE_SIGMA / period_s, most, drive_angle_deg)
        for family, period_s in declared_periods(worm_period_s, wheel_teeth)
    ]
    for grid in mains_hz:
        name = f"mains {grid:g} Hz"
        sources.append((name, "mains", grid, const.CAUSE_MAINS_SIGMA_HZ, most, None))
    for rpm in fan_rpm:
        hz = rpm / 60.0
        sources.append((f"fan {rpm:g} rpm", "fan", hz, const.CAUSE_FAN_SIGMA * hz, 2, None))
    for mode, hz in mode_hz:
        sources.append((f"pier {mode}", "pier", hz, const.PIER_MODEL_SIGMA * hz, 1, None))
    for line in known_lines:
        hz, reach = line.frequency_hz, line.tolerance_hz
        sigma = const.CAUSE_KNOWN_SIGMA * hz if reach is None else reach / 2.0
        sources.append((line.name, "known", hz, sigma, 1, None))
    return [
        _Cause(_with_harmonic(family, k), kind, k * hz, k * sigma, family, angle, k)
        for family, kind, hz, sigma, harmonics, angle in sources
        for k in range(1, harmonics + 1)
    ]


def _with_harmonic(name: str, harmonic: int) -> str:
    return name if harmonic == 1 else f"{name}, harmonic {harmonic}"


def _name_causes(
    line: _LineFacts,
    causes: Sequence[_Cause],
    *,
    range_hz: tuple[float, float],
    others: Sequence[_LineFacts] = (),
) -> tuple[str, dict[str, float]]:
    """Return the cause in words and the odds of every cause worth mentioning.

    `range_hz`: frequencies in which a line could have been found, aliases included. `others`: the
    run's other lines, which may belong to the same source.

    Returns `cause`: "unknown", or "compatible with ..." and what speaks for it; `odds`: sum 1,
    "unknown" always there; causes below 1 in 100 are counted to "unknown".

    Bayes' rule. An unknown cause is as likely in every octave of a decade; a cause on the list
    has a normal distribution about its own frequency, as wide as its tolerance and the line's
    uncertainty together. Half of the prior goes to "unknown"; the other half is divided among
    the families on the list, and among each family's members, so that a long list of loosely
    placed candidates explains little by chance. Steadiness and direction enter as factors.
    """
    families = {cause.family for cause in causes}
    weight = dict.fromkeys(families, 0.0)
    for cause in causes:
        weight[cause.family] += 1.0 / cause.harmonic
    low, high = range_hz
    folded = line.folded()
    spread = min(math.log(high / low), const.CAUSE_UNKNOWN_SPREAD)
    unknown = const.CAUSE_UNKNOWN_PRIOR * sum(odds / max(hz, low) / spread for hz, odds in folded)
    unknown *= _steady_factor(line, UNKNOWN)
    scores: dict[str, float] = {}
    for cause in causes:
        if not low <= cause.frequency_hz <= high:
            continue
        prior = (1.0 - const.CAUSE_UNKNOWN_PRIOR) / len(families)
        prior /= cause.harmonic * weight[cause.family]
        sigma = math.hypot(cause.sigma_hz, line.sigma_hz)
        fit = sum(odds * _normal(hz - cause.frequency_hz, sigma) for hz, odds in folded)
        score = prior * fit * _steady_factor(line, cause.kind) * _direction_factor(line, cause)
        scores[cause.name] = scores.get(cause.name, 0.0) + score
    total = unknown + sum(scores.values())
    odds = {name: score / total for name, score in scores.items() if score >= 0.01 * total}
    odds[UNKNOWN] = 1.0 - sum(odds.values())
    by_name = {cause.name: cause for cause in causes}
    best = _best_kind(odds, by_name)
    if sum(odds[name] for name in best) < const.CAUSE_NAMING_ODDS:
        return UNKNOWN, odds
    grounds = _grounds(line, by_name[best[0]], causes, others)
    return f"compatible with {' or '.join(best)} ({grounds})", odds


def _best_kind(odds: dict[str, float], by_name: dict[str, _Cause]) -> list[str]:
    """Return the fewest causes of one kind that pass the naming odds, likeliest first.

    Two modes of nearly one frequency, or 50 and 60 Hz folded onto one line, share their odds.
    """
    names = sorted((n for n in odds if n != UNKNOWN), key=odds.__getitem__, reverse=True)
    if not names:
        return []
    chosen, total = [], 0.0
    for name in names:
        if by_name[name].kind == by_name[names[0]].kind and total < const.CAUSE_NAMING_ODDS:
            chosen.append(name)
            total += odds[name]
    return chosen


def _normal(distance: float, sigma: float) -> float:
    return math.exp(-0.5 * (distance / sigma) ** 2) / (sigma * math.sqrt(2.0 * math.pi))


def _steady_factor(line: _LineFacts, kind: str) -> float:
    chance = const.CAUSE_STEADY.get(kind, const.CAUSE_UNKNOWN_STEADY)
    if line.is_steady is None:
        return 1.0
    return chance if line.is_steady else 1.0 - chance


def _direction_factor(line: _LineFacts, cause: _Cause) -> float:
    """Return the density of the line's direction over that of a direction drawn at random."""
    if cause.angle_deg is None or line.angle_deg is None or line.angle_sigma_deg is None:
        return 1.0
    apart = (line.angle_deg - cause.angle_deg + 90.0) % 180.0 - 90.0
    # A few degrees for the declared direction itself; a tenth of such lines point elsewhere.
    sigma = math.hypot(line.angle_sigma_deg, 3.0)
    return 0.1 + 0.9 * min(180.0 * _normal(apart, sigma), 180.0 / sigma)


def _agrees(line: _LineFacts, cause: _Cause) -> bool:
    """Whether some likely true frequency of the line lies within two sigmas of the cause."""
    reach = 2.0 * math.hypot(cause.sigma_hz, line.sigma_hz)
    return any(
        abs(hz - cause.frequency_hz) <= reach
        for hz, odds in line.folded()
        if odds >= const.CAUSE_LIKELY_FOLD
    )


def _grounds(
    line: _LineFacts, cause: _Cause, causes: Sequence[_Cause], others: Sequence[_LineFacts]
) -> str:
    grounds = ["frequency"]
    if line.is_steady is not None and _steady_factor(line, cause.kind) > const.CAUSE_UNKNOWN_STEADY:
        grounds.append("steadiness" if line.is_steady else "damping")
    if _direction_factor(line, cause) > 2.0:  # noqa: PLR2004 - twice as likely as at random
        grounds.append("direction")
    kin = [c for c in causes if c.family == cause.family and c.name != cause.name]
    if any(_agrees(other, relative) for other in others for relative in kin):
        grounds.append("another line of its family")
    if len(grounds) == 1:
        return "frequency alone, one coincidence"
    return ", ".join(grounds[:-1]) + " and " + grounds[-1]


def _is_steady(kind: Literal["steady", "resonance"], chance: float | None) -> bool | None:
    """Return whether a line is steady, None where it is narrow but not shown to be a sinusoid.

    `kind`: whether the line is wider than the record resolves. `chance`: that noise makes so steady
    a sinusoid (Thomson's F); None where not tested.
    """
    if kind != "steady":
        return False
    return True if chance is None or chance <= const.CAUSE_STEADY_ENOUGH else None


def name_found(
    found: Sequence[FoundLine], rig: Rig, *, cadence_s: float, lowest_hz: float
) -> list[FoundLine]:
    """Return the lines with causes that the declared sources allow, and whose they are.

    `lowest_hz`: start of the search.
    """
    mains = rig.get("mains_hz")
    turns = rig.get("drive") != "off"
    causes = _list_causes(
        worm_period_s=rig.get("worm_period_s") if turns else None,
        wheel_teeth=rig.get("wheel_teeth") if turns else None,
        drive_angle_deg=rig.get("ra_angle_deg"),
        mode_hz=_predicted_modes(rig),
        mains_hz=(50.0, 60.0) if mains is None else (float(mains),),
        fan_rpm=rig.get("fan_rpm") or (),
        known_lines=rig.setup.known_lines,
    )
    facts = [
        _LineFacts(
            line.fit.frequency_hz,
            max(line.fit.frequency_sigma, 1e-6 * line.fit.frequency_hz),
            line.alias.candidates_hz.tolist(),
            line.alias.odds.tolist(),
            _is_steady(line.fit.kind, line.steady_chance),
            line.fit.angle_deg,
            line.fit.angle_sigma_deg,
        )
        for line in found
    ]
    highest = max([0.5 / cadence_s, *(float(line.alias.candidates_hz.max()) for line in found)])
    out = []
    for i, line in enumerate(found):
        others = [fact for j, fact in enumerate(facts) if j != i]
        cause, odds = _name_causes(facts[i], causes, range_hz=(lowest_hz, highest), others=others)
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


@dataclass(frozen=True)
class _HeadMotion:
    """A mode in the words of structural engineers."""

    # `displacement_um`, `velocity_um_s`: rms, at the stated lever from where the structure turns.
    displacement_um: Estimate
    velocity_um_s: Estimate
    # The strictest generic vibration criterion (rms velocity in third octaves) that this mode alone
    # keeps with its whole 95 % interval: VC-A (loosest) to VC-E, None where it keeps none.
    vibration_class: str | None


def _head_motion(
    rms_arcsec: Estimate, frequency_hz: Sequence[float], lever_m: float
) -> _HeadMotion:
    """Return what a mode's image motion is at the head of a pier that turns about its foot.

    `rms_arcsec`: before the exposure averaged it; a value, no limit. `frequency_hz`: true
    frequencies that it may have, the likeliest first: the velocity's interval covers all.
    `lever_m`: from the axis of rotation to the head.

    Displacement = rotation x lever, velocity = 2 pi f x displacement, which leave out what the
    head shifts without turning. Classes by common practice.
    """
    size = lever_m * 1e6 / const.ARCSEC_PER_RADIAN
    turns = 2.0 * np.pi * np.array(frequency_hz)
    velocity = _times(rms_arcsec, size * turns.min(), size * turns[0], size * turns.max())
    fastest = velocity.high95 or np.inf
    kept = [name for name, limit in const.VIBRATION_CLASSES_UM_S.items() if fastest <= limit]
    return _HeadMotion(_times(rms_arcsec, size, size, size), velocity, kept[-1] if kept else None)


def _times(one: Estimate, low: float, value: float, high: float) -> Estimate:
    """Return an estimate times a factor that lies between two ends."""
    ends = {"low": low, "low95": low, "value": value, "high": high, "high95": high}
    found = {name: getattr(one, name) for name in ends}
    return Estimate(**{k: None if v is None else float(v * ends[k]) for k, v in found.items()})


def _with_head(record: Line, line: FoundLine, lever_m: float) -> Line:
    """Add what the line is at the pier's head, over all true frequencies that it may have."""
    if record.rms_arcsec is None:
        return record
    order = np.argsort(-line.alias.odds, kind="stable")
    likely = [k for k in order if k == order[0] or line.alias.odds[k] > const.LEAST_ALIAS_ODDS]
    head = _head_motion(record.rms_arcsec, line.alias.candidates_hz[likely].tolist(), lever_m)
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


def _image_log_odds(
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


def _damping_log_odds(fit: LineFit, candidates_hz: FloatArray) -> FloatArray:
    """Return the log of how usual the damping ratio of each candidate would be.

    A line's width is what is measured; the same width at a higher frequency is less damping.
    Steady lines (no width) say nothing.
    """
    if fit.damping_ratio is None:
        return np.zeros(len(candidates_hz))
    damping = fit.damping_ratio * fit.frequency_hz / candidates_hz
    return np.asarray(-0.5 * (np.log(damping / const.USUAL_DAMPING) / const.DAMPING_LN_SPREAD) ** 2)


# --- frames that follow no regular grid, at their own times ---------------------------------------


def weigh_aliases(
    grid: GridData,
    piece: GridSegment,
    fit: LineFit,
    search: LineSearch,
    tracks: StarTracks,
    rig: Rig,
    star: StarImage | None,
    guests: Sequence[Guest],
) -> AliasDecision:
    """Return the true frequencies that a line may have, with odds by all that tells them apart."""
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
    more = _damping_log_odds(fit, decision.candidates_hz)
    evidence = [*decision.evidence, "usual damping"]
    if star is not None:
        more = more + _image_log_odds(fit, decision.candidates_hz, grid.exposure_s, star)
        evidence.append("star image")
    odds = decision.odds * np.exp(more - more.max())
    return replace(decision, odds=odds / odds.sum(), evidence=tuple(evidence))
