"""How well a set of parameters explains powers and transfer function.

The powers of the modes are sums of squares of complex Gaussian coefficients, so the likelihood
is Whittle's (1953): -N (ln S + P/S) a bin. Everything here works on many parameter sets at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_table import N_GROUND
from blursplit.turbulence.tilt import centroid_tilt_mix

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.air_table import AirTable, Places
    from blursplit.budget.optics_data import OpticsData
    from blursplit.budget.parameters import Parameters
    from blursplit.budget.spectral_data import SpectralData

    FloatArray = NDArray[np.float64]

G_OVER_Z = 0.16980 / 0.18192  # single-aperture tilt coefficients, Tokovinin (2002)
ARCSEC = 206264.80625
LEAST_HUMP = 0.15  # half-width of an excess over its frequency: half a bin of the powers
CENTROID_DOUBT = 0.3  # of the share of Z tilt
CONTAMINATED = 0.03  # chance beforehand that a bin of the shared shift holds unmodelled shake


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
    obstruction : float
    window_over_diffraction : float or None
        Sigma of the centroid's window in lambda/D; None for that of a sharp, well-sampled star.
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
    obstruction: float = 0.0
    window_over_diffraction: float | None = None

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
        places, tilt_scale = self._places(theta), self.tilt_scale(theta)
        if self.data is not None:
            total += self._log_whittle(self._mode_power(theta, places, tilt_scale))
        if self.optics is not None:
            modelled = self._log_otf(theta, places, tilt_scale)
            whitened = (self.optics.log_otf - modelled) @ self._whitening
            total -= 0.5 * np.einsum("tb,tb->t", whitened, whitened)
        if self.ln_j_prior is not None:
            mean, sigma = self.ln_j_prior
            total -= 0.5 * ((np.log(self.layers(theta).sum(axis=1)) - mean) / sigma) ** 2
        return total

    @cached_property
    def _whitening(self) -> FloatArray:
        """What makes the errors of ln OTF independent and of variance one."""
        assert self.optics is not None  # noqa: S101 - callers check
        root = np.linalg.cholesky(self.optics.covariance)
        return np.asarray(np.linalg.inv(root).T)

    @cached_property
    def _kept_in_bins(self) -> FloatArray:
        """Power that the exposure leaves in each bin, shape (n_bins,)."""
        assert self.data is not None  # noqa: S101 - callers check
        return np.asarray(np.sinc(self.data.centre_hz * self.exposure_s) ** 2)

    @cached_property
    def _wind_columns(self) -> NDArray[np.int64]:
        names = [f"ln_wind{i}" for i in range(len(self.table.height_m))]
        return np.array([self.parameters.index(name) for name in names])

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

        It grows with D/r0 (`blursplit.turbulence.tilt`); the parameter says how many of its
        sigmas the centroid lies off.
        """
        aperture_over_r0 = self.aperture_m * self.layers(theta).sum(axis=-1) ** 0.6
        grid, mean_of, sigma_of = self._centroid_table
        mean, sigma = (
            np.interp(aperture_over_r0, grid, mean_of),
            np.interp(aperture_over_r0, grid, sigma_of),
        )
        out: FloatArray = G_OVER_Z + (1.0 - G_OVER_Z) * (
            mean + sigma * self.column(theta, "centroid_mix")
        )
        return out

    @cached_property
    def _centroid_table(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """D/r0, and which tilt the centroid then measures: share of Z and its error."""
        grid = np.geomspace(0.3, 8.0, 60)
        mean, sigma = centroid_tilt_mix(grid, self.window_over_diffraction, self.obstruction)
        # Optics that blur the star beyond the window's own width are not in the table.
        return grid, mean, np.hypot(sigma, CENTROID_DOUBT)

    def mode_power(self, theta: FloatArray) -> FloatArray:
        """Return the model's density of each mode, shape (n, n_bins, n_modes)."""
        return self._mode_power(theta, self._places(theta), self.tilt_scale(theta))

    def _mode_power(self, theta: FloatArray, places: Places, tilt_scale: FloatArray) -> FloatArray:
        assert self.data is not None  # noqa: S101 - callers check
        j = self.layers(theta) * tilt_scale[:, None]
        if j.shape[1] > N_GROUND:
            power = places.summed(self.table.modes, j, slice(N_GROUND, None))
        else:
            power = np.zeros((len(theta), *self.data.power.shape))
        shared = self._excess(theta, self.data.centre_hz, self._kept_in_bins)
        shared += self._ground(theta, self.table.ground, places, j)
        shared += self.line_power.T
        power[:, :, :2] += self.data.n_stars * np.swapaxes(shared, 1, 2)
        noise = np.exp(self.column(theta, "ln_noise"))[:, None, None] * self.data.noise
        power += noise
        power += 1e-12
        return power

    def excess_density(self, theta: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        """Return the broadband shared excess, shape (n, 2, n_frequencies).

        A first-order (exponentially correlated) motion: flat below its corner, falling as the
        square of the frequency above, exposure averaged. It may stand on a carrier: a mode above
        Nyquist that the frames fold to a place where its width makes a hump and no line.
        """
        return self._excess(theta, frequency_hz, np.sinc(frequency_hz * self.exposure_s) ** 2)

    def _excess(self, theta: FloatArray, frequency_hz: FloatArray, kept: FloatArray) -> FloatArray:
        corner, centre = self._excess_place(theta)
        shape = 1.0 / (1.0 + ((frequency_hz - centre) / corner) ** 2)
        shape += 1.0 / (1.0 + ((frequency_hz + centre) / corner) ** 2)
        shape *= kept / (np.pi * corner)
        rms2 = np.exp(
            2.0 * np.stack([self.column(theta, f"ln_excess_{axis}") for axis in "xy"], axis=1)
        )
        out: FloatArray = rms2[:, :, None] * shape[:, None, :]
        return out

    def with_guessed_excess(self, theta: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return parameters whose excess stands for what a bin of the shared shift holds.

        A hump at the right place with the right size is found by no walker that starts from the
        prior alone. Bins are drawn by the variance they hold beyond the lines.
        """
        if self.data is None:
            return theta
        density = np.maximum(self.data.power[:, :2] / self.data.n_stars - self.line_power, 1e-12)
        width = self.data.high_hz - self.data.low_hz
        held = density.sum(axis=1) * width
        at = rng.choice(len(held), size=len(theta), p=held / held.sum())
        out = theta.copy()
        names = ("excess_centre_hz", "ln_excess_corner", "ln_excess_x", "ln_excess_y")
        columns = [self.parameters.index(name) for name in names]
        corner = np.hypot(np.exp(out[:, columns[1]]), LEAST_HUMP * self.data.centre_hz[at])
        out[:, columns[0]] = self.data.centre_hz[at]
        out[:, columns[2:]] = 0.5 * np.log(np.pi * corner[:, None] * density[at])
        return np.clip(out, self.parameters.low, self.parameters.high)

    def _excess_place(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Half-width and centre of the excess, shape (n, 1); no narrower than the bins resolve."""
        centre = np.maximum(self.column(theta, "excess_centre_hz"), 0.0)[:, None]
        corner = np.exp(self.column(theta, "ln_excess_corner"))[:, None]
        return np.hypot(corner, LEAST_HUMP * centre), centre

    def shared_air_density(self, theta: FloatArray) -> FloatArray:
        """Return the air's part of the stars' mean shift at `table.fine_hz`, (n, 2, n_fine)."""
        j = self.layers(theta) * self.tilt_scale(theta)[:, None]
        places = self._places(theta)
        out = self._ground(theta, self.table.shared, places, j)
        for i in range(N_GROUND, j.shape[1]):
            one_star = places.at(self.table.shared, i).mean(axis=1)
            fraction = places.at(self.table.shared_fraction[i], i)
            out += (j[:, i, None] * one_star * fraction)[:, None, :]
        return out

    def _places(self, theta: FloatArray) -> Places:
        """Where each row lies on the grids of wind (one a layer) and of outer scale."""
        return self.table.places(theta[:, self._wind_columns], self.column(theta, "ln_outer_scale"))

    def _ground(
        self, theta: FloatArray, values: FloatArray, places: Places, j: FloatArray
    ) -> FloatArray:
        """Density along x and y of the layers at the telescope, shape (n, 2, n_frequencies).

        The share of the wind along x turns spectra along and across the wind into those of the
        axes (squared cosine of its direction).
        """
        out = np.zeros((len(theta), 2, values.shape[-1]))
        for i in range(N_GROUND):
            density = places.at(values, i) * j[:, i, None, None]
            share = self.column(theta, f"along_x{i}")[:, None, None]
            out += share * density + (1.0 - share) * density[:, ::-1]
        return out

    def removed_tilt_arcsec2(self, theta: FloatArray) -> FloatArray:
        """Return the air's one-axis motion variance that registering one star removes."""
        return self._removed_tilt(theta, self._places(theta), self.tilt_scale(theta))

    def _removed_tilt(
        self, theta: FloatArray, places: Places, tilt_scale: FloatArray
    ) -> FloatArray:
        layers = self.layers(theta)
        variance = places.summed(self.table.tilt_var[None], layers, slice(None))
        return np.asarray(tilt_scale * variance)

    def log_otf(self, theta: FloatArray) -> FloatArray:
        """Return the model of ln OTF of the registered star, shape (n, n_baselines)."""
        return self._log_otf(theta, self._places(theta), self.tilt_scale(theta))

    def _log_otf(self, theta: FloatArray, places: Places, tilt_scale: FloatArray) -> FloatArray:
        assert self.optics is not None  # noqa: S101 - callers check
        j = self.layers(theta).sum(axis=1)[:, None]
        k, v = places.outer, places.outer_weight[:, None]
        structure = (1.0 - v) * self.table.structure[k] + v * self.table.structure[k + 1]
        air = -0.5 * j * structure
        scale = 2.0 * np.pi**2 * self.optics.frequency_rad2 / ARCSEC**2
        air += self._removed_tilt(theta, places, tilt_scale)[:, None] * scale
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
        corner, centre = (part[:, 0] for part in self._excess_place(theta))
        a = 2.0 * np.pi * corner * self.exposure_s
        left = 2.0 * (a + np.expm1(-a)) / a**2
        lost = 1.0 - left * np.sinc(centre * self.exposure_s) ** 2
        rms2 = sum(np.exp(2.0 * self.column(theta, f"ln_excess_{axis}")) for axis in "xy")
        out: FloatArray = 0.5 * rms2 * np.clip(lost, 0.0, 1.0)
        return out
