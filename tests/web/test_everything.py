"""Everything that the commands can do can be done on the page: command by command, option by option."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from cli.running import SHORT
from web.conftest import Open
from web.test_plans import asked, done
from web.test_views import words_of

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents import papers
from optimizer.documents.stores_text import verdict
from optimizer.model.seller import Seller
from optimizer.web import plan_views
from optimizer.web.forms import DONE
from optimizer.web.more import TOLD
from optimizer.web.pages import LAID, VIEWS
from optimizer.web.section_forms import CHANGES, TEXTS
from optimizer.web.worker import WORKS

# What the page has in place of an option of a command, beside those that all have (`catalog`: the lists of the folder).
ALWAYS = {
    "file": "FILE",
    "catalogs": "step lists",
    "as_json": "",
    "output": "papers",
    "replace": "",
    "time_limit_s": "seconds",
}
PAGE: dict[str, dict[str, str]] = {
    "adapters": {
        "ends_or_file": "more adapters",
        "flow": "field flow",
        "pressure": "field pressure",
        "units": "FILE",
        "brass": "field brass",
        "show_all": "field all",
    },
    "calibrate": {"write": "do calibrate"},
    "check": {},
    "compare": {},
    "draw": {"with_plan": "work page"},
    "example": {"path": "do begin"},
    "explain": {},
    "flow": {"settings": "more speeds", "mode": "field mode"},
    "frontier": {"budget_cents": "rule budget", "step": "field step"},
    "losses": {"limit": "view losses", "by": "more grouped", "along": "more along", "mode": "field mode"},
    # the page opens no file but its own, so that nothing in a browser can name another one
    "many": {"systems": "", "what": "", "papers": "", "workers": "", "address": ""},
    "meters": {"wanted": "field run", "bucket": "field bucket", "show_all": "field all"},
    "open": {"port": "", "no_browser": "", "browser": ""},
    "plan": {
        "solver": "field solver",
        "no_spares": "field spares",
        "store_csv": "papers",
        "budget_cents": "rule budget",
        "margin": "rule margin",
        "certainty": "rule certainty",
        "most_flow": "work most",
    },
    "price": {"quote": "work quote"},
    "report": {"pdf": "print", "paper": "field paper", "margin": "rule margin", "certainty": "rule certainty"},
    "settings": {"now": "work card", "clog": "field clog", "scatter": "field scatter"},
    "stores": {"lists": "work stores", "least": "field minimum order 1", "delivery": "field delivery 1"},
    # rows are worked out one after the other, so that the page stays quick
    "vary": {"table": "field table", "what": "field kind", "picture": "work vary", "workers": "", "address": ""},
}


def test_every_command_and_option_has_its_place_on_the_page() -> None:
    assert isinstance(main, click.Group)
    told = {name: set(PAGE.get(name, {})) | set(ALWAYS) for name in PAGE}

    for name in main.list_commands(click.Context(main)):
        command = main.get_command(click.Context(main), name)
        assert command is not None
        missing = {each.name for each in command.params} - told.get(name, set())
        assert missing == set(), name


def test_what_is_named_there_is_there(open_page: Open) -> None:
    page = open_page()
    for name in ("one.csv", "two.csv"):
        (page.sitting.path.parent / name).write_text("item_id,price,currency,price_date\n", encoding="utf-8")
    shown = "".join(page.get(f"/?view={view}").text for view, _ in (*VIEWS, *LAID)).replace("&#34;", '"')
    does = {*DONE, *TEXTS, *CHANGES}

    for words in {words for options in PAGE.values() for words in options.values() if words}:
        kind, _, what = words.partition(" ")
        if kind == "more":
            assert what in TOLD
            assert f"/more/{what}" in shown
        elif kind == "work":
            assert what in WORKS
        elif kind == "do":
            assert what in does
        elif kind == "field" and what not in ("clog", "scatter", "paper"):
            assert f'name="{what}"' in shown, what
        elif kind == "rule":
            assert f'value="{what}"' in shown


def test_papers_are_written_as_the_form_says(tmp_path: Path) -> None:
    system, _ = pipeline.read(SHORT)

    _, files = done(asked("card", options={"clog": "30", "scatter": "10"}))

    assert files["card.html"] == papers.card(system, None, clog=0.3, scatter=0.1)[0]
    assert files["card.html"] != papers.card(system, None)[0]


@pytest.mark.parametrize(
    "options", [{"clog": "no"}, {"clog": "-3"}, {"clog": "400"}, {"solver": "rm"}, {"paper": "<b>"}]
)
def test_nonsense_in_a_form_is_as_if_it_were_not_there(options: dict[str, str]) -> None:
    one = asked(options=options)

    assert one.percent("clog", 0.5) == 0.5
    assert one.chosen("solver", ("GSCIP",)) is None
    assert one.chosen("paper", ("letter", "A4")) is None


@pytest.mark.slow
def test_flow_meters_are_those_of_the_command(open_page: Open) -> None:
    system, catalog = pipeline.read(SHORT)
    kind, found = done(asked("meters", options={"run": "return line", "bucket": "5 gal"}))
    assert kind == "done"
    lines = pipeline.metered_lines(system, catalog, pipeline.settings_card(system), ("return line",))

    assert found[0] == lines
    page = open_page()
    page.sitting.plans.studies["meters"] = (page.sitting.content, found)
    assert "5.0 gal bucket fills in" in words_of(page.get("/?view=fittings").text)
    assert done(asked("meters", options={"bucket": "0 gal"}))[0] == "failed"


@pytest.mark.slow
def test_two_stores_are_compared_as_the_command_does(tmp_path: Path) -> None:
    system, catalog = pipeline.read(SHORT)
    lists = []
    for name, share in (("one", 1.0), ("two", 0.9)):
        rows = [
            f"{key},{item.price_cents / 100 * (share if item.kind == 'pipe' else 2 - share):.2f},USD,2026-11-01"
            for key, item in catalog.items.items()
            if item.price_cents
        ]
        lists.append(tmp_path / f"{name}.csv")
        lists[-1].write_text("\n".join(["item_id,price,currency,price_date", *rows, ""]), encoding="utf-8")

    names = {"store 1": "one.csv", "store 2": "two.csv", "delivery 2": "5"}
    kind, found = done(asked("stores", options=names, lists=tuple(lists)))

    assert kind == "done", found
    shelves = [pipeline.read(SHORT, (path,))[1] for path in lists]
    bought = pipeline.shop(system, shelves, [Seller("one"), Seller("two", 0, 500)])
    told = next(iter(plan_views.studies_html(system, {"stores": (b"", found)})))
    assert verdict(bought, "USD") in words_of(told)


def test_stores_need_two_lists_of_the_folder() -> None:
    assert "no two price lists" in done(asked("stores", options={"store 1": "../a.csv", "store 2": "b.csv"}))[1]
