"""Drift and the periods of the drive in a record: designs, and what the record holds of them.

Periods are declared as such or by the teeth of a wheel. Fits are linear, to a motion whose noise is
slow air: generalised least squares with its interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.motion import CommonMotion
from blursplit.motion.common import GridData
from blursplit.rig import Rig
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray, IntArray


def _blocks(time_s: FloatArray, segment: IntArray, most: int) -> list[IntArray]:
    """Return rows of equal count that cross no segment, in order of time; about `most` of them."""
    size = max(1, int(np.ceil(time_s.size / most)))
    index: list[IntArray] = []
    for label in np.unique(segment):
        rows = np.flatnonzero(segment == label)
        index.extend(np.array_split(rows, int(np.ceil(rows.size / size))))
    return sorted(index, key=lambda rows: float(time_s[rows].mean()))


def _averaged(blocks: list[IntArray], values: FloatArray) -> FloatArray:
    return np.stack([values[rows].mean(axis=0) for rows in blocks])


@dataclass(frozen=True)
class _LinearFit:
    """Coefficients of a linear model on two axes, the noise's own shape averaged over."""

    mean: FloatArray  # (2, column)
    covariance: FloatArray  # (2, column, column)
    # (2, block, block): of the blocks, averaged over the noise shapes tried.
    noise_covariance: FloatArray


def _noise_kernels(time_s: FloatArray) -> list[FloatArray]:
    """Return correlation matrices of slow noise.

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
    for tau in np.geomspace(0.5 * step, longest, const.DRIVE_N_TIMES):
        kernels.append(np.exp(-distance / tau))
        if tau < 2.0 * step:
            continue
        count = 1 + int(np.ceil(const.DRIVE_TIMES_A_DECADE * np.log10(tau / (0.5 * step))))
        times = np.geomspace(0.5 * step, tau, count)
        strength = times ** (-1.0 / 3.0)
        shares = strength / strength.sum()
        kernels.append(np.exp(-distance[..., None] / times) @ shares)
    return kernels


def _fit_in_red_noise(
    time_s: FloatArray, values_arcsec: FloatArray, design: FloatArray, prior_sd: FloatArray
) -> _LinearFit:
    """Return the coefficients of `design` under correlated noise of unknown shape.

    `time_s` (block,). `values_arcsec` (block, 2). `design` (block, column). `prior_sd` (2, column):
    standard deviation of each coefficient before the data, on each axis.

    Noise covariance s^2 [(1 - w) K + w 1] with K from `_noise_kernels` and w, the white part, one
    of a few. Each pair is weighted by its evidence and the results are mixed, so that the interval
    carries what the run cannot know about its own noise (Gaussian-process regression,
    Rasmussen and Williams 2006, from memory).
    """
    n = time_s.size
    both = np.column_stack([values_arcsec, design])
    kernels = _noise_kernels(time_s)
    trials: list[list[_AxisFit]] = []
    for kernel in kernels:
        # One decomposition serves every white share.
        values, vectors = np.linalg.eigh(kernel)
        turned = vectors.T @ both
        for white in const.DRIVE_WHITE_SHARES:
            strength = (1.0 - white) * np.maximum(values, 0.0) + white
            products = turned.T @ (turned / strength[:, None])
            log_det = float(np.log(strength).sum())
            trials.append([_fit_axis(products, k, n, log_det, prior_sd[k]) for k in range(2)])
    mixed = [_mix([axes[k] for axes in trials], kernels, n) for k in range(2)]
    return _LinearFit(*(np.array(part) for part in zip(*mixed, strict=True)))


_AxisFit = tuple[float, FloatArray, FloatArray, float]


def _mix(
    fits: list[_AxisFit], kernels: list[FloatArray], n: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, covariance and the noise's matrix, weighted by evidence."""
    log_evidence = np.array([fit[0] for fit in fits])
    weight = np.exp(log_evidence - log_evidence.max())
    weight /= weight.sum()
    centre = np.array([fit[1] for fit in fits])
    mean = weight @ centre
    spread = centre - mean
    inner = np.einsum("t,tij->ij", weight, np.array([fit[2] for fit in fits]))
    covariance = inner + np.einsum("t,ti,tj->ij", weight, spread, spread)
    rms = np.array([fit[3] for fit in fits])
    power = (weight * rms**2).reshape(len(kernels), len(const.DRIVE_WHITE_SHARES))
    white = np.array(const.DRIVE_WHITE_SHARES)
    noise = float((power @ white).sum()) * np.eye(n)
    for red, kernel in zip(power @ (1.0 - white), kernels, strict=True):
        noise += red * kernel
    return mean, covariance, noise


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
    variance = max(total / n, const.DRIVE_SMALLEST_NOISE_ARCSEC**2)
    for _ in range(const.DRIVE_ROUNDS):
        shrunk = turned / (values + variance)
        used = float((values / (values + variance)).sum())
        gain = turned * shrunk * (values + 2.0 * variance) / (values + variance)
        misfit = total - float(gain.sum())
        variance = max(misfit / max(n - used, 1.0), const.DRIVE_SMALLEST_NOISE_ARCSEC**2)
    mean = prior_sd * (vectors @ (turned / (values + variance)))
    covariance = vectors @ np.diag(variance / (values + variance)) @ vectors.T
    covariance = covariance * np.outer(prior_sd, prior_sd)
    evidence = n * np.log(variance) + log_det + float(np.log1p(values / variance).sum())
    left = total - float((turned**2 / (values + variance)).sum())
    return -0.5 * (evidence + left / variance), mean, covariance, float(np.sqrt(variance))


def _worm_period_s(teeth: int) -> float:
    """Return the period of a single-start worm on a wheel of the polar axis [s].

    Examples
    --------
    >>> round(worm_period_s(180), 2)
    478.69
    """
    return const.SIDEREAL_DAY_S / teeth


# --- drift and periods of a record ----------------------------------------------------------------
@dataclass(frozen=True)
class DriveTerm:
    """One period and harmonic that the record can hold: declared, or found in it."""

    name: str
    period_s: float
    harmonic: int
    turns: float
    found: bool = False

    @staticmethod
    def declared_periods(
        period_s: Sequence[float] | None, wheel_teeth: Sequence[int] | None
    ) -> list[tuple[str, float]]:
        """Return names and periods [s] of the declared drive, longest first, each only once.

        `wheel_teeth`: one period of 86164.0905 s / teeth each; one that repeats a declared period
        within 1 % is dropped.
        """
        found = [(f"drive {value:g} s", float(value)) for value in period_s or ()]
        for teeth in wheel_teeth or ():
            value = _worm_period_s(teeth)
            if all(abs(math.log(value / other)) > const.DRIVE_SAME_PERIOD for _, other in found):
                found.append((f"worm on {teeth} teeth", value))
        return sorted(found, key=lambda item: -item[1])

    @classmethod
    def of_rig(
        cls,
        rig: Rig,
        grid: GridData | None,
        length_s: float,
        found_before: tuple[DriveTerm, ...] | None,
    ) -> tuple[DriveTerm, ...]:
        """Return the declared periods as terms; without any the one that the motion shows.

        `found_before`: what an earlier part of the run has shown; nothing is looked for then.
        """
        declared = tuple(_drive_terms(rig, length_s))
        if declared or grid is None or rig.get("drive") == "off":
            return declared or found_before or ()
        if found_before is not None:
            return found_before
        found = _found_period(DriveRecord.of_grid(grid))
        return () if found is None else (found,)


def _drive_terms(rig: Rig, length_s: float) -> list[DriveTerm]:
    """Return the declared periods as terms to be fitted; none where the drive was off.

    `rig`: for `_worm_period_s`, `wheel_teeth` and `drive`. `length_s`: length of the record. Of
    periods with less than one turn in it only the curvature of the drift is fitted (harmonic 0),
    once for all of them.
    """
    if rig.get("drive") == "off":
        return []
    terms = []
    for name, period_s in DriveTerm.declared_periods(
        rig.get("worm_period_s"), rig.get("wheel_teeth")
    ):
        turns = length_s / period_s
        orders = range(1, const.DRIVE_HARMONICS + 1) if turns >= const.DRIVE_LEAST_TURNS else (0,)
        terms += [DriveTerm(name, period_s, k, turns) for k in orders]
    return sorted(terms, key=lambda term: term.harmonic == 0)


def _found_period(record: DriveRecord) -> DriveTerm | None:
    """Return the period of a swing that nobody declared, None where the record shows none.

    A drive swings the stars along one line with one period. Air, gusts and supports have no
    rhythm as slow as seconds; so what is told from slow noise of any colour, is straight, and
    goes on for more than a turn is the drive's.

    The period is that of the largest least-squares power on the longest blocks that still resolve
    it; amplitudes are tested against the record's own slow noise (`DriveRecord.read`), with the
    chance divided by the number of independent periods tried.
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import chi2

    span = float(np.ptp(record.time_s))
    shortest = max(span / const.FOUND_PERIOD_MOST_TURNS, 8.0 * record.cadence_s)
    shortest = max(const.FOUND_PERIOD_SHORTEST_S, shortest)
    longest = span / const.FOUND_PERIOD_LEAST_TURNS
    if len(record.time_s) < const.DRIVE_FEWEST_SAMPLES or shortest >= longest:
        return None
    others = record.other_columns((), None)
    blocks = _blocks(record.time_s, record.segment, const.DRIVE_BLOCKS)
    beside = _averaged(blocks, others)
    free = np.eye(len(beside)) - beside @ np.linalg.pinv(beside)
    values = free @ _averaged(blocks, record.motion_arcsec)

    def swing(period_s: float) -> FloatArray:
        phase = 2.0 * np.pi * record.time_s / period_s
        return np.stack([np.cos(phase), np.sin(phase)])

    def left(log_period: float) -> float:
        pattern = free @ _averaged(blocks, swing(float(np.exp(log_period))).T)
        return float(np.square(values - pattern @ (np.linalg.pinv(pattern) @ values)).sum())

    frequency = np.arange(1.0 / longest, 1.0 / shortest, 1.0 / (3.0 * span))
    best = -np.log(frequency[np.argmin([left(-np.log(one)) for one in frequency])])
    step = float(np.exp(best)) / (3.0 * span)
    near = minimize_scalar(left, bounds=(best - step, best + step), method="bounded")
    period = float(np.exp(near.x))
    if not shortest <= period <= longest:
        return None
    read = record.read(others, swing(period), period)
    both = zip(read.seen_arcsec.T, read.errors_arcsec2, strict=True)
    size = sum(float(seen @ np.linalg.solve(errors, seen)) for seen, errors in both)
    chance = const.FOUND_PERIOD_CHANCE / (span / shortest)
    minor, major = np.sqrt(np.linalg.eigvalsh(read.seen_arcsec.T @ read.seen_arcsec))
    if size < chi2.isf(chance, 4) or minor > const.FOUND_PERIOD_ROUNDEST * major:
        return None
    return DriveTerm(f"drive {period:.3g} s", period, 1, span / period, found=True)


# --- the record as a series for the drive ---------------------------------------------------------
@dataclass(frozen=True)
class _Readings:
    """How much of each pattern a record holds, once with the noise beside it, once as noise."""

    seen_arcsec: FloatArray  # (m, 2)
    errors_arcsec2: FloatArray  # (2, m, m): the noise being what the patterns leave
    plain_arcsec: FloatArray  # (m, 2): by ordinary least squares
    # (2, m, m): their covariance if the patterns are noise like the rest.
    as_noise_arcsec2: FloatArray


@dataclass(frozen=True)
class DriveRecord:
    """The shared motion as a series."""

    time_s: FloatArray  # (n_samples,): from the start of the record; rising
    motion_arcsec: FloatArray  # (n_samples, 2)
    segment: IntArray  # (n_samples,): parts between gaps and dithers; each has an offset of its own
    cadence_s: float
    exposure_s: float

    def read(self, others: FloatArray, patterns: FloatArray, period_s: float) -> _Readings:
        """Return how much of each pattern the motion holds, with air and currents as error.

        `others` (n_samples, n_others): columns beside the patterns, of any size. `patterns` (m,
        n_samples). `period_s`: blocks that are averaged must be short beside it.

        The noise's strength and colour are the record's own, averaged over by their evidence
        (`_fit_in_red_noise`): a fit of air and excess says less of motion as slow as the record
        is long, and records without a fit have none.
        """
        turns = float(np.ptp(self.time_s)) / period_s
        ends = const.DRIVE_BLOCKS, const.DRIVE_MOST_BLOCKS_OF_CURVE
        count = int(np.clip(const.DRIVE_BLOCKS_A_TURN * turns, *ends))
        blocks = _blocks(self.time_s, self.segment, count)
        time_s = _averaged(blocks, self.time_s)
        design = _averaged(blocks, np.concatenate([others, patterns.T], axis=1))
        values = _averaged(blocks, self.motion_arcsec)
        reach = float(np.ptp(self.motion_arcsec, axis=0).max()) + 1.0
        # Wide enough to bind nothing: a hundred times the motion's range for each column.
        widest = np.tile(100.0 * reach / np.abs(design).max(axis=0), (2, 1))
        fit = _fit_in_red_noise(time_s, values, design, widest)
        first = others.shape[1]
        alone = _fit_in_red_noise(time_s, values, design[:, :first], widest[:, :first])
        plain = np.linalg.pinv(design)[first:]
        return _Readings(
            fit.mean[:, first:].T,
            fit.covariance[:, first:, first:],
            plain @ values,
            plain @ alone.noise_covariance @ plain.T,
        )

    def draw_rate(self, terms: Sequence[DriveTerm], rng: np.random.Generator) -> FloatArray:
        """Return a thousand draws of the drift beside the terms [arcsec/s], shape (1000, 2)."""
        columns = self.other_columns(terms, None)
        rate = len(np.unique(self.segment))
        beside = np.delete(columns, rate, axis=1)
        period = min((t.period_s for t in terms), default=float(np.ptp(self.time_s)))
        found = self.read(beside, columns[:, rate][None, :], period)
        spread = np.sqrt(found.errors_arcsec2[:, 0, 0])
        return np.asarray(found.seen_arcsec[0] + spread * rng.standard_normal((1000, 2)))

    @classmethod
    def of_grid(cls, grid: GridData) -> DriveRecord:
        """Return the record of frames on a regular grid of times."""
        return cls(grid.time_s, grid.shared_arcsec, grid.number, grid.cadence_s, grid.exposure_s)

    @classmethod
    def of_tracks(
        cls, tracks: StarTracks, motion: CommonMotion, scale_arcsec: float
    ) -> DriveRecord | None:
        """Return the record of frames without a grid; None where too few of them hang together."""
        shared = motion.xy_px * scale_arcsec
        good = np.isfinite(shared).all(axis=1)
        labels, counts = np.unique(tracks.segment[good], return_counts=True)
        longest = np.argsort(-counts, kind="stable")[: const.DRIVE_MOST_SEGMENTS]
        longest = longest[counts[longest] >= const.DRIVE_LEAST_SAMPLES]
        good &= np.isin(tracks.segment, labels[longest])
        time_s, segment = tracks.time_s[good], tracks.segment[good]
        if len(time_s) < const.DRIVE_FEWEST_SAMPLES or np.any(np.diff(time_s) <= 0.0):
            return None
        cadence_s = tracks.cadence_s or float(np.median(np.diff(time_s)))
        exposure_s = tracks.exposure_s if tracks.exposure_s is not None else cadence_s
        return cls(time_s, shared[good], segment, cadence_s, exposure_s)

    def other_columns(self, terms: Sequence[DriveTerm], term: DriveTerm | None) -> FloatArray:
        """Return offsets, time and what the periods other than `term` add.

        `term`: none for all periods.

        Returns: (n_samples, n_columns): periods under a turn share one curvature, unless `term` is
        one of them.
        """
        since = self.time_s - self.time_s.mean()
        columns = [(self.segment == label).astype(float) for label in np.unique(self.segment)]
        columns.append(since)
        slow = [t.name for t in terms if t.harmonic == 0]
        if slow and (term is None or term.name not in slow):
            columns.append(since**2)
        for other in terms:
            if other.harmonic and (term is None or other.name != term.name):
                phase = 2.0 * np.pi * other.harmonic * self.time_s / other.period_s
                columns += [np.cos(phase), np.sin(phase)]
        return np.stack(columns, axis=1)

    def fitted(self, terms: Sequence[DriveTerm]) -> FloatArray:
        """Return the motion of the terms by least squares, shape (n_samples, 2) [arcsec].

        Drift itself is left out: every later step removes the straight line of each segment.
        """
        design = self.other_columns(terms, None)
        # behind an offset for each segment, and the time
        own = slice(len(np.unique(self.segment)) + 1, None)
        return np.asarray(design[:, own] @ (np.linalg.pinv(design) @ self.motion_arcsec)[own])
