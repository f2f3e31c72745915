"""Stars whose images are hardly larger than the pixels."""

from __future__ import annotations

from typing import Any

import numpy as np

from blursplit.stars import follow_stars

X = np.array([40.3, 118.6, 82.1, 36.2, 121.4, 78.8])
Y = np.array([36.7, 42.2, 80.4, 120.9, 117.5, 124.1])
FLUX = np.array([40e3, 30e3, 24e3, 18e3, 12e3, 9e3])


def test_stars_narrower_than_their_pixels_give_positions_only(make_sequence: Any) -> None:
    """Sigma 0.45 px: followed within what pixels alias, said so, no stamps, no hot pixel taken."""
    rng = np.random.default_rng(31)
    motion = np.cumsum(rng.normal(0, 0.4, (80, 2)), axis=0)
    x, y = X + motion[:, :1], Y + motion[:, 1:]

    def warm(frame: Any, _number: int) -> None:
        frame[[30, 77, 121], [140, 52, 15]] += 900.0

    tracks = follow_stars(make_sequence(x, y, FLUX, rng, sigma=0.45, spoil=warm))
    assert "undersampled" in dict(tracks.notes)
    assert tracks.stamps is None
    order = np.argsort(-FLUX)
    off = np.hypot(tracks.x_px - x[:, order[: tracks.n_stars]], tracks.y_px - y[:, order])
    # The windowed centroid of such a star errs by up to 0.063 px along each axis with the place of
    # the star in its pixel (drawn without noise at 41 places): 0.09 px together, and noise.
    assert np.nanmax(off) < 0.12
    assert tracks.n_stars == FLUX.size
