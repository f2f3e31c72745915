"""Lines as parts of the budget: whose they are, their densities, and joint draws of motions.

Given the spectra of parts whose sum was measured, a draw from all of them conditional on that sum:
draw every part beforehand, then add to each its gain times (measured - drawn sum). That is exact
for Gaussian processes (Hoffman & Ribak 1991, ApJ 380, L5; in statistics Matheron's rule), ends of
the record included: the covariance of n samples is the corner of a circulant one, and its inverse
is applied by conjugate gradients.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.image.otf import streak_otf
from blursplit.motion.common import GridData
from blursplit.spectra import LineFit
from blursplit.stars.geometry import remove_trend
from blursplit.types import ComplexArray, FloatArray, IntArray


# --- lines ----------------------------------------------------------------------------------------
@dataclass(frozen=True)
class LineTerm:
    """A line and the contribution it counts for."""

    fit: LineFit
    owner: Literal["tracking", "structure", "open"]
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
            - const.LINE_CORE_WIDTHS * term.half_width_hz
            - const.LINE_CORE_BINS / length_s,
            term.fit.frequency_hz
            + const.LINE_CORE_WIDTHS * term.half_width_hz
            + const.LINE_CORE_BINS / length_s,
        )
        for term in terms
    ]


def blur_inside_exposure(
    terms: Sequence[LineTerm], exposure_s: float, cycles_arcsec: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return ln of the azimuthal mean transfer function of motion inside the exposures.

    `cycles_arcsec` (n,): sky frequencies.

    Returns `mean`, `doubt` (n,): over the candidates for the true frequencies by their odds, and
    the error: how far the candidates lie apart, and 30 % for what centroids say of motion inside a
    frame.
    """
    mean, variance = np.zeros(len(cycles_arcsec)), np.zeros(len(cycles_arcsec))
    for term in terms:
        likely = term.odds >= const.LINE_LEAST_ODDS
        odds = term.odds[likely] / term.odds[likely].sum()
        blurs = np.stack(
            [_line_blur(term, hz, exposure_s, cycles_arcsec) for hz in term.candidates_hz[likely]]
        )
        middle = odds @ blurs
        mean += middle
        variance += odds @ (blurs - middle) ** 2 + (const.LINE_INSIDE_SIGMA * middle) ** 2
    return mean, np.sqrt(variance)


def _line_blur(
    term: LineTerm, true_hz: float, exposure_s: float, cycles_arcsec: FloatArray
) -> FloatArray:
    """Ln of the azimuthal mean transfer function of one line inside the exposures.

    An exposure much shorter than the period draws the star out into a line whose length varies
    from frame to frame like a Gaussian: the mean of sinc(f L). One that holds a whole turn or
    more blurs like J0 of an amplitude that varies like Rayleigh's, which is a Gaussian.
    """
    kept = max(float(np.sinc(true_hz * exposure_s)) ** 2, const.LEAST_SINC2)
    covariance = term.fit.covariance * (1.0 - kept) / kept
    angle = np.pi * (np.arange(const.STREAK_ANGLES) + 0.5) / const.STREAK_ANGLES
    unit = np.stack([np.cos(angle), np.sin(angle)])
    sigma = np.sqrt(np.maximum(np.einsum("ia,ij,ja->a", unit, covariance, unit), 0.0))
    otf = streak_otf(np.outer(cycles_arcsec, sigma), 1.0, true_hz * exposure_s)
    return np.asarray(np.log(np.maximum(otf.mean(axis=1), 1e-9)))


# --- strong lines, taken out of the motion before the air is fitted -------------------------------
@dataclass(frozen=True)
class _Coefficients:
    """Fourier coefficients of the shared motion, one row a frequency of a segment."""

    frequency_hz: FloatArray  # (n,)
    value: ComplexArray  # (n, 2): scaled so that the sum of |value|^2 is the variance [arcsec^2]
    segment: IntArray  # (n,)


def shared_coefficients(grid: GridData) -> _Coefficients:
    """Transform the shared motion of each segment, trend removed."""
    frequencies, values, numbers = [], [], []
    for number, segment in enumerate(grid.segments):
        n = len(segment.real)
        transform = np.fft.rfft(remove_trend(segment.shared_arcsec), axis=0)[1:] / n
        # Both signs of the frequency count, except Nyquist, which has only one.
        transform *= np.sqrt(2.0)
        if n % 2 == 0:
            transform[-1] /= np.sqrt(2.0)
        values.append(transform)
        frequencies.append(np.fft.rfftfreq(n, grid.cadence_s)[1:].astype(np.float64))
        numbers.append(np.full(len(transform), number))
    return _Coefficients(
        np.concatenate(frequencies), np.concatenate(values), np.concatenate(numbers)
    )


# Thousands of 2 x 2 matrices take a tenth of the time when they are worked element by element.


def _times(matrix: FloatArray, vector: ComplexArray) -> ComplexArray:
    return _product(matrix, vector[:, :, None])[:, :, 0]


def _product(first: FloatArray, second: NDArray[Any]) -> NDArray[Any]:
    """Return the products of 2 x 2 matrices with matrices or columns, shape (n, 2, m)."""
    out = np.empty_like(second)
    for i, j in np.ndindex(second.shape[1:]):
        out[:, i, j] = first[:, i, 0] * second[:, 0, j] + first[:, i, 1] * second[:, 1, j]
    return out


def _inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverses of 2 x 2 matrices."""
    a, b, c, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1]
    adjugate = np.stack([d, -b, -c, a], axis=-1).reshape(-1, 2, 2)
    return np.asarray(adjugate / (a * d - b * c)[:, None, None])


def without_lines(
    grid: GridData, cores_hz: list[tuple[float, float]], lines: FloatArray, rest: FloatArray
) -> GridData:
    """Return the grid with the smoothed estimate of the lines taken out inside their cores.

    `cores_hz` (list of (low, high)). `lines`, `rest` (n, 2, 2): densities at the frequencies of
    `shared_coefficients(grid)`.

    The cores take no part in the air's fit, but a strong line would leak through the tapers far
    beyond its core and pass for fast air.
    """
    coefficients = shared_coefficients(grid)
    # the lines' mean given the whole and both densities
    value = _times(_product(lines, _inverse(lines + rest)), coefficients.value)
    inside = np.zeros(len(coefficients.frequency_hz), dtype=bool)
    for low, high in cores_hz:
        inside |= (coefficients.frequency_hz >= low) & (coefficients.frequency_hz <= high)
    value[~inside] = 0.0
    return grid.without(np.concatenate(_to_series(coefficients, value, grid)))


def _to_series(
    coefficients: _Coefficients, value: ComplexArray, grid: GridData
) -> list[FloatArray]:
    """Return the motion of each segment in time, shape (n, 2) each [arcsec]."""
    out = []
    for number, segment in enumerate(grid.segments):
        n = len(segment.real)
        transform = value[coefficients.segment == number] * n / np.sqrt(2.0)
        if n % 2 == 0:
            transform[-1] *= np.sqrt(2.0)
        full = np.concatenate([np.zeros((1, 2)), transform])
        out.append(np.fft.irfft(full, n=n, axis=0))
    return out
