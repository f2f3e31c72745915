"""The stated limit of a line, where a formula alone decides."""

from __future__ import annotations

import numpy as np

from blursplit.spectra import mode_limit_arcsec


def test_slow_record_is_blind_to_folded_modes_as_wide_as_its_spectrum():
    """A guide log every 2 s: a mode of 100 Hz is 2 Hz wide and folds into 0.25 Hz."""
    grid = np.geomspace(0.02, 0.25, 50)
    limit = mode_limit_arcsec(
        np.array([0.15, 2.15, 100.15]),
        0.01,
        grid,
        np.full(50, 0.01),
        duration_s=1200.0,
        cadence_s=2.0,
        exposure_s=0.0,
    )
    assert np.isfinite(limit).tolist() == [True, True, False]
