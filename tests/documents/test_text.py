"""What the commands print, as text and as data. Systems, flows and prices are invented."""

import io
import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from invented import GAL_H, demo_report, demo_system
from said import free, worded

from optimizer import pipeline
from optimizer.documents.flows_text import flow_blocks, loss_blocks
from optimizer.documents.payload import flow_json, losses_json, no_plan_json, plan_json
from optimizer.documents.search_text import kinds_blocks
from optimizer.documents.status_words import status_words
from optimizer.documents.tables import Heading, plain_text, print_blocks, table
from optimizer.documents.targets import wanted_words
from optimizer.documents.text import no_plan_blocks, plan_blocks
from optimizer.documents.words import part_place
from optimizer.errors import DocumentError
from optimizer.hydraulics import NetworkSolution, PartLoss, pump_head_m
from optimizer.model.dial import POWER
from optimizer.model.note import note
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Status
from optimizer.model.system import Setting, Share, Target
from optimizer.read.places import data_directory
from optimizer.search.studies.kinds import CHEAPEST, KindOfPlan
from optimizer.wording.amounts import money, percent


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_plan_for_several_settings_says_the_speeds_in_each_and_which_one_single_numbers_are_for() -> None:
    report = demo_report()
    pump = next(iter(report.system.network.pumps))
    settings = (Setting("day", {pump: 1.0}, ()), Setting("night", {pump: 0.6}, ()))
    several = replace(report, system=replace(report.system, settings=settings))

    words = plain_text(plan_blocks(several))

    assert f"Speeds by mode: day: {pump} 100 %; night: {pump} 60 %." in " ".join(words.split())
    assert "Where only one mode is shown, it is 'day'" in " ".join(words.split())
    assert "Speeds by mode" not in plain_text(plan_blocks(report))


def solution() -> NetworkSolution:
    flows = {"riser": 1261, "display return": 742, "uv line": 388, "media reactor": 131}
    return NetworkSolution(
        {run: flow * GAL_H for run, flow in flows.items()},
        {"sump": 0.0, "display": 2.8448, "manifold": math.nan},
        {"riser": 2.4, "display return": 1.4, "uv line": 1.2, "media reactor": 0.4},
        iterations=5,
        mass_residual_m3_s=0.0,
        energy_residual_m=0.0,
        warnings=(free("the check valve may chatter"),),
    )


def losses() -> list[PartLoss]:
    return [
        PartLoss("uv line", "part", 0, "", "3/4 in. gate valve", math.inf, 0.5, math.nan),
        PartLoss("riser", "part", 4, "", "1 in. swing check valve", 0.61, 0.214, 31 * GAL_H),
        PartLoss("riser", "tee", None, "manifold", "tee at manifold", -0.02, -0.007, 0.4 * GAL_H),
    ]


def test_columns_are_aligned_numbers_to_the_right_and_no_line_ends_in_blanks() -> None:
    block = table(("run", "flow"), [("riser", "1,100 gph"), ("uv line", "98 gph")], right=(1,))

    assert plain_text([Heading("Flows"), block, "Mind the drain."]) == (
        "Flows\n"
        "=====\n"
        "\n"
        "run           flow\n"
        "-------  ---------\n"
        "riser    1,100 gph\n"
        "uv line     98 gph\n"
        "\n"
        "Mind the drain.\n"
    )


def test_wide_and_combining_signs_keep_the_columns_aligned() -> None:
    lines = plain_text([table(("run", "x"), [("水槽", "1"), ("abcd", "1"), ("u\u0308bcd", "1")])]).splitlines()

    assert lines[2:] == ["水槽  1", "abcd  1", "u\u0308bcd  1"]  # two wide signs fill four columns


def test_an_empty_table_prints_nothing() -> None:
    assert plain_text([table(("run",), []), "done"]) == "done\n"


def test_control_characters_of_a_name_never_reach_the_screen() -> None:
    name = "riser\x1b[2J\r\nuv\tline"
    blocks = [Heading(name), table(("run",), [(name,)]), name]
    stream = Terminal()
    print_blocks(blocks, stream)

    assert "\x1b[2J" not in plain_text(blocks) + stream.getvalue()
    assert "\r" not in plain_text(blocks)
    assert "\t" not in plain_text(blocks)


def test_a_plan_tells_a_target_that_is_a_share_as_that_too() -> None:
    report = demo_report()
    *others, reactor = report.verification.demands
    split = replace(reactor, low_m3_s=76 * GAL_H, share=Share(("riser",), 0.05, 0.08))
    report = replace(report, verification=replace(report.verification, demands=(*others, split)))

    row = next(line for line in plain_text(plan_blocks(report)).splitlines() if line.startswith("media reactor"))
    asked = plan_json(report)["demands"]

    assert "76 to 120 gph (5 to 8 % of riser)" in row
    assert [one["share_of_runs"] for one in asked] == [None, None, {"runs": ["riser"], "low": 0.05, "high": 0.08}]


def test_a_pipe_gets_plain_text_and_a_terminal_a_drawn_table() -> None:
    blocks = [table(("run",), [("[bold]riser[/bold]",)])]
    pipe, terminal = io.StringIO(), Terminal()
    print_blocks(blocks, pipe)
    print_blocks(blocks, terminal)

    assert pipe.getvalue() == plain_text(blocks)
    assert "[bold]riser[/bold]" in terminal.getvalue()  # a name is never read as markup
    assert terminal.getvalue() != pipe.getvalue()


def test_a_pipe_does_not_load_rich_nor_a_workbook_library() -> None:
    code = (
        "import sys; from optimizer.documents import payload, tables, text; tables.print_blocks(['x']); "
        "sys.exit(any(name in sys.modules for name in ('rich', 'xlsxwriter', 'fluids', 'scipy', 'pint', 'ortools')))"
    )

    assert subprocess.run([sys.executable, "-c", code], check=False, capture_output=True).returncode == 0


def test_flows_are_told_with_what_was_wanted_and_by_how_much_they_miss() -> None:
    text = plain_text(flow_blocks(demo_system(), solution()))
    rows = {line.split("  ")[0]: line for line in text.splitlines()}

    assert "742 gph" in rows["display return"]
    assert "at least 1,100 gph" in rows["display return"]
    assert "-358 gph" in rows["display return"]
    assert "250 to 350 gph" in rows["uv line"]
    assert "+38 gph" in rows["uv line"]
    assert "at most 120 gph" in rows["media reactor"]
    assert "7.9 ft/s" in rows["riser"]
    assert "Note: the check valve may chatter" in text


def test_a_target_on_a_device_a_share_or_a_sum_is_told_where_its_flow_is() -> None:
    device = Target("lamp", 250 * GAL_H, 350 * GAL_H, runs=("uv line",))
    split = Target("media reactor", 0.0, share=Share(("riser",), 0.2, 0.25))
    both = Target("uv line + media reactor", 600 * GAL_H, runs=("uv line", "media reactor"))
    system = replace(demo_system(), targets=(device, split, both))

    text = plain_text(flow_blocks(system, solution()))
    rows = {line.split("  ")[0]: line for line in text.splitlines()}
    data = flow_json(system, solution())["targets"]

    assert "250 to 350 gph" in rows["uv line"]
    assert "+38 gph" in rows["uv line"]
    assert "20 to 25 % of riser" in rows["media reactor"]
    assert "-121 gph" in rows["media reactor"]  # 131 of 0.2 x 1,261 = 252
    assert "519 gph" in rows["uv line + media reactor"]  # 388 + 131
    assert "-81 gph" in rows["uv line + media reactor"]
    assert data[1]["share_of_runs"] == {"runs": ["riser"], "low": 0.2, "high": 0.25}
    assert data[2]["runs"] == ["uv line", "media reactor"]


def test_a_pump_is_told_with_the_head_that_it_gives_at_its_flow() -> None:
    system = demo_system()
    head_m = pump_head_m(system.network.pumps["return pump"], 1261 * GAL_H)
    row = next(
        line for line in plain_text(flow_blocks(system, solution())).splitlines() if line.startswith("return pump")
    )

    assert row.split("  ")[-1].strip() == f"{head_m / 0.3048:.2f} ft"
    assert flow_json(system, solution())["pumps"][0]["head_m"] == pytest.approx(head_m)


def test_losses_keep_their_order_and_say_what_each_part_costs() -> None:
    text = plain_text(loss_blocks(demo_system(), losses()))
    shut, check, tee = text.splitlines()[5:8]

    assert "shut" in shut
    assert "2.00 ft" in check
    assert "21.4 %" in check
    assert "+31 gph" in check
    assert "-0.7 %" in tee


def test_a_shortened_loss_table_says_how_much_it_leaves_out() -> None:
    text = plain_text(loss_blocks(demo_system(), losses(), limit=1))

    assert "swing check" not in text
    assert "2 smaller losses are not shown." in text


def test_a_plan_is_told_with_cost_proof_flows_steps_settings_and_parts(report: PlanReport) -> None:
    text = plain_text(plan_blocks(report))

    assert f"Parts cost {money(report.bill.total_cents, 'USD')}. Proven cheapest" in text
    assert "1,118 gph" in text
    assert worded(report.plan.runs["riser"].changes[0]) in " ".join(text.split())
    assert "ball valve handle 35° from fully open" in text
    assert "80 %         90 %" in text
    assert all(line.description in text for line in report.bill.lines)
    assert "Note: the plan keeps one union on each side of the pump" in text


def test_a_plan_that_failed_its_check_is_not_told(report: PlanReport) -> None:
    failed = replace(
        report, verification=replace(report.verification, passed=False, failures=(free("uv line is short"),))
    )

    for told in (plan_blocks, plan_json):
        with pytest.raises(DocumentError, match="uv line is short"):
            told(failed)


def test_a_long_step_is_broken_into_lines_that_a_window_shows_whole(report: PlanReport) -> None:
    steps = note("remove", old=("1 in. sch 40 PVC 90° elbow",) * 9), note("add", new=("a union",))
    plan = replace(report.plan, runs={**report.plan.runs, "riser": replace(report.plan.runs["riser"], changes=steps)})
    text = plain_text(plan_blocks(replace(report, plan=plan)))
    shown = text.split("what is done")[1].split("Set to")[0].splitlines()

    assert max(map(len, shown)) < 120
    assert any(line.endswith("  add a union") for line in shown)


def test_warnings_stand_close_together_and_only_once(report: PlanReport) -> None:
    again = replace(report.verification, warnings=(*report.plan.notes, *report.verification.warnings))
    twice = replace(report, verification=again)

    assert plain_text(plan_blocks(twice)).endswith(
        "\n\nNote: the plan keeps one union on each side of the pump\n"
        "Note: the display return is 2 % over its target: trim the valve against a measured flow\n"
    )


def test_no_plan_is_told_with_what_blocks_it(report: PlanReport) -> None:
    plan = replace(report.plan, status=Status.INFEASIBLE, cost_cents=None, reasons=(free("the pump is too small"),))
    text = plain_text(no_plan_blocks(report.system, plan))

    assert "Proven out of reach" in text
    assert "the pump is too small" in text
    assert [one["text"] for one in no_plan_json(report.system, plan)["reasons"]] == ["the pump is too small"]
    assert no_plan_json(report.system, plan)["status"] == "infeasible"


def test_data_is_strict_json_even_with_a_shut_valve() -> None:
    data = json.loads(json.dumps(losses_json(demo_system(), losses()), allow_nan=False))

    assert data["losses"][0]["head_loss_m"] is None
    assert data["losses"][1]["head_loss_m"] == 0.61
    assert json.dumps(flow_json(demo_system(), solution()), allow_nan=False)


def test_the_data_of_a_plan_adds_up_to_its_cost(report_with_band: PlanReport) -> None:
    data = json.loads(json.dumps(plan_json(report_with_band), allow_nan=False))

    assert sum(line["extended_cents"] for line in data["parts"]) == data["total_cents"] == data["cost_cents"]
    consumables = sum(line["extended_cents"] for line in data["parts"] if line["group"] == "Consumables")
    pipe = sum(line["extended_cents"] for line in data["parts"] if line["group"] == "Pipe")
    parts = sum(change["parts_without_pipe_cents"] for change in data["changes"])
    assert parts + pipe + consumables == data["cost_cents"]
    assert data["flows"][1]["after_high_m3_s"] == pytest.approx(1.1 * 1118 * GAL_H)
    assert data["valves"][0]["setting"] == "ball valve handle 35° from fully open"


def test_every_measured_number_of_the_data_names_its_unit() -> None:
    endings = ("_m3_s", "_m", "_pa", "_m_s", "_cents", "_rpm", "_power", "_full", "quantity", "_index")

    def numbers(value: object, key: str = "") -> list[str]:
        if isinstance(value, dict):
            return [name for inner, one in value.items() for name in numbers(one, inner)]
        if isinstance(value, list):
            return [name for one in value for name in numbers(one, key)]
        return [key] if isinstance(value, (int, float)) and not isinstance(value, bool) else []

    data = [plan_json(demo_report()), flow_json(demo_system(), solution()), losses_json(demo_system(), losses())]

    assert [key for key in numbers(data) if not key.endswith(endings)] == []


@pytest.mark.parametrize(
    ("cents", "currency", "text"),
    [
        (0, "USD", "$0.00"),
        (123450, "USD", "$1,234.50"),
        (5, "EUR", "€0.05"),
        (-150, "GBP", "-£1.50"),
        (999, "CHF", "9.99 CHF"),
    ],
)
def test_money_is_written_to_the_cent(cents: int, currency: str, text: str) -> None:
    assert money(cents, currency) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (1100, None, "at least 1,100 gph"),
        (250, 350, "250 to 350 gph"),
        (0, 120, "at most 120 gph"),
        (300, 300, "exactly 300 gph"),
        (0, None, "any flow"),
    ],
)
def test_a_target_reads_as_it_was_asked(low: float, high: float | None, text: str) -> None:
    assert wanted_words(low * GAL_H, None if high is None else high * GAL_H, "US") == text


def test_every_end_of_a_search_has_words_of_its_own(report: PlanReport) -> None:
    said = {status_words(replace(report.plan, status=status)) for status in Status}

    assert len(said) == len(Status)
    assert "not known" in status_words(replace(report.plan, status=Status.FEASIBLE, bound_cents=None))


def test_a_proof_about_another_number_than_the_list_never_says_cheapest(report: PlanReport) -> None:
    cost = report.plan.cost_cents or 0
    counted = replace(
        report.plan, status=Status.OPTIMAL, material_cents=cost + report.plan.energy_cents, effort_cents=0
    )
    other = replace(counted, material_cents=cost + report.plan.energy_cents - 100)

    assert status_words(counted).startswith("Proven cheapest")
    assert "roven cheapest" not in status_words(other)
    assert f"The proof counts {money(cost - 100, 'USD')}" in status_words(other)


def test_equal_valves_of_a_run_are_told_apart(report: PlanReport) -> None:
    parts = report.plan.runs["uv line"].parts

    assert [part_place(parts, index) for index in (0, 2)] == [
        "3/4 in true-union ball valve, the 1st of 2",
        "3/4 in true-union ball valve, the 2nd of 2",
    ]
    assert part_place(parts, 9) == "part 10"


def test_a_share_that_is_no_number_is_a_dash() -> None:
    assert (percent(0.8), percent(0.805, 1), percent(math.nan)) == ("80 %", "80.5 %", "–")


def test_a_plan_that_is_least_by_its_use_is_not_called_the_cheapest_of_its_kind() -> None:
    plan = demo_report().plan
    by_use = replace(plan, material_cents=(plan.material_cents or 0) - 215)

    told = [plain_text(kinds_blocks(demo_system(), [KindOfPlan(CHEAPEST, one, 1.0)])) for one in (plan, by_use)]

    assert "cheapest of its kind" in told[0]
    assert "least by what it uses, not by its list" in told[1]
    assert "cheapest of its kind" not in told[1]


def test_kinds_of_plan_show_a_pump_by_what_its_dial_shows(report: PlanReport) -> None:
    system = demo_system()
    name = next(iter(system.network.pumps))
    pumps = {**system.network.pumps, name: replace(system.network.pumps[name], dial=POWER)}
    by_power = replace(system, network=replace(system.network, pumps=pumps))
    plan = replace(report.plan, pump_speeds={name: POWER.speed(0.7)})

    told = plain_text(kinds_blocks(by_power, [KindOfPlan(CHEAPEST, plan, 1.0)]))

    assert f"{name} 70 % (89 % of full rpm)" in told  # 0.7 to the third is 0.888


@pytest.mark.parametrize(("speed", "told"), [("100 %", "Nothing: what stands"), ("90 %", "only settings change")])
def test_where_no_part_is_bought_it_is_told_whether_a_setting_changes(tmp_path: Path, speed: str, told: str) -> None:
    # Of the 580 gph that run with the dial at 100 % some 440 are left at 90 %: the pump barely lifts.
    text = (data_directory("examples") / "single-return.yaml").read_text(encoding="utf-8")
    text = text.replace("    power: 45 W", f"    speed: {speed}\n    speeds: [90 %, 100 %]\n    dial: rpm")
    (tmp_path / "tank.yaml").write_text(text.replace("at least 700", "at least 550"), encoding="utf-8")
    system, catalog = pipeline.read(tmp_path / "tank.yaml")
    plan = pipeline.search(system, catalog)

    assert told in plain_text(plan_blocks(pipeline.report(system, plan, catalog)))
