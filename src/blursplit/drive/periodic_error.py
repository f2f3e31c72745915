"""The drive as a whole: periodic error, where right ascension lies, what a drift says of the pole.

A periodic error of known period has its phase curve from a turn of the record or from less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from blursplit import constants as const
from blursplit.drive.terms import DriveRecord, DriveTerm
from blursplit.estimate import Estimate
from blursplit.result import PhaseCurve, PolarAxis, Remark, RightAscension
from blursplit.rig import Rig
from blursplit.types import FloatArray, IntArray, sure

PHASES = np.arange(const.DRIVE_PHASES) / const.DRIVE_PHASES
BIN_CENTRES = (np.arange(const.DRIVE_PHASE_BINS) + 0.5) / const.DRIVE_PHASE_BINS
# Largest declination drift [arcsec/min] of a tracked star for each arcminute between polar axis and
# pole: omega eps sin(H - Hp), H and Hp the hour angles of the star and of where the axis points.
DRIFT_PER_ARCMIN = const.SIDEREAL_RATE_ARCSEC_S * 60.0 * math.radians(1.0 / 60.0)


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
        waves = _harmonic_columns(PHASES, 1.0, coefficients.shape[1] // 2)
        return np.asarray(np.ptp(coefficients @ waves.T, axis=1))


def _harmonic_columns(
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


def _view_period(own: FloatArray, others: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what of the periodic columns is left beside the others.

    `own` (n_samples, 2 n_harmonics). `others` (n_samples, n_others): offsets, drift and the columns
    of other terms.

    Returns `weights` (m, n_samples): orthonormal rows that the others cannot make; `response` (m, 2
    n_harmonics): their reading for a cosine and sine of 1 arcsec of each harmonic in turn.
    """
    left = own - others @ (np.linalg.pinv(others) @ own)
    patterns, strength, mixing = np.linalg.svd(left, full_matrices=False)
    kept = strength > const.DRIVE_LEAST_PATTERN * math.sqrt(0.5 * len(own))
    return np.asarray(patterns[:, kept].T), np.asarray(strength[kept, None] * mixing[kept])


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
    shares = const.DRIVE_ACROSS_SHARES
    axis = np.stack([both + share**2 * (np.eye(2) - both) for share in shares], axis=1)
    axis = np.tile(axis, (1, len(const.DRIVE_SMOOTHNESS), 1, 1))
    order = np.repeat(np.arange(1, response.shape[1] // 2 + 1), 2)
    sigmas = np.stack([1.0 / order**power for power in const.DRIVE_SMOOTHNESS])
    sigmas = np.repeat(sigmas, len(const.DRIVE_ACROSS_SHARES), axis=0)
    inner = np.einsum("ak,pk,bk->pab", response, sigmas**2, response)
    m = 2 * len(response)
    shape = np.einsum("tpij,pab->tpiajb", axis, inner).reshape(*axis.shape[:2], m, m)
    sizes = np.geomspace(*const.DRIVE_SIZES_ARCSEC, const.DRIVE_N_SIZES)
    return _Prior(sizes, np.log(width), axis, sigmas, shape)


def _directions(seen_arcsec: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return directions [rad], closer together about the readings' own, and their shares."""
    both = seen_arcsec.T @ seen_arcsec
    own = 0.5 * math.atan2(2.0 * both[0, 1], both[0, 0] - both[1, 1])
    ends_deg = const.DRIVE_FINEST_DEG, 90.0 / const.DRIVE_N_ANGLES
    fine = np.radians(np.geomspace(*ends_deg, const.DRIVE_N_FINE))
    even = np.pi * np.arange(1, const.DRIVE_N_ANGLES) / const.DRIVE_N_ANGLES
    offset = np.sort(np.concatenate([-fine, [0.0], fine, even]))
    ends = np.append(offset, offset[0] + np.pi)
    width = 0.5 * (np.diff(ends) + np.roll(np.diff(ends), 1))
    return own + offset, width / np.pi


def _likelihood_gain(
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
    from scipy.linalg import block_diag

    prior = _prior(seen_arcsec, response, angle_deg)
    base, sizes = block_diag(*errors_arcsec2), np.append(0.0, prior.sizes)
    log_like = _log_likelihoods(seen_arcsec.T.ravel(), base, prior.shape, sizes)
    return 2.0 * float(log_like[:, :, 1:].max() - log_like[0, 0, 0])


def _draw_periodic_error(
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
    from scipy.linalg import block_diag

    base, reading = block_diag(*errors_arcsec2), seen_arcsec.T.ravel()
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


# --- a record folded on the phase of a period ---------------------------------------------------
def _phase_bins(time_s: FloatArray, period_s: float) -> IntArray:
    bins = (np.mod(time_s / period_s, 1.0) * const.DRIVE_PHASE_BINS).astype(np.int64)
    return np.minimum(bins, const.DRIVE_PHASE_BINS - 1)


def _bin_means(values: FloatArray, index: IntArray) -> FloatArray:
    """Return the mean of values (n_samples, ...) in each bin, shape (bins, ...); NaN if empty."""
    out = np.full((const.DRIVE_PHASE_BINS, *values.shape[1:]), np.nan)
    for k in np.unique(index):
        out[k] = values[index == k].mean(axis=0)
    return out


def _bin_errors(
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
class _DriveCurve:
    """One period's curve as it goes into the result, and the draws behind it."""

    record: PhaseCurve
    error: _PeriodicError
    gain: float

    @property
    def is_shown(self) -> bool:
        """Whether no error at all is excluded."""
        return self.gain > const.DRIVE_SHOWN_GAIN


def _drive_curves(
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    rng: np.random.Generator,
    angle_deg: float | None = None,
) -> list[_DriveCurve]:
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
) -> _DriveCurve | None:
    # as many as lie below half the frame rate
    below = math.ceil(term.period_s / (2.0 * record.cadence_s)) - 1
    harmonics = min(const.DRIVE_HARMONICS, below)
    if harmonics < 1:
        return None
    own = _harmonic_columns(record.time_s, term.period_s, harmonics, record.exposure_s)
    others = record.other_columns(terms, term)
    weights, response = _view_period(own, others)
    if not len(weights):
        return None
    found = record.read(others, weights, term.period_s)
    gain = _likelihood_gain(found.plain_arcsec, found.as_noise_arcsec2, response, angle_deg)
    told = found.seen_arcsec, found.errors_arcsec2, response
    error = _draw_periodic_error(*told, rng, angle_deg=angle_deg)
    axis = Estimate.axial(error.angles_deg()) if angle_deg is None else None
    # Where no direction stands out, x is as good as any.
    angle = angle_deg if angle_deg is not None else 0.0 if axis is None else sure(axis.value)
    drawn = error
    if gain > const.DRIVE_SHOWN_GAIN:
        size = Estimate.of(error.peak_to_peak_arcsec(angle))
    else:
        # Sizes even in the logarithm would draw what is not shown as nothing, with a thin band.
        drawn = _draw_periodic_error(*told, rng, angle_deg=angle, for_limit=True)
        size = _limit(error, drawn, angle)
    folded = _fold(record, term, own, others, drawn, angle)
    seen_share = float(np.isfinite(folded["shift_arcsec"]).mean())
    lists = {
        key: [float(value) if np.isfinite(value) else None for value in values]
        for key, values in folded.items()
    }
    return _DriveCurve(
        PhaseCurve(
            name=term.name,
            period_s=term.period_s,
            turns_covered=term.turns,
            covered_share=seen_share,
            angle_deg=float(angle),
            phase_turns=BIN_CENTRES.tolist(),
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
    index = _phase_bins(record.time_s, term.period_s)
    data = _bin_means(left, index)
    bars = _bin_errors(left - pattern @ middle, record.time_s, index, record.cadence_s)
    whole = _harmonic_columns(BIN_CENTRES, 1.0, own.shape[1] // 2)
    shape = _bin_means(pattern, index) if is_slow else whole
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
    sizes = [each.peak_to_peak_arcsec(angle_deg) for each in (error, hidden)]
    most = float(np.quantile(sizes, 0.95, axis=1).max())
    return Estimate.upper_limit(most) if most < const.DRIVE_NO_LIMIT_ARCSEC else None


# --- right ascension ------------------------------------------------------------------------------
def _stated_direction(rig: Rig) -> RightAscension | None:
    """Return the direction that setup or header state, the declared one first."""
    declared, position = rig.get("ra_angle_deg"), rig.get("position_angle_deg")
    origin: Literal["declared", "camera position angle"] = "declared"
    if declared is None and position is not None:
        # From north through east to the image's +y; east lies to the left of north unless mirrored.
        declared, origin = position if rig.get("flip") else -position, "camera position angle"
    if declared is None:
        return None
    angle_deg = float(declared) % 180.0
    ends = {
        name: angle_deg + k * const.DRIVE_STATED_SIGMA_DEG
        for name, k in (("low", -1.0), ("high", 1.0), ("low95", -2.0), ("high95", 2.0))
    }
    return RightAscension(angle_deg=Estimate(value=angle_deg, **ends), origin=origin)


def _found_direction(
    rig: Rig, curves: Sequence[_DriveCurve], rate_arcsec_s: FloatArray
) -> RightAscension | None:
    """Return the direction that the record itself shows, or None where it cannot tell.

    `rig`: for `mount_kind` and `drive`: only the drive of an equatorial mount moves the image along
    right ascension, and only one that is off lets the stars trail along it. `rate_arcsec_s` (n, 2):
    draws of the drift.
    """
    origin: Literal["periodic error", "drift with the drive off"]
    if rig.get("drive") == "off":
        mean, covariance = rate_arcsec_s.mean(axis=0), np.cov(rate_arcsec_s.T)
        if mean @ np.linalg.solve(covariance + 1e-18 * np.eye(2), mean) < const.DRIVE_CHI2_95:
            return None
        draws = np.degrees(np.arctan2(rate_arcsec_s[:, 1], rate_arcsec_s[:, 0]))
        origin = "drift with the drive off"
    else:
        shown = [c for c in curves if c.is_shown]
        shown = [c for c in shown if c.record.turns_covered >= const.DRIVE_LEAST_TURNS]
        if rig.get("mount_kind") != "equatorial" or not shown:
            return None
        draws = max(shown, key=lambda curve: curve.gain).error.angles_deg()
        origin = "periodic error"
    angle = Estimate.axial(draws)
    return None if angle is None else RightAscension(angle_deg=angle, origin=origin)


def _read_polar(
    rig: Rig, ra: RightAscension | None, rate_arcsec_s: FloatArray, rng: np.random.Generator
) -> tuple[PolarAxis, Remark] | None:
    """Return what the drift across right ascension says of the polar axis, also as a remark.

    None for other mounts than equatorial ones, with a guide loop, with the drive off, or where
    the direction of right ascension is open: its own uncertainty, times the drift along it,
    enters the interval.
    """
    if rig.get("mount_kind") != "equatorial" or rig.get("guide_period_s"):
        return None
    if rig.get("drive") == "off" or ra is None:
        return None
    half = 0.5 * (sure(ra.angle_deg.high) - sure(ra.angle_deg.low))  # directions have all ends
    turn = np.radians(sure(ra.angle_deg.value) + half * rng.standard_normal(len(rate_arcsec_s)))
    across = -rate_arcsec_s[:, 0] * np.sin(turn) + rate_arcsec_s[:, 1] * np.cos(turn)
    rate = 60.0 * across
    # The sign does not matter: which way is north needs the camera's parity.
    centre, sigma = abs(float(np.median(rate))), float(np.std(rate))
    size = centre + sigma * rng.standard_normal(len(rate))
    low, high = centre - const.Z95 * sigma, centre + const.Z95 * sigma
    if low <= 0.0:
        drift, part = Estimate.upper_limit(high), Estimate.upper_limit(high / DRIFT_PER_ARCMIN)
        told = Remark.of("polar-axis-below", high_arcmin=high / DRIFT_PER_ARCMIN)
    else:
        drift, part = Estimate.from_draws(size), Estimate.from_draws(size / DRIFT_PER_ARCMIN)
        sizes = {"low_arcmin": low, "size_arcmin": centre, "sigma_arcmin": sigma}
        sizes = {name: value / DRIFT_PER_ARCMIN for name, value in sizes.items()}
        told = Remark.of("polar-axis-off", **sizes)
    polar = PolarAxis(declination_drift_arcsec_per_min=drift, misalignment_at_least_arcmin=part)
    return polar, told


# --- the drive as a whole -------------------------------------------------------------------------
def read_drive(
    rig: Rig,
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    rng: np.random.Generator,
    rate_arcsec_s: FloatArray | None = None,
) -> tuple[dict[str, Any], list[Remark]]:
    """Return what goes into the result's tracking, and remarks on it.

    `rig`: for periods, the kind of mount, guiding and the direction of right ascension.
    `rate_arcsec_s` (n, 2): draws of the drift; from the record where there was no split.
    """
    is_equatorial = rig.get("mount_kind") != "altazimuth"
    ra = _stated_direction(rig) if is_equatorial else None
    angle = None if ra is None else ra.angle_deg.value
    curves = _drive_curves(record, terms, rng, angle)
    wanted = rig.get("mount_kind") == "equatorial" or rig.get("drive") == "off"
    notes = [_size_note(curve.record) for curve in curves]
    if rig.get("guide_period_s") and curves:
        notes.append(Remark.of("drive-guided"))
    found: dict[str, Any] = {"phase_curves": [curve.record for curve in curves]}
    if not wanted:
        return found | {"right_ascension": ra}, notes
    if rate_arcsec_s is None:
        rate_arcsec_s = record.draw_rate(terms, rng)
    if ra is None and is_equatorial:
        ra = _found_direction(rig, curves, rate_arcsec_s)
    notes.append(_direction_note(ra))
    polar = _read_polar(rig, ra, rate_arcsec_s, rng)
    if polar is not None:
        found["polar"] = polar[0]
        notes.append(polar[1])
    return found | {"right_ascension": ra}, notes


def _size_note(curve: PhaseCurve) -> Remark:
    size = curve.peak_to_peak_arcsec
    if size is None:
        return Remark.of("drive-error-open", name=curve.name)
    if size.value is None:
        return Remark.of("drive-error-below", name=curve.name, limit_arcsec=size.high)
    ends = {"size_arcsec": size.value, "low_arcsec": size.low95, "high_arcsec": size.high95}
    turns = curve.turns_covered if curve.turns_covered < 1.0 else None
    return Remark.of("drive-error", name=curve.name, **ends, turns=turns)


def _direction_note(ra: RightAscension | None) -> Remark:
    if ra is None:
        return Remark.of("right-ascension-open")
    angle = ra.angle_deg
    half = 0.5 * (sure(angle.high) - sure(angle.low))  # directions have all ends
    return Remark.of("right-ascension", angle_deg=angle.value, half_deg=half, origin=ra.origin)
