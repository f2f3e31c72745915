"""A guide loop in the record: the motion that it adds, as a line that belongs to tracking."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    GUIDE_FALSE_ALARM,
    GUIDE_FREEDOM,
    GUIDE_LEAST_ODDS,
    GUIDE_LOG_TRIALS,
    GUIDE_SIZE_ERROR,
    GUIDE_TAPERS,
)
from blursplit.drive.guide_loop import GuideLoop, find_guide_loop, residual_gain
from blursplit.motion.grid import GridData
from blursplit.rig import Rig
from blursplit.spectra import LineFit
from blursplit.types import BoolArray, FloatArray

NAME = "guide loop"


@dataclass(frozen=True)
class GuideMotion:
    """What a guide loop adds."""

    loop: GuideLoop
    odds: float  # that the dip and bump are a loop's
    line: LineFit  # the bump as a damped mode of the same peak, width and variance
    band_hz: tuple[float, float]  # (low, high): where the loop makes motion larger

    @property
    def cause(self) -> str:
        """The loop in words."""
        return f"{self.loop.text} (cycle and shape of the spectrum)"


def find_guide_motion(grid: GridData, rig: Rig) -> GuideMotion | None:
    """Return the motion that a declared guide loop adds, or None where none is shown.

    `rig`: for `guide_period_s`.

    Excess = S (1 - 1/|R|^2) where the loop's residual gain |R| exceeds one. It enters the budget
    as a damped mode of that variance, whose peak and half width are those of |R|^2.
    """
    from blursplit.spectra.periodogram import motion_periodogram

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
    found = motion_periodogram(
        np.arange(len(motion), dtype=np.float64) * cadence_s, motion, cadence_s
    )
    bins = slice(GUIDE_TAPERS - 1, None, GUIDE_TAPERS)
    frequency, power = found.frequency_hz[bins], found.power[bins]
    total = np.trace(power, axis1=1, axis2=2)
    loop = find_guide_loop(frequency, total, GUIDE_FREEDOM, float(cycle_s))
    if loop is None or not loop.is_shown:
        return None
    odds = float(1.0 / (1.0 + np.exp(GUIDE_LOG_TRIALS - loop.log_likelihood_gain)))
    if odds < GUIDE_LEAST_ODDS:
        return None
    grown = residual_gain(frequency, float(cycle_s), loop.gain, loop.delay_cycles) ** 2
    bump = (grown > 1.0) & (frequency <= 0.5 / cycle_s)
    if bump.sum() < 2:  # noqa: PLR2004 - a bump in one bin is none
        return None
    share = np.where(bump, 1.0 - 1.0 / np.maximum(grown, 1.0), 0.0)
    width_hz = GUIDE_TAPERS / found.duration_s
    covariance = np.einsum("m,mij->ij", share, power) * width_hz
    line = _as_line(found.frequency_hz, frequency, bump, share * total, covariance, width_hz)
    band = (float(frequency[bump][0]), float(frequency[bump][-1]))
    return GuideMotion(loop, odds, line, band)


def _as_line(
    all_hz: FloatArray,
    frequency_hz: FloatArray,
    bump: BoolArray,
    excess: FloatArray,
    covariance: FloatArray,
    width_hz: float,
) -> LineFit:
    """Return the bump as a damped mode: its mean frequency and its spread about that."""
    from blursplit.spectra import LineFit, principal_axes

    weight = excess[bump] / excess[bump].sum()
    inside = frequency_hz[bump]
    middle = float(weight @ inside)
    spread = float(np.sqrt(weight @ (inside - middle) ** 2))
    half = max(spread, width_hz)
    sigma = GUIDE_SIZE_ERROR * np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    angle, angle_sigma, ratio = principal_axes(covariance, sigma)
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
        false_alarm_probability=GUIDE_FALSE_ALARM,
        band_hz=(float(inside[0]), float(inside[-1])),
        psd_model=shape[:, None, None] * covariance,
        bin_hz=float(all_hz[0]),
    )
