"""The exception tree, and the faults of a file as values that can be listed all at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

_SHOWN_AS_THEY_ARE = "\u200c\u200d"  # parts of letters in some scripts: joiners without a width of their own


def visible(text: str, keep: str = "") -> str:
    """Return the text with what a terminal would obey, or a reader would not see, written out: ESC as \\x1b.

    Blanks of every kind become a plain one, so that the text stays on its line; characters in `keep` stay.
    """
    return "".join(
        sign
        if sign.isprintable() or sign in _SHOWN_AS_THEY_ARE or sign in keep
        else " "
        if sign.isspace()
        else _code(sign)
        for sign in text
    )


def _code(sign: str) -> str:
    number = ord(sign)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"


class OptimizerError(Exception):
    """Every error that this package raises on purpose."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in one place of one file.

    `place` is written as people quote it: `system.yaml:12:9` or `pipe.csv, row 7, column bore_mm`.
    """

    place: str
    found: str
    allowed: str
    suggestion: str | None = None

    def __str__(self) -> str:
        text = f"{self.place}: found {self.found}; allowed: {self.allowed}"
        return visible(f"{text}; did you mean {self.suggestion}?" if self.suggestion else text)


_LONG = 200  # signs: a list of all that is allowed, which nobody wants to read twice


def told_once(faults: Sequence[Fault]) -> list[Fault]:
    """Return faults in which a long list of what is allowed stands once, where it first does."""
    first: dict[str, str] = {}
    return [
        replace(fault, allowed=f"as at {first[fault.allowed]}")
        if len(fault.allowed) > _LONG and first.setdefault(fault.allowed, fault.place) != fault.place
        else fault
        for fault in faults
    ]


class InputError(OptimizerError):
    """A file cannot be used; carries every fault that was found in it, in reading order."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, told_once(self.faults))))


class QuantityError(OptimizerError):
    """A written quantity cannot be read: says what was found and what is allowed."""

    def __init__(self, found: str, allowed: str, suggestion: str | None = None) -> None:
        self.found, self.allowed, self.suggestion = found, allowed, suggestion
        super().__init__(str(Fault("quantity", found, allowed, suggestion)))


class CatalogError(OptimizerError):
    """The catalogs hold no row that fits what was asked for."""


class NetworkError(OptimizerError):
    """The plumbing cannot be solved, or its description contradicts itself; says which run and why."""


class PlanError(OptimizerError):
    """The search cannot be posed or solved; says what blocks it and what would make it possible."""


class FlowsUnknownError(PlanError):
    """The flows of the runs are not known before the parts are; says why. The search for unknown flows takes it on."""


class NoPlanError(PlanError):
    """There is no plan for the targets: carries the reasons, and whether that is proved or only a limit was hit."""

    def __init__(self, reasons: Sequence[str], proved: bool) -> None:
        self.reasons, self.proved = tuple(reasons), proved
        super().__init__("; ".join(self.reasons))


class CheckError(PlanError):
    """The plan did not stand its check as a network of its own, so it is no plan; carries what it misses."""


class SolverError(OptimizerError):
    """The mixed-integer solver failed; carries its own words."""


class EditError(OptimizerError):
    """A change cannot be put into the text of a system file without harm to the rest; says where and why."""


class FileChangedError(OptimizerError):
    """A file holds something else than what an edit of it was made from; carries both, None where there is no file."""

    def __init__(self, path: object, known: bytes | None, found: bytes | None) -> None:
        self.known, self.found = known, found
        how = "is gone" if found is None else "is there by now" if known is None else "was changed by another program"
        super().__init__(
            f"{path}: {how} since it was read; nothing was saved. Read it again, or save under another name."
        )


class DocumentError(OptimizerError):
    """A document cannot be written or read back; nothing was left half-written."""
