"""The page in a real browser, opened from disk: sizes, looks, paper, keyboard, accessibility."""

from __future__ import annotations

import io

import pytest

CASES = (
    "yes",
    "no",
    "open",
    "unknown-optics",
    "voided",
    "not-converged",
    "tracking",
    "hostile",
    "positions",
    "empty",
)


@pytest.fixture
def visit(open_page, page_of):
    """Return a function that opens a case's page and fails on any error in its console."""

    def open_case(name, **settings):
        return open_page(page_of(name), name, **settings)

    return open_case


def unfold(page):
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    page.wait_for_timeout(100)


@pytest.mark.parametrize("name", CASES)
def test_the_first_screen_holds_the_answer_without_scrolling(name, visit):
    page = visit(name)
    for width, height in ((1280, 900), (820, 1180), (390, 844), (360, 740)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(30)
        bottom = page.evaluate("document.querySelector('.first').getBoundingClientRect().bottom")
        # a star may have any name: only the invented long one may push the action down
        assert bottom <= height or name == "hostile"
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_every_part_opens_and_fits(visit):
    page = visit("yes", width=360, height=740)
    unfold(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    charts = page.locator(".uplot canvas")
    assert charts.count() == 3
    assert all(charts.nth(k).bounding_box()["height"] >= 240 for k in range(3))
    widths = page.evaluate("[...document.querySelectorAll('.uplot')].map(e => e.clientWidth)")
    assert all(300 <= width <= 360 for width in widths)


def test_hover_reads_values_with_units(visit):
    page = visit("yes")
    unfold(page)
    plot = page.locator("#figure-spectrum .u-over")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    legend = page.locator("#figure-spectrum .u-legend")
    assert "– Hz" in legend.inner_text()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    page.wait_for_function(
        "() => !document.querySelector('#figure-spectrum .u-legend').innerText.includes('– Hz')"
    )
    assert "arcsec²/Hz" in legend.inner_text()


def test_keyboard_reaches_everything_and_the_focus_shows(visit):
    page = visit("yes")
    seen = []
    for _ in range(8):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(
                "(() => { const e = document.activeElement; return e.innerText || e.ariaLabel; })()"
            )
        )
    told = " ".join(text or "" for text in seen)
    assert "Skip to the content" in told
    assert "Hold the film" in told
    assert "Caution" in told
    assert "Why" in told
    page.locator("#why summary").focus()
    page.keyboard.press("Enter")
    assert page.locator("#why li").first.is_visible()
    style = "getComputedStyle(document.activeElement).outlineStyle"
    assert page.evaluate(style) == "solid"


def test_the_film_runs_can_be_held_and_rests_where_motion_is_unwanted(visit):
    page = visit("yes")
    state = "getComputedStyle(document.querySelector('.window img')).animationPlayState"
    assert page.evaluate(state) == "running"
    page.locator(".window input").focus()
    page.keyboard.press("Space")
    assert page.evaluate(state) == "paused"
    still = visit("yes", reduced_motion="reduce")
    name = "getComputedStyle(document.querySelector('.window img')).animationName"
    assert still.evaluate(name) == "none"


@pytest.mark.parametrize("look", ["light", "dark", "night"])
def test_a_look_is_chosen_by_keyboard_and_recolours_everything(look, visit):
    page = visit("yes")
    page.locator(".looks summary").focus()
    page.keyboard.press("Enter")
    page.locator(f"#look-{look}").focus()
    page.keyboard.press("Space")
    ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    expected = {"light": "rgb(246, 244, 239)", "dark": "rgb(17, 22, 28)", "night": "rgb(0, 0, 0)"}
    assert ground == expected[look]


def test_the_night_look_is_dim_and_red(visit):
    """No pixel of the first screen is brighter than four fifths of red, none has other hues."""
    image = pytest.importorskip("PIL.Image")
    import numpy as np

    page = visit("yes")
    page.evaluate("document.getElementById('look-night').checked = true")
    page.wait_for_timeout(100)
    pixels = np.asarray(image.open(io.BytesIO(page.screenshot())).convert("RGB")).astype(float)
    assert pixels[..., 0].max() <= 212
    assert pixels[..., 0].mean() < 25
    assert pixels[..., 1].max() <= 50
    assert pixels[..., 2].max() <= 20


@pytest.mark.parametrize("name", ["yes", "open", "tracking"])
def test_paper_takes_four_pages_at_most_and_holds_the_cautions(name, visit):
    page = visit(name)
    page.emulate_media(media="print")
    printed = page.pdf(prefer_css_page_size=True)
    assert 1 <= printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") <= 4
    assert page.locator("#method").is_hidden()
    box = page.locator(".action .caution p").first.bounding_box()
    assert box is not None
    assert box["height"] > 10


@pytest.mark.parametrize("name", CASES)
def test_no_barrier_that_a_checker_can_find(name, page_of, barriers):
    assert barriers(page_of(name), name) == []
