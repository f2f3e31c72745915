"""`blursplit accept` as a user runs it."""

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
def result(tmp_path: Path, sealed: Any) -> Path:
    """Return a result of 0.2 +- 0.02 arcsec over 30 s."""
    info = SequenceInfo(name="<b>run", files=1, frames=9, frames_used=9, stars_used=4)
    e = Estimate(value=0.2, low=0.18, high=0.22, low95=0.16, high95=0.24)
    run = Result(
        sequence=info, fwhm=Fwhm(blur_time_s=30.0), structure=Structure(rms_major_arcsec=e)
    )
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "result.json").write_text(sealed(run))
    return tmp_path / "run"


def limits(folder: Path, at_most: float, extra: str = "") -> Path:
    """Write a limits file."""
    path = folder.parent / "limits.toml"
    path.write_text(
        f"title = 'Pier <1>'\nblur_time_s = 30\n{extra}\n[limits]\n"
        f"'structure.rms_major_arcsec' = {{at_most = {at_most}}}\n"
    )
    return path


def call(*args: object):
    """Run the command."""
    return CliRunner().invoke(app, ["accept", *map(str, args)])


@pytest.mark.parametrize(("at_most", "code"), [(0.25, 0), (0.1, 3), (0.2, 4)])
def test_exit_code_tells_pass_fail_and_not_shown(result: Path, at_most: float, code: int) -> None:
    assert call(result, limits(result, at_most)).exit_code == code
    assert call(result / "result.json", limits(result, at_most)).exit_code == code


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_reader_that_leaves_is_no_fault_and_the_answer_stands(result: Path, form) -> None:
    import subprocess
    import sys

    code = "from blursplit.cli import app; app()"
    args = [sys.executable, "-c", code, "accept", result, limits(result, 0.1), *form]
    with subprocess.Popen(args, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        run.stdout.close()
        assert run.stderr.read() == b""
        assert run.wait() == 3


def test_bad_limits_are_code_2_and_name_the_key(result: Path) -> None:
    done = call(result, limits(result, 0.2, "colour = 'red'"))
    assert done.exit_code == 2
    assert "colour" in done.stderr
    assert done.stderr.count("\n") == 1


def test_page_is_to_be_signed_and_escapes_its_texts(result: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    done = call(result, limits(result, 0.25), "--out", page, "--json")
    text = page.read_text()
    assert json.loads(done.stdout)["state"] == "pass"
    assert "Accepted by" in text
    assert "30\u00a0s" in text
    assert "Pier &lt;1&gt;" in text
    assert "&lt;b&gt;run" in text
    assert "<b>run" not in text


def test_out_makes_its_parents(result: Path, tmp_path: Path) -> None:
    page = tmp_path / "new" / "folder" / "page.html"
    assert call(result, limits(result, 0.25), "--out", page).exit_code == 0
    assert page.is_file()


def test_page_states_files_and_what_is_judged(result: Path, tmp_path: Path) -> None:
    import hashlib

    file = limits(result, 0.25)
    done = call(result, file, "--out", tmp_path / "page.html", "--json")
    record = json.loads(done.stdout)
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    assert record["limits_digest"] == digest
    text = (tmp_path / "page.html").read_text()
    assert digest[:16] in text
    assert record["runs"][0]["digest"][:16] in text
    assert "PASS" in text
    assert record["judged_utc"][:10] in text


def test_page_that_cannot_be_written_is_one_line(result: Path, tmp_path: Path) -> None:
    (tmp_path / "none").touch()
    done = call(result, limits(result, 0.25), "--out", tmp_path / "none" / "page.html")
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("text", ["not json", "[]", '{"schema": "blursplit-result/1"}'])
def test_file_that_is_no_tap_result_is_refused(result: Path, tmp_path: Path, text: str) -> None:
    tap = tmp_path / "tap.json"
    tap.write_text(text)
    done = call(result, limits(result, 0.25), "--tap", tap)
    assert done.exit_code == 2
    assert "tap.json" in done.stderr
