"""The joint fit: one posterior for air, shared excess, optics, from powers and star image."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_table import N_GROUND, Optics, build_air_table, fiducial_covariance
from blursplit.budget.likelihood import Model
from blursplit.budget.line_terms import blur_inside_exposure, line_cores_hz, line_density
from blursplit.budget.parameters import make_parameters
from blursplit.budget.realise import shared_coefficients, without_lines
from blursplit.budget.sample import sample_posterior
from blursplit.budget.spectral_data import SpectralData, differential_modes, spectral_data

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.grid import GridData
    from blursplit.budget.line_terms import LineTerm
    from blursplit.budget.mask_prior import MaskPrior
    from blursplit.budget.optics_data import OpticsData
    from blursplit.spectra import Continuum

    FloatArray = NDArray[np.float64]

ARCSEC = 206264.80625
GAUSS = 2.354820045
OUTER_SCALE_ALLOWANCE = 2.5  # r0^(-5/3) may exceed the Kolmogorov value of a given width
N_FINE = 140


@dataclass(frozen=True)
class JointFit:
    """Posterior draws and the model they belong to.

    Parameters
    ----------
    model : Model
    draws : ndarray, shape (n_draws, n_parameters)
    data : SpectralData
    j : ndarray, shape (n_draws,)
        Total r0^(-5/3) at the observing wavelength along the line of sight.
    unseen : ndarray, shape (n_draws,)
        Share of J in the layers at the telescope.
    """

    model: Model
    draws: FloatArray
    data: SpectralData
    j: FloatArray
    unseen: FloatArray

    def column(self, name: str) -> FloatArray:
        """Return the draws of one parameter."""
        return self.model.column(self.draws, name)

    def mean_wind_m_s(self) -> FloatArray:
        """Return the wind of the layers, weighted by their strength (5/3 power mean)."""
        layers = self.model.layers(self.draws)
        wind = np.stack(
            [np.exp(self.column(f"ln_wind{i}")) for i in range(layers.shape[1])], axis=1
        )
        mean: FloatArray = (layers * wind ** (5.0 / 3.0)).sum(axis=1) / self.j
        return mean**0.6


@dataclass(frozen=True)
class FitSetup:
    """What the fit is told beside the data."""

    optics: Optics
    recorded_fwhm_arcsec: float
    known_instrument_arcsec: float | None
    registration_noise_arcsec2: float
    fast_motion_arcsec2: float = 0.0
    continuum: Continuum | None = None
    mask: MaskPrior | None = None
    window_over_diffraction: float | None = None
    least_instrument_arcsec2: FloatArray | None = None


def fit_jointly(
    grid: GridData,
    terms: Sequence[LineTerm],
    optics_data: OpticsData | None,
    setup: FitSetup,
    rng: np.random.Generator,
    *,
    n_draws: int,
) -> JointFit:
    """Fit air, shared excess and optics to powers and registered star at once.

    Parameters
    ----------
    grid : GridData
    terms : sequence of LineTerm
        Accepted lines; their cores take no part, their feet are modelled.
    optics_data : OpticsData or None
    setup : FitSetup
    rng : numpy.random.Generator
    n_draws : int
    """
    optics = setup.optics
    covariance = fiducial_covariance(grid.star_x_arcsec, grid.star_y_arcsec, optics)
    modes = differential_modes(covariance, grid.star_x_arcsec, grid.star_y_arcsec)
    cores = line_cores_hz(terms, grid.longest_s)
    data = spectral_data(_quiet(grid, terms, setup.continuum), modes, skip_hz=cores)
    fine = np.geomspace(0.1 / grid.longest_s, 0.5 / grid.cadence_s, N_FINE)
    baseline = (
        optics_data.baseline_m
        if optics_data is not None
        else np.linspace(0.05, 0.3, 6) * optics.aperture_m
    )
    table = build_air_table(grid, data, optics, fine_hz=fine, baseline_m=baseline)
    if setup.mask is not None:
        table = setup.mask.on_mean_of_images(table, optics, data.frequency_hz.mean(axis=1))
    kolmogorov_r0 = 0.97586 * optics.wavelength_m * ARCSEC / setup.recorded_fwhm_arcsec
    width_sigma = setup.recorded_fwhm_arcsec / GAUSS
    known = setup.known_instrument_arcsec
    parameters = make_parameters(
        n_layers=len(table.height_m),
        strongest_j=OUTER_SCALE_ALLOWANCE * kolmogorov_r0 ** (-5.0 / 3.0),
        wind_m_s=optics.wind_m_s,
        outer_scale_m=optics.outer_scale_m,
        instrument_sigma_arcsec=(0.02 * width_sigma, width_sigma),
        known_instrument_arcsec=None if known is None else known / GAUSS,
        nyquist_hz=0.5 / grid.cadence_s,
        fast_motion_arcsec2=setup.fast_motion_arcsec2 if optics_data is not None else 0.0,
        least_instrument_arcsec2=setup.least_instrument_arcsec2,
    )
    inside, doubt = blur_inside_exposure(
        terms, grid.exposure_s, baseline / optics.wavelength_m / ARCSEC
    )
    if optics_data is not None:
        optics_data = replace(
            optics_data, covariance=optics_data.covariance + np.outer(doubt, doubt)
        )
    model = Model(
        parameters=parameters,
        table=table,
        data=data,
        optics=optics_data,
        line_power=_line_power(grid, data, terms),
        line_log_otf=inside,
        exposure_s=grid.exposure_s,
        aperture_m=optics.aperture_m,
        registration_noise_arcsec2=setup.registration_noise_arcsec2,
        ln_j_prior=None if setup.mask is None else setup.mask.ln_j,
        obstruction=optics.obstruction,
        window_over_diffraction=setup.window_over_diffraction,
    )
    draws = sample_posterior(model, rng, n_draws)
    layers = model.layers(draws)
    total = layers.sum(axis=1)
    unseen = layers[:, :N_GROUND].sum(axis=1) / total
    return JointFit(model, draws, data, total, unseen)


def _quiet(grid: GridData, terms: Sequence[LineTerm], continuum: Continuum | None) -> GridData:
    if not terms or continuum is None:
        return grid
    frequency = shared_coefficients(grid).frequency_hz
    lines = sum(
        (line_density(term, frequency, grid.longest_s, grid.cadence_s) for term in terms),
        np.zeros((len(frequency), 2, 2)),
    )
    return without_lines(
        grid, line_cores_hz(terms, grid.longest_s), lines, continuum.matrix(frequency)
    )


def _line_power(grid: GridData, data: SpectralData, terms: Sequence[LineTerm]) -> FloatArray:
    centre = data.frequency_hz.mean(axis=1)
    power = np.zeros((len(centre), 2))
    for term in terms:
        density = line_density(term, centre, grid.longest_s, grid.cadence_s)
        power += np.stack([density[:, 0, 0], density[:, 1, 1]], axis=1)
    return power


def perfect_instrument(fit: JointFit, n_draws: int, rng: np.random.Generator) -> FloatArray:
    """Return draws of J from the star image alone with a perfect instrument: the upper bound.

    Each draw of the other parameters keeps its outer scale, wind and centroid; J follows from
    the transfer function, which is linear in it.
    """
    optics = fit.model.optics
    if optics is None:
        return np.full(0, np.nan)
    rows = rng.choice(len(fit.draws), size=n_draws)
    theta = fit.draws[rows].copy()
    theta[:, fit.model.parameters.index("ln_instrument")] = -30.0
    theta[:, fit.model.parameters.index("otf_model")] = rng.normal(0.0, 0.06, n_draws)
    with_air = fit.model.log_otf(theta)
    scale = fit.model.layers(theta).sum(axis=1)
    no_air = theta.copy()
    n_layers = len(fit.model.table.height_m)
    no_air[:, :n_layers] = -60.0
    without = fit.model.log_otf(no_air)
    per_j = (with_air - without) / scale[:, None]
    noise = rng.multivariate_normal(np.zeros(len(optics.log_otf)), optics.covariance, n_draws)
    target = optics.log_otf + noise - without
    weight = np.linalg.inv(optics.covariance)
    top = np.einsum("ti,ij,tj->t", per_j, weight, target)
    bottom = np.einsum("ti,ij,tj->t", per_j, weight, per_j)
    out: FloatArray = np.maximum(top / bottom, 0.0)
    return out


def seen_by_pairs(fit: JointFit) -> JointFit:
    """Return the same fit without the layers that no pair can see: the lower bound on the air."""
    layers = fit.model.layers(fit.draws)
    return replace(fit, j=layers[:, N_GROUND:].sum(axis=1))
