"""Aliases: which candidates there are, and what decides between them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.diagnostics import _coherence_spectrum
from blursplit.budget.line_search import _group_harmonics
from blursplit.evidence.rolling_rows import _row_aligned_motion
from blursplit.evidence.two_rates import _second_rate_log_odds
from blursplit.spectra import (
    AliasCandidates,
    AliasDecision,
    LineSearch,
    apparent_frequency,
    shared_probability,
)
from blursplit.spectra.aliases import _exposure_log_odds

ROW_TIME_S = 25e-6


@pytest.mark.parametrize(
    ("true", "rate", "apparent"),
    [
        (31, 20, 9),
        (38, 50, 12),
        (11.7, 20, 8.3),
        (60, 50, 10),
        (100, 59.94, 19.88),
        (24.9, 25, 0.1),
        (120, 30, 0),
    ],
)
def test_apparent_frequency_matches_the_worked_values(true, rate, apparent):
    """Apparent frequency matches the worked values."""
    assert_allclose(apparent_frequency(true, rate), apparent, atol=1e-9)


def test_every_candidate_shows_at_the_apparent_frequency():
    """Every candidate shows at the apparent frequency."""
    found = AliasCandidates.of(9.0, 0.05)
    assert_allclose(apparent_frequency(found.frequency_hz, 20.0), 9.0)
    assert_allclose(found.frequency_hz[:5], [9, 11, 29, 31, 49])
    assert found.frequency_hz.max() <= 200
    assert_allclose(found.order / 0.05 + found.sign * 9.0, found.frequency_hz)


def test_exposure_evidence_is_the_squared_attenuation():
    """Exposure evidence is the squared attenuation."""
    # tau = 1/fs: a line above fs keeps at most 0.217 of its amplitude (closed form of sinc)
    values = _exposure_log_odds(np.array([10.0, 71.5]), 0.02)
    assert_allclose(values[1] - values[0], 2 * np.log(0.2172 / 0.9355), rtol=0.01)


def _rolling_scene(scenes, rng, n_stars=8, rms=0.2):
    """Return x, y, delays and shared motion of a 44 Hz mode filmed at 60/s, rows 25 us apart."""
    n, rate = 1500, 60.0
    delays = np.sort(rng.uniform(20, 460, n_stars)) * ROW_TIME_S
    fine = rms * scenes.damped_mode(n + 4, rate, 44.0, 0.015, rng, oversampling=40)
    fine_times = np.arange(fine.size) / (40 * rate)
    air = scenes.air(
        n, rate, rng, wind_m_s=6.0, outer_scale_m=25.0, aperture_m=0.2, gradient=False, rms=0.3
    )
    times = np.arange(n) / rate
    seen = np.stack([np.interp(times + d, fine_times, fine) for d in delays], axis=1)
    own = 0.05 * rng.normal(size=(2, n, n_stars))
    x, y = air[:, :1] + 0.8 * seen + own[0], air[:, 1:] + 0.6 * seen + own[1]
    return times, x, y, delays, np.stack([x.mean(axis=1), y.mean(axis=1)], axis=1)


def test_resonance_of_44_hz_filmed_at_60_is_identified_by_row_times(scenes, rng):
    """Resonance of 44 hz filmed at 60 is identified by row times."""
    times, x, y, delays, shared = _rolling_scene(scenes, rng)
    found = LineSearch.of(times, shared, cadence_s=1 / 60)
    line = min(found.lines, key=lambda each: abs(each.frequency_hz - 16.0))
    assert_allclose(line.frequency_hz, 16.0, atol=0.5)
    candidates = AliasCandidates.of(line.frequency_hz, 1 / 60)
    odds = candidates.row_time_log_odds(x, y, delays, 1 / 60, line, found.continuum)
    decision = AliasDecision.of(candidates, exposure_s=0.005, evidence={"row times": odds})
    assert_allclose(decision.best_hz, 44.0, atol=0.5)
    assert decision.is_decided
    assert decision.evidence == ("exposure", "row times")
    assert_allclose(decision.odds.sum(), 1.0)


def test_slow_mode_stays_slow_under_a_rolling_shutter(scenes, rng):
    """Slow mode stays slow under a rolling shutter."""
    times, x, y, delays, _ = _rolling_scene(scenes, rng, rms=1e-6)
    mode = 0.25 * scenes.damped_mode(1504, 60.0, 16.0, 0.015, rng, oversampling=40)
    fine = np.arange(mode.size) / 2400.0
    seen = np.stack([np.interp(times + d, fine, mode) for d in delays], axis=1)
    x = x + seen
    found = LineSearch.of(
        times, np.stack([x.mean(axis=1), y.mean(axis=1)], axis=1), cadence_s=1 / 60
    )
    line = min(found.lines, key=lambda each: abs(each.frequency_hz - 16.0))
    candidates = AliasCandidates.of(line.frequency_hz, 1 / 60)
    odds = candidates.row_time_log_odds(x, y, delays, 1 / 60, line, found.continuum)
    assert_allclose(
        AliasDecision.of(candidates, evidence={"row times": odds}).best_hz, 16.0, atol=0.5
    )


def test_aligning_the_rows_restores_a_fast_line():
    """Aligning the rows restores a fast line."""
    # physics: eight stars at rows 40..980, 40 us a row, 50 frames/s, 38 Hz: mean keeps little
    delays = np.linspace(40, 980, 8) * 40e-6
    times = np.arange(1000)[:, None] / 50.0 + delays
    x = np.sqrt(2) * np.sin(2 * np.pi * 38.0 * times)
    y = np.zeros_like(x)
    aligned = _row_aligned_motion(x, y, delays, 0.02, 1, -1)
    # 38 Hz is 760 whole turns of the record: nothing leaks
    assert_allclose(aligned[:, 0].std(), 1.0, rtol=1e-6)
    wrong = _row_aligned_motion(x, y, delays, 0.02, 0, 1)
    # dnu = 50 Hz between the candidates 38 and -12: |mean exp(2 pi i 50 d)|
    expected = np.abs(np.mean(np.exp(2j * np.pi * 50.0 * delays)))
    assert_allclose(wrong[:, 0].std(), expected, atol=1e-6)


def test_global_shutter_leaves_the_odds_to_the_exposure(scenes, rng):
    """Global shutter leaves the odds to the exposure."""
    times, x, y, delays, shared = _rolling_scene(scenes, rng)
    found = LineSearch.of(times, shared, cadence_s=1 / 60)
    line = min(found.lines, key=lambda each: abs(each.frequency_hz - 16.0))
    candidates = AliasCandidates.of(line.frequency_hz, 1 / 60)
    odds = candidates.row_time_log_odds(x, y, 0 * delays, 1 / 60, line, found.continuum)
    # all patterns are equal then, to rounding
    assert_allclose(odds, odds[0], atol=1e-6)
    assert not AliasDecision.of(
        candidates, exposure_s=0.005, evidence={"row times": odds}
    ).is_decided


def test_hardware_time_stamps_with_jitter_decide(rng):
    """Hardware time stamps with jitter decide."""
    # physics: fs 20, nu 31 shows at 9; 5 ms of jitter leaves 0.757 of the alias
    times = np.arange(800) / 20.0 + rng.uniform(-0.005, 0.005, 800)
    wave = 0.3 * np.sin(2 * np.pi * 31.0 * times)
    motion = np.outer(wave, [1.0, 0.5]) + 0.1 * rng.normal(size=(800, 2))
    found = LineSearch.of(times, motion, cadence_s=0.05, timing="jittered")
    line = min(found.lines, key=lambda each: abs(each.frequency_hz - 9.0))
    candidates = AliasCandidates.of(line.frequency_hz, 0.05, 100.0)
    odds = candidates.time_stamp_log_odds(times, motion, line, found.continuum)
    decision = AliasDecision.of(candidates, evidence={"time stamps": odds})
    assert_allclose(decision.best_hz, 31.0, atol=0.05)
    assert decision.is_decided


def test_second_frame_rate_decides():
    """Second frame rate decides."""
    candidates = AliasCandidates.of(9.0, 0.05, 100.0)
    # 31 Hz shows at 4 Hz in a run at 27 frames/s
    odds = _second_rate_log_odds(
        candidates.frequency_hz, 1 / 27, np.array([4.0]), np.array([0.02]), 0.02
    )
    assert_allclose(
        AliasDecision.of(candidates, evidence={"second frame rate": odds}).best_hz, 31.0
    )


def test_line_of_all_stars_is_called_shared_and_one_of_each_is_not(scenes, rng):
    """Line of all stars is called shared and one of each is not."""
    n, rate = 1500, 50.0
    times = np.arange(n) / rate
    air = scenes.air(
        n, rate, rng, wind_m_s=6.0, outer_scale_m=25.0, aperture_m=0.2, gradient=False, rms=0.3
    )
    noise = 0.05 * rng.normal(size=(2, n, 6))
    together = 0.3 * scenes.damped_mode(n, rate, 8.0, 0.01, rng)[::8, None] * np.ones(6)
    apart = np.stack([0.3 * scenes.damped_mode(n, rate, 8.0, 0.01, rng)[::8] for _ in range(6)], 1)
    for motion, bounds in ((together, (0.99, 1.0)), (apart, (0.0, 0.01))):
        x, y = air[:, :1] + motion + noise[0], air[:, 1:] + noise[1]
        shared = np.stack([x.mean(axis=1), y.mean(axis=1)], axis=1)
        found = LineSearch.of(times, shared, cadence_s=1 / rate)
        line = min(found.lines, key=lambda each: abs(each.frequency_hz - 8.0))
        value = shared_probability(x, y, 1 / rate, line, found.continuum)
        assert bounds[0] <= value <= bounds[1]
    assert shared_probability(x[:, :1], y[:, :1], 1 / rate, line, found.continuum) is None


def test_share_common_to_all_stars_is_recovered(rng):
    """Share common to all stars is recovered."""
    common = np.sqrt(0.6) * rng.normal(size=(2, 3000, 1))
    own = np.sqrt(0.4) * rng.normal(size=(2, 3000, 8))
    noise = 0.5 * rng.normal(size=(2, 3000, 8))
    x, y = common + own + noise
    found = _coherence_spectrum(x, y, 0.5, 0.02)
    # bands of many bins, both axes: 3 % on the mean of the upper ten
    assert_allclose(found.share[-10:].mean(), 0.6, atol=0.06)
    inside = (found.low <= 0.6) & (found.high >= 0.6)
    assert inside.mean() > 0.45


def test_star_order_does_not_matter(rng):
    """Star order does not matter."""
    x, y = rng.normal(size=(2, 600, 5)) + rng.normal(size=(2, 600, 1))
    first = _coherence_spectrum(x, y, 0.0, 0.02)
    second = _coherence_spectrum(x[:, ::-1], y[:, ::-1], 0.0, 0.02)
    assert_allclose(second.share, first.share)


def test_harmonics_are_grouped_and_strangers_left_alone():
    """Harmonics are grouped and strangers left alone."""
    frequency = np.array([3.1, 6.2003, 8.77, 12.3998])
    families = _group_harmonics(frequency, np.full(4, 0.001))
    assert len(families) == 1
    assert families[0].members == (0, 1, 3)


def test_imprecise_lines_make_no_family():
    """Imprecise lines make no family."""
    assert _group_harmonics(np.array([3.1, 6.3]), np.array([0.2, 0.2])) == ()
