"""What each layer of air adds to each mode of motion, tabulated over wind and outer scale."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.budget.air_data import Optics as Optics  # noqa: PLC0414 - others take it from here
from blursplit.turbulence.conversions import structure_function
from blursplit.turbulence.spectra import cross_spectrum_table, tilt_spectra
from blursplit.turbulence.tilt import pair_kernels, tilt_coefficient

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.grid import GridData
    from blursplit.budget.spectral_data import SpectralData

    FloatArray = NDArray[np.float64]

ARCSEC = 206264.80625
TILT: Literal["Z"] = "Z"  # a scale factor turns it into what the centroid measures
N_WIND = 9
SLOWEST_WIND_M_S = 0.5
N_OUTER_SCALE = 4
SEPARATIONS_IN_APERTURES = (0.3, 1.5, 6.0)  # where the high layers are put
N_GROUND = 2  # layers at the telescope, so that slow currents and wind may differ in speed
HIGHEST_M = 20000.0
FOLDS = 2  # how many times the spectrum above Nyquist is folded back
FIDUCIAL = 1.0  # separation over aperture of the layer that shapes the modes


@dataclass(frozen=True)
class AirTable:
    """Densities per unit strength J = r0^(-5/3) [m^(-5/3)] of each layer.

    Parameters
    ----------
    height_m : ndarray, shape (n_layers,)
        Height of each layer along the line of sight; the first two lie at the telescope.
    log_wind, log_outer_scale : ndarray
        Grid of ln(wind in m/s) and ln(outer scale in m).
    modes : ndarray, shape (n_layers, n_wind, n_outer, n_bins, n_modes)
        One-sided density [arcsec^2/Hz per J], exposure averaged and folded.
    ground : ndarray, shape (n_wind, n_outer, 2, n_bins)
        Density of one star's tilt along and across the wind in the bins of the data.
    shared : ndarray, shape (n_wind, n_outer, 2, n_fine)
        Density of one star's tilt along and across the wind, exposure averaged, at `fine_hz`.
    fine_hz : ndarray, shape (n_fine,)
    shared_fraction : ndarray, shape (n_layers, n_wind, n_outer, n_fine)
        Power of the stars' mean shift relative to that of one star (1 at the telescope).
    structure : ndarray, shape (n_outer, n_baselines)
        Phase structure function per J at `baseline_m`.
    baseline_m : ndarray, shape (n_baselines,)
    tilt_var : ndarray, shape (n_wind, n_outer)
        One-axis variance of the exposure-averaged tilt [arcsec^2 per J].
    """

    height_m: FloatArray
    log_wind: FloatArray
    log_outer_scale: FloatArray
    modes: FloatArray
    ground: FloatArray
    shared: FloatArray
    fine_hz: FloatArray
    shared_fraction: FloatArray
    structure: FloatArray
    baseline_m: FloatArray
    tilt_var: FloatArray

    def places(self, log_wind: FloatArray, log_outer_scale: FloatArray) -> Places:
        """Return where winds, shape (n, n_layers), and outer scales, (n,), lie on the grid."""
        i, u = _even_grid(self.log_wind, log_wind)
        k, v = _even_grid(self.log_outer_scale, log_outer_scale[:, None])
        n_outer = len(self.log_outer_scale)
        first = i * n_outer + k
        low, high = 1.0 - u, u
        return Places(
            np.stack([first, first + 1, first + n_outer, first + n_outer + 1], axis=-1),
            np.stack([low * (1.0 - v), low * v, high * (1.0 - v), high * v], axis=-1),
            k[:, 0],
            v[:, 0],
        )


@dataclass(frozen=True)
class Places:
    """Where sets of parameters lie between the nodes of wind and outer scale.

    Parameters
    ----------
    node : ndarray of int, shape (n, n_layers, 4)
        The four nodes around each layer's wind and the outer scale, wind times outer scale.
    weight : ndarray, shape (n, n_layers, 4)
        Of bilinear interpolation.
    outer : ndarray of int, shape (n,)
        Lower node of the outer scale.
    outer_weight : ndarray, shape (n,)
        Weight of the upper one.
    """

    node: NDArray[np.int64]
    weight: FloatArray
    outer: NDArray[np.int64]
    outer_weight: FloatArray

    def at(self, values: FloatArray, layer: int) -> FloatArray:
        """Interpolate values of shape (n_wind, n_outer, ...) for one layer: shape (n, ...)."""
        flat = values.reshape(values.shape[0] * values.shape[1], -1)
        out = np.matmul(self.weight[:, layer, None, :], flat[self.node[:, layer]])
        return np.asarray(out.reshape(len(out), *values.shape[2:]))

    def summed(self, values: FloatArray, strength: FloatArray, layers: slice) -> FloatArray:
        """Return the sum over layers of their strength times their values.

        Parameters
        ----------
        values : ndarray, shape (n_layers, n_wind, n_outer, ...)
            Or one layer's, (1, n_wind, n_outer, ...), where all have the same.
        strength : ndarray, shape (n, n_layers)
        layers : slice
            Which layers.

        Returns
        -------
        ndarray, shape (n, ...)
        """
        n_nodes = values.shape[1] * values.shape[2]
        flat = values.reshape(values.shape[0] * n_nodes, -1)
        node, weight = self.node[:, layers], self.weight[:, layers] * strength[:, layers, None]
        if values.shape[0] > 1:
            node = node + n_nodes * np.arange(values.shape[0])[layers, None]
        rows = flat[node.reshape(len(node), -1)]
        out = np.matmul(weight.reshape(len(node), 1, -1), rows)
        return np.asarray(out.reshape(len(node), *values.shape[3:]))


def _even_grid(grid: FloatArray, value: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Return the lower neighbour of each value on an even grid, and the upper one's weight."""
    at = np.maximum((value - grid[0]) / (grid[1] - grid[0]), 0.0)
    lower = np.minimum(at.astype(np.int64), len(grid) - 2)
    return lower, np.minimum(at - lower, 1.0)


def layer_heights(x_arcsec: FloatArray, y_arcsec: FloatArray, aperture_m: float) -> FloatArray:
    """Choose the heights: at the telescope, and where the middle pair's beams part."""
    n = len(x_arcsec)
    if n < 2:  # noqa: PLR2004 - one star sees every layer alike
        return np.zeros(N_GROUND)
    a, b = np.triu_indices(n, 1)
    theta = np.median(np.hypot(x_arcsec[a] - x_arcsec[b], y_arcsec[a] - y_arcsec[b])) / ARCSEC
    heights = np.array(SEPARATIONS_IN_APERTURES) * aperture_m / max(theta, 1e-9)
    return np.concatenate([np.zeros(N_GROUND), np.unique(np.minimum(heights, HIGHEST_M))])


def fiducial_covariance(x_arcsec: FloatArray, y_arcsec: FloatArray, optics: Optics) -> FloatArray:
    """Return the displacement covariance of a middle layer, any scale; (2n, 2n)."""
    n = len(x_arcsec)
    dx = x_arcsec[None, :] - x_arcsec[:, None]
    dy = y_arcsec[None, :] - y_arcsec[:, None]
    distance = np.hypot(dx, dy)
    middle = np.median(distance[distance > 0]) if n > 1 else 1.0
    s = distance / middle * FIDUCIAL
    ratio = optics.aperture_m / np.sqrt(optics.outer_scale_m[0] * optics.outer_scale_m[1])
    along, across = pair_kernels(s.ravel(), ratio, optics.obstruction, TILT)
    k1 = tilt_coefficient(TILT, optics.obstruction, ratio)
    return _pair_matrix((k1 - 0.5 * along).reshape(n, n), (k1 - 0.5 * across).reshape(n, n), dx, dy)


def _pair_matrix(
    along: FloatArray, across: FloatArray, dx: FloatArray, dy: FloatArray
) -> FloatArray:
    """Turn covariances along and across each pair into the (2n, 2n) matrix of (x..., y...)."""
    distance = np.hypot(dx, dy)
    c = np.divide(dx, distance, out=np.ones_like(dx), where=distance > 0)
    s = np.divide(dy, distance, out=np.zeros_like(dy), where=distance > 0)
    xx = along * c**2 + across * s**2
    yy = along * s**2 + across * c**2
    xy = (along - across) * c * s
    return np.concatenate(
        [np.concatenate([xx, xy], axis=-1), np.concatenate([xy, yy], axis=-1)], axis=-2
    )


def build_air_table(
    grid: GridData,
    data: SpectralData,
    optics: Optics,
    *,
    fine_hz: FloatArray,
    baseline_m: FloatArray,
) -> AirTable:
    """Tabulate the air for these stars, this camera and this telescope.

    Notes
    -----
    Cross-spectra are averaged over the unknown direction of the wind
    (`blursplit.turbulence.spectra`); exposure averaging multiplies by sinc^2(nu tau), and what lies
    above Nyquist is folded back as the sampling does.
    """
    heights = layer_heights(grid.star_x_arcsec, grid.star_y_arcsec, optics.aperture_m)
    wind = np.geomspace(min(optics.wind_m_s[0], SLOWEST_WIND_M_S), optics.wind_m_s[1], N_WIND)
    outer = np.geomspace(*optics.outer_scale_m, N_OUTER_SCALE)
    if optics.outer_scale_m[0] == optics.outer_scale_m[1]:
        outer = outer[:1] * np.array([0.98, 1.0, 1.02, 1.04])
    shape = (len(heights), len(wind), len(outer))
    modes = np.zeros((*shape, *data.power.shape))
    ground = np.empty((len(wind), len(outer), 2, len(data.frequency_hz)))
    shared = np.empty((len(wind), len(outer), 2, len(fine_hz)))
    fraction = np.ones((*shape, len(fine_hz)))
    for k, scale in enumerate(outer):
        table = cross_spectrum_table(optics.aperture_m / scale, optics.obstruction, TILT)
        for j, speed in enumerate(wind):
            unit = optics.unit_arcsec2 * optics.aperture_m / speed
            folded = _Folded(grid, optics.aperture_m / speed)
            one_star = functools.partial(_one_star, optics.aperture_m / scale, optics.obstruction)
            shared[j, k] = unit * np.stack(folded.apply(fine_hz, one_star))
            ground[j, k] = unit * np.stack(
                [part.mean(axis=1) for part in folded.apply(data.frequency_hz, one_star)]
            )
            for i in range(N_GROUND, len(heights)):
                modes[i, j, k], fraction[i, j, k] = _layer_modes(
                    grid, data, folded, table, heights[i] / optics.aperture_m, fine_hz
                )
            modes[:, j, k] *= unit
    return AirTable(
        height_m=heights,
        log_wind=np.log(wind),
        log_outer_scale=np.log(outer),
        modes=modes,
        ground=ground,
        shared=shared,
        fine_hz=fine_hz,
        shared_fraction=fraction,
        structure=np.stack([structure_function(baseline_m, 1.0, s) for s in outer]),
        baseline_m=baseline_m,
        tilt_var=_tilt_variance(wind, outer, grid.exposure_s, optics),
    )


def _one_star(ratio: float, obstruction: float, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    along, across = tilt_spectra(x, ratio, obstruction, TILT)
    return along, across


@dataclass(frozen=True)
class _Folded:
    """Exposure averaging and folding at the grid's frame rate."""

    grid: GridData
    crossing_s: float  # aperture over wind speed

    def apply(self, frequency_hz: FloatArray, spectrum: object) -> list[FloatArray]:
        rate = 1.0 / self.grid.cadence_s
        parts: list[FloatArray] | None = None
        for fold in range(-FOLDS, FOLDS + 1):
            nu = np.abs(frequency_hz + fold * rate)
            weight = np.sinc(nu * self.grid.exposure_s) ** 2
            values = spectrum(nu.ravel() * self.crossing_s)  # type: ignore[operator]
            terms = [
                weight.reshape(weight.shape + (1,) * (np.ndim(v) - 1))
                * np.reshape(v, nu.shape + np.shape(v)[1:])
                for v in values
            ]
            parts = terms if parts is None else [p + t for p, t in zip(parts, terms, strict=True)]
        assert parts is not None  # noqa: S101 - FOLDS is not negative
        return parts


def _layer_modes(
    grid: GridData,
    data: SpectralData,
    folded: _Folded,
    table: object,
    height_in_apertures: float,
    fine_hz: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return densities (n_bins, n_modes) and the shared fraction (n_fine,) of one layer."""
    n = len(grid.star)
    dx = grid.star_x_arcsec[None, :] - grid.star_x_arcsec[:, None]
    dy = grid.star_y_arcsec[None, :] - grid.star_y_arcsec[:, None]
    s = np.hypot(dx, dy) / ARCSEC * height_in_apertures
    flat = np.concatenate([[0.0], s[np.triu_indices(n, 1)]])
    place = np.zeros((n, n), dtype=np.int64)
    place[np.triu_indices(n, 1)] = np.arange(1, len(flat))
    place += place.T

    def evaluate(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        along, across = table(x, flat)  # type: ignore[operator]
        return along, across

    centres = data.frequency_hz
    along, across = (
        part.reshape(len(centres), -1, len(flat)).mean(axis=1)
        for part in folded.apply(centres.ravel(), evaluate)
    )
    out = np.empty_like(data.power)
    for b in range(len(centres)):
        matrix = _pair_matrix(along[b][place], across[b][place], dx, dy)
        out[b] = ((data.modes @ matrix) * data.modes).sum(axis=1)
    weights = np.bincount(place.ravel(), minlength=len(flat)) / n**2
    mean = 0.5 * (along + across)
    share = (mean @ weights) / mean[:, 0]
    return out, np.interp(fine_hz, centres.mean(axis=1), share)


def _tilt_variance(
    wind: FloatArray, outer: FloatArray, exposure_s: float, optics: Optics
) -> FloatArray:
    """One-axis variance of the exposure-averaged tilt per J, (n_wind, n_outer)."""
    x = np.geomspace(1e-6, 30.0, 600)
    out = np.empty((len(wind), len(outer)))
    for k, scale in enumerate(outer):
        ratio = optics.aperture_m / scale
        along, across = tilt_spectra(x, ratio, optics.obstruction, TILT)
        density = 0.5 * (along + across)
        total = tilt_coefficient(TILT, optics.obstruction, ratio)
        for j, speed in enumerate(wind):
            kept = np.sinc(x * speed / optics.aperture_m * exposure_s) ** 2
            lost = np.trapezoid(density * (1.0 - kept), x)
            out[j, k] = optics.unit_arcsec2 * max(total - float(lost), 1e-6 * total)
    return out
