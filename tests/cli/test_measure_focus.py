"""`blursplit measure --focus-run` on files of a simulated telescope out of focus."""

from __future__ import annotations

import json

import pytest
from astropy.io import fits
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.simulate import Scene, write_sequence

SCALE, PIXEL_UM, APERTURE_M, OBSTRUCTION = 0.5, 3.76, 0.2, 0.3
FOCAL_M = PIXEL_UM * 1e-6 * 206264.806 / SCALE
BEST = 5010.0
POSITIONS = (4930.0, 4970.0, 5010.0, 5050.0, 5110.0)


def defocus_nm(steps_um):
    """Rms wavefront on the filled circle: dz/(8 F^2) over 2 sqrt(3) (Noll 1976)."""
    return steps_um * 1e3 / (8 * (FOCAL_M / APERTURE_M) ** 2) / (2 * 3**0.5)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Write five runs of four seconds at five focus positions, a step being 1 um of focus."""
    folder = tmp_path_factory.mktemp("night")
    for number, position in enumerate(POSITIONS):
        scene = Scene.model_validate(
            {
                "telescope": {
                    "aperture_m": APERTURE_M,
                    "obstruction": OBSTRUCTION,
                    "defocus_nm": defocus_nm(position - BEST),
                },
                "camera": {
                    "pixel_scale_arcsec": SCALE,
                    "pixel_um": PIXEL_UM,
                    "width_px": 128,
                    "height_px": 128,
                    "exposure_s": 0.008,
                    "frame_interval_s": 0.02,
                },
                "air": {"seeing_arcsec": 1.5},
                "stars": {"count": 3, "seed": 2, "flux_e_per_s": 4e6, "margin_px": 30},
                "sequence": {"frames": 200, "seed": 40 + number},
            }
        )
        target = folder / f"at{position:.0f}"
        write_sequence(scene, target)
        comment = "[step] focuser position"
        fits.setval(target / "sequence.fits", "FOCUSPOS", value=position, comment=comment)
    return folder


@pytest.fixture
def measured(night, tmp_path, monkeypatch):
    """Return a function that measures the last run with options, and returns its result."""
    monkeypatch.setattr("blursplit.report.render_page", lambda *_: "page")
    last = night / "at5110"

    def measure(*options, source=last / "sequence.fits", setup=True):
        words = ["measure", source, "--json", *options]
        words += ["--setup", last / "setup.toml"] if setup else []
        done = CliRunner().invoke(app, [*map(str, words), "--out", str(tmp_path / "out")])
        return done, json.loads(done.stdout) if done.exit_code == 0 else None

    return measure


@pytest.mark.slow
def test_focus_runs_find_best_focus_and_the_defocus(night, measured):
    others = [
        word for z in POSITIONS[:-1] for word in ("--focus-run", night / f"at{z:.0f}/sequence.fits")
    ]
    done, result = measured("--set", "telescope.focus_step_um=1.0", *others)
    assert done.exit_code == 0, done.stderr
    part = result["instrument"]
    focus = part["focus"]
    assert part["optics_from"] == "focus positions"
    assert [point["position"] for point in focus["positions"]] == [POSITIONS[-1], *POSITIONS[:-1]]
    assert focus["used_position"] == POSITIONS[-1]
    best = focus["best_position"]
    assert best["low95"] < BEST < best["high95"]
    # four seconds of air differ by a fifth or so from run to run: it is asked for a quarter of
    # the way from best focus to the measured run
    assert abs(best["value"] - BEST) < 25.0
    # 0.1 of the prediction is what the program allows for; the rest is the curve's own error
    ratio = focus["slope_arcsec"]["value"] / focus["predicted_slope_arcsec"]
    assert 0.8 < ratio < 1.2
    assert part["defocus_arcsec"]["value"] is not None
    assert any("best focus lies at" in remark["text"] for remark in result["verdict"]["reasons"])
    assert "refocus" in {step["code"] for step in result["verdict"]["next"]}


def test_a_position_may_be_written_behind_the_path_and_two_runs_are_too_few(night, measured):
    other = night / "at5050/sequence.fits"
    done, result = measured("--focus-run", f"{other}@5047.5")
    assert done.exit_code == 0, done.stderr
    assert "focus-few-positions" in [warning["code"] for warning in result["warnings"]]
    assert result["instrument"]["optics_from"] is None
    assert result["instrument"]["focus"] is None


def test_a_run_without_a_position_is_refused_in_one_line(night, measured, tmp_path):
    bare = tmp_path / "bare.fits"
    bare.write_bytes((night / "at5050/sequence.fits").read_bytes())
    fits.delval(bare, "FOCUSPOS")
    done, _ = measured("--focus-run", bare)
    assert done.exit_code == 2
    assert "--focus-run PATH@POSITION" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    done, _ = measured("--focus-run", night / "at5050/sequence.fits", source=bare)
    assert done.exit_code == 2
    assert "--set telescope.focus_position=" in done.stderr


def test_a_run_of_another_camera_is_refused(night, measured, tmp_path):
    saved = tmp_path / "saved"
    words = ["measure", night / "at5050/sequence.fits", "--out", saved]
    words += ["--set", "camera.pixel_scale_arcsec=0.6"]
    assert CliRunner().invoke(app, [*map(str, words)]).exit_code == 0
    done, _ = measured("--focus-run", saved, setup=False)
    assert done.exit_code == 2
    assert "its pixel scale differs" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
