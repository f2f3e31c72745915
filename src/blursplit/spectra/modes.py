"""Damped modes fitted to the two-axis periodogram by Whittle's likelihood."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np

from blursplit import constants as const
from blursplit.spectra.periodogram import FreeContinuum, Periodogram
from blursplit.types import FloatArray

_LOG_DAMPING = math.log(const.MODE_DAMPING_FLOOR), math.log(const.MODE_DAMPING_CEILING)


@dataclass(frozen=True)
class Spread:
    """Standard errors of a fitted mode: frequency, ln(damping ratio)."""

    frequency_hz: float
    log_damping: float


@dataclass(frozen=True)
class Mode:
    """A mode: frequency, damping ratio, and the covariance of its (x, y) motion.

    `spread` holds the errors where a fit to a pair on perpendicular axes has told them.
    """

    frequency_hz: float
    damping_ratio: float
    covariance: FloatArray
    spread: Spread | None = None

    def density(self, periodogram: Periodogram) -> FloatArray:
        """Return its expected periodogram, shape (m, 2, 2)."""
        shape = periodogram.mode_density(self.frequency_hz, self.damping_ratio)
        return shape[:, None, None] * self.covariance

    def contrast(self, periodogram: Periodogram, rest: FloatArray) -> float:
        """Return how far its peak stands above everything else, in its best direction."""
        peak = int(np.argmin(np.abs(periodogram.frequency_hz - self.frequency_hz)))
        own = self.density(periodogram)[peak]
        return float(np.linalg.eigvals(np.linalg.solve(rest[peak], own)).real.max())

    def realised_covariance(
        self, periodogram: Periodogram, rest: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the covariance of the mode's motion in this record, and its standard error.

        `rest` (m, 2, 2): everything but the mode.

        Returns `covariance`, `sigma` (2, 2).

        Each bin's mode amplitude given the data is Gaussian with mean S_m S^-1 d and covariance
        V = S_m - S_m S^-1 S_m; the realised power is the sum of mean^2 + V. A record holds a few
        correlation times of a lightly damped mode, so this is far better known than the variance of
        the process behind it.
        """
        shape = periodogram.mode_density(self.frequency_hz, self.damping_ratio, plain=True)
        own = np.maximum(shape, 0.0)[:, None, None] * self.covariance
        gain = own @ np.linalg.inv(own + rest)
        mean = gain @ periodogram.plain @ np.swapaxes(gain, 1, 2)
        left = own - gain @ own
        step = 1.0 / periodogram.duration_s
        # bins of stretches averaged together hold weight * (taper factor) independent values
        values = max(periodogram.weight, 1.0)
        covariance = (mean + left).sum(axis=0) * step
        mean_d, left_d = (np.diagonal(part, axis1=1, axis2=2) for part in (mean, left))
        product = mean_d[:, :, None] * left_d[:, None, :]
        cross = 2.0 * mean * left
        scatter = (product + np.swapaxes(product, 1, 2) + cross) / 2.0
        scatter = scatter + (left_d[:, :, None] * left_d[:, None, :] + left**2) / 2.0
        sigma = np.sqrt(np.maximum(scatter.sum(axis=0), 0.0) / values) * step
        return covariance, sigma

    @staticmethod
    def fit(
        periodogram: Periodogram,
        rest: FloatArray,
        starts: list[Mode],
        like: list[Mode] | None = None,
    ) -> tuple[list[Mode], float]:
        """Fit a group of neighbouring modes at once.

        `rest` (m, 2, 2): expected density of everything else: continuum and the other modes.
        `like`: modes whose window is taken, so that fits of different starts can be compared.

        Returns `modes`; `log_likelihood`: in the window.
        """
        window = _window(periodogram, like or starts)
        group = _Group(periodogram, window, rest, starts)
        first = group.packed()
        bounds = [b for start in starts for b in _bounds(start, periodogram)]
        found = _minimised(group.cost, first, bounds, 80)
        vector = found.x if found.fun <= group.cost(first)[0] else first
        return group.modes(vector), -float(group.cost(vector)[0])

    @staticmethod
    def spreads(
        periodogram: Periodogram,
        rest: FloatArray,
        modes: list[Mode],
        free: FreeContinuum | None = None,
    ) -> list[Spread]:
        """Return standard errors of neighbouring modes from the expected information.

        `rest` (m, 2, 2): everything but these modes. `modes`: as fitted. `free`: None where the
        rest is known.
        """
        group = _Group(periodogram, _window(periodogram, modes), rest, modes, free)
        vector = group.packed(floor=False)
        steps = np.tile([0.02, 0.05, 0.02, 0.02, 0.02], vector.size // 5)
        inverse = _covariance(group, vector, steps)
        sigma = np.sqrt(np.maximum(np.diag(inverse), 0.0))
        return [
            Spread(0.01 * start.frequency_hz * float(sigma[5 * k]), float(sigma[5 * k + 1]))
            for k, start in enumerate(group.starts)
        ]


def whittle(power: FloatArray, model: FloatArray, weight: float) -> float:
    """Return the log likelihood of a two-axis periodogram, up to a constant.

    `power`, `model` (m, 2, 2): measured and expected; real and symmetric. `weight`: independent
    complex values a bin.

    Whittle 1953 (Ark. Mat. 2, 423, from memory): - sum ln det S + tr(S^-1 I).
    """
    a, b, c = model[:, 0, 0], model[:, 0, 1], model[:, 1, 1]
    determinant = np.maximum(a * c - b * b, np.finfo(np.float64).tiny)
    trace = (c * power[:, 0, 0] - 2 * b * power[:, 0, 1] + a * power[:, 1, 1]) / determinant
    return float(-weight * np.sum(np.log(determinant) + trace))


def _whittle_slope(power: FloatArray, model: FloatArray, weight: float) -> tuple[float, FloatArray]:
    """Return the log likelihood and its derivative by the model's elements, shape (m, 2, 2)."""
    a, b, c = model[:, 0, 0], model[:, 0, 1], model[:, 1, 1]
    determinant = np.maximum(a * c - b * b, np.finfo(np.float64).tiny)
    inverse = np.stack([np.stack([c, -b], axis=1), np.stack([-b, a], axis=1)], axis=1)
    inverse = inverse / determinant[:, None, None]
    measured = inverse @ power
    trace = measured[:, 0, 0] + measured[:, 1, 1]
    value = -weight * float(np.sum(np.log(determinant) + trace))
    return value, np.asarray(weight * (measured @ inverse - inverse))


def _minimised(
    cost: Callable[[FloatArray], tuple[float, FloatArray]],
    first: FloatArray,
    bounds: Sequence[tuple[float | None, float | None]],
    most: int,
) -> Any:
    """Minimise a cost that comes with its gradient, in so many iterations at most."""
    from scipy.optimize import minimize

    options = {"maxiter": most, "maxfun": const.MODE_MOST_EVALUATIONS, "ftol": 1e-9}
    search: Any = minimize  # some type stubs know no cost that returns its slope as well
    return search(cost, first, jac=True, method="L-BFGS-B", bounds=bounds, options=options)


def _against(
    periodogram: Periodogram, window: slice, rest: FloatArray, modes: list[Mode]
) -> tuple[float, FloatArray, list[FloatArray]]:
    """Return log likelihood of modes and rest, its slope by the model, and the modes' densities."""
    shapes = [
        periodogram.mode_density_slopes(mode.frequency_hz, mode.damping_ratio)[:, window]
        for mode in modes
    ]
    model = rest[window].copy()
    for mode, shape in zip(modes, shapes, strict=True):
        model = model + shape[0][:, None, None] * mode.covariance
    return *_whittle_slope(periodogram.power[window], model, periodogram.weight), shapes


@dataclass(frozen=True)
class Pair:
    """Two modes on perpendicular axes with one damping ratio, as a round pipe has them.

    One number more than a single mode: the split. Parameters of a vector: ln of the mean frequency
    over the start's (in hundredths), split of ln frequency (in hundredths), ln damping ratio,
    direction of the upper mode [rad], ln of both rms.
    """

    periodogram: Periodogram
    rest: FloatArray  # (m, 2, 2): expected density of everything else
    start: Mode  # the single mode fitted to both; its window is looked at
    free: FreeContinuum | None = None  # None: the rest is known

    @cached_property
    def window(self) -> slice:
        """Bins that are looked at."""
        return _window(self.periodogram, [self.start])

    def modes(self, vector: FloatArray) -> list[Mode]:
        """Return the upper and the lower mode."""
        middle, split, log_damping, angle, *sizes = vector.tolist()
        unit = np.array([np.cos(angle), np.sin(angle)])
        across = np.array([-unit[1], unit[0]])
        return [
            Mode(
                float(self.start.frequency_hz * np.exp(0.01 * (middle + half * split))),
                float(np.exp(log_damping)),
                np.exp(2.0 * size) * np.outer(axis, axis),
            )
            for half, size, axis in ((0.5, sizes[0], unit), (-0.5, sizes[1], across))
        ]

    def cost(self, vector: FloatArray) -> tuple[float, FloatArray]:
        """Return minus the log likelihood in the start's window, and its gradient."""
        modes = self.modes(vector)
        value, slope, shapes = _against(self.periodogram, self.window, self.rest, modes)
        upper, lower = (np.einsum("mij,ij->m", slope, mode.covariance) for mode in modes)
        by_hz = 0.01 * upper @ shapes[0][1], 0.01 * lower @ shapes[1][1]
        cos, sin = np.cos(vector[3]), np.sin(vector[3])
        turned = np.array([[-2.0 * sin * cos, cos**2 - sin**2], [cos**2 - sin**2, 2.0 * sin * cos]])
        sizes = [float(np.trace(mode.covariance)) for mode in modes]
        turn = np.einsum("mij,ij->m", slope, turned) @ (
            sizes[0] * shapes[0][0] - sizes[1] * shapes[1][0]
        )
        gradient = [
            by_hz[0] + by_hz[1],
            0.5 * (by_hz[0] - by_hz[1]),
            upper @ shapes[0][2] + lower @ shapes[1][2],
            turn,
            2.0 * upper @ shapes[0][0],
            2.0 * lower @ shapes[1][0],
        ]
        return -value, -np.array(gradient)

    def fit(self, split: float | None = None) -> tuple[FloatArray, float, FloatArray]:
        """Return the best vector, twice the gain over no split, and the vector's covariance.

        `split` is where to start, in hundredths of the frequency.
        """
        values, vectors = np.linalg.eigh(self.start.covariance)
        angle = float(np.arctan2(vectors[1, 1], vectors[0, 1]))
        sizes = 0.5 * np.log(np.maximum(values[::-1], 1e-6 * values[1]))
        width = 100.0 * self.start.damping_ratio
        begin = 0.7 * width if split is None else split
        bounds = [(-3.0 * width, 3.0 * width), (-6.0 * max(width, begin), 6.0 * max(width, begin))]
        bounds += [_LOG_DAMPING, (-10.0, 10.0), *((size - 4.0, size + 4.0) for size in sizes)]

        def best(split: float, turn: float, *, fixed: bool = False) -> Any:
            first = np.array([0.0, split, np.log(self.start.damping_ratio), angle + turn, *sizes])
            ends = [(0.0, 0.0) if fixed and k == 1 else end for k, end in enumerate(bounds)]
            return _minimised(self.cost, first, ends, 60)

        single = best(0.0, 0.0, fixed=True)
        turns = np.pi / 4.0 * np.arange(4)
        pairs = [best(begin, turn) for turn in turns.tolist()]
        found = min(pairs, key=lambda pair: pair.fun)
        gain = 2.0 * max(float(single.fun - found.fun), 0.0)
        return found.x, gain, self.covariance(found.x)

    def refit(self, vector: FloatArray) -> FloatArray:
        """Return the best vector near one that was best beside another continuum."""
        ends: list[tuple[float | None, float | None]] = [(None, None)] * vector.size
        ends[2] = _LOG_DAMPING
        return np.asarray(_minimised(self.cost, vector, ends, 30).x)

    def covariance(self, vector: FloatArray) -> FloatArray:
        """Return the covariance of a fitted vector, from the expected information."""
        return _covariance(self, vector, np.array([0.02, 0.02, 0.05, 0.02, 0.02, 0.02]))

    def parted(self, vector: FloatArray) -> list[Mode]:
        """Return the modes of a fit with their standard errors."""
        out, covariance = [], self.covariance(vector)
        for half, mode in zip((0.5, -0.5), self.modes(vector), strict=True):
            lever = np.array([1.0, half])
            sigma_hz = 0.01 * mode.frequency_hz * np.sqrt(lever @ covariance[:2, :2] @ lever)
            spread = Spread(float(sigma_hz), float(np.sqrt(covariance[2, 2])))
            out.append(replace(mode, spread=spread))
        return out

    def one_for_two(self, vector: FloatArray, covariance: FloatArray) -> Mode:
        """Return one mode for both, whose interval reaches to either where a split shows.

        Without: as the fit of one mode has it. With: the middle, plus or minus half of the split
        and somewhat more than the middle's error, for the split itself is uncertain, and the
        damping ratio of the pair: one peak for two is broader.
        """
        split, sigma = abs(float(vector[1])), float(np.sqrt(covariance[1, 1]))
        if split < const.MODE_SPLIT_SHOWS * sigma:
            return self.start
        middle = self.start.frequency_hz * float(np.exp(0.01 * vector[0]))
        beyond = const.MODE_SPLIT_REACH * float(np.sqrt(covariance[0, 0]))
        reach = 0.01 * middle * (split / 2.0 + beyond)
        return replace(
            self.start,
            frequency_hz=middle,
            damping_ratio=float(np.exp(vector[2])),
            spread=Spread(reach, float(np.sqrt(covariance[2, 2]))),
        )


def _covariance(fit: Pair | _Group, vector: FloatArray, steps: FloatArray) -> FloatArray:
    """Return the inverse of the expected information, less what the continuum takes of it.

    The curvature of this record would do as well, but not beside what is expected of the continuum:
    where that takes nearly all, their difference is of any sign. Flat directions get a wide but
    finite error.
    """

    def model(vector: FloatArray) -> FloatArray:
        return sum((mode.density(fit.periodogram) for mode in fit.modes(vector)), fit.rest)

    sides = np.diag(steps)
    slopes = np.array([model(vector + side) - model(vector - side) for side in sides])
    slopes = slopes[:, fit.window] / (2.0 * steps[:, None, None, None])
    whole = model(vector)
    scaled = np.linalg.inv(whole[fit.window]) @ slopes
    information = fit.periodogram.weight * np.einsum("amij,bmji->ab", scaled, scaled)
    if fit.free is not None:
        information = information - fit.free.taken(fit.periodogram, whole, slopes, fit.window)
    values, vectors = np.linalg.eigh((information + information.T) / 2.0)
    return np.asarray((vectors / np.maximum(values, 0.02)) @ vectors.T)


@dataclass(frozen=True)
class _Group:
    """Neighbouring modes in their window: the cost of a parameter vector and its gradient.

    Five numbers a mode: ln frequency (in hundredths), ln damping ratio, and the lower triangle
    of the covariance's root.
    """

    periodogram: Periodogram
    window: slice
    rest: FloatArray  # (m, 2, 2): expected density of everything else
    starts: list[Mode]
    free: FreeContinuum | None = None  # None: the rest is known

    @property
    def scales(self) -> list[float]:
        """Variance that each mode starts with: the unit of its covariance."""
        return [max(float(np.trace(start.covariance)), 1e-30) for start in self.starts]

    def packed(self, *, floor: bool = True) -> FloatArray:
        """Return the vector that stands for the starts, where wanted no narrower than resolved."""
        parts = []
        for start, scale in zip(self.starts, self.scales, strict=True):
            factor = np.linalg.cholesky(start.covariance / scale + 1e-6 * np.eye(2))
            zeta = start.damping_ratio
            if floor:  # a start narrower than the record resolves has no slope to follow
                duration_s = self.periodogram.duration_s
                zeta = max(zeta, 0.3 / (np.pi * start.frequency_hz * duration_s))
            parts.append([0.0, np.log(zeta), factor[0, 0], factor[1, 0], factor[1, 1]])
        return np.concatenate(parts)

    def modes(self, vector: FloatArray) -> list[Mode]:
        """Return the modes that a vector stands for."""
        modes = []
        for k, (start, scale) in enumerate(zip(self.starts, self.scales, strict=True)):
            log_hz, log_damping, *root = vector[5 * k : 5 * k + 5].tolist()
            factor = np.array([[root[0], 0.0], [root[1], root[2]]])
            frequency = start.frequency_hz * math.exp(0.01 * log_hz)
            modes.append(Mode(frequency, math.exp(log_damping), scale * factor @ factor.T))
        return modes

    def cost(self, vector: FloatArray) -> tuple[float, FloatArray]:
        """Return minus the log likelihood and its gradient."""
        modes = self.modes(vector)
        value, slope, shapes = _against(self.periodogram, self.window, self.rest, modes)
        gradient = []
        for k, (mode, shape) in enumerate(zip(modes, shapes, strict=True)):
            along = np.einsum("mij,ij->m", slope, mode.covariance)
            root = np.array([[vector[5 * k + 2], 0.0], [vector[5 * k + 3], vector[5 * k + 4]]])
            pull = 2.0 * self.scales[k] * np.einsum("m,mij->ij", shape[0], slope) @ root
            gradient += [0.01 * along @ shape[1], along @ shape[2]]
            gradient += [pull[0, 0], pull[1, 0], pull[1, 1]]
        return -value, -np.array(gradient)


def _damping_profile(
    periodogram: Periodogram, rest: FloatArray, mode: Mode, grid: FloatArray
) -> FloatArray:
    """Return the log likelihood at each damping ratio, amplitude refitted each time.

    `rest` (m, 2, 2). `grid` (g,): damping ratios.
    """
    from scipy.optimize import minimize_scalar

    window = _window(periodogram, [mode])
    power, other = periodogram.power[window], rest[window]
    values = []
    for zeta in grid:
        shape = periodogram.mode_density(mode.frequency_hz, float(zeta))[window]
        unit = shape[:, None, None] * mode.covariance

        def cost(log_scale: float, unit: FloatArray = unit) -> float:
            return -whittle(power, other + np.exp(log_scale) * unit, periodogram.weight)

        values.append(-minimize_scalar(cost, bounds=(-3, 3), method="bounded").fun)
    return np.asarray(values)


def _direction_sigma_deg(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> float:
    """Return the error of the mode's direction [deg], large where it is round, by the curvature.

    `rest` (m, 2, 2): everything but the mode.
    """
    window = _window(periodogram, [mode])
    shape = periodogram.mode_density(mode.frequency_hz, mode.damping_ratio)[window]
    step = np.deg2rad(2.0)
    values = []
    for angle in (-step, 0.0, step):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        model = rest[window] + shape[:, None, None] * (turn @ mode.covariance @ turn.T)
        values.append(whittle(periodogram.power[window], model, periodogram.weight))
    curvature = -(values[0] - 2.0 * values[1] + values[2]) / step**2
    return float(np.rad2deg(1.0 / np.sqrt(max(curvature, 0.1))))


def _window(periodogram: Periodogram, modes: list[Mode]) -> slice:
    """Bins that say something about these modes: twenty widths around them."""
    low, high = np.inf, 0.0
    for mode in modes:
        reach = max(40.0 * mode.damping_ratio * mode.frequency_hz, 20.0 / periodogram.duration_s)
        reach = min(reach, 0.5 * mode.frequency_hz)
        low = min(low, mode.frequency_hz - reach)
        high = max(high, mode.frequency_hz + reach)
    first, last = np.searchsorted(periodogram.frequency_hz, [low, high])
    size = periodogram.frequency_hz.size
    return slice(max(1, min(int(first), size - 20)), min(int(last) + 1, size))


def _bounds(start: Mode, periodogram: Periodogram) -> list[tuple[float, float]]:
    width = max(start.damping_ratio, 2.0 / (periodogram.duration_s * start.frequency_hz))
    reach = 100.0 * min(3.0 * width, 0.2)
    return [(-reach, reach), _LOG_DAMPING, *[(-8.0, 8.0)] * 3]


@dataclass(frozen=True)
class LineFit:
    """A line or resonance of the motion."""

    # `frequency_hz`, `frequency_sigma`: apparent frequency (below Nyquist), its standard error.
    frequency_hz: float
    frequency_sigma: float
    damping_ratio: float | None  # none for a steady line
    # `damping_low`, `damping_high`: 68 % interval; of a steady line 0 and the 95 % upper limit.
    damping_low: float
    damping_high: float
    kind: Literal["steady", "resonance"]  # steady: no wider than the record resolves
    # `covariance`, `covariance_sigma`: (2, 2): of the line's (x, y) motion in this record [unit^2],
    # and standard errors; exposure averaging is not undone.
    covariance: FloatArray
    covariance_sigma: FloatArray
    # `angle_deg`, `angle_sigma_deg`: of the larger motion, axial, [0, 180) from +x toward +y.
    angle_deg: float
    angle_sigma_deg: float
    axis_ratio: float  # smaller over larger rms
    false_alarm_probability: float  # over all frequencies, widths and directions searched
    # (low, high): half of the mode's power or more lies inside: two widths either side.
    band_hz: tuple[float, float]
    # (m, 2, 2): its density at the frequencies of the search [unit^2/Hz], as the tapers show it.
    psd_model: FloatArray
    bin_hz: float  # step of these frequencies, which start at one step

    @property
    def rms(self) -> float:
        """Root of the summed variance of both axes."""
        return float(np.sqrt(max(np.trace(self.covariance), 0.0)))

    @property
    def rms_sigma(self) -> float:
        """Standard error of `rms`, the axes' errors taken as independent."""
        spread = float(np.hypot(self.covariance_sigma[0, 0], self.covariance_sigma[1, 1]))
        return spread / max(2.0 * self.rms, 1e-30)

    @property
    def damping_sigma(self) -> float | None:
        """Half the 68 % interval of the damping ratio, None for a steady line."""
        if self.damping_ratio is None:
            return None
        return (self.damping_high - self.damping_low) / 2.0

    @classmethod
    def of(
        cls, periodogram: Periodogram, rest: FloatArray, mode: Mode, spread: Spread, chance: float
    ) -> LineFit:
        """Return the line that a fitted mode is, with intervals.

        `rest` (m, 2, 2): expected density of everything else. `chance`: false-alarm probability.
        """
        frequency_sigma = spread.frequency_hz
        mode, low, high, kind = _damping(periodogram, rest, mode, spread)
        covariance, sigma = mode.realised_covariance(periodogram, rest)
        sigma = np.hypot(sigma, _continuum_doubt(periodogram, rest, mode))
        sigma = np.hypot(sigma, _damping_doubt(periodogram, rest, mode, low, high, spread))
        angle, angle_sigma, ratio = cls.axes(covariance, sigma)
        # a doubt of the size alone turns no axis
        size = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
        sigma = np.hypot(sigma, 2.0 * _size_doubt(periodogram, rest, mode) * size)
        angle_sigma = float(np.hypot(angle_sigma, _direction_sigma_deg(periodogram, rest, mode)))
        resolution = 2.0 / periodogram.duration_s
        width = 2.0 * mode.damping_ratio * mode.frequency_hz
        reach = max(2.0 * width, resolution)
        return cls(
            mode.frequency_hz,
            max(frequency_sigma, 1e-3 / periodogram.duration_s),
            None if kind == "steady" else mode.damping_ratio,
            low,
            high,
            kind,
            covariance,
            sigma,
            angle,
            min(angle_sigma, const.UNKNOWN_DIRECTION_DEG),
            ratio,
            chance,
            (mode.frequency_hz - reach, mode.frequency_hz + reach),
            mode.density(periodogram),
            1.0 / periodogram.duration_s,
        )

    @staticmethod
    def axes(covariance: FloatArray, sigma: FloatArray) -> tuple[float, float, float]:
        """Return direction [deg], its standard error [deg] and axis ratio of a motion covariance.

        `covariance`, `sigma` (2, 2).

        The direction is that of the larger axis, [0, 180) from +x toward +y; its error is at most
        52, the scatter of a direction that is not known at all (180/sqrt(12)).
        """
        values, vectors = np.linalg.eigh(covariance)
        angle = float(np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
        # d(angle) = (-sin 2a d(xx - yy)/2 + cos 2a d(xy)) / (difference of the eigenvalues)
        twice = 2.0 * np.deg2rad(angle)
        difference = float(np.hypot(sigma[0, 0], sigma[1, 1])) / 2.0
        across = float(np.hypot(np.sin(twice) * difference, np.cos(twice) * sigma[0, 1]))
        doubt = np.rad2deg(across / max(float(values[1] - values[0]), 1e-300))
        ratio = np.sqrt(max(values[0], 0.0) / max(values[1], 1e-300))
        return angle % 180.0, float(min(doubt, const.UNKNOWN_DIRECTION_DEG)), float(ratio)


def _damping(
    periodogram: Periodogram, rest: FloatArray, mode: Mode, spread: Spread
) -> tuple[Mode, float, float, Literal["steady", "resonance"]]:
    """Return the mode, its damping interval and whether damping is needed at all."""
    narrow = max(
        const.MODE_DAMPING_FLOOR, 0.02 / (np.pi * mode.frequency_hz * periodogram.duration_s)
    )
    grid = np.geomspace(narrow, const.MODE_DAMPING_CEILING, 41)
    profile = _damping_profile(periodogram, rest, mode, grid)
    drop = 2.0 * (profile.max() - profile)
    if drop[0] < const.MODE_STEADY_GAIN:
        upper = float(grid[np.flatnonzero(drop <= const.MODE_STEADY_GAIN)[-1]])
        return Mode(mode.frequency_hz, narrow, mode.covariance), 0.0, upper, "steady"
    # the error of ln(damping ratio) goes as its root's inverse: that of the root is even
    reach = 0.5 * min(spread.log_damping, 1.0)
    low, high = (mode.damping_ratio * (1.0 + side) ** 2 for side in (-reach, reach))
    return mode, low, high, "resonance"


def _damping_doubt(
    periodogram: Periodogram, rest: FloatArray, mode: Mode, low: float, high: float, spread: Spread
) -> FloatArray:
    """Return how much the covariance moves when width and amplitude move within their errors.

    A wider mode claims more of the continuum under its wings.
    """
    ends = []
    for zeta in (max(low, mode.damping_ratio * np.exp(-spread.log_damping), 1e-6), high):
        other = Mode(mode.frequency_hz, float(min(zeta, 0.3)), mode.covariance)
        ends.append(other.realised_covariance(periodogram, rest)[0])
    return np.asarray(np.abs(ends[1] - ends[0]) / 2.0)


def _size_doubt(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> float:
    """Return the relative error of the rms that mode and continuum trade between them."""
    contrast = mode.contrast(periodogram, rest)
    # 1 for a mode whose peak stands low over the continuum, less for a clear one
    weakness = min(1.0, float(np.sqrt(const.MODE_SIZE_DOUBT_CONTRAST / max(contrast, 1e-9))))
    return weakness * (const.MODE_SIZE_DOUBT + const.MODE_SIZE_DOUBT_DAMPING * mode.damping_ratio)


def _continuum_doubt(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> FloatArray:
    """Return the error of the covariance from not knowing the continuum under the line.

    Half an octave of continuum holds about half the frequency times the length in independent
    values; its mean is known to one over the root of that, and lies under one line width.
    """
    values = max(0.5 * mode.frequency_hz * periodogram.duration_s, 4.0)
    width = max(np.pi * mode.damping_ratio * mode.frequency_hz, 1.0 / periodogram.duration_s)
    nearest = int(np.argmin(np.abs(periodogram.frequency_hz - mode.frequency_hz)))
    diagonal = np.diag(rest[nearest])
    level = np.sqrt(np.outer(diagonal, diagonal))
    return np.asarray(level * width / np.sqrt(values))
