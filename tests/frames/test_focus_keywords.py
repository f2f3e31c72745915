"""The focus position in headers: its keywords, and what tells its unit."""

from __future__ import annotations

import pytest
from astropy.io import fits

from blursplit.frames.facts import read_facts
from blursplit.frames.header import Header


def facts_of(*cards):
    header = fits.Header()
    for keyword, value, comment in cards:
        header[keyword] = (value, comment)
    return read_facts(Header(header.tostring(endcard=False, padding=False).encode("ascii")))


@pytest.mark.parametrize("keyword", ["FOCUSPOS", "FOCPOS", "TELFOCUS", "FOCUS"])
def test_position_is_read_under_its_usual_names(keyword):
    known = facts_of((keyword, 12045, "focuser position"))
    assert known["focus_position"].value == 12045
    assert known["focus_position"].note == keyword
    assert "focus_step_um" not in known


@pytest.mark.parametrize(
    ("cards", "step_um"),
    [
        ([("TELFOCUS", 23.45, "[mm] focus")], 1000.0),
        ([("FOCUSPOS", 800.0, "[um] focus")], 1.0),
        ([("FOCUSPOS", 12045, "[step] focus"), ("FOCUSSZ", 3.8, "[um] step")], 3.8),
        ([("FOCUSPOS", 12045, "[step] focus"), ("FOCUSSZ", 0.0, "[um] step")], None),
    ],
)
def test_unit_of_the_position_follows_from_comment_or_step(cards, step_um):
    entry = facts_of(*cards).get("focus_step_um")
    assert (None if entry is None else entry.value) == step_um


def test_a_word_is_no_position():
    assert "focus_position" not in facts_of(("FOCUS", "manual", ""))
