"""Files: headers, times, truth beside them, nothing half-written."""

from __future__ import annotations

import csv
import json
import tomllib

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose

import blursplit as bs
from blursplit.errors import OutputError
from blursplit.evidence.sensor_record import _read_sensor
from blursplit.rig import Rig
from blursplit.simulate import Scene, write_sequence

TABLES = {
    "telescope": {"aperture_m": 0.2, "obstruction": 0.25},
    "camera": {
        "width_px": 40,
        "height_px": 32,
        "exposure_s": 0.004,
        "frame_interval_s": 0.02,
        "gain_e_per_adu": 0.7,
    },
    "air": {"layers": []},
    "stars": {"star": [{"x_px": 20, "y_px": 15, "flux_e_per_s": 1e7}]},
    "periodic": [{"period_s": 240.0, "amplitude_arcsec": 3.0}],
    "sequence": {"frames": 12, "object": "Target <1>", "start_utc": "2024-02-28T23:59:59.9Z"},
    "faults": {"dropped_share": 0.1},
}


@pytest.fixture
def scene():
    """Return a small scene that crosses midnight and has lost a frame."""
    return Scene.model_validate(TABLES)


def test_cube_holds_the_frames_with_their_headers_and_times(scene, tmp_path):
    """The cube is valid FITS and equals the frames in memory."""
    write_sequence(scene, tmp_path / "night")
    frames = bs.simulate(scene).frames
    with fits.open(tmp_path / "night" / "sequence.fits", memmap=False) as hdus:
        hdus.verify("exception")
        assert hdus[0].data.dtype == np.uint16
        assert np.array_equal(hdus[0].data, frames)
        header = hdus[0].header
        assert header["OBJECT"] == "Target <1>"
        assert header["DATE-OBS"] == "2024-02-28T23:59:59.900000"
        assert header["EXPTIME"] == header["XPOSURE"] == 0.004
        assert header["APTDIA"] == 200
        assert header["EGAIN"] == 0.7
        scale = 206264.806 * header["XPIXSZ"] * 1e-3 / header["FOCALLEN"]
        assert_allclose(scale, 0.65, rtol=1e-6)
        time = hdus["TIMES"].data["TIME"]
        assert len(time) == len(frames) == 11
        assert_allclose(np.sort(np.unique(np.diff(time).round(9))), [0.02, 0.04])


def test_one_file_a_frame_carries_its_own_time(scene, tmp_path):
    """Frames as files, across midnight, the lost one missing."""
    write_sequence(scene, tmp_path / "night", files=True)
    paths = sorted((tmp_path / "night" / "frames").glob("*.fits"))
    assert len(paths) == 11
    frames = bs.simulate(scene).frames
    assert np.array_equal(fits.getdata(paths[-1]), frames[-1])
    starts = [fits.getval(path, "DATE-OBS") for path in paths]
    assert starts == sorted(starts)
    assert starts[-1].startswith("2024-02-29T00:00:00.1")
    assert not (tmp_path / "night" / "sequence.fits").exists()


def test_truth_and_series_lie_beside_the_frames(scene, tmp_path):
    """truth.json is what is returned; truth.csv has a row a frame."""
    truth = write_sequence(scene, tmp_path / "night")
    assert json.loads((tmp_path / "night" / "truth.json").read_text()) == truth
    rows = list(csv.DictReader((tmp_path / "night" / "truth.csv").read_text().splitlines()))
    assert len(rows) == 11
    middle = float(rows[3]["middle_s"])
    expected = 3.0 * np.sin(2 * np.pi * middle / 240)
    assert_allclose(float(rows[3]["periodic_x_arcsec"]), expected, atol=1e-4)


def test_setup_file_is_one_the_measurement_accepts(scene, tmp_path):
    """It says what an owner would know."""
    write_sequence(scene, tmp_path / "night")
    setup = Rig.read(tmp_path / "night" / "setup.toml").setup
    assert setup.telescope.obstruction == 0.25
    assert setup.mount.worm_period_s == [240.0]
    assert tomllib.loads((tmp_path / "night" / "setup.toml").read_text())["air"]


def test_existing_folder_is_kept_unless_replacing(scene, tmp_path):
    """Only a folder that a simulation made is replaced, and only when asked."""
    out = tmp_path / "night"
    write_sequence(scene, out)
    with pytest.raises(OutputError, match="already exists"):
        write_sequence(scene, out)
    write_sequence(scene, out, replace=True, seed=5)
    assert json.loads((out / "truth.json").read_text())["seed"] == 5
    precious = tmp_path / "precious"
    precious.mkdir()
    (precious / "letter.txt").write_text("dear")
    with pytest.raises(OutputError, match="was not made by a simulation"):
        write_sequence(scene, precious, replace=True)
    assert (precious / "letter.txt").read_text() == "dear"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["night", "precious"]


def test_interrupted_run_leaves_nothing(scene, tmp_path):
    """A stop in the middle leaves neither folder nor fragments."""

    def stop(done, _):
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_sequence(scene, tmp_path / "night", progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_sensors_are_written_as_files_that_can_be_read(tmp_path):
    """A scene's sensor comes out as CSV with its units, zero of time, kind and noise."""
    tables = {
        **TABLES,
        "mode": [{"frequency_hz": 8.0, "rms_arcsec": 0.4}],
        "sequence": {"frames": 60, "start_utc": "2024-02-28T23:59:59Z"},
        "sensor": [{"rate_hz": 400.0, "offset_s": 0.25, "noise": 1e-6}],
    }
    scene = Scene.model_validate(tables)
    write_sequence(scene, tmp_path / "out")
    record = _read_sensor(tmp_path / "out" / "sensor_1.csv")
    assert record.kind == "acceleration"
    assert_allclose(record.noise, 1e-6)
    assert_allclose(record.time_s[0], -0.25, atol=1e-6)
    assert record.start_utc.isoformat() == "2024-02-28T23:59:59+00:00"
    # 0.4 arcsec at 8 Hz on a column of 1.5/m is 3.3 mm/s2, drawn over a second
    assert 5e-4 < record.values[:, 0].std() < 1e-2
