"""Strong lines, smoothed and taken out of the shared motion before the air is fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.motion.grid import remove_trend

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.motion.grid import GridData

    FloatArray = NDArray[np.float64]
    ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Coefficients:
    """Fourier coefficients of the shared motion, one row a frequency of a segment.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    value : ndarray of complex, shape (n, 2)
        Scaled so that the sum of |value|^2 is the variance [arcsec^2].
    resolution_hz : ndarray, shape (n,)
        Spacing of the frequencies of that segment: variance of a coefficient is S times this.
    weight : ndarray, shape (n,)
        Share of the segment in the whole record.
    segment : ndarray of int, shape (n,)
    """

    frequency_hz: FloatArray
    value: ComplexArray
    resolution_hz: FloatArray
    weight: FloatArray
    segment: NDArray[np.int64]


def shared_coefficients(grid: GridData) -> Coefficients:
    """Transform the shared motion of each segment, trend removed."""
    columns: list[list[FloatArray]] = []
    values = []
    total = sum(len(s.real) for s in grid.segments)
    for number, segment in enumerate(grid.segments):
        n = len(segment.real)
        transform = np.fft.rfft(remove_trend(segment.shared_arcsec), axis=0)[1:] / n
        # Both signs of the frequency count, except Nyquist, which has only one.
        transform *= np.sqrt(2.0)
        if n % 2 == 0:
            transform[-1] /= np.sqrt(2.0)
        frequency = np.fft.rfftfreq(n, grid.cadence_s)[1:].astype(np.float64)
        m = len(frequency)
        values.append(transform)
        columns.append(
            [
                frequency,
                np.full(m, 1.0 / (n * grid.cadence_s)),
                np.full(m, n / total),
                np.full(m, float(number)),
            ]
        )
    frequency, resolution, weight, number_of = (
        np.concatenate([column[i] for column in columns]) for i in range(4)
    )
    return Coefficients(
        frequency, np.concatenate(values), resolution, weight, number_of.astype(np.int64)
    )


def _smoothed(coefficients: Coefficients, part: FloatArray, rest: FloatArray) -> ComplexArray:
    """Return the mean of a part of the shared motion given the whole and both densities."""
    gain = _product(part, _inverse(part + rest))
    mean: ComplexArray = _product(gain, coefficients.value[:, :, None])[:, :, 0]
    return mean


# Thousands of 2 x 2 matrices take a tenth of the time when they are worked element by element.


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

    Parameters
    ----------
    grid : GridData
    cores_hz : list of (low, high)
    lines, rest : ndarray, shape (n, 2, 2)
        Densities at the frequencies of `shared_coefficients(grid)`.

    Notes
    -----
    The cores take no part in the air's fit, but a strong line would leak through the tapers far
    beyond its core and pass for fast air.
    """
    coefficients = shared_coefficients(grid)
    value = _smoothed(coefficients, lines, rest)
    inside = np.zeros(len(coefficients.frequency_hz), dtype=bool)
    for low, high in cores_hz:
        inside |= (coefficients.frequency_hz >= low) & (coefficients.frequency_hz <= high)
    value[~inside] = 0.0
    n = len(grid.star)
    segments = tuple(
        replace(
            segment,
            shared_arcsec=segment.shared_arcsec - motion,
            stars_arcsec=segment.stars_arcsec - np.repeat(motion, n, axis=1),
        )
        for segment, motion in zip(
            grid.segments, _to_series(coefficients, value, grid), strict=True
        )
    )
    return replace(grid, segments=segments)


def _to_series(coefficients: Coefficients, value: ComplexArray, grid: GridData) -> list[FloatArray]:
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
