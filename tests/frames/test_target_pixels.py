"""Target pixel tables of space telescopes: small images side by side, on the cadences all share."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.constants import MOSAIC_MARGIN_PX
from blursplit.errors import InputError
from blursplit.frames import open_frames

N = 14
CADENCE_D = 0.02
MARGIN = MOSAIC_MARGIN_PX


def write(path, flux, cadence, *, with_numbers=True, time_d=None, **cards):
    """Write a table with an image a row, as such archives do; cards go to the table's header."""
    time_d = cadence * CADENCE_D + 100.0 if time_d is None else time_d
    columns = [
        fits.Column("TIME", "D", array=time_d, unit="d"),
        fits.Column(
            "FLUX",
            f"{flux[0].size}E",
            dim=f"({flux.shape[2]},{flux.shape[1]})",
            array=flux,
            unit="e-/s",
        ),
    ]
    if with_numbers:
        columns.append(fits.Column("CADENCENO", "J", array=cadence))
    table = fits.BinTableHDU.from_columns(columns)
    for key, value in cards.items():
        table.header[key] = value
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(path)
    return path


def images(shape, seed):
    return np.random.default_rng(seed).normal(1000.0, 5.0, (N, *shape)).astype(np.float32)


def test_images_stand_side_by_side_on_the_cadences_that_all_have(tmp_path):
    """Row of each frame, place of each image and time follow from the tables, in any order."""
    first, second = images((5, 4), 1), images((6, 7), 2)
    numbers = np.arange(50, 50 + N)
    shuffled = np.random.default_rng(3).permutation(N)
    write(tmp_path / "a.fits", first[shuffled], numbers[shuffled], BJDREFI=2454833, BJDREFF=0.0)
    write(tmp_path / "b.fits", second, numbers + 2)  # two cadences later: twelve are shared
    sequence = open_frames([tmp_path])
    assert sequence.n_frames == N - 2
    # Cells of 6 + 8 by 7 + 8 pixels, two across, and a margin at the near sides.
    assert sequence.source.shape == (6 + 2 * MARGIN, 2 * (7 + MARGIN) + MARGIN)
    assert_allclose(sequence.cadence_s, CADENCE_D * 86400)
    # JD 2454833 + 101.04 d is MJD 54933.54, 2009 April 12.
    assert sequence.start_utc.startswith("2009-04-12T12:57:36")
    assert "target-pixels" in dict(sequence.notes)
    frames = sequence.source.read(0, N - 2)
    left = frames[:, MARGIN : MARGIN + 5, MARGIN : MARGIN + 4]
    x = MARGIN + 7 + MARGIN
    right = frames[:, MARGIN : MARGIN + 6, x : x + 7]
    assert_array_equal(left, first[2:])
    assert_array_equal(right, second[:-2])
    assert np.isnan(frames).sum() == frames.size - left.size - right.size


def test_scale_gain_noise_and_exposure_come_from_the_table(tmp_path):
    """Counts are e-/s: one is 270 x 6.0 e- an exposure; noise adds as the root of the read-outs."""
    cards = {"INT_TIME": 6.0, "NUM_FRM": 270, "READNOIS": 100.0, "NREADOUT": 9}
    write(tmp_path / "a.fits", images((9, 9), 1), np.arange(N), **cards, **{"1CDLT2": -1 / 900})
    known = open_frames([tmp_path]).instrument
    assert_allclose(known.get("exposure_s"), 1620.0)
    assert_allclose(known.get("gain_e_per_adu"), 1620.0)
    assert_allclose(known.get("read_noise_e"), 300.0)
    assert_allclose(known.get("pixel_scale_arcsec"), 4.0)


def test_rows_count_as_cadences_where_no_number_is_written(tmp_path):
    flux = images((9, 9), 1)
    write(tmp_path / "a.fits", flux, np.arange(N), with_numbers=False)
    sequence = open_frames([tmp_path])
    assert sequence.n_frames == N
    assert sequence.start_utc is None  # without a reference the days have no zero
    inside = sequence.source.read(0, N)[:, MARGIN : MARGIN + 9, MARGIN : MARGIN + 9]
    assert_array_equal(inside, flux)


def test_cadences_without_a_time_are_left_out(tmp_path):
    time_d = np.arange(N) * CADENCE_D
    time_d[3] = np.nan
    write(tmp_path / "a.fits", images((9, 9), 1), np.arange(N), time_d=time_d)
    assert open_frames([tmp_path]).n_frames == N - 1


def test_tables_of_different_runs_are_refused(tmp_path):
    write(tmp_path / "a.fits", images((5, 5), 1), np.arange(N))
    write(tmp_path / "b.fits", images((5, 5), 2), np.arange(N) + 1000)
    with pytest.raises(InputError, match=r"a\.fits: shares no cadence with the other files"):
        open_frames([tmp_path])


def test_too_many_images_are_refused_before_memory_is_taken(tmp_path, monkeypatch):
    monkeypatch.setattr("blursplit.constants.MOSAIC_MOST_BYTES", 1000)
    write(tmp_path / "a.fits", images((5, 5), 1), np.arange(N))
    with pytest.raises(InputError, match="too many images"):
        open_frames([tmp_path])


def test_a_column_without_images_is_refused(tmp_path):
    path = write(tmp_path / "a.fits", images((5, 5), 1), np.arange(N))
    content = path.read_bytes()
    assert b"TDIM2   = '(5,5)   '" in content
    path.write_bytes(content.replace(b"TDIM2   = '(5,5)   '", b"TDIM2   = '(25)    '"))
    with pytest.raises(InputError, match="holds no images"):
        open_frames([tmp_path])


def test_a_damaged_table_is_refused(tmp_path):
    path = write(tmp_path / "a.fits", images((5, 5), 1), np.arange(N))
    content = path.read_bytes()
    path.write_bytes(content.replace(b"TFORM1  = 'D       '", b"TFORM1  = '9Z      '"))
    with pytest.raises(InputError, match=r"a\.fits: .*copy it again"):
        open_frames([tmp_path])


@pytest.mark.parametrize("wild", [1e300, -1e300, np.inf])
def test_a_time_that_no_calendar_knows_counts_as_none(tmp_path, wild):
    time_d = np.arange(N) * CADENCE_D
    time_d[3] = wild
    write(tmp_path / "a.fits", images((9, 9), 1), np.arange(N), time_d=time_d)
    assert open_frames([tmp_path]).n_frames == N - 1
