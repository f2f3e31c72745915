"""Make the pictures of first screens from the folder that `blursplit demo` wrote.

python docs/make_images.py blursplit-demo

Needs a chromium; one picture a result goes to docs/images.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from blursplit.folder import read_result_folder, write_page

NIGHTS = ("turbulent", "shaken", "open", "open-with-sensor")
WIDTH_PX, MARGIN_PX = 1180, 14


def main(demo: Path, target: Path) -> None:
    """Photograph the first screen of each night, in the light look."""
    target.mkdir(exist_ok=True)
    browser_path = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as control:
        browser = control.chromium.launch(
            executable_path=browser_path, args=["--headless", "--no-sandbox", "--disable-gpu"]
        )
        for night in NIGHTS:
            page_file = write_page(read_result_folder(demo / night), demo / night)
            page = browser.new_page(
                viewport={"width": WIDTH_PX, "height": 900}, reduced_motion="reduce"
            )
            page.goto(page_file.resolve().as_uri())
            box = page.locator(".first").bounding_box()
            assert box is not None
            page.screenshot(
                path=target / f"demo_{night.replace('-', '_')}.png",
                clip={
                    "x": 0,
                    "y": 0,
                    "width": WIDTH_PX,
                    "height": box["y"] + box["height"] + MARGIN_PX,
                },
            )
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(__file__).parent / "images")
