"""Events as records of the result: times, counts and intervals across gaps."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.diagnostics import _time_frequency_arrays, find_shared_events
from blursplit.motion.common import GridData, GridSegment
from blursplit.series import SERIES_NAMES

CADENCE_S = 0.025


def _segment(start_s: float, n: int, shock_s: float | None, rng) -> GridSegment:
    """Return quiet motion with one ring-down of 2 arcsec; a fifth of the samples filled in."""
    time = start_s + np.arange(n) * CADENCE_S
    motion = 0.05 * rng.normal(size=(n, 2))
    if shock_s is not None:
        since = np.clip(time - shock_s, 0.0, None)
        ring = 2.0 * np.exp(-0.05 * 2 * np.pi * 8 * since) * np.sin(2 * np.pi * 8 * since)
        motion[:, 0] += ring
    real = np.arange(n) % 5 != 0
    return GridSegment(
        start_s=start_s,
        shared_arcsec=motion,
        stars_arcsec=np.repeat(motion, 3, axis=1),
        real=real,
        frame=np.where(real, np.arange(n), -1),
    )


@pytest.fixture
def grid() -> GridData:
    """Return two stretches with a gap of 10 s, a shock in the second."""
    rng = np.random.default_rng(17)
    return GridData(
        segments=(_segment(0.0, 800, None, rng), _segment(30.0, 400, 34.0, rng)),
        star=np.arange(3),
        star_x_arcsec=np.zeros(3),
        star_y_arcsec=np.zeros(3),
        noise_psd_arcsec2_hz=np.full(3, 1e-4),
        shared_noise_psd_arcsec2_hz=3e-5,
        cadence_s=CADENCE_S,
        exposure_s=0.01,
    )


def test_event_after_a_gap_has_its_own_time(grid):
    """Seconds and UTC count from the first frame of the run, gaps included."""
    (event,), search = find_shared_events(grid, "2026-03-04T23:59:40.500")
    # the swing is large from the frame after its start
    assert_allclose(event.start_s, 34.0, atol=1.5 * CADENCE_S)
    start = np.datetime64("2026-03-04T23:59:40.500") + np.timedelta64(
        round(1000 * event.start_s), "ms"
    )
    # written to the hundredth of a second
    assert abs(np.datetime64(event.start_utc) - start) <= np.timedelta64(5, "ms")
    assert event.kind == "shock"
    assert find_shared_events(grid, None)[0][0].start_utc is None
    assert search.frames_affected == event.frames


def test_only_recorded_frames_are_counted(grid):
    """Only recorded frames are counted: four in five."""
    (event,), search = find_shared_events(grid, None)
    assert search.frames_searched == 960
    assert_allclose(event.frames, 0.8 * event.duration_s / CADENCE_S, atol=1.0)


def test_peak_has_an_interval_that_holds_the_truth(grid):
    """The first swing: 2 exp(-0.05 pi/2) = 1.85 arcsec, less what sampling and filter take."""
    (event,), _ = find_shared_events(grid, None)
    peak = event.peak_arcsec
    assert peak.low95 < peak.low < peak.value < peak.high < peak.high95
    # five samples a cycle miss the top by up to 1 - cos(pi/5) = 0.19
    assert 1.85 * 0.81 - 2 * 0.05 < peak.value < 1.85 + 2 * 0.05


def test_arrays_have_described_names_and_fit_each_other(grid):
    """Arrays have described names, fit each other, and are blank in the gap."""
    arrays = _time_frequency_arrays(grid)
    assert set(arrays) <= set(SERIES_NAMES)
    psd, edge_s = arrays["common_psd_by_time_arcsec2_hz"], arrays["time_edge_s"]
    assert psd.shape == (len(edge_s) - 1, len(arrays["frequency_edge_hz"]) - 1)
    middle = 0.5 * (edge_s[:-1] + edge_s[1:])
    assert np.isnan(psd[(middle > 20.0) & (middle < 30.0)]).all()
    assert np.isfinite(psd[(middle > 1.0) & (middle < 19.0)]).all()
