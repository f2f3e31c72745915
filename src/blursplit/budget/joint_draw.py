"""Joint draws of stationary motions whose sum was measured.

Given the spectra of the parts, a draw from all of them conditional on the measured sum: draw every
part beforehand, then add to each its gain times (measured - drawn sum). That is exact for Gaussian
processes (Hoffman & Ribak 1991, ApJ 380, L5; in statistics Matheron's rule), ends of the record
included: the covariance of n samples is the corner of a circulant one, and its inverse is applied
by conjugate gradients.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from blursplit.constants import MOST_ITERATIONS, SOLVER_TOLERANCE
from blursplit.types import ComplexArray, FloatArray


def draw_parts(
    measured: FloatArray,
    parts: Sequence[FloatArray],
    cadence_s: float,
    rng: np.random.Generator,
) -> list[FloatArray]:
    """Draw the parts of a measured motion.

    `measured` (n, 2): sum of all parts, mean removed, on even times. `parts` (sequence of ndarray,
    shape (m, 2, 2)): one-sided densities, noise included as a part, at `embedded_frequencies(n,
    cadence_s)`.

    Returns: list of ndarray, shape (n, 2): they sum to the measured motion.
    """
    n = len(measured)
    size = _embedding(n)
    # Eigenvalues of the circulant covariance: two-sided density over the sample interval.
    values = [0.5 * part / cadence_s for part in parts]
    drawn = [_draw(value, n, size, rng) for value in values]
    rest = measured - np.sum(drawn, axis=0)
    weight = _solve(np.sum(values, axis=0), rest, size)
    transform = rfft(weight, n=size, axis=0)
    return [
        path + irfft(_times(value, transform), n=size, axis=0)[:n]
        for path, value in zip(drawn, values, strict=True)
    ]


def embedded_frequencies(n: int, cadence_s: float) -> FloatArray:
    """Return the frequencies at which `draw_parts` wants the densities of n samples.

    The first is a quarter of the second and stands for zero, which has no density of its own.
    """
    frequency = np.fft.rfftfreq(_embedding(n), cadence_s).astype(np.float64)
    frequency[0] = 0.25 * frequency[1]
    return frequency


def _embedding(n: int) -> int:
    size = next_fast_len(2 * n, real=True)
    return int(size + size % 2)


def _draw(value: FloatArray, n: int, size: int, rng: np.random.Generator) -> FloatArray:
    """Draw n samples of a motion with these eigenvalues."""
    white = rfft(rng.standard_normal((size, 2)), axis=0)
    return np.asarray(irfft(_times(_root(value), white), n=size, axis=0)[:n])


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
    left = wanted - covariance(x)
    step = better = nearly_inverse(left)
    size_of = float(np.sum(left * better))
    goal = SOLVER_TOLERANCE**2 * float(np.sum(wanted * nearly_inverse(wanted)))
    for _ in range(MOST_ITERATIONS):
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


# Thousands of 2 x 2 matrices take a tenth of the time when they are worked element by element.


def _times(matrix: FloatArray, vector: ComplexArray) -> ComplexArray:
    out = np.empty_like(vector)
    for i in range(2):
        out[:, i] = matrix[:, i, 0] * vector[:, 0] + matrix[:, i, 1] * vector[:, 1]
    return out


def _inverse(matrix: FloatArray) -> FloatArray:
    a, b, c, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1]
    adjugate = np.stack([d, -b, -c, a], axis=-1).reshape(-1, 2, 2)
    return np.asarray(adjugate / (a * d - b * c)[:, None, None])


def _root(matrix: FloatArray) -> FloatArray:
    """Symmetric roots of 2 x 2 covariances: (M + sI)/t, s^2 = det, t^2 = tr + 2s."""
    a = np.clip(matrix[:, 0, 0], 0.0, None)
    d = np.clip(matrix[:, 1, 1], 0.0, None)
    c = 0.5 * (matrix[:, 0, 1] + matrix[:, 1, 0])
    s = np.sqrt(np.clip(a * d - c * c, 0.0, None))
    t = np.sqrt(a + d + 2.0 * s)
    root = np.stack([a + s, c, c, d + s], axis=-1).reshape(-1, 2, 2)
    return np.asarray(root / np.where(t > 0, t, 1.0)[:, None, None])
