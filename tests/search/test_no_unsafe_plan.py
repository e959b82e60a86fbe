"""Whatever is asked, no plan is offered that a check of safety refuses; what is unsafe today has to be accepted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from optimizer import pipeline
from optimizer.cli import main
from optimizer.model.checks import AS_IT_IS
from optimizer.model.safety import Verdict
from optimizer.verify.check import verify_plan

# the sump is too small for what runs back already: nothing but a smaller tank would mend it
FLOODING = """system: small sump
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return: {curve: [0 L/h at 4 m, 1080 L/h at 3 m, 2160 L/h at 0 m], ports: 3/4 in socket}
runs:
  return line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [{pump: return, keep: yes}, pipe 1 m, elbow, pipe 2 m, elbow, pipe 1.5 m, ball valve, pipe 0.5 m]
targets: {return line: at least 900 L/h}
tanks:
  display:
    {area: 0.72 m2, overflow edge: 30 cm, rim above edge: 3 cm, return outlet depth: 2.5 cm, start volume: 4 L}
  sump: {free volume: 10 L, pump reserve: 15 L}
"""
RULES = "rules: {{sizes: [3/4 in, 1 in]{more}}}\n"
ACCEPTED, STRICT = (FLOODING + RULES.format(more=more) for more in (", accept: as it is today", ""))


def run(tmp_path: Path, text: str, *words: str) -> tuple[int, str]:
    (tmp_path / "tank.yaml").write_text(text, encoding="utf-8")
    command, *others = words
    result = CliRunner().invoke(main, [command, "tank.yaml", *others])
    return result.exit_code, result.output


COMMANDS = pytest.mark.parametrize(
    "words",
    [
        ("plan",),
        ("plan", "--most-flow", "--budget", "40"),
        ("compare",),
        ("frontier",),
        ("settings",),
        *(
            pytest.param(words, marks=pytest.mark.slow)
            for words in (("explain",), ("draw", "--plan", "-o", "pictures"), ("report", "-o", "report.html"))
        ),
    ],
    ids=" ".join,
)


@pytest.mark.long
@COMMANDS
def test_no_command_offers_a_plan_that_floods(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, printed = run(tmp_path, STRICT, *words)

    assert code == 1
    assert "Parts cost" not in printed
    assert "sump runs over" in printed
    assert "accept: drain-back" in printed


@pytest.mark.long
@COMMANDS
def test_every_command_offers_it_where_the_owner_accepts_it_as_it_is(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _ = run(tmp_path, ACCEPTED, *words)

    assert code == 0


def test_prices_of_a_store_do_not_make_it_safe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, _ = run(tmp_path, ACCEPTED, "plan", "-o", "parts.xlsx")
    assert code == 0
    code, printed = run(tmp_path, STRICT, "price", "parts.xlsx")

    assert code == 1
    assert "sump runs over" in printed


@pytest.mark.long
def test_every_step_of_a_frontier_is_safe_but_for_what_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tank.yaml").write_text(ACCEPTED, encoding="utf-8")
    system, catalog = pipeline.read("tank.yaml")
    for step in pipeline.frontier(system, catalog).plans:
        if step.meets_targets:
            assert verify_plan(system, step.plan).passed
    strict = replace(system, rules=replace(system.rules, accepted=()))
    assert system.rules.accepted == AS_IT_IS
    assert pipeline.frontier(strict, catalog).plans == ()
    report = pipeline.plan(system, catalog).verification.safety
    assert report is not None
    assert any(check.verdict is Verdict.UNSAFE for check in report.checks)


# what nobody asked to be less is too much for the drain: only a valve, or a smaller pump, keeps the floor dry
TOO_MUCH = """system: a drain that takes less than the pump brings
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return: {curve: [0 L/h at 4 m, 1500 L/h at 3 m, 3000 L/h at 0 m], ports: 3/4 in socket}
runs:
  return line:
    {from: sump, to: display, size: 3/4 in sch 40 PVC, parts: [pump return, pipe 1 m, union, elbow, pipe 1.5 m]}
targets: {return line: at least 600 L/h}
tanks:
  display: {area: 0.72 m2, overflow edge: 30 cm, rim above edge: 3 cm, return outlet depth: 2.5 cm}
  sump: {free volume: 80 L}
drains:
  main: {from: display, mode: open, size: 1-1/2 in sch 40 PVC, head over lip: 1 cm, parts: [pipe 1 m]}
"""


@pytest.mark.long
def test_a_change_that_keeps_the_floor_dry_is_said_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, said = run(tmp_path, TOO_MUCH, "explain")
    (row,) = [line for line in said.splitlines() if line.startswith("return line")]

    assert code == 0
    assert "ball valve" in row
    assert row.endswith("unsafe: flow into 'display' (limit: main drain)")
