"""Real sequences that nobody here made; skipped where they are absent."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.frames import open_frames

REAL = Path(os.environ.get("BLURSPLIT_REAL", "BLURSPLIT_REAL is not set"))
pytestmark = pytest.mark.skipif(
    not REAL.is_dir(), reason="the real sequences are not shipped; set BLURSPLIT_REAL"
)


def test_cluster_cube_has_a_rate_but_no_date():
    sequence = open_frames([REAL / "cluster_5hz"])
    assert sequence.source.shape == (255, 255)
    assert sequence.n_frames == 96
    assert_allclose(1 / sequence.cadence_s, 5.25)
    assert sequence.start_utc is None
    assert "eight-bit" in dict(sequence.notes)


def test_archive_subframes_are_dated_in_universal_time():
    """DATE-OBS is local time (-0700), MJD-OBS has three decimals, 12 bits saturate at 4095."""
    sequence = open_frames([REAL / "transit_60s"])
    assert (sequence.n_frames, sequence.source.shape) == (70, (500, 650))
    assert sequence.stamps.keyword == "UT-OBS"
    assert sequence.start_utc == "2017-12-20T01:34:13.317"  # UT-OBS + half of 60 s
    assert sequence.instrument.get("saturation_adu") == 4095
    assert sequence.instrument.get("pixel_scale_arcsec") == 5.21
    assert sequence.instrument.get("longitude_deg") == -110.88


def test_space_telescope_tables_become_frames():
    sequence = open_frames([REAL / "space_control"])
    assert sequence.n_frames == 10
    assert_allclose(sequence.cadence_s / 60, 29.4, atol=0.1)  # Kepler long cadence
    assert_allclose(sequence.instrument.get("pixel_scale_arcsec"), 3.98, atol=0.01)
    frame = sequence.source.read(0, 1)[0]
    assert np.nanmax(frame) > 1000
    assert "target-pixels" in dict(sequence.notes)
