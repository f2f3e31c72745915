"""`blursplit simulate` as a user types it."""

from __future__ import annotations

import json

import pytest
from astropy.io import fits
from typer.testing import CliRunner

from blursplit.cli import app

SCENE = """
[camera]
width_px = 40
height_px = 32
exposure_s = 0.004
[air]
layers = []
[stars]
star = [{x_px = 20, y_px = 15, flux_e_per_s = 1e7}]
[sequence]
frames = 5
"""


@pytest.fixture
def scene_file(tmp_path):
    """Write a small scene."""
    path = tmp_path / "my scene.toml"
    path.write_text(SCENE)
    return path


def call(*words):
    """Run the command; return its result."""
    return CliRunner().invoke(app, ["simulate", *map(str, words)])


def test_folder_is_made_and_announced(scene_file, tmp_path):
    """Exit 0, frames and truth, one line on standard error."""
    result = call(scene_file, tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "5 frames" in result.stderr
    assert result.stdout == ""
    assert fits.getval(tmp_path / "out" / "sequence.fits", "NAXIS3") == 5


def test_json_alone_goes_to_standard_output(scene_file, tmp_path):
    """--json prints the truth, with the seed that was asked for."""
    result = call(scene_file, tmp_path / "out", "--json", "--seed", "9", "--files")
    assert json.loads(result.stdout)["seed"] == 9
    assert len(list((tmp_path / "out" / "frames").glob("*.fits"))) == 5


def test_existing_output_is_refused_in_one_line(scene_file, tmp_path):
    """Exit 2 with the remedy; --replace then works."""
    assert call(scene_file, tmp_path / "out").exit_code == 0
    again = call(scene_file, tmp_path / "out")
    assert again.exit_code == 2
    assert "--replace" in again.stderr
    assert again.stderr.count("\n") == 1
    assert call(scene_file, tmp_path / "out", "--replace").exit_code == 0


def test_wrong_scene_is_refused_in_one_line(tmp_path):
    """Exit 2, the key named, nothing written."""
    path = tmp_path / "bad.toml"
    path.write_text("[camera]\nwidth = 3\n")
    result = call(path, tmp_path / "out")
    assert result.exit_code == 2
    assert "camera.width" in result.stderr
    assert not (tmp_path / "out").exists()
