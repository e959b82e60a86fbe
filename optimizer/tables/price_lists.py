"""A catalog → a price list as a table, and such a table with other prices → a file that every command takes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from optimizer.errors import DocumentError
from optimizer.whole_file import free_target, put_whole

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog

COLUMNS = {"item_id": "string", "price": "Float64", "currency": "string", "price_date": "string"}


def price_list(shelf: Catalog, kinds: Sequence[str] = ()) -> pd.DataFrame:
    """Return the prices of a catalog, or of these kinds, with the columns that `--catalog` takes (`COLUMNS`)."""
    items = [item for item in shelf.items.values() if not kinds or item.kind.value in kinds]
    told = {
        "item_id": [item.item_id for item in items],
        "price": [item.price_cents / 100 for item in items],
        "currency": [item.currency for item in items],
        "price_date": [item.price_date.isoformat() for item in items],
    }
    return pd.DataFrame({name: pd.Series(told[name], dtype=kind) for name, kind in COLUMNS.items()})


def write_price_list(table: pd.DataFrame, path: Path | str, replace: bool = False) -> None:
    """Write a table with the columns of `price_list` as a price list; rows without a price are left out.

    Raises
    ------
    DocumentError
        Where a column lacks, or the file is there and may not be replaced.
    """
    lacking = [name for name in COLUMNS if name not in table.columns]
    if lacking:
        raise DocumentError(f"{path}: a price list has the columns {', '.join(COLUMNS)}; {', '.join(lacking)} lacks")
    target = free_target(Path(path), replace, ".csv")
    priced = table.loc[table["price"].notna(), list(COLUMNS)]
    text = priced.assign(price=[f"{price:.2f}" for price in priced["price"]]).to_csv(index=False, lineterminator="\n")
    put_whole(target, str(text).encode("utf-8"))
