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
from scipy.fft import irfft, next_fast_len, rfft

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.image.otf import streak_otf
from blursplit.motion.common import GridData
from blursplit.spectra import Continuum, LineFit
from blursplit.stars.robust import remove_trend
from blursplit.types import ComplexArray, FloatArray, IntArray


# --- lines ----------------------------------------------------------------------------------------
@dataclass(frozen=True)
class LineTerm:
    """A line and the contribution it counts for."""

    fit: LineFit
    owner: Literal["tracking", "structure", "open"]
    candidates_hz: FloatArray
    odds: FloatArray
    # Of each candidate, (n,): amplitude of the centroids over that of the frames' mean places.
    followed: FloatArray

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

    def density(self, frequency_hz: FloatArray, length_s: float, cadence_s: float) -> FloatArray:
        """Return the line's density matrix, shape (n, 2, 2), as a record of this length shows it.

        Displacement of a damped mode under white force, S ~ 1/[(f0^2 - f^2)^2 + (2 zeta f0 f)^2],
        normalised over all frequencies; its width never falls below the record's resolution, and
        its feet above Nyquist are folded back once.
        """
        f0 = self.fit.frequency_hz
        zeta = max(self.half_width_hz, 0.6 / length_s) / f0

        def shape(f: FloatArray) -> FloatArray:
            # Closed form of the integral from 0 to infinity: pi/(4 zeta f0^3).
            level = 4.0 * zeta * f0**3 / np.pi
            return level / ((f0**2 - f**2) ** 2 + (2.0 * zeta * f0 * f) ** 2)

        both = shape(frequency_hz) + shape(1.0 / cadence_s - frequency_hz)
        out: FloatArray = both[:, None, None] * self.fit.covariance
        return out

    def core_hz(self, length_s: float) -> tuple[float, float]:
        """Return the band that the line fills, to be left out of the air's fit."""
        half = const.LINE_CORE_WIDTHS * self.half_width_hz + const.LINE_CORE_BINS / length_s
        return self.fit.frequency_hz - half, self.fit.frequency_hz + half

    @staticmethod
    def blur_inside(
        terms: Sequence[LineTerm], exposure_s: float, cycles_arcsec: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return ln of the azimuthal mean transfer function of motion inside the exposures.

        `cycles_arcsec` (n,): sky frequencies.

        Returns `mean`, `doubt` (n,): over the candidates for the true frequencies by their odds,
        and the error: how far the candidates lie apart, and 30 % for what centroids say of motion
        inside a frame.
        """
        mean, variance = np.zeros(len(cycles_arcsec)), np.zeros(len(cycles_arcsec))
        for term in terms:
            likely = term.odds >= const.LINE_LEAST_ODDS
            odds = term.odds[likely] / term.odds[likely].sum()
            blurs = np.stack(
                [
                    _line_blur(term.fit.covariance / gain**2, hz, exposure_s, cycles_arcsec)
                    for hz, gain in zip(
                        term.candidates_hz[likely], term.followed[likely], strict=True
                    )
                ]
            )
            middle = odds @ blurs
            mean += middle
            variance += odds @ (blurs - middle) ** 2 + (const.LINE_INSIDE_SIGMA * middle) ** 2
        return mean, np.sqrt(variance)

    @staticmethod
    def taken_out(
        terms: Sequence[LineTerm], grid: GridData, continuum: Continuum | None
    ) -> GridData:
        """Return the grid without the smoothed estimate of the lines inside their cores.

        The cores take no part in the air's fit, but a strong line would leak through the tapers far
        beyond its core and pass for fast air.
        """
        if not terms or continuum is None:
            return grid
        coefficients = _shared_coefficients(grid)
        at_hz = coefficients.frequency_hz
        lines = np.zeros((len(at_hz), 2, 2))
        inside = np.zeros(len(at_hz), dtype=bool)
        for term in terms:
            lines += term.density(at_hz, grid.longest_s, grid.cadence_s)
            low, high = term.core_hz(grid.longest_s)
            inside |= (at_hz >= low) & (at_hz <= high)
        # the lines' mean given the whole and both densities
        columns = np.moveaxis(_inverse(lines + continuum.matrix(at_hz)), 2, 0).copy()
        gain = np.stack([_times(lines, column) for column in columns], axis=2)
        value = _times(gain, coefficients.value)
        value[~inside] = 0.0
        return grid.without(np.concatenate(_to_series(coefficients, value, grid)))


def _line_blur(
    seen_arcsec2: FloatArray, true_hz: float, exposure_s: float, cycles_arcsec: FloatArray
) -> FloatArray:
    """Ln of the azimuthal mean transfer function of one line inside the exposures.

    `seen_arcsec2` (2, 2): covariance of the frames' mean places.

    An exposure much shorter than the period draws the star out into a line whose length varies
    from frame to frame like a Gaussian: the mean of sinc(f L). One that holds a whole turn or
    more blurs like J0 of an amplitude that varies like Rayleigh's, which is a Gaussian.
    """
    kept = max(float(np.sinc(true_hz * exposure_s)) ** 2, const.LEAST_SINC2)
    covariance = seen_arcsec2 * (1.0 - kept) / kept
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


def _shared_coefficients(grid: GridData) -> _Coefficients:
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


def _times(matrix: FloatArray, vector: NDArray[Any]) -> NDArray[Any]:
    """Return the products of matrices (n, 2, 2) and vectors (n, 2)."""
    out = np.empty_like(vector)
    kernels("air").products(matrix, vector, out)
    return out


def _inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverses of 2 x 2 matrices, element by element: a tenth of the time."""
    a, b, c, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1]
    adjugate = np.stack([d, -b, -c, a], axis=-1).reshape(-1, 2, 2)
    return np.asarray(adjugate / (a * d - b * c)[:, None, None])


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


@dataclass(frozen=True)
class JointDraw:
    """Draws of the parts of a measured motion of n samples on even times."""

    n: int
    cadence_s: float

    @property
    def _size(self) -> int:
        """Length of the circulant that holds the covariance of n samples."""
        size = next_fast_len(2 * self.n, real=True)
        return int(size + size % 2)

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies at which the densities of the parts are wanted.

        The first is a quarter of the second and stands for zero, which has no density of its own.
        """
        frequency = np.fft.rfftfreq(self._size, self.cadence_s).astype(np.float64)
        frequency[0] = 0.25 * frequency[1]
        return frequency

    def parts(
        self, measured: FloatArray, densities: Sequence[FloatArray], rng: np.random.Generator
    ) -> list[FloatArray]:
        """Draw the parts, (n, 2) each; they sum to the measured motion.

        `measured` (n, 2): sum of all parts, mean removed. `densities` (sequence of ndarray, shape
        (m, 2, 2)): one-sided, noise included as a part, at `frequency_hz`.
        """
        # Eigenvalues of the circulant covariance: two-sided density over the sample interval.
        values = [0.5 * density / self.cadence_s for density in densities]
        drawn = [_draw(value, self._size, rng) for value in values]
        together = irfft(np.sum(drawn, axis=0), n=self._size, axis=0)[: self.n]
        weight = _solve(np.sum(values, axis=0), measured - together, self._size)
        transform = rfft(weight, n=self._size, axis=0)
        return [
            irfft(part + _times(value, transform), n=self._size, axis=0)[: self.n]
            for part, value in zip(drawn, values, strict=True)
        ]


def _draw(value: FloatArray, size: int, rng: np.random.Generator) -> ComplexArray:
    """Draw the transform of a motion with these eigenvalues, shape (size // 2 + 1, 2).

    White noise is as white in its transform, whose first and last values are real. Single
    precision is far finer than what one draw differs from another by.
    """
    white = rng.standard_normal((len(value), 4), np.float32).astype(float).view(complex)
    white *= np.sqrt(0.5 * size)
    white[[0, -1]] = np.sqrt(2.0) * white[[0, -1]].real
    root = np.empty_like(value)
    kernels("air").roots(value, root)
    return _times(root, white)


def _solve(total: FloatArray, wanted: FloatArray, size: int) -> FloatArray:
    """Solve covariance times weight = wanted, preconditioned by a circulant of n samples."""
    n = len(wanted)
    frequency, coarse = np.arange(size // 2 + 1) / size, np.arange(n // 2 + 1) / n
    inverse = _inverse(
        np.stack(
            [[np.interp(coarse, frequency, total[:, i, j]) for j in range(2)] for i in range(2)]
        ).transpose(2, 0, 1)
    )

    def covariance(x: FloatArray) -> FloatArray:
        return np.asarray(irfft(_times(total, rfft(x, n=size, axis=0)), n=size, axis=0)[:n])

    def nearly_inverse(x: FloatArray) -> FloatArray:
        return np.asarray(irfft(_times(inverse, rfft(x, axis=0)), n=n, axis=0))

    x = nearly_inverse(wanted)
    goal = const.SOLVER_TOLERANCE**2 * float(np.sum(wanted * x))
    left = wanted - covariance(x)
    step = better = nearly_inverse(left)
    size_of = float(np.sum(left * better))
    for _ in range(const.MOST_ITERATIONS):
        if size_of <= goal:
            break
        moved = covariance(step)
        along = size_of / float(np.sum(step * moved))
        x = x + along * step
        left = left - along * moved
        better = nearly_inverse(left)
        before, size_of = size_of, float(np.sum(left * better))
        step = better + size_of / before * step
    return x
