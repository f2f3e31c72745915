"""Rows read at different times: shared motion must not pass for air."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from blursplit.motion.common import GridData, GridSegment

CADENCE = 1 / 60
ROWS = np.array([40, 120, 200, 280, 360, 440]) * 25e-6


def grid_of(frequency_hz: float) -> GridData:
    t = np.arange(1200) * CADENCE
    motion = 0.5 * np.cos(2 * np.pi * frequency_hz * (t[:, None] + ROWS))
    stars = np.concatenate([motion, 0.3 * motion], axis=1)
    shared = np.stack([motion.mean(axis=1), 0.3 * motion.mean(axis=1)], axis=1)
    segment = GridSegment(0.0, shared, stars, np.ones(1200, bool), np.arange(1200))
    n = len(ROWS)
    return GridData(
        (segment,), np.arange(n), np.zeros(n), np.zeros(n), np.zeros(n), 0.0, CADENCE, 0.004, ROWS
    )


def apart(segment: GridSegment) -> float:
    stars = segment.stars_arcsec[100:-100, : len(ROWS)]
    return float((stars - stars.mean(axis=1, keepdims=True)).std())


def test_shared_motion_below_nyquist_is_shared_again() -> None:
    grid = grid_of(12.0)
    before, after = grid.segments[0], grid.rows_aligned().segments[0]
    # 12 Hz over 10 ms of rows is 43 degrees: the stars lie apart by a fifth of the motion.
    assert apart(before) > 0.05
    assert apart(after) < 2e-3
    assert_allclose(after.shared_arcsec[100:-100, 0].std(), 0.5 / np.sqrt(2), rtol=5e-3)
    assert_allclose(after.as_read_arcsec, before.stars_arcsec)


def test_folded_motion_keeps_the_power_that_its_zone_says() -> None:
    """44 Hz filmed at 60 frames a second shows at 16 Hz, with a phase of 2 pi fs d left over."""
    aligned = grid_of(44.0).rows_aligned().segments[0]
    measured = aligned.shared_arcsec[100:-100, 0].var() / (0.5 * 0.5**2)
    assert_allclose(measured, grid_of(44.0).kept_by_rows(np.array([44.0]))[0], rtol=0.02)


def test_all_rows_at_once_keep_all() -> None:
    grid = grid_of(5.0)
    assert_allclose(replace(grid, row_time_s=None).kept_by_rows(np.array([5.0, 44.0])), 1.0)
    assert_allclose(grid.kept_by_rows(np.array([5.0])), 1.0)
