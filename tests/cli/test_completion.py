"""Completion in a shell: commands, options, and files where files are meant."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

PROGRAM = """#!/bin/sh
exec "{python}" -c 'from blursplit.cli import app; app(prog_name="blursplit")' "$@"
"""


@pytest.fixture
def in_bash(tmp_path):
    """Return a function that runs lines in a bash in which completion is switched on."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash on this machine")
    program = tmp_path / "bin" / "blursplit"
    program.parent.mkdir()
    program.write_text(PROGRAM.format(python=sys.executable))
    program.chmod(0o755)

    def run(lines: str) -> str:
        done = subprocess.run(
            [bash, "--norc", "-c", f"source <(blursplit --show-completion bash)\n{lines}"],
            capture_output=True,
            text=True,
            check=True,
            env={
                **os.environ,
                "PATH": f"{program.parent}{os.pathsep}{os.environ['PATH']}",
                # the shell is named, not guessed from the processes above
                "_TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION": "1",
            },
        )
        assert done.stderr == ""
        return done.stdout

    return run


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("blursplit", "me"), "measure"),
        (("blursplit", "a"), "accept archive"),
        (("blursplit", "measure", "--bl"), "--blur-time"),
        (("blursplit", "archive", "--pa"), "--parquet"),
        (("blursplit", "measure", "night"), ""),
    ],
)
def test_commands_and_options_are_offered(in_bash, words, offered):
    typed = " ".join(words)
    script = f"COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}; _blursplit_completion blursplit"
    assert in_bash(f'{script}; echo "${{COMPREPLY[@]}}"').strip() == offered


def test_where_the_program_offers_nothing_the_shell_offers_files(in_bash):
    assert "-o default" in in_bash("complete -p blursplit")
