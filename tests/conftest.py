"""What holds for all tests."""

import shutil
import signal

import pytest


@pytest.fixture(autouse=True, scope="session")
def _interrupts_reach_the_programs_under_test():
    """Undo that a test run in the background of a shell ignores Ctrl-C, and its children too."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def browser():
    """Return one browser for all tests of pages."""
    pytest.importorskip("playwright")
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no chromium on this machine (Debian's package is called chromium)")
    switches = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
    ]
    with sync_playwright() as control:
        running = control.chromium.launch(executable_path=chromium, args=switches)
        yield running
        running.close()


@pytest.fixture
def open_page(browser, tmp_path):
    """Return a function that opens a page from disk and fails on any error in its console.

    The folder's name has a space and a letter beyond ASCII, as users' have.
    """
    troubles: list[str] = []
    contexts = []
    folder = tmp_path / "pagés of nights"
    folder.mkdir()

    def open_text(text, name, *, width=1280, height=900, **settings):
        path = folder / f"{name}.html"
        path.write_text(text, encoding="utf-8")
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

    yield open_text
    for context in contexts:
        context.close()
    assert troubles == []


@pytest.fixture
def barriers(open_page):
    """Return a function that opens a page and lists what a checker finds, in every look.

    Names, headings, landmarks, contrast, with all that folds open. The night look is dim on
    purpose: its text keeps a contrast of 3 (see report/figures/_canvas.py), where others keep 4.5.
    """
    from axe_playwright_python.sync_playwright import Axe

    whole = {"resultTypes": ["violations"]}
    contrast = whole | {"runOnly": ["color-contrast"]}
    dim = "contrastRatio: {normal: {expected: 3}, large: {expected: 3}}"
    recheck = "options => axe.run(document, options)"

    def barriers_of(text, name):
        page = open_page(text, name, bypass_csp=True)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        found = {}
        for look in ("light", "dark", "night"):
            page.evaluate(f"document.getElementById('look-{look}').checked = true")
            if look == "light":
                found[look] = Axe().run(page, options=whole).response["violations"]
                continue
            if look == "night":
                page.evaluate(
                    f"axe.configure({{checks: [{{id: 'color-contrast', options: {{{dim}}}}}]}})"
                )
            found[look] = page.evaluate(recheck, contrast)["violations"]
        return [
            (look, violation["id"], [node["html"][:120] for node in violation["nodes"]][:3])
            for look, violations in found.items()
            for violation in violations
        ]

    return barriers_of
