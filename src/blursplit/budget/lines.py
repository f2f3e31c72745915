"""Lines of the shared motion: causes named with odds, and written down.

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
from blursplit.drive.terms import DriveTerm
from blursplit.estimate import Estimate
from blursplit.result import Line
from blursplit.rig import KnownLine, Rig
from blursplit.spectra import AliasDecision, LineFit
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
    followed: FloatArray | None = None  # by each candidate; see `LineTerm`, None means ones
    steady_chance: float | None = None  # that noise makes so steady a sinusoid (Thomson's F)

    @property
    def term(self) -> LineTerm:
        """The line as a part of the budget."""
        return LineTerm(
            fit=self.fit,
            owner=self.owner,
            candidates_hz=self.alias.candidates_hz,
            odds=self.alias.odds / self.alias.odds.sum(),
            followed=np.ones(len(self.alias.odds)) if self.followed is None else self.followed,
        )

    @classmethod
    def named(
        cls, found: Sequence[FoundLine], rig: Rig, *, cadence_s: float, lowest_hz: float
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
            cause, odds = _name_causes(
                facts[i], causes, range_hz=(lowest_hz, highest), others=others
            )
            drive = sum(odds.get(c.name, 0.0) for c in causes if c.kind == "drive")
            out.append(replace(line, cause=cause, cause_odds=odds, owner=_owner(line.fit, drive)))
        return out

    def to_result(
        self,
        *,
        exposure_s: float,
        in_arcsec: bool,
        rng: np.random.Generator,
        lever_m: float | None = None,
    ) -> Line:
        """Return the record of the result.

        `lever_m`: from where the structure turns to its head: adds the head's motion to a line
        that is not the drive's.

        Exposure averaging is undone where the true frequency is decided and a tenth of the power
        is left; else the interval covers the candidates.
        """
        fit = self.fit
        kept = np.sinc(self.alias.candidates_hz * exposure_s) ** 2
        gains = 1.0 / np.maximum(kept, const.LEAST_SINC2)
        if self.kept is not None:
            gains = gains / np.maximum(self.kept, const.LINE_LEAST_ROWS)
        if self.followed is not None:
            gains = gains / self.followed**2
        gain = float(np.sqrt(gains[int(np.argmax(self.alias.odds))]))
        rms = Estimate.with_error(fit.rms * gain, fit.rms_sigma * gain)
        if not self.alias.is_decided:
            likely = np.sqrt(gains[self.alias.odds > const.LEAST_ALIAS_ODDS])
            rms = _widened(rms, fit.rms, likely)
        true_hz = self.alias.best_hz if self.alias.is_decided else fit.frequency_hz
        # a mode decays alike whatever its alias: the damping ratio goes with 1 / frequency
        damping_high = fit.damping_high * fit.frequency_hz / true_hz
        damping: Estimate | None
        if fit.damping_ratio is None:
            damping = Estimate.upper_limit(damping_high)
        else:
            ratio, low = np.array([fit.damping_ratio, fit.damping_low]) * fit.frequency_hz / true_hz
            damping = Estimate(
                value=ratio,
                low=low,
                high=damping_high,
                low95=max(0.0, 2.0 * low - ratio),
                high95=2.0 * damping_high - ratio,
            )
        record = Line(
            frequency_hz=Estimate.with_error(true_hz, fit.frequency_sigma),
            folded_frequency_hz=Estimate.with_error(fit.frequency_hz, fit.frequency_sigma),
            rms_arcsec=rms if in_arcsec else None,
            rms_px=None if in_arcsec else rms,
            angle_deg=Estimate.axial(
                fit.angle_deg
                + fit.angle_sigma_deg * rng.standard_normal(const.LINE_DIRECTION_DRAWS)
            ),
            minor_over_major=_axis_ratio(fit, rng),
            damping_ratio=damping,
            false_alarm_probability=fit.false_alarm_probability,
            shared_probability=self.shared_probability,
            alias_candidates_hz=[float(f) for f in self.alias.candidates_hz],
            alias_odds=[float(o) for o in self.alias.odds],
            kind=fit.kind,
            steady_chance=self.steady_chance,
            family=self.family,
            cause=self.cause,
            cause_odds=self.cause_odds,
        )
        if lever_m is None or self.owner == "tracking":
            return record
        return _with_head(record, self, lever_m)


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
        for family, period_s in DriveTerm.declared_periods(worm_period_s, wheel_teeth)
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


def _predicted_modes(rig: Rig) -> list[tuple[str, float]]:
    if not rig.setup.pier:
        return []
    from blursplit.pier.model import PierModel
    from blursplit.pier.setup import PierSetup

    modes = PierModel.of(PierSetup.read(rig.setup.pier, "setup file")).modes()
    return [(f"{mode.kind} {i + 1}", mode.frequency_hz) for i, mode in enumerate(modes)]


# --- as the records of the result -----------------------------------------------------------------
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
        return Estimate.upper_limit(float(np.percentile(draws, 95.0)))
    return Estimate.from_ends(Estimate.ends_about(float(fit.axis_ratio), ends))


def _widened(rms: Estimate, measured: float, gains: FloatArray) -> Estimate:
    """Let the interval reach from the smallest to the largest gain of the likely candidates."""
    return Estimate(
        value=rms.value,
        low=min(sure(rms.low), measured * float(gains.min())),
        high=max(sure(rms.high), measured * float(gains.max())),
        low95=min(rms.low95 or 0.0, measured * float(gains.min())),
        high95=max(rms.high95 or 0.0, measured * float(gains.max())),
    )
