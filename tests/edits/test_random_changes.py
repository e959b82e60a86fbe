"""Changes at random of files that are written in every way: none is refused, none touches other sections."""

from __future__ import annotations

import io
import json
import random
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML
from written_ways import EXAMPLES, ROOT, WAYS, example, written

from optimizer.edits import changes as c


def loaded(text: str) -> dict[str, Any]:
    found = YAML(typ="base", pure=True).load(io.StringIO(text.removeprefix("\ufeff")))
    assert isinstance(found, dict)
    return found


def changes(data: dict[str, Any], chance: random.Random) -> list[tuple[c.Change, set[str]]]:
    """Return a change of every kind, with the sections that it may touch."""
    run = chance.choice(list(data["runs"]))
    at = chance.randrange(len(data["runs"][run]["parts"]))
    pump, tank = chance.choice(list(data["pumps"])), chance.choice(list(data["surfaces"]))
    size, named = "1 in sch 40 PVC", {"runs", "targets", "modes", "measured", "tanks"}
    parts: list[c.Change] = [
        c.ChangePart(run, at, kind=chance.choice(["elbow", "pipe", "gate valve", "union"])),
        c.ChangePart(run, at, condition=chance.choice(["keep", "must go", "may change", ""]), room="4 in"),
        c.ChangePart(run, at, count=chance.choice([1, 3])),
        c.ChangePart(run, at, repeat=0, size="2 in"),
        c.InsertPart(run, at, chance.choice(["elbow", {"part": "union", "keep": "yes"}]), chance.random() < 0.5, 0),
        c.RemovePart(run, at, chance.choice([None, 0])),
        c.MovePart(run, at, chance.choice(list(data["runs"])), 0),
        c.AddRun("one more", tank, "a tee branch", size, ["elbow", "pipe 3 ft"] * chance.choice([1, 9])),
    ]
    if at > 0:
        parts.append(c.SplitRun(run, at, "a tee", "the rest"))
        parts.append(c.AddBranch(run, at, "a tee", "the rest", "one more", tank, size, ["elbow"]))
    return [
        *((one, {"runs"}) for one in parts),
        (c.RemoveRun(run), named),
        (c.RenameRun(run, f"no. 2: {run}"), named),
        (c.Rename("pumps", pump, "other pump"), {"pumps", "calibration", *named}),
        (c.Remove("pumps", pump), {"pumps", "calibration", *named}),
        (c.Rename("surfaces", tank, "other tank"), {"surfaces", "drains", "tees", *named}),
        (c.Set("pumps", pump, "speeds", ["60 %", "100 %"]), {"pumps"}),
        (c.SetTarget(run, chance.choice(["any", None, "at least 3 gph"])), {"targets"}),
        (c.SetRule(chance.choice(["sizes", "budget"]), chance.choice([None, ["1 in", "2 in"]])), {"rules"}),
        (c.SetPumpInMode("night", pump, chance.choice(["60 %", None])), {"modes"}),
        (c.AddReading(run, "3 gph", at={pump: "50 %"}), {"measured"}),
        (c.SetHead("note", chance.choice(["a: b", "# c", "plain"])), {"note"}),
    ]


def one_change(path: Path, way: str, seed: int) -> None:
    chance = random.Random(seed)
    text = written(example(path), way, seed)
    data = loaded(text)
    change, touched = chance.choice(changes(data, chance))
    assert c.from_data(json.loads(json.dumps(change.as_data))) == change

    after = change.apply(text)

    found = loaded(after)
    assert {key: value for key, value in data.items() if key not in touched} == {
        key: value for key, value in found.items() if key not in touched
    }
    assert [key for key in found if key not in touched] == [key for key in data if key not in touched]
    assert after.startswith("\ufeff") == text.startswith("\ufeff")
    assert "\r\n" not in text or "\n" not in after.replace("\r\n", "")
    if not isinstance(change, (c.Remove, c.RemoveRun)):
        whole = [line for line in text.splitlines() if line.lstrip().startswith("#")]
        assert [line for line in after.splitlines() if line.lstrip().startswith("#")] == whole


@pytest.mark.parametrize("way", WAYS)
def test_a_change_is_never_refused_and_keeps_what_it_does_not_name(way: str) -> None:
    for seed in range(3):
        one_change(ROOT / "examples" / "single-return.yaml", way, seed)


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_changes_of_all_examples(path: Path, way: str) -> None:
    for seed in range(100, 110):
        one_change(path, way, seed)
