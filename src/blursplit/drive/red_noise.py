"""Linear fits to a motion whose noise is slow air: generalised least squares with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    DRIVE_MOST_BLOCKS,
    DRIVE_N_TIMES,
    DRIVE_ROUNDS,
    DRIVE_SMALLEST_NOISE_ARCSEC,
    DRIVE_TIMES_A_DECADE,
    DRIVE_WHITE_SHARES,
)
from blursplit.types import FloatArray, IntArray


@dataclass(frozen=True)
class Blocks:
    """A series averaged over blocks of equal count."""

    time_s: FloatArray  # (block,)
    index: list[IntArray]  # which samples went into each block

    def average(self, values: FloatArray) -> FloatArray:
        """Return block means of values, shape (sample, ...) -> (block, ...)."""
        return np.stack([values[rows].mean(axis=0) for rows in self.index])


def block_series(
    time_s: FloatArray, segment: IntArray, max_blocks: int = DRIVE_MOST_BLOCKS
) -> Blocks:
    """Return blocks that do not cross segments, at most about `max_blocks` of them.

    `time_s` (sample,): in order of time. `segment` (sample,).
    """
    size = max(1, int(np.ceil(time_s.size / max_blocks)))
    index: list[IntArray] = []
    for label in np.unique(segment):
        rows = np.flatnonzero(segment == label)
        index.extend(np.array_split(rows, int(np.ceil(rows.size / size))))
    index.sort(key=lambda rows: float(time_s[rows].mean()))
    return Blocks(np.array([time_s[rows].mean() for rows in index]), index)


@dataclass(frozen=True)
class LinearFit:
    """Coefficients of a linear model on two axes, the noise's own shape averaged over."""

    mean: FloatArray  # (2, column)
    covariance: FloatArray  # (2, column, column)
    noise_rms_arcsec: FloatArray  # (2,): of the blocks
    correlation_time_s: FloatArray  # (2,): weighted geometric mean over the noise shapes tried
    # (2, block, block): of the blocks, averaged over the noise shapes tried.
    noise_covariance: FloatArray


def noise_kernels(time_s: FloatArray) -> list[tuple[float, FloatArray]]:
    """Return correlation matrices of slow noise, each with its longest correlation time.

    `time_s` (block,).

    Two families, each from half a block to the length of the run: air and currents last tens of
    seconds, but flexure and refraction wander as long as the run does. One
    exponential: flat, then falling as nu^-2, like currents in the tube or a gust. A sum of
    exponentials with strengths tau^(-1/3): flat, then nu^(-2/3), like the tilt of frozen air
    between its outer scale and the knee of the aperture.
    """
    distance = np.abs(time_s[:, None] - time_s[None, :])
    step = float(np.median(np.diff(time_s)))
    span = float(time_s[-1] - time_s[0])
    longest = max(span, 4.0 * step)
    kernels = []
    for tau in np.geomspace(0.5 * step, longest, DRIVE_N_TIMES):
        single = np.exp(-distance / tau)
        kernels.append((float(tau), single))
        if tau < 2.0 * step:
            continue
        count = 1 + int(np.ceil(DRIVE_TIMES_A_DECADE * np.log10(tau / (0.5 * step))))
        times = np.geomspace(0.5 * step, tau, count)
        strength = times ** (-1.0 / 3.0)
        mixed = np.zeros_like(distance)
        for one, weight in zip(times, strength / strength.sum(), strict=True):
            mixed += weight * np.exp(-distance / one)
        kernels.append((float(tau), mixed))
    return kernels


def fit_in_red_noise(
    time_s: FloatArray, values_arcsec: FloatArray, design: FloatArray, prior_sd: FloatArray
) -> LinearFit:
    """Return the coefficients of `design` under correlated noise of unknown shape.

    `time_s` (block,). `values_arcsec` (block, 2). `design` (block, column). `prior_sd` (2, column):
    standard deviation of each coefficient before the data, on each axis.

    Noise covariance s^2 [(1 - w) K + w 1] with K from `noise_kernels` and w, the white part, one of
    a few. Each pair is weighted by its evidence and the results are mixed, so that the interval
    carries what the run cannot know about its own noise (Gaussian-process regression,
    Rasmussen and Williams 2006, from memory).
    """
    n = time_s.size
    both = np.column_stack([values_arcsec, design])
    kernels = noise_kernels(time_s)
    trials: list[list[_AxisFit]] = []
    for _, kernel in kernels:
        # One decomposition serves every white share.
        values, vectors = np.linalg.eigh(kernel)
        turned = vectors.T @ both
        for white in DRIVE_WHITE_SHARES:
            strength = (1.0 - white) * np.maximum(values, 0.0) + white
            products = turned.T @ (turned / strength[:, None])
            log_det = float(np.log(strength).sum())
            trials.append([_fit_axis(products, k, n, log_det, prior_sd[k]) for k in range(2)])
    mixed = [_mix([axes[k] for axes in trials], kernels, n) for k in range(2)]
    return LinearFit(*(np.array(part) for part in zip(*mixed, strict=True)))


_AxisFit = tuple[float, FloatArray, FloatArray, float]


def _mix(
    fits: list[_AxisFit], kernels: list[tuple[float, FloatArray]], n: int
) -> tuple[FloatArray, FloatArray, float, float, FloatArray]:
    """Return mean, covariance, noise, correlation time and its matrix, weighted by evidence."""
    log_evidence = np.array([fit[0] for fit in fits])
    weight = np.exp(log_evidence - log_evidence.max())
    weight /= weight.sum()
    centre = np.array([fit[1] for fit in fits])
    mean = weight @ centre
    spread = centre - mean
    inner = np.einsum("t,tij->ij", weight, np.array([fit[2] for fit in fits]))
    covariance = inner + np.einsum("t,ti,tj->ij", weight, spread, spread)
    rms = np.array([fit[3] for fit in fits])
    log_tau = np.repeat(np.log([tau for tau, _ in kernels]), len(DRIVE_WHITE_SHARES))
    power = (weight * rms**2).reshape(len(kernels), len(DRIVE_WHITE_SHARES))
    white = np.array(DRIVE_WHITE_SHARES)
    noise = float((power @ white).sum()) * np.eye(n)
    for red, (_, kernel) in zip(power @ (1.0 - white), kernels, strict=True):
        noise += red * kernel
    return mean, covariance, float(weight @ rms), float(np.exp(weight @ log_tau)), noise


def _fit_axis(
    products: FloatArray, axis: int, n: int, log_det: float, prior_sd: FloatArray
) -> _AxisFit:
    """Return log evidence, mean, covariance and noise rms of one axis for one noise shape."""
    normal, right = products[2:, 2:], products[2:, axis]
    total = float(products[axis, axis])
    # Work in units of the prior, where it is the unit matrix.
    scaled, pulled = normal * np.outer(prior_sd, prior_sd), right * prior_sd
    values, vectors = np.linalg.eigh(scaled)
    values = np.maximum(values, 0.0)
    turned = vectors.T @ pulled
    variance = max(total / n, DRIVE_SMALLEST_NOISE_ARCSEC**2)
    for _ in range(DRIVE_ROUNDS):
        shrunk = turned / (values + variance)
        used = float((values / (values + variance)).sum())
        gain = turned * shrunk * (values + 2.0 * variance) / (values + variance)
        misfit = total - float(gain.sum())
        variance = max(misfit / max(n - used, 1.0), DRIVE_SMALLEST_NOISE_ARCSEC**2)
    mean = prior_sd * (vectors @ (turned / (values + variance)))
    covariance = vectors @ np.diag(variance / (values + variance)) @ vectors.T
    covariance = covariance * np.outer(prior_sd, prior_sd)
    evidence = n * np.log(variance) + log_det + float(np.log1p(values / variance).sum())
    left = total - float((turned**2 / (values + variance)).sum())
    return -0.5 * (evidence + left / variance), mean, covariance, float(np.sqrt(variance))
