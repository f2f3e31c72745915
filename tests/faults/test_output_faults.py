"""Outputs that cannot be written, and interrupts at any moment: nothing half-written remains."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import sysconfig
import time
from pathlib import Path

import pytest

COMMAND = str(Path(sysconfig.get_path("scripts")) / "blursplit")


def start(cube, out, *words, limit_bytes=None):
    """Start the installed command; `limit_bytes` is the largest file it may write."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    if limit_bytes is not None:  # a measurement of coverage could not write its own file either
        environment = {
            k: v for k, v in environment.items() if not k.startswith(("COVERAGE_", "COV_CORE_"))
        }

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

    return subprocess.Popen(
        [sys.executable, COMMAND, "measure", str(cube), "--out", str(out), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        preexec_fn=None if limit_bytes is None else limit,  # noqa: PLW1509  no threads here
    )


def entries(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_disk_that_takes_no_more_leaves_nothing_half_written(make_field, tmp_path):
    """The system refuses to let a file grow, as a full disk does, while tracks are written."""
    cube = make_field().cube(tmp_path / "cube.fits")
    run = start(cube, tmp_path / "out", limit_bytes=60_000)
    stdout, stderr = run.communicate(timeout=60)
    assert run.returncode == 2, stderr
    assert stdout == ""
    (line,) = stderr.strip().splitlines()
    assert line.startswith("blursplit: ")
    assert "out: cannot be written" in line
    assert "free disk space" in line
    assert entries(tmp_path) == ["cube.fits"]


def test_a_full_disk_is_told_in_one_line(make_field, measure, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("blursplit.stars.tracks.StarTracks.save", full)
    line = measure(make_field(12).cube(tmp_path / "cube.fits")).refusal()
    assert "cannot be written (No space left on device); free disk space" in line


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no /proc on this system")
def test_a_place_where_nothing_can_be_made_is_told(make_field, tmp_path):
    cube = make_field(12).cube(tmp_path / "cube.fits")
    run = start(cube, "/proc/self/out")
    _, stderr = run.communicate(timeout=60)
    assert run.returncode == 2
    (line,) = stderr.strip().splitlines()
    assert "/proc/self/out" in line
    assert "cannot be written" in line


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_read_only_folder_is_told_before_the_work(make_field, tmp_path):
    cube = make_field(12).cube(tmp_path / "cube.fits")
    (tmp_path / "locked").mkdir(mode=0o555)
    run = start(cube, tmp_path / "locked" / "out")
    _, stderr = run.communicate(timeout=60)
    assert run.returncode == 2
    assert "locked' cannot be written; name another --out" in stderr


def test_an_existing_output_is_refused_before_the_frames_are_read(make_field, measure, tmp_path):
    cube = make_field(12).cube(tmp_path / "cube.fits")
    assert measure(cube).code == 0
    again = measure(tmp_path / "there is no such cube.fits")
    assert again.code == 2
    assert "out: exists already; add --replace or name another --out" in again.stderr
    assert measure(cube, "--replace").code == 0


def test_a_foreign_folder_is_not_replaced(make_field, measure, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.tex").write_text("years of work")
    run = measure(make_field(12).cube(tmp_path / "cube.fits"), "--replace")
    assert run.code == 2
    assert "holds no result and is not replaced" in run.stderr
    assert (tmp_path / "out" / "thesis.tex").read_text() == "years of work"


def test_blanks_and_letters_of_all_kinds_in_paths_are_no_trouble(
    make_field, measure, tmp_path, monkeypatch
):
    folder = make_field(12).files(tmp_path / "Nächte 2026 – 星 [1]" / "späte", "f {:04d} ü.fits")
    assert measure(folder).accepted().sequence.frames_used == 12
    monkeypatch.chdir(tmp_path)
    words = ["measure", str(folder / "f*.fits")]
    run = subprocess.run(
        [sys.executable, COMMAND, *words], capture_output=True, text=True, check=False
    )
    assert run.returncode == 2  # the brackets are a pattern here, and nothing matches it
    assert "matches no file" in run.stderr


@pytest.mark.parametrize(
    ("sent", "moment_s"),
    [
        (signal.SIGINT, 0.15),
        (signal.SIGINT, 0.8),
        (signal.SIGINT, 1.4),
        (signal.SIGINT, 2.0),
        (signal.SIGTERM, 1.4),
    ],
)
def test_an_interrupt_at_any_moment_leaves_all_or_nothing(make_field, tmp_path, sent, moment_s):
    """The moments fall on start-up, reading, measuring and writing, on most machines."""
    cube = make_field().cube(tmp_path / "cube.fits")
    run = start(cube, tmp_path / "out")
    time.sleep(moment_s)
    run.send_signal(sent)
    _, stderr = run.communicate(timeout=60)
    if run.returncode == 0 or "out" in entries(tmp_path):  # the last moment is after the move
        files = ["images.fits", "index.html", "result.json", "series.fits", "stamps.fits"]
        assert entries(tmp_path) == ["cube.fits", "out"]
        assert entries(tmp_path / "out") == [*files, "tracks.fits"]
    else:
        assert entries(tmp_path) == ["cube.fits"]
    if run.returncode == 130:  # during start-up the word may be missing
        assert stderr.strip() in {"", "blursplit: stopped; nothing was left half-written"}


@pytest.mark.parametrize(
    "seam", ["blursplit.folder.write_units", "blursplit.stars.tracks.StarTracks.save"]
)
def test_an_interrupt_while_writing_leaves_nothing(
    make_field, measure, tmp_path, monkeypatch, seam
):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(seam, interrupted)
    run = measure(make_field(12).cube(tmp_path / "cube.fits"))
    assert run.code == 130
    assert run.stderr.strip() == "blursplit: stopped; nothing was left half-written"
    assert entries(tmp_path) == ["cube.fits"]
