"""The terminal: the same story, plain in a pipe, and progress only for people."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from blursplit.report import print_summary, progress


def printed(result, *, terminal=False, width=100):
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=terminal, width=width, color_system="standard")
    print_summary(result, console)
    return stream.getvalue()


def test_piped_text_is_plain(case):
    text = printed(case.result)
    assert "\x1b" not in text
    assert not re.search(r"[─│┏━┃]", text)


def test_numbers_have_units_and_intervals(full):
    text = printed(full.result)
    assert "2.51 arcsec (2.48 to 2.54 arcsec)" in text
    assert "47 % (42 to 52 %)" in text
    assert "< 0.35 arcsec at 95 %" in text
    assert "8.31" in text


def test_lines_fit_the_width(full):
    assert max(map(len, printed(full.result, width=80).splitlines())) <= 80


def test_terminal_gets_style(full):
    assert "\x1b[1m" in printed(full.result, terminal=True)


def test_markup_and_escapes_from_headers_do_nothing(full):
    sequence = full.result.sequence.model_copy(update={"object": "[bold]M 67[/bold]\x1b[31m"})
    text = printed(full.result.model_copy(update={"sequence": sequence}), terminal=True)
    assert "[bold]M 67[/bold]\ufffd[31m" in text


def test_unknown_is_said(cases):
    assert "not known" in printed(cases["px-only"].result)
    assert "undecided: A cause is named only" in printed(cases["undecided"].result)


class _Terminal(io.StringIO):
    def isatty(self):
        return True


def test_progress_shows_label_count_and_rate_on_a_terminal(monkeypatch):
    stream = _Terminal()
    monkeypatch.setattr("sys.stderr", stream)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "100")
    with progress("following [stars]") as report:
        report(0, 200)
        report(150, 200)
    assert "following [stars]" in stream.getvalue()
    assert "200" in stream.getvalue()


def test_progress_is_silent_in_a_pipe(capsys):
    with progress("reading") as report:
        report(1, 2)
    captured = capsys.readouterr()
    assert captured.out == captured.err == ""


def test_progress_passes_failures_on():
    with pytest.raises(RuntimeError, match="broken"), progress("reading"):
        raise RuntimeError("broken")
