"""Tempered Monte Carlo: closed forms, two modes, ranks, and what its diagnostics see."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.fit import _halves
from blursplit.budget.sampler import Chains, Draws
from blursplit.constants import FIT_R_HAT

RUN = {"n_particles": 400, "final_sweeps": 80}


def gaussian(centre: np.ndarray, sigma: np.ndarray):
    def log_likelihood(z: np.ndarray) -> np.ndarray:
        scaled = (z - centre) / sigma
        return -0.5 * (scaled**2).sum(axis=1) - np.log(sigma * np.sqrt(2 * np.pi)).sum()

    return log_likelihood


def test_gaussian_likelihood_gives_its_closed_posterior_and_evidence():
    """Prior N(0, 1), likelihood N(c, s): posterior and evidence are Gaussian integrals."""
    centre, sigma = np.array([2.0, -1.0, 0.0, 0.5]), np.array([0.1, 0.5, 2.0, 1.0])
    draws = Draws.sample(gaussian(centre, sigma), 4, np.random.default_rng(3), **RUN)
    flat = draws.chains.reshape(-1, 4)
    variance = 1.0 / (1.0 + sigma**-2)
    mean = variance * centre / sigma**2
    n = min(Chains([draws.chains[:, :, k]]).effective_draws() for k in range(4))
    assert n > 400
    # four sigmas of the means of that many draws, of variances relative sqrt(2/n)
    assert np.all(np.abs(flat.mean(axis=0) - mean) < 4 * np.sqrt(variance / n))
    assert_allclose(flat.var(axis=0), variance, rtol=4 * np.sqrt(2 / n))
    total = 1.0 + sigma**2
    exact = -0.5 * (centre**2 / total + np.log(2 * np.pi * total)).sum()
    # some six temperatures, each adding a relative error of at most sqrt(1/400) to the evidence
    assert_allclose(draws.log_evidence, exact, atol=4 * np.sqrt(6 / 400))


@pytest.mark.parametrize("wide", [0.3, 2.0])
def test_a_run_goes_on_from_draws_of_a_posterior_like_its_own(wide):
    """One sigma off and narrower or wider: the particles come over and spread as they should."""
    centre, sigma = np.array([2.0, -1.0, 0.0, 0.5]), np.array([0.1, 0.5, 2.0, 1.0])
    variance = 1.0 / (1.0 + sigma**-2)
    mean = variance * centre / sigma**2
    rng = np.random.default_rng(4)
    start = mean + np.sqrt(variance) * (1.0 + wide * rng.standard_normal((400, 4)))
    draws = Draws.sample(
        gaussian(centre, sigma), 4, rng, n_particles=400, final_sweeps=80, start=start
    )
    flat = draws.chains.reshape(-1, 4)
    n = min(Chains([draws.chains[:, :, k]]).effective_draws() for k in range(4))
    assert n > 400
    assert np.all(np.abs(flat.mean(axis=0) - mean) < 4 * np.sqrt(variance / n))
    assert_allclose(flat.var(axis=0), variance, rtol=4 * np.sqrt(2 / n))
    assert np.isnan(draws.log_evidence)  # it knows nothing of the prior's mass


def test_runs_that_still_drift_agree_but_their_halves_do_not():
    """Both began in one wrong place and move alike, a fifth of their width at each kept sweep.

    Means of halves then lie 0.6 apart: var/W of the four of them is 0.12, R-hat 1.06.
    """
    rng = np.random.default_rng(1)
    drift = 0.2 * np.arange(6)[:, None]
    runs = [{"x": drift + rng.standard_normal((6, 400))} for _ in range(2)]
    assert Chains([run["x"] for run in runs]).r_hat() < FIT_R_HAT
    assert Chains([half["x"] for half in _halves(runs)]).r_hat() > FIT_R_HAT


def test_two_far_modes_keep_their_weights():
    """Equal peaks 24 of their sigmas apart hold half of the particles each."""

    def log_likelihood(z: np.ndarray) -> np.ndarray:
        return np.logaddexp(
            gaussian(np.array([1.2, 0.0]), np.array([0.1, 1.0]))(z),
            gaussian(np.array([-1.2, 0.0]), np.array([0.1, 1.0]))(z),
        )

    draws = Draws.sample(log_likelihood, 2, np.random.default_rng(5), **RUN)
    share = (draws.chains[:, :, 0] > 0).mean()
    # resampling at each temperature moves the share as 400 draws would: four times 0.5/20
    assert_allclose(share, 0.5, atol=0.1)


def test_chains_cross_a_gap_between_modes_of_unlike_size():
    """A narrow peak with a quarter of the mass and a broad one: chains visit both."""
    narrow, broad = (np.array([1.5, 0.5]), 0.15), (np.array([-1.0, 0.0]), 0.4)

    def log_likelihood(z: np.ndarray) -> np.ndarray:
        parts = []
        for (centre, sigma), mass in ((narrow, 0.25), (broad, 0.75)):
            total = 1 + sigma**2
            evidence = -0.5 * (centre**2 / total + np.log(2 * np.pi * total)).sum()
            parts.append(gaussian(centre, np.full(2, sigma))(z) - evidence + np.log(mass))
        return np.logaddexp(*parts)

    draws = Draws.sample(log_likelihood, 2, np.random.default_rng(6), **RUN)
    inside = draws.chains[:, :, 0] > 0.8
    # 80 sweeps, one in seven a jump that is taken at most every other time
    assert (inside.any(axis=0) & ~inside.all(axis=0)).mean() > 0.3
    # some ten particles of the prior lie in the narrow peak, and then chains exchange
    assert_allclose(inside.mean(), 0.25, atol=0.1)


def test_curved_ridge_is_followed_to_its_ends():
    """A banana: z2 = z1^2 to 0.05; the marginal of z1 is known on a grid."""

    def log_likelihood(z: np.ndarray) -> np.ndarray:
        return -0.5 * ((z[:, 1] - z[:, 0] ** 2) / 0.05) ** 2

    draws = Draws.sample(log_likelihood, 2, np.random.default_rng(7), **RUN)
    at = np.linspace(-4, 4, 4001)
    density = np.exp(-0.5 * at**2 - 0.5 * at**4 / (1 + 0.05**2))
    spread = np.sqrt((density * at**2).sum() / density.sum())
    n = Chains([draws.chains[:, :, 0]]).effective_draws()
    assert n > 100
    assert_allclose(draws.chains[:, :, 0].std(), spread, rtol=4 / np.sqrt(2 * n))


def test_r_hat_is_one_for_like_runs_and_large_for_unlike():
    rng = np.random.default_rng(2)
    first, second = rng.standard_normal((2, 5000))
    assert Chains([first, second]).r_hat() < 1.001
    # means one sigma apart: between = 1/2, R-hat = sqrt(1.5)
    assert_allclose(Chains([first, second + 1.0]).r_hat(), np.sqrt(1.5), rtol=0.02)


def test_chains_that_never_move_count_as_one_draw_each():
    stuck = np.repeat(np.random.default_rng(4).standard_normal((1, 300)), 40, axis=0)
    # lags are summed in pairs up to the chain's end: 38 of 39
    assert_allclose(Chains([stuck]).effective_draws(), 300, rtol=0.1)
    free = np.random.default_rng(4).standard_normal((40, 300))
    assert_allclose(Chains([free]).effective_draws(), 12000, rtol=0.2)


@pytest.mark.slow
def test_ranks_of_the_truth_among_the_draws_are_uniform():
    """Simulation-based calibration (Talts et al. 2018) on a model with a curved ridge."""
    rng = np.random.default_rng(11)
    ranks = []
    for _ in range(150):
        truth = rng.standard_normal(3)
        data = np.array([truth[0] + truth[1] ** 2, np.exp(0.5 * truth[2]) * truth[1]])
        data = data + 0.2 * rng.standard_normal(2)

        def log_likelihood(z: np.ndarray, data: np.ndarray = data) -> np.ndarray:
            model = np.stack([z[:, 0] + z[:, 1] ** 2, np.exp(0.5 * z[:, 2]) * z[:, 1]], axis=1)
            return -0.5 * (((data - model) / 0.2) ** 2).sum(axis=1)

        draws = Draws.sample(log_likelihood, 3, rng, n_particles=200, final_sweeps=40)
        ranks.append((draws.chains[-1] < truth).mean(axis=0))
    for column in np.array(ranks).T:
        counts, _ = np.histogram(column, bins=10, range=(0, 1))
        # chi-square of 9 degrees of freedom: 27.9 at one in a thousand
        assert ((counts - 15) ** 2 / 15).sum() < 27.9
