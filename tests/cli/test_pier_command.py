"""`blursplit pier` as a user runs it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "examples" / "pier_steel_tube.toml"


def call(*arguments: object) -> subprocess.CompletedProcess[str]:
    code = "from blursplit.cli import app; app()"
    return subprocess.run(
        [sys.executable, "-c", code, "pier", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        encoding="utf-8",
    )


def test_tables_and_cautions_are_printed():
    done = call(EXAMPLE)
    assert done.returncode == 0, done.stderr
    for words in ("arcsec/N", "bending x", "no studs", "not a structural certification", "codes"):
        assert words in " ".join(done.stdout.split())
    assert done.stderr == ""


def test_tables_of_the_drawing_say_so_beside_measured_modes():
    done = call(EXAMPLE, "--set", "pier.measured_hz=[17.2]")
    assert "After the measured 17.2 Hz" in done.stdout
    assert "Modes, as drawn" in done.stdout
    assert "as drawn" not in call(EXAMPLE).stdout


def test_a_page_for_a_leaflet_has_the_tables_and_all_cautions(tmp_path: Path):
    from blursplit.pier.report import CAUTIONS

    page = tmp_path / "leaflet.html"
    done = call(EXAMPLE, "--out", page)
    assert done.returncode == 0, done.stderr
    assert "page written" in done.stderr
    text = page.read_text(encoding="utf-8")
    assert all(caution in text for caution in CAUTIONS)
    assert text.count("<table ") == 3
    assert "arcsec/N" in text
    # cautions stand in front of the first table, and nothing is loaded from a network
    assert text.index(CAUTIONS[-1]) < text.index("<table ")
    assert "http" not in text.split("</style>")[-1]


def test_no_barrier_that_a_checker_can_find_in_a_leaflet(tmp_path: Path, barriers):
    page = tmp_path / "leaflet.html"
    assert call(EXAMPLE, "--out", page).returncode == 0
    assert barriers(page.read_text(encoding="utf-8"), "leaflet") == []


def test_json_alone_is_printed_and_follows_the_published_schema():
    from blursplit.pier.report import PierReport

    done = call(EXAMPLE, "--json")
    assert done.returncode == 0
    record = json.loads(done.stdout)
    assert record["schema"] == "blursplit-pier/1"
    assert PierReport.model_validate(record).modes
    assert set(PierReport.model_json_schema(by_alias=True)["properties"]) == set(record)


def test_override_changes_the_answer():
    plain = json.loads(call(EXAMPLE, "--json").stdout)
    thick = json.loads(call(EXAMPLE, "--json", "--set", "pier.sections.0.wall_m=0.012").stdout)
    assert thick["stiffness"]["tilt_x_arcsec_n"] < plain["stiffness"]["tilt_x_arcsec_n"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[telescope]\naperture_m = 0.2\n", "no [pier] table"),
        ("[pier]\nsectionz = 3\n", "pier.sections"),
        ("[pier\n", "not valid TOML"),
    ],
)
def test_bad_setup_is_one_line_and_exit_code_2(tmp_path: Path, text: str, words: str):
    path = tmp_path / "rig.toml"
    path.write_text(text)
    done = call(path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert words in done.stderr
    assert "rig.toml" in done.stderr


def test_missing_file_is_one_line_and_exit_code_2(tmp_path: Path):
    done = call(tmp_path / "absent.toml")
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
