"""A sensor in the whole measurement: its motion is the supports', the rest is split as before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blursplit.errors import InputError
from blursplit.evidence.sensor_record import SensorRecord
from blursplit.measure import measure
from blursplit.motion.common import GridData, GridSegment
from blursplit.rig import Rig
from blursplit.simulate import Scene, write_sequence

SCENE = {
    "telescope": {"aperture_m": 0.2, "obstruction": 0.3},
    "camera": {
        "width_px": 100,
        "height_px": 80,
        "exposure_s": 0.01,
        "frame_interval_s": 0.04,
    },
    "air": {
        "r0_500nm_zenith_m": 0.12,
        "layers": [
            {"height_m": 20, "weight": 0.3, "wind_m_s": 5},
            {"height_m": 6000, "weight": 0.7, "wind_m_s": 15, "direction_deg": 70},
        ],
    },
    "near_air": {"strength": 0.7, "outer_scale_m": 1.0},
    "wind_shake": {"rms_arcsec": 0.4, "corner_hz": 3.0, "second_rms_arcsec": 0.4},
    "sensor": [{"rate_hz": 200.0, "noise": 1e-5, "offset_s": 0.2}],
    "stars": {"count": 3, "flux_e_per_s": 6e6, "margin_px": 22},
    "sequence": {"frames": 800, "start_utc": "2026-03-04T21:30:00Z"},
}


def test_a_path_is_taken_out_of_shared_motion_and_of_every_star():
    """All x stand first, then all y."""
    rng = np.random.default_rng(1)
    shared, path = rng.normal(size=(2, 20, 2))
    stars = np.concatenate(
        [np.repeat(shared[:, :1], 3, axis=1), np.repeat(shared[:, 1:], 3, axis=1)], axis=1
    )
    segment = GridSegment(0.0, shared, stars, np.ones(20, dtype=bool), np.arange(20))
    one = np.ones(3)
    grid = GridData((segment,), np.arange(3), one, one, one, 1.0, 0.04, 0.01)
    left = grid.without(path).segments[0]
    np.testing.assert_allclose(left.shared_arcsec, shared - path)
    np.testing.assert_allclose(left.stars_arcsec[:, :3], np.repeat((shared - path)[:, :1], 3, 1))
    np.testing.assert_allclose(left.stars_arcsec[:, 3:], np.repeat((shared - path)[:, 1:], 3, 1))


@pytest.mark.slow
def test_broadband_shake_beside_near_air_is_found_and_another_night_refused(tmp_path):
    """No line to go by: without the sensor it stays open, with it it is the supports'."""
    truth = write_sequence(Scene.model_validate(SCENE), tmp_path / "run")
    run = tmp_path / "run"
    found = measure(
        run / "sequence.fits", run / "setup.toml", sensors=[run / "sensor_1.csv"]
    ).result
    witness = found.witnesses[0]
    assert witness.used
    assert witness.offset_s.low95 < 0.2 + 0.003
    assert witness.offset_s.high95 > 0.2 - 0.003
    true = truth["structure"]["rms_major_arcsec"]
    # sway below half a hertz is not in its band: a tenth of the variance
    assert 0.75 * true < witness.coherent_rms_arcsec.value < 1.1 * true
    assert found.verdict.matters["structure"] != "no"
    text = (run / "sensor_1.csv").read_text(encoding="utf-8")
    other = tmp_path / "other.csv"
    other.write_text(text.replace("2026-03-04", "2026-03-02"), encoding="utf-8")
    with pytest.raises(InputError, match="no sample while the frames were taken"):
        measure(run / "sequence.fits", run / "setup.toml", sensors=[other])


def test_the_kind_stands_behind_the_name(tmp_path):
    """FILE@KIND states what the unit leaves open."""
    path = tmp_path / "air.csv"
    time = np.arange(300) / 10
    rows = [f"{t:.2f},{v:.4f}" for t, v in zip(time, np.sin(time), strict=True)]
    path.write_text("\n".join(["time [s],speed [m/s]", *rows]) + "\n", encoding="utf-8")
    (record,) = SensorRecord.read_all(Rig(), [f"{path}@wind"])
    assert record.kind == "wind"
    assert replace(record, source="x").source == "x"
