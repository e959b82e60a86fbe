"""Changes of everything else in a system file: tanks, pumps, devices, targets, rules, modes, readings, money, title."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.edits import mentions
from optimizer.edits.change import Change, Value, put, put_or_remove, section
from optimizer.edits.splice import has, insert, move, remove, set_value, value_at
from optimizer.errors import EditError
from optimizer.model.rules import RULES
from optimizer.read.drains import ALSO_DRAIN, ALSO_TANK

# The sections whose keys are names of the owner's.
NAMED = (
    *("surfaces", "outlets", "supplies", "pumps", "devices", "tees", "tanks", "drains", "modes"),
    *("prices", "owned", "water", "calibration"),
)
HEAD = ("system", "note", "units", "currency", "tax", "mark-up", "pipe")
_POINTS = ("surfaces", "outlets", "supplies")
_MACHINES = {"pumps": "pump", "devices": "device"}
_ALSO = {"tanks": ALSO_TANK, "drains": ALSO_DRAIN}


def _named(key: str) -> str:
    if key not in NAMED:
        raise EditError(f"found the section '{key}'; allowed: {', '.join(NAMED)}")
    return key


@dataclass(frozen=True, slots=True)
class Add(Change):
    """One more under one of the sections of names: a tank's water (`surfaces`), an outlet, a pump, a device, a mode ...

    `value` is as a file says it: `4 ft 7 in` of a surface, `{curve: [...], ports: ...}` of a pump.
    """

    section: str
    name: str
    value: Value

    def apply(self, text: str) -> str:
        """Return the text with it."""
        key = section(text, _named(self.section))
        if has(text, (key, self.name)):
            raise EditError(f"'{self.name}' is there already under '{key}'; choose another name")
        return put(text, (key, self.name), self.value)


@dataclass(frozen=True, slots=True)
class Set(Change):
    """What is said of one of these, under a key of it (`speed` of a pump), or in whole where `key` is None.

    A value that is None takes the key out.
    """

    section: str
    name: str
    key: str | None
    value: Value

    def apply(self, text: str) -> str:
        """Return the text with that said."""
        part = section(text, _named(self.section))
        path = (part, self.name) if self.key is None else (part, self.name, self._word(text, part))
        return put_or_remove(text, path, self.value)

    def _word(self, text: str, part: str) -> str:
        """Return the word that the file has for a key: its own, or another for it."""
        key = str(self.key)
        also = _ALSO.get(self.section, {})
        alike = [word for word, meant in also.items() if key in (word, meant)]
        alike += [also[word] for word in alike]
        return next((word for word in alike if has(text, (part, self.name, word))), key)


@dataclass(frozen=True, slots=True)
class Remove(Change):
    """One less under one of the sections of names; a pump or a device also among the parts, in modes and readings."""

    section: str
    name: str

    def apply(self, text: str) -> str:
        """Return the text without it."""
        key = section(text, _named(self.section))
        text = remove(text, (key, self.name))
        if self.section == "surfaces" and has(text, ("tanks", self.name)):
            text = remove(text, ("tanks", self.name))
        if self.section in _MACHINES:
            text = mentions.without_machine(text, _MACHINES[self.section], self.name)
        return text


@dataclass(frozen=True, slots=True)
class Rename(Change):
    """One under another name, wherever the file mentions it; `tees` also where none is written under that section."""

    section: str
    name: str
    to: str

    def apply(self, text: str) -> str:
        """Return the text with the new name everywhere."""
        key = section(text, _named(self.section))
        if self.section == "tees":
            return mentions.renamed_point(text, self.name, self.to)
        text = move(text, (key, self.name), (key, self.to))
        if self.section in _POINTS:
            return mentions.renamed_point(text, self.name, self.to)
        if self.section in _MACHINES:
            return mentions.renamed_machine(text, _MACHINES[self.section], self.name, self.to)
        return text


@dataclass(frozen=True, slots=True)
class SetTarget(Change):
    """The target of a run, a device or a sum, such as `at least 300 gph`; None clears it. `mode`: in that one alone."""

    name: str
    value: str | None
    mode: str | None = None

    def apply(self, text: str) -> str:
        """Return the text with the target."""
        path = ("targets", self.name)
        if self.mode is not None:
            modes = section(text, "modes")
            if not has(text, (modes, self.mode)):
                raise EditError(f"found no mode '{self.mode}'; add it first")
            path = (modes, self.mode, *path)  # type: ignore[assignment]
        return put_or_remove(text, path, self.value)


@dataclass(frozen=True, slots=True)
class SetRule(Change):
    """A rule by its key in the table of rules; None takes it out, so that what is usual holds."""

    key: str
    value: Value

    def apply(self, text: str) -> str:
        """Return the text with the rule."""
        if self.key not in RULES:
            raise EditError(f"found the rule '{self.key}'; allowed: {', '.join(RULES)}")
        path = ("rules", self.key)
        return put_or_remove(text, path, self.value)


@dataclass(frozen=True, slots=True)
class SetPumpInMode(Change):
    """What a pump is set to in a mode, such as `60 %` or `off`; None: as it usually runs. The mode is made if new."""

    mode: str
    pump: str
    value: str | None

    def apply(self, text: str) -> str:
        """Return the text with that setting."""
        path = (section(text, "modes"), self.mode, self.pump)
        return put_or_remove(text, path, self.value)


@dataclass(frozen=True, slots=True)
class AddReading(Change):
    """A flow that was measured: `flow` of a run, what the pumps showed (`at`), how valves stood, how good it is."""

    run: str
    flow: str
    at: Value = None
    valves: Value = None
    accuracy: str | None = None

    def apply(self, text: str) -> str:
        """Return the text with the reading behind the others."""
        told = {"run": self.run, "flow": self.flow, "at": self.at, "valves": self.valves, "accuracy": self.accuracy}
        reading = {key: value for key, value in told.items() if value is not None}
        if not has(text, ("measured",)):
            return put(text, ("measured",), [reading])
        there = value_at(text, ("measured",))
        if isinstance(there, dict):  # a single one needs no dash
            return set_value(text, ("measured",), [there, reading])
        return insert(text, ("measured",), len(there or ()), reading)


@dataclass(frozen=True, slots=True)
class SetReading(Change):
    """What a reading says under a key (run, flow, at, valves, accuracy); None takes the key out."""

    index: int
    key: str
    value: Value

    def apply(self, text: str) -> str:
        """Return the text with that said of the reading."""
        path = (*_reading(text, self.index), self.key)
        return set_value(text, path, self.value) if self.value is not None else remove(text, path)


@dataclass(frozen=True, slots=True)
class RemoveReading(Change):
    """A reading less."""

    index: int

    def apply(self, text: str) -> str:
        """Return the text without the reading."""
        return remove(text, _reading(text, self.index))


def _reading(text: str, index: int) -> tuple[str | int, ...]:
    single = has(text, ("measured",)) and isinstance(value_at(text, ("measured",)), dict)
    return ("measured",) if single and index == 0 else ("measured", index)


@dataclass(frozen=True, slots=True)
class SetHead(Change):
    """The title (`system`), note, currency, tax, mark-up or the growth on the pipe (`pipe`); None takes it out."""

    key: str
    value: str | None

    def apply(self, text: str) -> str:
        """Return the text with that said."""
        if self.key not in HEAD:
            raise EditError(f"found the key '{self.key}'; allowed: {', '.join(HEAD)}")
        return put_or_remove(text, (self.key,), self.value)
