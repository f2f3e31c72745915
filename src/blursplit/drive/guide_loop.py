"""What a guide loop does to the motion it sees, and whether a run shows one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    GUIDE_CORNERS,
    GUIDE_CURRENTS,
    GUIDE_DELAYS,
    GUIDE_LEAST_BINS,
    GUIDE_SHOWN_GAIN,
)
from blursplit.types import FloatArray

GAINS = np.linspace(0.1, 1.0, 19)
# Air rises a little toward its outer scale; a steeper rise would take the place of a loop's dip.
SLOPES = np.arange(-0.25, 3.01, 0.25)


def residual_gain(
    frequency_hz: FloatArray, cycle_s: float, gain: float, delay_cycles: int = 0
) -> FloatArray:
    """Return |S|, what a guide loop leaves of a motion at each frequency.

    `cycle_s`: time from one correction to the next. `gain`: integrating proportional correction:
    the part of the error taken out each cycle. `delay_cycles`: extra cycles between measuring and
    correcting.

    |1 / (1 + g z^-(1+m) / (1 - z^-1))| with z = exp(2 pi i nu T): a high-pass that amplifies
    above a fraction of the cycle frequency. The guide camera's exposure adds a sinc and half a
    cycle of delay, which are left out.

    Examples
    --------
    >>> float(np.round(residual_gain(np.array([0.5]), 1.0, 0.5)[0], 4))
    1.3333
    """
    z = np.exp(2j * np.pi * np.asarray(frequency_hz, dtype=float) * cycle_s)
    # Multiplied through by 1 - 1/z, so that frequency 0 is not divided by 0.
    top = 1.0 - 1.0 / z
    return np.asarray(np.abs(top / (top + gain * z ** (-(1.0 + delay_cycles)))))


def bump_frequency_hz(cycle_s: float, gain: float) -> float:
    """Return g/(2 pi T), below which the loop corrects and above which it may amplify."""
    return gain / (2.0 * math.pi * cycle_s)


@dataclass(frozen=True)
class GuideLoop:
    """A guide loop that a run shows, or does not."""

    is_shown: bool
    log_likelihood_gain: float  # of the continuum times the loop's shape over the continuum alone
    gain: float
    delay_cycles: int
    corner_hz: float  # g/(2 pi T)
    text: str


def find_guide_loop(
    frequency_hz: FloatArray,
    psd_arcsec2_hz: FloatArray,
    degrees_of_freedom: float,
    guide_period_s: float,
) -> GuideLoop | None:
    """Return whether a density shows the dip and bump of a guide loop.

    `frequency_hz`, `psd_arcsec2_hz` (bin,): one-sided density of the shared motion, independent
    bins. `degrees_of_freedom`: of each bin (2 for one periodogram on one axis, 4 for the sum of two
    axes, ...).

    Returns: none where fewer than eight bins lie below the loop's highest frequency.

    Whittle likelihood of a continuum C against C |S|^2, C = A nu^-p [1 + B/(1 + (nu/nu_c)^2)]:
    air, and a slow current on it. All its numbers, the gain and the delay lie on grids; only
    frequencies up to half the correction rate are used.
    """
    band = (frequency_hz > 0.0) & (frequency_hz <= 0.5 / guide_period_s)
    nu, power = frequency_hz[band], psd_arcsec2_hz[band]
    if nu.size < GUIDE_LEAST_BINS or not np.all(power > 0.0):
        return None
    half = 0.5 * degrees_of_freedom
    continua = _continua(nu)
    plain = _best_continuum(power, continua, half)
    best, best_gain, best_delay = -np.inf, float(GAINS[0]), 0
    for delay in GUIDE_DELAYS:
        for gain in GAINS:
            shape = residual_gain(nu, guide_period_s, float(gain), delay) ** 2
            here = _best_continuum(power, continua * shape, half)
            if here > best:
                best, best_gain, best_delay = here, float(gain), delay
    gained = best - plain
    shape = residual_gain(nu, guide_period_s, best_gain, best_delay) ** 2
    above = nu[shape > 1.0]
    shown = bool(gained > GUIDE_SHOWN_GAIN)
    corner = bump_frequency_hz(guide_period_s, best_gain)
    text = "no guide loop is shown"
    if shown:
        text = (
            f"compatible with a guide loop of gain {best_gain:.2f}: corrected below {corner:.3g} Hz"
        )
        if above.size:
            text += f", made larger above {float(above[0]):.3g} Hz"
    return GuideLoop(shown, float(gained), best_gain, best_delay, corner, text)


def _continua(nu: FloatArray) -> FloatArray:
    """Return the shapes that unguided motion may have, (shape, bin), each of any level.

    A power law, and on it a slow current that forgets itself within 1/(2 pi corner): flat, then
    falling as the square. Such a bend alone, seen against a power law, would pass for a loop.
    """
    log_nu = np.log(nu / nu[0])
    laws = np.exp(-np.outer(SLOPES, log_nu))
    corners = np.geomspace(nu[0], nu[-1], GUIDE_CORNERS)
    bends = [np.ones_like(nu)]
    bends += [
        1.0 + size / (1.0 + (nu / corner) ** 2) for corner in corners for size in GUIDE_CURRENTS
    ]
    return np.asarray((np.array(bends)[:, None] * laws[None]).reshape(-1, nu.size))


def _best_continuum(power: FloatArray, shapes: FloatArray, half: float) -> float:
    """Return the best Whittle log-likelihood over the shapes, the level of each in closed form."""
    level = (power / shapes).mean(axis=1)
    logs = np.log(shapes).sum(axis=1) + power.size * np.log(level)
    return float(-half * logs.min()) - half * power.size
