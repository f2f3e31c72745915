"""`blursplit measure` as a user runs it: what goes where, exit codes, one line for an error."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.result import Result

if TYPE_CHECKING:
    from pathlib import Path

STARS = [(22.0, 24.0, 900.0), (70.0, 26.0, 700.0), (45.0, 68.0, 800.0)]


@pytest.fixture(scope="module")
def cube(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write 40 frames of three stars of FWHM 4 px that wander together."""
    rng = np.random.default_rng(1)
    rows, columns = np.indices((90, 90))
    wander = np.cumsum(rng.normal(0, 0.05, (40, 2)), axis=0)
    frames = [
        rng.poisson(
            100.0
            + sum(
                top * np.exp(-((columns - x - dx) ** 2 + (rows - y - dy) ** 2) / (2 * 1.7**2))
                for x, y, top in STARS
            )
        )
        + 200
        for dx, dy in wander
    ]
    header = fits.Header()
    header["FPS"], header["EXPTIME"], header["OBJECT"] = 50.0, 0.005, "[bold]M 13[/bold]"
    path = tmp_path_factory.mktemp("data") / "my night.fits"
    fits.PrimaryHDU(np.array(frames, dtype=np.uint16), header).writeto(path)
    return path


def run(*words):
    return CliRunner().invoke(app, ["measure", *map(str, words)])


@pytest.fixture
def no_page(monkeypatch):
    """Leave out drawing the page, which takes longer than the rest."""
    monkeypatch.setattr("blursplit.report.render_page", lambda *_: "page")


@pytest.mark.usefixtures("no_page")
def test_json_alone_on_standard_output(cube, tmp_path):
    done = run(cube, "--out", tmp_path / "out", "--json")
    assert done.exit_code == 0
    printed = Result.model_validate(json.loads(done.stdout))
    assert printed == Result.from_json((tmp_path / "out" / "result.json").read_text())
    assert done.stderr.strip() == f"page: {tmp_path / 'out' / 'index.html'}"


@pytest.mark.usefixtures("no_page")
def test_default_folder_is_beside_the_work_and_named_after_the_sequence(
    cube, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    assert run(cube).exit_code == 0
    folder = tmp_path / "my night-blursplit"
    assert sorted(path.name for path in folder.iterdir()) == [
        "images.fits",
        "index.html",
        "result.json",
        "series.fits",
        "stamps.fits",
        "tracks.fits",
    ]
    again = run(cube)
    assert again.exit_code == 2
    assert "exists already; add --replace" in again.stderr


@pytest.mark.usefixtures("no_page")
def test_summary_takes_header_text_for_what_it_is(cube, tmp_path):
    done = run(cube, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert "\x1b" not in done.stdout
    assert "[bold]M 13[/bold]" in done.stdout


@pytest.mark.usefixtures("no_page")
def test_a_result_is_measured_again_without_its_pixels(cube, tmp_path):
    first, second = tmp_path / "first", tmp_path / "second"
    assert run(cube, "--out", first).exit_code == 0
    done = run(first, "--out", second, "--set", "camera.pixel_scale_arcsec=0.5")
    assert done.exit_code == 0
    old, new = (Result.from_json((f / "result.json").read_text()) for f in (first, second))
    assert new.sequence.frames_used == old.sequence.frames_used
    assert new.setup["pixel_scale_arcsec"].origin == "option"
    now, before = new.motion, old.motion.common_rms_x_px.value
    assert now.common_rms_x_px.value == pytest.approx(before)
    assert now.common_rms_x_arcsec.value == pytest.approx(0.5 * before)


@pytest.mark.usefixtures("no_page")
@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["no such file.fits"], "no such file.fits: no such file or folder; check the path"),
        (["{cube}", "--centroid", "best"], "--centroid best: is no centroid method"),
        (["{cube}", "--set", "nonsense"], "--set nonsense: is not SECTION.KEY=VALUE"),
        (["{cube}", "--set", "camera.exposur_s=1"], "key 'camera.exposur_s'"),
        (["{cube}", "--setup", "{here}/none.toml"], "none.toml: cannot be read"),
        (["{cube}", "--dark", "{here}/none.fits"], "none.fits"),
        (["{cube}", "--blur-time", "0.001"], "blur"),
        (["{here}"], "holds no FITS files"),
    ],
)
def test_an_error_is_one_line_that_names_what_is_wrong(cube, tmp_path, words, told):
    filled = [word.format(cube=cube, here=tmp_path) for word in words]
    done = run(*filled, "--out", tmp_path / "out", "--json")
    assert done.exit_code == 2
    assert done.stdout == ""
    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("blursplit: ")
    assert told in line
    assert "; " in line  # what is wrong; what to do
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [[], ["--no-such-option", "x"], ["x", "--blur-time", "-1"], ["x", "--blur-time", "soon"]],
)
def test_wrong_usage_is_exit_code_two(words):
    done = run(*words)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
