"""Image motion of one star and differential motion of two: variances, and spectra in time.

Every variance is of ONE axis: K lambda^2 r0^(-5/3) D^(-1/3) [rad^2]. The two kinds of tilt are
the mean phase gradient ("G", a centroid with a wide window) and the slope of the least-squares
plane ("Z", near a centroid weighted by the core). Spatial frequencies are in cycles per aperture
diameter, u = f D. Everywhere `aperture_over_outer_scale` is D/L0, zero for Kolmogorov turbulence,
and `obstruction` the diameter of the central obstruction over that of the aperture. Valid in the
near field, at weak scintillation and for an instantaneous exposure.

The variance of a real, Gaussian-windowed centroid is w K_Z + (1 - w) K_G, with w from phase
screens (`centroid_tilt_mix`). A window as narrow as the core goes beyond the least-squares plane
(w > 1) once the star breaks into speckles; a wide one nears the mean gradient (w = 0). The whole
range from G to Z is 7 % in variance, so w need not be precise.

In time the flow is frozen: x = nu D/V with the wind speed V across the beam; one-sided densities
are in units lambda^2 r0^(-5/3) D^(-1/3) (D/V), so that their integral over x is the coefficient K.
Co-spectra of two beams are averaged over wind directions.

References
----------
J.-M. Conan, G. Rousset and P.-Y. Madec (1995), J. Opt. Soc. Am. A 12, 1559 (method; from
memory); H. M. Martin (1987), PASP 99, 1360 (exposure).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.turbulence.conversions import SPECTRUM_CONSTANT
from blursplit.types import FloatArray, IntArray

TiltKind = Literal["G", "Z"]


@lru_cache(maxsize=1)
def _grid() -> FloatArray:
    """Return the grid of u = f D, evenly spaced in ln u, read only."""
    count = int(np.log(const.TILT_HIGHEST / const.TILT_LOWEST) / const.TILT_LOG_STEP) + 1
    u = const.TILT_LOWEST * np.exp(const.TILT_LOG_STEP * np.arange(count))
    u.flags.writeable = False
    return np.asarray(u, dtype=float)


def _tilt_filter(u: FloatArray, obstruction: float, kind: TiltKind) -> FloatArray:
    """Return the squared tilt filter of an annular pupil.

    `u`: positive. `obstruction`: in [0, 0.95].

    Returns: squared gain from phase to angle in units (lambda/D)^2; u^2 at low frequency.

    Raises ValueError for an unknown kind or an obstruction outside its range.

    With z = pi u. G: u^2 [2 (J1(z) - eps J1(eps z)) / (z (1 - eps^2))]^2. Z: the projection on x
    over its norm, [8 (J2(z) - eps^2 J2(eps z)) / (pi z (1 - eps^4))]^2 (after Noll 1976).
    """
    from scipy.special import jn

    if kind not in {"G", "Z"}:
        msg = f"kind of tilt must be 'G' or 'Z', not {kind!r}"
        raise ValueError(msg)
    if not 0.0 <= obstruction <= 0.95:  # noqa: PLR2004 - a ring thinner than this is no telescope
        msg = f"central obstruction must lie in [0, 0.95], not {obstruction}"
        raise ValueError(msg)
    z = pi * np.asarray(u, dtype=float)
    ends = np.log([const.TILT_MEAN_FROM, const.TILT_MEAN_FULL])
    blend = np.interp(np.log(u), ends, [0.0, 1.0])
    waved = u < const.TILT_MEAN_FULL
    exact = np.zeros_like(z)
    zw = z[waved]
    if kind == "G":
        amplitude = 2.0 / (pi * (1.0 - obstruction**2)) * np.ones_like(z)
        wave = jn(1, zw) - obstruction * jn(1, obstruction * zw)
        mean_square = (1.0 + obstruction) / (pi * z)
    else:
        amplitude = 8.0 / (pi * z * (1.0 - obstruction**4))
        wave = jn(2, zw) - obstruction**2 * jn(2, obstruction * zw)
        mean_square = (1.0 + obstruction**3) / (pi * z)
    exact[waved] = wave**2
    mixed = (1.0 - blend) * exact + blend * mean_square
    return np.asarray(amplitude**2 * mixed, dtype=float)


def _radial_density(
    aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> FloatArray:
    """Return the tilt variance of one axis per unit ln u, (grid,); its integral is K1."""
    u = _grid()
    spectrum = (u**2 + aperture_over_outer_scale**2) ** (-11.0 / 6.0)
    density = pi * SPECTRUM_CONSTANT * u**2 * _tilt_filter(u, obstruction, kind) * spectrum
    return np.asarray(density, dtype=float)


@lru_cache(maxsize=4096)
def tilt_coefficient(
    kind: TiltKind, obstruction: float = 0.0, aperture_over_outer_scale: float = 0.0
) -> float:
    """Return the coefficient K1 of one-axis image motion.

    Returns: K1 in variance = K1 lambda^2 r0^(-5/3) D^(-1/3); 0.1698 (G) and 0.1819 (Z) for a filled
    pupil and Kolmogorov turbulence (Tokovinin 2002: 0.340/2 and, from memory, 0.364/2).
    """
    density = _radial_density(aperture_over_outer_scale, obstruction, kind)
    # Below the grid the Kolmogorov density goes as u^(1/3), so its integral is 3 x the last value.
    below = 3.0 if aperture_over_outer_scale == 0 else 0.5 * const.TILT_LOG_STEP
    return float(const.TILT_LOG_STEP * (density.sum() - 0.5 * density[0]) + below * density[0])


def pair_kernels(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients of differential image motion along and across a separation.

    `separation_over_aperture`: distance of the two beams over the aperture diameter; two stars
    theta apart through a layer at distance h: theta h/D; a mask: baseline over opening. Negative
    values count by their size.

    Returns `along`, `across` (of `separation_over_aperture`): K in variance = K lambda^2 r0^(-5/3)
    D^(-1/3), difference of the two images; zero at zero separation, towards 2 K1 at large ones.

    K = 2 pi C int u du g(u) (u^2 + (D/L0)^2)^(-11/6) [1 - J0(q) +- J2(q)], q = 2 pi u s/D
    (Tokovinin 2002), tabulated once for each telescope and outer scale and interpolated in the
    logarithm to 1e-4. Below s = 0.001 D the square law continues.
    """
    size = np.abs(np.asarray(separation_over_aperture, dtype=float))
    along, across = _pair_splines(float(aperture_over_outer_scale), float(obstruction), kind)
    limit = 2.0 * tilt_coefficient(kind, obstruction, aperture_over_outer_scale)
    return _interpolate(size, along, limit), _interpolate(size, across, limit)


def _pair_covariance(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance coefficients K1 - K/2 of the motions along and across a separation.

    Parameters are those of `pair_kernels`.
    """
    kernels = pair_kernels(separation_over_aperture, aperture_over_outer_scale, obstruction, kind)
    single = tilt_coefficient(kind, obstruction, aperture_over_outer_scale)
    return single - 0.5 * kernels[0], single - 0.5 * kernels[1]


def _interpolate(size: FloatArray, spline: Any, limit: float) -> FloatArray:
    inside = np.clip(size, const.PAIR_SMALLEST, const.PAIR_LARGEST)
    value = np.exp(spline(np.log(inside)))
    value = value * np.minimum(size / const.PAIR_SMALLEST, 1.0) ** 2
    # Beyond the table the Kolmogorov kernel nears its limit as s^(-1/3); with an outer scale it
    # has arrived.
    beyond = np.maximum(size / const.PAIR_LARGEST, 1.0) ** (-1.0 / 3.0)
    return np.asarray(np.where(size > const.PAIR_LARGEST, limit - (limit - value) * beyond, value))


@lru_cache(maxsize=256)
def _pair_splines(
    aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> tuple[Any, Any]:
    from scipy.interpolate import CubicSpline

    density = _radial_density(aperture_over_outer_scale, obstruction, kind)
    log_size, *both = _bessel_weights()
    along, across = (CubicSpline(log_size, np.log(weights @ density)) for weights in both)
    return along, across


def _bessel_0_2(q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return J0 and J2; of small arguments J2 by its series, where the difference cancels."""
    from scipy.special import j0, j1

    zeroth = j0(q)
    second = 2.0 * j1(q) / np.maximum(q, 1e-300) - zeroth
    return zeroth, np.where(q < const.BESSEL_SMALL, q**2 / 8.0, second)


@lru_cache(maxsize=1)
def _bessel_weights() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ln(s/D) and the weights that turn a radial density into K along and across.

    They depend on no parameter, so the Bessel functions are evaluated once a session.
    """
    count = round(np.log10(const.PAIR_LARGEST / const.PAIR_SMALLEST) * const.PAIR_PER_DECADE) + 1
    log_size = np.linspace(np.log(const.PAIR_SMALLEST), np.log(const.PAIR_LARGEST), count)
    q = 2.0 * np.pi * np.outer(np.exp(log_size), _grid())
    cut = np.exp(-((q / const.TILT_PHASE_CUT) ** 4))
    zeroth, second = _bessel_0_2(q)
    # series where the difference cancels
    lost = np.where(q < const.BESSEL_SMALL, q**2 / 4.0, 1.0 - zeroth * cut)
    along = 2.0 * const.TILT_LOG_STEP * (lost + second * cut)
    across = 2.0 * const.TILT_LOG_STEP * (lost - second * cut)
    return log_size, along, across


def centroid_tilt_mix(
    d_over_r0: ArrayLike, window_over_diffraction: ArrayLike | None = None, obstruction: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return the share of Z tilt that the default centroid measures, and its uncertainty.

    `d_over_r0`: aperture diameter over Fried parameter; clipped to the table, 0.5 to 8.
    `window_over_diffraction`: sigma of the centroid's Gaussian window in units lambda/D; clipped to
    0.5 to 4. By default the window is 1.5 star sigmas of a well-sampled star. `obstruction` is
    clipped to 0.33.

    Returns `w`, `w_sigma`: variance = (w K_Z + (1 - w) K_G) lambda^2 r0^(-5/3) D^(-1/3). Without a
    window the uncertainty covers stars widened by pixels and optics up to twice.
    """
    ratio = np.clip(d_over_r0, const.MIX_D_OVER_R0[0], const.MIX_D_OVER_R0[-1])
    blocked = min(obstruction / const.MIX_OBSTRUCTION[-1], 1.0)
    if window_over_diffraction is None:
        default = np.average(const.TILT_MIX_DEFAULT, axis=0, weights=[1.0 - blocked, blocked])
        mix = np.asarray(np.interp(ratio, const.MIX_D_OVER_R0, default), dtype=float)
        return mix, np.hypot(const.TILT_MIX_OPEN_SIGMA, const.TILT_MIX_SHARE * (mix - 1.0))
    from scipy.interpolate import RegularGridInterpolator

    window = np.clip(window_over_diffraction, const.MIX_WINDOW[0], const.MIX_WINDOW[-1])
    values = np.average(const.TILT_MIX, axis=0, weights=[1.0 - blocked, blocked])
    table = RegularGridInterpolator((np.log(const.MIX_D_OVER_R0), np.log(const.MIX_WINDOW)), values)
    ratio, window = np.broadcast_arrays(ratio, window)
    points = np.stack([np.log(ratio), np.log(window)], axis=-1)
    mix = np.asarray(table(points), dtype=float).reshape(ratio.shape)
    return mix, np.hypot(const.TILT_MIX_LEAST_SIGMA, const.TILT_MIX_SHARE * (mix - 1.0))


# --- frozen flow ----------------------------------------------------------------------------------
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
    along, across = _pair_covariance(
        path[..., None] * node, aperture_over_outer_scale, obstruction, kind
    )
    triangle = 2.0 * (1.0 - node) * weight
    return (along @ triangle) / single, (across @ triangle) / single


@lru_cache(maxsize=1)
def unit_nodes() -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights on (0, 1), in twelve panels that halve toward 0."""
    node, weight = np.polynomial.legendre.leggauss(12)
    edges = np.unique([0.0, *2.0 ** np.arange(-8.0, 1.0), *np.linspace(0, 1, 13)[1:-1]])
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

    u = _grid()
    density = _radial_density(aperture_over_outer_scale, obstruction, kind)
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
    results = np.zeros((2, count + 1))
    for share, total in zip((np.cos(angle) ** 2, np.sin(angle) ** 2), results, strict=True):
        measure = 2.0 / np.pi * share * weight * half[:, None]
        total[:-1] += (measure * (1.0 - fraction)).sum(axis=1)
        total[1:] += (measure * fraction).sum(axis=1)
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
        density = _radial_density(aperture_over_outer_scale, obstruction, kind)
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
        # Below the table the coherence nears one as s^2; above it the beams are unrelated.
        near = np.minimum(size / const.CROSS_SIZES[0], 1.0) ** 2
        phase = 2.0 * np.pi * np.exp(log_x)[:, None] * size
        out = []
        for table in (self._along, self._across):
            ratio = _read(_read(table, row, 0), column, 1)
            ratio = np.where(phase > 1.5 * const.CROSS_PHASE_CUT, 0.0, 1.0 - (1.0 - ratio) * near)
            out.append(single[:, None] * ratio)
        return out[0], out[1]


def _read(coefficients: FloatArray, at: FloatArray, axis: int) -> FloatArray:
    """Return cubic splines of even nodes, mirrored at the ends, at places along an axis."""
    from scipy.interpolate import BSpline

    padded = np.pad(coefficients, [(int(k == axis),) * 2 for k in range(2)], mode="reflect")
    return np.asarray(BSpline(np.arange(-3.0, padded.shape[axis] + 1), padded, 3, axis=axis)(at))


def _position(value: FloatArray, axis: FloatArray) -> FloatArray:
    return np.asarray((value - axis[0]) / (axis[1] - axis[0]), dtype=float)


def _cross_slice() -> slice:
    u = _grid()
    first = int(np.searchsorted(u, const.CROSS_RANGE[0]))
    return slice(first, int(np.searchsorted(u, const.CROSS_HIGHEST)))


@lru_cache(maxsize=1)
def _abel_rows() -> tuple[FloatArray, FloatArray]:
    """Return ln x of the rows and the operator from radial density to their spectra."""
    u = _grid()[_cross_slice()]
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
    q = 2.0 * np.pi * np.outer(_grid()[_cross_slice()], np.exp(log_size))
    cut = np.exp(-((q / const.CROSS_PHASE_CUT) ** 4))
    zeroth, second = _bessel_0_2(q)
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

    def corners(
        self, value: FloatArray, other: Axis, other_value: FloatArray
    ) -> tuple[IntArray, FloatArray]:
        """Return the four nodes about each point, counted along `other` first, and their weights.

        Both have the shape of the values and a last axis of four.
        """
        node = np.empty((value.size, 4), dtype=np.int64)
        weight = np.empty(node.shape)
        places = self.at(value).ravel(), other.at(other_value).ravel()
        kernels("air").corners((len(self.nodes), len(other.nodes)), *places, node, weight)
        return node.reshape(*value.shape, 4), weight.reshape(*value.shape, 4)


def rows_between(rows: FloatArray, at: FloatArray) -> FloatArray:
    """Return the rows of a table at places between them, shape (n, columns); ends clipped."""
    out = np.empty((len(at), rows.shape[1]))
    kernels("air").rows_between(rows, at, out)
    return out


def weighted_sums(
    values: NDArray[Any], node: IntArray, weight: FloatArray, onto: NDArray[Any] | None = None
) -> NDArray[Any]:
    """Return weighted sums of a table's nodes, (n, columns), as precise as the table.

    `values` (n_nodes, columns). `node`, `weight` (n, terms). `onto`: what they are added to, in
    place.
    """
    out = np.zeros((len(node), values.shape[1]), values.dtype) if onto is None else onto
    kernels("air").weighted_sums(values, node, weight, out)
    return out
