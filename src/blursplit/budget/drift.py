"""Drift and declared drive periods over the blur time, with the air's own slow motion as error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.drive.periods import declared_periods

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.grid import GridData
    from blursplit.budget.joint import JointFit
    from blursplit.rig import Instrument

    FloatArray = NDArray[np.float64]

LEAST_TURNS = 1.0  # a period of which less was seen shows as drift and its curvature
HARMONICS = 3
SLOW_ORDERS = (2, 3, 4)  # polynomials that show slow motion beside a straight drift
LEAST_BEND = 0.2  # of the polynomials' own range of about two
FLAT_TURNS = 0.3  # slower motion is a drift to this record
SLOW_TURNS = 2.5  # their power lies below this many turns a record


@dataclass(frozen=True)
class DriveTerm:
    """One declared period and harmonic that the record can hold."""

    name: str
    period_s: float
    harmonic: int
    turns: float


@dataclass(frozen=True)
class DriftDraws:
    """Draws of the drive's motion.

    Parameters
    ----------
    rate_arcsec_s : ndarray, shape (n, 2)
        Drift rate along x and y.
    length_arcsec : ndarray, shape (n, 2)
        Drift over the blur time.
    amplitudes_arcsec : ndarray, shape (n, n_terms, 2)
        Amplitude of each periodic term, in phase and quadrature joined, in the blur time.
    covariance : ndarray, shape (n, 2, 2)
        Covariance of all of it over the blur time [arcsec^2].
    terms : tuple of DriveTerm
    series : list of ndarray, shape (n_frames_of_segment, 2)
        Best estimate on the grid.
    """

    rate_arcsec_s: FloatArray
    length_arcsec: FloatArray
    amplitudes_arcsec: FloatArray
    covariance: FloatArray
    terms: tuple[DriveTerm, ...]
    series: list[FloatArray]


def drive_terms(instrument: Instrument, length_s: float) -> list[DriveTerm]:
    """Return the declared periods as terms to be fitted; none where the drive was off.

    Parameters
    ----------
    instrument : Instrument
        For `worm_period_s`, `wheel_teeth` and `drive`.
    length_s : float
        Length of the record. Of periods with less than one turn in it only the curvature of
        the drift is fitted (harmonic 0), once for all of them.
    """
    if instrument.get("drive") == "off":
        return []
    periods = declared_periods(instrument.get("worm_period_s"), instrument.get("wheel_teeth"))
    terms = []
    for period in periods:
        turns = length_s / period.period_s
        orders = range(1, HARMONICS + 1) if turns >= LEAST_TURNS else (0,)
        terms += [DriveTerm(period.name, period.period_s, k, turns) for k in orders]
    return sorted(terms, key=lambda term: term.harmonic == 0)


def without_drive(grid: GridData, terms: Sequence[DriveTerm]) -> GridData:
    """Return the grid with the fitted drive terms taken out of all motions.

    Drift itself stays: every later step removes the straight line of each segment.
    """
    if not terms:
        return grid
    design, owner, _ = _design(grid, terms)
    values = np.concatenate([s.shared_arcsec for s in grid.segments])
    columns = owner > 0
    fitted = design[:, columns] @ (np.linalg.pinv(design) @ values)[columns]
    n = len(grid.star)
    sizes = np.cumsum([len(s.real) for s in grid.segments])[:-1]
    segments = tuple(
        replace(
            segment,
            shared_arcsec=segment.shared_arcsec - part,
            stars_arcsec=segment.stars_arcsec - np.repeat(part, n, axis=1),
        )
        for segment, part in zip(grid.segments, np.split(fitted, sizes), strict=True)
    )
    return replace(grid, segments=segments)


def draw_drift(
    grid: GridData,
    fit: JointFit,
    terms: Sequence[DriveTerm],
    blur_time_s: float,
    rng: np.random.Generator,
) -> DriftDraws:
    """Fit drift and periodic terms by least squares, and draw them with the air as error.

    Notes
    -----
    The estimator is ordinary least squares, its error covariance that of the fitted air and
    excess seen through the estimator's weights: sum over nu of S(nu) |W(nu)|^2 d nu. Spectra
    say little of motion as slow as the record is long, so where the record bends more than the
    model expects, slow motion of a redder colour is added until it explains the bends.
    """
    design, owner, times = _design(grid, terms)
    values = np.concatenate([s.shared_arcsec for s in grid.segments])
    solver = np.linalg.pinv(design)
    solution = solver @ values  # (n_columns, 2)
    wanted = owner >= 0
    weights: FloatArray = np.asarray(solver[wanted], dtype=np.float64)
    n = len(fit.draws)
    known, slow = _error_covariance(weights, times, fit)
    surplus = _slow_surplus(values - design @ solution, design, times, fit, rng)
    errors = known + surplus[:, None, None, None] * slow
    noise = np.stack(
        [
            np.stack(
                [
                    rng.multivariate_normal(np.zeros(len(weights)), errors[k, axis])
                    for axis in range(2)
                ],
                axis=-1,
            )
            for k in range(n)
        ]
    )
    draws = solution[wanted] + noise  # (n, n_wanted, 2)
    rate = draws[:, 0]
    length = rate * blur_time_s
    amplitudes, covariance = _periodic(draws, owner[wanted], terms, blur_time_s)
    covariance = covariance + np.einsum("ni,nj->nij", length, length) / 12.0
    fitted = design[:, wanted] @ solution[wanted]
    sizes = np.cumsum([len(s.real) for s in grid.segments])[:-1]
    return DriftDraws(rate, length, amplitudes, covariance, tuple(terms), np.split(fitted, sizes))


def _design(
    grid: GridData, terms: Sequence[DriveTerm]
) -> tuple[FloatArray, NDArray[np.int64], FloatArray]:
    """Columns: a mean for each segment (owner -1), time, cosine and sine of each term.

    Periods under a turn share one curvature, which the first of them owns.
    """
    times = np.concatenate(
        [s.start_s + np.arange(len(s.real)) * grid.cadence_s for s in grid.segments]
    )
    number = np.concatenate([np.full(len(s.real), i) for i, s in enumerate(grid.segments)])
    columns = [(number == i).astype(float) for i in range(len(grid.segments))]
    owner = [-1] * len(columns)
    columns.append(times - times.mean())
    owner.append(0)
    for i, term in enumerate(terms):
        if term.harmonic == 0:
            if i and terms[i - 1].harmonic == 0:
                continue
            centred = times - times.mean()
            columns.append(centred**2 - np.mean(centred**2))
            owner.append(i + 1)
            continue
        phase = 2.0 * np.pi * times * term.harmonic / term.period_s
        columns += [np.cos(phase), np.sin(phase)]
        owner += [i + 1, i + 1]
    return np.stack(columns, axis=1).astype(np.float64), np.array(owner), times


def _error_covariance(
    weights: FloatArray, times: FloatArray, fit: JointFit
) -> tuple[FloatArray, FloatArray]:
    """Covariance of weighted sums, (n_draws, 2, m, m): under air and excess, and under slow motion.

    The slow motion has the model's density below `SLOW_TURNS` a record times a fall of 1/f.
    """
    fine = fit.model.table.fine_hz
    density = fit.model.shared_air_density(fit.draws)
    # Slow currents and wind shake have a trend of their own in any record, which is no drift.
    density = density + fit.model.excess_density(fit.draws, fine)
    each = density * np.gradient(fine)
    wave = np.exp(-2j * np.pi * np.outer(times - times.mean(), fine))
    transform = weights @ wave  # (m, n_fine)
    cross = np.einsum("if,jf->ijf", transform, transform.conj()).real
    turns = fine * np.ptp(times)
    colour = np.where(turns < SLOW_TURNS, 1.0 / np.maximum(turns, FLAT_TURNS), 0.0)
    known = np.einsum("naf,ijf->naij", each, cross)
    slow = np.einsum("naf,ijf->naij", each * colour, cross)
    return np.asarray(known), np.asarray(slow)


def _slow_surplus(
    residual: FloatArray,
    design: FloatArray,
    times: FloatArray,
    fit: JointFit,
    rng: np.random.Generator,
) -> FloatArray:
    """Draw how much slow motion the record's bends show beyond the model, (n_draws,).

    Notes
    -----
    Squares of the residual's polynomial coefficients over their variances under the slow motion
    sum up to a chi-square times its strength; what the model itself explains is taken off.
    """
    from scipy.special import eval_legendre

    x = 2.0 * (times - times.min()) / np.ptp(times) - 1.0
    bends = np.stack([eval_legendre(order, x) for order in SLOW_ORDERS], axis=1)
    # What the drift's own columns can follow tells nothing.
    bends = bends - design @ (np.linalg.pinv(design) @ bends)
    bends = bends[:, np.ptp(bends, axis=0) > LEAST_BEND]
    if bends.shape[1] == 0:
        return np.zeros(len(fit.draws))
    weights = np.linalg.pinv(bends)
    found = weights @ residual  # (n_orders, 2)
    known, slow = (
        np.diagonal(part, axis1=2, axis2=3) for part in _error_covariance(weights, times, fit)
    )
    strength = np.sum(found.T**2 / slow, axis=(1, 2)) / rng.chisquare(found.size, len(known))
    return np.asarray(np.maximum(strength - np.mean(known / slow, axis=(1, 2)), 0.0))


def _periodic(
    draws: FloatArray, owner: NDArray[np.int64], terms: Sequence[DriveTerm], blur_time_s: float
) -> tuple[FloatArray, FloatArray]:
    n = len(draws)
    amplitudes = np.zeros((n, len(terms), 2))
    covariance = np.zeros((n, 2, 2))
    for i, term in enumerate(terms):
        own = draws[:, owner == i + 1]
        if not own.shape[1]:
            continue
        if term.harmonic == 0:
            # Variance of a (t^2) about its mean over a window T: a^2 T^4/180.
            both = np.einsum("ni,nj->nij", own[:, 0], own[:, 0]) * blur_time_s**4 / 180.0
        else:
            # One-axis variance inside windows of the blur time, each about its own mean.
            kept = 1.0 - np.sinc(blur_time_s * term.harmonic / term.period_s) ** 2
            both = 0.5 * kept * np.einsum("nki,nkj->nij", own, own)
        covariance += both
        # The kernel is taken along the larger axis of the ellipse that the term draws.
        values, vectors = np.linalg.eigh(both)
        amplitudes[:, i] = vectors[:, :, 1] * np.sqrt(2.0 * np.clip(values[:, 1:], 0.0, None))
    return amplitudes, covariance
