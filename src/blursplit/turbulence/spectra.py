"""Spectra in time of image motion under frozen flow, of one beam and between two.

Frequencies are x = nu D/V with the wind speed V across the beam; one-sided densities are in
units lambda^2 r0^(-5/3) D^(-1/3) (D/V), so that their integral over x is the coefficient K.
Co-spectra of two beams are averaged over wind directions. What an exposure leaves of the variance
stands beside them. D/L0 and the obstruction are as in `turbulence.tilt`.

References
----------
J.-M. Conan, G. Rousset and P.-Y. Madec (1995), J. Opt. Soc. Am. A 12, 1559 (method; from
memory); H. M. Martin (1987), PASP 99, 1360 (exposure).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit import constants as const
from blursplit.compiled import air
from blursplit.turbulence.tilt import (
    TiltKind,
    bessel_0_2,
    grid,
    pair_covariance,
    radial_density,
    tilt_coefficient,
)
from blursplit.types import FloatArray, IntArray


def exposure_factor(
    path_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return what an exposure leaves of one star's motion variance, along and across the wind.

    `path_over_aperture`: V tau/D: how far the wind carries the air during the exposure.

    Returns `along`, `across`: var(tau)/var(0), between 0 and 1.
    """
    path = np.asarray(path_over_aperture, dtype=float)
    single = tilt_coefficient(kind, obstruction, aperture_over_outer_scale)
    node, weight = unit_nodes()
    along, across = pair_covariance(
        path[..., None] * node, aperture_over_outer_scale, obstruction, kind
    )
    triangle = 2.0 * (1.0 - node) * weight
    return (along @ triangle) / single, (across @ triangle) / single


@lru_cache(maxsize=1)
def unit_nodes() -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights on (0, 1), in twelve panels that halve toward 0."""
    node, weight = np.polynomial.legendre.leggauss(12)
    edges = np.concatenate([[0.0], 2.0 ** np.arange(-8.0, 1.0), np.linspace(0, 1, 13)[1:-1]])
    edges = np.unique(edges)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    nodes = (middle[:, None] + half[:, None] * node).ravel()
    return nodes, (half[:, None] * weight).ravel()


# --- in time -------------------------------------------------------------------------------------
def tilt_spectra(
    x: ArrayLike, aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> tuple[FloatArray, FloatArray]:
    """Return the spectra of one star's motion along and across the wind.

    `x`: frequency nu D/V, positive.

    Returns `along`, `across` (of `x`): one-sided densities in units lambda^2 r0^(-5/3) D^(-1/3)
    (D/V). Outside 1e-6 < x < 100 the law of the nearer end continues.

    S(nu) = (2/V) int P(nu/V, f_y) df_y, written as an Abel integral over the radial frequency;
    in ln u its kernel depends on the difference only, so that one correlation gives all x.
    """
    spline = _spectrum_table(float(aperture_over_outer_scale), float(obstruction), kind)
    value = np.exp(spline(np.log(np.asarray(x, dtype=float))))
    return value[..., 0], value[..., 1]


@lru_cache(maxsize=256)
def _spectrum_table(aperture_over_outer_scale: float, obstruction: float, kind: TiltKind) -> Any:
    from scipy.interpolate import make_interp_spline

    u = grid()
    density = radial_density(aperture_over_outer_scale, obstruction, kind)
    keep = (u >= const.SPECTRUM_RANGE[0]) & (u <= const.SPECTRUM_RANGE[1])
    table = []
    # Summed directly (20 ms): the range of the density is beyond a Fourier convolution's precision.
    for weights in _abel_weights():
        padded = np.concatenate([density, np.zeros(weights.size - 1)])
        total = np.correlate(padded, weights)[keep]
        table.append(np.log(2.0 * total / u[keep]))
    # of degree one, which goes on beyond either end as it arrives there
    return make_interp_spline(np.log(u[keep]), np.stack(table, axis=1), k=1)


@lru_cache(maxsize=1)
def _abel_weights() -> tuple[FloatArray, FloatArray]:
    """Return product-integration weights of the Abel kernel for along and across the wind.

    For a density that is linear in t = ln(u/x) between grid points, the integral over t of
    density(t) (2/pi) / sqrt(exp(2 t) - 1) times cos^2 (along) or sin^2 (across), where
    cos(theta) = exp(-t) turns the kernel into d theta and removes the square-root singularity.
    """
    count = int(np.log(1e6) / const.TILT_LOG_STEP)
    t = const.TILT_LOG_STEP * np.arange(count + 1)
    theta = np.arccos(np.exp(-t))
    node, weight = np.polynomial.legendre.leggauss(8)
    middle, half = 0.5 * (theta[1:] + theta[:-1]), 0.5 * np.diff(theta)
    angle = middle[:, None] + half[:, None] * node
    fraction = (-np.log(np.cos(angle)) - t[:-1, None]) / const.TILT_LOG_STEP
    results = []
    for share in (np.cos(angle) ** 2, np.sin(angle) ** 2):
        measure = 2.0 / np.pi * share * weight * half[:, None]
        total = np.zeros(count + 1)
        total[:-1] += (measure * (1.0 - fraction)).sum(axis=1)
        total[1:] += (measure * fraction).sum(axis=1)
        results.append(total)
    return results[0], results[1]


class _CrossSpectrumTable:
    """Co-spectra of the tilts of two parallel beams, averaged over wind directions.

    A wave of radial frequency u is seen at x = u |cos psi| with psi uniform, whatever the
    component: S(x, s) = int_x^inf rho(u) [J0(q) -+ J2(q)] (2/pi) / sqrt(u^2 - x^2) du with
    q = 2 pi u s/D. Computed on a grid (ln x, ln s) and interpolated by cubic splines; where
    2 pi x s/D exceeds about 30 the two beams count as unrelated (error of their co-spectrum at
    most 3 % of the spectrum, of either sign).
    """

    def __init__(
        self, aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
    ) -> None:
        from scipy.ndimage import spline_filter

        self._telescope = (aperture_over_outer_scale, obstruction, kind)
        density = radial_density(aperture_over_outer_scale, obstruction, kind)
        self._rows, operator = _abel_rows()
        self._log_size, columns = _cross_bessel()
        weighted = operator * density[_cross_slice()]
        zero = weighted.sum(axis=1)
        # Relative to s = 0 the table is smooth and of order one.
        self._along = spline_filter((weighted @ columns[0]) / zero[:, None], order=3)
        self._across = spline_filter((weighted @ columns[1]) / zero[:, None], order=3)

    def __call__(
        self, x: ArrayLike, separation_over_aperture: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Return the co-spectra along and across the separation, shape (n_x, n_s).

        `x` (n_x,): frequency nu D/V, positive. `separation_over_aperture` (n_s,): distance of the
        beams over the diameter; zero gives the spectrum itself.
        """
        log_x = np.log(np.atleast_1d(np.asarray(x, dtype=float)))
        size = np.abs(np.atleast_1d(np.asarray(separation_over_aperture, dtype=float)))
        with_wind, across_wind = tilt_spectra(np.exp(log_x), *self._telescope)
        single = 0.5 * (with_wind + across_wind)
        row = np.clip(_position(log_x, self._rows), 0.0, self._rows.size - 1.0)
        inside = np.clip(size, *const.CROSS_SIZES)
        column = _position(np.log(inside), self._log_size)
        shape = self._along.shape
        # All x meet all s, so the spline is taken along one axis after the other, that first
        # which makes the table smaller.
        taps = [_spline_taps(place, n) for place, n in zip((row, column), shape, strict=True)]
        first = int(column.size * shape[0] < row.size * shape[1])
        # Below the table the coherence nears one as s^2; above it the beams are unrelated.
        near = np.minimum(size / const.CROSS_SIZES[0], 1.0) ** 2
        phase = 2.0 * np.pi * np.exp(log_x)[:, None] * size
        out = []
        for table in (self._along, self._across):
            ratio = table
            for axis in (first, 1 - first):
                ratio = _interpolated(ratio, axis, taps[axis])
            ratio = np.where(phase > 1.5 * const.CROSS_PHASE_CUT, 0.0, 1.0 - (1.0 - ratio) * near)
            out.append(single[:, None] * ratio)
        return out[0], out[1]


def _spline_taps(position: FloatArray, n: int) -> list[tuple[IntArray, FloatArray]]:
    """Return the four places of n, mirrored at the ends, and weights of cubic B-splines."""
    floor = np.floor(position)
    t = position - floor
    weights = (
        (1 - t) ** 3,
        3 * t**3 - 6 * t**2 + 4,
        -3 * t**3 + 3 * t**2 + 3 * t + 1,
        t**3,
    )
    taps = []
    for i, weight in enumerate(weights):
        at = np.abs(floor.astype(np.int64) - 1 + i) % (2 * (n - 1))
        taps.append((np.where(at >= n, 2 * (n - 1) - at, at), weight / 6.0))
    return taps


def _interpolated(
    table: FloatArray, axis: int, taps: list[tuple[IntArray, FloatArray]]
) -> FloatArray:
    """Return the sum over taps of the table's rows (axis 0) or columns times their weights."""
    out: FloatArray = np.asarray(0.0)
    for at, weight in taps:
        out = out + table.take(at, axis=axis) * (weight[:, None] if axis == 0 else weight)
    return out


def _position(value: FloatArray, axis: FloatArray) -> FloatArray:
    return np.asarray((value - axis[0]) / (axis[1] - axis[0]), dtype=float)


def _cross_slice() -> slice:
    u = grid()
    first = int(np.searchsorted(u, const.CROSS_RANGE[0]))
    return slice(first, int(np.searchsorted(u, const.CROSS_HIGHEST)))


@lru_cache(maxsize=1)
def _abel_rows() -> tuple[FloatArray, FloatArray]:
    """Return ln x of the rows and the operator from radial density to their spectra."""
    u = grid()[_cross_slice()]
    along, across = _abel_weights()
    weights = along + across
    starts = np.arange(0, int(np.searchsorted(u, const.CROSS_RANGE[1])), const.CROSS_STRIDE)
    operator = np.zeros((starts.size, u.size))
    for row, start in enumerate(starts.tolist()):
        reach = min(u.size - int(start), weights.size)
        operator[row, start : start + reach] = weights[:reach] / u[start]
    return np.log(u[starts]), operator


@lru_cache(maxsize=1)
def _cross_bessel() -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Return ln(s/D) of the columns and J0 -+ J2 of 2 pi u s/D, cut at large phase."""
    low, high = np.log(const.CROSS_SIZES)
    log_size = np.linspace(low, high, 300)
    q = 2.0 * np.pi * np.outer(grid()[_cross_slice()], np.exp(log_size))
    cut = np.exp(-((q / const.CROSS_PHASE_CUT) ** 4))
    zeroth, second = bessel_0_2(q)
    return log_size, ((zeroth - second) * cut, (zeroth + second) * cut)


# By D/L0, obstruction and kind of tilt; a table is called with x and s/D.
cross_spectrum_table = lru_cache(maxsize=64)(_CrossSpectrumTable)


# --- tables on even grids, read between their nodes for many sets of parameters at once -----------


@dataclass(frozen=True)
class Axis:
    """An even grid, of a logarithm."""

    nodes: FloatArray

    def at(self, value: FloatArray) -> FloatArray:
        """Return where each value lies, in steps from the first node."""
        return np.asarray((value - self.nodes[0]) / (self.nodes[1] - self.nodes[0]))


def rows_between(rows: FloatArray, at: FloatArray) -> FloatArray:
    """Return the rows of a table at places between them, shape (n, columns); ends clipped."""
    out = np.empty((len(at), rows.shape[1]))
    air().rows_between(rows, at, out)
    return out


def corners(
    one: Axis, value: FloatArray, other: Axis, other_value: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return the four nodes about each point, counted along `other` first, and their weights.

    Both have the shape of the values and a last axis of four.
    """
    node = np.empty((value.size, 4), dtype=np.int64)
    weight = np.empty(node.shape)
    places = one.at(value).ravel(), other.at(other_value).ravel()
    air().corners((len(one.nodes), len(other.nodes)), *places, node, weight)
    return node.reshape(*value.shape, 4), weight.reshape(*value.shape, 4)


def weighted_sums(
    values: NDArray[Any], node: IntArray, weight: FloatArray, onto: NDArray[Any] | None = None
) -> NDArray[Any]:
    """Return weighted sums of a table's nodes, (n, columns), as precise as the table.

    `values` (n_nodes, columns). `node`, `weight` (n, terms). `onto`: what they are added to, in
    place.
    """
    out = np.zeros((len(node), values.shape[1]), values.dtype) if onto is None else onto
    air().weighted_sums(values, node, weight, out)
    return out
