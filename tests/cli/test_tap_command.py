"""`blursplit tap` as a user runs it, on files."""

from __future__ import annotations

import json

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from blursplit.cli import app

RATE = 50.0
FRAMES = 700
TAPS_S = (2.52, 8.52)


def _cube(path, *, scale):
    """Write a small cube of four stars that ring at 9 Hz after two taps, 1.5 pixels."""
    rng = np.random.default_rng(4)
    time = np.arange(FRAMES) / RATE
    shift = 0.05 * rng.normal(size=(FRAMES, 2))
    for start in TAPS_S:
        after = np.maximum(time - start, 0)
        omega = 2 * np.pi * 9.0
        shift[:, 0] += 1.5 * np.exp(-0.03 * omega * after) * np.sin(omega * after)
    yy, xx = np.mgrid[:64, :72]
    frames = rng.normal(100.0, 3.0, size=(FRAMES, 64, 72))
    for x, y, flux in ((16, 17, 9e3), (50, 20, 7e3), (30, 44, 8e3), (57, 50, 6e3)):
        dx = xx[None] - (x + shift[:, 0, None, None])
        dy = yy[None] - (y + shift[:, 1, None, None])
        frames += flux / (2 * np.pi * 1.5**2) * np.exp(-(dx**2 + dy**2) / (2 * 1.5**2))
    hdu = fits.PrimaryHDU(np.clip(frames, 0, 65535).astype(np.uint16))
    hdu.header["EXPTIME"] = 0.01
    hdu.header["DATE-OBS"] = "2024-02-29T20:00:00.000"
    hdu.writeto(path)
    options = ["--set", f"camera.frame_interval_s={1 / RATE}"]
    return [*options, "--set", f"camera.pixel_scale_arcsec={scale}"] if scale else options


@pytest.fixture(scope="module")
def cube(tmp_path_factory):
    """Return a cube's path and the options that go with it."""
    path = tmp_path_factory.mktemp("tap") / "tapped stars.fits"
    return path, _cube(path, scale=0.8)


def test_tapped_cube_gives_frequency_damping_and_settling_time(cube, tmp_path):
    """Tapped cube gives frequency damping and settling time."""
    path, options = cube
    out = tmp_path / "tap out"
    ran = CliRunner().invoke(app, ["tap", str(path), *options, "--json", "--out", str(out)])
    assert ran.exit_code == 0, ran.output
    record = json.loads(ran.stdout)
    assert record["schema"] == "blursplit-tap/1"
    assert len(record["taps"]) == 2
    # Fisher errors at this strength are 0.1 % and 3 %
    np.testing.assert_allclose(record["frequency_hz"]["value"], 9.0, rtol=0.01)
    np.testing.assert_allclose(record["damping_ratio"]["value"], 0.03, rtol=0.2)
    true = np.log(1.5 * 0.8 / 0.5) / (0.03 * 2 * np.pi * 9.0)
    np.testing.assert_allclose(record["settling_s"]["value"], true, rtol=0.2)
    assert record["sequence"]["pixel_scale_origin"] == "option"
    assert json.loads((out / "tap.json").read_text(encoding="utf-8")) == record
    assert [entry.name for entry in out.iterdir()] == ["tap.json"]


def test_table_says_units_and_cautions(cube):
    """Table says units and cautions."""
    path, options = cube
    ran = CliRunner().invoke(app, ["tap", str(path), *options])
    assert ran.exit_code == 0, ran.output
    assert "peak [arcsec]" in ran.stdout
    assert "gently" in ran.stdout
    assert "Nobody stands under" in ran.stdout


def test_older_record_is_not_overwritten_unasked(cube, tmp_path):
    """Older record is not overwritten unasked."""
    path, options = cube
    (tmp_path / "tap.json").write_text("old", encoding="utf-8")
    ran = CliRunner().invoke(app, ["tap", str(path), *options, "--out", str(tmp_path)])
    assert ran.exit_code == 2
    assert ran.stderr.count("\n") == 1
    assert (tmp_path / "tap.json").read_text(encoding="utf-8") == "old"


@pytest.mark.parametrize("arguments", [["nowhere.fits"], ["nowhere.fits", "--settle", "-1"]])
def test_bad_input_is_one_line_and_code_2(arguments, tmp_path):
    """Bad input is one line and code 2."""
    path = tmp_path / arguments[0]
    ran = CliRunner().invoke(app, ["tap", str(path), *arguments[1:]])
    assert ran.exit_code == 2
    assert ran.stderr.count("\n") == 1
    assert ran.stderr.startswith("blursplit: ")
    assert ran.stdout == ""
