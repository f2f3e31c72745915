"""Pages of an acceptance, a comparison and an archive in a real browser: sizes, looks, paper."""

from __future__ import annotations

import numpy as np
import pytest

from blursplit.campaign import Acceptance, Store, compare
from blursplit.campaign.limits import Limits
from blursplit.campaign.pages import acceptance_page, archive_page, comparison_page
from blursplit.campaign.store import CONDITIONS
from blursplit.series import Series

LIMITS = {
    "title": "Pier <b>of the north dome",
    "blur_time_s": 30.0,
    "limits": {
        "structure.rms_major_arcsec": {"at_most": 0.3, "name": "Shake", "why": "a reason"},
        "tracking.rms_major_arcsec": {"at_most": 0.2, "name": "Tracking"},
        "tracking.drift_arcsec_per_min": {"at_most": 2.0},
        "tap.settling_s": {"at_most": 1.5, "name": "Settling after a tap"},
        "sequence.stars_used": {"at_least": 4, "name": "Stars used"},
    },
    "lines": [
        {"no_shared_line_above_arcsec": 0.3, "between_hz": [1.0, 20.0], "name": "No resonance"},
        {"no_shared_line_above_arcsec": 0.3, "between_hz": [20.0, 60.0], "name": "No hum"},
    ],
    "after_slew": [{"rms_at_most_arcsec": 0.3, "over_s": 15.0, "within_s": 4.0}],
}


def series(seed: int, line: float) -> Series:
    """Return a series with a star image, and densities that may hold a line at 9 Hz."""
    y, x = np.mgrid[-20:21, -20:21]
    star = np.exp(-(x**2 + y**2) / (2.0 * (6.0 + 3.0 * line) ** 2))
    f = np.linspace(0.0, 25.0, 500)
    density = 0.01 / (1.0 + f**2) * np.random.default_rng(seed).chisquare(8, f.size) / 8
    density += line * 0.1 / (1.0 + ((f - 9.0) / 0.1) ** 2)
    arrays = {"frequency_hz": f}
    arrays |= {f"common_psd_{axis}_arcsec2_hz": density for axis in ("x", "y")}
    return Series(arrays, {"recorded": star}, 0.2)


@pytest.fixture
def pages(make, tmp_path):
    """Return the three pages, with hostile names in them."""
    runs = [
        make.result(name=f"run {k} <script>", start_utc=f"2026-03-0{k + 1}T21:00:00")
        for k in range(4)
    ]
    accepted = Acceptance.of(
        [(run, series(k, 0.0)) for k, run in enumerate(runs[:3])],
        Limits.model_validate(LIMITS),
        judged_utc="2026-03-09 10:00 UTC",
        digests={"limits": "ab" * 32, "tap": "cd" * 32},
    )
    before = make.result(
        lines=[make.line(9.0, 0.5)], name="before", recorded=make.estimate(2.4, 0.1)
    )
    sides = [[(before, series(1, 1.0))], [(runs[3], series(2, 0.0))]]
    with Store(tmp_path / "s.db") as store:
        for k in range(12):
            run = make.result(recorded=make.estimate(4.4 if k == 3 else 2.0 + 0.1 * k, 0.05))
            row = {
                "content": "c", "settings": "s", "status": "done", "files": 2, "frames": 90,
                "first_file": f"/data/{k}.fits", "version": "0", **dict.fromkeys(CONDITIONS),
                "name": f"M {k} <i>", "airmass": 1 + 0.1 * k, "telescope": "T1",
                "night": None if k == 9 else f"2026-03-0{1 + k // 5}",
            }  # fmt: skip
            if k == 7:
                run.fwhm.recorded_px, run.fwhm.recorded_arcsec = make.estimate(4.0, 0.1), None
            store.put(f"k{k}", row, [f"{k}.fits"], run.to_json())
        archive = archive_page(store.summary(), store.rows(), "Archive & more")
    return {
        "accept": acceptance_page(accepted),
        "compare": comparison_page(compare([before], [runs[3]]), *sides),
        "archive": archive,
    }


NAMES = ("accept", "compare", "archive")


@pytest.mark.parametrize("name", NAMES)
def test_pages_fit_screens_and_nothing_from_headers_is_markup(name, pages, open_page):
    page = open_page(pages[name], name)
    assert page.locator("main script, main i").count() == 0
    for width in (1280, 820, 390, 360):
        page.set_viewport_size({"width": width, "height": 844})
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    small = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => e.innerText && "
        "parseFloat(getComputedStyle(e).fontSize) < 12).length"
    )
    assert small == 0


@pytest.mark.parametrize("size", [(1280, 900), (390, 844)])
def test_a_comparison_answers_on_the_first_screen(size, pages, open_page):
    page = open_page(pages["compare"], "compare", width=size[0], height=size[1])
    assert page.locator("h1").inner_text().startswith("In the same air")
    assert page.locator(".stars svg").count() == 2
    for part in (".stars", ".change svg"):
        box = page.locator(part).bounding_box()
        assert box["y"] + box["height"] <= size[1]


def test_zero_before_after_and_change_stand_on_one_axis(pages, open_page):
    page = open_page(pages["compare"], "compare")
    plot = page.locator(".change svg.interval")
    assert plot.locator("line.span").count() == 3
    zero = plot.locator("line.mark").first.get_attribute("x1")
    blind = plot.locator("rect.blind")
    left, width = (float(blind.get_attribute(k).rstrip("%")) for k in ("x", "width"))
    # what could hide lies evenly about zero
    assert left + 0.5 * width == pytest.approx(float(zero.rstrip("%")), abs=0.1)


def test_an_acceptance_prints_on_two_pages_with_room_for_remarks_and_names(pages, open_page):
    page = open_page(pages["accept"], "accept")
    states = page.locator(".limits .stamp").all_inner_texts()
    assert states == sorted(states, key=["FAIL", "NOT SHOWN", "PASS"].index)
    assert page.locator("h1 .stamp").inner_text() == "FAIL"
    page.emulate_media(media="print")
    printed = page.pdf(prefer_css_page_size=True)
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") <= 2
    assert page.locator(".remarks").bounding_box()["height"] > 60
    assert page.locator(".signatures").is_visible()


def test_bar_lies_inside_the_allowed_part_where_a_limit_is_passed(pages, open_page):
    page = open_page(pages["accept"], "accept")
    row = page.locator(".limits li", has=page.locator("h2", has_text="Stars used"))
    assert row.locator(".stamp").inner_text() == "PASS"
    area = row.locator("rect.allowed")
    start, width = (float(area.get_attribute(k).rstrip("%")) for k in ("x", "width"))
    at = float(row.locator("circle").get_attribute("cx").rstrip("%"))
    assert start <= at <= start + width


@pytest.mark.parametrize("name", NAMES)
def test_no_barrier_that_a_checker_can_find(name, pages, barriers):
    assert barriers(pages[name], name) == []


def test_page_of_one_run_without_anything_measured_stands(make):
    bare = make.result(structure=None, seeing=None, recorded=None, cadence_s=None)
    text = acceptance_page(Acceptance.of([(bare, None)], Limits.model_validate(LIMITS)))
    assert "NOT SHOWN" in text
    assert "None" not in text
