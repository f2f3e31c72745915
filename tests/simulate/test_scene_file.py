"""Scene files: what is read, what is refused and how."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from blursplit.errors import InputError
from blursplit.simulate import Scene

FULL = """
[telescope]
aperture_m = 0.2
obstruction = 0.3
[camera]
exposure_s = 0.004
frame_interval_s = 0.02
[air]
seeing_arcsec = 1.2
airmass = 1.3
wavelength_nm = 650
layers = [{height_m = 0, weight = 1, wind_m_s = 5}]
[tube]
rms_arcsec = 0.2
[[drift]]
arcsec_per_min = 3
[[periodic]]
period_s = 480
amplitude_arcsec = 8
[[mode]]
frequency_hz = 7.5
rms_arcsec = 0.4
second_rms_arcsec = 0.1
[wind_shake]
rms_arcsec = 0.1
[[tap]]
time_s = 2
amplitude_arcsec = 5
[stars]
count = 3
[sequence]
frames = 50
start_utc = 2024-04-05T21:00:00Z
[faults]
dropped_share = 0.03
[[faults.dither]]
time_s = 0.5
dx_px = 3
dy_px = 1
"""


def write(tmp_path, text):
    """Return the path of a scene file with this text."""
    path = tmp_path / "scene.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_table_is_read(tmp_path):
    """A file with every table becomes a scene."""
    scene = Scene.read(write(tmp_path, FULL))
    assert scene.telescope.obstruction == 0.3
    assert scene.mode[0].second_rms_arcsec == 0.1
    assert scene.faults.dither[0].dx_px == 3
    assert_allclose(scene.duration_s, 49 * 0.02 + 0.004)


def test_empty_file_is_an_ordinary_night(tmp_path):
    """Every key has a default."""
    assert Scene.read(write(tmp_path, "")) == Scene()


def test_seeing_becomes_r0_along_the_line_of_sight(tmp_path):
    """0.975863 x 500 nm / 1.2 arcsec, times 1.3^1.2 and 1.3^-0.6 (Fried 1966)."""
    air = Scene.read(write(tmp_path, FULL)).air
    assert_allclose(air.r0_zenith_m, 0.975863 * 500e-9 / (1.2 * 4.848137e-6), rtol=1e-6)
    assert_allclose(air.r0_m, air.r0_zenith_m * 1.3**0.6, rtol=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[camera]\nexposur_s = 1\n", ["camera.exposur_s", "did you mean 'exposure_s'"]),
        ("[air]\nseeing_arcsec = 1\nr0_500nm_zenith_m = 0.1\n", ["air", "not both"]),
        ("[near_air]\nr0_m = 0.1\nstrength = 1\n", ["near_air", "not both"]),
        ("[air]\nlayers = []\n[near_air]\nstrength = 1\n", ["give near_air.r0_m"]),
        ("[camera]\nexposure_s = 1.0\n", ["longer than camera.frame_interval_s"]),
        ("[[tap]]\ntime_s = 1\namplitude_arcsec = 2\n", ["needs a mode"]),
        ("[[mode]]\nfrequency_hz = -3\n", ["mode.0.frequency_hz", "greater than 0"]),
        ("[telescope\n", ["not valid TOML"]),
        ("[sequence]\nframes = 0\n", ["sequence.frames"]),
    ],
)
def test_a_wrong_key_is_named(tmp_path, text, words):
    """The message names file and key."""
    path = write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        Scene.read(path)
    message = str(caught.value)
    assert "scene.toml" in message
    for word in words:
        assert word in message


def test_missing_file_is_refused(tmp_path):
    """A path that is not there."""
    with pytest.raises(InputError, match="cannot be read"):
        Scene.read(tmp_path / "none.toml")
