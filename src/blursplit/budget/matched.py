"""Histories of a run whose widths are known but whose air no spectrum shows.

The air is what is left: in each draw the optics take a part of the width that motion and base
leave, flat between nothing and all of it where nobody stated it, and the air the rest. So air and
optics come out as ranges that only their sum bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from blursplit.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA, SEEING_IN_LAMBDA_OVER_R0
from blursplit.definitions import Conditions, History, in_windows, width
from blursplit.estimate import Estimate
from blursplit.types import FloatArray, IntArray


def match_width(
    conditions: Conditions,
    time_s: FloatArray,
    segment: IntArray,
    paths: Sequence[dict[str, FloatArray]],
    inside: Sequence[dict[str, FloatArray]],
    recorded: Estimate,
    *,
    blur_time_s: float,
    outer_scale_m: tuple[float, float],
    stated_optics_arcsec: float | None,
    narrowest_arcsec: float | None,
    may_shake: bool,
    seed: int,
) -> tuple[History, ...]:
    """Return histories whose modelled width is the recorded one.

    Parameters
    ----------
    conditions : Conditions
    time_s, segment : ndarray, shape (n,)
    paths, inside : sequence of dict
        Of each draw: paths (n, 2) and blur tensors inside the frames, by owner.
    recorded : Estimate
        Its error is drawn.
    blur_time_s : float
    outer_scale_m : (low, high)
    stated_optics_arcsec : float or None
        FWHM of the optics as stated.
    narrowest_arcsec : float or None
        FWHM that the optics, constant over the run, cannot exceed.
    may_shake : bool
        Whether the constant blur may be a steady vibration.
    seed : int
    """
    rng = np.random.default_rng([seed, 78])
    assert recorded.value is not None  # noqa: S101 - a measured width
    assert recorded.high is not None  # noqa: S101
    sigma = recorded.high - recorded.value
    constant2 = np.inf
    if narrowest_arcsec is not None:
        bare = History(conditions, time_s[:1], segment[:1])
        most = (narrowest_arcsec / FWHM_PER_SIGMA) ** 2
        constant2 = _solve(bare, "optics", narrowest_arcsec, most)
    out = []
    for path, blur in zip(paths, inside, strict=True):
        wanted = max(recorded.value + sigma * rng.standard_normal(), 0.1 * recorded.value)
        history = History(
            conditions,
            time_s,
            segment,
            path,
            blur,
            outer_scale_m=float(np.exp(rng.uniform(*np.log(outer_scale_m)))),
            optics_may_shake=may_shake,
        )
        seen = in_windows(history, blur_time_s)
        if stated_optics_arcsec is None:
            rest2 = _solve(seen, "optics", wanted, (wanted / FWHM_PER_SIGMA) ** 2)
            rest2 = min(rest2, constant2)
            optics2 = rng.random() * rest2
        else:
            optics2 = (stated_optics_arcsec / FWHM_PER_SIGMA) ** 2
        tensor = optics2 * np.eye(2)
        unit = SEEING_IN_LAMBDA_OVER_R0 * conditions.wavelength_m * ARCSEC_PER_RADIAN
        strongest = (2.0 * wanted / unit) ** (5.0 / 3.0)
        with_optics = replace(seen, optics_arcsec2=tensor)
        strength = _solve(with_optics, "air", wanted, strongest)
        out.append(replace(history, optics_arcsec2=tensor, strength=strength))
    return tuple(out)


def _solve(history: History, what: str, wanted: float, most: float) -> float:
    """Return how much of the optics' variance, or of air, makes the wanted width.

    0 where it is wider without any, `most` where it is narrower with all of it.
    """

    def beyond(size: float) -> float:
        if what == "air":
            return width(replace(history, strength=size)) - wanted
        return width(replace(history, optics_arcsec2=size * np.eye(2))) - wanted

    if beyond(0.0) >= 0:
        return 0.0
    return most if beyond(most) <= 0 else float(brentq(beyond, 0.0, most, rtol=1e-3))
