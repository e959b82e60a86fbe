"""How the page looks in a real browser: on a phone, with a large drawing, to a checker of accessibility."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import axe_core_python
import pytest
from benchmarks.test_page_speed import manifold
from cli.running import ROOT
from web.browsing import needs_a_browser

from optimizer.web import pages

pytestmark = [pytest.mark.slow, needs_a_browser()]
AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
VIEWS = tuple(dict.fromkeys(key for key, _ in (*pages.VIEWS, *pages.LAID)))


_DRAWN = """async () => {
  const drawing = document.getElementById("drawing"), box = one => one.getBoundingClientRect();
  const letters = [...drawing.querySelectorAll("text")].map(one => box(one).height);
  const handles = [...drawing.querySelectorAll(".touch")].map(one => Math.min(box(one).height, box(one).width));
  const frames = [];
  let last = performance.now();
  for (let step = 0; step < 60; step++) {
    drawing.scrollBy(12, 9);
    await new Promise(done => requestAnimationFrame(done));
    const now = performance.now();
    frames.push(now - last);
    last = now;
  }
  return [letters, handles, frames.sort((a, b) => a - b)];
}"""


@pytest.mark.parametrize("view", VIEWS)
def test_on_a_phone_nothing_stands_beside_the_page(example: Path, new_page: Any, view: str, serve: Any) -> None:
    address, _ = serve(example)
    page = new_page(address, viewport={"width": 390, "height": 800}, has_touch=True, is_mobile=True)
    page.goto(f"{address.split('/start')[0]}/?view={view}")

    wide = page.evaluate("() => document.documentElement.scrollWidth")
    small = page.evaluate(
        "() => [...document.querySelectorAll('button, nav a, select, input:not([type=hidden])')]"
        ".filter(one => one.checkVisibility()).map(one => one.getBoundingClientRect())"
        ".filter(box => box.height < 24 || box.width < 20).length"
    )
    assert wide <= 390
    assert small == 0
    if view == "plumbing":
        page.tap("#part-0-5 .touch")
        page.wait_for_selector("#panel-heading:has-text('elbow')")


@pytest.mark.parametrize("width", [1280, 390])
def test_a_drawing_of_a_hundred_and_twenty_parts_is_legible_and_scrolls(
    tmp_path: Path, new_page: Any, serve: Any, width: int
) -> None:
    path = tmp_path / "tank.yaml"
    path.write_text(manifold(8, 7), encoding="utf-8")
    address, sitting = serve(path)
    runs = sitting.sheet.answers.system.network.runs.values()
    assert sum(len(run.parts) for run in runs) >= 120
    page = new_page(address, viewport={"width": width, "height": 800})
    page.wait_for_load_state("networkidle")

    letters, handles, frames_ms = page.evaluate(_DRAWN)
    for _ in range(9):  # other programs on the machine make a frame late, none makes one early
        frames_ms = min(frames_ms, page.evaluate(_DRAWN)[2], key=lambda frames: frames[len(frames) // 2])

    assert min(letters) >= 12.0  # pixels high: common practice, no source
    assert min(handles) >= 24.0  # WCAG 2.2, success criterion 2.5.8
    assert frames_ms[len(frames_ms) // 2] < 50.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_any_view(new_page: Any, tmp_path: Path, scheme: str, serve: Any) -> None:
    path = Path(shutil.copyfile(ROOT / "examples" / "cellar-sump.yaml", tmp_path / "tank.yaml"))
    address, _ = serve(path)
    page = new_page(address, color_scheme=scheme)
    found = []
    for view in VIEWS:
        page.goto(f"{address.split('/start')[0]}/?view={view}&at=part-0-12")
        page.wait_for_load_state("networkidle")
        page.evaluate("() => document.querySelectorAll('details').forEach(one => { one.open = true; })")
        page.evaluate(AXE)
        told = page.evaluate("() => axe.run()")
        found += [(view, one["id"], one["nodes"][0]["html"][:200]) for one in told["violations"]]

    assert found == []
