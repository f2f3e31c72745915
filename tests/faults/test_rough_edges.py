"""Rough edges: each row is a fault, what is expected, and the one line that comes out.

What is refused is refused in one line that names the file or the key and a remedy; what can be
measured is measured.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.errors import BlursplitError
from blursplit.rig import Rig
from blursplit.sources import Source


@pytest.fixture(name="field")
def _field(make_field: Any) -> Any:
    return make_field()


def told(path: Any, *options: str) -> str:
    """Return the one line with which a source is refused."""
    with pytest.raises(BlursplitError) as refused:
        Source.read(path, Rig.read(None, options))
    text = str(refused.value)
    assert "\n" not in text
    assert "; " in text
    return text


@pytest.mark.parametrize("options", [(), ("camera.gain_e_per_adu=0.125",)])
def test_a_sky_clipped_to_one_level_is_measured(field: Any, tmp_path: Path, options: Any) -> None:
    """Sky subtracted and clipped at zero: the stars are there, and are followed as before."""
    clean = Source.read(field.cube(tmp_path / "raw.fits")).tracks
    field.frames = 8.0 * np.clip(field.frames - 360.0, 0, None)
    tracks = Source.read(field.cube(tmp_path / "clipped.fits"), Rig.read(None, options)).tracks
    assert tracks.n_stars == clean.n_stars == 5
    assert tracks.good.mean() > 0.95
    # clipped wings pull a centroid by less than its noise of 0.01 px at these fluxes
    order, other = np.argsort(tracks.x_px[0]), np.argsort(clean.x_px[0])
    assert_allclose(tracks.x_px[:, order], clean.x_px[:, other], atol=0.06)


def test_eight_bit_video_with_its_sky_subtracted_is_measured(field: Any, tmp_path: Path) -> None:
    """The commonest of them: 255 levels, most pixels 0."""
    field.frames = np.clip(np.rint((field.frames - 330.0) / 12.0), 0, 255)
    tracks = Source.read(field.cube(tmp_path / "video.fits", np.uint8)).tracks
    assert tracks.n_stars == 5
    assert tracks.good.mean() > 0.95


def test_one_picture_again_and_again_is_refused(field: Any, tmp_path: Path) -> None:
    """Identical frames hold one moment only."""
    field.frames = np.repeat(field.frames[:1], 40, axis=0)
    assert "all its frames are the same picture" in told(field.cube(tmp_path / "same.fits"))


@pytest.mark.parametrize("rows", [3, 5])
def test_frames_of_a_few_rows_are_refused(field: Any, tmp_path: Path, rows: int) -> None:
    """No star fits into them."""
    field.frames = field.frames[:, 22 : 22 + rows]
    text = told(field.cube(tmp_path / "strip.fits"))
    assert f"frames of 100 x {rows} pixels are too small for a star" in text


@pytest.mark.parametrize(
    ("option", "said"),
    [
        ("camera.saturation_adu=100", "100 lies below the sky of the frames, 30"),
        ("camera.exposure_s=5", "5 s is longer than the interval of 0.05 s between frames"),
        ("camera.row_time_us=40000", "100 rows take 4 s, longer than the interval of 0.05 s"),
    ],
)
def test_settings_that_the_frames_contradict_are_refused(
    field: Any, tmp_path: Path, option: str, said: str
) -> None:
    """The key is named, and what the frames say."""
    text = told(field.cube(tmp_path / "field.fits"), option)
    assert said in text
    assert option.partition("=")[0] in text


@pytest.mark.parametrize(
    "path", ["x" * 5000, "~nosuchuser/night.fits", "a\0b.fits", "y" * 5000 + ".csv"]
)
def test_paths_that_cannot_be_are_refused_in_a_line_that_can_be_read(path: str) -> None:
    """No traceback, and not five thousand letters."""
    assert len(told(path)) < 1400


def test_two_cubes_that_begin_at_once_are_not_interleaved(make_field: Any, tmp_path: Path) -> None:
    """Nothing says which was first: the second is named."""
    from astropy.io import fits

    path = make_field().cube(tmp_path / "two.fits")
    with fits.open(path) as units:
        header, data = units[0].header, units[0].data.copy()
        second = fits.ImageHDU(data, header)
        fits.HDUList([fits.PrimaryHDU(data, header), second]).writeto(tmp_path / "both.fits")
    text = told(tmp_path / "both.fits")
    assert "both.fits[1]" in text
    assert "begins at the same time (DATE-BEG) as another cube" in text


def test_seconds_of_the_day_go_on_past_midnight(make_field: Any, tmp_path: Path) -> None:
    """A table of times that starts anew: the frames stay in order, a day is added."""
    from astropy.io import fits

    path = make_field().cube(tmp_path / "night.fits")
    with fits.open(path) as units:
        image = fits.PrimaryHDU(units[0].data, units[0].header)
        time_s = (86400.0 - 1.0 + 0.05 * np.arange(40)) % 86400.0  # half of them after midnight
        times = fits.BinTableHDU.from_columns([fits.Column("TIME", "D", array=time_s, unit="s")])
        fits.HDUList([image, times]).writeto(tmp_path / "timed.fits")
    tracks = Source.read(tmp_path / "timed.fits").tracks
    assert "past-midnight" in {code for code, _ in tracks.notes}
    assert_allclose(tracks.time_s[-1], 39 * 0.05, atol=1e-6)
    assert list(tracks.frame) == list(range(40))


def timed(make_field: Any, folder: Path, time_s: Any) -> Path:
    """Write a cube of so many frames with a table of times and no other word of its rate."""
    from astropy.io import fits

    path = make_field(len(time_s)).cube(folder / "night.fits")
    with fits.open(path) as units:
        image = fits.PrimaryHDU(units[0].data, units[0].header)
        del image.header["FPS"]
        times = fits.BinTableHDU.from_columns([fits.Column("TIME", "D", array=time_s, unit="s")])
        fits.HDUList([image, times]).writeto(folder / "timed.fits")
    return folder / "timed.fits"


def test_a_table_of_equal_times_is_no_table_of_times(make_field: Any, tmp_path: Path) -> None:
    """The interval is asked for; where it is stated the frames are even."""
    path = timed(make_field, tmp_path, np.zeros(40))
    assert "(TIME) is the same in all frames and no frame interval" in told(path)
    tracks = Source.read(path, Rig.read(None, ("camera.frame_interval_s=0.05",))).tracks
    assert tracks.timing == "regular"
    assert_allclose(tracks.time_s, 0.05 * np.arange(40), atol=1e-9)


def test_a_table_of_whole_seconds_is_read_as_coarse(make_field: Any, tmp_path: Path) -> None:
    """Twenty frames share a time: the grid under it is found, to two frames in four seconds."""
    path = timed(make_field, tmp_path, np.floor(0.05 * np.arange(120)))
    tracks = Source.read(path).tracks
    assert tracks.timing == "regular"
    assert_allclose(tracks.cadence_s, 0.05, rtol=0.04)
    assert dict(tracks.notes)["times-coarse"]["step_s"] == 1.0


def test_a_tenth_of_a_second_at_a_thousand_frames_is_answered(
    make_field: Any, measure: Any, tmp_path: Path
) -> None:
    """Shorter than any event that is looked for: none is searched, the rest is answered."""
    from astropy.io import fits

    path = make_field(100).cube(tmp_path / "fast.fits")
    with fits.open(path, mode="update") as units:
        units[0].header["FPS"], units[0].header["EXPTIME"] = 1000.0, 0.0005
    run = measure(path, "--set", "camera.pixel_scale_arcsec=0.8")
    assert run.accepted().event_search is None


def test_times_of_day_without_a_date_are_refused(field: Any, tmp_path: Path) -> None:
    """Nothing says which day they belong to: the interval is asked for."""
    field.cards = {"DATE-OBS": "", "TIME-OBS": [f"23:59:{i:02d}.0" for i in range(40)]}
    assert "camera.frame_interval_s" in told(field.files(tmp_path / "night"))


def test_a_file_that_was_shortened_is_named_before_the_sky(field: Any, tmp_path: Path) -> None:
    """The file ends before its first frame when it is read: no word of focus or exposure."""
    from blursplit.frames import open_frames
    from blursplit.frames.pixels import _find_levels

    path = field.cube(tmp_path / "cut.fits")
    sequence = open_frames(path)
    os.truncate(path, 4000)
    with pytest.raises(BlursplitError, match=r"cut.*cannot be read.*shortened"):
        _find_levels(sequence.source, "cut")
    sequence.source.close()


@pytest.mark.parametrize("damaged", [1, 40])
def test_data_that_do_not_match_their_sum_are_told(
    field: Any, tmp_path: Path, damaged: int
) -> None:
    """DATASUM is compared: one bad file of forty is left out; a sum that none keeps is noted."""
    from astropy.io import fits

    folder = field.files(tmp_path / "night")
    for number, path in enumerate(sorted(folder.iterdir())):
        with fits.open(path) as units:
            data, header = units[0].data, units[0].header
        fits.PrimaryHDU(data, header).writeto(path, checksum=True, overwrite=True)
        if number < damaged:
            content = bytearray(path.read_bytes())
            content[8000] ^= 0x40
            path.write_bytes(content)
    tracks = Source.read(folder).tracks
    codes = {code for code, _ in tracks.notes}
    if damaged == 1:
        assert tracks.n_frames == 39
        assert "unreadable-files" in codes
        told = dict(tracks.notes)["unreadable-files"]["names"]
        assert "f0000.fits (its pixels do not match DATASUM)" in told
    else:
        assert tracks.n_frames == 40
        assert "checksum-differs" in codes
