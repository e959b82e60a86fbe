"""A new file from a few answers: it is read without a fault, its water flows, and it explains itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from written_ways import ROOT, example

from optimizer.edits.new_file import PUMP, RUN, Answers, new_text
from optimizer.edits.outcome import Outcome, outcome
from optimizer.edits.shelf_pump import pump_of_shelf
from optimizer.edits.splice import set_value
from optimizer.errors import EditError
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import Catalog
from optimizer.read.catalogs import load_catalog

TYPED = {"curve": ["0 gph at 12 ft", "800 gph at 6 ft", "1300 gph at 0 ft"], "ports": "1 in NPT male"}
US = Answers("Reef: one", "US", "4 ft 7 in", TYPED, "1 in sch 40 PVC", target="at least 400 gph")
NAME = Path("new.yaml")
BARE = """\
system: Tank
units: metric
surfaces: {sump: 0, display: 1}
pumps: {}
runs: {line: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump return, open joint, pipe 3 ft]}}
"""


@cache
def catalog() -> Catalog:
    return load_catalog()


def told(answers: Answers) -> Outcome:
    return outcome(new_text(answers), NAME, before=Outcome("", None, catalog()))


@pytest.mark.parametrize(
    "answers",
    [
        US,
        replace(US, target="", sump="0 ft", salinity="0 g/kg", temperature="68 degF", currency="EUR"),
        Answers("Riff", "metric", "1.4", {**TYPED, "power": "40 W"}, "32 mm PVC-U PN16"),
        replace(US, display="5", pump={**TYPED, "ports": {"in": "1-1/2 in NPT female", "out": "1 in NPT female"}}),
    ],
)
def test_a_new_file_is_read_without_a_fault_and_its_water_flows(answers: Answers) -> None:
    found = told(answers)

    assert found.faults == ()
    assert found.system is not None
    assert found.system.name == answers.title
    assert (found.system.units, found.system.currency) == (answers.units, answers.currency)
    assert solve_network(found.system.network).flows_m3_s[RUN] > 0.0
    assert len(found.system.targets) == bool(answers.target)


@pytest.mark.parametrize("units", ["US", "metric"])
def test_a_pump_of_the_catalogs_comes_out_as_the_catalog_has_it(units: str) -> None:
    for item_id, pump in catalog().pumps.items():
        text = set_value(BARE.replace("metric", units), ("pumps", PUMP), pump_of_shelf(item_id, catalog(), units))
        system = outcome(text, NAME, before=Outcome("", None, catalog())).system
        assert system is not None
        mine = system.network.pumps[PUMP]
        assert (mine.ports, mine.power_w, mine.mounting) == (pump.ports, pump.power_w, pump.mounting)
        assert mine.speeds == pytest.approx(pump.speeds if len(pump.speeds) > 1 else ())
        for (flow, head), (own_flow, own_head) in zip(pump.curve, mine.curve, strict=True):
            assert own_flow == pytest.approx(flow, rel=5e-4)  # four figures
            assert own_head == pytest.approx(head, rel=5e-4)


def test_its_words_are_those_of_the_starter_file_without_what_was_invented_there() -> None:
    starter, text = example(ROOT / "examples" / "starter.yaml").splitlines(), new_text(US).splitlines()

    comments = [line for line in starter if line.lstrip().startswith("#")]
    missing = [line for line in comments if line not in text]
    assert missing == [
        "# Everything in it is invented: the plumbing and the pump curve. The prices in the shipped catalogs are "
        "illustrative too;",
        "# put a store's own in before buying.",
    ]
    assert any("Water and electricity: unplug before any work" in line for line in text)
    assert [line for line in text if "invented" in line] == []


def test_what_cannot_be_begun_with_is_refused_and_what_is_odd_is_left_to_the_reader() -> None:
    for answers, why in ((replace(US, units="SI"), "units 'SI'"), (replace(US, title=" "), "no title")):
        with pytest.raises(EditError, match=why):
            new_text(answers)
    with pytest.raises(EditError, match="allowed: pump-"):
        pump_of_shelf("pump", catalog(), "US")
    odd = told(replace(US, size="1 in gutter", pump={"curve": "much", "ports": "wide"}, display="high"))
    assert len(odd.faults) >= 4
