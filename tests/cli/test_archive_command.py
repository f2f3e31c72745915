"""`blursplit archive` as a user runs it; the measurement itself is replaced."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.result import Result, SequenceInfo

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with one sequence, and measure without looking at pixels."""
    import sys

    from astropy.io import fits

    def measure(paths, *_: object, **__: object) -> SimpleNamespace:
        info = SequenceInfo(files=len(paths), frames=4, frames_used=4, stars_used=2)
        return SimpleNamespace(result=Result(sequence=info))

    stand_in = SimpleNamespace(measure=measure)
    monkeypatch.setitem(sys.modules, "blursplit.measure", stand_in)
    rng = np.random.default_rng(0)
    (tmp_path / "in").mkdir()
    for i in range(4):
        hdu = fits.PrimaryHDU(rng.integers(0, 99, (8, 9)).astype(np.int16))
        hdu.header["OBJECT"] = "M 39"
        hdu.header["DATE-OBS"] = f"2026-03-01T20:00:{i:02d}"
        hdu.writeto(tmp_path / "in" / f"{i}.fits")
    return tmp_path / "in"


def call(*args: object):
    """Run the command in this process."""
    return CliRunner().invoke(app, ["archive", *map(str, args), "--workers", "0"])


def test_store_and_page_are_written_and_json_is_alone(archive: Path, tmp_path: Path) -> None:
    store = tmp_path / "s.sqlite"
    done = call(archive, "--store", store, "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["sequences"]["done"] == 1
    assert (tmp_path / "s.html").read_text().startswith("<!doctype html>")
    assert "1 measured now" in done.stderr
    assert "1 known already, 0 measured now" in call(archive, "--store", store).stderr
    assert sorted(p.name for p in archive.iterdir()) == [f"{i}.fits" for i in range(4)]


def test_missing_folder_and_foreign_store_are_one_line(archive: Path, tmp_path: Path) -> None:
    foreign = tmp_path / "notes.txt"
    foreign.write_text("notes of more than sixteen bytes")
    for args in ((tmp_path / "none", "--store", tmp_path / "a.db"), (archive, "--store", foreign)):
        done = call(*args)
        assert done.exit_code == 2
        assert done.stderr.count("\n") == 1


def test_unwritable_place_is_one_line(archive: Path, tmp_path: Path) -> None:
    done = call(archive, "--store", tmp_path / "none" / "s.db")
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1


def test_parquet_is_written_on_request_and_refused_before_work_without_its_library(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    store, flat = tmp_path / "s.db", tmp_path / "s.parquet"
    with monkeypatch.context() as without:
        without.setitem(sys.modules, "pyarrow", None)
        refused = call(archive, "--store", store, "--parquet", flat)
    assert refused.exit_code == 2
    assert refused.stderr == (
        "blursplit: --parquet: needs the library pyarrow; python -m pip install pyarrow\n"
    )
    assert not store.exists()
    done = call(archive, "--store", store, "--parquet", flat)
    assert done.exit_code == 0, done.stderr
    assert f"table written: {flat} (sequences: 1)" in done.stderr
    from astropy.table import Table

    assert Table.read(flat)["object"][0] == "M 39"
