"""A ringing mode's energy from exposure to exposure, weighed against air that forgets itself.

The energy inside an exposure follows a gamma Markov chain; the likelihood of a series of tensors
is a forward filter over its states, integrated over all parameters by adaptive importance
sampling, so that the odds against air alone come with the draws.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import gammaln, ive, ndtr

from blursplit import constants as const
from blursplit.types import FloatArray, IntArray

DECAYS = np.geomspace(*const.INSIDE_DECAYS)


@dataclass(frozen=True)
class RingingAxis:
    """Draws along one axis, given that a mode rings there."""

    probability: float
    realised: FloatArray  # (n_draws,)
    constant: FloatArray
    air: FloatArray
    decay: FloatArray  # of the energy, per bin
    smoothed: FloatArray  # (n_bins,)

    @classmethod
    def fit(
        cls,
        value: FloatArray,
        fitted: IntArray,
        sigma: float,
        duty: float,
        air_share: float,
        flicker: float,
        n_draws: int,
        rng: np.random.Generator,
    ) -> RingingAxis:
        """Weigh a ringing mode against air alone in the shared tensor along one axis.

        `value` (n_bins,): projected tensor [arcsec^2] on a regular grid, NaN where no frame was.
        `fitted`: bins that the fit reads. `sigma`: noise that the stars do not share. `duty`: time
        inside a bin's exposures over the bins' spacing. `air_share`: largest scatter of shared air
        over the constant part. `flicker`: by which part of the mode's energy an exposure has more
        or less of it, as the phase falls.
        """
        given = sigma, duty, air_share, flicker
        model = _AxisModel(value[fitted], _steps(fitted), *given)
        ringing = _integrate(model.log_ringing, model, len(DECAYS), rng)
        air = _integrate(model.log_air, model, len(const.INSIDE_AIR_LAG), rng)
        prior = np.log(1.0 / const.INSIDE_AXIS_PRIOR - 1.0)
        odds = np.clip(prior + air.log_evidence - ringing.log_evidence, -700.0, 700.0)
        probability = 1.0 / (1.0 + np.exp(odds))
        pick = ringing.draw(n_draws, rng)
        _, constant, scatter = model.read(ringing.place[pick])
        realised = np.maximum(float(np.nanmean(value)) - constant, 0.0)
        few = pick[:: max(n_draws // 6, 1)]
        known = np.flatnonzero(np.isfinite(value))
        whole = _AxisModel(value[known], _steps(known), *given, mean=model.mean)
        energy = whole.smooth(ringing.place[few], ringing.kind[few])
        smoothed = np.interp(np.arange(len(value)), known, energy)
        level = float(smoothed.mean())
        smoothed = smoothed * (float(realised.mean()) / level if level > 0 else 1.0)
        decay = DECAYS[ringing.kind[pick, 0]]
        return cls(float(probability), realised, constant, scatter, decay, smoothed)

    @staticmethod
    def energy_spread(a: FloatArray) -> FloatArray:
        """Return h(a), variance over squared mean of a ringing mode's energy in one exposure."""
        return np.asarray(2.0 * (a - 1.0 + np.exp(-a)) / a**2)


class _AxisModel:
    """Likelihood of one axis: a gamma Markov chain seen through skewed noise.

    A place is (rms of the mode, offset of the constant part, ln of the shared air's scatter over
    the constant part); a kind is (index of the decay or of the air's memory, index of the skew).
    """

    def __init__(
        self,
        value: FloatArray,
        step: IntArray,
        sigma: float,
        duty: float,
        air_share: float,
        flicker: float,
        mean: float | None = None,
    ) -> None:
        self.value, self.step = value, step
        self.mean = float(value.mean()) if mean is None else mean
        scatter = float(np.std(value))
        self.sigma = max(sigma, 1e-3 * scatter, 1e-9)
        self.duty = duty
        # for the mean over a phase at random (Gauss-Chebyshev)
        nodes = const.INSIDE_FLICKER_NODES if flicker > const.INSIDE_LEAST_FLICKER else 1
        self.parts = 1.0 + flicker * np.cos(np.pi * (np.arange(nodes) + 0.5) / nodes)
        self.most_rms = float(np.sqrt(max(self.mean, 3.0 * scatter)))
        self.log_air_range = (np.log(const.INSIDE_LEAST_AIR_SHARE), np.log(air_share))
        self.spread = scatter / np.sqrt(len(value))
        self._ringing: dict[int, _Chain] = {}
        self._air: dict[int, _Chain] = {}

    def ringing_chain(self, index: int) -> _Chain:
        """Return the chain of a mode whose energy decays by DECAYS[index] from bin to bin."""
        if index not in self._ringing:
            decay = float(DECAYS[index])
            inside = decay * self.duty
            h = float(RingingAxis.energy_spread(np.array(inside)))
            memory = (np.sinh(inside / 2) / (inside / 2)) ** 2 * np.exp(-decay) / h
            self._ringing[index] = _Chain.of(1.0 / h, float(memory), self.parts)
        return self._ringing[index]

    def air_chain(self, index: int) -> _Chain:
        """Return the chain of air: its memory runs fastest, its skew slowest."""
        if index not in self._air:
            skew, memory = divmod(index, len(const.INSIDE_AIR_LAG))
            lag = const.INSIDE_AIR_LAG[memory]
            self._air[index] = _Chain.of(4.0 / AIR_SKEWS[skew] ** 2, lag, np.ones(1))
        return self._air[index]

    def read(self, place: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return mean energy, constant part and the air's scatter of each place."""
        constant = self.mean - place[:, 0] ** 2 + place[:, 1]
        air = np.exp(place[:, 2]) * np.maximum(constant, self.sigma)
        # cells far narrower than the noise would be differences of equal numbers
        scale = np.maximum(place[:, 0] ** 2, const.INSIDE_LEAST_ENERGY * np.hypot(self.sigma, air))
        return scale, constant, air

    def log_ringing(self, place: FloatArray, kind: IntArray) -> FloatArray:
        """Return the log likelihood of ringing modes with white air."""
        scale, constant, air = self.read(place)
        noise = self._noise_tables(scale, constant, air, kind[:, 1])
        return self._filtered(kind[:, 0], self.ringing_chain, scale, constant, noise)

    def log_air(self, place: FloatArray, kind: IntArray) -> FloatArray:
        """Return the log likelihood of air alone, which may remember a little of itself."""
        index = kind[:, 0] + len(const.INSIDE_AIR_LAG) * kind[:, 1]
        shape = 4.0 / AIR_SKEWS[kind[:, 1]] ** 2
        level = self.mean + place[:, 1]
        scale = np.exp(place[:, 2]) * np.maximum(level, self.sigma) * np.sqrt(shape)
        constant = level - scale
        still = np.zeros(len(place))
        noise = self._noise_tables(scale, constant, still, np.zeros(len(place), dtype=np.int64))
        return self._filtered(index, self.air_chain, scale, constant, noise)

    def _noise_tables(
        self, scale: FloatArray, constant: FloatArray, air: FloatArray, skew: IntArray
    ) -> _Tables:
        """Return the distribution function of noise and white air for every place."""
        reach = 14.0 * scale + 1e-9
        low = self.value.min() - constant - reach
        high = self.value.max() - constant + 6.0 * (self.sigma + air)
        grid = np.linspace(low, high, const.INSIDE_TABLE_POINTS, axis=1)
        step = (high - low) / (const.INSIDE_TABLE_POINTS - 1)
        total = np.zeros(grid.shape)
        for q in range(AIR_MIDDLE.shape[1]):
            width = np.hypot(self.sigma, air * AIR_WIDTH[skew, q])
            total += ndtr((grid - (air * AIR_MIDDLE[skew, q])[:, None]) / width[:, None])
        # an outlier's floor: a thousandth of all values lies anywhere
        flat = const.INSIDE_OUTLIER_SHARE * np.linspace(0.0, 1.0, const.INSIDE_TABLE_POINTS)
        total = (1.0 - const.INSIDE_OUTLIER_SHARE) * total / AIR_MIDDLE.shape[1] + flat
        rise = np.diff(total, axis=1, append=total[:, -1:])
        return _Tables(total.astype(np.float32), rise.astype(np.float32), low, 1.0 / step)

    def _filtered(
        self,
        index: IntArray,
        chain_of: Callable[[int], _Chain],
        scale: FloatArray,
        constant: FloatArray,
        noise: _Tables,
    ) -> FloatArray:
        out = np.empty(len(index))
        for kind in np.unique(index):
            rows = np.flatnonzero(index == kind)
            chain = chain_of(int(kind))
            emission = self._emission(chain, rows, scale, constant, noise)
            out[rows] = chain.filter(emission, self.step)
        return out

    def _emission(
        self, chain: _Chain, rows: IntArray, scale: FloatArray, constant: FloatArray, noise: _Tables
    ) -> FloatArray:
        """Return the mean density of every value over every cell, (n_values, n_rows, n_states)."""
        per_step = noise.per_step[rows]
        value = (self.value[:, None] * per_step).astype(np.float32)[:, :, None]
        start = (const.INSIDE_TABLE_POINTS * rows[:, None]).astype(np.int32)

        def of_part(part: float) -> Any:
            unit = part / chain.shape * scale[rows, None]
            edge = constant[rows, None] + unit * chain.edge
            place = value - ((edge + noise.low[rows, None]) * per_step[:, None]).astype(np.float32)
            np.clip(place, 0.0, const.INSIDE_TABLE_POINTS - 1.001, out=place)
            whole = place.astype(np.int32)
            place -= whole
            whole += start
            place *= noise.rise.take(whole)
            place += noise.level.take(whole)
            density = place[..., :-1] - place[..., 1:]
            np.maximum(density, 1e-9, out=density)
            width = np.maximum(unit * chain.cell * len(chain.parts), 1e-12)
            density /= width.astype(np.float32)
            return density

        total: FloatArray = of_part(float(chain.parts[0]))
        for part in chain.parts[1:]:
            total += of_part(float(part))
        return total

    def smooth(self, place: FloatArray, kind: IntArray) -> FloatArray:
        """Return the mode's smoothed energy at every value, mean over the places."""
        scale, constant, air = self.read(place)
        noise = self._noise_tables(scale, constant, air, kind[:, 1])
        total = np.zeros(len(self.value))
        for row in range(len(place)):
            chain = self.ringing_chain(int(kind[row, 0]))
            emission = self._emission(chain, np.array([row]), scale, constant, noise)[:, 0]
            state = chain.smooth(emission, self.step)
            total += state @ chain.point * (scale[row] / chain.shape)
        return np.asarray(total / len(place))


def _steps(bins: IntArray) -> IntArray:
    """Return how many bins each lies after the one before; a long gap forgets everything."""
    return np.minimum(np.diff(bins, prepend=bins[0] - 1), const.INSIDE_LONGEST_GAP)


@dataclass(frozen=True)
class _Tables:
    level: FloatArray  # (n_places, INSIDE_TABLE_POINTS)
    rise: FloatArray
    low: FloatArray
    per_step: FloatArray


def _air_mixture(skews: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """Return middles and widths of n normals of equal weight that stand for gammas of unit sd."""
    from scipy.stats import gamma

    middle, width = np.empty((len(skews), n)), np.empty((len(skews), n))
    for i, skew in enumerate(skews):
        shape = 4.0 / skew**2
        share = (np.arange(400 * n) + 0.5) / (400 * n)
        value = (gamma.ppf(share, shape) - shape) / np.sqrt(shape)
        parts = value.reshape(n, 400)
        middle[i], width[i] = parts.mean(axis=1), parts.std(axis=1)
    return middle, width


AIR_SKEWS = np.array(const.INSIDE_AIR_SKEWS)
AIR_MIDDLE, AIR_WIDTH = _air_mixture(AIR_SKEWS, 5)


@dataclass(frozen=True)
class _Chain:
    """Gamma Markov chain on a fixed grid of states."""

    shape: float
    point: FloatArray
    edge: FloatArray
    cell: FloatArray
    start: FloatArray
    step: FloatArray
    parts: FloatArray  # of a state's energy that a bin may have, each as likely

    @classmethod
    def of(cls, shape: float, memory: float, parts: FloatArray) -> _Chain:
        # the root of a gamma variable of large shape has a scatter of one half
        lowest = max(np.sqrt(shape) - 3.2, 0.0)
        highest = np.sqrt(shape + 7.0 * np.sqrt(shape) + 4.0)
        edge = np.linspace(lowest, highest, const.INSIDE_STATES + 1)
        root = 0.5 * (edge[1:] + edge[:-1])
        x, edge = root**2, edge**2
        cell = np.diff(edge)
        start = np.exp((shape - 1.0) * np.log(x) - x - gammaln(shape)) * cell
        start /= start.sum()
        if memory < 1e-6:  # noqa: PLR2004
            still = np.tile(start, (const.INSIDE_STATES, 1))
            return cls(shape, x, edge, cell, start, still, parts)
        q = 1.0 - memory
        bessel = 2.0 * np.sqrt(memory * np.outer(x, x)) / q
        power = 0.5 * (shape - 1.0) * np.log(x[None, :] / (memory * x[:, None]))
        log = bessel - (x[None, :] + memory * x[:, None]) / q + power - np.log(q)
        step = np.exp(log) * ive(shape - 1.0, bessel) * cell
        step /= step.sum(axis=1, keepdims=True)
        return cls(shape, x, edge, cell, start, step, parts)

    def filter(self, emission: FloatArray, gaps: IntArray) -> FloatArray:
        """Return the log likelihood of each set, emission of shape (n_values, n_sets, n_states)."""
        step = self.step.astype(np.float32)
        state = np.tile(self.start.astype(np.float32), (emission.shape[1], 1))
        total, last = np.zeros(emission.shape[1]), len(emission) - 1
        for i, seen in enumerate(emission):
            for _ in range(int(gaps[i]) if i else 0):
                state = state @ step
            state *= seen
            if i % 3 == 0 or i == last:  # densities stay within single precision for three steps
                level = np.add.reduce(state, axis=1)
                total += np.log(level)
                state /= level[:, None]
        return total

    def smooth(self, emission: FloatArray, gaps: IntArray) -> FloatArray:
        """Return the probability of every state at every value, shape (n_values, n_states)."""
        n = len(emission)
        ahead, behind = np.empty((2, n, const.INSIDE_STATES))
        state = self.start
        for i in range(n):
            for _ in range(int(gaps[i]) if i else 0):
                state = state @ self.step
            state = state * emission[i]
            state /= state.sum()
            ahead[i] = state
        back = np.ones(const.INSIDE_STATES)
        for i in range(n - 1, -1, -1):
            behind[i] = back
            back = back * emission[i]
            for _ in range(int(gaps[i])):
                back = self.step @ back
            back = back / back.max()
        both = ahead * behind
        return np.asarray(both / both.sum(axis=1, keepdims=True))


@dataclass(frozen=True)
class _Sample:
    place: FloatArray
    kind: IntArray
    log_weight: FloatArray
    log_evidence: float

    def draw(self, n: int, rng: np.random.Generator) -> IntArray:
        """Return indices of `n` draws, systematic."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        edge = np.cumsum(weight / weight.sum())
        at = np.minimum(np.searchsorted(edge, (rng.random() + np.arange(n)) / n), len(edge) - 1)
        return np.asarray(rng.permutation(at), dtype=np.int64)


def _integrate(
    likelihood: Callable[[FloatArray, IntArray], FloatArray],
    model: _AxisModel,
    n_kinds: int,
    rng: np.random.Generator,
) -> _Sample:
    """Integrate over the prior by adaptive importance sampling with a mixture of all rounds.

    Prior: rms flat up to the whole width, constant flat (its density is that of both models and
    left out), ln of the air's scatter flat, kinds alike.
    """
    first, later, rounds = const.INSIDE_ROUNDS
    kinds = n_kinds, len(AIR_SKEWS)
    low, high = model.log_air_range
    log_box = -np.log(model.most_rms * (high - low) * np.prod(kinds))

    def log_prior(place: FloatArray) -> FloatArray:
        inside = (place[:, 0] >= 0) & (place[:, 0] <= model.most_rms)
        inside &= (place[:, 2] >= low) & (place[:, 2] <= high)
        inside &= model.mean - place[:, 0] ** 2 + place[:, 1] > -3.0 * model.sigma
        return np.where(inside, log_box, -np.inf)

    def width(place: FloatArray) -> FloatArray:
        return np.asarray(0.3 * place[:, 0] ** 2 + 4.0 * model.spread)

    def log_first(place: FloatArray, _: IntArray) -> FloatArray:
        away = place[:, 1] / width(place)
        return np.asarray(log_box - 0.5 * away**2 - np.log(width(place) * np.sqrt(2 * np.pi)))

    rms, offset, log_air = rng.random(first), rng.standard_normal(first), rng.random(first)
    place = np.stack([model.most_rms * rms, offset, low + (high - low) * log_air], axis=1)
    place[:, 1] *= width(place)
    kind = np.stack([rng.integers(0, n, first) for n in kinds], axis=1)
    value = likelihood(place, kind)
    proposals: list[Callable[[FloatArray, IntArray], FloatArray]] = [log_first]
    counts = [first]
    logs = [log_first(place, kind)]  # of every proposal at every place so far
    for _ in range(rounds - 1):
        weight = _log_weight(value + log_prior(place), counts, logs)
        # flatten until enough places carry it, so that no round collapses on one of them
        power = _flatten(weight)
        share = np.exp(power * (weight - weight.max()))
        share /= share.sum()
        mixture = _Mixture.of(place, kind, share, kinds)
        new_place, new_kind = mixture.draw(later, rng)
        value = np.concatenate([value, likelihood(new_place, new_kind)])
        logs = [
            np.concatenate([log, density(new_place, new_kind)])
            for log, density in zip(logs, proposals, strict=True)
        ]
        place, kind = np.concatenate([place, new_place]), np.concatenate([kind, new_kind])
        proposals.append(mixture.log_density)
        counts.append(later)
        logs.append(mixture.log_density(place, kind))
    weight = _log_weight(value + log_prior(place), counts, logs)
    peak = float(weight.max())
    evidence = peak + float(np.log(np.mean(np.exp(weight - peak))))
    return _Sample(place, kind, weight, evidence)


def _log_weight(value: FloatArray, counts: list[int], logs: list[FloatArray]) -> FloatArray:
    """Return the log weight under the mixture of all proposals."""
    share = np.log(np.array(counts) / sum(counts))
    return np.asarray(value - np.logaddexp.reduce(np.array(logs) + share[:, None], axis=0))


def _flatten(weight: FloatArray) -> float:
    """Return the power that leaves enough places that count."""
    for power in (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05, 0.02):
        share = np.exp(power * (weight - weight.max()))
        if share.sum() ** 2 / (share**2).sum() >= const.INSIDE_ENOUGH_PLACES:
            return power
    return 0.01


@dataclass(frozen=True)
class _Mixture:
    """Normals about weighted places, kinds that move to a neighbour half of the time."""

    place: FloatArray
    kind: IntArray
    share: FloatArray
    root: FloatArray
    moves: tuple[FloatArray, FloatArray]

    @classmethod
    def of(
        cls, place: FloatArray, kind: IntArray, share: FloatArray, n_kinds: tuple[int, int]
    ) -> _Mixture:
        mean = share @ place
        spread = (place - mean).T @ ((place - mean) * share[:, None])
        effective = 1.0 / float(np.sum(share**2))
        spread *= effective ** (-2.0 / 7.0)
        spread += 1e-10 * np.diag(np.diag(spread) + 1e-12)
        near = [np.exp(-np.abs(np.subtract.outer(np.arange(n), np.arange(n)))) for n in n_kinds]
        first, second = (part / part.sum(axis=1, keepdims=True) for part in near)
        root = np.asarray(np.linalg.cholesky(spread), dtype=float)
        return cls(place, kind, share, root, (first, second))

    def draw(self, n: int, rng: np.random.Generator) -> tuple[FloatArray, IntArray]:
        about = rng.choice(len(self.share), size=n, p=self.share)
        place = self.place[about] + rng.standard_normal((n, 3)) @ self.root.T
        kind = np.empty((n, 2), dtype=np.int64)
        for j, moves in enumerate(self.moves):
            edge = np.cumsum(moves[self.kind[about, j]], axis=1)
            kind[:, j] = np.minimum((edge < rng.random((n, 1))).sum(axis=1), moves.shape[0] - 1)
        return place, kind

    def log_density(self, place: FloatArray, kind: IntArray) -> FloatArray:
        kept = self.share > 0.02 / len(self.share)
        centre, about, share = self.place[kept], self.kind[kept], self.share[kept]
        whiten = np.linalg.inv(self.root).T
        white, middle = (place - centre[0]) @ whiten, (centre - centre[0]) @ whiten
        square = (white**2).sum(axis=1)[:, None] - 2.0 * white @ middle.T + (middle**2).sum(axis=1)
        log_norm = float(np.log(np.diag(self.root)).sum() + 1.5 * np.log(2 * np.pi))
        # one column of the kinds' moves for every pair of kinds there is
        first, second = self.moves
        pair = kind[:, 0] * len(second) + kind[:, 1]
        move = first[about[:, 0]][:, :, None] * second[about[:, 1]][:, None, :]
        move = move.reshape(len(about), -1)
        dense = np.sum(np.exp(-0.5 * square) * (move * share[:, None]).T[pair], axis=1)
        return np.asarray(np.log(np.maximum(dense, 1e-300)) - log_norm)
