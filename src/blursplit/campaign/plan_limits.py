"""How long and how many runs each limit of a file takes, before anything is recorded."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from blursplit.campaign.accept import unit_of
from blursplit.campaign.accept_rules import mount_ends_arcsec
from blursplit.campaign.background import smallest_line_arcsec, smallest_mode_arcsec
from blursplit.campaign.limits import EXACT
from blursplit.campaign.recording import LimitNeeds
from blursplit.constants import (
    ACCEPT_LENGTH_STEP,
    ACCEPT_LONGEST_S,
    LINE_LEFT_AT_LEAST,
    PLAN_DURATION_S,
    PLAN_OTHER_RATE,
    PLAN_REPEATS,
    PLAN_TAPS_S,
    Z95,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from blursplit.campaign.background import Background
    from blursplit.campaign.limits import Limit, Limits, LineRule, SettleRule
    from blursplit.types import FloatArray

    Make = Callable[[float, float], Background]
    """Background of a run by its length [s] and frame interval [s]."""


def needs_of(
    limits: Limits, make: Make, cadence_s: float, damping_ratio: float
) -> list[LimitNeeds]:
    """Return what each limit takes, in the order of the file.

    Parameters
    ----------
    limits : Limits
    make : callable
        Background of the shared motion by length and frame interval [s].
    cadence_s : float
    damping_ratio : float
        Of the structure looked for.

    Notes
    -----
    A limit counts as shown where the run would show half of it (numbers) or a line of its size
    (rules on lines), as `accept` asks: the upper range of winds, found 95 times in 100.
    """
    found = [
        _number(key, limit, limits.blur_time_s or 0.0, make, cadence_s, damping_ratio)
        for key, limit in limits.limits.items()
    ]
    found += [_lines(rule, make, cadence_s) for rule in limits.lines]
    return found + [_slew(rule, make, cadence_s) for rule in limits.after_slew]


def _number(
    key: str, limit: Limit, blur_s: float, make: Make, cadence_s: float, damping: float
) -> LimitNeeds:
    frame = {"key": key, "name": limit.name}
    edge = limit.at_most if limit.at_most is not None else limit.at_least
    if key.startswith("tap."):
        how = "three to five taps by hand, ten seconds apart, 50 frames/s or more"
        return LimitNeeds(**frame, length_s=PLAN_TAPS_S, runs=1, how=how)
    if key.startswith(EXACT):
        return LimitNeeds(**frame, length_s=None, runs=1, how="any run")
    if key.startswith("structure.rms") and edge:

        def smallest(length_s: float) -> float:
            background = make(length_s, cadence_s)
            grid = np.geomspace(3.0, 0.8 * background.nyquist_hz, 24)
            return float(smallest_mode_arcsec(grid, damping, background, which="high").max())

        return _until(frame, smallest, edge, blur_s, "to show that no mode of that size is there")
    if key == "tracking.drift_arcsec_per_min" and edge:

        def drift(length_s: float) -> float:
            # slope of white noise of one-sided density S over T: variance 6 S / T^3
            slow = float(make(length_s, cadence_s).high[0])
            return 2.0 * Z95 * 60.0 * float(np.sqrt(6.0 * slow / length_s**3))

        return _until(frame, drift, edge, blur_s, "if the drift is below half of it")
    how = f"repeats; how far they lie apart decides ({unit_of(key) or 'no unit'})"
    return LimitNeeds(**frame, length_s=max(blur_s, PLAN_DURATION_S), runs=PLAN_REPEATS, how=how)


def _until(
    frame: dict[str, str],
    smallest: Callable[[float], float],
    limit: float,
    least_s: float,
    how: str,
    runs: int = 1,
) -> LimitNeeds:
    """Return the first length, in steps of a quarter, at which a size at the limit shows."""
    length = max(least_s, PLAN_DURATION_S / 4)
    while length <= ACCEPT_LONGEST_S:
        if smallest(length) <= limit:
            return LimitNeeds(**frame, length_s=float(ceil(length)), runs=runs, how=how)
        length *= ACCEPT_LENGTH_STEP
    left = smallest(ACCEPT_LONGEST_S)
    hidden = (
        f"{left:.2g} arcsec is the least that {ACCEPT_LONGEST_S / 3600:g} h show: brighter or "
        "more stars, steadier air, or a sensor on the pier"
        if np.isfinite(left)
        else "no length of record shows it at this exposure and frame rate"
    )
    return LimitNeeds(**frame, length_s=None, runs=runs, how=hidden)


def _lines(rule: LineRule, make: Make, cadence_s: float) -> LimitNeeds:
    low, high = rule.between_hz
    rate = 1.0 / cadence_s
    frame = {"key": f"lines between {low:g} and {high:g} Hz", "name": rule.name}
    cadences = [cadence_s]
    how = "one run"
    if high > 0.5 * rate:
        # frames are blind about each multiple of their rate, and fold what lies above half of it
        cadences.append(cadence_s / PLAN_OTHER_RATE)
        how = f"a second run at {PLAN_OTHER_RATE * rate:.3g} frames/s, which parts aliases"

    def smallest(length_s: float) -> float:
        grid = np.unique(np.concatenate([np.geomspace(low, high, 60), rate * np.arange(1, 9)]))
        grid = grid[(grid >= low) & (grid <= high)]
        each = [smallest_line_arcsec(grid, make(length_s, c), which="high") for c in cadences]
        return float(np.min(each, axis=0).max())

    exposure = make(PLAN_DURATION_S, cadence_s).exposure_s
    if abs(np.sinc(high * exposure)) < LINE_LEFT_AT_LEAST:
        how = f"exposures below {0.5 / high:.2g} s: these average such lines away"
        return LimitNeeds(**frame, length_s=None, runs=len(cadences), how=how)
    limit = rule.no_shared_line_above_arcsec
    return _until(frame, smallest, limit, 0.0, how, runs=len(cadences))


def _slew(rule: SettleRule, make: Make, cadence_s: float) -> LimitNeeds:
    """Return what stillness after a slew takes, and how small a motion the air lets show."""
    length = rule.slew_ended_s + rule.within_s + rule.over_s
    background = make(max(length, PLAN_DURATION_S), cadence_s)
    taken = 1.0 - np.sinc(background.frequency_hz * rule.over_s) ** 2
    sizes = [float(np.trapezoid(d * taken, background.frequency_hz)) for d in _range(background)]
    squared = float(np.trapezoid((background.middle * taken) ** 2, background.frequency_hz))
    _, high = mount_ends_arcsec(np.array([sizes[1]]), sizes, squared, rule.over_s)
    least = float(high[0])
    frame = {"key": f"after a slew, {rule.over_s:g} s", "name": rule.name}
    if least > rule.rms_at_most_arcsec:
        how = (
            f"in such air the frames show nothing below {least:.2g} arcsec rms over "
            f"{rule.over_s:g} s: an encoder or sensor on the mount"
        )
        return LimitNeeds(**frame, length_s=None, runs=PLAN_REPEATS, how=how)
    how = "each run begins while the mount arrives; every slew counts"
    return LimitNeeds(**frame, length_s=float(ceil(length)), runs=PLAN_REPEATS, how=how)


def _range(background: Background) -> tuple[FloatArray, FloatArray, FloatArray]:
    return background.low, background.middle, background.high
