"""The answer on a terminal fits one screen, and in a notebook it is safe HTML."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from blursplit.report.notebook import NotebookView
from blursplit.report.terminal import print_summary, progress


def printed(case, **how):
    """Return what a console of 80 columns shows."""
    stream = io.StringIO()
    print_summary(case.result, Console(file=stream, width=80, highlight=False, **how))
    return stream.getvalue()


def test_every_case_fits_one_screen(case):
    text = printed(case)
    assert len(text.splitlines()) <= 30
    assert max(map(len, text.splitlines())) <= 80
    assert "\x1b" not in text
    assert "`" not in text


def test_it_says_what_the_page_says(cases):
    text = " ".join(printed(cases["yes"]).split())
    assert (
        "Without the shaking your stars would be 1.12 arcsec (1.04 to 1.21), not 2.5 arcsec."
        in text
    )
    assert "worth it 1.37 (1.32 to 1.43)" in text
    assert "next: Find what shakes at 6.3 Hz" in text
    assert "It would save 1.37 arcsec" in text
    assert "caution: Loads" in text
    assert "line: 6.310 Hz (6.297 to 6.323), 0.83 arcsec" in text


def test_checks_that_were_not_made_are_said_as_checks(cases):
    text = " ".join(printed(cases["positions"]).split())
    assert text.count("check: Only positions were given") == 1
    assert text.count("Only positions were given") == 1


def test_colours_only_on_a_terminal(cases):
    assert "\x1b[1m" in printed(cases["yes"], force_terminal=True)


def test_markup_in_headers_does_nothing(cases):
    sequence = cases["yes"].result.sequence.model_copy(update={"object": "[bold red]x[/]"})
    result = cases["yes"].result.model_copy(update={"sequence": sequence})
    stream = io.StringIO()
    print_summary(result, Console(file=stream, width=80))
    assert "[bold red]x[/]" in stream.getvalue()


def test_progress_is_silent_without_a_terminal(capsys):
    with progress("reading") as step:
        step(1, 2)
    assert capsys.readouterr().err == ""


def test_notebooks_show_the_headline_and_escape_texts(cases):
    shown = NotebookView(cases["hostile"].result).html()
    assert "Without the shaking" in shown
    assert "<script" not in shown


def test_tables_carry_units_and_limits(cases):
    import numpy as np

    table = NotebookView(cases["no"].result).budget()
    assert str(table["saving"].unit) == "arcsec"
    row = list(table["cure"]).index("tracking")
    assert np.isnan(table["saving"][row])
    assert table["saving_high"][row].value == pytest.approx(0.0058)
    lines = NotebookView(cases["yes"].result).lines()
    assert str(lines["frequency"].unit) == "Hz"
    assert lines["rms"][0].value == pytest.approx(0.83)
