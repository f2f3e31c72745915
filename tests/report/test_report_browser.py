"""The page in a real browser, opened from disk, by mouse and by keyboard."""

from __future__ import annotations

import shutil

import pytest

pytest.importorskip("playwright")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on this machine (Debian's package is called chromium)"
)


@pytest.fixture(scope="module")
def browser():
    """Return one browser for all tests of this file."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as control:
        running = control.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield running
        running.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder whose name has a space and a letter beyond ASCII, as users' have."""
    return tmp_path_factory.mktemp("pagés of nights")


@pytest.fixture
def visit(browser, folder, page_of):
    """Return a function that opens a case's page and fails on any error in its console."""
    troubles: list[str] = []
    contexts = []

    def open_page(name, *, width=1200, height=900, **settings):
        path = folder / f"{name}.html"
        path.write_text(page_of(name), encoding="utf-8")
        context = browser.new_context(viewport={"width": width, "height": height}, **settings)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: troubles.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on(
            "request",
            lambda request: (
                None
                if request.url.startswith(("file:", "data:"))
                else troubles.append(f"request to {request.url}")
            ),
        )
        page.goto(path.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert troubles == []


def colour_of(page, selector, what="color"):
    return page.eval_on_selector(selector, f"e => getComputedStyle(e).{what}")


CASES = ("full", "hostile", "one-star", "px-only", "subframes", "undecided", "empty")


@pytest.mark.parametrize("name", CASES)
def test_opens_from_disk_without_a_complaint_and_fits(name, visit):
    page = visit(name)
    for width in (1200, 360):
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_timeout(50)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_every_figure_has_a_size(visit):
    page = visit("full")
    boxes = page.evaluate(
        "[...document.querySelectorAll('svg.figure')].filter(e => !e.closest('.replaced'))"
        ".map(e => { const b = e.getBoundingClientRect(); return [b.width, b.height]; })"
    )
    assert len(boxes) == 14
    assert all(width > 150 and height > 100 for width, height in boxes)
    charts = page.locator(".uplot canvas")
    assert charts.count() == 3
    assert all(charts.nth(k).bounding_box()["height"] >= 240 for k in range(3))


def test_hover_reads_values_with_units(visit):
    page = visit("full")
    plot = page.locator("#figure-spectrum .u-over")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    legend = page.locator("#figure-spectrum .u-legend")
    assert "– Hz" in legend.inner_text()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    page.wait_for_function(
        "() => !document.querySelector('#figure-spectrum .u-legend').innerText.includes('– Hz')"
    )
    text = legend.inner_text()
    assert "Hz" in text
    assert "arcsec²/Hz" in text
    assert any(character.isdigit() for character in text)


def test_dragging_zooms_and_a_button_shows_all_again(visit):
    page = visit("full")
    plot = page.locator("#figure-motion-x .u-over")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    middle = box["y"] + 0.5 * box["height"]
    legend = page.locator("#figure-motion-x .u-legend")

    def time_at_the_left_edge():
        page.mouse.move(box["x"] + box["width"] / 2, middle)
        page.mouse.move(box["x"] + 1, middle, steps=3)
        page.wait_for_timeout(50)
        return float(legend.inner_text().split("time")[1].split()[0])

    assert time_at_the_left_edge() < 1.0
    page.mouse.move(box["x"] + 0.5 * box["width"], middle)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.75 * box["width"], middle, steps=5)
    page.mouse.up()
    # the run lasts 60 s, so the left edge is now at 30 s give or take a pixel
    assert abs(time_at_the_left_edge() - 30.0) < 1.0
    page.locator("#figure-motion-x .chart-tools button", has_text="All").press("Enter")
    page.wait_for_timeout(50)
    assert time_at_the_left_edge() < 1.0


def test_zoom_by_keyboard(visit):
    page = visit("full")
    closer = page.locator("#figure-spectrum .chart-tools button").first
    before = page.locator("#figure-spectrum canvas").screenshot()
    closer.focus()
    page.keyboard.press("Space")
    page.wait_for_timeout(100)
    assert page.locator("#figure-spectrum canvas").screenshot() != before


def test_dark_follows_the_system_and_the_reader_may_differ(visit):
    page = visit("full", color_scheme="dark")
    assert colour_of(page, "html", "backgroundColor") == "rgb(17, 22, 28)"
    page.locator("#look-light").check()
    assert colour_of(page, "html", "backgroundColor") == "rgb(246, 244, 239)"
    light = visit("full", color_scheme="light")
    assert colour_of(light, "html", "backgroundColor") == "rgb(246, 244, 239)"


def test_figures_follow_the_look(visit):
    page = visit("full", color_scheme="dark")
    texts = page.evaluate(
        "[...document.querySelectorAll('svg.figure text')].map(e => getComputedStyle(e).fill)"
    )
    assert "rgb(230, 233, 236)" in texts
    assert "rgb(28, 37, 48)" not in texts


def test_night_look_by_keyboard_shows_red_only(visit, tmp_path):
    from PIL import Image

    page = visit("full")
    page.locator("#look-auto").focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.locator("#look-night").is_checked()
    page.mouse.move(600, 450)
    page.wait_for_timeout(200)
    shot = tmp_path / "night.png"
    page.screenshot(path=str(shot), full_page=True)
    with Image.open(shot) as image:
        red, green, blue = image.convert("RGB").split()
        # light for dark-adapted eyes: nothing but red, and stars no brighter than their ground
        assert green.getextrema()[1] <= 60
        assert blue.getextrema()[1] <= 40
        assert red.getextrema()[1] > 150


def test_header_with_markup_is_text_and_runs_nothing(visit):
    page = visit("hostile")
    assert page.title().startswith("<script>document.title='owned'</script>")
    assert "<script>document.title='owned'</script>" in page.locator("h1").inner_text()


def test_skip_link_is_the_first_stop_of_the_keyboard(visit):
    page = visit("full")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#content"


def test_table_behind_a_figure_opens_by_keyboard(visit):
    page = visit("full")
    details = page.locator("#figure-pairs details")
    details.locator("summary").focus()
    page.keyboard.press("Enter")
    assert details.locator("table").is_visible()
    assert "separation [arcsec]" in details.inner_text()


def test_without_script_the_still_figures_remain(visit):
    page = visit("full", java_script_enabled=False)
    assert page.locator("#figure-spectrum svg.figure").is_visible()
    assert page.locator("#figure-motion-x svg.figure").is_visible()


def test_touch_reads_values(visit):
    page = visit("full", width=380, has_touch=True, is_mobile=True)
    plot = page.locator("#figure-spectrum .u-over")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_function(
        "() => !document.querySelector('#figure-spectrum .u-legend').innerText.includes('– Hz')"
    )


def test_prints_to_a4_with_still_figures(visit, tmp_path):
    page = visit("full", color_scheme="dark")
    page.locator("#look-night").check()
    target = tmp_path / "page.pdf"
    page.pdf(path=str(target), prefer_css_page_size=True)
    content = target.read_bytes()
    assert content.startswith(b"%PDF")
    # A4 is 595 x 842 points
    assert b"/MediaBox [0 0 594.95996 841.91998]" in content or b"/MediaBox [0 0 595" in content
    assert 5 <= content.count(b"/Type /Page\n") <= 12
    page.emulate_media(media="print", color_scheme="dark")
    assert page.locator("#figure-spectrum svg.figure").is_visible()
    assert not page.locator(".uplot").first.is_visible()
    # paper is white even from a dark or night screen
    assert colour_of(page, "html", "backgroundColor") == "rgb(255, 255, 255)"
    assert colour_of(page, "body") == "rgb(28, 37, 48)"
    # multiplied with a ground that is black on paper, stars would vanish
    blend = "e => getComputedStyle(e.closest('g')).mixBlendMode"
    assert page.locator(".stars svg.figure image").first.evaluate(blend) == "normal"
