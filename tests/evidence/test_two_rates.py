"""Two frame rates in one run: the second tells which alias a line is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.evidence.two_rates import _split_at_rate_change
from blursplit.frames.inspection import _small_ratio
from blursplit.frames.timing import RatePart, Timing, _change_of_rate
from blursplit.measure import Source, measure, measure_tracks
from blursplit.rig import Rig
from blursplit.stars.tracks import StarTracks

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
    alone = measure([tmp_path / "a"]).result
    both = measure([tmp_path / "a", tmp_path / "b"]).result
    for result in (alone, both):
        assert result.sequence.timing == "regular"
        assert_allclose(result.sequence.cadence_s, 1 / 40, rtol=1e-3)
        assert len(result.lines) == 1
        # a steady line in 12 s: a small part of 1/T = 0.08 Hz
        assert_allclose(result.lines[0].folded_frequency_hz.value, 9.0, atol=0.02)
    # undecided it stands where the record shows it, decided where it truly is
    assert_allclose(alone.lines[0].frequency_hz.value, 9.0, atol=0.02)
    assert_allclose(both.lines[0].frequency_hz.value, TRUE_HZ, atol=0.02)
    lines = [result.lines[0] for result in (alone, both)]
    odds = [dict(zip(li.alias_candidates_hz, li.alias_odds, strict=True)) for li in lines]
    best = [max(each, key=each.get) for each in odds]
    assert lines[0].kind == "steady"
    assert lines[0].steady_chance < 1e-4
    # it moves along one direction
    assert lines[0].minor_over_major.is_limit
    assert lines[0].minor_over_major.high < 0.5
    assert odds[0][best[0]] < 0.8
    assert_allclose(best[1], TRUE_HZ, atol=0.05)
    assert odds[1][best[1]] > 0.95
    notes = [warning.text for warning in both.warnings if warning.code == "two-rates"]
    assert len(notes) == 1
    assert "500 frames at 40 frames/s are measured; the 400 at 47 frames/s" in notes[0]
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
    assert abs(_change_of_rate(time_s) - 700) <= 1


def test_one_rate_with_lost_frames_gaps_and_late_stamps_has_no_change():
    """What a usual run does to its intervals is no second rate."""
    rng = np.random.default_rng(4)
    number = np.flatnonzero(rng.uniform(size=2000) > 0.1)
    time_s = np.sort(number / 50 + 0.003 * rng.uniform(size=number.size))
    time_s[900:] += 20.0
    assert _change_of_rate(time_s) is None
    assert _change_of_rate(time_s[:150]) is None


@pytest.mark.parametrize("jitter", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("hardware", [False, True])
@pytest.mark.parametrize(("fast", "slow", "ratio"), [(700, 500, 2), (500, 700, 2), (700, 400, 3)])
@pytest.mark.parametrize("fast_first", [True, False])
def test_every_second_or_third_frame_is_a_rate_and_no_loss(
    jitter, hardware, fast, slow, ratio, fast_first
):
    """Whole multiples lie on the grid of the faster rate, where they would pass for losses."""
    steps = [np.full(fast, 0.02), np.full(slow, 0.02 * ratio)]
    exact = np.concatenate([[0.0], np.cumsum(np.concatenate(steps if fast_first else steps[::-1]))])
    late = 0.02 * jitter * np.random.default_rng(6).uniform(size=exact.size)
    timing = Timing.of(np.sort(exact + late), 1e-6, hardware=hardware)
    before, after = RatePart.both(timing.time_s)
    # the frame on the border belongs to both
    assert abs(after.first - (fast if fast_first else slow)) <= 1
    slower = after if fast_first else before
    # medians of hundreds of intervals whose ends scatter by 0.3 of the shorter one
    assert_allclose(slower.interval_s, 0.02 * ratio, rtol=0.02)
    assert before.missing == after.missing == 0


def test_run_that_loses_most_frames_of_its_second_half_has_one_rate():
    """Some short intervals are left where frames are lost, and none where they are not taken."""
    rng = np.random.default_rng(7)
    number = np.concatenate(
        [np.arange(800), 800 + np.cumsum(rng.choice([1, 2], 400, p=[0.1, 0.9]))]
    )
    assert RatePart.both(number / 50) == ()


def test_small_ratios_of_rates():
    assert _small_ratio(50.0, 25.0) == (2, 1)
    assert _small_ratio(25.0, 50.0) == (1, 2)
    assert _small_ratio(50.0, 40.0) == (5, 4)
    assert _small_ratio(50.0, 41.3) is None


def _tracks(counts, rates_hz):
    """Return two stars that shake at 31 Hz by 0.3 px, taken at one rate and then at another."""
    rng = np.random.default_rng(8)
    steps = np.concatenate([np.full(n, 1 / rate) for n, rate in zip(counts, rates_hz, strict=True)])
    timing = Timing.of(np.cumsum(steps) - steps[0], 1e-6)
    n = timing.time_s.size
    shake = 0.3 * np.sqrt(2) * np.sin(2 * np.pi * TRUE_HZ * timing.time_s)
    wander = np.cumsum(rng.normal(0, 0.02, (n, 2)), axis=0)
    shared = wander + shake[:, None] * np.array([0.8, 0.6])
    own = rng.normal(0, 0.05, (n, 4))
    flat = np.full((n, 2), 1e5)
    return StarTracks(
        time_s=timing.time_s,
        segment=timing.segment,
        row_time_s=np.zeros((n, 2)),
        x_px=np.array([50.0, 350.0]) + shared[:, :1] + own[:, :2],
        y_px=np.array([60.0, 210.0]) + shared[:, 1:] + own[:, 2:],
        sigma_px=np.full((n, 2), 0.05),
        flux_adu=flat,
        width_px=np.full((n, 2), 1.5),
        e1=np.zeros((n, 2)),
        e2=np.zeros((n, 2)),
        peak_adu=flat / 10,
        good=np.ones((n, 2), dtype=bool),
        exposure_s=0.004,
        cadence_s=timing.cadence_s,
        timing=timing.kind,
        frame=np.arange(n),
    )


def test_double_rate_leaves_no_frame_filled_in_and_halves_the_candidates():
    """At 25 frames/s 31 Hz shows at 6 Hz, at 50 at 19 Hz: so it is not 6 Hz."""
    tracks = _tracks((400, 700), (50.0, 25.0))
    main, second = _split_at_rate_change(tracks, Rig().with_header({}))
    assert second is not None
    assert (main.n_frames, second.n_frames) in {(700, 400), (699, 401), (701, 399)}
    assert_allclose([main.cadence_s, second.cadence_s], [0.04, 0.02], rtol=1e-6)
    assert main.timing == second.timing == "regular"
    source = Source(tracks, Rig().with_header({}), "double", 1, tracks.n_frames)
    (line,) = measure_tracks(source).result.lines
    odds = dict(zip(line.alias_candidates_hz, line.alias_odds, strict=True))
    left = [hz for hz, each in odds.items() if each > 0.01]
    assert_allclose(line.frequency_hz.value, 6.0, atol=0.02)
    # those that show at 19 Hz in 50 frames/s
    assert_allclose(np.abs(np.array(left) - 50.0 * np.round(np.array(left) / 50.0)), 19.0, atol=0.1)
    assert any(abs(hz - TRUE_HZ) < 0.1 for hz in left)


@pytest.mark.parametrize("frames", [200, 201, 202])
def test_the_shortest_runs_that_can_hold_two_rates_are_looked_at(frames: int) -> None:
    # A hundred intervals on each side: 201 frames.
    steps = np.where(np.arange(frames - 1) < (frames - 1) // 2, 0.02, 0.03)
    cut = _change_of_rate(np.concatenate([[0.0], np.cumsum(steps)]))
    assert cut == (None if frames < 201 else (frames - 1) // 2)
    assert _change_of_rate(0.02 * np.arange(frames)) is None
