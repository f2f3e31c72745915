"""Files that are damaged, foreign or hostile: refused in one line, or left out and named."""

from __future__ import annotations

import gzip
import tracemalloc

import numpy as np
import pytest
from astropy.io import fits


def card(key, value):
    return f"{key:<8}= {value:>20}".encode("latin-1")


def replace_card(path, key, old, new):
    content = path.read_bytes()
    assert card(key, old) in content
    path.write_bytes(content.replace(card(key, old), card(key, new), 1))


@pytest.mark.parametrize(
    ("content", "told"),
    [(b"", "is empty"), (b"hello" * 3000, "is not a FITS file"), (None, "truncated or damaged")],
)
def test_one_bad_file_among_many_is_left_out_counted_and_named(
    make_field, measure, tmp_path, content, told
):
    folder = make_field().files(tmp_path / "night")
    bad = folder / "f0010.fits"
    bad.write_bytes(bad.read_bytes()[:9000] if content is None else content)
    run = measure(folder)
    result = run.accepted()
    assert result.sequence.frames_used == 39
    assert {"unreadable-files", "missing-frames"} <= run.warnings
    assert "f0010.fits" in run.told
    assert told in run.told


def test_a_folder_of_mostly_truncated_files_is_refused(make_field, measure, tmp_path):
    folder = make_field().files(tmp_path / "night")
    for path in sorted(folder.iterdir())[:25]:
        path.write_bytes(path.read_bytes()[:9000])
    line = measure(folder).refusal()
    assert "f0000.fits: its header promises 22.9 kB, the file holds 9 kB" in line
    assert line.endswith("copy it again or leave it out")


def test_truncated_cube_is_refused_with_its_name(make_field, measure, tmp_path):
    cube = make_field().cube(tmp_path / "cube.fits")
    cube.write_bytes(cube.read_bytes()[:-9000])
    assert "cube.fits: its header promises" in measure(cube).refusal()


@pytest.mark.parametrize(
    ("name", "start", "remedy"),
    [
        ("clip.avi", b"RIFF\0\0\0\0AVI LIST", "record FITS or SER"),
        ("clip.ser", b"LUCAM-RECORDER", "copy it again"),
        ("clip.png", b"\x89PNG\r\n", "write the frames as FITS"),
    ],
)
def test_what_is_not_fits_is_named_with_a_way_out(measure, tmp_path, name, start, remedy):
    path = tmp_path / name
    path.write_bytes(start.ljust(4000, b"\0"))
    line = measure(path).refusal()
    assert name in line
    assert remedy in line


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("night/*.fits", "matches no file"),
        ("no such folder", "no such file or folder"),
        ("empty", "holds no FITS files"),
    ],
)
def test_no_files_is_said(measure, tmp_path, word, told):
    (tmp_path / "empty").mkdir()
    assert told in measure(tmp_path / word).refusal()


def test_fits_without_an_image_is_refused(measure, tmp_path):
    fits.PrimaryHDU().writeto(tmp_path / "nothing.fits")
    assert "nothing.fits: holds no image" in measure(tmp_path / "nothing.fits").refusal()


def flip_bits(folder, share):
    """Flip bits of the pixels of every fifth file."""
    rng = np.random.default_rng(3)
    for path in sorted(folder.iterdir())[::5]:
        content = bytearray(path.read_bytes())
        for place in rng.integers(2880, 2880 + 20_000, int(20_000 * share)):
            content[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(content)


def test_some_flipped_bits_leave_no_wrong_sample(make_field, measure, tmp_path):
    field = make_field()
    folder = field.files(tmp_path / "night")
    flip_bits(folder, 0.001)
    run = measure(folder)
    result = run.accepted()
    assert result.sequence.stars_used == 5
    assert result.sequence.frames_used >= 38
    # An unharmed sample errs by 0.03 px; a flip of a low bit beside the core may add a few times
    # that and cannot be told from light.
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_files_riddled_with_flipped_bits_do_not_spoil_the_others(make_field, measure, tmp_path):
    """With a flip in every star's window the damaged frames may err, but not the sound ones."""
    field = make_field()
    folder = field.files(tmp_path / "night")
    flip_bits(folder, 0.004)
    run = measure(folder)
    assert run.accepted().sequence.stars_used == 5
    wrong = run.wrong_px(field)
    assert np.nanmax(np.delete(wrong, np.s_[::5], axis=0)) < 0.25
    assert np.nanmedian(wrong[::5]) < 0.1


@pytest.mark.parametrize(
    ("new", "told"),
    [
        (12, "keyword BITPIX = 12 is not a FITS pixel type; repair the header"),
        (32, "promises 1.6 MB, the file holds 804 kB"),
        (8, "no star was found"),
    ],
)
def test_wrong_bitpix_of_a_cube_is_refused(make_field, measure, tmp_path, new, told):
    cube = make_field().cube(tmp_path / "cube.fits")
    replace_card(cube, "BITPIX", 16, new)
    assert told in measure(cube).refusal()


def test_a_frame_scaled_otherwise_spoils_neither_gain_nor_places(make_field, measure, tmp_path):
    field = make_field()
    folder = field.files(tmp_path / "night")
    replace_card(folder / "f0010.fits", "BSCALE", 1, 99)
    run = measure(folder)
    # The field was made with 1 e-/ADU; an error of 10 % is four times the stated one.
    assert run.accepted().setup["gain_e_per_adu"].value == pytest.approx(1.0, abs=0.25)
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_unsigned_numbers_without_bzero_are_read_as_what_they_are(make_field, measure, tmp_path):
    field = make_field()
    folder = field.files(tmp_path / "night")
    for path in folder.iterdir():
        content = path.read_bytes()
        path.write_bytes(content.replace(b"BZERO   =", b"XZERO   ="))
    run = measure(folder)
    run.accepted()
    assert np.nanmax(run.wrong_px(field)) < 0.25  # a pedestal of -32768 moves no star


def test_counts_that_overflowed_and_wrapped_are_not_followed_as_stars(
    make_field, measure, tmp_path
):
    """Cores that wrapped to zero are rings: refused, or found where the star is."""
    field = make_field()
    field.frames = np.mod(300 + (field.frames - 300) * 80, 65536)
    run = measure(field.cube(tmp_path / "cube.fits"))
    if run.code == 0:
        assert np.nanmax(run.wrong_px(field)) < 0.5
    else:
        assert "star" in run.refusal()


@pytest.mark.parametrize("dtype", [np.int16, np.float32, np.float64])
def test_negative_sky_changes_nothing(make_field, measure, tmp_path, dtype):
    field = make_field()
    field.frames -= 5000
    run = measure(field.cube(tmp_path / "cube.fits", dtype))
    assert run.accepted().sequence.stars_used == 5
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_nan_and_infinite_pixels_cost_only_what_they_cover(make_field, measure, tmp_path):
    field = make_field()
    field.frames[:, 10, 10] = np.nan  # a dead pixel beside a star
    field.frames[5, 24, 22] = np.inf  # in a core
    field.frames[7] = np.nan  # a whole frame
    field.frames[9, 50, :] = -np.inf  # a row
    run = measure(field.cube(tmp_path / "cube.fits", np.float32))
    result = run.accepted()
    assert result.sequence.frames_used == 39
    assert result.sequence.frames_dropped == {"unreadable": 1}
    assert "frames-lost" in run.warnings
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_numbers_beyond_any_camera_are_refused(make_field, measure, tmp_path):
    field = make_field()
    field.frames *= 1e30
    line = measure(field.cube(tmp_path / "cube.fits", np.float32)).refusal()
    assert "beyond 1e15" in line


def test_numbers_between_zero_and_one_are_no_eight_bit_data(make_field, measure, tmp_path):
    field = make_field()
    field.frames /= 65535
    run = measure(field.cube(tmp_path / "cube.fits", np.float32))
    run.accepted()
    assert "eight-bit" not in run.warnings
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_header_that_promises_terabytes_is_refused_without_taking_memory(measure, tmp_path):
    cards = [card("SIMPLE", "T"), card("BITPIX", 16), card("NAXIS", 3)]
    cards += [card("NAXIS1", 100_000), card("NAXIS2", 1_000_000), card("NAXIS3", 10), b"END"]
    content = b"".join(one.ljust(80) for one in cards).ljust(2880)
    (tmp_path / "huge.fits").write_bytes(content + bytes(2880))
    (tmp_path / "huge.fits.gz").write_bytes(gzip.compress(content + bytes(2880)))
    for name in ("huge.fits", "huge.fits.gz"):
        tracemalloc.start()
        line = measure(tmp_path / name).refusal()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert "promises 2 TB" in line
        assert peak < 50_000_000


def test_mixed_frame_sizes_are_refused_with_the_file(make_field, measure, tmp_path):
    folder = make_field().files(tmp_path / "night")
    half = make_field(12, seed=2)
    half.frames = half.frames.reshape(12, 50, 2, 50, 2).mean(axis=(2, 4))
    half.files(folder, "g{:04d}.fits")
    line = measure(folder).refusal()
    assert "g0000.fits: frames of 50 x 50 pixels among frames of 100 x 100" in line


def test_binning_that_changes_half_way_is_refused(make_field, measure, tmp_path):
    field = make_field()
    field.cards["XBINNING"] = [1] * 20 + [2] * 20
    line = measure(field.files(tmp_path / "night")).refusal()
    assert "f0020.fits: binning changes from 1 to 2" in line


def test_other_exposures_are_left_out_and_named(make_field, measure, tmp_path):
    field = make_field()
    field.cards["EXPTIME"] = [0.01] * 36 + [2.0] * 4
    run = measure(field.files(tmp_path / "night"))
    assert run.accepted().sequence.frames_used == 36
    assert "mixed_exposures" in run.warnings
    assert "f0036.fits" in run.told


def test_nine_frames_are_too_few(make_field, measure, tmp_path):
    folder = make_field(9).files(tmp_path / "night")
    assert "only 9 usable frames, at least 10 are needed" in measure(folder).refusal()


@pytest.mark.parametrize("frames", [31, 32, 33, 34, 97])
def test_any_number_of_frames_is_followed_to_its_last(make_field, measure, tmp_path, frames):
    """Frames are taken in blocks, at first of 32: a last block of one frame has no second half."""
    field = make_field(frames)
    run = measure(field.cube(tmp_path / "cube.fits"))
    assert run.accepted().sequence.frames_used == frames
    assert run.result.sequence.stars_used == 5
    assert np.nanmax(run.wrong_px(field)) < 0.25


def test_ten_frames_still_give_a_width_and_motion(make_field, measure, tmp_path):
    run = measure(make_field(10).files(tmp_path / "night"))
    result = run.accepted()
    assert "few-frames" in run.warnings
    assert result.lines == []
    assert "yes" not in result.verdict.matters.values()
    assert result.fwhm.recorded_px.low95 < result.fwhm.recorded_px.value
