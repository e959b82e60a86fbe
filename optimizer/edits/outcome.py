"""An edited text that is not saved yet → what it says as a system, or the faults that the reader finds in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from optimizer.errors import Fault, InputError
from optimizer.model.catalog import Catalog
from optimizer.model.money import Money
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.money import money_of
from optimizer.read.systems import load_system


@dataclass(frozen=True, slots=True)
class Outcome:
    """A text as the reader understands it: the system and its catalog, or the faults, in file order."""

    text: str
    system: System | None
    catalog: Catalog | None
    faults: tuple[Fault, ...] = ()
    money: Money | None = None


def outcome(text: str, path: Path, catalogs: tuple[Path, ...] = (), before: Outcome | None = None) -> Outcome:
    """Return what a text says in place of what its file holds.

    Parameters
    ----------
    text
        The whole text, saved or not.
    path
        The file that it belongs to, which need not be there; places of faults and parts begin with it.
    catalogs
        The owner's own catalog files and price lists.
    before
        What an earlier text said under the same lists: its catalog is used again where prices count the same.
    """
    content = text.encode("utf-8")
    money = money_of(path, content)
    catalog = before.catalog if before is not None and before.money == money else None
    try:
        catalog = catalog or load_catalog(list(catalogs), money)
        return Outcome(text, load_system(path, catalog, content), catalog, (), money)
    except InputError as error:
        return Outcome(text, None, catalog, error.faults, money)
