"""Draws from a posterior whose prior is a unit normal, and the evidence with them.

Adaptive tempered sequential Monte Carlo (P. Del Moral, A. Doucet and A. Jasra 2006, J. R. Stat.
Soc. B 68, 411; from memory): particles of the prior are carried to the posterior through powers of
the likelihood, each step as long as half of the particles still count, and moved about at each
until they have forgotten where they were. The moves need no gradient: t-preconditioned
Crank-Nicolson proposals about the particles' own mean and covariance, differences of two
particles on a few coordinates, and jumps over the clearest gap between them. Each half of the
particles proposes for the other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.types import FloatArray, IntArray

LogLikelihood = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Draws:
    """What one run leaves."""

    # (n_kept, n_particles, d): particles after each of the last sweeps that were kept.
    chains: FloatArray
    # ln of the mean likelihood under the prior; NaN of a run that did not start there.
    log_evidence: float

    @classmethod
    def sample(
        cls,
        log_likelihood: LogLikelihood,
        d: int,
        rng: np.random.Generator,
        *,
        n_particles: int,
        final_sweeps: int,
        thin: int = 4,
        start: FloatArray | None = None,
    ) -> Draws:
        """Return draws of z given ln likelihood(z), shape (n,) for (n, d), and z ~ N(0, 1).

        `n_particles`: even. `final_sweeps`: sweeps over all particles at the posterior itself; the
        first quarter lets them settle, of the others every `thin`-th is kept. `start` (n_particles,
        d): draws from a posterior like this one. They enter the ladder of powers part of the way
        up, where the likelihood says so little that they soon forget where they were, and climb it
        as others do: moves at the posterior itself would take far longer to narrow, or widen, what
        they know.
        """
        first = rng.standard_normal((n_particles, d)) if start is None else start.copy()
        cloud = _Cloud(log_likelihood, first, rng)
        temperature, log_evidence = 0.0, 0.0
        sweeps = const.SMC_SWEEPS
        if start is not None:
            temperature, log_evidence, sweeps = const.SMC_ENTRY, np.nan, const.SMC_WARM_SWEEPS
            _forget(cloud, temperature, sweeps)
        while temperature < 1.0:
            step = _next_step(cloud.log_likelihood, 1.0 - temperature)
            weight = step * (cloud.log_likelihood - cloud.log_likelihood.max())
            log_evidence += float(np.log(np.mean(np.exp(weight))))
            log_evidence += step * float(cloud.log_likelihood.max())
            temperature = min(temperature + step, 1.0)
            cloud.resample(np.exp(weight))
            _forget(cloud, temperature, sweeps)
        kept = []
        for sweep in range(final_sweeps):
            cloud.move(1.0)
            if sweep >= final_sweeps // 4 and sweep % thin == thin - 1:
                kept.append(cloud.z.copy())
        return cls(np.stack(kept), log_evidence)


def _forget(cloud: _Cloud, temperature: float, sweeps: tuple[int, int]) -> None:
    """Move the particles about until most coordinates have forgotten where they were.

    `sweeps`: the least and the most.
    """
    start, spread = cloud.z.copy(), cloud.z.std(axis=0)
    for sweep in range(sweeps[1]):
        cloud.move(temperature)
        moved = np.mean((cloud.z - start) ** 2, axis=0) / (2.0 * spread**2 + 1e-300)
        if sweep + 1 >= sweeps[0] and np.median(moved) > const.SMC_FORGOTTEN:
            break


def _next_step(log_likelihood: FloatArray, longest: float) -> float:
    """Return the longest step in temperature that leaves half of the particles counting."""
    low, high = 0.0, longest

    def share(step: float) -> float:
        weight = np.exp(step * (log_likelihood - log_likelihood.max()))
        return float(weight.sum() ** 2 / (weight @ weight) / len(weight))

    if share(longest) >= const.SMC_ESS:
        return longest
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if share(middle) > const.SMC_ESS else (low, middle)
    return max(high, 1e-12)


class _Cloud:
    """The particles, their likelihoods and how far they step."""

    def __init__(
        self, log_likelihood: LogLikelihood, z: FloatArray, rng: np.random.Generator
    ) -> None:
        self._of, self.z, self._rng = log_likelihood, z, rng
        self.log_likelihood = log_likelihood(z)
        self._step = 0.5

    def resample(self, weight: FloatArray) -> None:
        """Draw the particles anew by weight (systematic), in random order."""
        n = len(weight)
        places = (self._rng.random() + np.arange(n)) / n
        chosen = np.searchsorted(np.cumsum(weight) / weight.sum(), places)
        chosen = self._rng.permutation(np.minimum(chosen, n - 1))
        self.z, self.log_likelihood = self.z[chosen], self.log_likelihood[chosen]

    def move(self, temperature: float) -> None:
        """Propose once for each particle, half of them at a time."""
        half = len(self.z) // 2
        order = self._rng.permutation(len(self.z))
        for mine, other in ((order[:half], order[half:]), (order[half:], order[:half])):
            kind = self._rng.random()
            if kind < const.SMC_DIFFERENCE_MOVES + const.SMC_JUMP_MOVES:
                other_move = self._jump if kind < const.SMC_JUMP_MOVES else self._difference
                proposed, log_ratio = other_move(self.z[mine], self.z[other])
                self._accept(mine, proposed, log_ratio, temperature)
                continue
            proposed, log_ratio = self._crank_nicolson(self.z[mine], self.z[other])
            taken = self._accept(mine, proposed, log_ratio, temperature)
            self._step = float(
                np.clip(self._step * np.exp(0.5 * (taken - const.SMC_ACCEPTANCE)), 0.02, 0.999)
            )

    def _accept(
        self, mine: IntArray, proposed: FloatArray, log_ratio: FloatArray, temperature: float
    ) -> float:
        log_likelihood = self._of(proposed)
        gain = temperature * (log_likelihood - self.log_likelihood[mine]) + log_ratio
        gain -= 0.5 * ((proposed**2).sum(axis=1) - (self.z[mine] ** 2).sum(axis=1))
        taken = np.log(self._rng.random(len(mine))) < gain
        self.z[mine[taken]] = proposed[taken]
        self.log_likelihood[mine[taken]] = log_likelihood[taken]
        return float(taken.mean())

    def _crank_nicolson(self, z: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return proposals on some coordinates that leave a Student density of them unchanged.

        That density is the one the others suggest, given where the other coordinates are: steps of
        all coordinates at once are as short as the least Gaussian of them allows.
        """
        n, d = z.shape
        order = self._rng.permutation(d)
        size = max(1, round(const.SMC_COORDINATES * d))
        moved, rest = order[:size], order[size:]
        mean = other.mean(axis=0)
        covariance = np.cov(other.T).reshape(d, d) + 1e-9 * np.eye(d)
        slope = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[np.ix_(rest, moved)])
        root = np.linalg.cholesky(
            covariance[np.ix_(moved, moved)] - covariance[np.ix_(moved, rest)] @ slope
        )
        inverse = np.linalg.inv(root).T
        middle = mean[moved] + (z[:, rest] - mean[rest]) @ slope

        def distance(off: FloatArray) -> FloatArray:
            return np.asarray(((off @ inverse) ** 2).sum(axis=1))

        shape = 0.5 * (size + const.SMC_NU)
        off = z[:, moved] - middle
        before = distance(off)
        scale = 0.5 * (const.SMC_NU + before) / self._rng.gamma(shape, size=n)
        noise = self._rng.standard_normal((n, size)) @ root.T
        off = np.sqrt(1.0 - self._step**2) * off + self._step * np.sqrt(scale)[:, None] * noise
        student = np.log1p(distance(off) / const.SMC_NU) - np.log1p(before / const.SMC_NU)
        proposed = z.copy()
        proposed[:, moved] = middle + off
        return proposed, np.asarray(shape * student)

    def _jump(self, z: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return proposals on the other side of the clearest gap.

        The others are cut in two where one coordinate falls apart most; the map between means and
        covariances of both sides is its own inverse when it comes back, its Jacobian the ratio of
        the volumes. A proposal that stays on its side is none.
        """
        d = z.shape[1]
        column, cut = _halves(other)
        pooled = np.cov(other.T).reshape(d, d)
        means, roots = [], []
        for side in (other[:, column] <= cut, other[:, column] > cut):
            n = int(side.sum())
            own = np.cov(other[side].T).reshape(d, d)
            covariance = (n * own + d * pooled) / (n + d)
            means.append(other[side].mean(axis=0))
            roots.append(np.linalg.cholesky(covariance + 1e-9 * np.eye(d)))
        volume = [float(np.log(np.diag(root)).sum()) for root in roots]
        proposed, log_ratio = z.copy(), np.full(len(z), -np.inf)
        for here, there in ((0, 1), (1, 0)):
            mine = (z[:, column] > cut) == bool(here)
            unit = np.linalg.solve(roots[here], (z[mine] - means[here]).T)
            moved = means[there] + (roots[there] @ unit).T
            over = (moved[:, column] > cut) == bool(there)
            proposed[mine] = moved
            log_ratio[mine] = np.where(over, volume[there] - volume[here], -np.inf)
        return proposed, log_ratio

    def _difference(self, z: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return proposals along the difference of two others on some coordinates (ter Braak)."""
        n, d = z.shape
        first = self._rng.integers(len(other), size=n)
        second = (first + self._rng.integers(1, len(other), size=n)) % len(other)
        share = self._rng.choice([0.15, 0.4, 1.0], size=n)
        chosen = self._rng.random((n, d)) < share[:, None]
        size = 1.2 / np.sqrt(2.0 * np.maximum(chosen.sum(axis=1), 1))
        jump = chosen * (other[first] - other[second]) * size[:, None]
        return z + jump + 1e-4 * self._rng.standard_normal((n, d)), np.zeros(n)


def _halves(z: FloatArray) -> tuple[int, float]:
    """Return the coordinate that falls most clearly into two halves, and where it is cut."""
    n = len(z)
    places = np.arange(n // 8, n - n // 8)
    ordered = np.sort(z, axis=0)
    below = np.cumsum(ordered, axis=0)
    left = below[places - 1] / places[:, None]
    right = (below[-1] - below[places - 1]) / (n - places)[:, None]
    between = (places * (n - places))[:, None] * (left - right) ** 2 / n**2
    row, column = np.unravel_index(np.argmax(between / z.var(axis=0)), between.shape)
    at = int(places[row])
    return int(column), float(0.5 * (ordered[at - 1, column] + ordered[at, column]))


@dataclass(frozen=True)
class Chains:
    """Draws of one quantity from several runs."""

    runs: list[FloatArray]  # (n_kept, n_particles) each, for R-hat any shape

    def r_hat(self) -> float:
        """Return R-hat between the runs (Gelman & Rubin 1992): sqrt((W + B)/W)."""
        within = float(np.mean([np.var(run) for run in self.runs]))
        between = float(np.var([np.mean(run) for run in self.runs], ddof=1))
        return float(np.sqrt((within + between) / within)) if within > 0 else 1.0

    def effective_draws(self) -> float:
        """Return how many independent draws they are worth.

        Autocorrelation of all chains about the common mean, so that chains which stay where they
        began count as one draw each; summed over pairs of lags until it turns negative (Geyer
        1992).
        """
        chains = np.concatenate(self.runs, axis=1)
        centred = chains - chains.mean()
        variance = float(np.mean(centred**2))
        if variance <= 0.0:
            return float(chains.size)
        total = 1.0
        for lag in range(1, len(chains) - 1, 2):
            pair = sum(
                float((centred[:-k] * centred[k:]).sum()) / centred.size / variance
                for k in (lag, lag + 1)
            )
            if pair <= 0.0:
                break
            total += 2.0 * pair
        return float(chains.size / max(total, 1.0))
