"""Lines as parts of the budget: whose they are, and their densities on any frequencies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.evidence.rolling_rows import kept_by_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.spectra import LineFit

    FloatArray = NDArray[np.float64]

# No pier, tripod or tube rings slower than this; a slower line that is no drive period keeps
# its cause open (common practice, no source).
SLOWEST_STRUCTURE_HZ = 0.5
CORE_WIDTHS = 4.0  # half-widths left out of the air's fit on each side of a line
CORE_BINS = 3.0
WHOLE_TURN = 0.7  # turns in an exposure from which the blur is that of a whole oscillation
N_ANGLES = 90
INSIDE_SIGMA = 0.3
LEAST_ODDS = 0.02
LEAST_SINC2 = 0.1  # exposure averaging is undone only where this much is left


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
            term.fit.frequency_hz - CORE_WIDTHS * term.half_width_hz - CORE_BINS / length_s,
            term.fit.frequency_hz + CORE_WIDTHS * term.half_width_hz + CORE_BINS / length_s,
        )
        for term in terms
    ]


def kept_by_exposure(
    terms: Sequence[LineTerm],
    frequency_hz: FloatArray,
    exposure_s: float,
    rng: np.random.Generator | None,
    row_time_s: FloatArray | None = None,
    cadence_s: float = 1.0,
) -> FloatArray:
    """Return the share of the power that the exposures leave, at each frequency of the record.

    Parameters
    ----------
    terms : sequence of LineTerm
        A frequency near a line takes that line's true frequency.
    frequency_hz : ndarray, shape (n,)
    exposure_s : float
    rng : numpy.random.Generator or None
        Draws a true frequency for each line by its odds; None takes the likeliest.
    row_time_s : ndarray, shape (n_stars,) or None
        Delays of the stars' rows, for what their mean keeps of folded lines.
    cadence_s : float
        Frame interval, where rows have delays.

    Returns
    -------
    ndarray, shape (n,)
        sinc^2(nu tau), 1 where less than a tenth is left: there nothing is undone.
    """
    true = np.array(frequency_hz, dtype=np.float64)
    if terms:
        centre = np.array([term.fit.frequency_hz for term in terms])
        nearest = np.argmin(np.abs(true[:, None] - centre), axis=1)
        chosen = np.array(
            [
                term.true_hz if rng is None else rng.choice(term.candidates_hz, p=term.odds)
                for term in terms
            ]
        )
        true = np.where(chosen[nearest] == centre[nearest], true, chosen[nearest])
    kept = np.sinc(true * exposure_s) ** 2 * kept_by_rows(true, row_time_s, cadence_s)
    return np.where(kept >= LEAST_SINC2, kept, 1.0)


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
        likely = term.odds >= LEAST_ODDS
        odds = term.odds[likely] / term.odds[likely].sum()
        blurs = np.stack(
            [_line_blur(term, hz, exposure_s, cycles_arcsec) for hz in term.candidates_hz[likely]]
        )
        middle = odds @ blurs
        mean += middle
        variance += odds @ (blurs - middle) ** 2 + (INSIDE_SIGMA * middle) ** 2
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
    angle = np.pi * (np.arange(N_ANGLES) + 0.5) / N_ANGLES
    unit = np.stack([np.cos(angle), np.sin(angle)])
    sigma = np.sqrt(np.maximum(np.einsum("ia,ij,ja->a", unit, covariance, unit), 0.0))
    otf = streak_otf(np.outer(cycles_arcsec, sigma), 1.0, true_hz * exposure_s)
    return np.asarray(np.log(np.maximum(otf.mean(axis=1), 1e-9)))


def streak_otf(cycles: FloatArray, sigma: float, turns: float) -> FloatArray:
    """Return the transfer function, along the motion, of a line's motion inside the exposures.

    Parameters
    ----------
    cycles : ndarray
        Sky frequencies along the motion, in one over the unit of `sigma`.
    sigma : float
        Rms of the motion inside an exposure.
    turns : float
        Oscillations in an exposure.
    """
    size = cycles * sigma
    if turns >= WHOLE_TURN:
        return np.asarray(np.exp(-2.0 * np.pi**2 * size**2))
    from scipy.special import erf

    # Mean of sin(cz)/(cz) over a normal z: d(c mean)/dc is that of cos(cz), exp(-c^2/2).
    c = np.maximum(np.pi * np.sqrt(12.0) * np.abs(size), 1e-6)
    return np.asarray(np.sqrt(np.pi / 2.0) * erf(c / np.sqrt(2.0)) / c)


def smallest_detectable_rms(
    density: FloatArray, frequency_hz: FloatArray, length_s: float, *, damping_ratio: float = 0.02
) -> FloatArray:
    """Return the rms (both axes) of a mode that the search would still find.

    Parameters
    ----------
    density : ndarray, shape (n,)
        Continuum of one axis [unit^2/Hz].
    frequency_hz : ndarray, shape (n,)
    length_s : float
    damping_ratio : float

    Notes
    -----
    A mode spread over n = pi zeta f0 T resolved frequencies must stand above the scatter of its
    continuum there: variance = (S/T) (r + r sqrt(n)), with r = 9 for the usual false alarm over
    a searched range of a thousand frequencies (ln 1000 + ln 100 = 11.5 in log likelihood, shared
    by two axes' coefficients and confirmed by the detection table in docs/line_detection.md).
    """
    cells = np.maximum(np.pi * damping_ratio * frequency_hz * length_s, 1.0)
    out: FloatArray = np.sqrt(density / length_s * 9.0 * (1.0 + np.sqrt(cells)))
    return out
