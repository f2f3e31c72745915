"""Make the pictures of first screens from the folder that `blursplit demo` wrote.

python docs/make_images.py blursplit-demo

Needs a chromium; one picture a page goes to docs/images: the nights' own, the shaken night against
the open one as if something had been mended between them, and the shaken night against the limits
in examples/.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.folder import Measurement

NIGHTS = ("turbulent", "shaken", "open", "open-with-sensor")
WIDTH_PX, HEIGHT_PX, MARGIN_PX = 1180, 900, 14
LIMITS = Path(__file__).parents[1] / "examples" / "limits.toml"


def pages(demo: Path, scratch: Path) -> dict[str, Path]:
    """Write all pages anew; return name of the picture -> page."""
    found = {}
    for night in NIGHTS:
        name = f"demo_{night.replace('-', '_')}"
        found[name] = Measurement.read(demo / night).write_page(demo / night)
    shaken, mended = str(demo / "shaken"), str(demo / "open-with-sensor")
    audits = {
        "compare": (["compare", "--before", shaken, "--after", mended], 0),
        "accept": (["accept", shaken, str(LIMITS)], 4),
    }
    for name, (words, code) in audits.items():
        found[name] = scratch / f"{name}.html"
        done = CliRunner().invoke(app, [*words, "--out", str(found[name])])
        assert done.exit_code == code, done.output
    return found


def main(demo: Path, target: Path) -> None:
    """Photograph the first screen of each page, in the light look."""
    target.mkdir(exist_ok=True)
    browser_path = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as control:
        browser = control.chromium.launch(
            executable_path=browser_path, args=["--headless", "--no-sandbox", "--disable-gpu"]
        )
        for name, page_file in pages(demo, Path(scratch)).items():
            page = browser.new_page(
                viewport={"width": WIDTH_PX, "height": HEIGHT_PX}, reduced_motion="reduce"
            )
            page.goto(page_file.resolve().as_uri())
            first = page.locator(".first")
            box = first.bounding_box() if first.count() else None
            height = HEIGHT_PX if box is None else box["y"] + box["height"] + MARGIN_PX
            page.screenshot(
                path=target / f"{name}.png",
                clip={"x": 0, "y": 0, "width": WIDTH_PX, "height": height},
            )
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(__file__).parent / "images")
