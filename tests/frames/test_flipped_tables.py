"""Flipped bytes in what an outside reader decodes - tables of times or of images, packed tiles.

The plain reader of our own is fuzzed in test_frames_faults; here the bytes pass through another
library, whose errors of any class must end as ours, or as frames left out.
"""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blursplit.errors import BlursplitError
from blursplit.frames import open_frames

N = 12
FRAMES = np.random.default_rng(1).integers(200, 4000, (N, 16, 16)).astype(np.int16)


def cards():
    header = fits.Header()
    header["DATE-BEG"], header["EXPTIME"] = "2026-03-01T22:10:05.5", 0.01
    return header


def times_beside_a_cube():
    column = fits.Column("TIME", "D", array=np.arange(N) * 0.02, unit="s")
    return [fits.PrimaryHDU(FRAMES, cards()), fits.BinTableHDU.from_columns([column])]


def images_in_a_table():
    columns = [
        fits.Column("TIME", "D", array=np.arange(N) * 0.02 + 100, unit="d"),
        fits.Column("CADENCENO", "J", array=np.arange(N)),
        fits.Column("FLUX", "256E", dim="(16,16)", array=FRAMES.astype(np.float32)),
    ]
    return [fits.PrimaryHDU(), fits.BinTableHDU.from_columns(columns)]


def packed(kind):
    header = cards()
    header["FPS"] = 50.0
    tile = (1, 16, 16) if kind == "HCOMPRESS_1" else None
    unit = fits.CompImageHDU(FRAMES, header, compression_type=kind, tile_shape=tile)
    return [fits.PrimaryHDU(), unit]


def content_of(units):
    file = io.BytesIO()
    fits.HDUList(units).writeto(file)
    return file.getvalue()


PACKINGS = ("RICE_1", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1")
CONTENTS = {
    "times beside a cube": content_of(times_beside_a_cube()),
    "images in a table": content_of(images_in_a_table()),
    **{kind: content_of(packed(kind)) for kind in PACKINGS},
}
# A byte of a header is most often a digit, a letter or a sign: those make other valid cards.
BYTES = st.one_of(st.sampled_from(list(b"0123456789 ABDEIJKLMPQXTF'=()-.")), st.integers(0, 255))
FLIPS = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), BYTES), min_size=1, max_size=12)


@pytest.mark.parametrize("kind", CONTENTS)
@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(flips=FLIPS)
def test_flips_in_tables_and_tiles_raise_only_our_errors(tmp_path, kind, flips):
    content = bytearray(CONTENTS[kind])
    # Blanks pad most of a header; the flips go where something is written.
    written = np.flatnonzero(np.frombuffer(CONTENTS[kind], dtype=np.uint8) != ord(" "))
    for place, value in flips:
        content[written[int(place * written.size)]] = value
    path = tmp_path / "flipped.fits"
    path.write_bytes(content)
    with contextlib.suppress(BlursplitError):
        sequence = open_frames([path])
        try:
            assert sequence.source.read(0, 2).dtype == np.float32
        finally:
            sequence.source.close()


DECODE = """
import contextlib, sys
from pathlib import Path
from blursplit.errors import BlursplitError
from blursplit.frames import open_frames

path, first, content = Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[1]).read_bytes()
refused = 0
for place in range(int(sys.argv[3])):
    for value in range(1, 256, 84):
        flipped = bytearray(content)
        flipped[first + place] ^= value
        path.write_bytes(flipped)
        try:
            sequence = open_frames([path])
        except BlursplitError as error:
            refused += "tile 1 is not of the size that it states; copy it again" in str(error)
            continue
        sequence.source.read(0, 12)
        sequence.source.close()
print(refused)
"""


# kind, bytes of the head, those that state the size (each of four flips is refused)
@pytest.mark.parametrize(("kind", "head", "least"), [("HCOMPRESS_1", 26, 8), ("PLIO_1", 14, 2)])
def test_no_byte_of_a_tile_s_head_ends_the_process(tmp_path, kind, head, least):
    """The decoders believe the head: it is compared with the image before they see it.

    In a process of its own: without the comparison it is ended by the system, for HCOMPRESS_1.
    """
    path = tmp_path / "flipped.fits"
    path.write_bytes(CONTENTS[kind])
    with fits.open(path, disable_image_compression=True) as units:
        header, place = units[1].header, units[1].fileinfo()["datLoc"]
    first = place + header["NAXIS1"] * header["NAXIS2"]
    words = [sys.executable, "-c", DECODE, str(path), str(first), str(head)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= 4 * least
