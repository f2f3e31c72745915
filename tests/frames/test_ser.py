"""SER files written byte by byte after the published layout, version 3."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from astropy.time import Time
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.errors import InputError, TimingError
from blursplit.frames import open_frames
from blursplit.frames.layout import read_layout
from blursplit.rig import Rig

from .conftest import make_stack

DAY_TICKS = 86_400 * 10_000_000
# 2026-03-01 is day 739675 since 0001-01-01: datetime.date(2026, 3, 1).toordinal() - 1.
START_TICKS = 739_675 * DAY_TICKS + (22 * 3600 + 10 * 60) * 10_000_000
HOUR_TICKS = 3600 * 10_000_000


def ser_bytes(
    frames,
    *,
    depth=None,
    colour=0,
    flag=0,
    order="<",
    local=START_TICKS + 2 * HOUR_TICKS,
    universal=START_TICKS,
    times=None,
    count=None,
):
    """Return a SER file; `order` is that of the bytes in the pixels, whatever the flag says."""
    wide = frames.dtype.itemsize
    header = b"LUCAM-RECORDER"
    header += struct.pack("<i", 0)
    header += struct.pack("<ii", colour, flag)
    header += struct.pack("<ii", frames.shape[2], frames.shape[1])
    header += struct.pack("<ii", depth or 8 * wide, len(frames) if count is None else count)
    header += b"Somebody".ljust(40, b"\0") + b"A camera".ljust(40, b"\0")
    header += b"A telescope".ljust(40, b"\0")
    header += struct.pack("<qq", local, universal)
    assert len(header) == 178
    body = frames.astype(f"{order}u{wide}").tobytes()
    trailer = b"" if times is None else struct.pack(f"<{len(times)}q", *times)
    return header + body + trailer


def regular(count, interval_s=0.02, start=START_TICKS):
    """Return the times of regular frames in ticks."""
    return [start + round(number * interval_s * 1e7) for number in range(count)]


def opened(path, *options):
    return open_frames([path], Rig.read(None, options))


@pytest.mark.parametrize("kind", ["u1", "u2"])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("flag", [0, 1])
def test_pixels_are_read_whatever_the_flag_says(tmp_path, kind, order, flag):
    stack = (make_stack(20) // (1 if kind == "u2" else 256)).astype(kind)
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(stack, order=order, flag=flag, times=regular(20)))
    sequence = opened(path)
    assert_array_equal(sequence.source.read(0, 20), stack)
    stamps = sequence.source.cut(3, 5, np.array([8]), np.array([6]), 9)
    assert_array_equal(stamps[:, 0], stack[3:5, 6:15, 8:17])
    told = any(code == "ser-byte-order" for code, _ in sequence.notes)
    assert told == (kind == "u2" and (order == ">") != bool(flag))


def test_noise_alone_leaves_the_byte_order_to_the_flag(tmp_path):
    """Both readings of white 16-bit noise are white noise."""
    noise = np.random.default_rng(3).integers(0, 1 << 16, (12, 40, 50)).astype(np.uint16)
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(noise, order="<", flag=0, times=regular(12)))
    assert read_layout(path).slabs[0].dtype == np.dtype("<u2")
    path.write_bytes(ser_bytes(noise, order="<", flag=1, times=regular(12)))
    assert read_layout(path).slabs[0].dtype == np.dtype(">u2")


def test_frames_without_a_star_tell_the_byte_order_too(tmp_path):
    """Noise of 8 about a sky of 300 fills the low byte, and leaves the high one as it is."""
    dark = np.rint(np.random.default_rng(5).normal(300, 8, (12, 40, 50))).astype(np.uint16)
    path = tmp_path / "run.ser"
    for order in "<>":
        path.write_bytes(ser_bytes(dark, order=order, flag=int(order == "<"), times=regular(12)))
        assert read_layout(path).slabs[0].dtype == np.dtype(f"{order}u2")


def test_twelve_bits_are_read_from_two_bytes(tmp_path):
    stack = (make_stack(12) // 16).astype(np.uint16)
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(stack, depth=12, order=">", flag=0, times=regular(12)))
    assert_array_equal(opened(path).source.read(0, 12), stack)


def test_times_are_those_that_astropy_gives_for_the_same_instants(tmp_path):
    path = tmp_path / "run.ser"
    times = regular(30, 0.0125)
    path.write_bytes(ser_bytes(make_stack(30), times=times))
    sequence = opened(path)
    assert_allclose(sequence.time_s, 0.0125 * np.arange(30), atol=2e-7)
    start = Time("2026-03-01T22:10:00.000", scale="utc")
    assert abs((Time(sequence.start_utc, scale="utc") - start).to_value("s")) < 1e-3
    assert sequence.cadence_s == pytest.approx(0.0125)


@pytest.mark.parametrize("hours", [-7, 2, 5.5])
def test_local_times_in_the_trailer_are_brought_to_universal_time(tmp_path, hours):
    zone = round(hours * HOUR_TICKS)
    path = tmp_path / "run.ser"
    times = regular(12, start=START_TICKS + zone)
    path.write_bytes(ser_bytes(make_stack(12), local=START_TICKS + zone, times=times))
    stamps = read_layout(path).slabs[0].stamps
    start = Time("2026-03-01T22:10:00", scale="utc").mjd
    assert stamps.first_mjd_utc == pytest.approx(start, abs=1e-9)
    assert "local" in stamps.note


def test_times_of_an_unknown_zone_have_no_date(tmp_path):
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(make_stack(12), local=START_TICKS, universal=0, times=regular(12)))
    stamps = read_layout(path).slabs[0].stamps
    assert stamps.first_mjd_utc is None
    assert_allclose(stamps.seconds, 0.02 * np.arange(12), atol=1e-7)


def test_marks_of_the_clock_above_the_ticks_are_ignored(tmp_path):
    path = tmp_path / "run.ser"
    marked = [tick | 1 << 62 for tick in regular(12)]
    path.write_bytes(ser_bytes(make_stack(12), universal=START_TICKS | 1 << 62, times=marked))
    start = Time("2026-03-01T22:10:00", scale="utc").mjd
    assert read_layout(path).slabs[0].stamps.first_mjd_utc == pytest.approx(start, abs=1e-9)


@pytest.mark.parametrize("times", [None, [0] * 12, [START_TICKS] * 12])
def test_without_times_the_interval_has_to_be_given(tmp_path, times):
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(make_stack(12), times=times))
    with pytest.raises(TimingError, match=r"camera\.frame_interval_s"):
        opened(path)
    sequence = opened(path, "camera.frame_interval_s=0.01")
    assert sequence.start_utc.startswith("2026-03-01T22:10:00")
    assert_allclose(sequence.time_s, 0.01 * np.arange(12))


@pytest.mark.parametrize("lost", [1, 8 * 12 + 1, 8 * 12 + 2 * 24 * 32 * 2 + 5])
def test_a_file_cut_short_is_read_up_to_its_last_whole_frame(tmp_path, lost):
    stack = make_stack(14)
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(stack, times=regular(14))[: -lost - 8 * 2])
    whole = 14 if lost == 1 else 13 if lost < 200 else 11
    sequence = opened(path, "camera.frame_interval_s=0.02")
    assert_array_equal(sequence.source.read(0, sequence.n_frames), stack[:whole])
    assert any(code == "ser-cut-short" for code, _ in sequence.notes) == (whole < 14)


def test_a_writer_that_died_left_no_number_of_frames(tmp_path):
    stack = make_stack(12)
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(stack, count=0) + b"half a frame")
    sequence = opened(path, "camera.frame_interval_s=0.02")
    assert sequence.n_frames == 12


@pytest.mark.parametrize(
    ("colour", "pattern"), [(8, "RGGB"), (9, "GRBG"), (10, "GBRG"), (11, "BGGR")]
)
def test_the_greens_of_a_mosaic_are_measured(tmp_path, colour, pattern):
    stack = make_stack(12)
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(stack, colour=colour, times=regular(12)))
    sequence = opened(path)
    first, second = ((0, 0), (1, 1)) if pattern[0] == "G" else ((0, 1), (1, 0))
    green = 0.5 * (
        stack[:, first[0] :: 2, first[1] :: 2].astype(float)
        + stack[:, second[0] :: 2, second[1] :: 2]
    )
    assert_allclose(sequence.source.read(0, 12), green)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"colour": 100}, "ColorID = 100"),
        ({"colour": 16}, "ColorID = 16"),
        ({"depth": 32}, "PixelDepth = 32"),
        ({"count": -1}, "make no sense"),
    ],
)
def test_what_cannot_be_read_is_refused_by_field(tmp_path, change, problem):
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(make_stack(12), **change))
    with pytest.raises(InputError, match=problem):
        opened(path)


def test_a_header_cut_short_is_refused(tmp_path):
    path = tmp_path / "run.ser"
    path.write_bytes(ser_bytes(make_stack(12))[:100])
    with pytest.raises(InputError, match="100 bytes of a SER header"):
        opened(path)


def test_a_folder_of_ser_files_is_one_sequence(tmp_path):
    stack = make_stack(24)
    for number in range(2):
        part = slice(12 * number, 12 * number + 12)
        times = regular(24)[part]
        (tmp_path / f"part{number}.ser").write_bytes(ser_bytes(stack[part], times=times))
    sequence = opened(tmp_path)
    assert_allclose(sequence.time_s, 0.02 * np.arange(24), atol=2e-7)
    assert_array_equal(sequence.source.read(0, 24), stack)
