"""Keywords that are missing, doubled, contradictory or in no known alphabet, and broken times."""

from __future__ import annotations

import numpy as np
import pytest

N = 40


def add_card(path, text):
    """Put a card in front of END without moving the pixels."""
    content = path.read_bytes()
    end = content.index(b"END".ljust(80))
    assert content[end + 80 : end + 160] == b" " * 80
    path.write_bytes(
        content[:end] + text.encode("latin-1").ljust(80) + b"END".ljust(80) + content[end + 160 :]
    )


def test_missing_times_name_the_option(make_field, measure, tmp_path):
    folder = make_field().files(tmp_path / "night")
    for path in folder.iterdir():
        path.write_bytes(path.read_bytes().replace(b"DATE-OBS=", b"XDATE   ="))
    line = measure(folder).refusal()
    assert "no frame times" in line
    assert "--set camera.frame_interval_s=SECONDS" in line
    run = measure(folder, "--set", "camera.frame_interval_s=0.05")
    assert run.accepted().sequence.cadence_s == pytest.approx(0.05)


def test_times_that_stand_still_are_told(make_field, measure, tmp_path, iso):
    field = make_field()
    field.cards["DATE-OBS"] = iso(0.0)
    assert "DATE-OBS is the same in all frames" in measure(field.files(tmp_path / "n")).refusal()


def test_one_unreadable_time_costs_one_frame(make_field, measure, tmp_path, iso):
    field = make_field()
    field.cards["DATE-OBS"] = [iso(i * 0.05) if i != 20 else "yesterday" for i in range(N)]
    run = measure(field.files(tmp_path / "night"))
    assert run.accepted().sequence.frames_used == N - 1
    assert "times-unreadable" in run.warnings
    assert "f0020.fits" in run.told


def test_frames_out_of_order_are_sorted_by_time(make_field, measure, tmp_path, iso):
    field = make_field()
    order = np.random.default_rng(4).permutation(N)
    field.frames = field.frames[order]
    field.cards["DATE-OBS"] = [iso(i * 0.05) for i in order.tolist()]
    run = measure(field.files(tmp_path / "night"))
    result = run.accepted()
    assert "times-backward" in run.warnings
    assert result.sequence.timing == "regular"
    assert result.sequence.duration_s == pytest.approx(2.0, abs=0.06)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0])
def test_a_jump_of_the_clock_splits_the_sequence(make_field, measure, tmp_path, iso, jump_s):
    field = make_field()
    field.cards["DATE-OBS"] = [iso(i * 0.05 + jump_s * (i >= 20)) for i in range(N)]
    run = measure(field.files(tmp_path / "night"))
    assert run.accepted().sequence.segments == 2
    assert "gaps" in run.warnings
    assert ("times-backward" in run.warnings) == (jump_s < 0)


def test_a_leap_second_is_a_second_like_any_other(make_field, measure, tmp_path):
    """31 December 2016 had 86401 seconds (IERS Bulletin C 52)."""
    field = make_field()
    field.cards["DATE-OBS"] = [
        f"2016-12-31T23:59:{59 + i * 0.05:06.3f}"
        if i < 40
        else f"2017-01-01T00:00:{i * 0.05 - 2:06.3f}"
        for i in range(N)
    ]
    run = measure(field.files(tmp_path / "night"))
    result = run.accepted()
    assert result.sequence.segments == 1
    assert result.sequence.duration_s == pytest.approx(2.0, abs=0.06)


def test_local_time_is_converted_where_its_zone_is_written(make_field, measure, tmp_path, iso):
    field = make_field()
    field.cards["DATE-OBS"] = [iso(i * 0.05)[:-3] + "+02:00" for i in range(N)]
    run = measure(field.files(tmp_path / "night"))
    assert run.accepted().sequence.start_utc.startswith("2026-03-01T20:10:05.12")
    assert "has a time zone, converted to UTC" in run.told


def test_local_time_of_an_unknown_zone_gives_intervals_but_no_date(make_field, measure, tmp_path):
    field = make_field()
    field.cards["TIMESYS"] = "LOCAL"
    run = measure(field.files(tmp_path / "night"))
    result = run.accepted()
    assert result.sequence.start_utc is None
    assert result.sequence.cadence_s == pytest.approx(0.05)
    assert "local time of an unknown zone" in run.told


def test_a_keyword_given_twice_is_told_and_the_first_is_used(make_field, measure, tmp_path):
    folder = make_field().files(tmp_path / "night")
    for path in folder.iterdir():
        add_card(path, "EXPTIME =                 0.03")
    run = measure(folder)
    assert run.accepted().sequence.frame_exposure_s == pytest.approx(0.01)
    assert "duplicate-keywords" in run.warnings


def test_an_exposure_longer_than_the_interval_is_questioned(make_field, measure, tmp_path):
    field = make_field()
    field.cards["EXPTIME"] = 7000.0
    run = measure(field.files(tmp_path / "night"))
    assert run.accepted().sequence.frame_exposure_s is None
    assert "exposure-unusable" in run.warnings


def test_two_pixel_scales_that_disagree_are_told(make_field, measure, tmp_path):
    field = make_field()
    field.cards |= {"SECPIX": 1.0, "XPIXSZ": 3.76, "FOCALLEN": 400.0}  # 1.94 arcsec by the optics
    run = measure(field.files(tmp_path / "night"))
    entry = run.accepted().setup["pixel_scale_arcsec"]
    assert entry.value == pytest.approx(1.0)
    assert entry.origin == "header"


def test_a_flip_of_the_mount_splits_the_sequence_and_keeps_the_stars(make_field, measure, tmp_path):
    field = make_field()
    field.frames[20:] = field.frames[20:, ::-1, ::-1]
    field.x_px[20:], field.y_px[20:] = 99 - field.x_px[20:], 99 - field.y_px[20:]
    field.cards["PIERSIDE"] = ["EAST"] * 20 + ["WEST"] * 20
    run = measure(field.files(tmp_path / "night"))
    result = run.accepted()
    assert result.sequence.segments == 2
    assert result.sequence.stars_used == 5
    assert {"pier-flip", "field-turned"} <= run.warnings
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_header_text_in_no_known_alphabet_is_kept_printable(make_field, measure, tmp_path):
    field = make_field()
    field.cards["OBJECT"] = "M 13 xxxxxxx"
    folder = field.files(tmp_path / "night")
    for path in folder.iterdir():
        odd = b"\xe4\xff\x00\x1b\xc3(\x80"
        path.write_bytes(path.read_bytes().replace(b"xxxxxxx", odd))
    name = measure(folder).accepted().sequence.object
    assert name.startswith("M 13 ")
    assert name.isprintable()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[telescope]\naperture_mm = 200\n", "key 'telescope.aperture_mm'"),
        ("[telescope]\naperture_m = -1\n", "key 'telescope.aperture_m'"),
        ("[telescope\n", "is not valid TOML"),
        ("telescope = 3\n", "key 'telescope'"),
    ],
)
def test_a_wrong_setup_file_names_the_key(make_field, measure, tmp_path, text, told):
    setup = tmp_path / "rig.toml"
    setup.write_text(text)
    folder = make_field(10).files(tmp_path / "night")
    line = measure(folder, "--setup", setup).refusal()
    assert "rig.toml" in line
    assert told in line


@pytest.mark.parametrize("option", ["aperture_m=0.2", "telescope.aperture_m", "camera.x=1"])
def test_a_wrong_option_names_itself(make_field, measure, tmp_path, option):
    line = measure(make_field(10).files(tmp_path / "n"), "--set", option).refusal()
    assert "--set" in line
