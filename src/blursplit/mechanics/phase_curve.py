"""Periodic error folded on the worm: data, model and what part of the turn the run saw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.mechanics.drive_records import DriveFit

    Array = NDArray[np.float64]

N_BINS = 48


@dataclass(frozen=True)
class PhaseCurve:
    """Motion along the drive's axis against the phase of one period.

    Parameters
    ----------
    period_s : float
    angle_deg : float
        Direction of the motion shown, axial.
    phase : ndarray, shape (bin,)
        Bin centres, 0 to 1; 0 is the run's first sample.
    data_arcsec : ndarray, shape (bin,)
        Drift and all other terms removed; NaN where the run never was at that phase.
    model_arcsec, low_arcsec, high_arcsec : ndarray, shape (bin,)
        Fitted curve and its 68 % band; outside the phases seen it is what was assumed.
    turns_covered : float
    phase_covered : float
        Part of the turn that the run saw.
    """

    period_s: float
    angle_deg: float
    phase: Array
    data_arcsec: Array
    model_arcsec: Array
    low_arcsec: Array
    high_arcsec: Array
    turns_covered: float
    phase_covered: float


def fold_on_period(
    fit: DriveFit,
    time_s: Array,
    x_arcsec: Array,
    y_arcsec: Array,
    segment: NDArray[np.intp] | None,
    name: str,
) -> PhaseCurve:
    """Return the folded curve of all harmonics of the named period.

    Parameters
    ----------
    fit : DriveFit
    time_s, x_arcsec, y_arcsec, segment : ndarray, shape (sample,)
        The series that was fitted.
    name : str
        Of the period, as in the fit's terms.

    Raises
    ------
    ValueError
        When no term has that name.
    """
    columns = fit.columns
    mine = [k for k, (period, _) in enumerate(columns.terms) if period.name == name]
    if not mine:
        raise ValueError(f"no drive term is named {name!r}")
    period_s = columns.terms[mine[0]][0].period_s
    first = fit.terms[mine[0]]
    angle = first.angle_deg
    if angle is None:
        angle = fit.ra.angle_deg if fit.ra is not None else 0.0
    toward = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    own = np.concatenate([np.r_[columns.pair(k)] for k in mine])
    if segment is None:
        segment = np.zeros(time_s.size, dtype=np.intp)
    keep = np.isfinite(x_arcsec) & np.isfinite(y_arcsec) & np.isin(segment, columns.segments)
    seen = time_s[keep]
    others = np.setdiff1d(np.arange(columns.size), own)
    rest = columns.design(seen, segment[keep])[:, others] @ (toward @ fit.mean)[others]
    left = np.column_stack([x_arcsec, y_arcsec])[keep] @ toward - rest
    phase = (seen - seen[0]) / period_s % 1.0
    edges = np.linspace(0.0, 1.0, N_BINS + 1)
    count, _ = np.histogram(phase, edges)
    total, _ = np.histogram(phase, edges, weights=left)
    data = np.full(N_BINS, np.nan)
    data[count > 0] = total[count > 0] / count[count > 0]
    centre = 0.5 * (edges[1:] + edges[:-1])
    basis = columns.motion(seen[0] + centre * period_s)[:, own - columns.drift]
    drawn = np.einsum("a,dak->dk", toward, fit.draws[:, :, own]) @ basis.T
    low, high = np.quantile(drawn, (0.16, 0.84), axis=0)
    return PhaseCurve(
        period_s,
        float(angle),
        centre,
        data,
        basis @ (toward @ fit.mean)[own],
        low,
        high,
        float(np.ptp(seen)) / period_s,
        float(np.mean(count > 0)),
    )
