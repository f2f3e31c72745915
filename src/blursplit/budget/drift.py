"""Drift and declared drive periods over the blur time, with the air's own slow motion as error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.drive.periods import declared_periods

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.motion.grid import GridData
    from blursplit.rig import Instrument

    FloatArray = NDArray[np.float64]

LEAST_TURNS = 1.0  # a period of which less was seen shows as drift and its curvature
HARMONICS = 3


@dataclass(frozen=True)
class DriveTerm:
    """One declared period and harmonic that the record can hold."""

    name: str
    period_s: float
    harmonic: int
    turns: float


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
