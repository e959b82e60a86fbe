"""Examples in the forms: each in the units of the file, threads in inches as everywhere."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest
from web.conftest import Open

from optimizer import web
from optimizer.model.rules import RULES
from optimizer.web.examples import metric_example
from optimizer.web.said import SECTIONS
from optimizer.web.section_forms import SECOND_KEYS
from optimizer.web.tank_views import WATER

TEMPLATES = sorted((Path(web.__file__).parent / "templates").glob("*.html"))
OF_US = re.compile(r"\b(?:gph|ft2?|gal|psi|degF|sch 40)\b|\d in\b(?! (?:NPT|BSPP))")
TYPED = [
    *(
        unescape(found).replace("\\n", "\n")
        for path in TEMPLATES
        for found in re.findall(r'eg\("([^"]+)"\)', path.read_text(encoding="utf-8"))
    ),
    *(row.example for rows in SECTIONS.values() for row in rows),
    *(example for _, _, example in (*SECOND_KEYS, *WATER)),
]


@pytest.mark.parametrize("words", sorted(set(TYPED)))
def test_an_example_has_a_twin_in_metric_units(words: str) -> None:
    twin = metric_example(words)

    assert not OF_US.search(twin)
    assert bool(OF_US.search(words)) == (twin != words)


def test_the_examples_of_rules_have_twins_where_they_have_units() -> None:
    assert [row.example for row in RULES.values() if OF_US.search(metric_example(row.example))] == []


def test_no_placeholder_has_units_of_its_own() -> None:
    raw = {path.name: re.findall(r'placeholder="([^"{]*)"', path.read_text(encoding="utf-8")) for path in TEMPLATES}
    raw.pop("begin.html")  # there nothing is known yet: it names both

    assert [(name, one) for name, found in raw.items() for one in found if OF_US.search(one)] == []


def test_a_page_shows_those_of_its_file(open_page: Open) -> None:
    assert 'placeholder="1.4 m"' in open_page("metric-unions").get("/?view=tanks").text
    assert 'placeholder="4 ft 7 in"' in open_page("single-return").get("/?view=tanks").text
