"""A guide loop's oscillation is tracking, named with its odds, and air alone shows none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.evidence.guide_loop import find_guide_motion
from blursplit.measure import Source, measure_tracks
from blursplit.rig import Rig, Setup
from blursplit.simulate.motion import _noise_series
from blursplit.stars.tracks import StarTracks

CADENCE_S, EXPOSURE_S, FRAMES, STARS = 0.1, 0.05, 3000, 4
CYCLE_S, GAIN = 2.0, 0.9
NOISE_PX = 0.05


def _guided(motion):
    """Close an integrating loop, one correction a cycle from the cycle's mean, no extra delay."""
    steps = round(CYCLE_S / CADENCE_S)
    left, command = motion.copy(), np.zeros(2)
    for first in range(0, len(motion), steps):
        left[first : first + steps] -= command
        command = command + GAIN * left[first : first + steps].mean(axis=0)
    return left


def _tracks(*, guided, seed=1):
    rng = np.random.default_rng(seed)
    rate = 1 / CADENCE_S

    def airy(f):
        return np.maximum(f, 0.01) ** (-2 / 3)

    shared = 0.3 * np.stack([_noise_series(FRAMES, rate, airy, rng) for _ in "xy"], axis=1)
    if guided:
        shared = _guided(shared)
    shape = (FRAMES, STARS)
    own = [0.1 * _noise_series(FRAMES, rate, airy, rng) for _ in range(2 * STARS)]
    own = np.stack(own, axis=1) + NOISE_PX * rng.standard_normal((FRAMES, 2 * STARS))
    x0, y0 = np.array([50.0, 350.0, 120.0, 260.0]), np.array([60.0, 90.0, 330.0, 210.0])
    level = np.full(shape, 1e5)
    return StarTracks(
        time_s=np.arange(FRAMES) * CADENCE_S,
        segment=np.zeros(FRAMES, dtype=np.int64),
        row_time_s=np.zeros(shape),
        x_px=x0 + shared[:, :1] + own[:, :STARS],
        y_px=y0 + shared[:, 1:] + own[:, STARS:],
        sigma_px=np.full(shape, NOISE_PX),
        flux_adu=level,
        width_px=np.full(shape, 1.5),
        e1=np.zeros(shape),
        e2=np.zeros(shape),
        peak_adu=level / 10,
        good=np.ones(shape, dtype=bool),
        exposure_s=EXPOSURE_S,
        cadence_s=CADENCE_S,
        frame=np.arange(FRAMES),
    )


def _result(tmp_path, tracks):
    setup = tmp_path / "rig.toml"
    setup.write_text(
        "[camera]\npixel_scale_arcsec = 1.0\n[telescope]\naperture_m = 0.2\n"
        f"[mount]\nguide_period_s = {CYCLE_S}\n",
        encoding="utf-8",
    )
    rig = Rig.read(setup).with_header({})
    source = Source(tracks, rig, "guided", 1, FRAMES)
    return measure_tracks(source).result


def test_guide_oscillation_is_reported_with_its_odds(tmp_path):
    result = _result(tmp_path, _tracks(guided=True))
    lines = [line for line in result.lines if "guide loop" in line.cause]
    assert len(lines) == 1
    # amplified from about a tenth of the cycle rate to half of it (`residual_gain`)
    assert 0.05 < lines[0].frequency_hz.value < 0.25
    assert lines[0].cause_odds["guide loop"] > 0.9
    assert_allclose(sum(lines[0].cause_odds.values()), 1.0)
    assert lines[0].rms_arcsec.value > 0.0


def test_unguided_motion_shows_no_loop_though_one_is_declared(tmp_path):
    result = _result(tmp_path, _tracks(guided=False))
    assert not [line for line in result.lines if "guide loop" in line.cause]


@pytest.mark.parametrize("cycle_s", [None, 40.0])
def test_no_cycle_or_too_few_of_them_give_nothing(cycle_s):
    from blursplit.motion import CommonMotion
    from blursplit.motion.common import GridData

    tracks = _tracks(guided=True)
    grid = GridData.of(tracks, CommonMotion.of(tracks), scale_arcsec=1.0, cadence_s=CADENCE_S)
    setup = Setup() if cycle_s is None else Setup(mount={"guide_period_s": cycle_s})
    assert find_guide_motion(grid, Rig.of_setup(setup).with_header({})) is None
