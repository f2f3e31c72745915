"""The page's text: complete, escaped, self-contained, honest about what is not known."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from blursplit.report import page_shell, render_page, summarize
from blursplit.report.cautions import cautions_for
from blursplit.series import Series

CASES = ("full", "hostile", "one-star", "px-only", "subframes", "undecided", "empty")
VOID = {"meta", "input", "br", "img", "link", "hr"}


class Outline(HTMLParser):
    """Collects headings, ids, scripts and visible text, and checks that tags nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.ids: list[str] = []
        self.headings: list[tuple[str, str]] = []
        self.scripts: list[dict[str, str | None]] = []
        self.words: list[str] = []
        self.feed(text)
        assert not self.stack

    def handle_starttag(self, tag, attrs):
        """Note an opening tag."""
        found = dict(attrs)
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "script":
            self.scripts.append(found)
        if tag in {"h1", "h2", "h3"}:
            self.headings.append((tag, ""))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag, attrs):
        """Pass over a tag that closes itself."""

    def handle_endtag(self, tag):
        """Check that the innermost tag closes."""
        assert self.stack.pop() == tag

    def handle_data(self, data):
        """Collect visible text."""
        if self.stack and self.stack[-1] not in {"script", "style"}:
            self.words.append(data)
        if self.stack and self.stack[-1] in {"h1", "h2", "h3"}:
            tag, text = self.headings[-1]
            self.headings[-1] = (tag, text + data)

    @property
    def text(self) -> str:
        """Return what a reader sees."""
        return " ".join(" ".join(self.words).split())


@pytest.mark.parametrize("name", CASES)
def test_every_case_gives_a_whole_page(name, page_of):
    outline = Outline(page_of(name))
    assert len(outline.ids) == len(set(outline.ids))
    order = [text for tag, text in outline.headings if tag == "h2"]
    assert order == [
        "The star, and what it would be",
        "The budget",
        "What to do next",
        "The evidence",
        "Quality of the data",
        "Values used, and where they come from",
        "The method in brief",
    ]
    assert "nan" not in outline.text.lower().split()
    assert "None" not in outline.text


@pytest.mark.parametrize("name", CASES)
def test_page_needs_no_network(name, page_of):
    text = page_of(name)
    # Addresses occur as names of XML dialects and in the licence line of the charting script.
    addresses = set(re.findall(r"https?://[^\s\"'<>)]+", text))
    allowed = ("http://www.w3.org/", "https://github.com/leeoniya/uPlot")
    assert all(address.startswith(allowed) for address in addresses)
    assert not re.search(r"<(link|iframe|object|embed|base)\b", text)
    assert not re.search(r"\b(src|srcset)=", text.split("<script>")[0])
    assert all(target.startswith(("#", "data:")) for target in re.findall(r'href="([^"]*)"', text))


def test_verdict_stands_before_stars_and_numbers_carry_units(page_of):
    text = Outline(page_of("full")).text
    verdict, recorded = text.index("Most of this star's"), text.index("As recorded")
    assert verdict < recorded
    assert "2.51 arcsec 2.48 to 2.54 arcsec" in text
    assert "47 % (42 to 52 %)" in text
    assert "< 0.35 arcsec at 95 %" in text
    assert "8.31 Hz (8.29 to 8.33)" in text


def test_all_evidence_of_the_full_case_is_there(page_of):
    ids = Outline(page_of("full")).ids
    for name in (
        *("star-recorded", "star-without-tracking", "star-without-structure", "star-without-both"),
        *("budget-widths", "budget-shares", "pairs", "otf", "spectrum", "coherence", "motion-x"),
        *("motion-y", "ellipses", "periodic-1", "exposure", "shape", "finder"),
    ):
        assert f"{name}-title" in ids


def test_every_figure_has_a_title_a_description_and_numbers_nearby(page_of):
    text = page_of("full")
    figures = re.findall(r'<svg class="figure".*?</svg>', text, flags=re.DOTALL)
    assert len(figures) == 17
    for svg in figures:
        assert re.search(r"<title id=[^>]*>[^<]+</title><desc id=[^>]*>[^<]+</desc>", svg)
    # Stars and budget have their tables below them, every other figure its own.
    assert text.count("The numbers as a table") == len(figures) - 6


def test_markup_from_headers_is_text_everywhere(page_of):
    text = page_of("hostile")
    outline = Outline(text)
    assert "<script>document.title='owned'</script>" in outline.text
    assert "<script>document.title" not in text
    # two libraries of ours and the data, nothing else
    assert len(outline.scripts) == 3
    for block in re.findall(r"<script[^>]*>(.*?)</script>", text, flags=re.DOTALL):
        assert "owned" not in block


def test_markup_in_a_line_cause_is_inert_in_the_data(full):
    hostile = "</script><script>alert(1)</script>"
    line = full.result.lines[0].model_copy(update={"cause": hostile, "cause_odds": {hostile: 1.0}})
    result = full.result.model_copy(update={"lines": [line]})
    names = ("frequency_hz", "common_psd_x_arcsec2_hz", "common_psd_y_arcsec2_hz")
    page = render_page(result, Series({name: full.series.arrays[name] for name in names}))
    assert "</script><script>alert" not in page
    (data,) = re.findall(r'id="chart-data">(.*?)</script>', page, flags=re.DOTALL)
    assert json.loads(data)[0]["marks"][0]["label"] == f"1: {hostile}"


def test_only_scripts_named_by_the_policy_may_run(page_of):
    text = page_of("full")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    policy = policy.replace("&#39;", "'")
    assert "default-src 'none'" in policy
    bodies = re.findall(r"<script>(.*?)</script>", text, flags=re.DOTALL)
    assert len(bodies) == 2
    for body in bodies:
        digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_page_without_charts_runs_no_script(page_of):
    assert "script-src &#39;none&#39;" in page_of("px-only")
    assert not Outline(page_of("px-only")).scripts


def test_chart_data_have_units_and_no_nan(page_of):
    (data,) = re.findall(r'id="chart-data">(.*?)</script>', page_of("full"), flags=re.DOTALL)
    charts = json.loads(data, parse_constant=pytest.fail)
    assert [chart["id"] for chart in charts] == ["spectrum", "motion-x", "motion-y"]
    spectrum, motion = charts[:2]
    assert spectrum["x"]["unit"] == "Hz"
    assert spectrum["y"]["unit"] == "arcsec²/Hz"
    assert motion["y"]["unit"] == "arcsec"
    assert len(motion["series"][0]["values"]) == len(motion["x"]["values"])
    assert None in motion["series"][0]["values"]  # the lost frames stay a gap


def test_long_series_are_thinned_with_their_peaks(full):
    n = 60_000
    common = np.random.default_rng(1).normal(size=n)
    common[31_234] = 50.0
    arrays = {"time_s": np.arange(n) / 50.0, "common_x_arcsec": common}
    page = render_page(full.result, Series(arrays))
    assert len(page) < 700_000
    (data,) = re.findall(r'id="chart-data">(.*?)</script>', page, flags=re.DOTALL)
    assert max(json.loads(data)[0]["series"][0]["values"]) == 50.0


def test_undecided_is_said_without_a_winner(page_of):
    text = Outline(page_of("undecided")).text
    assert "These data do not decide between air and optics." in text
    assert "here the likeliest reaches 61 %" in text
    assert "(probability 61 %)" not in text


def test_unknown_is_named_and_not_drawn(page_of):
    text = Outline(page_of("px-only")).text
    assert "4.10 px 4.00 to 4.20 px" in text
    assert "do not tell the width for: tracking cured, structure cured, both cured" in text
    assert "do not tell how the width divides" in text
    assert "Not shown, because these data do not hold it: motion of pairs of stars" in text
    assert "0.80 px (0.70 to 0.90)" in text


def test_assumed_values_show_their_origin(page_of):
    text = Outline(page_of("full")).text
    assert "obstruction 0 assumed (default)" in text
    assert "outer scale 10 to 50 m assumed (default)" in text
    assert "pixel scale 0.61234 arcsec/px header pixel size / focal length" in text


def test_lost_frames_and_warnings_are_listed(page_of):
    text = Outline(page_of("full")).text
    assert "clouded 40" in text
    assert "Time stamps made by software jitter." in text
    assert "blursplit measure night1 --setup rig.toml" in text


@pytest.mark.parametrize(
    ("step", "start"),
    [
        ("Stiffen the pier's head.", "Loads"),
        ("Take the tube off and weigh it.", "Lifting"),
        ("Run the motor without the fan.", "Electricity"),
        ("Collimate with a laser.", "Laser"),
        ("Measure by day.", "Sun"),
    ],
)
def test_work_on_the_structure_comes_with_its_caution(step, start):
    assert any(caution.startswith(start) for caution in cautions_for([step]))


def test_longer_recording_needs_no_caution():
    assert cautions_for(["Record four stars for two minutes."]) == []


def test_summary_is_plain_data(case):
    text = json.dumps(summarize(case.result))
    assert "Markup" not in text


def test_page_is_the_same_each_time(cases):
    small = cases["subframes"]
    assert render_page(small.result, small.series) == render_page(small.result, small.series)


def test_shell_serves_other_pages():
    page = page_shell("A & <b>", "<h1>Archive</h1>")
    assert "<title>A &amp; &lt;b&gt;</title>" in page
    assert "<h1>Archive</h1>" in page
    assert "<script" not in page
    assert page.count('name="look"') == 4


def _changed(arrays, change):
    grids = ("time_s", "frequency_hz", "baseline_m", "exposure_grid_s")
    return {
        name: values if name in grids or "separation" in name else change(values)
        for name, values in arrays.items()
    }


def test_series_without_a_number_give_a_page_without_their_figures(full):
    empty = _changed(full.series.arrays, lambda values: np.full_like(values, np.nan))
    page = render_page(full.result, Series(empty))
    assert 'id="spectrum-title"' not in page


@pytest.mark.parametrize("length", [0, 2])
def test_series_too_short_to_draw_do_no_harm(length, full):
    arrays = {name: values[:length] for name, values in full.series.arrays.items()}
    outline = Outline(render_page(full.result, Series(arrays)))
    # the numbers of the result stay, whatever can no longer be drawn
    assert "2.51 arcsec" in outline.text
    assert ("motion-x-title" in outline.ids) is (length > 0)


@pytest.mark.parametrize("image", [np.zeros((9, 9)), np.full((9, 9), np.nan), np.ones((1, 1))])
def test_images_without_a_star_do_no_harm(image, full):
    outline = Outline(
        render_page(full.result, Series({}, {"recorded": image, "finder": image}, 0.2))
    )
    drawn = bool(np.isfinite(image).any())
    assert ("star-recorded-title" in outline.ids) is drawn
    assert ("finder-title" in outline.ids) is drawn


def test_missing_companions_of_an_array_do_no_harm(full):
    names = ("time_s", "common_x_arcsec", "frequency_hz", "common_psd_x_arcsec2_hz", "coherence")
    page = render_page(full.result, Series({name: full.series.arrays[name] for name in names}))
    assert 'id="motion-x-title"' in page
    assert 'id="motion-y-title"' not in page
