"""Broken, hostile and foreign files: one clear refusal, never a crash, never a huge allocation."""

from __future__ import annotations

import contextlib
import gzip

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from blursplit.errors import BlursplitError, InputError
from blursplit.frames import open_frames
from blursplit.frames.layout import read_layout


def card(key, value):
    return f"{key:<8}= {value:>20}".ljust(80).encode("latin-1")


def raw_fits(*cards, data=b""):
    head = b"".join([*cards, b"END".ljust(80)])
    return head.ljust(-(-len(head) // 2880) * 2880) + data.ljust(-(-len(data) // 2880) * 2880)


def primary(bitpix=16, axes=(32, 24, 20)):
    cards = [card("SIMPLE", "T"), card("BITPIX", bitpix), card("NAXIS", len(axes))]
    return cards + [card(f"NAXIS{n}", length) for n, length in enumerate(axes, 1)]


def test_header_that_promises_terabytes_is_refused_before_allocation(tmp_path):
    path = tmp_path / "huge.fits"
    path.write_bytes(raw_fits(*primary(axes=(100_000, 1_000_000, 10)), data=b"\0" * 2880))
    with pytest.raises(InputError, match=r"promises 2 TB, the file holds 5\.76 kB"):
        open_frames([path])


def test_frame_beyond_any_camera_is_refused_even_when_the_file_is_sparse(tmp_path):
    path = tmp_path / "wide.fits"
    path.write_bytes(raw_fits(*primary(8, (100_000, 100_000))))
    with path.open("r+b") as file:
        file.truncate(10_000_000_000 + 5760)  # a hole on disk, no bytes written
    with pytest.raises(InputError, match="beyond any camera"):
        open_frames([path])


def test_gzip_bomb_is_refused(tmp_path):
    path = tmp_path / "bomb.fits.gz"
    path.write_bytes(gzip.compress(raw_fits(*primary(axes=(60_000, 6_000, 3000)))))
    with pytest.raises(InputError, match=r"promises 2\.16 TB"):
        open_frames([path])


def test_tile_compressed_bomb_is_refused(tmp_path, stack):
    path = tmp_path / "bomb.fits"
    unit = fits.CompImageHDU(stack, compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), unit]).writeto(path)
    content = path.read_bytes()
    content = content.replace(b"ZNAXIS3 =                   20", b"ZNAXIS3 =           2000000000")
    path.write_bytes(content)
    with pytest.raises(InputError, match="do not make up the image"):
        open_frames([path])


def test_truncated_cube_is_refused_in_one_line(tmp_path, stack, maker):
    path = maker.cube(tmp_path / "cube.fits", stack)
    path.write_bytes(path.read_bytes()[:-5000])
    with pytest.raises(InputError, match=r"cube\.fits: its header promises .* truncated") as caught:
        open_frames([path])
    assert "\n" not in str(caught.value)


def test_truncated_gzip_is_refused(tmp_path, stack, maker):
    plain = maker.cube(tmp_path / "cube.fits", stack)
    path = tmp_path / "cube.fits.gz"
    path.write_bytes(gzip.compress(plain.read_bytes())[:-3000])
    with pytest.raises(InputError, match="truncated"):
        open_frames([path])


def test_header_without_end_is_refused(tmp_path):
    path = tmp_path / "noend.fits"
    path.write_bytes(b"".join(primary()).ljust(2880))
    with pytest.raises(InputError, match="has no END"):
        open_frames([path])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ([card("BITPIX", 17)], "BITPIX = 17 is not a FITS pixel type"),
        ([card("BITPIX", "'16'")], "not a FITS pixel type"),
        ([card("NAXIS1", -5)], "NAXIS1 = -5 makes no sense"),
        ([card("NAXIS1", "3.5")], "NAXIS1 = 3.5 makes no sense"),
        ([card("NAXIS", 1000)], "NAXIS = 1000 makes no sense"),
    ],
)
def test_structure_that_makes_no_sense_is_refused(tmp_path, change, message):
    wrong = {one[:8]: one for one in change}
    cards = [wrong.get(one[:8], one) for one in primary()]
    path = tmp_path / "odd.fits"
    path.write_bytes(raw_fits(*cards, data=bytes(32 * 24 * 20 * 2)))
    with pytest.raises(InputError, match=message):
        open_frames([path])


@pytest.mark.parametrize(
    ("extra", "message"),
    [
        (card("NAXIS1", 64), "NAXIS1 is given twice"),
        (card("BSCALE", 0), "BSCALE = 0"),
        (card("BZERO", "'abc'"), "BZERO = 'abc' is not a number"),
    ],
)
def test_contradictory_or_senseless_scaling_is_refused(tmp_path, extra, message):
    path = tmp_path / "odd.fits"
    path.write_bytes(raw_fits(*primary(), extra, data=bytes(32 * 24 * 20 * 2)))
    with pytest.raises(InputError, match=message):
        open_frames([path])


@pytest.mark.parametrize(
    ("start", "name", "message"),
    [
        (b"RIFF\0\0\0\0AVI LIST", "a.avi", "video container .AVI.*decode all frames, unscaled"),
        (b"\0\0\0\x18ftypisom", "a.mp4", "video container .MP4.*record FITS or SER"),
        (b"LUCAM-RECORDER", "a.ser", "ImageWidth.* make no sense"),
        (b"\x89PNG\r\n", "a.png", "PNG image"),
        (b"hello", "a.fits", "does not begin with SIMPLE"),
    ],
)
def test_foreign_file_is_named_for_what_it_is(tmp_path, start, name, message):
    path = tmp_path / name
    path.write_bytes(start.ljust(4000, b"\0"))
    with pytest.raises(InputError, match=message):
        open_frames([path])


def test_folder_with_only_a_video_says_how_to_convert(tmp_path):
    (tmp_path / "run.avi").write_bytes(b"RIFF")
    with pytest.raises(InputError, match="decode all frames"):
        open_frames([tmp_path])


@pytest.mark.parametrize("name", ["", "missing.fits", "none*.fits"])
def test_nothing_found_is_said(tmp_path, name):
    with pytest.raises(InputError, match=r"holds no FITS files|no such file|matches no file"):
        open_frames([tmp_path / name])
    with pytest.raises(InputError, match="no files were given"):
        open_frames([])


def test_nan_and_infinite_pixels_come_out_as_nan(tmp_path, stack, maker):
    frames = stack.astype(np.float32)
    frames[4, 2, 3], frames[5, 6, 7], frames[6, 1, 1] = np.nan, np.inf, -np.inf
    path = maker.cube(tmp_path / "cube.fits", frames, FPS=50.0)
    out = open_frames([path]).source.read(0, 20)
    assert_array_equal(np.argwhere(~np.isfinite(out)), [[4, 2, 3], [5, 6, 7], [6, 1, 1]])
    assert not np.isinf(out).any()


def test_blank_value_comes_out_as_nan_and_scale_is_applied(tmp_path):
    values = np.arange(32 * 24 * 20, dtype=">i2").reshape(20, 24, 32) % 1000 - 200
    extra = [card("BLANK", -200), card("BSCALE", 0.5), card("BZERO", 10.0), card("FPS", 50.0)]
    path = tmp_path / "scaled.fits"
    path.write_bytes(raw_fits(*primary(), *extra, data=values.astype(">i2").tobytes()))
    out = open_frames([path]).source.read(0, 20)
    expected = np.where(values == -200, np.nan, values * 0.5 + 10)  # negative sky survives
    assert_array_equal(out, expected.astype(np.float32))


def test_blank_frames_are_refused(tmp_path, maker):
    path = maker.cube(tmp_path / "c.fits", np.zeros((12, 8, 8), np.float32), FPS=50.0)
    with pytest.raises(InputError, match="all pixels have the same value 0"):
        open_frames([path])


def test_saturated_frames_are_refused(tmp_path, maker):
    frames = np.full((12, 16, 16), 65535, dtype=np.uint16)
    frames[:, 0, 0] = 500
    path = maker.cube(tmp_path / "c.fits", frames, FPS=50.0)
    with pytest.raises(InputError, match=r"100 % of the pixels are saturated at 65535"):
        open_frames([path])


def test_header_that_is_not_ascii_is_read(folder):
    for path in folder.iterdir():
        content = path.read_bytes()
        content = content.replace(
            b"END".ljust(80),
            "OBJECT  = 'Gru\xdf \x01'".encode("latin-1").ljust(80) + b"END".ljust(80),
            1,
        )
        path.write_bytes(content.replace(b" " * 80 + b"\0", b"\0", 1)[:2880] + content[2960:])
    assert open_frames([folder]).instrument.get("object") == "Gruß"


def test_frame_that_vanishes_while_reading_is_nan_and_named(folder):
    sequence = open_frames([folder])
    sequence.source.close()  # forgets the frames it kept
    (folder / "f5.fits").unlink()
    frames = sequence.source.read(0, 20)
    assert np.isnan(frames[5]).all()
    assert list(sequence.source.failures) == [5]
    assert "f5.fits" in sequence.source.failures[5]


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    flips=st.lists(st.tuples(st.integers(0, 5759), st.integers(0, 255)), min_size=1, max_size=25)
)
def test_flipped_bytes_raise_nothing_but_our_own_errors(tmp_path, flips):
    content = bytearray(
        raw_fits(
            *primary(),
            card("BZERO", 32768),
            card("DATE-OBS", "'2026-03-01T22:10:05.5'"),
            card("FPS", 50.0),
            card("RA", "'05 35 17'"),
            card("FILTER", "'R'"),
            data=np.arange(32 * 24 * 20, dtype=">i2").tobytes(),
        )
    )
    for place, value in flips:
        content[place] = value
    path = tmp_path / "flipped.fits"
    path.write_bytes(content)
    with contextlib.suppress(BlursplitError):
        assert open_frames([path]).source.read(0, 2).dtype == np.float32


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(noise=st.binary(min_size=0, max_size=400))
def test_arbitrary_bytes_after_simple_raise_only_our_errors(tmp_path, noise):
    path = tmp_path / "noise.fits"
    path.write_bytes((b"SIMPLE  =                    T".ljust(80) + noise).ljust(5760))
    with pytest.raises(BlursplitError, match="noise"):
        read_layout(path)
