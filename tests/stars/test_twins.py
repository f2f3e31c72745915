"""Stars that were entered twice in the list."""

import numpy as np

from blursplit.stars.build_tracks import _find_duplicates

rng = np.random.default_rng(8)
N = 200
MOTION = rng.normal(0.0, 3.0, (N, 2, 1))
PLACES = np.array([[40.0, 40.0, 90.0, 44.0], [50.0, 50.0, 20.0, 50.0]])


def test_the_track_that_is_seen_less_is_the_twin_and_a_near_star_is_none() -> None:
    x, y = np.moveaxis(PLACES + MOTION + rng.normal(0.0, 0.05, (N, 2, 4)), 1, 0)
    good = np.ones((N, 4), dtype=bool)
    good[::3, 0] = False
    # A sigma of 1.5 px: the last star, 4 px beside the first, has a peak of its own.
    assert _find_duplicates(x, y, good, 1.5).tolist() == [True, False, False, False]


def test_places_that_coincide_in_a_few_frames_only_are_two_stars() -> None:
    x, y = np.moveaxis(PLACES + MOTION, 1, 0).copy()
    x[:40, 2], y[:40, 2] = x[:40, 0], y[:40, 0]
    good = np.ones((N, 4), dtype=bool)
    good[:, 1] = False
    assert not _find_duplicates(x, y, good, 1.5).any()
