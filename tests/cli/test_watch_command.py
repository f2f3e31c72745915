"""`blursplit watch` as a user runs it, on a file that is there already."""

from __future__ import annotations

import json

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from blursplit.cli import app

STARS = [(22.0, 24.0, 900.0), (70.0, 26.0, 700.0), (45.0, 68.0, 800.0)]
pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture
def quick(monkeypatch, tmp_path):
    """Look often, leave out drawing the result's page, and work in an empty folder."""
    monkeypatch.setattr("blursplit.constants.WATCH_LOOK_S", 0.05)
    monkeypatch.setattr("blursplit.report.render_page", lambda *_: "page")
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def cube(tmp_path):
    return write_cube(tmp_path, 60)


def write_cube(folder, count):
    """Write frames of three stars of FWHM 4 px that shake together."""
    rng = np.random.default_rng(1)
    rows, columns = np.indices((90, 90))
    frames = [
        rng.poisson(
            300.0
            + sum(
                top * np.exp(-((columns - x - dx) ** 2 + (rows - y - dy) ** 2) / (2 * 1.7**2))
                for x, y, top in STARS
            )
        )
        for dx, dy in rng.normal(0, 0.3, (count, 2))
    ]
    header = fits.Header({"FPS": 50.0, "EXPTIME": 0.005})
    path = folder / "night.fits"
    fits.PrimaryHDU(np.array(frames, dtype=np.uint16), header).writeto(path)
    return path


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def both_results(folder):
    """Return both records but for the command line, and the digest, which is of that too."""
    found = []
    for name in ("watched", "measured"):
        result = json.loads((folder / name / "result.json").read_text(encoding="utf-8"))
        found.append({k: v for k, v in result.items() if k not in {"command", "digest"}})
    return found


def test_an_ended_watch_leaves_what_measure_leaves(cube, tmp_path):
    watched = run("watch", cube, "--idle", 1, "--out", tmp_path / "watched")
    assert watched.exit_code == 0, watched.output
    assert "Provisional verdict" in watched.stdout
    measured = run("measure", cube, "--out", tmp_path / "measured")
    assert measured.exit_code == 0
    one, other = both_results(tmp_path)
    assert one == other
    page = (tmp_path / "night-watch.html").read_text(encoding="utf-8")
    assert 'http-equiv="refresh"' not in page
    assert "watched/index.html" in page


@pytest.mark.slow
def test_fits_on_the_way_leave_no_trace_in_the_result(tmp_path):
    """With an aperture there are fits beside the watch; its result is that of `measure`."""
    cube = write_cube(tmp_path, 520)
    how = ("--set", "telescope.aperture_m=0.15", "--set", "camera.pixel_scale_arcsec=0.4")
    watched = run("watch", cube, "--idle", 1, "--out", tmp_path / "watched", *how)
    assert watched.exit_code == 0, watched.output
    measured = run("measure", cube, "--out", tmp_path / "measured", *how)
    assert measured.exit_code == 0
    one, other = both_results(tmp_path)
    for result in (one, other):
        assert result["fit"].pop("seconds") > 0  # of this machine
    assert one == other


def test_modes_are_compared_with_an_earlier_result_and_the_cautions_said(cube, tmp_path):
    assert run("measure", cube, "--out", tmp_path / "before").exit_code == 0
    done = run("watch", cube, "--idle", 1, "--against", tmp_path / "before")
    assert done.exit_code == 0, done.output
    assert "Hands off a moving mount" in done.stderr


def test_nothing_to_watch_is_one_line_and_exit_code_2(tmp_path):
    done = run("watch", tmp_path / "none", "--idle", 1)
    assert done.exit_code == 2
    assert "no whole frames came" in done.stderr
    assert "Traceback" not in done.stderr


def test_another_way_to_end_is_refused(tmp_path):
    done = run("watch", tmp_path, "--until", "dawn")
    assert done.exit_code == 2
    assert "use stopped or decided" in done.stderr
