"""A price list that is dropped on the page → a file beside the system file that counts, once it has been read well."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from optimizer.edits.outcome import outcome
from optimizer.errors import EditError
from optimizer.web.sitting import Sitting
from optimizer.whole_file import put_whole

_MOST_NAMES = 100
_LONGEST_NAME = 60


def take_in(sitting: Sitting, name: str, content: bytes, window: str = "") -> str:
    """Put a price list into the folder of the file and let it count; return its name there.

    Nothing that is there is replaced: a list of the same bytes is used as it is, another one gets another name.

    Raises
    ------
    EditError
        The list has faults, or it would leave the file with some.
    OSError
        It cannot be written.
    """
    if not content.strip():
        raise EditError("Choose a price list: a CSV file with the columns item_id, price, currency, price_date.")
    folder = sitting.path.absolute().parent
    if not folder.is_dir():
        raise EditError("Save the file first: the price list goes into its folder.")
    target = next((one for one in _free_names(folder, name) if not one.exists() or one.read_bytes() == content), None)
    if target is None:
        raise EditError(f"There are {_MOST_NAMES} price lists of this name already; give it another one.")
    _check(sitting, target.name, content)
    if not target.exists():
        put_whole(target, content)
    counting = [each for each, counts in sitting.folder_lists if counts]
    sitting.take_lists([*counting, target.name], window)
    return target.name


def _free_names(folder: Path, name: str) -> Iterator[Path]:
    """Yield where a list may go: its own name without whatever a name should not have, then the same with a number."""
    stem = re.sub(r"[^\w .+-]+", "-", re.split(r"[/\\]", name)[-1]).strip(" .-")
    stem = re.sub(r"(?i)\.csv$", "", stem)[:_LONGEST_NAME].strip(" .-") or "prices"
    yield folder / f"{stem}.csv"
    yield from (folder / f"{stem}-{number}.csv" for number in range(2, _MOST_NAMES))


def _check(sitting: Sitting, name: str, content: bytes) -> None:
    """Raise what the readers have to say of the file with this list over its catalogs."""
    with TemporaryDirectory() as within:
        path = Path(within) / name
        path.write_bytes(content)
        told = outcome(sitting.sheet.text, sitting.path, (*sitting.catalogs, path))
        faults = [str(fault).replace(str(path), name) for fault in told.faults]
    if told.catalog is None:
        raise EditError("This price list is not used: " + "; ".join(faults[:3]))
