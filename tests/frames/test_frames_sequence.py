"""Whatever form a sequence comes in, the same frames, times and facts come out."""

from __future__ import annotations

import gzip
import shutil
import tracemalloc

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.errors import InputError, TimingError, TooFewFramesError
from blursplit.frames import Calibration, open_frames
from blursplit.report.words import text_of
from blursplit.result import Remark
from blursplit.rig import Rig


def all_frames(sequence):
    return sequence.source.read(0, sequence.n_frames)


def notes_of(sequence):
    return {code: text_of(Remark(code=code, facts=facts)) for code, facts in sequence.notes}


def opened(*paths, options=()):
    return open_frames(paths, Rig.read(None, options))


def test_folder_list_and_pattern_give_the_same_frames_in_natural_order(folder, stack):
    files = list(folder.iterdir())
    for paths in ([folder], files[::-1], [str(folder / "*.fits")]):
        sequence = opened(*paths)
        assert_array_equal(all_frames(sequence), stack.astype(np.float32))
        # the files carry whole milliseconds, 20 ms apart
        assert_allclose(sequence.time_s, np.arange(20) * 0.02, atol=1e-6)


def test_folder_ignores_what_is_not_fits(folder, stack):
    (folder / "notes.txt").write_text("clear sky")
    (folder / ".hidden.fits").write_bytes(b"rubbish")
    assert opened(folder).n_frames == len(stack)


def test_start_is_the_middle_of_the_first_exposure(folder):
    sequence = opened(folder)
    assert sequence.exposure_s == 0.004
    assert sequence.start_utc == "2026-03-01T22:10:05.125"  # 2 ms after DATE-OBS


@pytest.mark.parametrize("packing", ["plain", "extension", "gz", "fz", "fz-frames", "units"])
def test_cube_of_any_packing_gives_its_pixels(tmp_path, stack, maker, packing):
    path = tmp_path / ("cube.fits.gz" if packing == "gz" else "cube.fits")
    if packing in {"plain", "gz"}:
        maker.cube(tmp_path / "cube.fits", stack)
        if packing == "gz":
            with (tmp_path / "cube.fits").open("rb") as plain, gzip.open(path, "wb") as packed:
                shutil.copyfileobj(plain, packed)
    elif packing == "extension":
        fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(stack, name="SCI")]).writeto(path)
    elif packing == "units":
        units = [fits.ImageHDU(frame) for frame in stack]
        fits.HDUList([fits.PrimaryHDU(), *units]).writeto(path)
    else:
        tile = (1, *stack.shape[1:]) if packing == "fz-frames" else None
        unit = fits.CompImageHDU(stack, compression_type="RICE_1", tile_shape=tile)
        fits.HDUList([fits.PrimaryHDU(), unit]).writeto(path)
    sequence = opened(path, options=["camera.frame_interval_s=0.02"])
    assert_array_equal(all_frames(sequence), stack.astype(np.float32))
    assert sequence.cadence_s == 0.02
    x0, y0 = np.array([9, 0]), np.array([8, 3])
    stamps = sequence.source.cut(3, 9, x0, y0, 7)
    assert_array_equal(stamps[:, 0], stack[3:9, 8:15, 9:16].astype(np.float32))
    assert_array_equal(stamps[:, 1], stack[3:9, 3:10, 0:7].astype(np.float32))
    sequence.source.close()


def test_compressed_file_a_frame_gives_its_pixels(tmp_path, stack, maker):
    files = []
    for number, frame in enumerate(stack):
        unit = fits.CompImageHDU(frame, compression_type="RICE_1")
        unit.header["DATE-OBS"] = maker.stamp(number * 0.02)
        files.append(tmp_path / f"f{number}.fits.fz")
        fits.HDUList([fits.PrimaryHDU(), unit]).writeto(files[-1])
    assert_array_equal(all_frames(opened(*files)), stack.astype(np.float32))


def test_shuffled_names_are_sorted_by_time_and_said(tmp_path, stack, maker, rng_order):
    times = [maker.stamp(0.02 * k) for k in rng_order]
    maker.files(tmp_path, stack, DATE_OBS=times)
    sequence = opened(tmp_path)
    assert_array_equal(sequence.frame, np.argsort(rng_order))
    assert_array_equal(all_frames(sequence), stack[np.argsort(rng_order)].astype(np.float32))
    assert "times-backward" in notes_of(sequence)


@pytest.fixture
def rng_order():
    return np.random.default_rng(3).permutation(20)


def test_no_times_and_no_interval_names_the_option(tmp_path, stack, maker):
    path = maker.cube(tmp_path / "cube.fits", stack)
    with pytest.raises(TimingError, match=r"--set camera\.frame_interval_s="):
        opened(path)


def test_equal_times_in_all_files_need_an_interval(tmp_path, stack, maker):
    maker.files(tmp_path, stack, DATE_OBS="2026-03-01T22:10:05")
    with pytest.raises(TimingError, match="frame_interval_s"):
        opened(tmp_path)
    sequence = opened(tmp_path, options=["camera.frame_interval_s=0.02"])
    assert sequence.start_utc is not None
    assert "times-do-not-advance" in notes_of(sequence)


def test_nine_frames_are_too_few(tmp_path, maker):
    maker.files(tmp_path, maker.stack(9))
    with pytest.raises(TooFewFramesError, match="only 9 usable frames"):
        opened(tmp_path)


def test_table_of_times_beside_a_cube_is_used(tmp_path, stack, maker):
    times = np.arange(20) * 0.01 + 5.0
    table = fits.BinTableHDU.from_columns(
        [fits.Column("TIME", "D", unit="s", array=times)], name="TIMES"
    )
    path = maker.cube(tmp_path / "cube.fits", stack, [table], DATE_BEG=maker.stamp(0))
    sequence = opened(path)
    assert_allclose(sequence.cadence_s, 0.01, rtol=1e-9)
    assert sequence.stamps.keyword == "table of times (TIME)"
    assert sequence.start_utc == "2026-03-01T22:10:05.123"


@pytest.mark.parametrize(
    ("part", "start"), [(0.0, "22:10:10.125"), (0.5, "22:10:10.123"), (1.0, "22:10:10.121")]
)
def test_table_says_which_part_of_the_exposure_its_times_mark(tmp_path, stack, maker, part, start):
    table = fits.BinTableHDU.from_columns(
        [fits.Column("TIME", "D", unit="s", array=np.arange(20) * 0.01 + 5.0)], name="TIMES"
    )
    table.header["TIMEPIXR"], table.header["DATEREF"] = part, maker.stamp(0)
    path = maker.cube(tmp_path / "cube.fits", stack, [table], EXPTIME=0.004)
    assert opened(path).start_utc == f"2026-03-01T{start}"


def test_third_axis_of_time_is_used(tmp_path, stack, maker):
    path = maker.cube(
        tmp_path / "cube.fits", stack, CTYPE3="TIME", CRVAL3=0.0, CDELT3=20.0, CUNIT3="ms"
    )
    assert_allclose(opened(path).cadence_s, 0.02, rtol=1e-12)


def test_cube_between_two_dates_gets_its_interval(tmp_path, stack, maker):
    path = maker.cube(
        tmp_path / "cube.fits", stack, DATE_BEG=maker.stamp(0), DATE_END=maker.stamp(0.4)
    )
    assert_allclose(opened(path).cadence_s, 0.02, rtol=1e-9)


def test_exposure_in_milliseconds_is_recognised_by_the_cadence(tmp_path, stack, maker):
    maker.files(tmp_path, stack, EXPTIME=4.0)
    sequence = opened(tmp_path)
    assert_allclose(sequence.exposure_s, 0.004)
    assert "taken as milliseconds" in notes_of(sequence)["exposure-in-milliseconds"]


def test_ninety_thousand_milliseconds_of_a_video_is_the_whole_run(tmp_path, stack, maker):
    path = maker.cube(tmp_path / "cube.fits", stack, EXPTIME=90000, FPS=50.0)
    sequence = opened(path)
    assert sequence.exposure_s is None
    assert "ignored" in notes_of(sequence)["exposure-unusable"]


def test_mixed_sizes_are_refused_with_the_file_named(tmp_path, maker):
    maker.files(tmp_path, maker.stack(12))
    maker.files(tmp_path, maker.stack(1, (24, 30)), name="g{:d}.fits")
    with pytest.raises(InputError, match=r"g0\.fits.*30 x 24 pixels among frames of 32 x 24"):
        opened(tmp_path)


def test_changed_binning_of_equal_size_is_refused(tmp_path, stack, maker):
    maker.files(tmp_path, stack, XBINNING=[1] * 10 + [2] * 10)
    with pytest.raises(InputError, match="binning changes from 1 to 2"):
        opened(tmp_path)


def test_long_exposure_among_short_ones_is_left_out(tmp_path, stack, maker):
    maker.files(tmp_path, stack, EXPTIME=[0.004] * 19 + [60.0])
    sequence = opened(tmp_path)
    assert sequence.n_frames == 19
    assert sequence.dropped == {"other exposure": 1}
    assert "f19.fits" in notes_of(sequence)["mixed_exposures"]


def test_calibration_frames_in_the_folder_are_left_out(tmp_path, stack, maker):
    kinds = ["Light Frame"] * 15 + ["Dark Frame", "BIAS", "flat", "Flat Field", "zero"]
    maker.files(tmp_path, stack, IMAGETYP=kinds)
    sequence = opened(tmp_path)
    assert (sequence.n_frames, sequence.dropped) == (15, {"calibration frame": 5})


def test_a_few_truncated_files_are_dropped_counted_and_named(folder):
    for name in ("f3.fits", "f7.fits"):
        content = (folder / name).read_bytes()
        (folder / name).write_bytes(content[:4000])
    (folder / "f9.fits").write_bytes(b"")
    sequence = opened(folder)
    assert (sequence.n_frames, sequence.dropped) == (17, {"unreadable file": 3})
    assert "f3.fits" in notes_of(sequence)["unreadable-files"]
    assert sequence.stamps.missing == 3  # the grid knows that three are absent


def test_file_given_twice_counts_once(folder):
    files = sorted(folder.iterdir())
    sequence = opened(*files, files[0])
    assert sequence.n_frames == 20
    assert sequence.dropped == {"file given twice": 1}


def test_frame_repeated_under_another_name_is_dropped(tmp_path, stack, maker):
    maker.files(tmp_path, stack)
    shutil.copy(tmp_path / "f4.fits", tmp_path / "f4copy.fits")
    sequence = opened(tmp_path)
    assert (sequence.n_frames, sequence.dropped) == (20, {"duplicate time": 1})


def test_pier_flip_begins_a_segment(tmp_path, stack, maker):
    maker.files(tmp_path, stack, PIERSIDE=["WEST"] * 8 + ["EAST"] * 12)
    sequence = opened(tmp_path)
    assert_array_equal(sequence.segment, [0] * 8 + [1] * 12)
    assert "pier-flip" in notes_of(sequence)


def test_contradictory_keywords_are_named(folder):
    for path in folder.iterdir():
        content = path.read_bytes()
        card = content.index(b"EXPTIME")
        double = b"EXPTIME =                 0.25".ljust(80)
        end = content.index(b"END".ljust(80))
        changed = content[:end] + double + content[end : -80 - 0]
        assert card < end
        path.write_bytes(changed[: len(content)])
    assert "EXPTIME" in notes_of(opened(folder))["duplicate-keywords"]


def test_setup_is_stronger_than_the_header_and_says_so(folder):
    sequence = opened(folder, options=["camera.exposure_s=0.002"])
    assert sequence.exposure_s == 0.002
    assert sequence.instrument.origin("exposure_s") == "option"


def test_given_interval_that_contradicts_the_times_is_said(folder):
    sequence = opened(folder, options=["camera.frame_interval_s=0.05"])
    assert "the times say 0.02 s" in notes_of(sequence)["interval-contradicts-times"]


def test_colour_planes_are_not_frames(tmp_path, maker):
    frames = np.stack([maker.stack(12, seed=seed) for seed in (1, 2, 3)], axis=1)
    maker.files(tmp_path, frames)
    sequence = opened(tmp_path)
    assert sequence.n_frames == 12
    assert_array_equal(all_frames(sequence), frames[:, 1].astype(np.float32))
    assert "colour-planes" in notes_of(sequence)


@pytest.mark.parametrize(("pattern", "offset"), [("RGGB", 0), ("GRBG", 0), ("RGGB", 1)])
def test_green_samples_are_averaged_without_interpolation(tmp_path, stack, maker, pattern, offset):
    cards = {"BAYERPAT": pattern, "XBAYROFF": offset, "PIXSCALE": 0.5, "EGAIN": 0.7}
    maker.files(tmp_path, stack, **cards)
    sequence = opened(tmp_path)
    mosaic = stack.astype(np.float32)
    on_diagonal = (pattern[0] == "G") ^ bool(offset)
    one = mosaic[:, 0::2, 0::2] if on_diagonal else mosaic[:, 0::2, 1::2]
    other = mosaic[:, 1::2, 1::2] if on_diagonal else mosaic[:, 1::2, 0::2]
    assert_allclose(all_frames(sequence), (one + other) / 2)
    assert_allclose(
        sequence.source.cut(2, 3, np.array([3]), np.array([2]), 5)[0, 0],
        ((one + other) / 2)[2, 2:7, 3:8],
    )
    assert sequence.instrument.get("pixel_scale_arcsec") == 1.0
    assert sequence.instrument.get("gain_e_per_adu") == 1.4  # a mean of two counts twice as many
    assert "nothing is interpolated" in notes_of(sequence)["colour-mosaic"]


def test_calibration_applies_to_frames_and_stamps_alike(tmp_path, stack, maker):
    maker.files(tmp_path / "light", stack)
    shape = stack.shape[1:]
    ramp = np.linspace(0.8, 1.2, shape[1]) * np.ones(shape)
    for kind, image in (("bias", np.full(shape, 100.0)), ("flat", 100 + 20000 * ramp)):
        maker.files(tmp_path / kind, [image.astype(np.float32)] * 2)
    calibration = Calibration.read([tmp_path / "bias"], flat=[tmp_path / "flat"])
    sequence = open_frames([tmp_path / "light"], calibration=calibration)
    expected = (stack - 100.0) / (ramp / np.median(ramp))
    assert_allclose(all_frames(sequence), expected, rtol=1e-5)
    stamps = sequence.source.cut(0, 20, np.array([4]), np.array([5]), 9)
    assert_allclose(stamps[:, 0], expected[:, 5:14, 4:13], rtol=1e-5)


def test_darks_of_another_exposure_are_scaled_and_need_a_bias_for_that(tmp_path, stack, maker):
    maker.files(tmp_path / "light", stack, EXPTIME=0.01)
    shape = stack.shape[1:]
    for kind, level, exposure in (("bias", 100.0, 0.0), ("dark", 300.0, 1.0)):
        image = np.full(shape, level, dtype=np.float32)
        maker.files(tmp_path / kind, [image] * 2, EXPTIME=exposure)
    dark = Calibration.read(dark=[tmp_path / "dark"])
    with pytest.raises(InputError, match="give bias frames too"):
        open_frames([tmp_path / "light"], calibration=dark)
    both = Calibration.read([tmp_path / "bias"], [tmp_path / "dark"])
    sequence = open_frames([tmp_path / "light"], calibration=both)
    assert_allclose(all_frames(sequence), stack - 102.0, rtol=1e-5)  # a hundredth of the dark
    assert "scaled by 0.01" in notes_of(sequence)["calibrated"]


def test_cubes_one_after_another_keep_the_pause_between_them(tmp_path, stack, maker):
    for number, start in enumerate((0.0, 60.0)):
        maker.cube(tmp_path / f"c{number}.fits", stack, DATE_BEG=maker.stamp(start), FPS=50.0)
    sequence = opened(tmp_path)
    assert (sequence.n_frames, sequence.n_files) == (40, 2)
    assert_allclose(sequence.time_s[20], 60.0, atol=0.011)  # half a frame: the grid is shared
    assert_array_equal(sequence.segment, [0] * 20 + [1] * 20)


def test_clock_set_back_within_a_cube_is_repaired(tmp_path, stack, maker):
    times = np.arange(20) * 0.02
    times[11:] -= 1.0
    table = fits.BinTableHDU.from_columns(
        [fits.Column("TIME", "D", unit="s", array=times)], name="TIMES"
    )
    path = maker.cube(tmp_path / "cube.fits", stack, [table])
    sequence = opened(path)
    assert_array_equal(sequence.frame, np.arange(20))
    assert_allclose(sequence.time_s, np.arange(20) * 0.02, atol=1e-9)
    assert "clock-stepped-back" in notes_of(sequence)


def test_gzipped_file_a_frame_gives_its_pixels(tmp_path, stack, maker):
    for path in maker.files(tmp_path, stack):
        path.with_suffix(".fits.gz").write_bytes(gzip.compress(path.read_bytes()))
        path.unlink()
    assert_array_equal(all_frames(opened(tmp_path)), stack.astype(np.float32))


def test_twenty_gigabyte_cube_needs_little_memory(tmp_path, maker):
    """A sparse file: two frames of pixels, the rest a hole."""
    shape = (512, 512)
    path = maker.cube(tmp_path / "cube.fits", maker.stack(2, shape), FPS=100.0, EGAIN=1.0)
    frames = 20_000_000_000 // (2 * shape[0] * shape[1])
    content = path.read_bytes()
    path.write_bytes(content.replace(b"NAXIS3  =                    2", b"NAXIS3  = %20d" % frames))
    with path.open("r+b") as file:
        file.truncate(2880 * (1 + -(-2 * frames * shape[0] * shape[1] // 2880)))
    tracemalloc.start()
    sequence = opened(path)
    x0 = y0 = np.arange(30) * 16
    for start in (0, 15_000, frames - 50):
        sequence.source.read(start, start + 20)
        sequence.source.cut(start, start + 50, x0, y0, 25)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sequence.n_frames == frames
    assert peak < 200e6
