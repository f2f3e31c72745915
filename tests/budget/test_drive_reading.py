"""What a record says of the drive: curves, turns, right ascension and polar axis."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.drive.periodic_error import read_drive
from blursplit.drive.terms import DriveRecord, _drive_terms
from blursplit.measure import Source, measure_tracks
from blursplit.report.words import text_of
from blursplit.rig import Rig
from blursplit.simulate.motion import _current_density, _noise_series
from blursplit.stars.tracks import StarTracks

STEP_S, PERIOD_S = 0.5, 120.0


def instrument(*options):
    return Rig.read(None, options).with_header({})


WORM = instrument(f"mount.worm_period_s=[{PERIOD_S}]", "mount.kind=equatorial")


def record_of(turns, *, worm=3.0, angle_deg=30.0, drift=(0.02, -0.01), seed=1):
    """Return slow currents of 0.2 arcsec, white noise, a worm's sine and drift."""
    rng = np.random.default_rng(seed)
    n = round(turns * PERIOD_S / STEP_S)
    time_s = STEP_S * np.arange(n)
    slow = _noise_series(8 * n, 1 / STEP_S, lambda f: _current_density(f, 2.0), rng)
    motion = 0.2 * np.stack([slow[:n], slow[-n:]], axis=1) + 0.1 * rng.standard_normal((n, 2))
    toward = [np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]
    motion += np.outer(worm * np.sin(2 * np.pi * time_s / PERIOD_S + seed), toward)
    motion += np.outer(time_s, drift)
    return DriveRecord(time_s, motion, np.zeros(n, dtype=np.intp), STEP_S, STEP_S)


def reading(record, told=WORM, seed=2):
    terms = _drive_terms(told, len(record.time_s) * STEP_S)
    return read_drive(told, record, terms, np.random.default_rng(seed))


def test_two_turns_give_curve_size_direction_and_polar_axis():
    found, notes = reading(record_of(2.0, worm=3.0, angle_deg=30.0))
    (curve,) = found["phase_curves"]
    assert (curve.turns_covered, curve.covered_share) == (2.0, 1.0)
    assert curve.peak_to_peak_arcsec.low95 < 6.0 < curve.peak_to_peak_arcsec.high95
    phase = np.array(curve.phase_turns)
    truth = 3.0 * np.sin(2 * np.pi * phase + 1)
    low, high = np.array(curve.curve_low_arcsec), np.array(curve.curve_high_arcsec)
    # the band is 68 % a bin, its bins move together: within twice it for nine of ten
    near = np.abs(truth - np.array(curve.curve_arcsec)) < (high - low)
    assert near.mean() >= 0.9
    pull = (np.array(curve.shift_arcsec) - truth) / np.array(curve.shift_error_arcsec)
    assert np.sqrt(np.mean(pull**2)) < 2.0
    ra = found["right_ascension"]
    assert ra.origin == "periodic error"
    assert ra.angle_deg.low95 < 30.0 < ra.angle_deg.high95
    across = 60.0 * abs(-0.02 * np.sin(np.pi / 6) - 0.01 * np.cos(np.pi / 6))
    drift = found["polar"].declination_drift_arcsec_per_min
    assert drift.low95 < across < drift.high95
    assert "polar-axis-off" in {note.code for note in notes}


def test_half_a_turn_shows_only_what_was_seen_and_a_wide_size():
    found, notes = reading(record_of(0.5, worm=4.0))
    (curve,) = found["phase_curves"]
    assert (curve.turns_covered, curve.covered_share) == (0.5, 0.5)
    for values in (curve.shift_arcsec, curve.curve_arcsec, curve.shift_error_arcsec):
        assert [value is None for value in values] == [False] * 12 + [True] * 12
    size = curve.peak_to_peak_arcsec
    assert size.low95 < 8.0 < size.high95
    assert size.high95 - size.low95 > 0.5 * 8.0
    # a bend may be the drift's own: no direction is read off less than a turn
    assert found["right_ascension"] is None
    assert "right-ascension-open" in {note.code for note in notes}
    assert any("inferred" in text_of(note) for note in notes)


def test_error_that_is_not_shown_has_a_limit():
    (curve,) = reading(record_of(2.0, worm=0.0))[0]["phase_curves"]
    size = curve.peak_to_peak_arcsec
    assert size.value is None
    assert 0.0 < size.high < 1.0


@pytest.mark.slow
@pytest.mark.parametrize("turns", [0.5, 1.0])
def test_slow_wander_of_the_mount_is_seldom_called_its_worm(turns):
    shown = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        n = round(turns * PERIOD_S / STEP_S)
        walk = 0.04 * np.cumsum(rng.standard_normal((n, 2)), axis=0)
        motion = walk + 0.2 * rng.standard_normal((n, 2))
        record = DriveRecord(
            STEP_S * np.arange(n), motion, np.zeros(n, dtype=np.intp), STEP_S, STEP_S
        )
        (curve,) = reading(record)[0]["phase_curves"]
        size = curve.peak_to_peak_arcsec
        shown += size is not None and size.value is not None
    assert shown <= 2  # nominal 1 %: 99.9 % of the binomial of 20


def test_all_periods_under_a_turn_are_stated():
    told = instrument("mount.worm_period_s=[300.0, 400.0, 20.0]")
    terms = _drive_terms(told, 100.0)
    assert [t.name for t in terms if t.harmonic == 0] == ["drive 400 s", "drive 300 s"]
    assert_allclose([t.turns for t in terms if t.harmonic == 0], [0.25, 100 / 300])


@pytest.mark.parametrize(
    ("options", "angle_deg", "origin"),
    [
        (["mount.ra_angle_deg=210.0", "camera.position_angle_deg=0.0"], 30.0, "declared"),
        (["camera.position_angle_deg=150.0"], 30.0, "camera position angle"),
    ],
)
def test_stated_direction_comes_first(options, angle_deg, origin):
    told = instrument(f"mount.worm_period_s=[{PERIOD_S}]", "mount.kind=equatorial", *options)
    found, _ = reading(record_of(2.0, angle_deg=75.0), told)
    ra = found["right_ascension"]
    assert ra.origin == origin
    assert_allclose(ra.angle_deg.value, angle_deg)
    assert found["phase_curves"][0].angle_deg == angle_deg


def test_stars_trailing_with_the_drive_off_show_right_ascension():
    told = instrument("mount.drive=off", f"mount.worm_period_s=[{PERIOD_S}]")
    speed = 15.04 * 0.8
    toward = np.array([np.cos(np.radians(70.0)), np.sin(np.radians(70.0))])
    found, notes = reading(record_of(0.5, worm=0.0, drift=speed * toward), told)
    ra = found["right_ascension"]
    assert ra.origin == "drift with the drive off"
    assert ra.angle_deg.low95 < 70.0 < ra.angle_deg.high95
    # 0.2 arcsec of wander over 60 s of 720 arcsec: hundredths of a degree
    assert ra.angle_deg.high95 - ra.angle_deg.low95 < 0.2
    assert found["phase_curves"] == []
    assert "polar" not in found
    assert any("with the drive off" in text_of(note) for note in notes)


def test_altazimuth_mount_has_no_direction_of_right_ascension():
    told = instrument(f"mount.worm_period_s=[{PERIOD_S}]", "mount.kind=altazimuth")
    found, _ = reading(record_of(2.0), told)
    assert found["right_ascension"] is None
    assert len(found["phase_curves"]) == 1


def test_polar_axis_is_not_read_off_a_guided_run():
    told = instrument("mount.kind=equatorial", "mount.ra_angle_deg=0", "mount.guide_period_s=2")
    assert "polar" not in reading(record_of(2.0, worm=0.0), told)[0]


def test_rotating_the_image_rotates_the_reading():
    plain = record_of(2.0)
    x, y = plain.motion_arcsec.T
    turned = DriveRecord(
        plain.time_s, np.stack([-y, x], axis=1), plain.segment, plain.cadence_s, plain.exposure_s
    )
    one, other = (reading(r)[0]["phase_curves"][0] for r in (plain, turned))
    # medians of 1200 draws: 0.15 arcsec and 1 deg wide; five sigmas
    assert_allclose((other.angle_deg - one.angle_deg) % 180.0, 90.0, atol=0.3)
    assert_allclose(
        other.peak_to_peak_arcsec.value, one.peak_to_peak_arcsec.value, atol=5 * 0.15 / 30
    )


def long_tracks(frames, *, seed=3):
    """Return 20 s frames, a dither after every twelfth, under a worm of 480 s."""
    rng = np.random.default_rng(seed)
    time_s = 20.0 * np.arange(frames)
    segment = np.arange(frames) // 12
    worm = 4.0 * np.sinc(20 / 480) * np.sin(2 * np.pi * time_s / 480.0)
    jump = 5.0 * rng.standard_normal((segment.max() + 1, 2))[segment]
    one = np.ones((frames, 3))
    place = np.array([[50.0, 60.0], [150.0, 90.0], [90.0, 170.0]])
    moved = place[None] + jump[:, None, :] + 0.1 * rng.standard_normal((frames, 1, 2))
    moved[:, :, 0] += worm[:, None]
    return StarTracks(
        time_s=time_s,
        segment=segment,
        row_time_s=0 * one,
        x_px=moved[:, :, 0],
        y_px=moved[:, :, 1],
        sigma_px=0.05 * one,
        flux_adu=1e5 * one,
        width_px=1.5 * one,
        e1=0 * one,
        e2=0 * one,
        peak_adu=3e3 * one,
        good=one > 0,
        exposure_s=20.0,
        cadence_s=20.0,
        frame=np.arange(frames),
        notes=(),
    )


def test_long_frames_with_dithers_still_give_the_worm():
    told = instrument(
        "camera.pixel_scale_arcsec=1.0", "mount.worm_period_s=[480.0]", "mount.kind=equatorial"
    )
    result = measure_tracks(Source(long_tracks(72), told, "long", 72, 72)).result
    (curve,) = result.tracking.phase_curves
    # 240 s without a dither is half a turn, but the dithers between them hide no bend
    assert_allclose(curve.turns_covered, 0.5)
    assert curve.covered_share == 1.0
    size = curve.peak_to_peak_arcsec
    assert size.low95 < 8.0 < size.high95
    assert result.tracking.periodic[0].amplitude_arcsec is None
    assert_allclose(result.tracking.periodic[0].turns_covered, 0.5)


def test_too_few_long_frames_state_the_turns_alone():
    tracks = long_tracks(13)
    place = np.stack([tracks.x_px[:, 0], tracks.y_px[:, 0]], axis=1)
    motion = SimpleNamespace(x_px=place[:, 0], y_px=place[:, 1], xy_px=place)
    assert DriveRecord.of_tracks(tracks, motion, 1.0) is not None
    motion.x_px[::2] = np.nan
    assert DriveRecord.of_tracks(tracks, motion, 1.0) is None
