"""Periods of telescope drives, declared as such or by the teeth of a wheel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from blursplit.constants import (
    DRIVE_SAME_PERIOD,
    SIDEREAL_DAY_S,
)


@dataclass(frozen=True)
class DrivePeriod:
    """A declared period of the drive."""

    name: str
    period_s: float


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

    `wheel_teeth`: one period of 86164.0905 s / teeth each; one that repeats a declared period
    within 1 % is dropped.
    """
    found = [DrivePeriod(f"drive {value:g} s", float(value)) for value in period_s or ()]
    for teeth in wheel_teeth or ():
        value = worm_period_s(teeth)
        if all(abs(math.log(value / other.period_s)) > DRIVE_SAME_PERIOD for other in found):
            found.append(DrivePeriod(f"worm on {teeth} teeth", value))
    return tuple(sorted(found, key=lambda item: -item.period_s))
