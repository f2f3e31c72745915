"""How follow_stars reads a sequence: once, and at the time of each star's row."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.testing import assert_allclose

from blursplit.rig import Setting
from blursplit.stars import follow_stars

X = np.array([40.3, 118.6, 82.1, 36.2, 121.4, 78.8])
Y = np.array([36.7, 42.2, 80.4, 120.9, 117.5, 124.1])
FLUX = np.array([40e3, 30e3, 24e3, 18e3, 12e3, 9e3])


def wandering(n: int, rng: np.random.Generator, step: float = 0.25) -> tuple[Any, Any]:
    """Places of stars that all share a motion, shape (n, k)."""
    motion = np.zeros((n, 2))
    for i in range(1, n):
        motion[i] = 0.97 * motion[i - 1] + rng.normal(0, step, 2)
    return X + motion[:, :1], Y + motion[:, 1:]


def test_stars_are_read_once(make_sequence: Any) -> None:
    """In a calm field a frame is read whole only for detection, each stamp cut once.

    Beside them, 12 patches of blank sky in 16 frames of every 64, and 25 looks at hot pixels.
    """
    rng = np.random.default_rng(23)
    x, y = wandering(300, rng, 0.1)
    sequence = make_sequence(x, y, FLUX, rng)
    done: list[tuple[int, int]] = []
    follow_stars(sequence, progress=lambda i, n: done.append((i, n)))
    assert sequence.source.frames_read <= 40
    beside = sequence.source.stamps_cut - 300 * X.size
    assert 0 < beside <= 5 * 16 * 12 + 25
    assert done[-1] == (300, 300)


def test_rows_read_later_are_later(make_sequence: Any) -> None:
    """With a rolling shutter each star has the delay of its row; the order is respected."""
    rng = np.random.default_rng(24)
    x, y = wandering(30, rng)
    sequence = make_sequence(x, y, FLUX, rng)
    known = {**sequence.instrument.settings, "row_time_us": Setting(25.0, "option")}
    sequence.instrument = type(sequence.instrument)(settings=known)
    tracks = follow_stars(sequence)
    assert_allclose(tracks.row_time_s, 25e-6 * tracks.y_px)
    assert "row-order-assumed" in {code for code, _ in tracks.notes}
    known["row_order"] = Setting("last-row-first", "option")
    sequence.instrument = type(sequence.instrument)(settings=known)
    tracks = follow_stars(sequence)
    assert_allclose(tracks.row_time_s, 25e-6 * (159 - tracks.y_px))
