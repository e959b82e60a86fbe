"""All changes that can be made to a system file, and the one way from plain data to a change."""

from __future__ import annotations

from optimizer.edits.change import Change, change_from
from optimizer.edits.part_changes import ChangePart, InsertPart, MovePart, PartAt, RemovePart, parts_at
from optimizer.edits.run_changes import AddBranch, AddRun, RemoveRun, RenameRun, SetRun, SplitRun
from optimizer.edits.section_changes import (
    Add,
    AddReading,
    Remove,
    RemoveReading,
    Rename,
    Set,
    SetHead,
    SetPumpInMode,
    SetReading,
    SetRule,
    SetTarget,
)

ALL: dict[str, type[Change]] = {
    each.__name__: each
    for each in (
        *(ChangePart, InsertPart, RemovePart, MovePart),
        *(AddRun, RemoveRun, RenameRun, SetRun, SplitRun, AddBranch),
        *(Add, Set, Remove, Rename, SetTarget, SetRule, SetPumpInMode),
        *(AddReading, SetReading, RemoveReading, SetHead),
    )
}


def from_data(data: object) -> Change:
    """Return the change that plain data describe, as `Change.as_data` gives them; EditError where they are none.

    Parameters
    ----------
    data
        A dictionary of JSON from anywhere, trusted in nothing: its name and every field are checked.
    """
    return change_from(data, ALL)


__all__ = [
    "ALL",
    "Add",
    "AddBranch",
    "AddReading",
    "AddRun",
    "Change",
    "ChangePart",
    "InsertPart",
    "MovePart",
    "PartAt",
    "Remove",
    "RemovePart",
    "RemoveReading",
    "RemoveRun",
    "Rename",
    "RenameRun",
    "Set",
    "SetHead",
    "SetPumpInMode",
    "SetReading",
    "SetRule",
    "SetRun",
    "SetTarget",
    "SplitRun",
    "from_data",
    "parts_at",
]
