"""Stars whose images are hardly larger than the pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from blursplit.image.stack import StarImages, _sampling_error
from blursplit.stars import follow_stars

X = np.array([40.3, 118.6, 82.1, 36.2, 121.4, 78.8])
Y = np.array([36.7, 42.2, 80.4, 120.9, 117.5, 124.1])
FLUX = np.array([40e3, 30e3, 24e3, 18e3, 12e3, 9e3])


def test_stars_narrower_than_their_pixels_are_followed(make_sequence: Any) -> None:
    """Sigma 0.45 px: followed within what pixels alias, no hot pixel taken."""
    rng = np.random.default_rng(31)
    motion = np.cumsum(rng.normal(0, 0.4, (80, 2)), axis=0)
    x, y = X + motion[:, :1], Y + motion[:, 1:]

    def warm(frame: Any, _number: int) -> None:
        frame[[30, 77, 121], [140, 52, 15]] += 900.0

    tracks = follow_stars(make_sequence(x, y, FLUX, rng, sigma=0.45, spoil=warm))
    order = np.argsort(-FLUX)
    off = np.hypot(tracks.x_px - x[:, order[: tracks.n_stars]], tracks.y_px - y[:, order])
    # The windowed centroid of such a star errs by up to 0.063 px along each axis with the place of
    # the star in its pixel (drawn without noise at 41 places): 0.09 px together, and noise.
    assert np.nanmax(off) < 0.12
    assert tracks.n_stars == FLUX.size


@pytest.mark.parametrize("sigma", [0.47, 0.55])
def test_narrow_stars_have_a_width_where_they_wander_over_their_pixels(
    make_sequence: Any, sigma: float
) -> None:
    rng = np.random.default_rng(32)
    motion = rng.normal(0, 0.35, (150, 2))
    tracks = follow_stars(
        make_sequence(X + motion[:, :1], Y + motion[:, 1:], FLUX, rng, sigma=sigma)
    )
    assert "undersampled" not in dict(tracks.notes)
    images = StarImages.of(tracks, 1e3, 1.0, {})
    assert images is not None
    for name, variance in (("registered", 0.0), ("recorded", motion.var(axis=0).mean())):
        true = 2.3548 * np.sqrt(sigma**2 + variance)
        # the stated error of narrow stars' widths
        assert abs(images.widths[name].mean / true - 1) < 2 * _sampling_error(true)


def test_narrow_stars_that_stand_still_have_no_width(make_sequence: Any) -> None:
    rng = np.random.default_rng(33)
    place = rng.normal(0, 0.02, (80, 2))
    still = make_sequence(
        np.round(X) + 0.25 + place[:, :1], np.round(Y) + 0.25 + place[:, 1:], FLUX, rng, sigma=0.45
    )
    tracks = follow_stars(still)
    assert "undersampled" in dict(tracks.notes)
    assert tracks.stamps is None
