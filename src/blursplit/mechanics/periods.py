"""Periods of telescope drives: declared ones, and slow lines that a worm would make."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

SIDEREAL_DAY_S = 86164.0905
SIDEREAL_RATE_ARCSEC_S = 360.0 * 3600.0 / SIDEREAL_DAY_S
# Teeth of worm wheels met on small mounts; common practice, no source.
COMMON_TEETH: tuple[int, ...] = (
    *(100, 120, 130, 135, 144, 150, 180, 192, 200),
    *(216, 240, 250, 288, 300, 315, 359, 360),
)
# A line is matched with a tooth count when it lies within this many of its own sigmas.
MATCH_SIGMAS = 2.0
# Periods closer than this are one period declared twice.
SAME_PERIOD = 0.01
# Fewer turns than this and a drift could have made the line.
MIN_TURNS = 2.0


@dataclass(frozen=True)
class DrivePeriod:
    """A period of the drive and why it is believed.

    Parameters
    ----------
    name : str
    period_s : float
    is_declared : bool
        False for one that was only recognised in the spectrum.
    """

    name: str
    period_s: float
    is_declared: bool = True


@dataclass(frozen=True)
class ToothCandidate:
    """A tooth count whose worm would make a line that was found: a candidate, not a claim.

    Parameters
    ----------
    teeth : int
    period_s : float
    harmonic : int
        Which harmonic of the worm the line would be.
    line_hz : float
    chance : float
        Probability that a line of that uncertainty, placed anywhere between the slowest and
        fastest tabled line, falls this close to some tabled one.
    """

    teeth: int
    period_s: float
    harmonic: int
    line_hz: float
    chance: float


def worm_period_s(teeth: int) -> float:
    """Return the period of a single-start worm on a wheel of the polar axis [s].

    Examples
    --------
    >>> round(worm_period_s(180), 2)
    478.69
    """
    return SIDEREAL_DAY_S / teeth


def declared_periods(
    period_s: Sequence[float] | None, wheel_teeth: Sequence[int] | None
) -> tuple[DrivePeriod, ...]:
    """Return the declared drive periods, longest first, each only once.

    Parameters
    ----------
    period_s : sequence of float, optional
    wheel_teeth : sequence of int, optional
        One period of 86164.0905 s / teeth each; one that repeats a declared period within 1 %
        is dropped.
    """
    found = [DrivePeriod(f"drive {value:g} s", float(value)) for value in period_s or ()]
    for teeth in wheel_teeth or ():
        value = worm_period_s(teeth)
        if all(abs(math.log(value / other.period_s)) > SAME_PERIOD for other in found):
            found.append(DrivePeriod(f"worm on {teeth} teeth", value))
    return tuple(sorted(found, key=lambda item: -item.period_s))


def recognise_teeth(
    frequency_hz: Sequence[float],
    sigma_hz: Sequence[float],
    *,
    duration_s: float,
    harmonics: int = 2,
    teeth: Sequence[int] = COMMON_TEETH,
) -> list[ToothCandidate]:
    """Return which tooth counts would explain slow lines, best match first.

    Parameters
    ----------
    frequency_hz, sigma_hz : sequence of float
        Lines found and their uncertainty.
    duration_s : float
        Length of the run; lines with less than two turns in it are not looked at, because a
        drift could have made them.
    harmonics : int, optional
        Highest harmonic of the worm considered.
    teeth : sequence of int, optional

    Notes
    -----
    The table is dense: with a 5 % uncertainty nearly every slow line matches something. `chance`
    says so; near 1 the match means nothing.
    """
    table = [(n, k, k / worm_period_s(n)) for n in teeth for k in range(1, harmonics + 1)]
    slowest, fastest = min(row[2] for row in table), max(row[2] for row in table)
    found: list[tuple[float, ToothCandidate]] = []
    for line, sigma in zip(frequency_hz, sigma_hz, strict=True):
        reach = MATCH_SIGMAS * sigma
        if line * duration_s < MIN_TURNS or not slowest - reach <= line <= fastest + reach:
            continue
        chance = _covered_share([row[2] for row in table], reach, slowest, fastest)
        for count, harmonic, expected in table:
            if abs(line - expected) <= reach:
                miss = abs(line - expected) / sigma
                period = worm_period_s(count)
                found.append((miss, ToothCandidate(count, period, harmonic, line, chance)))
    return [candidate for _, candidate in sorted(found, key=lambda item: item[0])]


def _covered_share(centres: list[float], reach: float, low: float, high: float) -> float:
    """Return the share of [low, high] that lies within `reach` of any centre."""
    covered, end = 0.0, low
    for centre in sorted(centres):
        start, stop = max(centre - reach, end), min(centre + reach, high)
        if stop > start:
            covered += stop - start
            end = stop
    return min(1.0, covered / (high - low))
