"""Drift and drive errors of a run: fitted together, with slow air in every interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.mechanics.drive_records import DriveFit, DriveTerm, Rate
from blursplit.mechanics.drive_terms import ACROSS_SHARE, Columns, blur_form, choose_columns
from blursplit.mechanics.periods import declared_periods
from blursplit.mechanics.polar import (
    DRIVE_OFF_ARCSEC_S,
    PolarReading,
    RaDirection,
    ra_direction_from_drift,
    read_polar_axis,
)
from blursplit.mechanics.posterior import (
    angle_estimate,
    covariance_of,
    draw_coefficients,
    major_axis_deg,
    size_estimate,
    value_estimate,
    without_noise,
)
from blursplit.mechanics.red_noise import block_series, fit_in_red_noise

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.mechanics.periods import DrivePeriod

    Array = NDArray[np.float64]

MIN_SAMPLES = 10
# A segment's own offset takes one sample and a line through it a second; with a dither after
# every frame nothing is left to see. More segments than this cost time and add little.
MIN_SEGMENT_SAMPLES = 3
MAX_SEGMENTS = 40
TURNS_TO_SEPARATE = 2.0
# A term whose uncertainty is more than this part of what was assumed before is not determined.
UNDETERMINED = 0.5
# How well a declared direction of right ascension is trusted (common practice, no source).
DECLARED_ANGLE_SIGMA_DEG = 1.0
PER_MINUTE = 60.0


def fit_drive(
    time_s: Array,
    x_arcsec: Array,
    y_arcsec: Array,
    *,
    rng: np.random.Generator,
    segment: NDArray[np.intp] | None = None,
    blur_time_s: float | None = None,
    mount_kind: str | None = None,
    worm_period_s: Sequence[float] | None = None,
    wheel_teeth: Sequence[int] | None = None,
    extra_periods: Sequence[DrivePeriod] = (),
    harmonics: int = 3,
    ra_angle_deg: float | None = None,
    ra_source: str = "declared",
    guide_period_s: float | None = None,
) -> DriveFit | None:
    """Return drift and drive terms of the shared motion, or None for less than ten samples.

    Parameters
    ----------
    time_s : ndarray, shape (sample,)
        Rising.
    x_arcsec, y_arcsec : ndarray, shape (sample,)
        Shared motion; NaN where lost.
    rng : Generator
        For the draws behind the intervals.
    segment : ndarray of int, shape (sample,), optional
        Parts between gaps and dithers; each has its own offset. Parts of fewer than three
        samples are left out, and all but the forty longest.
    blur_time_s : float, optional
        Window of the blur covariances; default the longest segment.
    mount_kind : {"equatorial", "altazimuth"}, optional
        Drive terms of an altazimuth mount may lie along both axes.
    worm_period_s, wheel_teeth : sequence, optional
        Declared periods.
    extra_periods : sequence of DrivePeriod, optional
        Recognised ones.
    harmonics : int, optional
        Highest harmonic fitted.
    ra_angle_deg : float, optional
        Direction of right ascension, axial, from +x toward +y.
    ra_source : str, optional
    guide_period_s : float, optional
        A guided run says nothing of the polar axis.

    Raises
    ------
    ValueError
        When times do not rise or shapes differ.
    """
    time_s, motion, segment, good = _check(time_s, x_arcsec, y_arcsec, segment)
    good = _in_useful_segments(segment, good)
    if np.count_nonzero(good) < MIN_SAMPLES:
        return None
    seen, own = time_s[good], segment[good]
    periods = tuple(
        sorted(
            (*declared_periods(worm_period_s, wheel_teeth), *extra_periods),
            key=lambda period: -period.period_s,
        )
    )
    blocks = block_series(seen, own)
    step = float(np.median(np.diff(blocks.time_s)))
    columns, left_out = choose_columns(seen, own, periods, harmonics, 2.5 * step)
    is_directed = ra_angle_deg is not None and mount_kind != "altazimuth"
    turn = _rotation(ra_angle_deg if is_directed else None)
    values = blocks.average(motion[good]) @ turn.T
    reach = float(np.ptp(values, axis=0).max()) + 1.0
    prior = columns.prior_sd(100.0 * reach, ACROSS_SHARE if is_directed else 1.0)
    design = blocks.average(columns.design(seen, own))
    fit = fit_in_red_noise(blocks.time_s, values, design, prior)
    drawn = draw_coefficients(fit.mean, fit.covariance, rng)
    mean = np.einsum("ba,bi->ai", turn, fit.mean)
    draws = np.einsum("ba,dbi->dai", turn, drawn)
    posterior = _Posterior(columns, mean, draws, prior, float(np.ptp(seen)), float(seen[0]))
    blur = blur_time_s
    if blur is None:
        blur = max(float(np.ptp(seen[own == label])) for label in columns.segments)
    form = blur_form(columns, seen, own, blur)
    terms = _read_terms(posterior, form)
    drift = posterior.rate(posterior.column(columns.drift))
    ra = _find_ra(drift, terms, posterior, ra_angle_deg, ra_source)
    is_guided = guide_period_s is not None
    series, sigma = _series(posterior, fit.covariance, time_s)
    covariance, drawn_blur, straight, chance = _blur(posterior, form)
    return DriveFit(
        mean_rate=posterior.rate(_mean_slope(columns, seen)),
        drift_rate=drift,
        curvature_arcsec_s2=mean[:, columns.drift + 1],
        terms=terms,
        tracking_x_arcsec=series[:, 0],
        tracking_y_arcsec=series[:, 1],
        tracking_sigma_arcsec=sigma,
        blur_covariance_arcsec2=covariance,
        blur_covariance_draws_arcsec2=drawn_blur,
        drift_blur_covariance_arcsec2=straight,
        noise_probability=chance,
        ra=ra,
        polar=None if is_guided or mount_kind != "equatorial" else _read_polar(drift, ra),
        noise_correlation_s=float(np.exp(np.mean(np.log(fit.correlation_time_s)))),
        notes=_notes(terms, left_out, form is None, is_guided),
        columns=columns,
        mean=mean,
        draws=draws,
    )


def _check(
    time_s: Array, x_arcsec: Array, y_arcsec: Array, segment: NDArray[np.intp] | None
) -> tuple[Array, Array, NDArray[np.intp], NDArray[np.bool_]]:
    time_s = np.asarray(time_s, dtype=float)
    motion = np.column_stack([x_arcsec, y_arcsec]).astype(float)
    if segment is None:
        segment = np.zeros(time_s.size, dtype=np.intp)
    if not (time_s.shape == segment.shape == motion.shape[:1]):
        raise ValueError("time, x, y and segment must have one length")
    if np.any(np.diff(time_s) <= 0.0):
        raise ValueError("times must rise")
    return time_s, motion, np.asarray(segment, dtype=np.intp), np.isfinite(motion).all(axis=1)


def _in_useful_segments(segment: NDArray[np.intp], good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which samples lie in segments long enough to show motion, the longest ones."""
    labels, counts = np.unique(segment[good], return_counts=True)
    order = np.argsort(-counts, kind="stable")[:MAX_SEGMENTS]
    kept = labels[order][counts[order] >= MIN_SEGMENT_SAMPLES]
    return good & np.isin(segment, kept)


def _rotation(angle_deg: float | None) -> Array:
    """Return the matrix from (x, y) to (along, across) the given direction."""
    angle = math.radians(angle_deg or 0.0)
    return np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])


@dataclass(frozen=True)
class _Posterior:
    """Coefficients along x and y and their draws; columns include the offsets."""

    columns: Columns
    mean: Array
    draws: Array
    prior: Array
    span_s: float
    first_s: float

    def column(self, index: int) -> Array:
        """Return the weights that pick out one coefficient."""
        weights = np.zeros(self.columns.size)
        weights[index] = 1.0
        return weights

    def rate(self, weights: Array) -> Rate:
        """Return a rate that is a weighted sum of the coefficients [arcsec/s]."""
        mean = PER_MINUTE * self.mean @ weights
        draws = PER_MINUTE * self.draws @ weights
        size, chance = size_estimate(mean[:, None], draws[:, :, None], np.eye(1))
        angle = math.degrees(math.atan2(mean[1], mean[0]))
        drawn = np.degrees(np.arctan2(draws[:, 1], draws[:, 0]))
        return Rate(
            size,
            angle_estimate(drawn, angle, turn_deg=360.0),
            value_estimate(draws[:, 0], float(mean[0])),
            value_estimate(draws[:, 1], float(mean[1])),
            np.cov(draws.T),
            chance,
        )


def _mean_slope(columns: Columns, time_s: Array) -> Array:
    """Return the weights that give the least-squares slope of the fitted motion."""
    basis = columns.motion(time_s)
    since = time_s - time_s.mean()
    slope = since @ basis / float(since @ since)
    return np.concatenate([np.zeros(columns.drift), slope])


def _read_terms(posterior: _Posterior, form: Array | None) -> tuple[DriveTerm, ...]:
    columns, terms = posterior.columns, []
    for k, (period, harmonic) in enumerate(columns.terms):
        pair = columns.pair(k)
        mean, draws = posterior.mean[:, pair], posterior.draws[:, :, pair]
        turns = posterior.span_s / period.period_s
        spread = draws.std(axis=0).max()
        determined = bool(spread < UNDETERMINED * posterior.prior[0, pair].max())
        shape = mean @ mean.T
        axis = major_axis_deg(shape)
        toward = np.array([math.cos(math.radians(axis)), math.sin(math.radians(axis))])
        amplitude, chance = size_estimate(mean, draws, np.eye(2))
        shown = amplitude.value is not None
        along = toward @ mean
        # cos(w (t - centre) - p) = a cos + b sin with p = atan2(b, a); at the first sample:
        turned = 2.0 * math.pi * harmonic * (posterior.first_s - columns.centre_s) / period.period_s
        phase = math.degrees(turned - math.atan2(along[1], along[0])) % 360.0
        blur = None
        if form is not None:
            inner = slice(pair.start - columns.drift, pair.stop - columns.drift)
            blur = covariance_of(mean, form[inner, inner])
        terms.append(
            DriveTerm(
                period.name,
                period.period_s,
                harmonic,
                amplitude,
                phase if shown else None,
                axis if shown else None,
                turns,
                turns >= TURNS_TO_SEPARATE,
                determined,
                chance,
                blur,
            )
        )
    return tuple(terms)


def _series(posterior: _Posterior, covariance: Array, time_s: Array) -> tuple[Array, Array]:
    """Return the fitted motion, shape (sample, 2), and its one-axis uncertainty."""
    offsets = posterior.columns.drift
    basis = posterior.columns.motion(time_s)
    basis -= basis.mean(axis=0)
    series = basis @ posterior.mean[:, offsets:].T
    inner = covariance[:, offsets:, offsets:].mean(axis=0)
    variance = np.einsum("ti,ij,tj->t", basis, inner, basis)
    return series, np.sqrt(np.maximum(variance, 0.0))


def _blur(
    posterior: _Posterior, form: Array | None
) -> tuple[Array | None, Array | None, Array | None, float]:
    """Return the tracking's covariance over the blur time, its draws, the drift's part."""
    offsets = posterior.columns.drift
    mean, draws = posterior.mean[:, offsets:], posterior.draws[:, :, offsets:]
    if form is None:
        return None, None, None, size_estimate(mean, draws, np.eye(mean.shape[1]))[1]
    excess = covariance_of(draws - mean, form).mean(axis=0)
    straight = form[:2, :2]
    return (
        without_noise(covariance_of(mean, form), excess),
        without_noise(covariance_of(draws, form), 2.0 * excess),
        covariance_of(mean[:, :2], straight),
        size_estimate(mean, draws, form)[1],
    )


def _find_ra(
    drift: Rate,
    terms: tuple[DriveTerm, ...],
    posterior: _Posterior,
    declared_deg: float | None,
    source: str,
) -> RaDirection | None:
    if declared_deg is not None:
        return RaDirection(declared_deg % 180.0, DECLARED_ANGLE_SIGMA_DEG, source)
    rate = np.array([drift.x_arcsec_min.value, drift.y_arcsec_min.value]) / PER_MINUTE
    found = ra_direction_from_drift(rate, drift.covariance_arcsec2_min2 / PER_MINUTE**2)
    if found is not None:
        return found
    for k, term in enumerate(terms):
        if term.angle_deg is None or not (term.is_determined and term.is_separable):
            continue
        drawn = posterior.draws[:, :, posterior.columns.pair(k)]
        axes = np.array([major_axis_deg(one @ one.T) for one in drawn])
        apart = (axes - term.angle_deg + 90.0) % 180.0 - 90.0
        return RaDirection(term.angle_deg, float(apart.std()), "periodic error")
    return None


def _read_polar(drift: Rate, ra: RaDirection | None) -> PolarReading | None:
    """Return the reading of the polar axis from the drift across right ascension."""
    rate = np.array([drift.x_arcsec_min.value, drift.y_arcsec_min.value])
    if ra is None or np.hypot(*rate) > DRIVE_OFF_ARCSEC_S * PER_MINUTE:
        return None
    along, across = _rotation(ra.angle_deg)
    variance = float(across @ drift.covariance_arcsec2_min2 @ across)
    variance += (math.radians(ra.sigma_deg) * float(along @ rate)) ** 2
    return read_polar_axis(float(across @ rate), math.sqrt(variance))


def _notes(
    terms: tuple[DriveTerm, ...], left_out: list[str], no_window: bool, is_guided: bool
) -> tuple[tuple[str, str], ...]:
    notes = []
    short = {t.name: t.turns_covered for t in terms if not t.is_separable}
    for name, turns in short.items():
        worth = "less than one turn" if turns < 1.0 else "less than two turns"
        text = f"the run covers {turns:.2f} turns of the {name}: {worth} cannot separate worm and "
        text += "drift; their sum over the run is known better than either"
        notes.append(("drive-not-separable", text))
    if left_out:
        notes.append(
            (
                "drive-too-fast",
                f"too fast for the drive fit, left to the lines: {', '.join(left_out)}",
            )
        )
    if no_window:
        notes.append(
            ("blur-time-too-long", "no uninterrupted part of the run is as long as the blur time")
        )
    if is_guided:
        notes.append(
            ("guided", "the run was guided: drift and worm are what the guiding left of them")
        )
    return tuple(notes)
