"""How well a set of parameters explains powers and transfer function.

The powers of the modes are sums of squares of complex Gaussian coefficients, so the likelihood
is Whittle's (1953): -N (ln S + P/S) a bin. Everything here works on many parameter sets at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.centroid_tilt import centroid_tilt_mix
from blursplit.budget.air_table import N_GROUND

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.air_table import AirTable
    from blursplit.budget.optics_data import OpticsData
    from blursplit.budget.parameters import Parameters
    from blursplit.budget.spectral_data import SpectralData

    FloatArray = NDArray[np.float64]

G_OVER_Z = 0.16980 / 0.18192  # single-aperture tilt coefficients, Tokovinin (2002)
ARCSEC = 206264.80625
CONTAMINATED = 0.03  # chance beforehand that a bin of the shared shift holds unmodelled shake


Place = tuple["NDArray[np.int64]", "FloatArray"]


@dataclass(frozen=True)
class Model:
    """Everything the likelihood needs.

    Parameters
    ----------
    parameters : Parameters
    table : AirTable
    data : SpectralData or None
        None when the sequence is too short for spectra.
    optics : OpticsData or None
        None when no star image could be registered.
    line_power : ndarray, shape (n_bins, 2)
        Density that lines add to the shared shift along x and y [arcsec^2/Hz].
    line_log_otf : ndarray, shape (n_baselines,)
        ln of the azimuthal mean of what the lines' motion inside an exposure does to the OTF.
    exposure_s : float
    aperture_m : float
    registration_noise_arcsec2 : float
        Variance that registering on a noisy centroid adds, one axis.
    ln_j_prior : (mean, sigma) or None
        Of ln r0^(-5/3), where a mask has measured it.
    """

    parameters: Parameters
    table: AirTable
    data: SpectralData | None
    optics: OpticsData | None
    line_power: FloatArray
    line_log_otf: FloatArray
    exposure_s: float
    aperture_m: float
    registration_noise_arcsec2: float = 0.0
    ln_j_prior: tuple[float, float] | None = None

    def column(self, theta: FloatArray, name: str) -> FloatArray:
        """Return one parameter of each row."""
        out: FloatArray = theta[..., self.parameters.index(name)]
        return out

    def layers(self, theta: FloatArray) -> FloatArray:
        """Return J of each layer, shape (n, n_layers)."""
        out: FloatArray = np.exp(theta[..., : len(self.table.height_m)])
        return out

    def log_probability(self, theta: FloatArray) -> FloatArray:
        """Return ln posterior of each row of theta, shape (n, n_parameters)."""
        total = self.parameters.log_prior(theta)
        inside = np.isfinite(total)
        if np.any(inside):
            total[inside] += self._log_likelihood(theta[inside])
        out: FloatArray = np.where(np.isnan(total), -np.inf, total)
        return out

    def _log_likelihood(self, theta: FloatArray) -> FloatArray:
        total = np.zeros(len(theta))
        if self.data is not None:
            total += self._log_whittle(self.mode_power(theta))
        if self.optics is not None:
            difference = self.optics.log_otf - self.log_otf(theta)
            solved = np.linalg.solve(self.optics.covariance, difference.T)
            total -= 0.5 * np.einsum("tb,bt->t", difference, solved)
        if self.ln_j_prior is not None:
            mean, sigma = self.ln_j_prior
            total -= 0.5 * ((np.log(self.layers(theta).sum(axis=1)) - mean) / sigma) ** 2
        return total

    def _log_whittle(self, power: FloatArray) -> FloatArray:
        """Whittle's likelihood of all powers, shared ones safe from shake of any colour.

        Shared power can always be mechanical. So a bin of the shared shift may hold more than
        the model says at a price of ln(1/CONTAMINATED), instead of calling for more air.
        """
        assert self.data is not None  # noqa: S101 - callers check
        measured, weight = self.data.power, self.data.weight
        each = -weight * (np.log(power) + measured / power)
        own = each[:, :, 2:].sum(axis=(1, 2))
        larger = np.maximum(power[:, :, :2], measured[:, :2])
        free = -weight[:, :2] * (np.log(larger) + measured[:, :2] / larger)
        shared = np.logaddexp(np.log1p(-CONTAMINATED) + each[:, :, :2], np.log(CONTAMINATED) + free)
        out: FloatArray = own + shared.sum(axis=(1, 2))
        return out

    def surplus(self, theta: FloatArray) -> FloatArray:
        """Return the shared density beyond the median model, shape (2, n_bins) [arcsec^2/Hz].

        Zero where the surplus is within four sigmas of the powers' scatter.
        """
        assert self.data is not None  # noqa: S101 - callers check
        power = np.median(self.mode_power(theta), axis=0)[:, :2]
        beyond = self.data.power[:, :2] - power
        shown = beyond > 4.0 * power / np.sqrt(self.data.count)[:, None]
        return np.asarray(np.where(shown, beyond, 0.0).T / self.data.n_stars)

    def tilt_scale(self, theta: FloatArray) -> FloatArray:
        """Return what the centroid's tilt variance is relative to Z-tilt.

        It grows with D/r0 (`blursplit.air.centroid_tilt`); the parameter says how many of its
        sigmas the centroid lies off.
        """
        aperture_over_r0 = self.aperture_m * self.layers(theta).sum(axis=-1) ** 0.6
        mean, sigma = centroid_tilt_mix(aperture_over_r0)
        out: FloatArray = G_OVER_Z + (1.0 - G_OVER_Z) * (
            mean + sigma * self.column(theta, "centroid_mix")
        )
        return out

    def mode_power(self, theta: FloatArray) -> FloatArray:
        """Return the model's density of each mode, shape (n, n_bins, n_modes)."""
        assert self.data is not None  # noqa: S101 - callers check
        j = self.layers(theta) * self.tilt_scale(theta)[:, None]
        n_layers = j.shape[1]
        places = self._places(theta)
        power = np.zeros((len(theta), *self.data.power.shape))
        for i in range(N_GROUND, n_layers):
            power += j[:, i, None, None] * _bilinear(self.table.modes[i], places[i], places[-1])
        shared = self.line_power.T + self.excess_density(theta, self.data.frequency_hz.mean(axis=1))
        for i in range(N_GROUND):
            shared = (
                shared + self._ground(theta, i, self.table.ground, places) * j[:, i, None, None]
            )
        power[:, :, :2] += self.data.n_stars * np.swapaxes(shared, 1, 2)
        noise = np.exp(self.column(theta, "ln_noise"))[:, None, None] * self.data.noise
        out: FloatArray = power + noise + 1e-12
        return out

    def excess_density(self, theta: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        """Return the broadband shared excess, shape (n, 2, n_frequencies).

        A first-order (exponentially correlated) motion: flat below its corner, falling as the
        square of the frequency above, exposure averaged.
        """
        corner = np.exp(self.column(theta, "ln_excess_corner"))[:, None]
        shape = 2.0 / (np.pi * corner) / (1.0 + (frequency_hz / corner) ** 2)
        shape = shape * np.sinc(frequency_hz * self.exposure_s) ** 2
        rms2 = np.exp(
            2.0 * np.stack([self.column(theta, f"ln_excess_{axis}") for axis in "xy"], axis=1)
        )
        out: FloatArray = rms2[:, :, None] * shape[:, None, :]
        return out

    def shared_air_density(self, theta: FloatArray) -> FloatArray:
        """Return the air's part of the stars' mean shift at `table.fine_hz`, (n, 2, n_fine)."""
        j = self.layers(theta) * self.tilt_scale(theta)[:, None]
        places = self._places(theta)
        out = np.zeros((len(theta), 2, len(self.table.fine_hz)))
        for i in range(N_GROUND):
            out += self._ground(theta, i, self.table.shared, places) * j[:, i, None, None]
        for i in range(N_GROUND, j.shape[1]):
            one_star = _bilinear(self.table.shared, places[i], places[-1]).mean(axis=1)
            fraction = _bilinear(self.table.shared_fraction[i], places[i], places[-1])
            out += (j[:, i, None] * one_star * fraction)[:, None, :]
        return out

    def _places(self, theta: FloatArray) -> list[Place]:
        """Where each row lies on the grids of wind (one a layer) and of outer scale (last)."""
        n_layers = len(self.table.height_m)
        places = [
            _weights(self.table.log_wind, self.column(theta, f"ln_wind{i}"))
            for i in range(n_layers)
        ]
        outer = self.column(theta, "ln_outer_scale")
        places.append(_weights(self.table.log_outer_scale, outer))
        return places

    def _ground(
        self, theta: FloatArray, layer: int, values: FloatArray, places: list[Place]
    ) -> FloatArray:
        """Density along x and y of a layer at the telescope, shape (n, 2, n_frequencies).

        The share of the wind along x turns spectra along and across the wind into those of the
        axes (squared cosine of its direction).
        """
        density = _bilinear(values, places[layer], places[-1])
        share = self.column(theta, f"along_x{layer}")[:, None]
        along, across = density[:, 0], density[:, 1]
        return np.stack(
            [share * along + (1.0 - share) * across, (1.0 - share) * along + share * across],
            axis=1,
        )

    def removed_tilt_arcsec2(self, theta: FloatArray) -> FloatArray:
        """Return the air's one-axis motion variance that registering one star removes."""
        j = self.layers(theta)
        places = self._places(theta)
        variance = np.zeros(len(theta))
        for i in range(j.shape[1]):
            variance += j[:, i] * _bilinear(self.table.tilt_var, places[i], places[-1])
        out: FloatArray = self.tilt_scale(theta) * variance
        return out

    def log_otf(self, theta: FloatArray) -> FloatArray:
        """Return the model of ln OTF of the registered star, shape (n, n_baselines)."""
        assert self.optics is not None  # noqa: S101 - callers check
        j = self.layers(theta).sum(axis=1)[:, None]
        structure = _interpolate_outer(self.table, theta, self.parameters)
        air = -0.5 * j * structure
        scale = 2.0 * np.pi**2 * self.optics.frequency_rad2 / ARCSEC**2
        air = air + self.removed_tilt_arcsec2(theta)[:, None] * scale
        shape = 1.0 if self.optics.defocus is None else self.optics.defocus.loss
        lens = np.exp(2.0 * self.column(theta, "ln_instrument"))[:, None] * shape
        blur = self.registration_noise_arcsec2 + self._excess_blur(theta)
        if "ln_fast" in self.parameters.names:
            blur = blur + np.exp(self.column(theta, "ln_fast"))
        out: FloatArray = air * (1.0 + self.column(theta, "otf_model")[:, None])
        out += self.line_log_otf - (lens + blur[:, None]) * scale
        return out

    def _excess_blur(self, theta: FloatArray) -> FloatArray:
        """One-axis variance of the broadband excess inside an exposure, mean of both axes."""
        a = 2.0 * np.pi * np.exp(self.column(theta, "ln_excess_corner")) * self.exposure_s
        lost = 1.0 - 2.0 * (a + np.expm1(-a)) / a**2
        rms2 = sum(np.exp(2.0 * self.column(theta, f"ln_excess_{axis}")) for axis in "xy")
        out: FloatArray = 0.5 * rms2 * np.clip(lost, 0.0, 1.0)
        return out


def _weights(grid: FloatArray, value: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Place of each value on an even grid, and the weight of the upper neighbour."""
    at = (value - grid[0]) / (grid[1] - grid[0])
    lower = np.clip(np.floor(at).astype(np.int64), 0, len(grid) - 2)
    return lower, np.clip(at - lower, 0.0, 1.0)


def _bilinear(
    values: FloatArray,
    first: tuple[NDArray[np.int64], FloatArray],
    second: tuple[NDArray[np.int64], FloatArray],
) -> FloatArray:
    """Interpolate along the first two axes at many places; shape (n, ...)."""
    (i, u), (k, v) = first, second
    extra = (1,) * (values.ndim - 2)
    u, v = u.reshape(-1, *extra), v.reshape(-1, *extra)
    lower = (1 - v) * values[i, k] + v * values[i, k + 1]
    upper = (1 - v) * values[i + 1, k] + v * values[i + 1, k + 1]
    out: FloatArray = (1 - u) * lower + u * upper
    return out


def _interpolate_outer(table: AirTable, theta: FloatArray, parameters: Parameters) -> FloatArray:
    k, v = _weights(table.log_outer_scale, theta[:, parameters.index("ln_outer_scale")])
    out: FloatArray = (1 - v[:, None]) * table.structure[k] + v[:, None] * table.structure[k + 1]
    return out
