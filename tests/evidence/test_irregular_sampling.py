"""Frames at uneven times: lines are found at those times, where no grid would hold them."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from blursplit.measure import Source, measure_tracks
from blursplit.rig import Rig, Setup
from blursplit.stars.tracks import StarTracks

TRUE_HZ, RMS_ARCSEC = 7.3, 0.3


def _measured(seed, *, shakes=True, frames=900):
    """Return the measurement of two stars at intervals of 0.01 to 0.03 s."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.01, 0.03, frames))
    time_s -= time_s[0]
    wander = np.cumsum(rng.normal(0, 0.01, (frames, 2)), axis=0)
    shake = RMS_ARCSEC * np.sqrt(2) * np.sin(2 * np.pi * TRUE_HZ * time_s) * shakes
    shared = wander + np.outer(shake, [0.6, 0.8])
    own = rng.normal(0, 0.05, (frames, 4))
    shape = (frames, 2)
    tracks = StarTracks(
        time_s=time_s,
        segment=np.zeros(frames, dtype=np.int64),
        row_time_s=np.zeros(shape),
        x_px=np.array([50.0, 350.0]) + shared[:, :1] + own[:, :2],
        y_px=np.array([60.0, 210.0]) + shared[:, 1:] + own[:, 2:],
        sigma_px=np.full(shape, 0.05),
        flux_adu=np.full(shape, 1e5),
        width_px=np.full(shape, 1.5),
        e1=np.zeros(shape),
        e2=np.zeros(shape),
        peak_adu=np.full(shape, 1e4),
        good=np.ones(shape, dtype=bool),
        exposure_s=0.002,
        cadence_s=float(np.median(np.diff(time_s))),
        timing="irregular",
        frame=np.arange(frames),
    )
    setup = Setup.model_validate({"camera": {"pixel_scale_arcsec": 1.0}})
    return measure_tracks(Source(tracks, Rig.of_setup(setup).with_header({}), "uneven", 1, frames))


def test_line_is_found_at_uneven_times_with_its_size():
    found = _measured(1)
    (line,) = found.result.lines
    assert_allclose(line.frequency_hz.value, TRUE_HZ, atol=0.02)
    assert line.rms_arcsec.low95 <= RMS_ARCSEC <= line.rms_arcsec.high95
    assert_allclose(line.rms_arcsec.value, RMS_ARCSEC, rtol=0.15)
    assert_allclose(line.angle_deg.value, np.degrees(np.arctan2(0.8, 0.6)), atol=5)
    warned = {warning.code: warning.text for warning in found.result.warnings}
    assert "irregular-times" in warned
    arrays = found.series.arrays
    density = arrays["common_psd_x_arcsec2_hz"] + arrays["common_psd_y_arcsec2_hz"]
    assert_allclose(arrays["frequency_hz"][np.argmax(density)], TRUE_HZ, atol=0.06)


def test_band_of_the_density_holds_white_noise_two_times_in_three():
    arrays = _measured(7, shakes=False).series.arrays
    fast = arrays["frequency_hz"] > 5.0
    # mean of two stars' 0.05 px an axis, both axes: 2 x 2 s^2 times the interval of 0.02 s
    level = 4.0 * 0.05**2 / 2.0 * 0.02
    low, high = (arrays[f"common_psd_{end}_arcsec2_hz"][fast] for end in ("low", "high"))
    inside = np.mean((low < level) & (level < high))
    # 360 bins about as independent; the wander leaks a little: three sigmas and 0.04
    assert_allclose(inside, 0.6827, atol=3 * np.sqrt(0.68 * 0.32 / fast.sum()) + 0.04)


def test_wander_and_noise_alone_show_no_line():
    # one false line in seventy such series of air (docs/line_detection.md): none of four
    assert [len(_measured(seed, shakes=False).result.lines) for seed in (2, 3, 4, 5)] == [0] * 4


def test_few_frames_at_uneven_times_give_no_spectrum():
    found = _measured(6, frames=80)
    assert found.result.lines == []
    assert "frequency_hz" not in found.series.arrays
