"""Sizes of the motion as measured: each with the interval that its record leaves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.diagnostics import _rms, motion_part
from blursplit.motion import CommonMotion, PairStatistics
from blursplit.result import Motion


def sizes_of(tracks, scale=None):
    motion = CommonMotion.of(tracks)
    places = {"reference_x_px": motion.reference_x_px, "reference_y_px": motion.reference_y_px}
    return motion_part(tracks, motion, PairStatistics.of(tracks, **places), scale)


def slow_noise(rng, shape, memory):
    """Gaussian series of unit variance whose samples remember the last by `memory`."""
    out = rng.standard_normal(shape)
    for k in range(1, shape[0]):
        out[k] = memory * out[k - 1] + np.sqrt(1.0 - memory**2) * out[k]
    return out


def test_interval_of_an_rms_holds_that_of_an_endless_record():
    rng = np.random.default_rng(3)
    runs, held68, held95 = 400, 0, 0
    for path in slow_noise(rng, (600, runs), 0.9).T:
        found = _rms(float(np.var(path)), path[:, None])
        held68 += found.low <= 1.0 <= found.high
        held95 += found.low95 <= 1.0 <= found.high95
    # three binomial sigmas of 400 runs: 7 and 3.3 %
    assert_allclose([held68 / runs, held95 / runs], [0.6827, 0.95], atol=0.07)
    assert held95 / runs > 0.95 - 0.033


def test_one_slow_swing_leaves_an_rms_open_upward():
    """All the power in one frequency: two degrees of freedom, whose 2.5 % point is 0.0506."""
    path = np.sin(2.0 * np.pi * np.arange(400) / 400.0)
    found = _rms(float(np.var(path)), path[:, None])
    assert_allclose(found.high95 / found.value, np.sqrt(2.0 / 0.05064), rtol=1e-3)
    assert _rms(float(np.var(path)), path[:, None], doubt=5.4) == found


def test_star_against_star_has_an_interval_as_wide_as_it_scatters(make_tracks, motion_field):
    found = []
    for seed in range(60):
        x, y, _ = motion_field(np.random.default_rng(seed), n=300, k=5, own=0.1)
        found.append(sizes_of(make_tracks(x, y)).pair_rms_x_px)
    scatter = np.std([size.value for size in found])
    stated = np.mean([0.5 * (size.high - size.low) for size in found])
    # 60 runs know their scatter to 9 %; the median of ten pairs scatters a little less than one
    assert 0.8 < stated / scatter < 1.6
    assert_allclose(np.mean([size.value for size in found]), 0.1 * np.sqrt(2.0), rtol=0.02)


def test_noise_of_a_position_has_the_error_of_a_gain_from_the_stars(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(5), n=200, k=3, own=0.1)
    tracks = make_tracks(x, y, sigma=0.05)
    assert sizes_of(tracks).noise_rms_px.low is None  # one stated number has none
    said = {"by": "stars", "gain_e_per_adu": 2.0, "error_e_per_adu": 0.2}
    found = sizes_of(replace(tracks, notes=(("gain-measured", said),)), 2.0).noise_rms_arcsec
    # a tenth of the variance: the root of 1.1 and of 0.9
    assert_allclose([found.high, found.low], 0.1 * np.sqrt([1.1, 0.9]), rtol=1e-6)


def _turning_field(rng, turn_rad, n=300, k=6, memory=0.6):
    """Return places of stars that sway by themselves, by 0.1 px, in a field that turns slowly."""
    home = np.random.default_rng(7).uniform(0.0, 300.0, (2, k)) - 150.0
    turn = turn_rad * slow_noise(rng, (n, 1), memory)
    x, y = home[:, None] + 0.1 * slow_noise(rng, (n, 2 * k), memory).reshape(n, 2, k).swapaxes(0, 1)
    return x - turn * home[1], y + turn * home[0]


@pytest.mark.parametrize("turn_rad", [0.0, 0.002])
def test_pairs_and_rotation_have_intervals_as_wide_as_they_scatter(make_tracks, turn_rad):
    """Pairs of one bin share stars and the turn of the field, and count as fewer than they are."""
    found = []
    for seed in range(80):
        x, y = _turning_field(np.random.default_rng(seed), turn_rad)
        sizes = sizes_of(make_tracks(x, y, sigma=1e-4), 1.0)
        pairs = [
            size for one in sizes.pairs for size in (one.along_rms_arcsec, one.across_rms_arcsec)
        ]
        ends = [
            (s.low95, s.low, s.value, s.high, s.high95) for s in (*pairs, sizes.rotation_rms_arcsec)
        ]
        found.append(ends)
    low95, low, value, high, high95 = np.moveaxis(found, -1, 0)
    # 80 runs know a scatter to 8 %: three times that, and the tenth by which low ends are longer
    assert_allclose((0.5 * (high - low)).mean(axis=0) / value.std(axis=0), 1.0, atol=0.3)
    # the mean of many such records; a slow motion's trend is no part of it
    middle = np.sqrt((value**2).mean(axis=0))
    # 80 runs of some 5 sizes that are alike within a run: three binomial sigmas of 80
    assert_allclose(((low <= middle) & (middle <= high)).mean(), 0.6827, atol=0.15)
    assert_allclose(((low95 <= middle) & (middle <= high95)).mean(), 0.95, atol=0.07)


def test_pairs_that_move_as_one_are_known_no_better_than_one(make_tracks):
    """A field that only turns moves all pairs across by one series, scaled by their separation."""
    rng = np.random.default_rng(4)
    home = rng.uniform(-150.0, 150.0, (2, 6))
    turn = 1e-3 * slow_noise(rng, (400, 1), 0.5)
    x, y = home[0] - turn * home[1], home[1] + turn * home[0]
    sizes = sizes_of(make_tracks(x, y, sigma=1e-6), 1.0)
    one = sizes.rotation_rms_arcsec
    for pair in sizes.pairs:
        size = pair.across_rms_arcsec
        assert_allclose(size.high95 / size.value, one.high95 / one.value, rtol=1e-3)


def test_a_bin_whose_pairs_show_noise_alone_has_no_rms(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(8), n=300, k=3, own=0.05)
    (pair,) = sizes_of(make_tracks(x, y, sigma=0.1), 1.0).pairs
    assert pair.along_rms_arcsec is None
    assert pair.across_rms_arcsec is None


def test_bare_numbers_of_older_records_are_read_without_an_interval():
    read = Motion.model_validate({"common_rms_x_px": 0.4})
    assert read.common_rms_x_px.value == 0.4
    assert read.common_rms_x_px.low is None
    bin_ = {
        "separation_arcsec": 90.0,
        "along_rms_arcsec": 0.3,
        "across_rms_arcsec": None,
        "count": 3,
    }
    read = Motion.model_validate({"rotation_rms_arcsec": 40.0, "pairs": [bin_]})
    assert read.rotation_rms_arcsec.value == 40.0
    assert read.pairs[0].along_rms_arcsec.value == 0.3
    assert read.pairs[0].along_rms_arcsec.low is None
    assert read.pairs[0].across_rms_arcsec is None
