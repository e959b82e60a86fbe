"""Runs that end in a cap or a plug: nothing flows in them, and their tee is part of the line that goes on."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import fluids
import pytest

from optimizer import pipeline
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.schematic import schematic_canvas
from optimizer.errors import InputError
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Condition
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

MANIFOLD = """
system: Manifold with a spare branch
units: US
surfaces: {sump: 0, display: 1.4 m}
pumps:
  return: {curve: [[0 gal/h, 3.6 m], [400 gal/h, 3.2 m], [800 gal/h, 2.2 m], [1210 gal/h, 0 m]], ports: 3/4 in NPT male}
runs:
  riser:
    from: sump
    to: tee 1
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, union, pipe 6 in, elbow]
  return line:
    from: tee 1ONWARD
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pipe 3 ft, elbow, pipe 10 in, ball valve, elbow, pipe 6 in, elbow]
  spare:
    from: tee 1SPARE
    size: SIZE in sch 40 PVC
    parts: [pipe 4 in, CLOSER]
targets:
  riser: at least 500 gal/h
"""


@cache
def catalog() -> Catalog:
    return load_catalog()


def manifold(
    spare: str = " branch", onward: str = "", closer: str = "cap", size: str = "3/4", tees: str = "", riser: str = ""
) -> System:
    text = MANIFOLD.replace("SPARE", spare).replace("ONWARD", onward).replace("CLOSER", closer).replace("SIZE", size)
    text = text.replace("to: tee 1", f"to: tee 1{riser}") + (f"tees:\n  tee 1: {tees}\n" if tees else "")
    return load_system(Path("spare.yaml"), catalog(), text.encode())


@pytest.mark.parametrize("closer", ["cap", "plug"])
def test_the_line_goes_on_through_the_tee_of_a_closed_stub(closer: str) -> None:
    (run,) = manifold(closer=closer).network.runs.values()
    tee = run.parts[5]

    assert (tee.kind, tee.condition, len(tee.ends)) == (Kind.TEE, Condition.KEEP, 2)
    assert tee.words == "3/4 in. sch 40 PVC tee, socket × socket × socket, one leg closed"
    assert len(run.parts) == 5 + 1 + 7


def test_a_tee_whose_run_leg_is_plugged_turns_the_water() -> None:
    (run,) = manifold("", " branch", "plug").network.runs.values()

    assert run.parts[5].kind is Kind.ELBOW


def test_straight_on_it_loses_20_and_turned_60_lengths_over_bore() -> None:
    # Crane TP-410, appendix A: tee, flow through run 20 fT, through branch 60 fT; fT as the fluids library has it
    for system, over in ((manifold(), 20.0), (manifold("", " branch"), 60.0)):
        solution, losses = pipeline.losses(system)
        flow = solution.flows_m3_s["riser"]
        (tee,) = [loss for loss in losses if "one leg closed" in loss.words]
        bore = 0.02057
        velocity = flow / (3.141592653589793 / 4 * bore**2)
        k = over * fluids.fittings.ft_Crane(bore)

        assert tee.head_loss_m == pytest.approx(k * velocity**2 / (2 * 9.80665), rel=0.02)  # fT is read off a curve


def test_a_stub_of_another_size_hangs_on_a_reducing_tee() -> None:
    (run,) = manifold(size="1/2").network.runs.values()

    assert "reducing tee" in run.parts[5].words


def test_the_tee_of_a_stub_is_of_the_size_that_the_line_has_where_it_meets_it() -> None:
    text = MANIFOLD.replace("SPARE", " branch").replace("ONWARD", "").replace("CLOSER", "cap").replace("SIZE", "1")
    text = text.replace("union, pipe 6 in, elbow]", "union, pipe 6 in, reducing coupling to 1 in, pipe 6 in]")
    text = text.replace(
        "parts: [pipe 3 ft, elbow, pipe 10 in", "parts: [pipe 3 ft, reducing coupling to 3/4 in, pipe 10 in"
    )
    onward = text.index("return line:")
    text = text[:onward] + text[onward:].replace("3/4 in sch 40", "1 in sch 40", 1)
    (run,) = load_system(Path("spare.yaml"), catalog(), text.encode()).network.runs.values()
    (tee,) = [part for part in run.parts if "one leg closed" in part.words]

    assert tee.words.startswith("1 in. sch 40 PVC tee")


def test_a_tee_of_a_stub_that_does_not_mate_is_placed_where_the_stub_begins() -> None:
    text = MANIFOLD.replace("SPARE", " branch").replace("ONWARD", "").replace("CLOSER", "cap").replace("SIZE", "3/4")
    text = text.replace("pipe 6 in, elbow]", "pipe 6 in, elbow, adapter socket x NPT female]", 1)
    where = next(row for row, line in enumerate(text.splitlines(), start=1) if "from: tee 1 branch" in line)
    with pytest.raises(InputError) as caught:
        load_system(Path("spare.yaml"), catalog(), text.encode())

    assert f"spare.yaml:{where}:" in str(caught.value)


def test_a_stub_is_said_to_be_one() -> None:
    assert any("'spare' is closed at its end: it carries no water and stays" in one for one in manifold().remarks)


def test_a_stub_that_hangs_on_no_tee_is_refused() -> None:
    with pytest.raises(InputError, match=r"found closed stub 'spare' at 'display'"):
        load_system(
            Path("spare.yaml"),
            catalog(),
            MANIFOLD.replace("from: tee 1SPARE", "from: display")
            .replace("ONWARD", "")
            .replace("SIZE", "3/4")
            .replace("CLOSER", "cap")
            .encode(),
        )


def test_a_plan_leaves_the_tee_of_a_stub_as_it_is() -> None:
    report = pipeline.plan(manifold("", " branch", "plug"), catalog())
    kept = [part for part in report.plan.runs["riser"].parts if "one leg closed" in part.words]

    assert report.plan.found
    assert [part.existing for part in kept] == [True]


@pytest.mark.parametrize(
    ("tee", "size", "words"),
    [
        ("3/4 x 3/4 x 1/2 in", "1/2", "3/4 × 3/4 × 1/2 in. sch 40 PVC reducing tee"),
        ("{size: 3/4 x 3/4 x 3/4 in, keep: yes}", "1/2", "3/4 in. sch 40 PVC tee, "),  # a bushing stands in it
        ("3/4 in socket x 3/4 in socket x 3/4 in NPT female", "3/4", "socket × socket × NPT female"),
    ],
)
def test_the_tee_of_a_stub_may_be_named(tee: str, size: str, words: str) -> None:
    (run,) = manifold(size=size, tees=tee).network.runs.values()

    assert words in run.parts[5].words


@pytest.mark.parametrize("tee", ["not connected yet", "{must go: yes}", "wye"])
def test_the_tee_of_a_stub_is_a_tee_and_stays(tee: str) -> None:
    with pytest.raises(InputError, match=r"closed stub 'spare'"):
        manifold(tees=tee)


def test_a_tee_of_a_stub_that_no_row_has_is_refused() -> None:
    with pytest.raises(InputError, match="a tee for 3/4 in x 3/4 in x 1/2 in, which the catalog does not have"):
        manifold(size="1/2", tees="1 x 1 x 1/2 in")


def test_water_that_comes_from_the_branch_passes_it() -> None:
    (run,) = manifold("", "", riser=" branch").network.runs.values()
    tee = run.parts[5]

    assert (tee.kind, tee.stub) == (Kind.ELBOW, "spare")


def test_the_drawing_has_the_stub_at_its_tee() -> None:
    system = manifold()
    solution, _ = pipeline.losses(system)
    canvas = schematic_canvas(Shown(system.network, "US", solution.flows_m3_s))

    assert any("'spare' closed" in box.words for box in canvas.texts)
