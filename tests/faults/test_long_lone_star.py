"""Ten thousand frames of one star: nothing grows, nothing is lost."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits

N = 10_000


@pytest.mark.slow
def test_ten_thousand_frames_of_one_star_are_measured_whole(measure, tmp_path):
    rng = np.random.default_rng(5)
    axis = np.arange(40)
    x, y = (20 + np.convolve(rng.normal(0, 0.3, N + 19), np.ones(20) / 20, "valid") for _ in "xy")
    across = np.exp(-0.5 * ((axis - x[:, None]) / 1.8) ** 2)
    along = np.exp(-0.5 * ((axis - y[:, None]) / 1.8) ** 2)
    light = 1500.0 * along[:, :, None] * across[:, None, :] + 300.0
    frames = np.rint(light + rng.normal(0, np.sqrt(light - 190))).astype(np.uint16)
    header = fits.Header()
    header["FPS"], header["EXPTIME"] = 100.0, 0.005
    fits.PrimaryHDU(frames, header).writeto(tmp_path / "long.fits")
    run = measure(tmp_path / "long.fits")
    result = run.accepted()
    assert result.sequence.frames_used >= N - 1
    assert result.sequence.duration_s == pytest.approx(100.0, abs=0.05)
    assert result.motion.pairs == []
    # The truth's own scatter, trend removed; 1e4 samples of a motion correlated over 20 frames
    # know it to 1 / sqrt(2 * 500) = 3 %, the linear trend and noise change less.
    for axis_rms, truth in ((result.motion.common_rms_x_px, x), (result.motion.common_rms_y_px, y)):
        assert axis_rms == pytest.approx(np.std(truth), rel=0.1)
