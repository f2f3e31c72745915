"""One star through a mask, from the scene file to the result, as a user types it."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from blursplit.cli import app

SCENE = """
[telescope]
aperture_m = 0.3
obstruction = 0.3
instrument_fwhm_arcsec = 0.3
[mask]
opening_m = 0.08
separation_m = 0.2
angle_deg = 20.0
split_arcsec = 42.0
[camera]
pixel_scale_arcsec = 0.7
width_px = 144
height_px = 112
exposure_s = {exposure_s}
frame_interval_s = 0.02
[air]
seeing_arcsec = {seeing_arcsec}
airmass = 1.2
[stars]
star = [{{x_px = 44.0, y_px = 46.0, flux_e_per_s = 6e7}}]
[sequence]
frames = 600
seed = {seed}
{more}
"""
RING = """
[[mode]]
frequency_hz = 7.0
rms_arcsec = 0.8
angle_deg = 20.0
second_rms_arcsec = 0.3
"""


def call(*words):
    """Run a command; return its result."""
    outcome = CliRunner().invoke(app, [str(word) for word in words])
    assert outcome.exit_code == 0, outcome.output
    return outcome


def measured(folder, **scene):
    """Simulate and measure through the command line; return result and truth."""
    path = folder / "scene.toml"
    path.write_text(SCENE.format(**scene))
    call("simulate", path, folder / "night")
    setup = folder / "night" / "setup.toml"
    assert "[mask]" in setup.read_text()
    out = folder / "out"
    call("measure", folder / "night" / "sequence.fits", "--setup", setup, "--out", out)
    truth = json.loads((folder / "night" / "truth.json").read_text())
    return json.loads((out / "result.json").read_text()), truth


def holds(estimate, truth):
    """Whether a stated 95 % interval holds the truth."""
    return estimate["low95"] <= truth <= estimate["high95"]


@pytest.mark.slow
def test_air_of_a_ringing_night_is_measured_free_of_the_ringing(tmp_path):
    """r0, seeing, width of the air, the ring and the width without it: all in their intervals."""
    result, truth = measured(tmp_path, exposure_s=0.004, seeing_arcsec=1.2, seed=102, more=RING)
    air, real = result["atmosphere"], truth["atmosphere"]
    assert holds(air["r0_500nm_zenith_m"], real["r0_500nm_zenith_realised_m"])
    assert holds(air["seeing_500nm_zenith_arcsec"], real["seeing_500nm_zenith_realised_arcsec"])
    assert holds(air["fwhm_arcsec"], real["fwhm_realised_arcsec"])
    width = air["seeing_500nm_zenith_arcsec"]
    assert width["high95"] / width["low95"] < 1.4  # an interval that says something
    assert air["evidence"][0] == "two-aperture mask"
    assert air["lower_seeing_arcsec"]["low95"] < real["seeing_500nm_zenith_realised_arcsec"]
    assert holds(result["structure"]["rms_major_arcsec"], truth["structure"]["rms_major_arcsec"])
    assert holds(
        result["fwhm"]["without_structure_arcsec"], truth["fwhm"]["without_structure_arcsec"]
    )
    assert [round(line["frequency_hz"]["value"]) for line in result["lines"]] == [7]
    assert result["motion"]["pairs"] == []  # two images of one star are no pair of stars
    assert "mask" in {remark["code"] for remark in result["verdict"]["reasons"]}


@pytest.mark.slow
def test_still_pier_behind_a_mask_is_not_blamed(tmp_path):
    """Air alone: no structure, no line, whatever the images do together."""
    result, truth = measured(tmp_path, exposure_s=0.008, seeing_arcsec=1.8, seed=206, more="")
    air, real = result["atmosphere"], truth["atmosphere"]
    assert holds(air["r0_500nm_zenith_m"], real["r0_500nm_zenith_realised_m"])
    assert holds(air["seeing_500nm_zenith_arcsec"], real["seeing_500nm_zenith_realised_arcsec"])
    assert result["lines"] == []
    rms = result["structure"]["rms_major_arcsec"]
    assert rms is None or rms["value"] is None
    assert result["verdict"]["matters"]["structure"] != "yes"
    assert "mask-exposure" in {warning["code"] for warning in result["warnings"]}
    shared = result["open"]["motion_rms_major_arcsec"]
    assert shared["low95"] < 0.1
    assert np.isfinite(shared["high95"])
