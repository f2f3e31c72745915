"""The fit of the air: its bins, tables and likelihood against slow twins, and its ranks."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import digamma, polygamma

from blursplit.budget.air_data import TILT, AirTable, Optics, SpectralData
from blursplit.budget.air_model import AirModel
from blursplit.budget.air_state import AirState
from blursplit.budget.fit import AirFit, FitSetup, Pace, _build_model, _measured_width_prior
from blursplit.image.otf import OpticsData, RegisteredBias
from blursplit.motion.common import GridData, GridSegment
from blursplit.turbulence.tilt import cross_spectrum_table, tilt_spectra

CADENCE, EXPOSURE = 0.04, 0.01
OPTICS = Optics(0.25, 0.0, 550e-9, (10.0, 50.0), (2.0, 30.0))


def star_field(n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    return rng.uniform(-100, 100, n), rng.uniform(-80, 80, n)


def grid_of(stars: np.ndarray, x: np.ndarray, y: np.ndarray, sigma: float = 0.01) -> GridData:
    n, count = len(stars), len(x)
    shared = np.stack([stars[:, :count].mean(axis=1), stars[:, count:].mean(axis=1)], axis=1)
    return GridData(
        segments=(GridSegment(0.0, shared, stars, np.ones(n, bool), np.arange(n)),),
        star=np.arange(count),
        star_x_arcsec=x,
        star_y_arcsec=y,
        noise_psd_arcsec2_hz=np.full(count, 2 * CADENCE * sigma**2),
        shared_noise_psd_arcsec2_hz=2 * CADENCE * sigma**2 / count,
        cadence_s=CADENCE,
        exposure_s=EXPOSURE,
    )


def white_grid(n_stars: int, frames: int = 1000, seed: int = 1) -> GridData:
    x, y = star_field(n_stars)
    stars = 0.2 * np.random.default_rng(seed).standard_normal((frames, 2 * n_stars))
    return grid_of(stars, x, y)


def star_data() -> OpticsData:
    baseline = np.linspace(0.05, 0.3, 8) * OPTICS.aperture_m
    return OpticsData(
        baseline_m=baseline,
        frequency_rad2=(baseline / OPTICS.wavelength_m) ** 2,
        log_otf=-40.0 * baseline ** (5 / 3),
        covariance=1e-4 * np.eye(8) + 4e-4,
        instrument=np.zeros(8),
        cut_log_j=np.array([0.0, 9.0]),
        cut_gain=np.zeros((2, 8)),
    )


@lru_cache
def model_of(n_stars: int, frames: int = 1000) -> AirModel:
    setup = FitSetup(OPTICS, 1.5, None, 0.0)
    return _build_model(white_grid(n_stars, frames), [], star_data(), setup)


def states(model: AirModel, n: int = 20, seed: int = 3) -> AirState:
    return model.state(np.random.default_rng(seed).standard_normal((n, model.n_parameters)))


# --- bins ----------------------------------------------------------------------------------------


def test_logarithm_of_a_power_has_the_stated_mean_and_scatter():
    """White noise, 300 records: mean psi(n) - ln n and variance psi_1(n) in every bin."""
    x, y = star_field(2)
    modes = np.eye(4)
    logs = []
    for seed in range(300):
        stars = np.random.default_rng(seed).standard_normal((400, 4))
        data = SpectralData.of(grid_of(stars, x, y), modes, skip_hz=[])
        logs.append(np.log(data.power[:, 2:] / (2 * CADENCE)))
    got = np.concatenate(np.swapaxes(logs, 1, 2))
    count = data.count
    assert count.min() >= 4.0
    error = np.sqrt(polygamma(1, count) / len(got))
    # five sigmas; the trend that was removed takes a little of the lowest bin
    assert np.all(np.abs(got.mean(axis=0) - digamma(count) + np.log(count))[1:] < 5 * error[1:])
    assert_allclose(got.var(axis=0)[1:], polygamma(1, count)[1:], rtol=5 * np.sqrt(2.5 / len(got)))
    correlation = np.corrcoef(got.T)
    assert_allclose(np.diag(correlation, 1), np.diag(data.correlation, 1), atol=5 / np.sqrt(600))


def test_cross_density_of_the_shared_shift_keeps_its_sign():
    x, y = star_field(3)
    both = np.random.default_rng(2).standard_normal((2000, 1))
    stars = np.concatenate([np.repeat(both, 3, axis=1), -0.5 * np.repeat(both, 3, axis=1)], axis=1)
    modes = SpectralData.modes_of(x, y, OPTICS)
    data = SpectralData.of(grid_of(stars, x, y), modes, skip_hz=[])
    assert_allclose(data.shared_xy, -0.5 * data.power[:, 0], rtol=1e-9)


def test_two_stars_leave_one_differential_number_and_one_star_none():
    for count, expected in ((1, 2), (2, 3), (3, 4), (4, 6)):
        x, y = star_field(count)
        assert len(SpectralData.modes_of(x, y, OPTICS)) == expected


# --- tables --------------------------------------------------------------------------------------


def folded(frequency: np.ndarray, spectrum, crossing: float) -> np.ndarray:
    total = 0.0
    for fold in range(-2, 3):
        nu = np.abs(frequency + fold / CADENCE)
        part = np.asarray(spectrum(nu * crossing))
        total = total + np.sinc(nu * EXPOSURE)[:, None] ** 2 * crossing * part.reshape(len(nu), -1)
    return total


def test_powers_of_modes_are_those_of_the_pair_matrix():
    """Slow twin: the (2n, 2n) covariance of all stars at one frequency, mode by mode."""
    grid = white_grid(4)
    x, y = grid.star_x_arcsec, grid.star_y_arcsec
    modes = SpectralData.modes_of(x, y, OPTICS)
    data = SpectralData.of(grid, modes, skip_hz=[])
    table = AirTable.of(
        grid, data, OPTICS, fine_hz=np.geomspace(0.01, 12, 40), baseline_m=np.array([0.05])
    )
    layer, wind, outer = 1, 7, 2
    speed = float(np.exp(table.high_wind.nodes[wind]))
    ratio = OPTICS.aperture_m / float(np.exp(table.outside.outer.nodes[outer]))
    co_spectra = cross_spectrum_table(ratio, 0.0, TILT)
    expected = np.zeros((len(data.frequency_hz), len(modes)))
    for i in range(4):
        for j in range(4):
            dx, dy = x[j] - x[i], y[j] - y[i]
            s = np.hypot(dx, dy) / 206264.806 * table.height_m[layer] / OPTICS.aperture_m
            c, n = (dx, dy) / np.hypot(dx, dy) if i != j else (1.0, 0.0)

            def both(at: np.ndarray, s: float = s) -> np.ndarray:
                along, across = co_spectra(at, np.array([s]))
                return np.concatenate([along, across], axis=1)

            density = folded(data.frequency_hz.ravel(), both, OPTICS.aperture_m / speed)
            along, across = density.reshape(*data.frequency_hz.shape, 2).mean(axis=1).T
            mx, my = modes[:, [i, j]], modes[:, [4 + i, 4 + j]]
            expected += np.outer(along * c**2 + across * n**2, mx[:, 0] * mx[:, 1])
            expected += np.outer(along * n**2 + across * c**2, my[:, 0] * my[:, 1])
            expected += 2 * np.outer((along - across) * c * n, mx[:, 0] * my[:, 1])
    got = table.high[layer, wind, outer].T / OPTICS.unit_arcsec2
    # the twin reads the table of co-spectra at each frequency, the fit 7 % apart and between
    assert_allclose(got, expected, rtol=0.02, atol=1e-3 * expected.max() * 1e-3)


def test_one_star_spectra_keep_level_along_and_across_the_wind():
    model = model_of(1)
    near = model.table.near
    state = states(model, 1)
    log_wind, log_outer = near.wind.nodes[[9]], near.outer.nodes[[4]]
    got = near.at(near.fine, log_wind, log_outer)[0] / OPTICS.unit_arcsec2
    ratio = OPTICS.aperture_m / float(np.exp(log_outer[0]))

    def both(at: np.ndarray) -> np.ndarray:
        return np.stack(tilt_spectra(at, ratio, 0.0, TILT), axis=1)

    expected = folded(model.table.fine_hz, both, OPTICS.aperture_m / float(np.exp(log_wind[0])))
    assert_allclose(got.T, expected, rtol=0.01)
    assert len(state.j_near) == 1


def test_open_density_holds_its_variance_and_its_direction():
    """Sampled without exposure, all of the variance shows below half the rate."""
    model = model_of(1)
    model = replace(model, exposure_s=0.0, priors=replace(model.priors, nyquist_hz=1000.0))
    state = states(model)
    f = np.linspace(0.0, 1000.0, 100_001)
    for k in (0, 5):
        one = AirState(**{name: v[[k]] for name, v in vars(state).items()})
        density = model.open_density(one, f)[0]
        total = np.trapezoid(density, f, axis=-1)
        # the tail beyond two folds, 5 kHz, holds 2 x 8 Hz/(pi 5000 Hz) of it at most
        assert_allclose(total, state.open_arcsec2[k], rtol=3e-3, atol=1e-9)


def test_turning_the_field_turns_the_open_motion_and_the_wind():
    """X and y exchanged: the same powers for states with axes mirrored at 45 degrees."""
    model = model_of(1)
    state = states(model)
    mirror = np.array([-1.0, 1.0])
    swapped = replace(
        state,
        near_axis=state.near_axis * mirror,
        ground_axis=state.ground_axis * mirror,
        open_arcsec2=state.open_arcsec2[:, ::-1, ::-1],
    )
    first, _ = model.powers(state)
    second, _ = model.powers(swapped)
    assert_allclose(second, first[:, [1, 0, 2]], rtol=1e-9)


def test_what_registering_takes_hardly_depends_on_the_centroid_until_speckles_form():
    """benchmarks/registered_otf.py: windows of one and of four lambda/D at 6 of 32 baselines."""
    share = np.array([6 / 32])
    narrow, wide = (RegisteredBias.of(share, window, 0.0) for window in (1.0, 4.0))
    d_over_r0 = np.array([0.0, 2.0, 3.0, 6.0])
    got = [bias.at(d_over_r0)[:, 0] for bias in (narrow, wide)]
    # the tables are kept to three digits
    assert_allclose(got[0], [0.0, -0.008, -0.007, 0.134], atol=6e-4)
    assert_allclose(got[1][:3], [0.0, -0.010, -0.011], atol=6e-4)
    obstructed = RegisteredBias.of(share, 1.0, 0.33).at(d_over_r0)[:, 0]
    assert_allclose(obstructed[2], -0.032, atol=6e-4)


def test_more_air_lowers_the_star_and_more_optics_too():
    model = model_of(1)
    state = states(model)
    base = model.log_otf(state)
    wider = model.log_otf(replace(state, optics_arcsec=2.0 * state.optics_arcsec))
    assert np.all(wider <= base)
    calm = replace(state, j_near=0.5 * state.j_near, j_ground=0.5 * state.j_ground)
    assert np.all(model.log_otf(calm)[:, 3:] > base[:, 3:])


# --- likelihood ----------------------------------------------------------------------------------


@pytest.mark.parametrize("n_stars", [1, 2, 4])
def test_likelihood_of_powers_is_that_of_dense_matrices(n_stars):
    """Slow twin: all differential modes and bins in one covariance, up to a constant."""
    from blursplit.constants import (
        FIT_CONTAMINATED,
        FIT_MODEL_ERROR_COMMON,
        FIT_MODEL_ERROR_OCTAVE,
        FIT_MODEL_ERROR_OWN,
        FIT_MODEL_ERROR_SHARED,
    )

    model = model_of(n_stars)
    data, state = model.data, states(model)
    shared, own = model.powers(state)
    n_own = own.shape[1]
    each = polygamma(1, data.count)
    step = np.subtract.outer(np.log(data.centre_hz), np.log(data.centre_hz))

    def parts(modes, variance):
        share = model._air_share(modes)
        kernel = np.exp(-0.5 * (step / FIT_MODEL_ERROR_OCTAVE) ** 2) * np.outer(share, share)
        return data.correlation * np.sqrt(np.outer(variance, variance)), kernel

    def misfit(residual, covariance):
        return np.einsum("ti,ij,tj->t", residual, np.linalg.inv(covariance), residual)

    measured = model._measured
    mean, bias = np.log(data.power), np.log(data.count) - digamma(data.count)
    expected = np.zeros(len(own))
    scatter, kernel = parts(slice(0, 2), each)
    covariance = scatter + FIT_MODEL_ERROR_SHARED**2 * kernel
    for i in (0, 1):
        most = np.sqrt(-2.0 * np.log(FIT_CONTAMINATED) * np.diag(covariance))
        residual = mean[:, i] + bias - np.log(shared[:, i])
        expected -= 0.5 * misfit(np.minimum(residual, most), covariance)
    scatter, kernel = parts(slice(0, 2), 0.5 / data.count)
    covariance = scatter + FIT_MODEL_ERROR_SHARED**2 * kernel
    most = np.sqrt(-2.0 * np.log(FIT_CONTAMINATED) * np.diag(covariance))
    coherence = shared[:, 2] / np.sqrt(shared[:, 0] * shared[:, 1])
    residual = measured.coherence - np.arctanh(coherence)
    expected -= 0.5 * misfit(np.clip(residual, -most, most), covariance)
    if n_own:
        scatter, kernel = parts(slice(2, None), each)
        dense = np.kron(np.eye(n_own), scatter + FIT_MODEL_ERROR_OWN**2 * kernel)
        dense += np.kron(np.ones((n_own, n_own)), FIT_MODEL_ERROR_COMMON**2 * kernel)
        residual = mean[:, 2:].T + bias - np.log(own.astype(float))
        expected -= 0.5 * misfit(residual.reshape(len(own), -1), dense)
    got = model._log_powers(state)
    assert_allclose(got - got[0], expected - expected[0], rtol=1e-6, atol=1e-5)


def test_shared_bin_far_above_the_model_costs_a_bounded_price():
    model = model_of(3)
    z = np.random.default_rng(1).standard_normal((1, model.n_parameters))
    power = model.data.power.copy()
    power[-2, 0] *= 1e6
    far = replace(model, data=replace(model.data, power=power))
    power = power.copy()
    power[-2, 0] *= 1e6
    farther = replace(model, data=replace(model.data, power=power))
    assert_allclose(farther.log_likelihood(z), far.log_likelihood(z), atol=0.01)
    # the share of noise in the bins' mean power still changes in the sixth digit


def test_fit_of_one_star_and_of_none_registered_runs_and_is_reproducible(monkeypatch):
    monkeypatch.setattr("blursplit.constants.FIT_FINAL_SWEEPS", 20)
    monkeypatch.setattr("blursplit.constants.FIT_MOST_DOUBLINGS", 0)
    setup = FitSetup(OPTICS, 1.5, None, 0.0)
    grid = white_grid(1, 300)
    quick = Pace(particles=100)
    first = AirFit.of(grid, [], None, setup, seed=5, n_draws=50, pace=quick)
    again = AirFit.of(grid, [], None, setup, seed=5, n_draws=50, pace=quick)
    assert_allclose(first.j_outside, again.j_outside, rtol=0)
    assert np.all(np.isnan(first.upper_j))
    f = np.linspace(0.1, 12.0, 30)
    assert first.shared_air_density(f).shape == first.open_density(f).shape == (50, 2, 2, 30)


def test_a_fit_keeps_tables_while_the_stars_stay_where_they_were(monkeypatch):
    monkeypatch.setattr("blursplit.constants.FIT_R_HAT", 9.0)
    setup = FitSetup(OPTICS, 1.5, None, 0.0)
    quick = Pace(particles=100)
    first = AirFit.of(white_grid(3), [], star_data(), setup, seed=1, pace=quick)
    assert not first.is_warm
    pace = replace(quick, kept=first.kept)
    later = white_grid(3, seed=2)
    drifted = replace(later, star_x_arcsec=later.star_x_arcsec + 5.0)
    second = AirFit.of(drifted, [], star_data(), setup, seed=1, pace=pace)
    assert second.is_warm
    assert second.model.table is first.model.table
    fresh = _build_model(drifted, [], star_data(), setup)
    # white motion of the same size: the likelihoods are those of a table made anew
    z = np.random.default_rng(2).standard_normal((20, fresh.n_parameters))
    assert_allclose(second.model.log_likelihood(z), fresh.log_likelihood(z), rtol=1e-6)
    # a star elsewhere in the field, or another length of record, needs another table
    moved = replace(later, star_x_arcsec=later.star_x_arcsec + np.array([0.0, 0.0, 8.0]))
    assert (
        _build_model(moved, [], star_data(), setup, kept=first.kept).table is not second.kept.table
    )
    longer = _build_model(white_grid(3, 2000), [], star_data(), setup, kept=first.kept)
    assert longer.table is not first.model.table


@pytest.mark.slow
def test_ranks_of_the_truth_are_uniform_under_the_model_itself(monkeypatch):
    """Simulation-based calibration (Talts et al. 2018): data drawn from the model's own errors.

    The guard against shake that the model does not know is off: it takes narrow humps for such.
    """
    monkeypatch.setattr("blursplit.constants.FIT_CONTAMINATED", 1e-12)
    rng = np.random.default_rng(8)
    base = model_of(3, 600)
    names = ("j_near", "j_outside", "open", "optics", "centre")
    ranks = {name: [] for name in names}
    from blursplit.budget.sampler import Draws

    def watched(state: AirState) -> dict[str, np.ndarray]:
        return {
            "j_near": state.j_near,
            "j_outside": state.j_outside,
            "open": np.trace(state.open_arcsec2, axis1=1, axis2=2),
            "optics": state.optics_arcsec,
            "centre": state.open_centre_hz,
        }

    for _ in range(24):
        z = rng.standard_normal((1, base.n_parameters))
        model, truth = drawn_from(base, z, rng), watched(base.state(z))
        draws = Draws.sample(
            model.log_likelihood, model.n_parameters, rng, n_particles=160, final_sweeps=24
        )
        found = watched(model.state(draws.chains[-1]))
        for name in names:
            below = (found[name] < truth[name]).mean()
            tied = (found[name] == truth[name]).mean()
            ranks[name].append(below + rng.random() * tied)
    for name in names:
        counts, _ = np.histogram(ranks[name], bins=4, range=(0, 1))
        # chi-square of 3 degrees of freedom: 16.3 at one in a thousand
        assert ((counts - 6) ** 2 / 6).sum() < 16.3, (name, counts)


def drawn_from(model: AirModel, z: np.ndarray, rng: np.random.Generator) -> AirModel:
    """Draw powers and transfer function from the model's own errors.

    The share of the model's error in a bin follows the power that was drawn; here it is that of
    the drawn mean, so powers are drawn twice.
    """
    state = model.state(z)
    shared, own = model.powers(state)
    data = model.data
    mean = np.concatenate([shared[0, :2], own[0]]).T
    coherence = shared[0, 2] / np.sqrt(mean[:, 0] * mean[:, 1])
    data = replace(data, power=mean, shared_xy=coherence * np.sqrt(mean[:, 0] * mean[:, 1]))
    at_mean = replace(model, data=data)
    bias = digamma(data.count) - np.log(data.count)

    def noise(error) -> np.ndarray:
        return np.linalg.solve(error.whiten.T, rng.standard_normal(len(error.whiten)))

    n_own = own.shape[1]
    logs = np.log(mean) + bias[:, None]
    for k in (0, 1):
        logs[:, k] += noise(at_mean._shared_error)
    if n_own:
        each = np.stack([noise(at_mean._own_error) for _ in range(n_own)], axis=1)
        logs[:, 2:] += each - each.mean(axis=1, keepdims=True)
        logs[:, 2:] += noise(at_mean._common_error)[:, None]
    mixed = np.tanh(np.arctanh(coherence) + noise(at_mean._coherence_error))
    power = np.exp(logs)
    star = model.star
    log_otf = model.log_otf(state)[0]
    log_otf = log_otf + rng.multivariate_normal(np.zeros(len(log_otf)), star.covariance)
    return replace(
        model,
        data=replace(data, power=power, shared_xy=mixed * np.sqrt(power[:, 0] * power[:, 1])),
        star=replace(star, log_otf=log_otf),
    )


@pytest.mark.parametrize("least", [0.0, 0.09])
def test_the_prior_is_that_of_a_sum_of_variances(least):
    rng = np.random.default_rng(0)
    low, high = 0.01, 0.6
    draws = np.abs(least + 0.2 * least * rng.standard_normal(2000))
    edge, cumulated = _measured_width_prior(draws, low, high)
    rest = np.exp(rng.uniform(np.log(low), np.log(high), 200_000))
    drawn = 0.5 * np.log(rng.choice(draws, rest.size) + rest**2)
    for share in (0.1, 0.5, 0.9):
        below = np.interp(np.quantile(drawn, share), edge, cumulated)
        # 2000 draws of the least variance scatter by 0.01, one in a thousand is cut off
        np.testing.assert_allclose(below, share, atol=0.03)
