"""Changes of system files: their text, what the reader makes of it, and the way through plain data and back."""

from __future__ import annotations

import difflib
import json
from functools import cache
from pathlib import Path

import pytest
from written_ways import ROOT, example

from optimizer.edits import changes as c
from optimizer.edits.mentions import without_run
from optimizer.edits.outcome import Outcome, outcome
from optimizer.edits.splice import value_at
from optimizer.errors import EditError
from optimizer.model.network import Leg, RunEnd

UPPER = example(ROOT / "examples" / "upper-tank.yaml")
MEASURED = example(ROOT / "examples" / "measured-return.yaml")
TINY = """\
system: Tiny   # a name
units: US
surfaces: {sump: 0 ft, display: 4 ft}
pumps:
  return: {curve: [0 gph at 12 ft, 800 gph at 0 ft], ports: 3/4 in NPT male}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts:
      - pump return
      - adapter NPT female x socket   # to the pipe
      - pipe 14 in
      - ball valve 45 % open          # as it stands
      - elbow x 3                     # round the stand
      - {part: pipe 2 ft, keep: yes}
targets:
  line: at least 100 gph
"""
NAME = Path("tiny.yaml")
VALVE = "- ball valve 45 % open          # as it stands"
BENDS = "- elbow x 3                     # round the stand"
ADAPTER = "- adapter NPT female x socket   # to the pipe"
KEPT = "- {part: pipe 2 ft, keep: yes}"
SHORT = "- pipe 14 in"
MUST_GO = "- {part: pipe 14 in, must go: yes, room: 4 in}"
PUMP = "return: {curve: [0 gph at 12 ft, 800 gph at 0 ft], ports: 3/4 in NPT male}"
TANKS = "surfaces: {sump: 0 ft, display: 4 ft}"


@cache
def first() -> Outcome:
    return outcome(TINY, NAME)


def lines_of(change: c.Change, text: str = TINY) -> tuple[list[str], list[str]]:
    """Return the lines that a change takes out and those that it puts in, their indents left out."""
    steps = difflib.SequenceMatcher(None, before := text.splitlines(), after := change.apply(text).splitlines(), False)
    gone: list[str] = []
    new: list[str] = []
    for tag, first, last, start, stop in steps.get_opcodes():
        if tag != "equal":
            gone += before[first:last]
            new += after[start:stop]
    return [line.strip() for line in gone], [line.strip() for line in new]


@pytest.mark.parametrize(
    ("change", "gone", "new"),
    [
        (c.ChangePart("line", 3, kind="gate valve"), VALVE, VALVE.replace("ball", "gate")),
        (c.ChangePart("line", 3, opening="60 %"), VALVE, VALVE.replace("45", "60")),
        (c.ChangePart("line", 3, opening=""), VALVE, VALVE.replace(" 45 % open", "")),
        (c.ChangePart("line", 3, kind="elbow", size="1 in"), VALVE, VALVE.replace(VALVE[2:22], "1 in elbow")),
        (c.ChangePart("line", 2, length="8 ft 6 in"), SHORT, "- pipe 8 ft 6 in"),
        (c.ChangePart("line", 2, kind="hose"), SHORT, "- hose 14 in"),
        (c.ChangePart("line", 2, condition="must go", room="4 in"), SHORT, MUST_GO),
        (c.ChangePart("line", 5, condition="may change"), KEPT, KEPT.replace("yes", "no")),
        (c.ChangePart("line", 5, condition=""), KEPT, "- pipe 2 ft"),
        (c.ChangePart("line", 5, length="3 ft"), KEPT, KEPT.replace("2", "3")),
        (c.ChangePart("line", 1, ends="NPT female x spigot"), ADAPTER, ADAPTER.replace("socket", "spigot")),
        (c.ChangePart("line", 4, count=1), BENDS, BENDS.replace(" x 3", "")),
        (c.ChangePart("line", 2, text="bushing to 1/2 in"), SHORT, "- bushing to 1/2 in"),
        (c.RemovePart("line", 4, repeat=1), BENDS, BENDS.replace("3", "2")),
        (c.RemovePart("line", 4), BENDS, None),
        (c.InsertPart("line", 3, "union"), None, "- union"),
        (c.InsertPart("line", 5, {"part": "union", "keep": "yes"}, behind=True), None, "- {part: union, keep: yes}"),
        (c.SetRun("line", "size", "1 in sch 40 PVC"), "size: 3/4 in sch 40 PVC", "size: 1 in sch 40 PVC"),
        (c.SetRun("line", "note", "behind the stand"), None, "note: behind the stand"),
        (c.Set("pumps", "return", "speed", "80 %"), PUMP, PUMP.replace("}", ", speed: 80 %}")),
        (c.Set("surfaces", "display", None, "5 ft"), TANKS, TANKS.replace("4", "5")),
        (c.Add("surfaces", "rack", "3 ft"), TANKS, TANKS.replace("}", ", rack: 3 ft}")),
        (c.SetTarget("line", "120 to 200 gph"), "line: at least 100 gph", "line: 120 to 200 gph"),
        (c.SetHead("system", "Tank: large"), "system: Tiny   # a name", "system: 'Tank: large'   # a name"),
        (c.SetHead("tax", "8.25 %, added"), None, "tax: 8.25 %, added"),
        (c.SetHead("currency", "EUR"), None, "currency: EUR"),
        (c.Set("water", "salinity", None, "33 g/kg"), None, ["water:", "salinity: 33 g/kg"]),
        (c.SetRule("budget", "60 USD"), None, ["rules:", "budget: 60 USD"]),
        (c.SetRule("sizes", ["3/4 in", "1 in"]), None, ["rules:", "sizes: [3/4 in, 1 in]"]),
        (c.SetPumpInMode("night", "return", "60 %"), None, ["modes:", "night: {return: 60 %}"]),
        (c.AddReading("line", "90 gph", at="100 %"), None, ["measured:", "- {run: line, flow: 90 gph, at: 100 %}"]),
        (c.Set("prices", "EUR", None, "1.09 USD on 2026-11-01"), None, ["prices:", "EUR: 1.09 USD on 2026-11-01"]),
        (c.Set("owned", "1 in sch 40 PVC", None, ["4 ft"]), None, ["owned:", "1 in sch 40 PVC: [4 ft]"]),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, c.Change) else "",
)  # fmt: skip
def test_a_change_touches_its_own_lines_alone(change: c.Change, gone: str | None, new: str | list[str] | None) -> None:
    out, put = lines_of(change)

    assert out == ([gone] if gone else [])
    assert put == (new if isinstance(new, list) else [new] if new else [])
    assert c.from_data(json.loads(json.dumps(change.as_data))) == change


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        (c.ChangePart("line", 4, repeat=0, kind="sweep elbow"), ["sweep elbow", "elbow x 2"]),
        (c.ChangePart("line", 4, repeat=1, kind="sweep elbow"), ["elbow", "sweep elbow", "elbow"]),
        (c.ChangePart("line", 4, repeat=2, condition="keep"), ["elbow x 2", {"part": "elbow", "keep": "yes"}]),
        (c.InsertPart("line", 4, "union", repeat=1), ["elbow", "union", "elbow x 2"]),
        (c.InsertPart("line", 4, "union", behind=True, repeat=2), ["elbow x 3", "union"]),
        (c.InsertPart("line", 4, "union", behind=False, repeat=0), ["union", "elbow x 3"]),
        (c.MovePart("line", 4, "line", 4, repeat=2), ["elbow", "elbow x 2"]),
    ],
)
def test_one_of_several_parts_gets_an_item_of_its_own(change: c.Change, parts: list[object]) -> None:
    after = value_at(change.apply(TINY), ("runs", "line", "parts"))

    assert after == [*value_at(TINY, ("runs", "line", "parts"))[:4], *parts, {"part": "pipe 2 ft", "keep": "yes"}]


def test_a_part_moves_with_the_comment_on_its_line() -> None:
    assert lines_of(c.MovePart("line", 3, "line", 1)) == (
        [VALVE],
        [VALVE],
    )


def test_a_run_goes_with_its_target_and_its_readings() -> None:
    text = c.AddReading("line", "90 gph").apply(
        c.AddRun("two", "sump", "display", "1 in PE tube", ["tube 1 ft"]).apply(TINY)
    )

    after = c.RemoveRun("line").apply(text)

    assert list(value_at(after, ("runs",))) == ["two"]
    assert value_at(after, ("targets",)) == {}
    assert value_at(after, ("measured",)) == []


@pytest.mark.long
def test_a_run_is_renamed_wherever_it_is_mentioned() -> None:
    after = c.RenameRun("ring front", "front").apply(UPPER)
    after = c.RenameRun("gravity line", "way down").apply(after)
    after = c.AddReading("front", "900 gph", valves={"left outlet": "open"}).apply(after)
    after = c.SetTarget("left outlet", "25 % of front + ring back within 5 %").apply(after)
    after = c.RenameRun("front", "far side").apply(c.RenameRun("left outlet", "left").apply(after))

    assert "ring front" not in after
    assert value_at(after, ("targets", "left")) == "25 % of far side + ring back within 5 %"
    assert value_at(after, ("modes", "feeding", "targets", "far side + ring back")) == "any"
    assert value_at(after, ("tanks", "refugium", "mouths")) == {"way down": "1/2 in"}
    assert value_at(after, ("measured",)) == [{"run": "far side", "flow": "900 gph", "valves": {"left": "open"}}]


def test_a_siphon_break_goes_by_the_new_name_of_its_run_and_goes_with_it() -> None:
    breaks = "return outlet depth: 1 in, siphon breaks: {left outlet: 1/2 in, right outlet: 3/4 in}"
    text = UPPER.replace("return outlet depth: 1 in", breaks)
    after = c.RenameRun("left outlet", "left").apply(text)

    assert value_at(after, ("tanks", "display", "siphon breaks")) == {"left": "1/2 in", "right outlet": "3/4 in"}
    assert value_at(without_run(after, "left"), ("tanks", "display", "siphon breaks")) == {"right outlet": "3/4 in"}


def test_pumps_and_tanks_and_tees_are_renamed_wherever_they_are_mentioned() -> None:
    text = c.AddBranch("line", 3, "tee", "upper", "back", "sump", "3/4 in sch 40 PVC", ["pipe 1 ft"]).apply(TINY)
    text = c.SetPumpInMode("night", "return", "60 %").apply(text)
    text += "tanks: {display: {overflow edge: 9 in, lines meet: {tee: 2 in above}}}\n"
    text = c.AddReading("line", "90 gph", at={"return": "50 %"}).apply(text)

    after = c.Rename("pumps", "return", "main").apply(text)
    after = c.Rename("tees", "tee", "fork").apply(c.Rename("surfaces", "display", "reef").apply(after))

    renamed = text.replace("return", "main").replace("display", "reef").replace("tee", "fork")
    assert after == renamed
    assert not outcome(after, NAME, before=first()).faults


def test_a_device_is_renamed_in_its_run_and_its_target() -> None:
    after = c.Rename("devices", "float valve", "stop").apply(c.SetTarget("float valve", "any").apply(UPPER))

    assert after.count("stop") == 3
    assert "float valve" not in after


def test_a_pump_that_is_taken_out_leaves_the_runs_and_the_modes() -> None:
    after = c.Remove("pumps", "ring").apply(UPPER)

    assert "pump ring" not in after
    assert "ring" not in value_at(after, ("modes", "feeding"))


def test_a_branch_parts_a_run_at_a_tee_and_the_comments_go_with_their_parts() -> None:
    change = c.AddBranch("line", 3, "tee", "upper line", "reactor line", "sump", "3/4 in sch 40 PVC", ["pipe 1 ft"])

    after = change.apply(TINY)

    found = outcome(after, NAME, before=first())
    assert not found.faults
    runs = found.system.network.runs  # type: ignore[union-attr]
    assert list(runs) == ["line", "upper line", "reactor line"]
    assert [len(run.parts) for run in runs.values()] == [3, 5, 1]
    assert {line for line in TINY.splitlines() if "#" in line} <= set(after.splitlines())
    assert runs["reactor line"].start == RunEnd("tee", Leg.BRANCH)


def test_what_the_reader_then_refuses_is_told_beside_the_text() -> None:
    after = c.RemovePart("line", 0).apply(TINY)
    second = outcome(after, NAME, before=first())

    assert first().system is not None
    assert second.system is None
    assert second.text == after
    assert second.catalog is first().catalog
    assert ["stands in no run" in fault.found for fault in second.faults] == [True]
    assert second.faults[0].place.startswith("tiny.yaml:5:")


def test_a_rate_makes_the_catalog_be_told_anew() -> None:
    priced = c.Set("prices", "USD", None, "0.92 EUR on 2026-11-01").apply(c.SetHead("currency", "EUR").apply(TINY))
    second = outcome(priced, NAME, before=first())

    assert not second.faults
    assert second.system.currency == "EUR"  # type: ignore[union-attr]
    assert second.catalog is not first().catalog


def test_parts_of_a_system_are_found_where_they_are_written() -> None:
    for text in (TINY, UPPER):
        system = outcome(text, Path("C:/a b.yaml"), before=first()).system
        assert system is not None
        for run in system.network.runs.values():
            places = c.parts_at(text, [part.place for part in run.parts])
            assert len(places) == len(run.parts)
            for part, at in zip(run.parts, places, strict=True):
                written = value_at(text, at.path)
                words = written.get("part") if isinstance(written, dict) else written
                assert words.startswith(part.label)
    assert [at.repeat for at in c.parts_at(TINY, [f"x:16:{9}"] * 3)] == [0, 1, 2]


def test_readings_are_added_changed_and_taken_out_also_where_there_is_one_without_a_dash() -> None:
    text = c.SetReading(0, "accuracy", "8 %").apply(MEASURED)
    text = c.SetReading(1, "accuracy", None).apply(text)
    text = c.AddReading("return line", "700 gal/h", "55 %").apply(text)
    assert [one.get("accuracy") for one in value_at(text, ("measured",))] == ["8 %", None, None]
    assert [one["flow"] for one in value_at(c.RemoveReading(1).apply(text), ("measured",))] == [
        "1190 gal/h",
        "700 gal/h",
    ]

    single = TINY + "measured: {run: line, flow: 90 gph}\n"
    assert len(value_at(c.AddReading("line", "80 gph").apply(single), ("measured",))) == 2
    assert value_at(c.SetReading(0, "at", "50 %").apply(single), ("measured", "at")) == "50 %"
    assert not outcome(c.RemoveReading(0).apply(single), NAME).faults


def test_other_words_for_a_section_or_a_key_are_kept() -> None:
    text = TINY + "settings: {night: {return: 60 %}}\ntanks: {sump: {usable water: 3 gal}}\n"

    after = c.Set("tanks", "sump", "pump reserve", "4 gal").apply(c.SetPumpInMode("day", "return", "90 %").apply(text))

    assert after.endswith(
        "settings: {night: {return: 60 %}, day: {return: 90 %}}\ntanks: {sump: {usable water: 4 gal}}\n"
    )


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (None, "no change that is known"),
        ({"change": "Eval"}, "no change that is known"),
        ({"change": ["Set"]}, "no change that is known"),
        ({"change": "RemoveRun"}, "without all it needs"),
        ({"change": "RemoveRun", "name": 3}, "'name' in a RemoveRun"),
        ({"change": "RemoveRun", "name": "a", "x" * 999: 3}, "in a RemoveRun as it cannot be"),
        ({"change": "RemovePart", "run": "a", "item": True}, "'item' in a RemovePart"),
        ({"change": "SetRule", "key": "sizes", "value": {"a": {"b": {"c": {"d": {"e": {"f": {"g": 1}}}}}}}}, "'value'"),
        ({"change": "SetRule", "key": "sizes", "value": {1: 2}}, "'value'"),
    ],
)
def test_data_that_are_no_change_are_refused(data: object, why: str) -> None:
    with pytest.raises(EditError, match=why):
        c.from_data(data)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (c.ChangePart("nowhere", 0, kind="elbow"), "line 7: no 'nowhere' in runs, which has line"),
        (c.ChangePart("line", 9, kind="elbow"), "no 9 in runs > line > parts, which has 6 items"),
        (c.ChangePart("line", 2, kind="gizmo"), "'gizmo' as a kind of part"),
        (c.ChangePart("line", 2, condition="perhaps"), "the condition 'perhaps'"),
        (c.ChangePart("line", 4, repeat=3, kind="union"), "part 3 of 3"),
        (c.ChangePart("line", 4, count=51), "found 51 of a part; allowed: 1 to 50"),
        (c.RemovePart("line", 4, repeat=-1), "part -1 of 3"),
        (c.InsertPart("line", 4, "x", repeat=5), "part 5 of 3"),
        (c.AddRun("line", "a", "b", "1 in PE tube", []), "'line' is there already"),
        (c.RenameRun("line", "line:\n"), "") if False else (c.RenameRun("other", "x"), "no 'other'"),
        (c.SplitRun("line", 0, "t", "two"), "one that leaves parts on both sides"),
        (c.SetRun("line", "parts", "x"), "allowed: from, to, size, note"),
        (c.Add("surfaces", "sump", "1 ft"), "'sump' is there already"),
        (c.Add("rules", "sizes", "1 in"), "found the section 'rules'"),
        (c.SetRule("speed", "x"), "found the rule 'speed'"),
        (c.SetHead("runs", "x"), "found the key 'runs'"),
        (c.SetTarget("line", "any", mode="night"), "found no mode 'night'"),
        (c.RemoveReading(0), "no 'measured'"),
    ],
)
def test_a_change_of_what_is_not_there_is_refused_with_its_reason(change: c.Change, why: str) -> None:
    with pytest.raises(EditError, match=why):
        change.apply(TINY)


def test_every_change_has_a_line_in_these_tests() -> None:
    told = Path(__file__).read_text(encoding="utf-8")
    assert [name for name in c.ALL if f"c.{name}(" not in told] == []
