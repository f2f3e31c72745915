"""Ten thousand frames of one star: nothing grows, nothing is lost, nothing strays."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose
from scipy.signal import lfilter

from blursplit.sources import Source

N = 10_000


@pytest.mark.slow
def test_ten_thousand_frames_of_one_star_are_followed_to_the_end(tmp_path):
    rng = np.random.default_rng(5)
    axis = np.arange(40)
    x, y = (20 + lfilter([0.1], [1, -0.97], rng.normal(0, 1.0, N)) for _ in "xy")  # 0.4 px rms
    across = np.exp(-0.5 * ((axis - x[:, None]) / 1.8) ** 2)
    along = np.exp(-0.5 * ((axis - y[:, None]) / 1.8) ** 2)
    light = 1500.0 * along[:, :, None] * across[:, None, :] + 300.0
    frames = np.rint(light + rng.normal(0, np.sqrt(light - 190))).astype(np.uint16)
    header = fits.Header()
    header["FPS"], header["EXPTIME"] = 100.0, 0.005
    fits.PrimaryHDU(frames, header).writeto(tmp_path / "long.fits")
    del frames, light
    tracemalloc.start()
    tracks = Source.read([tmp_path / "long.fits"]).tracks
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert tracks.n_frames >= N - 1
    assert tracks.n_stars == 1
    assert_allclose(np.diff(tracks.time_s), 0.01, rtol=1e-6)
    wrong = np.stack([tracks.x_px[:, 0] - x[tracks.frame], tracks.y_px[:, 0] - y[tracks.frame]])
    # Of 20,000 normal errors the largest is 4.3 sigmas; 6 leaves room for the noise of sigma.
    assert np.abs(wrong / tracks.sigma_px[:, 0]).max() < 6.0
    # The scatter of the errors is the stated sigma: known to 0.5 %, the gain to 5 % (2.5 % here).
    assert_allclose(np.std(wrong / tracks.sigma_px[:, 0]), 1.0, atol=0.1)
    # 25 x 25 pixel stamps of every frame are 25 MB; everything else stays below ten times that.
    assert peak < 250_000_000
