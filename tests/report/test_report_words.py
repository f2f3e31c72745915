"""Every remark has words: each fact with its unit, and nothing left open in the sentence."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import blursplit
from blursplit.report import words
from blursplit.report.numbers import estimate_text
from blursplit.report.page import _tied
from blursplit.report.summary import _cautions_for
from blursplit.report.words import KINDS, TEMPLATES, text_of
from blursplit.report.words_campaign import PHRASES
from blursplit.report.words_evidence import PROSPECTS
from blursplit.result import Remark

NUMBERS = {kind for kind in KINDS if kind not in {"cure", "owner", "motion", "name"}}


def invented(template: str) -> dict[str, float | str | list[float]]:
    """Return facts of the kinds that a template asks for."""
    lists = {"each": [1.2, 3.4], "estimate": [1.2, 1.1, 1.4]}
    return {
        name: lists.get(kind.partition("_")[0], 1.234 if kind in NUMBERS else "structure")
        for name, kind in re.findall(r"\{(\w+):(\w+)\}", template)
    }


@pytest.mark.parametrize("code", sorted(TEMPLATES))
def test_every_sentence_is_whole_with_and_without_its_facts(code):
    template = TEMPLATES[code]
    base, _, variant = code.partition("/")
    facts = invented(template)
    if variant:
        name = words.VARIANT_FACTS[base]
        facts[name] = float(variant) if variant.isdigit() else variant
    for given in (facts, {k: v for k, v in facts.items() if k == words.VARIANT_FACTS.get(base)}):
        text = text_of(Remark(code=base, facts=given))
        assert not re.search(r"[{}`]|\[\[|\]\]|  ", text)
        if code not in PHRASES | PROSPECTS:
            assert text[0].isupper() or text[0].isdigit()
            assert text.endswith((".", ")", "?"))
    assert set(re.findall(r"\{\w+:(\w+)\}", template)) <= set(KINDS)


@pytest.mark.parametrize(
    ("code", "facts", "text"),
    [
        (
            "cure-matters",
            {
                "cure": "structure",
                "width_arcsec": 2.49,
                "without_arcsec": [1.12, 1.04, 1.21],
                "seeing_arcsec": [0.8, 0.76, 0.85],
            },
            (
                "Without the shaking your stars would be 1.12 arcsec (1.04 to 1.21), not 2.5 "
                "arcsec. Your seeing was 0.80 arcsec (0.76 to 0.85)."
            ),
        ),
        (
            "cure-matters",
            {"cure": "tracking", "width_arcsec": 12.4, "without_arcsec": [2.2, 2.1, 2.3]},
            "With perfect tracking your stars would be 2.20 arcsec (2.10 to 2.30), not 12 arcsec.",
        ),
        (
            "no-line-found",
            {"limit_rms_arcsec": 0.0058, "band_low_hz": 0.5, "band_high_hz": 20},
            (
                "No ringing was found between 0.50 and 20 Hz; a mode of 0.006 arcsec rms would "
                "have been, 95 times in 100."
            ),
        ),
        ("longer-run", {"duration_s": 600.0}, "Record 10 min in one run."),
        (
            "lines-found",
            {"count": 1.0, "strongest_hz": [6.31], "rms_arcsec": 0.833, "owner": None},
            "One line in the motion that all stars share: at 6.3 Hz, 0.83 arcsec rms.",
        ),
        (
            "lines-found",
            {"count": 2.0, "strongest_hz": [6.31], "rms_arcsec": 0.833, "low": 0.81, "high": 0.86},
            (
                "2 lines in the motion that all stars share. The strongest, at 6.3 Hz, moves them "
                "by 0.83 arcsec rms (0.81 to 0.86, 68 %)."
            ),
        ),
        (
            "lines-found",
            {
                "count": 1.0,
                "strongest_hz": [5.82, 3.87],
                "strongest_odds": [0.731, 0.2],
                "rms_arcsec": 0.833,
            },
            (
                "One line in the motion that all stars share: at 5.8 Hz or 3.9 Hz (odds 73 % and "
                "20 %), 0.83 arcsec rms."
            ),
        ),
        ("cosmic-ray", {"samples": 6.0}, "Samples hit by a cosmic ray were left out: 6."),
    ],
)
def test_facts_are_told_with_two_figures_and_units(code, facts, text):
    assert text_of(Remark(code=code, facts=facts)) == text


def test_an_unknown_code_keeps_the_text_that_came_with_it():
    assert text_of(Remark(code="from-next-year", text="Something new.")) == "Something new."
    assert text_of(Remark(code="from-next-year")) == "from next year"


def test_words_of_others_cannot_carry_control_characters():
    text = text_of(
        Remark(code="periodic-error-found", facts={"name": "wo\x1b[31mrm", "amplitude_arcsec": 1.0})
    )
    assert "\x1b" not in text


def test_numbers_stay_with_their_units():
    text = _tied("1.1 arcsec (0.9 to 1.3), < 0.1 px at 95 % in 10 min")
    pieces = [piece.replace("\u00a0", "_") for piece in text.split(" ")]
    assert pieces == ["1.1_arcsec", "(0.9_to_1.3),", "<_0.1_px", "at", "95_%", "in", "10_min"]


def test_work_that_can_hurt_carries_its_caution():
    assert any("licensed" in text for text in _cautions_for(["stiffen"]))
    assert any("unplug" in text for text in _cautions_for(["service-drive"]))
    assert any("never look" in text for text in _cautions_for(["collimate"]))
    assert _cautions_for(["longer-run", "state-aperture"]) == []
    twice = _cautions_for(["stiffen", "service-drive"])
    assert len(twice) == len(set(twice))
    assert set(words.CAUTIONS_OF) <= set(TEMPLATES)


def test_a_limit_is_rounded_up_so_that_it_holds():
    from blursplit.estimate import Estimate

    assert estimate_text(Estimate.upper_limit(0.00581), "arcsec") == "< 0.006 arcsec at 95 %"
    assert estimate_text(Estimate.upper_limit(0.1231), "arcsec") == "< 0.13 arcsec at 95 %"


REMARKS = {"Remark", "NextStep", "Check"}
SAYING = {"said", "sentence", "warn"}  # the first argument is a code


def calls_of_the_package() -> list[tuple[str, ast.Call]]:
    """Return the calls in all modules outside the words' own room, each with its file."""
    root = Path(blursplit.__file__).parent
    return [
        (str(path.relative_to(root)), node)
        for path in sorted(root.rglob("*.py"))
        if path.parent.name != "report"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
    ]


def name_of(call: ast.Call) -> str:
    """Return the last name of what is called."""
    return getattr(call.func, "id", getattr(call.func, "attr", ""))


def strings_in(node: ast.expr | None) -> list[str]:
    """Return the strings that an expression may be: its own, or both sides of a choice."""
    if isinstance(node, ast.IfExp):
        return strings_in(node.body) + strings_in(node.orelse)
    return [node.value] if isinstance(node, ast.Constant) and isinstance(node.value, str) else []


def codes_in(call: ast.Call) -> list[str]:
    """Return the codes that a call raises: a remark, a sentence, or a note of frames or tracks."""
    given = {keyword.arg: keyword.value for keyword in call.keywords}
    if name_of(call) in REMARKS:
        return strings_in(given.get("code"))
    if (name_of(call) in SAYING or ast.unparse(call.func) == "Remark.of") and call.args:
        return strings_in(call.args[0])
    place = {"leave_out": 1, "drop": 2}.get(name_of(call))
    if place is not None and len(call.args) > place:
        return strings_in(call.args[place])
    is_note = "notes" in ast.unparse(call.func) and name_of(call) == "append"
    if is_note and isinstance(call.args[0], ast.Tuple):
        return strings_in(call.args[0].elts[0])
    return []


def test_every_code_that_is_raised_has_its_sentence():
    raised = {code: file for file, call in calls_of_the_package() for code in codes_in(call)}
    assert {"mains-alias", "air-changed", "hot-pixels", "refocus", "line-could-hide"} <= set(raised)
    known = {code.partition("/")[0] for code in TEMPLATES}
    assert {code: file for code, file in raised.items() if code not in known} == {}


def test_no_remark_outside_the_words_room_brings_a_text_of_its_own():
    own = [
        (file, ast.unparse(call))
        for file, call in calls_of_the_package()
        if name_of(call) in REMARKS and any(keyword.arg == "text" for keyword in call.keywords)
    ]
    assert own == []
