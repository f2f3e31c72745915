"""Lines as parts of the budget: whose they are, and their densities on any frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from blursplit.constants import (
    LEAST_SINC2,
    LINE_CORE_BINS,
    LINE_CORE_WIDTHS,
    LINE_INSIDE_SIGMA,
    LINE_LEAST_ODDS,
    STREAK_ANGLES,
)
from blursplit.image.otf import streak_otf
from blursplit.spectra import LineFit
from blursplit.types import FloatArray


@dataclass(frozen=True)
class LineTerm:
    """A line and the contribution it counts for."""

    fit: LineFit
    owner: Literal["tracking", "structure", "unassigned"]
    candidates_hz: FloatArray
    odds: FloatArray

    @property
    def true_hz(self) -> float:
        """The likeliest candidate."""
        return float(self.candidates_hz[int(np.argmax(self.odds))])

    @property
    def half_width_hz(self) -> float:
        """Half width at half maximum of a damped mode, zero for a steady line."""
        return (self.fit.damping_ratio or 0.0) * self.fit.frequency_hz

    def varied(self, rng: np.random.Generator) -> LineTerm:
        """Return the line with its size and width drawn from their errors (log-normal)."""
        fit = self.fit
        size = np.exp(2.0 * fit.rms_sigma / max(fit.rms, 1e-30) * rng.standard_normal())
        damping = fit.damping_ratio
        if damping is not None:
            spread = 0.5 * np.log(fit.damping_high / max(fit.damping_low, 1e-6))
            damping *= float(np.exp(spread * rng.standard_normal()))
        return replace(
            self, fit=replace(fit, covariance=fit.covariance * size, damping_ratio=damping)
        )


def line_density(
    term: LineTerm, frequency_hz: FloatArray, length_s: float, cadence_s: float
) -> FloatArray:
    """Return the line's density matrix, shape (n, 2, 2), as a record of this length shows it.

    Notes
    -----
    Displacement of a damped mode under white force, S ~ 1/[(f0^2 - f^2)^2 + (2 zeta f0 f)^2],
    normalised over all frequencies; its width never falls below the record's resolution, and
    its feet above Nyquist are folded back once.
    """
    f0 = term.fit.frequency_hz
    zeta = max(term.half_width_hz, 0.6 / length_s) / f0

    def shape(f: FloatArray) -> FloatArray:
        # Closed form of the integral from 0 to infinity: pi/(4 zeta f0^3).
        level = 4.0 * zeta * f0**3 / np.pi
        return level / ((f0**2 - f**2) ** 2 + (2.0 * zeta * f0 * f) ** 2)

    both = shape(frequency_hz) + shape(1.0 / cadence_s - frequency_hz)
    out: FloatArray = both[:, None, None] * term.fit.covariance
    return out


def line_cores_hz(terms: Sequence[LineTerm], length_s: float) -> list[tuple[float, float]]:
    """Return the bands that lines fill, to be left out of the air's fit."""
    return [
        (
            term.fit.frequency_hz
            - LINE_CORE_WIDTHS * term.half_width_hz
            - LINE_CORE_BINS / length_s,
            term.fit.frequency_hz
            + LINE_CORE_WIDTHS * term.half_width_hz
            + LINE_CORE_BINS / length_s,
        )
        for term in terms
    ]


def blur_inside_exposure(
    terms: Sequence[LineTerm], exposure_s: float, cycles_arcsec: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return ln of the azimuthal mean transfer function of motion inside the exposures.

    Parameters
    ----------
    terms : sequence of LineTerm
    exposure_s : float
    cycles_arcsec : ndarray, shape (n,)
        Sky frequencies.

    Returns
    -------
    mean, doubt : ndarray, shape (n,)
        Over the candidates for the true frequencies by their odds, and the error: how far the
        candidates lie apart, and 30 % for what centroids say of motion inside a frame.
    """
    mean, variance = np.zeros(len(cycles_arcsec)), np.zeros(len(cycles_arcsec))
    for term in terms:
        likely = term.odds >= LINE_LEAST_ODDS
        odds = term.odds[likely] / term.odds[likely].sum()
        blurs = np.stack(
            [_line_blur(term, hz, exposure_s, cycles_arcsec) for hz in term.candidates_hz[likely]]
        )
        middle = odds @ blurs
        mean += middle
        variance += odds @ (blurs - middle) ** 2 + (LINE_INSIDE_SIGMA * middle) ** 2
    return mean, np.sqrt(variance)


def _line_blur(
    term: LineTerm, true_hz: float, exposure_s: float, cycles_arcsec: FloatArray
) -> FloatArray:
    """Ln of the azimuthal mean transfer function of one line inside the exposures.

    An exposure much shorter than the period draws the star out into a line whose length varies
    from frame to frame like a Gaussian: the mean of sinc(f L). One that holds a whole turn or
    more blurs like J0 of an amplitude that varies like Rayleigh's, which is a Gaussian.
    """
    kept = max(float(np.sinc(true_hz * exposure_s)) ** 2, LEAST_SINC2)
    covariance = term.fit.covariance * (1.0 - kept) / kept
    angle = np.pi * (np.arange(STREAK_ANGLES) + 0.5) / STREAK_ANGLES
    unit = np.stack([np.cos(angle), np.sin(angle)])
    sigma = np.sqrt(np.maximum(np.einsum("ia,ij,ja->a", unit, covariance, unit), 0.0))
    otf = streak_otf(np.outer(cycles_arcsec, sigma), 1.0, true_hz * exposure_s)
    return np.asarray(np.log(np.maximum(otf.mean(axis=1), 1e-9)))
