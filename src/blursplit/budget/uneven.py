"""Lines and spectrum of a run whose frames follow no regular grid, at the frames' own times."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.lines import FoundLine, name_found

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.motion import CommonMotion
    from blursplit.rig import Instrument
    from blursplit.spectra import LineFit
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

FEWEST_FRAMES = 100
MOST_FRAMES = 8000  # of the density: its cost grows with their square
DEGREES_OF_FREEDOM = 4.0  # of the sum of two axes in one bin, no taper
# Of the variance: at random intervals sizes came out 12 % too large (24 modes, see the docs).
SIZE_ERROR = 0.25


@dataclass(frozen=True)
class UnevenLines:
    """What was found.

    Parameters
    ----------
    lines : tuple of FoundLine
        In the unit of the motion.
    arrays : dict
        Frequencies and densities of the shared motion along x and y, of the longest stretch, and
        the 68 % band of their sum.
    """

    lines: tuple[FoundLine, ...]
    arrays: dict[str, FloatArray]


def uneven_lines(
    tracks: StarTracks, motion: CommonMotion, instrument: Instrument, scale_arcsec: float
) -> UnevenLines | None:
    """Search the shared motion at the frames' own times.

    Parameters
    ----------
    tracks : StarTracks
        Irregular in time.
    motion : CommonMotion
    instrument : Instrument
        For the causes.
    scale_arcsec : float
        Arcsec per pixel (1 to stay in pixels).

    Returns
    -------
    UnevenLines or None
        None with fewer than 100 frames in the longest stretch.

    Notes
    -----
    Generalised Lomb-Scargle periodogram for the density; the search transforms at the same times.
    Up to half the usual rate only: intervals that scatter fold no frequency onto another, but hide
    none either, and what is faster shows as a raised floor.
    """
    from scipy.stats import chi2

    from blursplit.spectra import AliasDecision, find_lines, lomb_scargle_density

    shared = scale_arcsec * np.stack([motion.x_px, motion.y_px], axis=1)
    good = np.isfinite(shared).all(axis=1)
    time_s, shared, segment = tracks.time_s[good], shared[good], tracks.segment[good]
    if not time_s.size:
        return None
    numbers, counts = np.unique(segment, return_counts=True)
    longest = segment == numbers[int(np.argmax(counts))]
    if longest.sum() < FEWEST_FRAMES:
        return None
    cadence_s = float(np.median(np.diff(time_s[longest])))
    search = find_lines(
        time_s, shared, cadence_s=cadence_s, timing="irregular", segment=segment.astype(np.int64)
    )
    lines = [
        FoundLine(
            _doubted(fit),
            None,
            AliasDecision(np.array([fit.frequency_hz]), np.ones(1), ("uneven times",)),
        )
        for fit in search.lines
    ]
    named = name_found(
        lines, instrument, cadence_s=cadence_s, lowest_hz=float(search.searched_hz[0])
    )
    at, part = time_s[longest][:MOST_FRAMES], shared[longest][:MOST_FRAMES]
    slope = np.polynomial.polynomial.polyfit(at, part, 1)
    part = part - (slope[0] + np.outer(at, slope[1]))
    span_s = float(at[-1] - at[0])
    frequency = np.arange(1, max(int(0.5 * span_s / cadence_s), 2)) / span_s
    densities = [lomb_scargle_density(at, part[:, axis], frequency) for axis in range(2)]
    total = densities[0] + densities[1]
    low, high = (float(chi2.ppf(part, DEGREES_OF_FREEDOM)) for part in (0.15865, 0.84135))
    return UnevenLines(
        tuple(named),
        {
            "frequency_hz": frequency,
            "common_psd_x_arcsec2_hz": densities[0],
            "common_psd_y_arcsec2_hz": densities[1],
            "common_psd_low_arcsec2_hz": DEGREES_OF_FREEDOM * total / high,
            "common_psd_high_arcsec2_hz": DEGREES_OF_FREEDOM * total / low,
        },
    )


def _doubted(fit: LineFit) -> LineFit:
    """Widen the errors of a line's size by what uneven times leave open."""
    size = np.sqrt(np.outer(np.diag(fit.covariance), np.diag(fit.covariance)))
    return replace(fit, covariance_sigma=np.hypot(fit.covariance_sigma, SIZE_ERROR * size))
