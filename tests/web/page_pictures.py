"""The README's pictures of the page, made anew: python tests/web/page_pictures.py (needs playwright and Chromium)."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from playwright.sync_api import sync_playwright  # noqa: E402
from web.browsing import CHROMIUM, NOWHERE, served  # noqa: E402

PICTURES = ROOT / "examples" / "pictures"


def main() -> None:
    """Take both pictures: the plumbing with a part chosen, and plans to choose from."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[NOWHERE])
        os.chdir(folder)  # the pictures show no folder of whoever takes them
        path = Path(shutil.copyfile(ROOT / "examples" / "cellar-sump.yaml", "cellar-sump.yaml"))
        with served(path) as (address, _):
            page = browser.new_page(viewport={"width": 1240, "height": 780})
            page.goto(address)
            page.click("#part-1-1 .touch")
            page.wait_for_selector("#panel fieldset")
            page.mouse.move(0, 0)
            page.wait_for_timeout(1500)
            page.screenshot(path=PICTURES / "page-plumbing.png")
            page.close()
        path = Path(shutil.copyfile(ROOT / "examples" / "single-return.yaml", "single-return.yaml"))
        with served(path) as (address, _):
            page = browser.new_page(viewport={"width": 1240, "height": 780})
            page.set_default_timeout(300_000)
            page.goto(address)
            page.click("nav >> text=Plan")
            for search, there in (("plan", "#plan-heading"), ("frontier", "#frontier-heading")):
                page.click(f"button[value={search}]")
                page.wait_for_selector(there)
            page.evaluate("() => document.getElementById('frontier-heading').scrollIntoView()")
            page.wait_for_timeout(500)
            page.screenshot(path=PICTURES / "page-frontier.png")
        browser.close()


if __name__ == "__main__":
    main()
