"""What ordinary long subframes can still tell: drift between frames, width, bounds; no split.

Motion inside a frame of ten seconds and more cannot be told from air and focus; so the drift is
measured from frame to frame, the width bounds the air from above, and the rest is undecided.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.assemble import seeing_of
from blursplit.budget.contributions import width_arcsec
from blursplit.budget.perfect import perfect_blur
from blursplit.estimate import upper_limit, with_error
from blursplit.result import Atmosphere, Tracking

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.facts import Facts
    from blursplit.estimate import Estimate
    from blursplit.motion import CommonMotion
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

LEAST_STEPS = 5
MAD_TO_SIGMA = 1.4826
LARGEST_OUTER_SCALE_M = 50.0


def drift_between_frames(tracks: StarTracks, motion: CommonMotion, facts: Facts) -> Tracking | None:
    """Return the drift from the steps between consecutive frames; None for too few of them.

    Notes
    -----
    The rate is the median of the steps over their times, its error 1.25 times their scatter over
    the root of their number: guiding corrections and dithers scatter and do not drift.
    """
    scale = facts.scale_arcsec
    same = np.diff(tracks.segment) == 0
    time = np.diff(tracks.time_s)[same]
    steps = np.stack([np.diff(motion.x_px)[same], np.diff(motion.y_px)[same]], axis=1)
    usable = np.isfinite(steps).all(axis=1) & (time > 0)
    if scale is None or usable.sum() < LEAST_STEPS:
        return None
    rate = steps[usable] / time[usable, None] * scale * 60.0
    middle = np.median(rate, axis=0)
    scatter = MAD_TO_SIGMA * np.median(np.abs(rate - middle), axis=0)
    error = 1.25 * scatter / np.sqrt(usable.sum())
    size = float(np.hypot(*middle))
    sigma = float(np.hypot(*(error * middle)) / max(size, 1e-12))
    sigma = max(sigma, 1e-3)
    seconds = facts.blur_time_s / 60.0
    return Tracking(
        drift_arcsec_per_min=with_error(size, sigma),
        rms_major_arcsec=with_error(size * seconds / 12**0.5, sigma * seconds / 12**0.5),
        drift_angle_deg=None
        if size < 2.0 * sigma
        else with_error(
            float(np.degrees(np.arctan2(middle[1], middle[0])) % 180.0),
            float(np.degrees(sigma / size)),
        ),
    )


def bound_from_width(recorded: Estimate, facts: Facts) -> Atmosphere | None:
    """Return the largest seeing that the recorded width allows with a perfect instrument.

    Parameters
    ----------
    recorded : Estimate
        FWHM of the stacked star [arcsec].
    facts : Facts

    Notes
    -----
    All of the width is given to the air, with the largest outer scale in use; solved for r0 by
    bisection on the long-exposure transfer function (Fried 1966).
    """
    if facts.optics is None or recorded.high95 is None:
        return None
    from dataclasses import replace

    from scipy.optimize import brentq

    blur = replace(perfect_blur(facts), outer_scale_m=LARGEST_OUTER_SCALE_M)

    def excess(log_j: float) -> float:
        widened = replace(blur, j=float(np.exp(log_j)))
        return width_arcsec(widened, ["atmosphere", "instrument"]) - (recorded.high95 or 0.0)

    low, high = np.log(1e-3), np.log(1e5)
    if excess(low) > 0 or excess(high) < 0:
        return None
    j = np.exp(brentq(excess, low, high, xtol=1e-3))
    limit = upper_limit(float(seeing_of(np.array([j]), facts)[0]))
    return Atmosphere(upper_seeing_arcsec=limit, evidence=["width of the recorded star"])
