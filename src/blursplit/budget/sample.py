"""Draws from the joint posterior.

The ensemble sampler of emcee (Foreman-Mackey et al. 2013, PASP 125, 306) is used because the
posterior has long curved ridges (air at the telescope against a shaking of the same colour) that
a Gaussian approximation cuts off, while a call of the likelihood costs microseconds when many
sets are evaluated together, which this sampler does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from emcee import EnsembleSampler
    from numpy.typing import NDArray

    from blursplit.budget.likelihood import Model
    from blursplit.budget.parameters import Parameters

    FloatArray = NDArray[np.float64]

N_FIRST = 6000  # draws from the prior among which the walkers start
# A call of the likelihood for half of 128 sets costs little more than one for half of 64.
N_WALKERS = 128
N_KEEP = 300
THIN = 10
FIRST_BATCH = 500
# Burning in ends when the walkers' usual ln posterior rises by less than one over so many steps.
BURN_STEPS, FEWEST_BURNS, MOST_BURNS, SETTLED_RISE = 100, 3, 12, 1.0


def sample_posterior(model: Model, rng: np.random.Generator, n_draws: int) -> FloatArray:
    """Return draws from the posterior, shape (n_draws, n_parameters).

    Parameters
    ----------
    model : Model
    rng : numpy.random.Generator
    n_draws : int
        Chosen at random from the chains after their burn-in.

    Notes
    -----
    Proposals along the difference of two other walkers (ter Braak 2006, Statistics and Computing
    16, 239): a small part of it stays on the curved ridges, all of it crosses from one to another.
    """
    import emcee

    start = _start(model, rng)
    moves = [
        (emcee.moves.DEMove(gamma0=0.1), 0.3),
        (emcee.moves.DEMove(gamma0=0.2), 0.3),
        (emcee.moves.DEMove(), 0.15),
        (emcee.moves.DEMove(gamma0=1.0), 0.1),
        (emcee.moves.StretchMove(a=1.4), 0.15),
    ]
    sampler = emcee.EnsembleSampler(
        N_WALKERS, start.shape[1], model.log_probability, moves=moves, vectorize=True
    )
    sampler.random_state = np.random.RandomState(int(rng.integers(2**31))).get_state()
    burnt = _burn_in(sampler, start, model.parameters, rng)
    sampler.reset()
    sampler.run_mcmc(burnt, N_KEEP)
    chain = sampler.get_chain(flat=True, thin=THIN)
    draws: FloatArray = chain[rng.choice(len(chain), size=n_draws, replace=len(chain) < n_draws)]
    return draws


def _burn_in(
    sampler: EnsembleSampler, start: FloatArray, parameters: Parameters, rng: np.random.Generator
) -> FloatArray:
    """Let the walkers go until they climb no further, and return where they are."""
    before = -np.inf
    at = start
    for count in range(1, MOST_BURNS + 1):
        sampler.reset()
        state = sampler.run_mcmc(at, BURN_STEPS)
        at = _drop_stragglers(state.coords, state.log_prob, rng)
        at = np.clip(at, parameters.low, parameters.high)
        usual = float(np.mean(np.median(sampler.get_log_prob(), axis=1)))
        if count >= FEWEST_BURNS and usual - before < SETTLED_RISE:
            break
        before = usual
    return at


def _start(model: Model, rng: np.random.Generator) -> FloatArray:
    """Walkers at the best of many draws from the prior."""
    parameters = model.parameters
    draws = rng.uniform(parameters.low, parameters.high, size=(N_FIRST, len(parameters.names)))
    narrow = np.isfinite(parameters.sigma)
    draws[:, narrow] = rng.normal(
        parameters.mean[narrow], parameters.sigma[narrow], size=(N_FIRST, int(narrow.sum()))
    )
    draws = np.clip(draws, parameters.low, parameters.high)
    draws[::2] = model.with_guessed_excess(draws[::2], rng)
    value = np.concatenate(
        [model.log_probability(draws[i : i + FIRST_BATCH]) for i in range(0, N_FIRST, FIRST_BATCH)]
    )
    best: FloatArray = draws[np.argsort(value)[::-1][:N_WALKERS]]
    return best


def _drop_stragglers(
    coords: FloatArray, log_prob: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Move walkers that never came near the others to the place of one that did.

    Without this a walker left on a hopeless local peak would count as one of the posterior's 128
    parts. A drop of 5 n_parameters/2 below the median never happens within it.
    """
    floor = np.median(log_prob) - 2.5 * coords.shape[1]
    lost = log_prob < floor
    out = coords.copy()
    fine = np.flatnonzero(~lost)
    out[lost] = coords[rng.choice(fine, size=int(lost.sum()))] + 1e-3 * rng.standard_normal(
        (int(lost.sum()), coords.shape[1])
    )
    return out
