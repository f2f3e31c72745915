"""Where the field is, told by its guide stars."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.stars.block import _guess_offsets, _joined, _sum_cuts


@pytest.mark.parametrize("guides", [1, 2, 3, 5])
def test_profiles_are_joined_by_their_median_where_they_can_outvote_each_other(guides):
    level = np.random.default_rng(guides).standard_normal((40, guides, 31)).astype(np.float32)
    expected = level.sum(axis=1) if guides < 3 else np.median(level, axis=1)
    assert_array_equal(_joined(level.swapaxes(1, 2)), expected)


def test_offset_of_each_frame_is_found_though_one_guide_has_a_brighter_neighbour():
    size, sigma, frames = 41, 1.6, 60
    rng = np.random.default_rng(5)
    moved = rng.uniform(-8, 8, (frames, 2))
    at = np.full((frames, 3), 20.0) + rng.uniform(-0.5, 0.5, 3)
    y, x = np.mgrid[:size, :size]
    cuts = rng.normal(100, 3, (frames, 3, size, size))
    for guide in range(3):
        dx = x - (at[:, guide] + moved[:, 0])[:, None, None]
        dy = y - (at[:, guide] + moved[:, 1])[:, None, None]
        cuts[:, guide] += 800 * np.exp(-0.5 * (dx**2 + dy**2) / sigma**2)
    # It stands still in its cut-out while the stars move, so it can only mislead.
    cuts[:, 1] += 2000 * np.exp(-0.5 * ((x - 6) ** 2 + (y - 34) ** 2) / sigma**2)
    found = _guess_offsets(_sum_cuts(cuts.astype(np.float32)), at, at, sigma)
    # To about half a pixel is what the guess promises; a star is looked for within two.
    assert_allclose(np.stack(found, axis=1), moved, rtol=0, atol=0.5)
