"""Changes of whole runs: one more, one less, one under another name, one parted at a tee."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from optimizer.edits.change import Change, Value, put, put_or_remove
from optimizer.edits.mentions import renamed_run, without_run
from optimizer.edits.splice import has, insert, move, remove, set_value, value_at
from optimizer.errors import EditError


@dataclass(frozen=True, slots=True)
class AddRun(Change):
    """A run more: from and to a tank, an outlet, a supply or a tee. `parts` are as a file says them, in order.

    `behind` is the run after which it is written; the last one if left out.
    """

    name: str
    start: str
    end: str
    size: str
    parts: Value
    behind: str | None = None

    def apply(self, text: str) -> str:
        """Return the text with the run in it."""
        run = {"from": self.start, "to": self.end, "size": self.size, "parts": self.parts}
        if self.behind is None:
            return _new(text, self.name, run)
        return insert(text, ("runs",), self.name, run, after=self.behind)


def _new(text: str, name: str, run: dict[str, Any]) -> str:
    return insert(text, ("runs",), name, run) if has(text, ("runs",)) else put(text, ("runs", name), run)


@dataclass(frozen=True, slots=True)
class RemoveRun(Change):
    """A run less, with its own target and readings. Sums and shares that name it stay, for the reader to refuse."""

    name: str

    def apply(self, text: str) -> str:
        """Return the text without the run."""
        return without_run(remove(text, ("runs", self.name)), self.name)


@dataclass(frozen=True, slots=True)
class RenameRun(Change):
    """A run under another name, in targets, sums, shares and readings as well."""

    name: str
    to: str

    def apply(self, text: str) -> str:
        """Return the text with the run under its new name everywhere."""
        return renamed_run(move(text, ("runs", self.name), ("runs", self.to)), self.name, self.to)


@dataclass(frozen=True, slots=True)
class SetRun(Change):
    """Where a run begins or ends, its size, or a note on it (`key`: from, to, size, note); None takes a note out."""

    name: str
    key: str
    value: str | None

    def apply(self, text: str) -> str:
        """Return the text with that said of the run."""
        if self.key not in ("from", "to", "size", "note"):
            raise EditError(f"found '{self.key}' of a run; allowed: from, to, size, note")
        return put_or_remove(text, ("runs", self.name, self.key), self.value)


@dataclass(frozen=True, slots=True)
class SplitRun(Change):
    """A run parted before one of its items, at a tee or another named point; what follows becomes a run of its own.

    With a third run that says `branch` there, the point is a tee. The first piece keeps the name and the target.
    """

    name: str
    item: int
    tee: str
    rest: str
    rest_size: str | None = None

    def apply(self, text: str) -> str:
        """Return the text with the run in two; comments go with their parts."""
        run = value_at(text, ("runs", self.name))
        if not 0 < self.item < len(run["parts"]):
            raise EditError(
                f"found item {self.item} of run '{self.name}'; allowed: one that leaves parts on both sides"
            )
        rest = {"from": self.tee, "to": run["to"], "size": self.rest_size or run["size"], "parts": []}
        text = insert(text, ("runs",), self.rest, rest, after=self.name)
        for index in range(len(run["parts"]) - self.item):
            text = move(text, ("runs", self.name, "parts", self.item), ("runs", self.rest, "parts", index))
        return set_value(text, ("runs", self.name, "to"), self.tee)


@dataclass(frozen=True, slots=True)
class AddBranch(Change):
    """A run more out of the middle of another: that one is parted at a new tee, in whose branch the new one begins."""

    run: str
    item: int
    tee: str
    rest: str
    name: str
    end: str
    size: str
    parts: Value
    rest_size: str | None = None

    def apply(self, text: str) -> str:
        """Return the text with the tee and the run in it."""
        text = SplitRun(self.run, self.item, self.tee, self.rest, self.rest_size).apply(text)
        return AddRun(self.name, f"{self.tee} branch", self.end, self.size, self.parts, self.rest).apply(text)
