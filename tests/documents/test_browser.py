"""The page in a real browser: on a phone, on a laptop, in light and dark. Nothing off the screen, no text over text.

Rules of accessibility are those of axe-core (its WCAG 2 A and AA rules and best practices).
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import planned_examples
import pytest

from optimizer import pipeline
from optimizer.documents.report import report_page
from optimizer.documents.report_facts import report_facts
from optimizer.documents.settings_card import card_page
from optimizer.read.places import data_directory

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine")]
PHONE, LAPTOP = 390, 1280
MOST_PRINTED = 6  # pages of the large example

# What is measured in the page: what stands beyond its right edge, texts that lie over one another, what was fetched.
MEASURE = """
const frame = document.getElementById('page');
frame.addEventListener('load', async () => {
  const page = frame.contentDocument, wide = page.documentElement.clientWidth;
  const shown = one => { const box = one.getBoundingClientRect(); return box.width > 1 && box.height > 1; };
  const scrolls = one => one.closest('.scroll') !== null;
  const clipped = head => head && getComputedStyle(head).clipPath !== 'none';
  const hidden = one => clipped(one.closest('thead'));
  const all = [...page.body.querySelectorAll('*')].filter(one => shown(one) && !scrolls(one) && !hidden(one));
  const off = all.filter(one => one.getBoundingClientRect().right > wide + 1).map(one => one.outerHTML.slice(0, 80));
  const words = all.filter(one => ['P','LI','TD','TH','DT','DD','H1','H2','H3','H4','CAPTION','FIGCAPTION']
    .includes(one.tagName) && one.textContent.trim());
  const boxes = words.map(one => one.getBoundingClientRect()), over = [];
  for (let i = 0; i < words.length; i++) for (let k = i + 1; k < words.length; k++) {
    if (words[i].contains(words[k]) || words[k].contains(words[i])) continue;
    const across = Math.min(boxes[i].right, boxes[k].right) - Math.max(boxes[i].left, boxes[k].left);
    const down = Math.min(boxes[i].bottom, boxes[k].bottom) - Math.max(boxes[i].top, boxes[k].top);
    if (across > 1 && down > 1) over.push([words[i].textContent.slice(0, 40), words[k].textContent.slice(0, 40)]);
  }
  const cut = words.filter(one => one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).display !== 'inline')
    .map(one => one.textContent.slice(0, 60));
  const fetched = frame.contentWindow.performance.getEntriesByType('resource').map(one => one.name);
  const told = {wide, off, over, cut, fetched, texts: words.length};
  if (AXE) {
    const script = page.createElement('script');
    script.textContent = document.getElementById('axe').textContent;
    page.head.append(script);
    const found = await frame.contentWindow.axe.run(page);
    told.violations = found.violations.map(one => one.id + ': ' + one.nodes[0].html.slice(0, 120));
    told.passes = found.passes.length;
  }
  const result = document.createElement('pre');
  result.id = 'result';
  result.textContent = JSON.stringify(told);
  document.body.append(result);
});
"""


@cache
def page(name: str) -> str:
    (report, taken), card = planned_examples.taken_off(name), planned_examples.card_of(name)
    return report_page(report_facts(report, card=card, taken=taken))


@cache
def settings_page() -> str:
    system, _ = pipeline.read(data_directory("examples") / "single-return.yaml")
    return card_page(pipeline.settings_card(system))


def browser(folder: Path, *words: str) -> subprocess.CompletedProcess[bytes]:
    quiet = ["--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    profile = f"--user-data-dir={folder / 'browser'}"
    command = [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-quic", "--no-first-run", *quiet, profile]
    return subprocess.run([*command, *words], check=True, capture_output=True, timeout=120)


def measured(folder: Path, content: str, wide: int, *, dark: bool = False, axe: str = "") -> dict[str, Any]:
    """Return what the browser measures of a page in a window of this width; without its policy when axe has to run."""
    if axe:
        content = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", content)
    wrapper, plain = folder / "wrapper.html", axe.replace("</script", "<\\/script")
    wrapper.write_text(
        '<!DOCTYPE html><html lang="en"><head><title>measured</title></head><body>'
        f'<script type="text/plain" id="axe">{plain}</script>'
        f"<script>const AXE = {'true' if axe else 'false'};</script>"
        f'<iframe id="page" style="width:{wide}px;height:1000px;border:0" srcdoc="{html.escape(content)}"></iframe>'
        f"<script>{MEASURE}</script></body></html>",
        encoding="utf-8",
    )
    scheme = ["--blink-settings=preferredColorScheme=0"] if dark else []
    out = browser(folder, *scheme, "--virtual-time-budget=30000", "--dump-dom", wrapper.as_uri()).stdout.decode()
    found = re.search(r'<pre id="result">(.*?)</pre>', out, re.DOTALL)
    assert found is not None, out[-2000:]
    return dict(json.loads(html.unescape(found[1])))


@pytest.mark.parametrize("wide", [PHONE, LAPTOP])
@pytest.mark.parametrize("name", ["cellar-sump", "metric-unions", "single-return"])
def test_nothing_is_off_the_screen_and_no_text_lies_over_another(name: str, wide: int, tmp_path: Path) -> None:
    found = measured(tmp_path, page(name), wide)

    assert found["texts"] > 100
    assert abs(found["wide"] - wide) <= 20  # a scroll bar
    assert (found["off"], found["over"], found["cut"]) == ([], [], [])


def test_the_card_alone_fits_a_phone(tmp_path: Path) -> None:
    found = measured(tmp_path, settings_page(), PHONE)

    assert (found["off"], found["over"], found["cut"]) == ([], [], [])


def test_the_page_fetches_nothing(tmp_path: Path) -> None:
    assert measured(tmp_path, page("single-return"), LAPTOP)["fetched"] == []


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("wide", [PHONE, LAPTOP])
def test_axe_finds_no_violation(wide: int, dark: bool, tmp_path: Path) -> None:
    library = pytest.importorskip("axe_core_python")
    axe = (Path(library.__file__).parent / "axe.min.js").read_text(encoding="utf-8")

    found = measured(tmp_path, page("cellar-sump"), wide, dark=dark, axe=axe)

    assert found["passes"] > 15
    assert found["violations"] == []


def test_the_large_example_prints_on_few_pages(tmp_path: Path) -> None:
    source, printed = tmp_path / "plan.html", tmp_path / "plan.pdf"
    source.write_text(page("cellar-sump"), encoding="utf-8")

    browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={printed}", source.as_uri())

    assert len(re.findall(rb"/Type\s*/Page[^s]", printed.read_bytes())) <= MOST_PRINTED
