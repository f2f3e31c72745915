"""Possible causes of a line, with odds: never a claim from one coincidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from blursplit import constants as const
from blursplit.drive.terms import declared_periods
from blursplit.rig import KnownLine

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
class LineFacts:
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


def list_causes(
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


def name_causes(
    line: LineFacts,
    causes: Sequence[_Cause],
    *,
    range_hz: tuple[float, float],
    others: Sequence[LineFacts] = (),
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


def _steady_factor(line: LineFacts, kind: str) -> float:
    chance = const.CAUSE_STEADY.get(kind, const.CAUSE_UNKNOWN_STEADY)
    if line.is_steady is None:
        return 1.0
    return chance if line.is_steady else 1.0 - chance


def _direction_factor(line: LineFacts, cause: _Cause) -> float:
    """Return the density of the line's direction over that of a direction drawn at random."""
    if cause.angle_deg is None or line.angle_deg is None or line.angle_sigma_deg is None:
        return 1.0
    apart = (line.angle_deg - cause.angle_deg + 90.0) % 180.0 - 90.0
    # A few degrees for the declared direction itself; a tenth of such lines point elsewhere.
    sigma = math.hypot(line.angle_sigma_deg, 3.0)
    return 0.1 + 0.9 * min(180.0 * _normal(apart, sigma), 180.0 / sigma)


def _agrees(line: LineFacts, cause: _Cause) -> bool:
    """Whether some likely true frequency of the line lies within two sigmas of the cause."""
    reach = 2.0 * math.hypot(cause.sigma_hz, line.sigma_hz)
    return any(
        abs(hz - cause.frequency_hz) <= reach
        for hz, odds in line.folded()
        if odds >= const.CAUSE_LIKELY_FOLD
    )


def _grounds(
    line: LineFacts, cause: _Cause, causes: Sequence[_Cause], others: Sequence[LineFacts]
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


def is_steady(kind: Literal["steady", "resonance"], chance: float | None) -> bool | None:
    """Return whether a line is steady, None where it is narrow but not shown to be a sinusoid.

    `kind`: whether the line is wider than the record resolves. `chance`: that noise makes so steady
    a sinusoid (Thomson's F); None where not tested.
    """
    if kind != "steady":
        return False
    return True if chance is None or chance <= const.CAUSE_STEADY_ENOUGH else None
