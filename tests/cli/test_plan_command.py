"""`blursplit plan` as a user runs it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from blursplit.cli import app

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    """Return a setup file."""
    path = tmp_path / "setup.toml"
    path.write_text(
        "[telescope]\naperture_m = 0.2\n[camera]\npixel_scale_arcsec = 0.5\n"
        "[site]\nlatitude_deg = 48.0\nlongitude_deg = 11.0\n"
    )
    return path


def call(*args: object):
    """Run the command."""
    return CliRunner().invoke(app, ["plan", *map(str, args)])


def test_plan_for_people_names_the_smallest_vibration_and_a_field(setup: Path) -> None:
    done = call(setup, "--date", "2026-11-25T18:00:00Z")
    assert done.exit_code == 0
    assert "arcsec rms" in done.stdout
    assert "M 34" in done.stdout
    assert "row-time-unknown" in done.stderr


def test_options_override_the_setup_file(setup: Path) -> None:
    done = call(setup, "--set", "telescope.aperture_m=0.4", "--json", "--date", "2026-11-25")
    record = json.loads(done.stdout)
    assert record["setup"]["aperture_m"] == {"value": 0.4, "origin": "option", "note": ""}


def test_a_stronger_damping_asks_for_a_larger_motion(setup: Path) -> None:
    def smallest(*options: str) -> float:
        done = call(setup, *options, "--json", "--date", "2026-11-25")
        return json.loads(done.stdout)["smallest_structure_arcsec"]

    assert smallest("--damping", "0.05") > smallest()
    assert "mode, damping 5 %" in call(setup, "--damping", "0.05").stdout


@pytest.mark.parametrize(
    "args",
    [
        ("--date", "tomorrow"),
        ("--seeing", "0"),
        ("--damping", "1.5"),
        ("--set", "telescope.aperture=1"),
    ],
)
def test_bad_options_are_one_line_and_code_2(setup: Path, args: tuple[str, str]) -> None:
    done = call(setup, *args)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
