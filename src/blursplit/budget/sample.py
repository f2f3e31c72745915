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
    from numpy.typing import NDArray

    from blursplit.budget.likelihood import Model

    FloatArray = NDArray[np.float64]

N_FIRST = 6000  # draws from the prior among which the walkers start
N_WALKERS = 64
N_BURN = 500
N_KEEP = 500
THIN = 10
FIRST_BATCH = 500


def sample_posterior(model: Model, rng: np.random.Generator, n_draws: int) -> FloatArray:
    """Return draws from the posterior, shape (n_draws, n_parameters).

    Parameters
    ----------
    model : Model
    rng : numpy.random.Generator
    n_draws : int
        Chosen at random from the chains after their burn-in.
    """
    import emcee

    start = _start(model, rng)
    # Differential evolution moves cross from one ridge to another, stretch moves walk along them.
    moves = [
        (emcee.moves.StretchMove(), 0.4),
        (emcee.moves.DEMove(), 0.5),
        (emcee.moves.DESnookerMove(), 0.1),
    ]
    sampler = emcee.EnsembleSampler(
        N_WALKERS, start.shape[1], model.log_probability, moves=moves, vectorize=True
    )
    state = np.random.RandomState(int(rng.integers(2**31))).get_state()
    sampler.random_state = state
    burnt = sampler.run_mcmc(start, N_BURN)
    burnt = _drop_stragglers(burnt.coords, burnt.log_prob, rng)
    sampler.reset()
    sampler.random_state = state
    sampler.run_mcmc(burnt, N_KEEP)
    chain = sampler.get_chain(flat=True, thin=THIN)
    draws: FloatArray = chain[rng.choice(len(chain), size=n_draws, replace=len(chain) < n_draws)]
    return draws


def _start(model: Model, rng: np.random.Generator) -> FloatArray:
    """Walkers at the best of many draws from the prior."""
    parameters = model.parameters
    draws = rng.uniform(parameters.low, parameters.high, size=(N_FIRST, len(parameters.names)))
    narrow = np.isfinite(parameters.sigma)
    draws[:, narrow] = rng.normal(
        parameters.mean[narrow], parameters.sigma[narrow], size=(N_FIRST, int(narrow.sum()))
    )
    draws = np.clip(draws, parameters.low, parameters.high)
    value = np.concatenate(
        [model.log_probability(draws[i : i + FIRST_BATCH]) for i in range(0, N_FIRST, FIRST_BATCH)]
    )
    best: FloatArray = draws[np.argsort(value)[::-1][:N_WALKERS]]
    return best


def _drop_stragglers(
    coords: FloatArray, log_prob: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Move walkers that never came near the others to the place of one that did.

    Without this a walker left on a hopeless local peak would count as one sixty-fourth of the
    posterior. A drop of 5 n_parameters/2 below the median never happens within it.
    """
    floor = np.median(log_prob) - 2.5 * coords.shape[1]
    lost = log_prob < floor
    out = coords.copy()
    fine = np.flatnonzero(~lost)
    out[lost] = coords[rng.choice(fine, size=int(lost.sum()))] + 1e-3 * rng.standard_normal(
        (int(lost.sum()), coords.shape[1])
    )
    return out
