"""Elongation shared by all stars: motion inside the exposures, or optics.

Its changes from frame to frame are evidence of motion by themselves. Its constant part stays
"optics or steady fast motion" until two exposure times, or a camera turned by 90 degrees, decide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    LEAST_ELONGATION,
    SHAPE_LEAST_FRAMES,
    SHAPE_LEAST_STARS,
    SHAPE_SURE,
    SIGMA_PER_MAD,
    WINDOW_DIMMING,
)
from blursplit.stars.tracks import StarTracks


@dataclass(frozen=True)
class SharedShape:
    """Elongation that all stars have in common."""

    constant: float  # size of the mean elongation, (a^2 - b^2)/(a^2 + b^2)
    constant_sigma: float
    angle_deg: float  # direction of the longer axis, [0, 180) from +x toward +y
    changing: float  # rms of its changes over the frames, what single stars scatter removed
    changing_sigma: float
    sigma_px: float  # median one-axis width of the stars

    @property
    def change_is_shown(self) -> bool:
        """Whether the elongation changes beyond what single stars scatter."""
        return self.changing > max(SHAPE_SURE * self.changing_sigma, LEAST_ELONGATION)


def shared_shape(tracks: StarTracks) -> SharedShape | None:
    """Measure the elongation shared by all stars; None for fewer than three stars.

    The shared elongation of a frame is the median over its stars. Its error follows from how far
    the stars lie from it, so that air, which differs from star to star, counts as error.
    """
    good = tracks.good & np.isfinite(tracks.e1) & np.isfinite(tracks.e2)
    enough = good.sum(axis=1) >= SHAPE_LEAST_STARS
    if enough.sum() < SHAPE_LEAST_FRAMES:
        return None
    e = np.where(good[..., None], np.stack([tracks.e1, tracks.e2], axis=-1), np.nan)[enough]
    count = good[enough].sum(axis=1)
    shared = np.nanmedian(e, axis=1)
    scatter = SIGMA_PER_MAD * np.nanmedian(np.abs(e - shared[:, None]), axis=1)
    # The median of n values errs by 1.25 sigma/sqrt(n).
    noise2 = np.mean((1.25 * scatter) ** 2 / count[:, None], axis=0)
    mean = shared.mean(axis=0)
    star_mean = np.nanmean(e, axis=0)
    between = np.nanstd(star_mean, axis=0) / np.sqrt(e.shape[1])
    spread2 = np.maximum(shared.var(axis=0) - noise2, 0.0)
    n = len(shared)
    changing = float(np.sqrt(spread2.sum()))
    floor = float(np.sqrt(noise2.sum()) * (2.0 / n) ** 0.25)
    return SharedShape(
        constant=float(np.hypot(*mean)),
        constant_sigma=float(np.hypot(*between)),
        angle_deg=float(np.degrees(0.5 * np.arctan2(mean[1], mean[0])) % 180.0),
        changing=changing,
        changing_sigma=floor,
        sigma_px=float(np.nanmedian(np.where(good, tracks.width_px, np.nan))),
    )


def fast_variance_px2(tracks: StarTracks, shape: SharedShape | None) -> float:
    """Return the largest one-axis variance of motion inside the exposures [px^2]; 0 for none.

    `shape`: none for fewer than three stars: then the stars' own changes set the upper end.

    Streaks of a mode's motion differ from frame to frame by about as much as their mean, so
    without a change there is none, and the constant part may be theirs too. Air close to the
    telescope changes shapes alike, which makes this an upper end.
    """
    if shape is not None:
        whole = float(np.hypot(shape.constant, shape.changing))
        elongation = whole if shape.change_is_shown else 0.0
        width_px = shape.sigma_px
    else:
        good = tracks.good & np.isfinite(tracks.e1) & np.isfinite(tracks.e2)
        if good.sum() < SHAPE_LEAST_FRAMES:
            return 0.0
        width_px = float(np.median(tracks.width_px[good]))
        # A position known to s says of (a^2 - b^2)/(a^2 + b^2) two s/width, each component.
        noise2 = 8.0 * float(np.mean((tracks.sigma_px[good] / width_px) ** 2))
        power = float(np.mean(tracks.e1[good] ** 2 + tracks.e2[good] ** 2))
        elongation = float(np.sqrt(max(power - noise2, 0.0)))
    return WINDOW_DIMMING * elongation * width_px**2
