"""What goes round by itself on a tank, and does what is asked of it, costs nothing and changes no plan of the rest."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from unknown_systems import catalog

from optimizer.hydraulics import solve_network
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.read.systems import load_system
from optimizer.search.apart import pieces_of, plan_of_pieces, rest_of
from optimizer.search.checks import verdicts
from optimizer.search.engine import solve
from optimizer.search.flow_case import material_of, prepare
from optimizer.search.question import Question
from optimizer.search.watch import Watch

LINE = """
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 6 in, elbow, ball valve, pipe 3 ft, elbow, pipe 1 ft]
"""
WAVE = """
  draw: {from: reef, to: wave in, size: 1 in sch 40 PVC,
    parts: [pipe 6 in, adapter socket x NPT male, pump wave, adapter NPT male x socket, pipe 6 in]}
  one side: {from: wave in, to: jet one, size: 1 in sch 40 PVC, parts: [pipe 2 ft]}
  other side: {from: wave in branch, to: jet two, size: 1 in sch 40 PVC, parts: [pipe 2 ft]}
  across: {from: jet one, to: jet two, size: 1 in sch 40 PVC, parts: [pipe 3 ft]}
  jet left: {from: jet one branch, to: reef, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}
  jet right: {from: jet two branch, to: reef, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}
"""
LOOP = """
  loop: {from: reef, to: reef, size: 1 in sch 40 PVC,
    parts: [pipe 6 in, adapter socket x NPT male, pump wave, adapter NPT male x socket,
      reducing coupling to 3/4 in, pipe 3 ft, elbow, pipe 3 ft, elbow, pipe 3 ft]}
"""
JETS = "  jet left: at least 500 L/h\n  jet right: at least 500 L/h\n"


def system(folder: Path, wave: str = "", targets: str = "", line: str = "at least 2700 L/h", modes: str = "") -> System:
    pump = "    curve: [0 L/h at 3.5 m, 1500 L/h at 3.0 m, 3000 L/h at 1.8 m, 4500 L/h at 0 m]\n    ports: {}\n"
    text = "system: A line and a wave pump\nunits: metric\nsurfaces: {sump: 0 m, display: 1.2 m"
    text += (", reef: 1.2 m" if wave else "") + "}\npumps:\n"
    text += "  return:\n" + pump.format("3/4 in NPT male")
    text += "  wave:\n" + pump.format("1 in NPT female") if wave else ""
    text += f"runs:{LINE}{wave}targets:\n  line: {line}\n{targets}rules: {{sizes: [3/4 in, 1 in]}}\n{modes}"
    path = folder / "system.yaml"
    path.write_text(text, encoding="utf-8")
    return load_system(path, catalog())


def ask(asked: System, seconds: float = 60.0) -> tuple[Status, int | None]:
    answer = solve(Question(asked, catalog(), Watch.of(seconds)))
    return answer.plan.status, answer.cents


def test_a_wave_pump_that_does_its_work_changes_no_plan(tmp_path: Path) -> None:
    alone = ask(system(tmp_path))
    assert alone[0] is Status.OPTIMAL
    assert alone[1]
    assert ask(system(tmp_path, WAVE, JETS)) == alone


def test_without_a_plan_for_the_rest_there_is_none_at_all(tmp_path: Path) -> None:
    out_of_reach = "at least 4400 L/h"
    assert ask(system(tmp_path, line=out_of_reach))[0] is Status.INFEASIBLE
    assert ask(system(tmp_path, WAVE, JETS, out_of_reach))[0] is Status.INFEASIBLE


def test_a_mode_in_which_nothing_runs_changes_no_plan(tmp_path: Path) -> None:
    day = system(tmp_path)
    night = system(tmp_path, modes="modes: {day: {}, night: {return: off}}\n")
    slow = system(tmp_path, modes="modes: {day: {}, night: {return: 40 %, targets: {line: any}}}\n")

    assert ask(night) == ask(day)
    assert len(night.settings) == 2
    assert rest_of(slow) is None  # what runs in it may flood a tank


def test_what_nobody_asks_anything_of_has_no_other_way_where_flows_are_not_known(tmp_path: Path) -> None:
    prepared = prepare(material_of(system(tmp_path, WAVE), catalog()))

    assert prepared is not None
    counts = {name: len(ways) for name, ways in prepared.case.ways.items()}
    assert counts.pop("line") > 1
    assert set(counts.values()) == {1}


@pytest.mark.parametrize(
    ("wave", "targets"),
    [
        ("", ""),  # nothing goes round
        (WAVE, ""),  # nobody asks anything of it
        (WAVE, "  jet left: at least 3000 L/h\n"),  # it does not do what is asked
        (WAVE.replace("to: reef", "to: display"), JETS),  # it gives its water away
        (WAVE.replace("pipe 3 ft]", "open joint, pipe 3 ft]"), JETS),  # it is not whole
        (WAVE, "  line + jet left: at least 2000 L/h\n"),  # one target speaks of both
    ],
)
def test_nothing_is_left_out_that_may_matter(wave: str, targets: str, tmp_path: Path) -> None:
    assert rest_of(system(tmp_path, wave, targets)) is None


def test_the_list_of_pieces_is_no_longer_than_theirs_apart_and_no_shorter_than_the_least_of_all(tmp_path: Path) -> None:
    today = 3.6e6 * solve_network(system(tmp_path, LOOP).network).flows_m3_s["loop"]
    asked = system(tmp_path, LOOP, f"  loop: at least {1.02 * today:.0f} L/h\n")
    pieces = pieces_of(asked)
    assert [set(piece.network.runs) for piece in pieces] == [{"line"}, {"loop"}]
    apart = [solve(Question(piece, catalog(), Watch.of(60.0))) for piece in pieces]
    least = solve(Question(asked, catalog(), Watch.of(60.0)))  # known flows: proved over both at once
    assert least.plan.status is Status.OPTIMAL

    plan = plan_of_pieces(asked, catalog(), [each.plan for each in apart])

    assert verdicts(asked, plan, catalog()).failures == ()
    assert (plan.bound_cents or 0) <= (least.cents or 0) <= (plan.cost_cents or 0)
    assert max(each.cents or 0 for each in apart) < (plan.cost_cents or 0) < sum(each.cents or 0 for each in apart)
    assert plan.status is Status.FEASIBLE


@pytest.mark.slow
def test_a_ring_that_needs_work_is_planned_beside_the_rest(tmp_path: Path) -> None:
    narrow = re.sub(r"(jet (left|right): .*?size:) 1 in", r"\1 3/4 in", WAVE)
    today = solve_network(system(tmp_path, narrow).network).flows_m3_s
    jets = "".join(f"  {name}: at least {1.02 * 3.6e6 * today[name]:.0f} L/h\n" for name in ("jet left", "jet right"))
    asked = system(tmp_path, narrow, jets)

    answer, *apart = (
        solve(Question(each, catalog(), Watch.of(600.0), first_will_do=True)) for each in (asked, *pieces_of(asked))
    )

    assert answer.found
    assert verdicts(asked, answer.plan, catalog()).failures == ()
    assert max(each.cents or 0 for each in apart) < (answer.cents or 0)


def test_where_the_rest_has_no_plan_a_wave_pump_that_needs_work_has_none_to_be_part_of(tmp_path: Path) -> None:
    asked = system(tmp_path, WAVE, "  jet left: at least 3000 L/h\n", "at least 4400 L/h")
    assert len(pieces_of(asked)) == 2
    assert ask(asked)[0] is Status.INFEASIBLE


def test_where_cuts_or_money_are_limited_for_all_together_nothing_is_asked_apart(tmp_path: Path) -> None:
    asked = system(tmp_path, WAVE, JETS)
    for rules in (replace(asked.rules, most_cuts=3), replace(asked.rules, budget_cents=5000)):
        assert pieces_of(replace(asked, rules=rules)) == ()
