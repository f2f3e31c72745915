"""`blursplit inspect` as a user runs it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.frames.inspection import Inspection

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def cube(tmp_path: Path) -> Path:
    """Write a cube of 120 frames at 50 frames/s with an [odd] name for an object."""
    rng = np.random.default_rng(1)
    frames = rng.normal(800, 30, (120, 20, 24)).astype(np.uint16)
    header = fits.Header()
    header["OBJECT"] = "[red]M 13[/red] <b>"
    header["EXPTIME"], header["FPS"], header["FILTER"] = 0.005, 50.0, "V"
    header["DATE-BEG"] = "2026-03-01T22:10:05.250"
    path = tmp_path / "my cube.fits"
    fits.PrimaryHDU(frames, header).writeto(path)
    return path


def run(*arguments):
    return CliRunner().invoke(app, ["inspect", *map(str, arguments)])


def test_json_alone_on_standard_output_follows_the_schema(cube):
    result = run(cube, "--json", "--set", "telescope.aperture_m=0.25")
    assert result.exit_code == 0
    found = Inspection.model_validate(json.loads(result.stdout))
    assert found.timing.nyquist_hz == 25.0
    assert found.frames == 120
    assert found.duration_s == pytest.approx(2.4)
    assert (found.known["aperture_m"].value, found.known["aperture_m"].origin) == (0.25, "option")
    assert found.known["wavelength_nm"].origin == "header"
    assert found.known["airmass"].origin == "default"
    assert "pixel_scale_arcsec" in {one.key for one in found.missing}
    assert any("in pixels" in text for text in found.cannot)
    assert any("60 to 120 s instead of 2.4 s" in text for text in found.advice)


def test_text_names_facts_with_unit_and_origin(cube):
    result = run(cube, "--set", "camera.pixel_scale_arcsec=0.6")
    assert result.exit_code == 0
    line = next(row for row in result.stdout.splitlines() if "pixel_scale_arcsec" in row)
    assert "0.6 arcsec" in line
    assert "option" in line
    assert "[red]M 13[/red] <b>" in result.stdout  # header text is never markup
    assert "25 Hz" in result.stdout
    assert "\x1b" not in result.stdout  # plain when piped


def test_setup_file_is_read(cube, tmp_path):
    setup = tmp_path / "rig.toml"
    setup.write_text('[telescope]\naperture_m = 0.3\n[camera]\ntime_stamps = "hardware"\n')
    found = json.loads(run(cube, "--setup", setup, "--json").stdout)
    assert found["known"]["aperture_m"]["origin"] == "setup file"
    assert not any("hardware" in text for text in found["advice"])


def test_long_subframes_are_said_to_hide_what_is_fast(tmp_path):
    rng = np.random.default_rng(2)
    for number in range(12):
        header = fits.Header()
        header["DATE-OBS"] = f"2026-03-01T22:{4 * number:02d}:00.5"
        header["EXPTIME"] = 60.0
        image = rng.normal(800, 30, (20, 24)).astype(np.float32)
        fits.PrimaryHDU(image, header).writeto(tmp_path / f"f{number}.fits")
    result = run(tmp_path)
    assert result.exit_code == 0
    assert "stay together in its width" in result.stdout
    assert "spectra: 12 frames, at least 50 are needed" in result.stdout


@pytest.mark.parametrize(
    ("second_hz", "said"),
    [(25.0, "because 50 is 2 times 25"), (40.0, "a ratio of 5 to 4"), (41.3, "help to tell")],
)
def test_two_frame_rates_are_said_with_what_they_are_good_for(tmp_path, second_hz, said):
    steps = np.concatenate([np.full(200, 1 / 50), np.full(150, 1 / second_hz)])
    times = np.concatenate([[0.0], np.cumsum(steps)])[:-1]
    column = fits.Column("TIME", "D", unit="s", array=times)
    table = fits.BinTableHDU.from_columns([column], name="TIMES")
    frames = np.random.default_rng(3).normal(800, 30, (350, 20, 24)).astype(np.uint16)
    path = tmp_path / "two.fits"
    fits.HDUList([fits.PrimaryHDU(frames), table]).writeto(path)
    found = json.loads(run(path, "--json").stdout)
    rates = found["timing"]["rates"]
    assert [part["frames"] for part in rates] == [200, 150]
    assert [round(part["rate_hz"], 3) for part in rates] == [50.0, second_hz]
    assert found["timing"]["missing_frames"] == 0
    assert said in " ".join(found["can"] + found["cannot"])
    assert "frame rate from 4 s" in run(path).stdout


def test_one_rate_is_not_split(cube):
    assert json.loads(run(cube, "--json").stdout)["timing"]["rates"] == []


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.avi", b"RIFF\0\0\0\0AVI LIST", "record FITS or SER"),
        ("a.fits", b"", "is empty"),
        ("b.fits", b"SIMPLE  =                    T", "truncated"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_two(tmp_path, name, content, message):
    path = tmp_path / name
    path.write_bytes(content)
    result = run(path, "--json")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.strip().splitlines()) == 1
    assert message in result.stderr
    assert name in result.stderr


def test_no_interval_names_the_option(tmp_path):
    path = tmp_path / "cube.fits"
    fits.PrimaryHDU(np.arange(12 * 20 * 24, dtype=np.int32).reshape(12, 20, 24)).writeto(path)
    result = run(path)
    assert "--set camera.frame_interval_s=" in result.stdout
    assert run(path, "--set", "camera.frame_interval_s=0.02").exit_code == 0


@pytest.fixture
def timeless(tmp_path: Path) -> Path:
    """Write a cube of which nothing says when its frames were taken."""
    frames = np.random.default_rng(2).normal(800, 30, (60, 20, 24)).astype(np.uint16)
    path = tmp_path / "timeless.fits"
    fits.PrimaryHDU(frames).writeto(path)
    return path


def test_frames_without_times_are_inspected_all_the_same(timeless):
    result = run(timeless, "--json")
    assert result.exit_code == 0, result.stderr
    found = Inspection.model_validate(json.loads(result.stdout))
    assert (found.timing, found.duration_s, found.frames) == (None, None, 60)
    assert found.missing[0].key == "frame_interval_s"
    assert found.can == ["widths of the stars"]
    assert "times unknown" in run(timeless).stdout


def test_written_setup_is_read_again_and_names_what_is_missing(cube, tmp_path):
    from blursplit.rig import Rig

    file = tmp_path / "new" / "setup.toml"
    done = run(cube, "--set", "telescope.aperture_m=0.25", "--write-setup", file)
    assert done.exit_code == 0, done.stderr
    text = file.read_text()
    assert Rig.read(file, []).get("aperture_m") == 0.25
    assert "# pixel_scale_arcsec =   # missing: arcseconds" in text
    assert "# exposure_s = 0.005  # header" in text
    assert run(cube, "--write-setup", file).exit_code == 2
    assert file.read_text() == text
