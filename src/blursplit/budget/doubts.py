"""What keeps a verdict open although one share is the largest in nearly all draws."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blursplit.estimate import Estimate
    from blursplit.result import Result

# Broadband motion of this part of the drift's rms may have made the drift.
WANDER_SHARE = 0.3
# Longer exposures average out much of a mode of 3 Hz (sinc^2 = 0.74 at 0.1 s), which then widens
# every frame as air does.
HIDING_EXPOSURE_S = 0.1
# Air that pairs of stars show by themselves, relative to all that was found.
ENOUGH_SEEN = 0.7
MOTIONS = {
    "tracking": "tracking error",
    "structure": "ringing of the structure",
    "unassigned": "shared motion of open cause",
}


def what_keeps_it_open(dominant: str, result: Result) -> str | None:
    """Return why a verdict has to stay undecided, in a sentence; None where nothing does.

    Parameters
    ----------
    dominant : str
        The contribution that would be named.
    result : Result
        With its parts filled in.
    """
    if dominant in MOTIONS:
        shown: Estimate | None = getattr(result, dominant).rms_major_arcsec
        if shown is None or shown.is_limit:
            return (
                f"The {MOTIONS[dominant]} would be the largest part, but at most a limit on it is "
                "shown: none at all is not excluded (95 %)."
            )
    if dominant == "tracking" and _wander_may_be_the_drift(result):
        return (
            "Slow shared motion of open cause was found beside the drift: currents in the tube "
            "wander and leave a trend in a record this short, so the drift may be theirs."
        )
    if dominant == "atmosphere" and _shake_may_be_the_air(result):
        return (
            f"Exposures of {result.sequence.frame_exposure_s:.2g} s hide shaking of some hertz, "
            "which widens every frame as air does, and pairs of stars alone do not show that "
            "much air: use exposures of 20 ms or less."
        )
    return None


def _wander_may_be_the_drift(result: Result) -> bool:
    """Whether broadband shared motion is large enough to have made the drift by itself."""
    open_cause, drift = result.unassigned.rms_major_arcsec, result.tracking.rms_major_arcsec
    fitted = any(term.amplitude_arcsec is not None for term in result.tracking.periodic)
    if open_cause is None or open_cause.value is None or fitted:
        return False
    if drift is None or drift.value is None:
        return False
    return open_cause.value > WANDER_SHARE * drift.value


def _shake_may_be_the_air(result: Result) -> bool:
    """Whether shaking inside the exposures could pass for the air that was found."""
    exposure = result.sequence.frame_exposure_s
    if exposure is None or exposure < HIDING_EXPOSURE_S:
        return False
    lower, all_air = (
        result.atmosphere.lower_seeing_arcsec,
        result.atmosphere.seeing_500nm_zenith_arcsec,
    )
    if all_air is None or all_air.value is None:
        return False
    seen = 0.0 if lower is None else lower.low95 or 0.0
    return seen < ENOUGH_SEEN * all_air.value
