"""Tile-compressed images with damaged tables: refused before their tiles are read.

Without the check a tile whose place is negative ends the whole process (segmentation fault).
"""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_array_equal

from blursplit.errors import InputError
from blursplit.frames import open_frames
from blursplit.frames.layout import read_layout

N, NY, NX = 12, 20, 18
FRAMES = np.random.default_rng(1).integers(200, 4000, (N, NY, NX)).astype(np.int16)


def packed(path, kind="RICE_1", tile=None):
    """Write a tile-compressed cube; return the place of its table of tiles."""
    header = fits.Header()
    header["FPS"], header["DATE-BEG"], header["EXPTIME"] = 50.0, "2026-03-01T22:10:05.5", 0.01
    unit = fits.CompImageHDU(FRAMES, header, compression_type=kind, tile_shape=tile)
    fits.HDUList([fits.PrimaryHDU(), unit]).writeto(path)
    with fits.open(path, disable_image_compression=True) as units:
        return units[1].fileinfo()["datLoc"]


def overwrite(path, place, content):
    with path.open("r+b") as file:
        file.seek(place)
        file.write(content)


@pytest.mark.parametrize(
    ("kind", "tile"),
    [
        ("RICE_1", None),
        ("GZIP_1", (1, NY, NX)),
        ("GZIP_2", None),
        ("PLIO_1", (3, 7, NX)),  # the last tile of a frame has 6 rows
        ("HCOMPRESS_1", (1, 8, 7)),  # the last tiles have 4 rows and 4 columns
    ],
)
def test_sound_tiles_of_any_shape_pass(tmp_path, kind, tile):
    packed(tmp_path / "c.fits", kind, tile)
    sequence = open_frames([tmp_path / "c.fits"])
    frames = sequence.source.read(0, N)
    sequence.source.close()
    assert_array_equal(frames, FRAMES)


@pytest.mark.parametrize(
    ("byte", "value", "told"),
    [
        (0, 0x80, "tile 1 lies outside of it"),  # a negative length
        (1, 0x10, "tile 1 lies outside of it"),  # a megabyte
        (4, 0x80, "tile 1 lies outside of it"),  # before the heap
        (5, 0x10, "tile 1 lies outside of it"),  # behind it
        (8 * 17 + 4, 0xFF, "tile 18 lies outside of it"),
    ],
)
def test_a_tile_outside_the_data_is_refused(tmp_path, byte, value, told):
    table = packed(tmp_path / "c.fits")
    overwrite(tmp_path / "c.fits", table + byte, bytes([value]))
    with pytest.raises(InputError, match=told) as caught:
        read_layout(tmp_path / "c.fits")
    assert caught.value.remedy == "copy it again"


def test_an_empty_tile_is_refused(tmp_path):
    table = packed(tmp_path / "c.fits")
    overwrite(tmp_path / "c.fits", table + 8 * 4, bytes(8))
    with pytest.raises(InputError, match="tile 5 is empty"):
        read_layout(tmp_path / "c.fits")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"'1PB(", b"'1ZB(", "keyword TFORM1 makes no sense"),
        (b"'1PB(", b"'1QB(", "columns take 16 bytes a row, not 8"),
        (b"'1PB(", b"'9PB(", "keyword TFORM1 makes no sense"),
    ],
)
def test_columns_that_do_not_fill_a_row_are_refused(tmp_path, old, new, told):
    path = tmp_path / "c.fits"
    packed(path)
    content = path.read_bytes()
    assert content.count(old) == 1
    path.write_bytes(content.replace(old, new))
    with pytest.raises(InputError, match=told):
        read_layout(path)


@pytest.mark.parametrize("begin", ["-1", "7", "99999999", "T"])
def test_a_heap_outside_the_data_is_refused(tmp_path, begin):
    path = tmp_path / "c.fits"
    packed(path)
    content = path.read_bytes()
    place = content.index(b"END" + b" " * 77, 2880)
    card = f"THEAP   = {begin:>20}".encode().ljust(80)
    path.write_bytes(content[:place] + card + b"END".ljust(80) + content[place + 160 :])
    with pytest.raises(InputError, match="THEAP"):
        read_layout(path)


def test_one_damaged_file_among_many_is_left_out_and_named(tmp_path):
    header = fits.Header()
    for number, frame in enumerate(FRAMES):
        header["DATE-OBS"], header["EXPTIME"] = f"2026-03-01T22:10:{number:02d}", 0.5
        unit = fits.CompImageHDU(frame, header)
        fits.HDUList([fits.PrimaryHDU(), unit]).writeto(tmp_path / f"f{number:02d}.fits")
    with fits.open(tmp_path / "f03.fits", disable_image_compression=True) as units:
        place = units[1].fileinfo()["datLoc"]
    overwrite(tmp_path / "f03.fits", place, b"\xff")
    sequence = open_frames([tmp_path])
    assert sequence.n_frames == N - 1
    told = dict(sequence.notes)["unreadable-files"]["names"]
    assert "f03.fits" in told
    assert "tile 1 lies outside of it" in told
