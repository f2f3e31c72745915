"""Two frame rates in one run: the second tells which alias a line is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit import measure_sequence
from blursplit.frames.rates import change_of_rate

TRUE_HZ = 31.0
STARS = ((18.0, 15.0), (45.0, 30.0), (22.0, 46.0))
START = datetime(2024, 3, 1, 22, 0, 0, tzinfo=UTC)


def _record(folder, rng, frames, rate_hz, start_s):
    """Write one file a frame: three stars that shake at 31 Hz by 0.3 px, noise and slow wander."""
    from astropy.io import fits

    folder.mkdir()
    y, x = np.mgrid[0:64, 0:64]
    wander = np.cumsum(rng.normal(0, 0.02, (frames, 2)), axis=0)
    for index in range(frames):
        time_s = start_s + index / rate_hz
        shake = 0.3 * np.sqrt(2) * np.sin(2 * np.pi * TRUE_HZ * time_s)
        dx, dy = wander[index] + np.array([0.8, 0.6]) * shake
        frame = 200.0 + rng.normal(0, 5.0, (64, 64))
        for at_x, at_y in STARS:
            own = rng.normal(0, 0.05, 2)
            distance2 = (x - at_x - dx - own[0]) ** 2 + (y - at_y - dy - own[1]) ** 2
            frame += 3000.0 * np.exp(-0.5 * distance2 / 1.7**2)
        header = fits.Header()
        header["DATE-OBS"] = (START + timedelta(seconds=time_s)).strftime("%Y-%m-%dT%H:%M:%S.%f")
        header["EXPTIME"] = 0.004
        path = folder / f"{folder.name}{index:05d}.fits"
        fits.PrimaryHDU(frame.astype(np.float32), header).writeto(path)


def test_second_rate_of_a_run_on_files_decides_the_alias(tmp_path):
    """31 Hz shows at 9 Hz in 40 frames/s and at 16 Hz in 47 frames/s; one rate cannot tell."""
    rng = np.random.default_rng(5)
    _record(tmp_path / "a", rng, 500, 40.0, 0.0)
    _record(tmp_path / "b", rng, 400, 47.0, 17.0)
    alone = measure_sequence([tmp_path / "a"]).result
    both = measure_sequence([tmp_path / "a", tmp_path / "b"]).result
    for result in (alone, both):
        assert result.sequence.timing == "regular"
        assert_allclose(result.sequence.cadence_s, 1 / 40, rtol=1e-3)
        assert len(result.lines) == 1
        # a steady line in 12 s: a small part of 1/T = 0.08 Hz
        assert_allclose(result.lines[0].frequency_hz.value, 9.0, atol=0.02)
    lines = [result.lines[0] for result in (alone, both)]
    odds = [dict(zip(li.alias_candidates_hz, li.alias_odds, strict=True)) for li in lines]
    best = [max(each, key=each.get) for each in odds]
    assert odds[0][best[0]] < 0.8
    assert_allclose(best[1], TRUE_HZ, atol=0.05)
    assert odds[1][best[1]] > 0.95
    notes = [warning.text for warning in both.warnings if warning.code == "two-rates"]
    assert len(notes) == 1
    assert "500 frames at 40 per second are measured, the 400 at 47 per second" in notes[0]
    assert "two-rates" not in [warning.code for warning in alone.warnings]


@pytest.mark.parametrize("gap_s", [1 / 50, 0.5, 30.0])
@pytest.mark.parametrize("late_s", [0.0, 0.001])
def test_change_of_rate_is_placed(gap_s, late_s):
    """The first frame after the change, with or without a gap, with stamps a little late."""
    rng = np.random.default_rng(3)
    first = np.arange(700) / 40
    time_s = np.concatenate([first, first[-1] + gap_s + np.arange(500) / 50])
    time_s = np.sort(time_s + late_s * rng.uniform(size=time_s.size))
    # without a gap the frame on the border belongs to both
    assert abs(change_of_rate(time_s) - 700) <= 1


def test_one_rate_with_lost_frames_gaps_and_late_stamps_has_no_change():
    """What a usual run does to its intervals is no second rate."""
    rng = np.random.default_rng(4)
    number = np.flatnonzero(rng.uniform(size=2000) > 0.1)
    time_s = np.sort(number / 50 + 0.003 * rng.uniform(size=number.size))
    time_s[900:] += 20.0
    assert change_of_rate(time_s) is None
    assert change_of_rate(time_s[:150]) is None
