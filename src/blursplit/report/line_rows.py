"""One line of the spectrum in words: frequency, motion, damping, chance, aliases and cause."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blursplit.plain import plain
from blursplit.report.wording import UNKNOWN, estimate_text, number, probability

if TYPE_CHECKING:
    from blursplit.result import Line

__all__ = ["line_row"]

# Odds under this are told together: no reader needs eight candidates of "0 %" each.
WORTH_NAMING = 0.01
# A false-alarm probability under this leans on the far tail of a distribution that no run checks.
SMALLEST_CHANCE = 1e-6


def line_row(index: int, line: Line) -> dict[str, str]:
    """Return the texts of one line, numbered from 1."""
    rms = (
        estimate_text(line.rms_arcsec, "arcsec")
        if line.rms_arcsec is not None
        else estimate_text(line.rms_px, "px")
    )
    chance = line.false_alarm_probability
    return {
        "number": str(index),
        "frequency": estimate_text(line.frequency_hz, "Hz"),
        "rms": rms,
        "direction": estimate_text(line.angle_deg, "deg") + _ellipse(line),
        "damping": _damping(line),
        "chance": _chance(chance),
        "shared": probability(line.shared_probability),
        "aliases": _candidates(line),
        "elsewhere": _elsewhere(line),
        "cause": _causes(line),
    }


def _chance(chance: float) -> str:
    return "< 10⁻⁶" if chance < SMALLEST_CHANCE else number(chance, 2)


def _ellipse(line: Line) -> str:
    """Return the shape of the motion's ellipse, empty where older results do not hold it."""
    if line.minor_over_major is None:
        return ""
    return f"; minor to major axis {estimate_text(line.minor_over_major, '')}"


def _damping(line: Line) -> str:
    told = "steady" if line.kind == "steady" else UNKNOWN
    if line.damping_ratio is not None:
        told = estimate_text(line.damping_ratio, "%", 100.0)
    if line.kind == "steady" and line.steady_chance is not None:
        told += f"; so steady by chance: {_chance(line.steady_chance)}"
    return told


def _odds(line: Line) -> list[tuple[float, float | None]]:
    odds = [*line.alias_odds, *[None] * len(line.alias_candidates_hz)]
    found = list(zip(line.alias_candidates_hz, odds, strict=False))
    return sorted(found, key=lambda item: -(item[1] or 0.0))


def _candidates(line: Line) -> str:
    """Return the frequencies that the line may truly have, with their odds."""
    named, rest = [], 0
    for frequency, odds in _odds(line):
        if odds is not None and odds < WORTH_NAMING:
            rest += 1
            continue
        named.append(f"{number(frequency, 4)} Hz" + (f" ({probability(odds)})" if odds else ""))
    if rest:
        named.append(f"{rest} more at < 1 % each")
    return ", ".join(named) or "no other"


def _elsewhere(line: Line) -> str:
    """Return the other frequencies that the line may be folded from, as far as worth naming."""
    seen = line.frequency_hz.value
    return ", ".join(
        f"or {number(frequency, 3)} Hz ({probability(odds)})"
        for frequency, odds in _odds(line)
        if odds is not None
        and odds >= WORTH_NAMING
        and (seen is None or abs(frequency - seen) > 0.02 * seen)
    )


def _causes(line: Line) -> str:
    named = sorted(line.cause_odds.items(), key=lambda item: -item[1])
    if not named or (named[0][0] == "unknown" and named[0][1] > 1.0 - WORTH_NAMING):
        return plain(line.cause)
    return ", ".join(f"{plain(cause)} ({probability(odds)})" for cause, odds in named)
