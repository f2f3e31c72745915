"""A periodic error of known period and its phase curve, from a turn of the record or from less."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.drive.terms import DriveRecord, DriveTerm, other_columns
from blursplit.estimate import Estimate, axial_estimate, estimate, upper_limit
from blursplit.result import PhaseCurve
from blursplit.types import FloatArray, IntArray

PHASES = np.arange(240) / 240.0


@dataclass(frozen=True)
class _PeriodView:
    """What a record can see of a periodic error beside offsets, drift and other terms."""

    # (m, n_samples): orthonormal rows that offsets, drift and other terms cannot make.
    weights: FloatArray
    # (m, 2 n_harmonics): their reading for a cosine and sine of 1 arcsec of each harmonic in turn.
    response: FloatArray


@dataclass(frozen=True)
class _PeriodicError:
    """Draws of a periodic error."""

    # (n, 2 n_harmonics, 2): cosine and sine of each harmonic in turn, along x and y; phase 0 at
    # time 0.
    draws_arcsec: FloatArray

    def angles_deg(self) -> FloatArray:
        """Return the direction of each draw's larger axis, axial, shape (n,)."""
        shape = np.einsum("nki,nkj->nij", self.draws_arcsec, self.draws_arcsec)
        twice = np.arctan2(2.0 * shape[:, 0, 1], shape[:, 0, 0] - shape[:, 1, 1])
        return np.asarray(np.degrees(twice) / 2.0 % 180.0)

    def along(self, angle_deg: float) -> FloatArray:
        """Return the coefficients along a direction, shape (n, 2 n_harmonics)."""
        turn = math.radians(angle_deg)
        return np.asarray(self.draws_arcsec @ np.array([math.cos(turn), math.sin(turn)]))

    def peak_to_peak_arcsec(self, angle_deg: float) -> FloatArray:
        """Return the span of each draw's curve over a whole turn, shape (n,)."""
        coefficients = self.along(angle_deg)
        waves = harmonic_columns(PHASES, 1.0, coefficients.shape[1] // 2)
        return np.asarray(np.ptp(coefficients @ waves.T, axis=1))


def harmonic_columns(
    time_s: FloatArray, period_s: float, harmonics: int, exposure_s: float = 0.0
) -> FloatArray:
    """Return cosine and sine of each harmonic, shape (n_samples, 2 harmonics).

    `time_s` (n_samples,): middle of each exposure. `exposure_s`: a motion of frequency f, averaged
    over it, keeps sinc(f exposure).
    """
    columns = []
    for k in range(1, harmonics + 1):
        kept = np.sinc(k * exposure_s / period_s)
        phase = 2.0 * np.pi * k * time_s / period_s
        columns += [kept * np.cos(phase), kept * np.sin(phase)]
    return np.stack(columns, axis=1).astype(np.float64)


def harmonics_within(period_s: float, cadence_s: float) -> int:
    """Return how many harmonics, three at most, lie below half the frame rate."""
    return int(min(const.DRIVE_HARMONICS, np.ceil(period_s / (2.0 * cadence_s)) - 1))


def view_period(own: FloatArray, others: FloatArray) -> _PeriodView:
    """Return what of the periodic columns is left beside the others.

    `own` (n_samples, 2 n_harmonics). `others` (n_samples, n_others): offsets, drift and the columns
    of other terms.
    """
    left = own - others @ (np.linalg.pinv(others) @ own)
    patterns, strength, mixing = np.linalg.svd(left, full_matrices=False)
    kept = strength > const.DRIVE_LEAST_PATTERN * math.sqrt(0.5 * len(own))
    return _PeriodView(
        np.asarray(patterns[:, kept].T), np.asarray(strength[kept, None] * mixing[kept])
    )


@dataclass(frozen=True)
class _Prior:
    """What is thought of the error before the data, on a grid."""

    sizes: FloatArray  # (n_sizes,)
    log_width: FloatArray  # (n_angles,): of each direction's share of the half turn
    axis: FloatArray  # (n_angles, n_kinds, 2, 2)
    sigmas: FloatArray  # (n_kinds, 2 n_harmonics): a kind is a smoothness and a share across
    # (n_angles, n_kinds, 2 m, 2 m): covariance of the readings under an error of 1 arcsec.
    shape: FloatArray


def _prior(seen_arcsec: FloatArray, response: FloatArray, angle_deg: float | None) -> _Prior:
    angles, width = np.array([math.radians(angle_deg or 0.0)]), np.ones(1)
    if angle_deg is None:
        angles, width = _directions(seen_arcsec)
    along = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    both = np.einsum("ti,tj->tij", along, along)
    axis = np.stack(
        [both + share**2 * (np.eye(2) - both) for share in const.DRIVE_ACROSS_SHARES], axis=1
    )
    axis = np.tile(axis, (1, len(const.DRIVE_SMOOTHNESS), 1, 1))
    order = np.repeat(np.arange(1, response.shape[1] // 2 + 1), 2)
    sigmas = np.stack([1.0 / order**power for power in const.DRIVE_SMOOTHNESS])
    sigmas = np.repeat(sigmas, len(const.DRIVE_ACROSS_SHARES), axis=0)
    inner = np.einsum("ak,pk,bk->pab", response, sigmas**2, response)
    m = 2 * len(response)
    shape = np.einsum("tpij,pab->tpiajb", axis, inner).reshape(*axis.shape[:2], m, m)
    return _Prior(
        np.geomspace(*const.DRIVE_SIZES_ARCSEC, const.DRIVE_N_SIZES),
        np.log(width),
        axis,
        sigmas,
        shape,
    )


def _directions(seen_arcsec: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return directions [rad], closer together about the readings' own, and their shares."""
    both = seen_arcsec.T @ seen_arcsec
    own = 0.5 * math.atan2(2.0 * both[0, 1], both[0, 0] - both[1, 1])
    fine = np.radians(
        np.geomspace(const.DRIVE_FINEST_DEG, 90.0 / const.DRIVE_N_ANGLES, const.DRIVE_N_FINE)
    )
    even = np.pi * np.arange(1, const.DRIVE_N_ANGLES) / const.DRIVE_N_ANGLES
    offset = np.sort(np.concatenate([-fine, [0.0], fine, even]))
    ends = np.append(offset, offset[0] + np.pi)
    width = 0.5 * (np.diff(ends) + np.roll(np.diff(ends), 1))
    return own + offset, width / np.pi


def _both_axes(errors_arcsec2: FloatArray) -> FloatArray:
    m = errors_arcsec2.shape[1]
    base = np.zeros((2 * m, 2 * m))
    base[:m, :m], base[m:, m:] = errors_arcsec2
    return base


def likelihood_gain(
    seen_arcsec: FloatArray,
    errors_arcsec2: FloatArray,
    response: FloatArray,
    angle_deg: float | None = None,
) -> float:
    """Return twice the logarithm of the likelihood ratio of the best error against none.

    `seen_arcsec` (m, 2). `errors_arcsec2` (2, m, m): covariance of the readings if there is no
    error. `response` (m, 2 n_harmonics).

    Above `constants.DRIVE_SHOWN_GAIN` the error counts as shown.
    """
    base, reading = _both_axes(errors_arcsec2), seen_arcsec.T.ravel()
    prior = _prior(seen_arcsec, response, angle_deg)
    best = _log_likelihoods(reading, base, prior.shape, prior.sizes).max()
    return 2.0 * float(best - _log_likelihood(reading, base))


def draw_periodic_error(
    seen_arcsec: FloatArray,
    errors_arcsec2: FloatArray,
    response: FloatArray,
    rng: np.random.Generator,
    *,
    angle_deg: float | None = None,
    n_draws: int = 1200,
    for_limit: bool = False,
) -> _PeriodicError:
    """Draw a periodic error from what the record's view of it reads.

    `seen_arcsec` (m, 2): readings along x and y. `errors_arcsec2` (2, m, m): covariance of the
    readings on each axis. `response` (m, 2 n_harmonics). `angle_deg`: direction of the error where
    it is known, from +x toward +y. `for_limit`: take all sizes as equally likely, not their
    logarithms, and the error as nearly a sine, which hides best beside a straight line.

    Gaussian prior: cosine and sine of harmonic k have the standard deviation A/k^p along the
    error's direction and a share of it across; A is flat in the logarithm, the direction flat in
    angle, p and the share one of a few (common practice, no source).
    Given these, the posterior is Gaussian and is drawn exactly; their own posterior comes from a
    grid. Where the record determines the coefficients the prior does not matter; under one turn
    it says what may hide in the part that a straight line can follow. A pure sine of which only
    the bend b is seen has a phase that may be anything: its amplitude is b over the cosine of any
    angle.
    """
    base, reading = _both_axes(errors_arcsec2), seen_arcsec.T.ravel()
    prior = _prior(seen_arcsec, response, angle_deg)
    log_like = _log_likelihoods(reading, base, prior.shape, prior.sizes)
    log_like += prior.log_width[:, None, None]
    if for_limit:
        log_like[:, : -len(const.DRIVE_ACROSS_SHARES)] = -np.inf
        log_like += np.log(prior.sizes)
    weight = np.exp(log_like - log_like.max()).ravel()
    choices = rng.choice(weight.size, size=n_draws, p=weight / weight.sum())
    noise = rng.multivariate_normal(np.zeros(len(base)), base, size=n_draws)
    roots = np.linalg.cholesky(prior.axis)
    draws = []
    for number, choice in enumerate(choices):
        t, p, s = np.unravel_index(choice, log_like.shape)
        size, sigmas = prior.sizes[s], prior.sigmas[p]
        # A sample of the prior, corrected by what its reading misses, is one of the posterior.
        drawn = size * sigmas[:, None] * (rng.standard_normal((len(sigmas), 2)) @ roots[t, p].T)
        miss = reading - (response @ drawn).T.ravel() - noise[number]
        pull = np.linalg.solve(base + size**2 * prior.shape[t, p], miss).reshape(2, -1)
        draws.append(drawn + size**2 * (prior.axis[t, p] @ pull @ (response * sigmas**2)).T)
    return _PeriodicError(np.array(draws))


def _log_likelihoods(
    reading: FloatArray, base: FloatArray, shape: FloatArray, sizes: FloatArray
) -> FloatArray:
    """Return the log likelihood for each direction, kind and size.

    In the frame where the noise is the unit matrix and the error's covariance is diagonal, a
    size costs nothing.
    """
    root = np.linalg.cholesky(base)
    white = np.linalg.solve(root, np.swapaxes(np.linalg.solve(root, shape), -1, -2))
    values, vectors = np.linalg.eigh(white)
    turned = np.einsum("tpij,i->tpj", vectors, np.linalg.solve(root, reading))
    variance = 1.0 + np.maximum(values, 0.0)[:, :, None, :] * sizes[:, None] ** 2
    squares = turned[:, :, None, :] ** 2 / variance
    constant = -np.log(np.diag(root)).sum()
    return np.asarray(constant - 0.5 * (np.log(variance) + squares).sum(axis=-1))


def _log_likelihood(reading: FloatArray, base: FloatArray) -> float:
    """Return the log likelihood of noise alone."""
    root = np.linalg.cholesky(base)
    white = np.linalg.solve(root, reading)
    return float(-np.log(np.diag(root)).sum() - 0.5 * white @ white)


# --- a record folded on the phase of a period ---------------------------------------------------
def phase_bins(time_s: FloatArray, period_s: float) -> IntArray:
    """Return the bin of phase of each time, shape (n_samples,)."""
    bins = (np.mod(time_s / period_s, 1.0) * const.DRIVE_PHASE_BINS).astype(np.int64)
    return np.minimum(bins, const.DRIVE_PHASE_BINS - 1)


def bin_means(values: FloatArray, index: IntArray) -> FloatArray:
    """Return the mean of values (n_samples, ...) in each bin, shape (bins, ...); NaN if empty."""
    out = np.full((const.DRIVE_PHASE_BINS, *values.shape[1:]), np.nan)
    for k in np.unique(index):
        out[k] = values[index == k].mean(axis=0)
    return out


def bin_errors(
    misfit: FloatArray, time_s: FloatArray, index: IntArray, cadence_s: float
) -> FloatArray:
    """Return the standard error of each bin's mean, shape (bins,); NaN where it is empty.

    `misfit` (n_samples,): what a fit leaves of the series: its own noise, air and vibration.
    `time_s` (n_samples,). `index` (n_samples,): bin of each sample. `cadence_s`: lost frames count
    as places without a sample.

    Neighbouring samples move together, so that the scatter over the root of their number is far
    too small. With a the misfit's autocovariance and w the weights of a mean, the variance is
    the sum of w_i w_j a_|i-j|, evaluated as the misfit's periodogram times |W|^2 (Wiener and
    Khinchin), which is never negative.
    """
    from scipy.fft import fft, next_fast_len

    place = np.rint((time_s - time_s.min()) / cadence_s).astype(np.int64)
    length = next_fast_len(2 * (int(place.max()) + 1))
    # uneven times may share a place
    power = np.abs(fft(np.bincount(place, misfit, length))) ** 2 / len(misfit)
    out = np.full(const.DRIVE_PHASE_BINS, np.nan)
    for k in np.unique(index):
        chosen = place[index == k]
        weights = np.bincount(chosen, minlength=length) / len(chosen)
        out[k] = np.sqrt(np.sum(power * np.abs(fft(weights)) ** 2) / length)
    return out


# --- the phase curve ------------------------------------------------------------------------------
@dataclass(frozen=True)
class DriveCurve:
    """One period's curve as it goes into the result, and the draws behind it."""

    record: PhaseCurve
    error: _PeriodicError
    gain: float

    @property
    def is_shown(self) -> bool:
        """Whether no error at all is excluded."""
        return self.gain > const.DRIVE_SHOWN_GAIN


def drive_curves(
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    rng: np.random.Generator,
    angle_deg: float | None = None,
) -> list[DriveCurve]:
    """Return the curve of each declared period.

    `angle_deg`: direction of the drive in the image, where it is known.
    """
    first = {term.name: term for term in reversed(terms)}
    shown = [term for term in terms if first[term.name] is term]
    curves = [_one_curve(record, terms, term, rng, angle_deg) for term in shown]
    return [curve for curve in curves if curve is not None]


def _one_curve(
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    term: DriveTerm,
    rng: np.random.Generator,
    angle_deg: float | None,
) -> DriveCurve | None:
    harmonics = harmonics_within(term.period_s, record.cadence_s)
    if harmonics < 1:
        return None
    own = harmonic_columns(record.time_s, term.period_s, harmonics, record.exposure_s)
    others = other_columns(record, terms, term)
    view = view_period(own, others)
    if not len(view.weights):
        return None
    found = record.read(others, view.weights, term.period_s)
    gain = likelihood_gain(found.plain_arcsec, found.as_noise_arcsec2, view.response, angle_deg)
    told = found.seen_arcsec, found.errors_arcsec2, view.response
    error = draw_periodic_error(*told, rng, angle_deg=angle_deg)
    axis = axial_estimate(error.angles_deg()) if angle_deg is None else None
    # Where no direction stands out, x is as good as any.
    angle = angle_deg if angle_deg is not None else 0.0 if axis is None else axis.value
    assert angle is not None  # noqa: S101 - axial estimates have a value
    drawn = error
    if gain > const.DRIVE_SHOWN_GAIN:
        size = estimate(error.peak_to_peak_arcsec(angle))
    else:
        # Sizes even in the logarithm would draw what is not shown as nothing, with a thin band.
        drawn = draw_periodic_error(*told, rng, angle_deg=angle, for_limit=True)
        size = _limit(error, drawn, angle)
    folded = _fold(record, term, own, others, drawn, angle)
    seen_share = float(np.isfinite(folded["shift_arcsec"]).mean())
    lists = {
        key: [float(value) if np.isfinite(value) else None for value in values]
        for key, values in folded.items()
    }
    return DriveCurve(
        PhaseCurve(
            name=term.name,
            period_s=term.period_s,
            turns_covered=term.turns,
            covered_share=seen_share,
            angle_deg=float(angle),
            phase_turns=[float(phase) for phase in _bin_centres()],
            peak_to_peak_arcsec=size,
            **lists,
        ),
        error,
        gain,
    )


def _fold(
    record: DriveRecord,
    term: DriveTerm,
    own: FloatArray,
    others: FloatArray,
    error: _PeriodicError,
    angle_deg: float,
) -> dict[str, FloatArray]:
    """Return data, bars and curve in bins of phase; all of them along the direction."""
    turn = np.radians(angle_deg)
    motion = record.motion_arcsec @ np.array([np.cos(turn), np.sin(turn)])
    drawn = error.along(angle_deg)
    middle = np.median(drawn, axis=0)
    fitted = np.linalg.pinv(others)
    is_slow = term.turns < const.DRIVE_LEAST_TURNS
    beside = motion if is_slow else motion - own @ middle
    left = motion - others @ (fitted @ beside)
    # What a straight line can follow counts as drift where less than a turn was seen.
    pattern = own - others @ (fitted @ own) if is_slow else own
    index = phase_bins(record.time_s, term.period_s)
    data = bin_means(left, index)
    bars = bin_errors(left - pattern @ middle, record.time_s, index, record.cadence_s)
    if is_slow:
        shape = bin_means(pattern, index)
    else:
        shape = harmonic_columns(_bin_centres(), 1.0, own.shape[1] // 2)
    low, centre, high = np.percentile(drawn @ shape.T, const.PERCENTILES[1:4], axis=0)
    return {
        "shift_arcsec": data,
        "shift_error_arcsec": bars,
        "curve_arcsec": centre,
        "curve_low_arcsec": low,
        "curve_high_arcsec": high,
    }


def _limit(error: _PeriodicError, hidden: _PeriodicError, angle_deg: float) -> Estimate | None:
    """Return a limit on peak to peak of a whole turn, or None where nothing limits it.

    The larger one of what the record shows and of what may hide in it.
    """
    limit = max(
        float(np.quantile(each.peak_to_peak_arcsec(angle_deg), 0.95)) for each in (error, hidden)
    )
    return upper_limit(limit) if limit < const.DRIVE_NO_LIMIT_ARCSEC else None


def _bin_centres() -> FloatArray:
    return (np.arange(const.DRIVE_PHASE_BINS) + 0.5) / const.DRIVE_PHASE_BINS
