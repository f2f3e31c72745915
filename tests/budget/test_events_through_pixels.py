"""A knock on a simulated pier, filmed and measured: when, how large, and what it does."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.measure import measure
from blursplit.simulate import Scene, write_sequence
from blursplit.spectra.events import fast_part

KNOCK_S, FREQUENCY_HZ, DAMPING, SIZE_ARCSEC = 5.0, 9.2, 0.04, 2.5
CADENCE_S, EXPOSURE_S, FRAMES = 0.025, 0.008, 480


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Return the measurement of twelve seconds under good air with one knock."""
    tables = {
        "telescope": {"aperture_m": 0.25},
        "camera": {
            "width_px": 160,
            "height_px": 120,
            "exposure_s": EXPOSURE_S,
            "frame_interval_s": CADENCE_S,
        },
        "air": {"r0_500nm_zenith_m": 0.12},
        "mode": [{"frequency_hz": FREQUENCY_HZ, "damping_ratio": DAMPING, "angle_deg": 30.0}],
        "tap": [{"time_s": KNOCK_S, "amplitude_arcsec": SIZE_ARCSEC}],
        "stars": {"count": 4, "seed": 3},
        "sequence": {"frames": FRAMES, "seed": 8, "start_utc": "2026-03-04T21:30:00Z"},
    }
    folder = tmp_path_factory.mktemp("knock") / "night"
    write_sequence(Scene.model_validate(tables), folder)
    return measure(folder, folder / "setup.toml")


def _knock() -> np.ndarray:
    """Return the knock's own displacement, averaged over each exposure."""
    inside = (np.arange(40) + 0.5) / 40 * EXPOSURE_S
    since = np.clip(np.arange(FRAMES)[:, None] * CADENCE_S + inside - KNOCK_S, 0.0, None)
    omega = 2 * np.pi * FREQUENCY_HZ
    swing = np.sin(omega * np.sqrt(1 - DAMPING**2) * since)
    return (SIZE_ARCSEC * np.exp(-DAMPING * omega * since) * swing).mean(axis=1)


@pytest.mark.slow
def test_knock_is_found_at_its_time_with_its_size(night):
    """The knock is one shock, found within a frame, its peak within the stated 95 %."""
    (event,) = night.result.events
    assert event.kind == "shock"
    # times count from the middle of the first exposure
    assert_allclose(event.start_s + EXPOSURE_S / 2, KNOCK_S, atol=1.5 * CADENCE_S)
    assert event.start_utc.startswith("2026-03-04T21:30:05.0")
    truth = np.abs(fast_part(np.stack([_knock(), 0 * _knock()], 1), CADENCE_S, 1.0)).max()
    assert event.peak_arcsec.low95 < truth < event.peak_arcsec.high95
    # half a Fourier step of its length
    assert_allclose(event.frequency_hz, FREQUENCY_HZ, atol=0.5 / event.duration_s)


@pytest.mark.slow
def test_its_frames_are_counted_and_kept(night):
    """All frames are searched and used, and those of the knock hold most of the fast motion."""
    search = night.result.event_search
    assert search.frames_searched == night.result.sequence.frames_used == FRAMES
    assert search.frames_affected == night.result.events[0].frames
    # power of the knock against 12 s of air that moves by some tenths of an arcsec
    assert 0.3 < search.fast_motion_share < 1.0
    assert night.series.arrays["common_psd_by_time_arcsec2_hz"].ndim == 2
