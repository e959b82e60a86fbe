"""What the program works out as tables of pandas, for notebooks: flows, losses, lists, catalogs, safety.

Every table has the same columns with the same types whatever it holds, also when it is empty. SI units are in the names
of the columns, money is in whole cents, words that repeat are categories. `COLUMNS` names them all.
"""

from optimizer.tables.frames import (
    COLUMNS,
    bands,
    catalog,
    cut_list,
    flows,
    frontier,
    joints,
    leaks,
    losses,
    parts_list,
    readings,
    safety,
    targets,
)
from optimizer.tables.price_lists import price_list, write_price_list
from optimizer.tables.shown import Shown, show, show_frontier, show_system

__all__ = [
    "COLUMNS",
    "Shown",
    "bands",
    "catalog",
    "cut_list",
    "flows",
    "frontier",
    "joints",
    "leaks",
    "losses",
    "parts_list",
    "price_list",
    "readings",
    "safety",
    "show",
    "show_frontier",
    "show_system",
    "targets",
    "write_price_list",
]
