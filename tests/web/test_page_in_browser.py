"""The page walked through in a real browser: by mouse, by keyboard alone, with a server that is killed, two windows."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.running import ROOT
from web.browsing import as_a_program, held, needs_a_browser, until

from optimizer import pipeline
from optimizer.documents import papers
from optimizer.documents.words import flow_words

pytestmark = [pytest.mark.slow, needs_a_browser()]
READY = "body:not([inert])"


_DROP = """([name, text]) => {
  const data = new DataTransfer(), place = document.querySelector("form.drop");
  data.items.add(new File([text], name, {type: "text/csv"}));
  for (const kind of ["dragover", "drop"])
    place.dispatchEvent(new DragEvent(kind, {dataTransfer: data, bubbles: true, cancelable: true}));
}"""


def shown_flow(page: Any, run: str) -> str:
    return page.locator(f"#runs tr:has(th:has-text('{run}')) td[data-title='Flow']").inner_text()


def tab_to(page: Any, selector: str) -> None:
    """Press Tab until what is meant has the focus."""
    page.wait_for_selector(READY)
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
    with held(sitting):
        page.click("text=Cancel")  # before anything was found
        page.wait_for_selector("text=It was canceled")
    page.click("button[value=frontier]")
    with held(sitting):
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


def test_two_windows_show_the_same(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    other = page.context.new_page()
    other.goto(address.split("/start")[0])
    other.click("#part-0-5 .touch")
    other.wait_for_selector("#panel fieldset")
    settled(other, sitting, lambda: other.click("#panel button:has-text('Remove')"))

    page.wait_for_selector("text=changed, not saved")
    until(lambda: shown_flow(page, "return line") == shown_flow(other, "return line"))  # flows come after the words


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


def test_a_drain_is_chosen_by_keys_and_saved_by_them(tmp_path: Path, new_page: Any, serve: Any) -> None:
    path = Path(shutil.copyfile(ROOT / "examples" / "metric-unions.yaml", tmp_path / "tank.yaml"))
    address, sitting = serve(path)
    page = new_page(address)
    page.focus("#drain-0")
    page.keyboard.press("Enter")
    page.wait_for_selector("#panel-heading:has-text('main drain')")
    page.select_option("#panel [name='key mode']", "open")
    settled(page, sitting, lambda: page.click("#panel button.main"))
    page.wait_for_selector("#drain-0[aria-label*='drain, open']")
    settled(page, sitting, lambda: page.keyboard.press("Control+s"))

    assert b"main drain: {from: display, mode: open," in path.read_bytes()
    page.evaluate("() => document.activeElement.blur()")
    settled(page, sitting, lambda: page.keyboard.press("Control+z"))
    assert b"mode: full siphon" in sitting.content


def test_a_price_list_is_dropped(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    page.click("nav >> text=Targets and rules")
    key = next(key for key, item in sitting.sheet.answers.catalog.items.items() if item.price_cents)
    page.wait_for_selector("form.drop")
    page.wait_for_selector(READY)
    page.evaluate(_DROP, ["store.csv", f"item_id,price,currency,price_date\n{key},1.00,USD,2026-11-01\n"])
    page.wait_for_selector("text=store.csv is in the folder of the file now")

    assert sitting.folder_lists == (("store.csv", True),)
    assert sitting.sheet.answers.catalog.items[key].price_cents == 100


def test_two_quick_edits_are_both_done(example: Path, new_page: Any, serve: Any) -> None:
    address, sitting = serve(example)
    page = new_page(address)
    page.click("nav >> text=Targets and rules")
    page.fill("form:has([value='return line']) [name=value]", "at least 640 gph")
    page.fill("form:has([value='budget']) [name=value]", "50 USD")
    page.wait_for_selector(READY)
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
    page.click("text=Search options")
    page.fill("[name=seconds] >> nth=0", "3600")
    page.click("button[value=plan]")
    until(lambda: sitting.plans.jobs.busy and any(best for _, best, _ in sitting.plans.jobs.job.course))
    with held(sitting):
        page.wait_for_selector("#progress svg")
        page.click("text=Stop with the best so far")
        page.wait_for_selector("text=Ending with what it has so far")
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
