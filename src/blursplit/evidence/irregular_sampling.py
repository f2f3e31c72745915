"""Lines and spectrum of a run whose frames follow no regular grid, at the frames' own times."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blursplit.constants import (
    IRREGULAR_FEWEST_FRAMES,
    IRREGULAR_FREEDOM,
    IRREGULAR_MOST_FRAMES,
    IRREGULAR_SIZE_ERROR,
)
from blursplit.motion import CommonMotion
from blursplit.spectra import LineFit
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


@dataclass(frozen=True)
class IrregularLines:
    """What was found."""

    lines: tuple[LineFit, ...]  # in the unit of the motion
    cadence_s: float  # median interval of the longest stretch
    lowest_hz: float  # start of the search
    # Frequencies and densities of the shared motion along x and y, of the longest stretch, and the
    # 68 % band of their sum.
    arrays: dict[str, FloatArray]


def find_lines_at_own_times(
    tracks: StarTracks, motion: CommonMotion, scale_arcsec: float
) -> IrregularLines | None:
    """Search the shared motion at the frames' own times.

    `tracks`: irregular in time. `scale_arcsec`: arcsec per pixel (1 to stay in pixels).

    Returns: none with fewer than 100 frames in the longest stretch.

    Generalised Lomb-Scargle periodogram for the density; the search transforms at the same times.
    Up to half the usual rate only: intervals that scatter fold no frequency onto another, but hide
    none either, and what is faster shows as a raised floor.
    """
    from scipy.stats import chi2

    from blursplit.spectra import find_lines, lomb_scargle_density

    shared = scale_arcsec * np.stack([motion.x_px, motion.y_px], axis=1)
    good = np.isfinite(shared).all(axis=1)
    time_s, shared, segment = tracks.time_s[good], shared[good], tracks.segment[good]
    if not time_s.size:
        return None
    numbers, counts = np.unique(segment, return_counts=True)
    longest = segment == numbers[int(np.argmax(counts))]
    if longest.sum() < IRREGULAR_FEWEST_FRAMES:
        return None
    cadence_s = float(np.median(np.diff(time_s[longest])))
    search = find_lines(
        time_s, shared, cadence_s=cadence_s, timing="irregular", segment=segment.astype(np.int64)
    )
    at, part = time_s[longest][:IRREGULAR_MOST_FRAMES], shared[longest][:IRREGULAR_MOST_FRAMES]
    slope = np.polynomial.polynomial.polyfit(at, part, 1)
    part = part - (slope[0] + np.outer(at, slope[1]))
    span_s = float(at[-1] - at[0])
    frequency = np.arange(1, max(int(0.5 * span_s / cadence_s), 2)) / span_s
    densities = [lomb_scargle_density(at, part[:, axis], frequency) for axis in range(2)]
    total = densities[0] + densities[1]
    low, high = (float(chi2.ppf(part, IRREGULAR_FREEDOM)) for part in (0.15865, 0.84135))
    return IrregularLines(
        tuple(_doubted(fit) for fit in search.lines),
        cadence_s,
        float(search.searched_hz[0]),
        {
            "frequency_hz": frequency,
            "common_psd_x_arcsec2_hz": densities[0],
            "common_psd_y_arcsec2_hz": densities[1],
            "common_psd_low_arcsec2_hz": IRREGULAR_FREEDOM * total / high,
            "common_psd_high_arcsec2_hz": IRREGULAR_FREEDOM * total / low,
        },
    )


def _doubted(fit: LineFit) -> LineFit:
    """Widen the errors of a line's size by what uneven times leave open."""
    size = np.sqrt(np.outer(np.diag(fit.covariance), np.diag(fit.covariance)))
    return replace(
        fit, covariance_sigma=np.hypot(fit.covariance_sigma, IRREGULAR_SIZE_ERROR * size)
    )
