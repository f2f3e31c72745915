"""Periodic error folded on each declared period: data, curve and size, from a turn or from less."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.drift import LEAST_TURNS
from blursplit.budget.drive_record import other_columns
from blursplit.constants import DRIVE_PHASE_BINS, DRIVE_SHOWN_GAIN
from blursplit.drive.periodic_error import (
    bin_errors,
    bin_means,
    draw_periodic_error,
    harmonic_columns,
    harmonics_within,
    likelihood_gain,
    phase_bins,
    view_period,
)
from blursplit.estimate import axial_estimate, estimate, upper_limit
from blursplit.result import PhaseCurve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.drift import DriveTerm
    from blursplit.budget.drive_record import DriveRecord
    from blursplit.drive.periodic_error import PeriodicError
    from blursplit.estimate import Estimate

    FloatArray = NDArray[np.float64]

# A limit that is no better than what is thought possible beforehand says nothing.
NO_LIMIT_ARCSEC = 100.0
BAND = (15.865, 50.0, 84.135)


@dataclass(frozen=True)
class DriveCurve:
    """One period's curve as it goes into the result, and the draws behind it."""

    record: PhaseCurve
    error: PeriodicError
    gain: float

    @property
    def is_shown(self) -> bool:
        """Whether no error at all is excluded."""
        return self.gain > DRIVE_SHOWN_GAIN


def drive_curves(
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    rng: np.random.Generator,
    angle_deg: float | None = None,
) -> list[DriveCurve]:
    """Return the curve of each declared period.

    Parameters
    ----------
    record : DriveRecord
    terms : sequence of DriveTerm
    rng : numpy.random.Generator
    angle_deg : float, optional
        Direction of the drive in the image, where it is known.
    """
    names = list(dict.fromkeys(term.name for term in terms))
    curves = [_one_curve(record, terms, name, rng, angle_deg) for name in names]
    return [curve for curve in curves if curve is not None]


def _one_curve(
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    name: str,
    rng: np.random.Generator,
    angle_deg: float | None,
) -> DriveCurve | None:
    term = next(term for term in terms if term.name == name)
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
    if gain > DRIVE_SHOWN_GAIN:
        size = estimate(error.peak_to_peak_arcsec(angle))
    else:
        # Sizes even in the logarithm would draw what is not shown as nothing, with a thin band.
        drawn = draw_periodic_error(*told, rng, angle_deg=angle, for_limit=True)
        size = _limit(error, drawn, angle)
    folded = _fold(record, term, own, others, drawn, angle)
    seen_share = float(np.isfinite(folded["shift_arcsec"]).mean())
    lists = {key: _plain_list(values) for key, values in folded.items()}
    return DriveCurve(
        PhaseCurve(
            name=name,
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
    error: PeriodicError,
    angle_deg: float,
) -> dict[str, FloatArray]:
    """Return data, bars and curve in bins of phase; all of them along the direction."""
    turn = np.radians(angle_deg)
    motion = record.motion_arcsec @ np.array([np.cos(turn), np.sin(turn)])
    drawn = error.along(angle_deg)
    middle = np.median(drawn, axis=0)
    fitted = np.linalg.pinv(others)
    is_slow = term.turns < LEAST_TURNS
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
    low, centre, high = np.percentile(drawn @ shape.T, BAND, axis=0)
    return {
        "shift_arcsec": data,
        "shift_error_arcsec": bars,
        "curve_arcsec": centre,
        "curve_low_arcsec": low,
        "curve_high_arcsec": high,
    }


def _limit(error: PeriodicError, hidden: PeriodicError, angle_deg: float) -> Estimate | None:
    """Return a limit on peak to peak of a whole turn, or None where nothing limits it.

    The larger one of what the record shows and of what may hide in it.
    """
    limit = max(
        float(np.quantile(each.peak_to_peak_arcsec(angle_deg), 0.95)) for each in (error, hidden)
    )
    return upper_limit(limit) if limit < NO_LIMIT_ARCSEC else None


def _bin_centres() -> FloatArray:
    return (np.arange(DRIVE_PHASE_BINS) + 0.5) / DRIVE_PHASE_BINS


def _plain_list(values: FloatArray) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]
