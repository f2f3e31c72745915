"""Times that damage made wild: another source of times is used, or one line says what is wrong.

Each case ended in a warning of the numerical library, an internal failure or an endless search.
"""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose

from blursplit.errors import TimingError
from blursplit.frames import open_frames
from blursplit.frames.timing import Timing

N = 20


def table_of(times):
    return fits.BinTableHDU.from_columns([fits.Column("TIME", "D", unit="s", array=times)])


@pytest.mark.parametrize("wild", [1e300, -1e300, 1e13, np.nan, np.inf])
def test_a_table_with_a_wild_time_gives_way_to_the_rate(tmp_path, stack, maker, wild):
    times = np.arange(N) * 0.01
    times[3] = wild
    path = maker.cube(tmp_path / "cube.fits", stack, [table_of(times)], FPS=50.0)
    sequence = open_frames([path])
    assert_allclose(sequence.cadence_s, 0.02)
    assert sequence.n_frames == N


@pytest.mark.parametrize("step", [1e300, 1e12])
def test_an_axis_of_time_beyond_all_calendars_is_refused(tmp_path, stack, maker, step):
    path = maker.cube(tmp_path / "cube.fits", stack, CTYPE3="TIME", CDELT3=step, CUNIT3="s")
    with pytest.raises(TimingError, match="further apart than any calendar reaches"):
        open_frames([path])


@pytest.mark.parametrize("fields", ["'$   1'", "1000000000000", "-3", "T"])
def test_a_table_of_no_sensible_number_of_columns_is_passed_over(tmp_path, stack, maker, fields):
    path = maker.cube(tmp_path / "cube.fits", stack, [table_of(np.arange(N) * 0.01)], FPS=50.0)
    content = path.read_bytes()
    old = b"TFIELDS =                    1"
    assert content.count(old) == 1
    path.write_bytes(content.replace(old, f"TFIELDS = {fields:>20}".encode()))
    assert_allclose(open_frames([path]).cadence_s, 0.02)


def test_stamps_whose_interval_is_all_but_nothing_have_no_grid():
    """Of 30 stamps most are 1e-300 s apart and one is an hour away: no frame number fits that."""
    stamps = np.arange(30) * 1e-300
    stamps[-1] = 3600.0
    timing = Timing.of(stamps, 1e-6)
    assert timing.missing == 0
    assert timing.time_s.size == 30
    assert np.all(np.isfinite(timing.time_s))
