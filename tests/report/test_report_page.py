"""The page of a result: what it says, how much, and that nothing from outside runs in it."""

from __future__ import annotations

import html
import re

import numpy as np
import pytest

from blursplit.estimate import Estimate
from blursplit.report.page import render_page
from blursplit.report.summary import _measured, summarize
from blursplit.series import IMAGE_NAMES, SERIES_NAMES, Series


def text_of_page(page: str) -> str:
    """Return the words of a page: no scripts, no styles, no figures."""
    body = page[page.index("<main") :]
    for tag in ("script", "style", "svg"):
        body = re.sub(rf"<{tag}\b.*?</{tag}>", " ", body, flags=re.DOTALL)
    body = re.sub(r'<details class="numbers">.*?</details>', " ", body, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", body))


HEADLINES = {
    "yes": "Without the shaking your stars would be 1.12 arcsec (1.04 to 1.21), not 2.5 arcsec.",
    "no": "curing it would save less than 0.25 arcsec of your 2.5 arcsec.",
    "open": "Up to 0.44 arcsec of your 2.5 arcsec may be shaking and drift, or air close",
    "unknown-optics": "Your mount is not the reason: curing it would save less than 0.25 arcsec",
    "positions": "Your stars moved by 0.31 arcsec (0.29 to 0.33) rms between 0.20 and 25 Hz.",
    "voided": "No verdict: the frames were centred on their star before they were saved",
    "not-converged": "No verdict: two independent runs of the fit disagree (R-hat 1.08).",
    "tracking": "your stars would be 2.10 arcsec (2.00 to 2.20), not 3.4 arcsec",
}


@pytest.mark.parametrize("name", HEADLINES)
def test_the_headline_answers_in_an_owners_words(name, page_of):
    page = page_of(name)
    heading = re.search(r"<h1[^>]*>(.*?)</h1>", page, re.DOTALL)[1].replace("\u00a0", " ")
    heading = re.sub(r"<[^>]+>", "", heading)
    assert HEADLINES[name] in html.unescape(heading)
    assert page.count("<h1") == 1


@pytest.mark.parametrize(("name", "times"), [("yes", 1), ("open", 0)])
def test_what_brackets_hold_is_said_once_above_a_headline_with_some(name, times, page_of):
    assert page_of(name).partition("<h1")[0].count("Brackets: 68&nbsp;%") == times


def test_sizes_of_measured_motion_have_intervals(page_of):
    text = re.sub(r"\s+", " ", text_of_page(page_of("yes")))
    assert "0.61 arcsec (0.58 to 0.64) and 0.31 arcsec (0.30 to 0.33)" in text
    assert "Noise of one position, rms 0.024 arcsec (0.023 to 0.025)" in text
    # An angle of the field among shifts on the sky is mistaken for one.
    assert "370 arcsec" not in text
    assert "Bars: pairs of like separation together, 68 %." in text


def test_checks_that_were_not_made_stand_where_checks_stand(page_of):
    """Above the fold, once, and not as if something had been found."""
    said = "nothing tells whether the frames were raw"
    top, _, below = page_of("positions").partition("</header>")
    unmade = re.findall(r'<p class="([^"]*)">([^<]*)</p>', top)
    assert [kind for kind, text in unmade if said in text] == ["check unmade"]
    assert said not in below
    assert said not in page_of("yes")
    assert '<p class="check">' in page_of("voided").partition("</header>")[0]


def test_a_page_is_one_file_without_a_network(case):
    page = render_page(case.result, case.series)
    assert page.startswith("<!doctype html>")
    assert "default-src 'none'" in html.unescape(page)
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)
    text = text_of_page(page)
    assert not re.search(r"[`{}]|\bNone\b|\bnan\b", text)


def test_texts_of_headers_are_escaped(page_of):
    page = page_of("hostile")
    assert "<script>document" not in page
    assert "&lt;script&gt;document" in page


@pytest.mark.parametrize("name", ["no", "open"])
def test_it_takes_half_the_words_of_the_first_edition(name, page_of):
    """Its demonstration took 2,222 words on the turbulent night and 2,543 on the shaken one."""
    assert len(text_of_page(page_of(name)).split()) < 1111


def test_ends_of_the_same_figures_are_told_by_their_share():
    narrow = Estimate(value=0.0058, low=0.005781, high=0.005822)
    assert _measured(narrow, "px").replace("\u00a0", " ") == "0.0058 px (within 1 %)"
    wide = Estimate(value=0.0058, low=0.0054, high=0.0063)
    assert _measured(wide, "px").replace("\u00a0", " ") == "0.0058 px (0.0054 to 0.0063)"


def test_no_precision_is_claimed_that_nothing_bears(cases, page_of):
    for name in ("no", "open", "tracking"):
        text = text_of_page(page_of(name)).replace("\u00a0", " ")
        assert not re.search(r"\d\.\d{4,}", text)
        assert not re.search(r"[1-9]\d*\.\d{3,} arcsec", text)
    rows = {row["name"]: row for row in summarize(cases["no"].result)["cures"]}
    assert rows["tracking"]["saving"]["value"] == "< 0.01 at 95 %"


def test_numbers_and_units_stay_together(page_of):
    text = text_of_page(page_of("yes"))
    assert not re.search(r"\d (?:arcsec|Hz|px|%)", text)
    assert re.search(r"\d\u00a0arcsec", text)


@pytest.mark.parametrize("name", ["yes", "no", "open", "tracking", "unknown-optics"])
def test_the_bar_sums_to_the_recorded_width(name, cases):
    pieces = summarize(cases[name].result)["bar"]
    assert pieces[0].name == "base"
    # pieces too thin to be seen are left out: six of 0.4 % at most
    assert sum(piece.share for piece in pieces) == pytest.approx(1.0, abs=0.025)
    if name == "unknown-optics":
        return
    open_share = cases[name].result.open.share
    drawn = {piece.name: piece.share for piece in pieces}
    width = cases[name].result.fwhm.recorded_arcsec.value
    assert drawn["open"] == pytest.approx(open_share * (1 - 0.72 / width), abs=0.01)


def test_air_and_optics_that_cannot_be_parted_are_one_piece(cases):
    names = [piece.name for piece in summarize(cases["unknown-optics"].result)["bar"]]
    assert "untold" in names
    assert not {"atmosphere", "optics"} & set(names)


@pytest.mark.parametrize("name", ["positions", "voided", "not-converged", "empty"])
def test_nothing_is_drawn_that_was_not_measured(name, cases, page_of):
    assert summarize(cases[name].result)["bar"] == []
    assert "On a steady mount" not in page_of(name).replace("\u00a0", " ")


def test_a_cure_that_its_picture_does_not_show_has_no_picture(cases):
    """A star said to be 1.1 arcsec wide is not shown by a picture as wide as the recorded one."""
    case = cases["yes"]
    images = dict(case.series.images)
    shown = render_page(case.result, case.series)
    images["without_structure"] = images["recorded"]
    hidden = render_page(case.result, Series(case.series.arrays, images, 0.2))
    assert "no picture" not in shown.replace("\u00a0", " ")
    assert "no picture" in hidden.replace("\u00a0", " ")


def test_one_action_says_what_it_would_save_and_its_caution(cases):
    first = summarize(cases["yes"].result)["steps"][0]
    assert "6.3 Hz" in first["text"]
    assert first["gain"] == "It would save 1.37 arcsec (1.32 to 1.43, 68 %)."
    assert any("licensed" in text for text in first["cautions"])
    decided = summarize(cases["open"].result)["steps"][0]
    assert decided["gain"] == "It would settle up to 0.44 arcsec."


def test_a_failed_check_stands_beside_the_headline_once(page_of):
    page = page_of("voided")
    first = page[page.index('class="first"') : page.index("</section>")]
    assert "The frames follow a star" in first
    assert page.count("The frames follow a star") == 1


def test_the_film_holds_the_frames_and_can_be_held(page_of):
    page = page_of("yes")
    assert "--frames: 48" in page
    assert "Hold the film" in page
    assert "prefers-reduced-motion" in page
    assert "Hold the film" not in page_of("positions")


def test_every_figure_names_its_unit_and_has_letters_of_12_px_on_a_phone(page_of):
    """On a phone of 360 px a figure is 336 px wide; letters shrink with it."""
    page = page_of("yes")
    figures = re.findall(r'<svg class="figure".*?</svg>', page, re.DOTALL)
    assert len(figures) >= 12
    for figure in figures:
        width_pt = float(re.search(r'viewBox="0 0 ([\d.]+)', figure)[1])
        for size in re.findall(r"(?:font-size:|font:)\s*([\d.]+)px", figure):
            assert float(size) * 336 / width_pt >= 12.0


def test_arrays_without_a_number_and_unknown_names_do_no_harm(cases):
    result = cases["yes"].result
    hollow = {name: np.full(4, np.nan) for name in SERIES_NAMES}
    page = render_page(result, Series(hollow, {}, None))
    assert "Not in these data" in page.replace("\u00a0", " ")
    images = {name: np.full((8, 8), np.nan, dtype=np.float32) for name in IMAGE_NAMES}
    assert "Without the shaking" in render_page(result, Series({}, images, 0.2))
