"""Real image motion of a large telescope, 1000 readings a second, whose lines are known.

Frequencies and sizes from the README beside the record: two independent estimates, mains harmonics
among them. Averages of several readings make slower records with exposures that fill the frame:
there the lines fold to known places, and those above the stated detection limit must be found.
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from blursplit.spectra import LineSearch, apparent_frequency, mode_limit_arcsec

RECORD = Path(os.environ.get("BLURSPLIT_REAL", "unset")) / "tiptilt" / "tiptilt_1khz.csv"
# frequency [Hz], rms of the larger axis [milliarcsec]
ROWS = {
    29.51: 6.5,
    118.87: 1.2,
    120.05: 1.8,
    180.08: 2.1,
    300.15: 2.6,
    319.45: 0.8,
    420.20: 3.8,
    459.73: 2.3,
}

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not RECORD.is_file(), reason="no real record (BLURSPLIT_REAL)"),
]


@lru_cache(maxsize=1)
def _motion() -> np.ndarray:
    return 1e3 * np.loadtxt(RECORD)


@pytest.mark.parametrize("readings", [1, 2, 4, 8, 12])
def test_every_line_that_the_rate_can_show_is_found(readings: int) -> None:
    """At 1000, 500, 250, 125 and 83 readings a second; two lines 1.2 Hz apart as two."""
    motion, cadence_s = _motion(), 1e-3 * readings
    n = len(motion) // readings
    motion = motion[: n * readings].reshape(n, readings, 2).mean(axis=1)
    exposure_s = cadence_s if readings > 1 else 0.0
    found = LineSearch.of(np.arange(n) * cadence_s, motion, cadence_s=cadence_s)
    grid = np.geomspace(found.continuum.low_hz, found.continuum.high_hz, 400)
    limits = mode_limit_arcsec(
        np.array(list(ROWS)),
        0.0,
        grid,
        found.continuum(grid).max(axis=1),
        duration_s=n * cadence_s,
        cadence_s=cadence_s,
        exposure_s=exposure_s,
    )
    shown = [f for f, limit in zip(ROWS, limits, strict=True) if ROWS[f] > limit]
    assert shown, "the record shows nothing at this rate"
    if readings == 1:
        shown = list(ROWS)  # all of them, whatever the limit says
    seen = np.array([line.frequency_hz for line in found.lines])
    taken: set[int] = set()
    for f in shown:
        place = float(apparent_frequency(f, 1.0 / cadence_s))
        nearest = int(np.argmin(np.abs(seen - place)))
        # frequencies are known to 0.03 Hz, fast ones and their folds to the clock's 0.04 %
        assert abs(seen[nearest] - place) < 0.15, f"{f} Hz, shown at {place:.2f} Hz"
        assert nearest not in taken, f"{f} Hz shares a line with another"
        taken.add(nearest)
