"""Columns of the drive model: offsets, drift, curvature and periodic terms, and what they blur."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.mechanics.periods import DrivePeriod

    Array = NDArray[np.float64]

# Before the data: amplitude of a worm's error 10 arcsec, of its harmonics less in proportion
# (common practice, no source).
AMPLITUDE_SD_ARCSEC = 10.0
# A declared worm leaves the drift nearly straight (10 arcsec/min more in an hour); without one
# the curvature of an undeclared worm is allowed: 10 arcsec x (2 pi / 480 s)^2.
CURVATURE_SD_ARCSEC_S2 = 10.0 / 60.0 / 3600.0
UNDECLARED_CURVATURE_SD_ARCSEC_S2 = 1.7e-3
DRIFT_SD_ARCSEC_S = 100.0
# Part of a worm's error that may show across right ascension when that direction is known.
ACROSS_SHARE = 0.05
MAX_WINDOWS = 40


@dataclass(frozen=True)
class Columns:
    """What each coefficient multiplies.

    Parameters
    ----------
    segments : tuple of int
        Labels of the offsets, one column each, first.
    centre_s : float
        Time from which drift and curvature count.
    terms : tuple of (DrivePeriod, int)
        Period and harmonic of each cosine-sine pair, after drift and curvature.
    """

    segments: tuple[int, ...]
    centre_s: float
    terms: tuple[tuple[DrivePeriod, int], ...]

    @property
    def drift(self) -> int:
        """Column of the drift; the curvature follows."""
        return len(self.segments)

    @property
    def size(self) -> int:
        """Number of columns."""
        return self.drift + 2 + 2 * len(self.terms)

    def pair(self, term: int) -> slice:
        """Return the columns of the cosine and sine of a term."""
        return slice(self.drift + 2 + 2 * term, self.drift + 4 + 2 * term)

    def motion(self, time_s: Array) -> Array:
        """Return all columns but the offsets at these times, shape (time, size - offsets)."""
        since = time_s - self.centre_s
        columns = [since, 0.5 * since**2]
        for period, harmonic in self.terms:
            phase = 2.0 * np.pi * harmonic * since / period.period_s
            columns += [np.cos(phase), np.sin(phase)]
        return np.stack(columns, axis=1)

    def design(self, time_s: Array, segment: NDArray[np.intp]) -> Array:
        """Return all columns at the samples, shape (sample, size)."""
        offsets = segment[:, None] == np.array(self.segments)[None, :]
        return np.hstack([offsets.astype(float), self.motion(time_s)])

    def prior_sd(self, offset_sd_arcsec: float, across_share: float) -> Array:
        """Return the standard deviations before the data, shape (2, size).

        Parameters
        ----------
        offset_sd_arcsec : float
        across_share : float
            Of the periodic terms on the second axis, 1 where the drive's axis is unknown.
        """
        curvature = CURVATURE_SD_ARCSEC_S2 if self.terms else UNDECLARED_CURVATURE_SD_ARCSEC_S2
        shared = [offset_sd_arcsec] * self.drift + [DRIFT_SD_ARCSEC_S, curvature]
        periodic = np.repeat([AMPLITUDE_SD_ARCSEC / harmonic for _, harmonic in self.terms], 2)
        return np.array(
            [np.concatenate([shared, periodic]), np.concatenate([shared, across_share * periodic])]
        )


def choose_columns(
    time_s: Array,
    segment: NDArray[np.intp],
    periods: tuple[DrivePeriod, ...],
    harmonics: int,
    shortest_s: float,
) -> tuple[Columns, list[str]]:
    """Return the columns for a run and the names of harmonics too fast for it.

    Parameters
    ----------
    time_s, segment : ndarray, shape (sample,)
    periods : tuple of DrivePeriod
    harmonics : int
    shortest_s : float
        Shortest period that the averaged series still follows.
    """
    kept, left_out = [], []
    for period in periods:
        for harmonic in range(1, harmonics + 1):
            if period.period_s / harmonic >= shortest_s:
                kept.append((period, harmonic))
            else:
                left_out.append(f"{period.name} harmonic {harmonic}")
    labels = tuple(int(label) for label in np.unique(segment))
    centre = 0.5 * float(time_s[0] + time_s[-1])
    return Columns(labels, centre, tuple(kept)), left_out


def blur_form(
    columns: Columns, time_s: Array, segment: NDArray[np.intp], blur_time_s: float
) -> Array | None:
    """Return the matrix Q for which c^T Q d is the mean covariance within windows.

    Parameters
    ----------
    columns : Columns
    time_s, segment : ndarray, shape (sample,)
    blur_time_s : float
        Length of a window, which must fit into a segment.

    Returns
    -------
    ndarray, shape (size - offsets, size - offsets), or None where no window fits.

    Notes
    -----
    Inside a window a drift of length L has the variance L^2/12 about its own mean.
    """
    fastest = min((p.period_s / k for p, k in columns.terms), default=np.inf)
    # Eight points a period; 96 midpoints leave 1e-4 of a drift's variance.
    points = int(np.clip(np.ceil(8.0 * blur_time_s / fastest), 96, 2000))
    inside = (np.arange(points) + 0.5) / points * blur_time_s
    starts: list[Array] = []
    for label in columns.segments:
        own = time_s[segment == label]
        slack = float(own[-1] - own[0]) - blur_time_s
        # A run of n frames lasts n intervals, one more than its time stamps span.
        margin = float(np.median(np.diff(own))) * 1.5 if own.size > 1 else 0.0
        if slack < -margin:
            continue
        count = int(np.clip(1 + 4.0 * max(slack, 0.0) / blur_time_s, 1, MAX_WINDOWS))
        starts.append(own[0] + np.linspace(0.0, max(slack, 0.0), count))
    if not starts:
        return None
    firsts = np.concatenate(starts)
    total = np.zeros((columns.size - columns.drift,) * 2)
    for first in firsts:
        basis = columns.motion(first + inside)
        basis = basis - basis.mean(axis=0)
        total += basis.T @ basis / points
    return total / firsts.size
