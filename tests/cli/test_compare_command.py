"""`blursplit compare` as a user runs it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.estimate import Estimate
from blursplit.result import Fwhm, Result, SequenceInfo, Structure

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def folders(tmp_path: Path, sealed: Any) -> Path:
    """Return a folder with four results, in turns quiet and shaking."""
    for i, rms in enumerate((0.8, 0.2, 0.82, 0.21)):
        info = SequenceInfo(
            name=f"run{i} <i>", files=1, frames=9, frames_used=9, stars_used=4,
            start_utc=f"2026-03-01T20:0{i}:00",
        )  # fmt: skip
        e = Estimate(value=rms, low=rms * 0.96, high=rms * 1.04)
        result = Result(sequence=info, fwhm=Fwhm(blur_time_s=30.0),
                        structure=Structure(rms_major_arcsec=e))  # fmt: skip
        folder = tmp_path / ("a" if i % 2 == 0 else "b") / f"run{i}"
        folder.mkdir(parents=True)
        (folder / "result.json").write_text(sealed(result))
    return tmp_path


def call(*args: object):
    """Run the command."""
    return CliRunner().invoke(app, ["compare", *map(str, args)])


def test_json_is_alone_on_standard_output(folders: Path) -> None:
    done = call("--before", folders / "a", "--after", folders / "b", "--json")
    record = json.loads(done.stdout)
    assert done.exit_code == 0
    assert record["schema"] == "blursplit-compare/1"
    assert record["probability_structure_improved"] > 0.99
    assert record["design"] == "alternating"


def test_runs_in_turns_are_split_by_their_times(folders: Path) -> None:
    runs = sorted(folders.glob("*/run*"), reverse=True)
    record = json.loads(call(*runs, "--json").stdout)
    assert record["before"]["names"] == ["run0 <i>", "run2 <i>"]


def test_table_and_page_for_people(folders: Path) -> None:
    page = folders / "page.html"
    done = call("--before", folders / "a" / "run0", "--after", folders / "b" / "run1",
                "--out", page)  # fmt: skip
    assert done.exit_code == 0
    assert "became smaller" in " ".join(done.stdout.split())
    text = page.read_text()
    assert "run0 &lt;i&gt;" in text
    assert "run0 <i>" not in text


def test_table_names_quantities_and_units_for_people(folders: Path) -> None:
    text = call("--before", folders / "a", "--after", folders / "b").stdout
    assert "structure, rms of" in text
    assert "[arcsec]" in text
    assert "rms_major" not in text
    # what neither side measured is named, not shown as zero
    assert "not compared, for want of a value on each side:" in " ".join(text.split())


def test_runs_of_one_start_are_not_put_in_turns(folders: Path, sealed: Any) -> None:
    path = folders / "b" / "run1" / "result.json"
    later = Result.from_json(path.read_text())
    later.sequence.start_utc = "2026-03-01T20:00:00"
    path.write_text(sealed(later))
    done = call(folders / "a" / "run0", folders / "b" / "run1")
    assert done.exit_code == 2
    assert "began at the same time" in done.stderr


@pytest.mark.parametrize(
    "args",
    [
        ("--before", "a/run0"),
        ("a/run0", "--before", "b/run1"),
        ("--before", "none", "--after", "b"),
    ],
)
def test_wrong_use_is_one_line_and_code_2(folders: Path, args: tuple[str, ...]) -> None:
    paths = [a if a.startswith("--") else str(folders / a) for a in args]
    done = call(*paths)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("blursplit: ")
