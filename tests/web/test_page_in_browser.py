"""The page walked through in a real browser: by mouse, by keyboard alone, on a phone, with a server that is killed."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import axe_core_python
import pytest
from benchmarks.test_page_speed import manifold
from cli.running import ROOT
from web.browsing import CHROMIUM, NOWHERE, as_a_program, needs_a_browser, served, until

from optimizer import pipeline
from optimizer.documents import papers
from optimizer.documents.words import flow_words
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


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[NOWHERE])
        yield browser
        browser.close()


@pytest.fixture
def serve() -> Iterator[Callable[[Path], tuple[str, Any]]]:
    """Return what serves a file until the test is over."""
    with ExitStack() as servers:
        yield lambda path: servers.enter_context(served(path))


@pytest.fixture
def new_page(chromium: Any, serve: object) -> Iterator[Callable[..., Any]]:  # closed before its server is
    """Return what opens a page in a browser of its own, whose every request and every fault of a script is noted."""
    contexts, wrong = [], []

    def opened(address: str, **settings: Any) -> Any:
        settings = {"viewport": {"width": 1280, "height": 900}, **settings}
        context = chromium.new_context(**settings)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        home = address.split("/start")[0]
        page.on("request", lambda one: None if one.url.startswith((home, "blob:")) else wrong.append(one.url))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda one: wrong.append(one.text) if one.type in ("error", "warning") else None)
        page.wrong = wrong
        page.goto(address)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert wrong == []


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """Return a copy of the single return line."""
    return Path(shutil.copyfile(ROOT / "examples" / "single-return.yaml", tmp_path / "tank.yaml"))


def shown_flow(page: Any, run: str) -> str:
    return page.locator(f"#runs tr:has(th:has-text('{run}')) td[data-title='Flow']").inner_text()


def tab_to(page: Any, selector: str) -> None:
    """Press Tab until what is meant has the focus."""
    for _ in range(400):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"Tab never reaches {selector}")


def settled(page: Any, sitting: Any, act: Callable[[], Any]) -> None:
    """Do something that changes the file, and wait until the page shows the changed one."""
    before = sitting.revision
    act()
    until(lambda: sitting.revision > before)
    page.wait_for_selector(f"#state [name=rev][value='{sitting.revision}']", state="attached")


def test_from_an_empty_file_to_a_workbook_by_keyboard_alone(tmp_path: Path, new_page: Any, serve: Any) -> None:
    path = tmp_path / "mine.yaml"
    address, sitting = serve(path)
    page = new_page(address, accept_downloads=True)
    press, types = page.keyboard.press, page.keyboard.type
    for field, words in (("title", "Mine"), ("display", "4 ft 7 in"), ("target", "300 gph")):
        tab_to(page, f"[name={field}]")
        types(words)
    settled(page, sitting, lambda: press("Enter"))
    page.wait_for_selector("#plumbing")

    tab_to(page, "#plumbing [role=treeitem]")
    press("Home")  # the first run's name; its parts stand below
    for _ in range(20):
        press("ArrowDown")
        if page.evaluate("() => document.activeElement.getAttribute('aria-label').startsWith('elbow')"):
            break
    press("Enter")
    page.wait_for_selector("#panel fieldset")
    chosen = page.evaluate("() => document.activeElement.id")
    count = len(sitting.sheet.answers.system.network.runs["return line"].parts)
    for number in range(15 - count):
        tab_to(page, "#panel [name=kind]:not(#kind)")
        types("pipe" if number % 2 == 0 else "90° elbow")
        tab_to(page, "#panel [name=detail]")
        press("Control+a")
        types("6 in") if number % 2 == 0 else press("Delete")
        tab_to(page, "#panel button[value=after]")
        settled(page, sitting, lambda: press("Enter"))
        assert page.locator("#refused").count() == 0
    assert len(sitting.sheet.answers.system.network.runs["return line"].parts) == 15
    assert chosen.startswith("part-0-")

    tab_to(page, "#save")
    settled(page, sitting, lambda: press("Enter"))
    tab_to(page, "a[href*='view=plan']")
    press("Enter")
    page.wait_for_selector("#search-heading")
    tab_to(page, "button[value=plan]")
    press("Enter")
    page.wait_for_selector("#plan-heading")
    tab_to(page, "button[value=workbook]")
    press("Enter")
    page.wait_for_selector("a[download='plan.xlsx']")
    tab_to(page, "a[download='plan.xlsx']")
    with page.expect_download() as download:
        press("Enter")

    system, catalog = pipeline.read(path)
    assert Path(download.value.path()).read_bytes() == papers.workbook(pipeline.plan(system, catalog), catalog)


KIND, DETAIL = "#panel [name=kind]:not(#kind)", "#panel [name=detail]"


@pytest.mark.parametrize("asked", ["the page anew", "a change"])
def test_what_is_typed_stays_whatever_comes_meanwhile(asked: str, example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    page.click("#part-0-5 .touch")
    page.wait_for_selector("#panel-heading:has-text('elbow')")
    held: list[Any] = []  # what was asked for, until it is let go
    page.route("**/?*" if asked == "the page anew" else "**/edit", lambda route: held.append(route), times=1)
    if asked == "the page anew":
        sitting.change({"rev": "0", "do": "remove part", "at": "part-0-5", "anyway": "yes"}, "another window")
    else:
        page.select_option(KIND, "union")
        page.click("#panel button[value=after]")
    while not held:
        page.wait_for_timeout(20)

    page.select_option(KIND, "ball valve")
    page.locator(DETAIL).fill("7 in")
    held[0].continue_()
    if asked == "a change":  # the new part is the chosen one: its panel is another
        page.wait_for_selector("#panel-heading:has-text('union')")
    else:
        page.wait_for_selector("#stale", state="visible")

    assert [page.locator(KIND).input_value(), page.locator(DETAIL).input_value()] == ["ball valve", "7 in"]
    assert page.evaluate("() => document.activeElement.name") == "detail"


def test_an_elbow_becomes_a_sweep_and_back(example: Path, new_page: Any, serve: Any) -> None:
    before = example.read_bytes()
    address, sitting = serve(example)
    page = new_page(address)
    was = shown_flow(page, "return line")
    page.click("#part-0-5 .touch")
    page.wait_for_selector("#panel-heading:has-text('elbow')")
    page.select_option("#kind", "sweep elbow")
    settled(page, sitting, lambda: page.click("#panel button.main"))
    now = shown_flow(page, "return line")
    settled(page, sitting, lambda: page.click("#save"))

    system = pipeline.read(example)[0]
    assert now == flow_words(pipeline.flows(system).flows_m3_s["return line"], system.units)
    assert now != was
    settled(page, sitting, lambda: page.click("#undo"))
    settled(page, sitting, lambda: page.click("#save"))
    assert example.read_bytes() == before


def test_a_search_is_stopped_and_another_plan_of_the_frontier_chosen(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address, accept_downloads=True)
    page.click("nav >> text=Plan")
    page.click("button[value=frontier]")
    page.click("text=Cancel")  # before anything was found
    page.wait_for_selector("text=It was canceled")
    page.click("button[value=frontier]")
    page.wait_for_selector("text=Stop with the best so far")
    page.wait_for_selector("#frontier-heading")
    rows = page.locator("#points button[name=index]")
    other = next(index for index in range(rows.count()) if "100 %" in rows.nth(index).inner_text())
    rows.nth(other).click()
    page.wait_for_selector("#plan-heading")
    page.click("button[value=workbook]")
    with page.expect_download() as download:
        page.click("a[download='plan.xlsx']")

    system, catalog = pipeline.read(example)
    plan = pipeline.frontier(system, catalog).plans[other].plan
    expected = papers.workbook(pipeline.report(system, plan, catalog), catalog)
    assert Path(download.value.path()).read_bytes() == expected
    share = re.search(r"\d+ %", rows.nth(0).inner_text())
    assert share is not None
    page.locator("#points g[role=button]").first.press("Enter")
    page.wait_for_selector(f"#plan-heading:has-text('{share[0]} of the targets')")
    assert sitting.plans.chosen.report.bill.total_cents == 0


def test_a_file_changed_by_another_program_is_noticed(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    text = example.read_bytes().replace(b"at least 700", b"at least 650")
    example.write_bytes(text)

    page.wait_for_selector("#changed")
    settled(page, sitting, lambda: page.click("text=Load the file from disk"))
    page.wait_for_selector("#runs td:has-text('at least 650 gph')")
    page.wait_for_selector("#changed", state="detached")
    assert example.read_bytes() == text


def test_a_killed_program_is_told_and_nothing_typed_is_lost(example: Path, new_page: Any) -> None:
    with as_a_program(example) as (address, process):
        page = new_page(address, accept_downloads=True)
        page.click("nav >> text=Targets and rules")
        page.fill("form:has([value='return line']) [name=value]", "at least 640 gph")
        page.click("form:has([value='return line']) button")
        page.wait_for_selector("text=changed, not saved")
        page.fill("form:has([value='budget']) [name=value]", "50 USD")
        process.kill()

        page.wait_for_selector("#gone:not([hidden])")
        page.wrong.clear()  # that nobody answers any more is what the browser says itself
        assert page.input_value("form:has([value='budget']) [name=value]") == "50 USD"
        assert "at least 640 gph" in page.input_value("#gone-text")
        with page.expect_download() as download:
            page.click("#gone-save")
        assert "at least 640 gph" in Path(download.value.path()).read_text(encoding="utf-8")
        page.wrong.clear()


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


def test_two_windows_show_the_same(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    other = page.context.new_page()
    other.goto(address.split("/start")[0])
    other.click("#part-0-5 .touch")
    other.wait_for_selector("#panel fieldset")
    settled(other, sitting, lambda: other.click("#panel button:has-text('Remove')"))

    page.wait_for_selector("text=changed, not saved")
    assert shown_flow(page, "return line") == shown_flow(other, "return line")


def test_a_stores_quote_is_dropped(example: Path, new_page: Any, tmp_path: Path, serve: Any) -> None:
    system, catalog = pipeline.read(example)
    quote = tmp_path / "quote.xlsx"
    quote.write_bytes(papers.workbook(pipeline.plan(system, catalog), catalog))
    address, _ = serve(example)
    page = new_page(address)
    page.click("nav >> text=Plan")
    page.click("button[value=plan]")
    page.wait_for_selector("#plan-heading")
    page.set_input_files(".drop input[type=file]", quote)
    page.click(".drop button")

    page.wait_for_selector('h2:has-text("At the store\'s prices")')


def test_two_quick_edits_are_both_done(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    page.click("nav >> text=Targets and rules")
    page.fill("form:has([value='return line']) [name=value]", "at least 640 gph")
    page.fill("form:has([value='budget']) [name=value]", "50 USD")
    page.evaluate(  # no answer comes between the two
        "() => { for (const name of ['return line', 'budget'])"
        " document.querySelector(`form:has([value='${name}']) button`).click(); }"
    )
    until(lambda: sitting.revision == 2)
    page.wait_for_selector("#state [name=rev][value='2']", state="attached")

    assert b"at least 640 gph" in sitting.content
    assert b"budget: 50 USD" in sitting.content
    assert "changed meanwhile" not in page.locator("#said").inner_text()


def test_a_search_is_stopped_with_the_best_so_far(tmp_path: Path, new_page: Any, serve: Any) -> None:
    path = Path(shutil.copyfile(ROOT / "examples" / "cellar-sump.yaml", tmp_path / "tank.yaml"))
    address, sitting = serve(path)
    page = new_page(address)
    page.click("nav >> text=Plan")
    page.click("button[value=plan]")
    page.wait_for_selector("#progress svg")
    page.click("text=Stop with the best so far")
    page.wait_for_selector("#plan-heading")

    course = [best for _, best, _ in sitting.plans.jobs.job.course if best is not None]
    assert sitting.plans.chosen.report.bill.total_cents in course


def test_an_error_is_mended_at_its_part(example: Path, new_page: Any, serve: Any) -> None:
    good = example.read_bytes()
    example.write_bytes(good.replace(b"- union\n", b"- unoin\n"))
    address, sitting = serve(example)
    page = new_page(address)
    page.wait_for_selector("#drawing .over-sign.bad")
    page.fill(".faults [name=words]", "union")
    settled(page, sitting, lambda: page.click(".faults button"))

    page.wait_for_selector("#plumbing")
    assert sitting.content == good


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
