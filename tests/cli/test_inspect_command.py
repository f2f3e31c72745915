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
    assert any("in pixels" in one.text for one in found.cannot)
    assert any("60 to 120 s instead of 2.4 s" in one.text for one in found.advice)


def test_text_names_facts_with_unit_and_origin(cube):
    result = run(cube, "--set", "camera.pixel_scale_arcsec=0.6")
    assert result.exit_code == 0
    line = next(row for row in result.stdout.splitlines() if "pixel_scale_arcsec" in row)
    assert "0.6 arcsec" in line
    assert "option" in line
    assert "[red]M 13[/red] <b>" in result.stdout  # header text is never markup
    assert "25 Hz" in result.stdout
    assert f"Next: blursplit measure '{cube}'" in result.stdout
    assert "\x1b" not in result.stdout  # plain when piped


def test_setup_file_is_read(cube, tmp_path):
    setup = tmp_path / "rig.toml"
    setup.write_text('[telescope]\naperture_m = 0.3\n[camera]\ntime_stamps = "hardware"\n')
    found = json.loads(run(cube, "--setup", setup, "--json").stdout)
    assert found["known"]["aperture_m"]["origin"] == "setup file"
    assert not any("hardware" in one["text"] for one in found["advice"])


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
    assert said in " ".join(one["text"] for one in found["can"] + found["cannot"])
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
    assert [one.text for one in found.can] == ["widths of the stars"]
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


def write_calibrated_night(folder: Path) -> None:
    """Write twelve frames of the sky, and calibration frames among them and in a folder beside."""
    rng = np.random.default_rng(4)

    def write(name: str, shape=(20, 24), **cards: object) -> None:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        fits.PrimaryHDU(rng.normal(800, 30, shape).astype(np.float32), fits.Header(cards)).writeto(
            path
        )

    for k in range(12):
        write(f"lights/l{k}.fits", EXPTIME=0.01, **{"DATE-OBS": f"2026-03-01T22:00:{k:02d}.5"})
    for k in range(3):
        write(f"lights/d{k}.fits", EXPTIME=0.01, IMAGETYP="Dark Frame")
        write(f"My flats/f{k}.fits", EXPTIME=2.0, FRAME="Flat")
        write(f"darks/d{k}.fits", EXPTIME=10.0, IMGTYPE="DARK")
    write("calib/master.fits", (5, 40, 48), OBSTYPE="zero")
    write("another night/d.fits", EXPTIME=0.01, IMAGETYP="Dark Frame")
    (folder / "darks" / "broken.fits").write_bytes(b"SIMPLE")


def test_calibration_frames_about_are_found_and_said_how_to_use(tmp_path):
    write_calibrated_night(tmp_path)
    lights = tmp_path / "lights"
    found = Inspection.model_validate(json.loads(run(lights, "--json").stdout))
    assert (found.frames, found.dropped) == (12, {"calibration frame": 3})
    about = {(c.kind, c.frames, c.exposure_s): c.use.text for c in found.calibration}
    assert about == {
        ("dark", 3, 0.01): f"measure with --dark {lights}",
        ("dark", 3, 10.0): f"measure with --dark {tmp_path.resolve() / 'darks'} and with bias "
        "frames: the frames were exposed 10 ms",
        ("flat", 3, 2.0): f"measure with --flat '{tmp_path.resolve() / 'My flats'}'",
        ("bias", 5, None): "of another size than the frames: of no use here",
    }
    # what it says is true: of a folder of lights and darks, `measure` takes the darks
    from blursplit.frames import Calibration

    darks = [fits.getdata(lights / f"d{k}.fits") for k in range(3)]
    taken = Calibration.read(dark=[lights]).dark_adu
    np.testing.assert_allclose(taken, np.mean(darks, axis=0), rtol=1e-6)
    text = run(lights).stdout
    assert f"3 dark frames of 0.01 s, 24 x 20 px, in {lights}" in text


def test_folder_of_calibration_frames_alone_is_said_to_be_one(tmp_path):
    for k in range(10):
        header = fits.Header({"DATE-OBS": f"2026-03-01T22:00:{k:02d}.5", "IMAGETYP": "Bias"})
        fits.PrimaryHDU(np.full((20, 24), k, np.int16), header).writeto(tmp_path / f"b{k}.fits")
    result = run(tmp_path)
    assert result.exit_code == 0, result.stderr
    assert "all of these are calibration frames (bias)" in result.stdout


def test_table_of_positions_is_sent_to_the_command_that_takes_it(tmp_path):
    table = tmp_path / "stars.csv"
    table.write_text("time,star,x,y\n0,1,2,3\n")
    result = run(table)
    assert result.exit_code == 2
    assert f"blursplit measure {table}" in result.stderr
