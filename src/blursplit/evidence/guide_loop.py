"""A guide loop: what it does to the motion it sees, whether a run shows one, and its tracking."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.motion.common import GridData
from blursplit.rig import Rig
from blursplit.spectra import LineFit
from blursplit.spectra.periodogram import Periodogram
from blursplit.types import BoolArray, FloatArray


def _residual_gain(
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
    >>> float(np.round(_residual_gain(np.array([0.5]), 1.0, 0.5)[0], 4))
    1.3333
    """
    z = np.exp(2j * np.pi * np.asarray(frequency_hz, dtype=float) * cycle_s)
    # Multiplied through by 1 - 1/z, so that frequency 0 is not divided by 0.
    top = 1.0 - 1.0 / z
    return np.asarray(np.abs(top / (top + gain * z ** (-(1.0 + delay_cycles)))))


@dataclass(frozen=True)
class _GuideLoop:
    """A guide loop that a run shows, or does not."""

    is_shown: bool
    log_likelihood_gain: float  # of the continuum times the loop's shape over the continuum alone
    gain: float
    delay_cycles: int


def _find_guide_loop(
    frequency_hz: FloatArray,
    psd_arcsec2_hz: FloatArray,
    degrees_of_freedom: float,
    guide_period_s: float,
) -> _GuideLoop | None:
    """Return whether a density shows the dip and bump of a guide loop; None for under eight bins.

    `frequency_hz`, `psd_arcsec2_hz` (bin,): one-sided density of the shared motion, independent
    bins. `degrees_of_freedom`: of each bin (2 for one periodogram on one axis, 4 for the sum of two
    axes, ...).

    Whittle likelihood of a continuum C against C |S|^2, C = A nu^-p [1 + B/(1 + (nu/nu_c)^2)]:
    air, and a slow current on it. All its numbers, the gain and the delay lie on grids; only
    frequencies up to half the correction rate are used.
    """
    band = (frequency_hz > 0.0) & (frequency_hz <= 0.5 / guide_period_s)
    nu, power = frequency_hz[band], psd_arcsec2_hz[band]
    if nu.size < const.GUIDE_LEAST_BINS or not np.all(power > 0.0):
        return None
    half = 0.5 * degrees_of_freedom
    continua = _continua(nu)
    plain = _best_continuum(power, continua, half)
    best, best_gain, best_delay = -np.inf, const.GUIDE_GAINS[0], 0
    for delay in const.GUIDE_DELAYS:
        for gain in np.linspace(*const.GUIDE_GAINS):
            shape = _residual_gain(nu, guide_period_s, float(gain), delay) ** 2
            here = _best_continuum(power, continua * shape, half)
            if here > best:
                best, best_gain, best_delay = here, float(gain), delay
    gained = best - plain
    shown = bool(gained > const.GUIDE_SHOWN_GAIN)
    return _GuideLoop(shown, float(gained), best_gain, best_delay)


def _continua(nu: FloatArray) -> FloatArray:
    """Return the shapes that unguided motion may have, (shape, bin), each of any level.

    A power law, and on it a slow current that forgets itself within 1/(2 pi corner): flat, then
    falling as the square. Such a bend alone, seen against a power law, would pass for a loop.
    """
    log_nu = np.log(nu / nu[0])
    laws = np.exp(-np.outer(np.arange(*const.GUIDE_SLOPES), log_nu))
    corners = np.geomspace(nu[0], nu[-1], const.GUIDE_CORNERS)
    bends = [np.ones_like(nu)]
    bends += [
        1.0 + size / (1.0 + (nu / corner) ** 2)
        for corner in corners
        for size in const.GUIDE_CURRENTS
    ]
    return np.asarray((np.array(bends)[:, None] * laws[None]).reshape(-1, nu.size))


def _best_continuum(power: FloatArray, shapes: FloatArray, half: float) -> float:
    """Return the best Whittle log-likelihood over the shapes, the level of each in closed form."""
    level = (power / shapes).mean(axis=1)
    logs = np.log(shapes).sum(axis=1) + power.size * np.log(level)
    return float(-half * logs.min()) - half * power.size


# --- the loop as a line of the budget -------------------------------------------------------------
NAME = "guide loop"


@dataclass(frozen=True)
class _GuideMotion:
    """What a guide loop adds."""

    loop: _GuideLoop
    odds: float  # that the dip and bump are a loop's
    line: LineFit  # the bump as a damped mode of the same peak, width and variance
    band_hz: tuple[float, float]  # (low, high): where the loop makes motion larger


def find_guide_motion(grid: GridData, rig: Rig) -> _GuideMotion | None:
    """Return the motion that a declared guide loop adds, or None where none is shown.

    `rig`: for `guide_period_s`.

    Excess = S (1 - 1/|R|^2) where the loop's residual gain |R| exceeds one. It enters the budget
    as a damped mode of that variance, whose peak and half width are those of |R|^2.
    """
    cycle_s = rig.get("guide_period_s")
    if cycle_s is None:
        return None
    piece = max(grid.segments, key=lambda each: len(each.real))
    n = len(piece.real)
    # coarser steps keep a long record in one piece: the loop acts below half its cycle rate
    step = max(1, min(int(0.2 * cycle_s / grid.cadence_s), n // 200))
    steps = piece.shared_arcsec[: n // step * step].reshape(-1, step, 2)
    motion: FloatArray = steps.mean(axis=1).astype(np.float64)
    if len(motion) < 50:  # noqa: PLR2004 - fewer samples carry no spectrum
        return None
    cadence_s = step * grid.cadence_s
    found = Periodogram.of(np.arange(len(motion), dtype=np.float64) * cadence_s, motion, cadence_s)
    bins = slice(const.GUIDE_TAPERS - 1, None, const.GUIDE_TAPERS)
    frequency, power = found.frequency_hz[bins], found.power[bins]
    total = np.trace(power, axis1=1, axis2=2)
    loop = _find_guide_loop(frequency, total, const.GUIDE_FREEDOM, float(cycle_s))
    if loop is None or not loop.is_shown:
        return None
    odds = float(1.0 / (1.0 + np.exp(const.GUIDE_LOG_TRIALS - loop.log_likelihood_gain)))
    if odds < const.GUIDE_LEAST_ODDS:
        return None
    grown = _residual_gain(frequency, float(cycle_s), loop.gain, loop.delay_cycles) ** 2
    bump = (grown > 1.0) & (frequency <= 0.5 / cycle_s)
    if bump.sum() < 2:  # noqa: PLR2004 - a bump in one bin is none
        return None
    share = np.where(bump, 1.0 - 1.0 / np.maximum(grown, 1.0), 0.0)
    width_hz = const.GUIDE_TAPERS / found.duration_s
    covariance = np.einsum("m,mij->ij", share, power) * width_hz
    line = _as_line(found.frequency_hz, frequency, bump, share * total, covariance, width_hz)
    band = (float(frequency[bump][0]), float(frequency[bump][-1]))
    return _GuideMotion(loop, odds, line, band)


def _as_line(
    all_hz: FloatArray,
    frequency_hz: FloatArray,
    bump: BoolArray,
    excess: FloatArray,
    covariance: FloatArray,
    width_hz: float,
) -> LineFit:
    """Return the bump as a damped mode: its mean frequency and its spread about that."""
    weight = excess[bump] / excess[bump].sum()
    inside = frequency_hz[bump]
    middle = float(weight @ inside)
    spread = float(np.sqrt(weight @ (inside - middle) ** 2))
    half = max(spread, width_hz)
    sigma = const.GUIDE_SIZE_ERROR * np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    angle, angle_sigma, ratio = LineFit.axes(covariance, sigma)
    # Lorentzian of this half width and unit variance
    shape = half / np.pi / ((all_hz - middle) ** 2 + half**2)
    return LineFit(
        frequency_hz=middle,
        frequency_sigma=half / np.sqrt(max(float(bump.sum()), 1.0)),
        damping_ratio=min(half / middle, 0.5),
        damping_low=min(0.5 * half / middle, 0.5),
        damping_high=min(2.0 * half / middle, 1.0),
        kind="resonance",
        covariance=covariance,
        covariance_sigma=sigma,
        angle_deg=angle,
        angle_sigma_deg=angle_sigma,
        axis_ratio=ratio,
        false_alarm_probability=const.GUIDE_FALSE_ALARM,
        band_hz=(float(inside[0]), float(inside[-1])),
        psd_model=shape[:, None, None] * covariance,
        bin_hz=float(all_hz[0]),
    )
