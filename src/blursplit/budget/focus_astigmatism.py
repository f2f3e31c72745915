"""Astigmatism from several focus positions: the elongation that turns by 90 degrees in focus."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.focus_runs import ANGLES
from blursplit.turbulence.defocus import equivalent_variance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.focus_runs import FocusRun
    from blursplit.evidence.focus import FocusFit

    FloatArray = NDArray[np.float64]

FEWEST = 4
STEP = 1e-3  # arcsec^2, for a derivative


@dataclass(frozen=True)
class Astigmatism:
    """Draws of the astigmatism.

    Parameters
    ----------
    variance_arcsec2 : ndarray, shape (n_draws,)
        One-axis variance of its rays at best focus, the scatter of the draws taken out.
    angle_deg : ndarray, shape (n_draws,)
        Direction along which the image is longer beyond best focus (larger positions).
    is_shown : bool
        Whether the draws exclude none with 95 %.
    """

    variance_arcsec2: FloatArray
    angle_deg: FloatArray
    is_shown: bool


def find_astigmatism(
    runs: Sequence[FocusRun], n_baselines: int, fit: FocusFit, rng: np.random.Generator
) -> Astigmatism | None:
    """Find how the elongation changes through focus; None with fewer than four runs.

    Parameters
    ----------
    runs : sequence of FocusRun
    n_baselines : int
        Baselines that all runs share.
    fit : FocusFit
    rng : numpy.random.Generator

    Notes
    -----
    With the rms h of the defocused rays and a of the astigmatic ones, the variance along an axis
    at the angle t from the astigmatism's is (h + a cos 2t)^2, so that the second harmonic over
    angle is 2 h a (derived): least squares on 2 k (z - z0), one a draw of the curve. What the
    elongation does beside that line (wind, motion inside the exposures) is its error, with
    Student's t.
    """
    if len(runs) < FEWEST:
        return None
    cycles = runs[0].cycles_arcsec[:n_baselines]
    waves = 2.0 * np.exp(2j * ANGLES) / len(ANGLES)
    harmonic = np.array([run.log_loss[:n_baselines] @ waves for run in runs])
    second = equivalent_variance(harmonic.real, cycles) + 1j * equivalent_variance(
        harmonic.imag, cycles
    )
    position = np.array([run.position for run in runs])
    sigma = fit.defocus_arcsec(position)
    # What the loss gains for a small change of the squared rays, beyond the Gaussian regime too.
    table = (fit.loss[0] ** 2, fit.loss[1])
    gain = (np.interp(sigma**2 + STEP, *table) - np.interp(sigma**2, *table)) / STEP
    x = 2.0 * gain * sigma * np.sign(position[:, None] - fit.best)
    x = x - x.mean(axis=0)
    power = (x**2).sum(axis=0)
    slope = (x * (second - second.mean())[:, None]).sum(axis=0) / power
    left = second[:, None] - second.mean() - x * slope
    freedom = 2 * (len(runs) - 2)  # real and imaginary parts
    noise = (np.abs(left) ** 2).sum(axis=0) / freedom / power
    heavy = np.sqrt(freedom / rng.chisquare(freedom, len(power)))
    shift = rng.standard_normal((2, len(power))) * np.sqrt(noise) * heavy
    draws = np.stack([slope.real + shift[0], slope.imag + shift[1]])
    variance, typical = (draws**2).sum(axis=0), float(np.median(noise))
    shown = float(np.median(np.abs(slope) ** 2)) > 2.0 * typical * _f_quantile(freedom)
    if shown:
        # A length that scatters comes out too long, once in the data and once in the draws.
        variance = np.maximum(variance - 4.0 * typical, 0.0)
    return Astigmatism(
        variance_arcsec2=variance,
        angle_deg=np.degrees(np.arctan2(draws[1], draws[0])) / 2.0 % 180.0,
        is_shown=shown,
    )


def _f_quantile(freedom: int) -> float:
    """Return the 95 % point of the F distribution of a vector of two against its noise."""
    from scipy.stats import f

    return float(f.ppf(0.95, 2, freedom))
