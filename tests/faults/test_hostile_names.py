"""Names of files that are no UTF-8 or would move a terminal's cursor: measured, and shown tamed."""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.errors import InputError, OutputError, plain

# "Nächte" as an old disk keeps it, in Latin-1: the second byte is no UTF-8.
LATIN = os.fsdecode(b"N\xe4chte")
ESCAPE = "red\x1b[31m"


@pytest.fixture(params=[LATIN, ESCAPE], ids=["latin-1", "escape"])
def name(request, tmp_path):
    """Return a hostile name, where the file system takes it."""
    try:
        (tmp_path / request.param).touch()
    except OSError:
        pytest.skip("this file system refuses such names")
    (tmp_path / request.param).unlink()
    return request.param


def test_a_sequence_of_any_name_is_measured_and_named_in_plain_letters(
    make_field, measure, tmp_path, name
):
    run = measure(make_field(12).files(tmp_path / name, name + "{:04d}.fits"))
    assert run.accepted().sequence.name == plain(name)
    assert run.result.sequence.name.isprintable()


def test_the_file_left_out_is_told_in_plain_letters(make_field, measure, tmp_path, name):
    folder = make_field(12).files(tmp_path / "night")
    (folder / f"{name}.fits").write_bytes(b"hello" * 2000)
    run = measure(folder)
    run.accepted()
    assert f"{plain(name)}.fits" in run.told
    assert run.told.replace("\n", "").isprintable()


def test_an_error_about_it_cannot_speak_to_the_terminal(measure, tmp_path, name):
    (tmp_path / f"{name}.fits").write_bytes(b"hello" * 2000)
    line = measure(tmp_path / f"{name}.fits").refusal()
    assert f"{plain(name)}.fits: is not a FITS file" in line
    assert line.isprintable()


def test_inspect_prints_it_as_json(make_field, tmp_path, name):
    folder = make_field(12).files(tmp_path / name)
    done = CliRunner().invoke(app, ["inspect", str(folder), "--json"])
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["name"] == plain(name)


def test_an_archive_keeps_names_apart_and_knows_them_again(make_field, tmp_path):
    """Two names that differ only in a byte that is no UTF-8 are two rows, at the second run too."""
    names = [os.fsdecode(b"night\xe4"), os.fsdecode(b"night\xf6")]
    try:
        for number, name in enumerate(names):
            field = make_field(12, seed=number + 2)
            field.cards["OBJECT"] = f"field {number}"
            field.files(tmp_path / "in" / name)
    except OSError:
        pytest.skip("this file system refuses such names")
    (tmp_path / "in" / f"{LATIN}.fits").touch()
    store = tmp_path / "nights.sqlite"
    words = ["archive", str(tmp_path / "in"), "--store", str(store), "--workers", "0"]
    for told in ("0 known already, 2 measured now", "2 known already, 0 measured now"):
        done = CliRunner().invoke(app, words)
        assert done.exit_code == 0, done.stderr
        assert told in done.stderr
    with closing(sqlite3.connect(store)) as db:
        folders = {Path(row[0]).parts[-2] for row in db.execute("SELECT path FROM files")}
        (refused,) = db.execute("SELECT path FROM refused_files").fetchone()
    assert folders == {r"night\xe4", r"night\xf6"}
    assert refused.endswith(r"N\xe4chte.fits")


@pytest.mark.parametrize("kind", [InputError, OutputError])
def test_every_error_of_ours_is_one_printable_line(kind):
    text = str(kind("a\x1b]0;b\u202e.fits", "line\nbreak", "do\tthis"))
    assert text == "a\ufffd]0;b\ufffd.fits: line break; do this"
