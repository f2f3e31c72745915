"""`blursplit report` as a user runs it."""

from __future__ import annotations

import json

import numpy as np
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.folder import Measurement
from blursplit.result import Result, SequenceInfo
from blursplit.series import Series


def test_page_is_written_anew_and_json_is_alone(tmp_path):
    info = SequenceInfo(name="night", files=1, frames=9, frames_used=9, stars_used=1)
    series = Series({"time_s": np.arange(9.0)}, {"recorded": np.ones((5, 5))}, None)
    target = Measurement(Result(sequence=info), series).write("old page", tmp_path / "out")
    done = CliRunner().invoke(app, ["report", str(target), "--json"])
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["sequence"]["name"] == "night"
    assert (target / "index.html").read_text().startswith("<!doctype html>")
    assert "page written" in done.stderr
