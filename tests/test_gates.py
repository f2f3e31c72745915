"""The gates that are programs of their own, run with the tests so that one command runs all."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SCRIPTS = Path(sysconfig.get_path("scripts"))
TEXTS = [
    "src",
    "tests",
    "docs",
    "benchmarks",
    "examples",
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
]

GATES = {
    "lint": [sys.executable, "-m", "ruff", "check", "."],
    "format": [sys.executable, "-m", "ruff", "format", "--check", "."],
    "types": [sys.executable, "-m", "mypy"],
    "layers": [str(SCRIPTS / "lint-imports"), "--no-cache"],
    "spelling": [str(SCRIPTS / "codespell"), *TEXTS],
}


@pytest.mark.parametrize("gate", GATES)
def test_the_source_passes_the_gate(gate):
    done = subprocess.run(
        GATES[gate],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "NO_COLOR": "1"},
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_benchmarks_name_and_call_only_what_exists():
    """The scripts are run now and then alone: what has moved since is told here, by the types."""
    done = subprocess.run(
        [*GATES["types"], "benchmarks"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "NO_COLOR": "1", "MYPYPATH": "src:benchmarks"},
    )
    assert "checked" in done.stdout or "no issues" in done.stdout, done.stdout + done.stderr
    amiss = r"\[(attr-defined|call-arg|import-not-found|name-defined)\]$"
    lines = [line for line in done.stdout.splitlines() if '"sep"' not in line]  # has no types
    missing = [line for line in lines if re.search(amiss, line)]
    assert not missing, "\n".join(missing)


def test_no_file_of_source_is_longer_than_one_reads_in_one_sitting():
    long = {
        str(path.relative_to(ROOT)): lines
        for folder in ("src", "tests", "benchmarks", "docs")
        for path in (ROOT / folder).rglob("*.py")
        if path.name != "constants.py"  # a table, to look things up in
        and (lines := len(path.read_text(encoding="utf-8").splitlines())) > 700
    }
    assert not long, f"files over 700 lines, to be parted: {long}"
