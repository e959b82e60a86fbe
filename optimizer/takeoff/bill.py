"""A system and its plan turned into a bill: what a store hands over, line by line, and what comes out of the wall.

Nothing is bought or taken out here that the plan does not hold, and nothing of the plan is left out: both are checked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.errors import OptimizerError
from optimizer.model.bill import Bill, BillLine, TakeOutLine
from optimizer.model.catalog import PIPES, Catalog, CatalogItem, Kind
from optimizer.model.ends import End
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Purchase
from optimizer.model.stock import stick_id
from optimizer.model.system import System
from optimizer.takeoff.consumables import joints_made, rate_of, row_note
from optimizer.takeoff.cut_list import CutList, PipeCuts
from optimizer.takeoff.fate import fate_of
from optimizer.takeoff.order import (
    ends_words,
    group_of,
    place_in_list,
    sale_unit,
    size_words,
    standards_words,
    stick_words,
)
from optimizer.units import show_length

_WHOLE_MM_M = 0.001  # pieces are counted in whole millimetres
SPARE_MARK = " (spare)"  # behind the item number of a spare piece


def bill_of(
    system: System,
    plan: Plan,
    *,
    catalog: Catalog | None = None,
    cuts: CutList | None = None,
    spares: Sequence[CatalogItem] = (),
) -> Bill:
    """Return the parts list and the take-out list of a plan.

    Parameters
    ----------
    system
        The system that the plan is for; its units say how cut lengths are written.
    plan
        A plan that was found. The same item bought for several places becomes one line.
    catalog
        Where it is given, the lines of consumables say how many joints a pack does.
    cuts
        Where it is given, rigid pipe is bought in the sticks of this cut list, and not by its sale length.
    spares
        Spare pieces, listed apart from what the plan needs.

    Raises
    ------
    OptimizerError
        When the plan holds no plan, mixes currencies, buys less pipe than its pieces are long, gives one item id to two
        different items.
    """
    if not plan.found:
        raise OptimizerError(f"there is nothing to buy: the search ended {plan.status.value!r}")
    purchases = tuple(_purchases(plan))
    for purchase in purchases:
        _check_purchase(purchase, plan.currency)
    items = _by_item(purchases)
    for bought in items:
        _check_pipe(bought)
    rates = _rates(plan, catalog) if catalog is not None else {}
    by_length = tuple(_bill_line(bought, system.units, rates) for bought in items)
    lines = by_length if cuts is None else _in_sticks(by_length, items, cuts, system.units)
    bill = Bill(
        plan.currency,
        lines,
        tuple(_take_out_lines(plan, system.units)),
        tuple(_spare_line(item) for item in spares),
    )
    _check_conservation(bill, plan, system)
    return bill


def _rates(plan: Plan, catalog: Catalog) -> dict[str, Note | None]:
    made = joints_made(plan)
    return {bought.item.item_id: rate_of(bought.item, made, catalog) for bought in plan.consumables}


def _in_sticks(
    by_length: Sequence[BillLine], items: Sequence[Sequence[Purchase]], cuts: CutList, units: str
) -> tuple[BillLine, ...]:
    """Return the lines with every pipe of the cut list bought in its sticks."""
    cut = {pipes.item.item_id: pipes for pipes in cuts.pipes}  # hose and tube come by the length
    lines: list[BillLine] = []
    for line, bought in zip(by_length, items, strict=True):
        pipes = cut.get(bought[0].item.item_id)
        lines += [line] if pipes is None else _stick_lines(line, pipes, units)
    return tuple(lines)


def _stick_lines(line: BillLine, pipes: PipeCuts, units: str) -> list[BillLine]:
    """Return one line for each length and price of stick, longest first; none for sticks that are owned."""
    sticks = [stick for stick in pipes.plan.sticks if not stick.owned]
    owned = len(pipes.plan.sticks) - len(sticks)
    found = []
    for length_m, cents in sorted({(stick.length_m, stick.price_cents) for stick in sticks}, reverse=True):
        same = [stick for stick in sticks if (stick.length_m, stick.price_cents) == (length_m, cents)]
        marks = tuple(mark for stick in same for mark in pipes.marks(stick.cuts))
        besides = note("owned besides", count=owned) if owned else None
        found.append(
            replace(
                line,
                item_id=stick_id(line.item_id, length_m),
                description=f"{line.description}, {stick_words(length_m)}",
                quantity=len(same),
                unit="length",
                unit_price_cents=cents,
                note=note("marks", marks=marks, owned=besides),
            )
        )
    return found


def _spare_line(item: CatalogItem) -> BillLine:
    line = _bill_line([Purchase(item, 1, "spare")], "US", {})
    return replace(line, item_id=f"{line.item_id}{SPARE_MARK}", note=note("spare"))


def _purchases(plan: Plan) -> Iterator[Purchase]:
    for run_plan in plan.runs.values():
        yield from run_plan.purchases
    for tee_plan in plan.tees.values():
        yield from tee_plan.purchases
    yield from plan.consumables


def _check_purchase(purchase: Purchase, currency: str) -> None:
    item = purchase.item
    if item.currency != currency:
        raise OptimizerError(
            f"{item.item_id} is priced in {item.currency}, the plan in {currency}: give all prices in one currency"
        )
    least = 0 if item.kind in PIPES else 1  # a short piece of pipe may be cut from what another one leaves over
    if purchase.quantity < least:
        raise OptimizerError(
            f"{item.item_id} for {purchase.where}: quantity {purchase.quantity}, must be {least} or more"
        )


def _check_pipe(bought: Sequence[Purchase]) -> None:
    """Raise when the pieces of one pipe are longer than what is bought of it."""
    item = bought[0].item
    quantity = sum(purchase.quantity for purchase in bought)
    pieces_m = sum(purchase.length_m for purchase in bought)
    if item.kind in PIPES and pieces_m > quantity * (item.sale_length_m + _WHOLE_MM_M):
        raise OptimizerError(
            f"{item.item_id}: {quantity} × {item.sale_length_m} m is too short for pieces of {pieces_m:.3f} m together"
        )


def _by_item(purchases: Sequence[Purchase]) -> list[list[Purchase]]:
    """Return the purchases in one list for each item, in the order of a parts list."""
    bought: dict[str, list[Purchase]] = {}
    for purchase in purchases:
        same = bought.setdefault(purchase.item.item_id, [])
        if same and same[0].item != purchase.item:
            raise OptimizerError(f"two different items are both called {purchase.item.item_id}: ids must be unique")
        same.append(purchase)
    return sorted(bought.values(), key=lambda same: place_in_list(same[0].item))


def _bill_line(bought: Sequence[Purchase], units: str, rates: Mapping[str, Note | None]) -> BillLine:
    item = bought[0].item
    return BillLine(
        item_id=item.item_id,
        group=group_of(item),
        description=item.description,
        size=size_words(item),
        ends=ends_words(item),
        material=item.material,
        standard=standards_words(item),
        quantity=sum(purchase.quantity for purchase in bought),
        unit=sale_unit(item),
        unit_price_cents=item.price_cents,
        where_used=_where_used(bought),
        price_date=item.price_date.isoformat(),
        note=rates.get(item.item_id, row_note(item)) if item.kind is Kind.CONSUMABLE else _pieces(bought),
        rating_pa=item.pressure_rating_pa,
    )


def _where_used(bought: Sequence[Purchase]) -> str:
    """Return the places with the number of pieces in each: `riser (2), uv line`. Pipe counts cut pieces, not feet."""
    counts: Counter[str] = Counter()
    for purchase in bought:
        counts[purchase.where] += 1 if purchase.item.kind in PIPES else purchase.quantity
    return _places(counts)


def _places(counts: Counter[str]) -> str:
    return ", ".join(where if count == 1 else f"{where} ({count})" for where, count in counts.items())


def _pieces(bought: Sequence[Purchase]) -> Note | None:
    lengths = sorted((purchase.length_m for purchase in bought if purchase.length_m > 0), reverse=True)
    return note("pieces", lengths_m=tuple(lengths)) if lengths else None


@dataclass(frozen=True, slots=True)
class _Removed:
    description: str
    unit: str
    fate: str
    why: Note


def _take_out_lines(plan: Plan, units: str) -> Iterator[TakeOutLine]:
    """Yield one line for each different thing that comes out, what serves again first, in the order of the runs."""
    places: dict[_Removed, Counter[str]] = {}
    for where, thing in _removed(plan, units):
        places.setdefault(thing, Counter())[where] += 1
    for thing, counts in sorted(places.items(), key=lambda entry: entry[0].fate):
        yield TakeOutLine(thing.description, counts.total(), thing.unit, _places(counts), thing.fate, thing.why)


def _removed(plan: Plan, units: str) -> Iterator[tuple[str, _Removed]]:
    for run_plan in plan.runs.values():
        for part in run_plan.removed:
            if part.kind is not Kind.OPEN_JOINT:  # nothing is there yet that could come out
                yield run_plan.run, _thing(part.words, part.kind, part.ends, part.length_m, units)
    for tee_plan in plan.tees.values():
        for item in tee_plan.removed:
            yield tee_plan.point, _thing(item.description, item.kind, item.ends, 0.0, units)


def _thing(words: str, kind: Kind, ends: Iterable[End], length_m: float, units: str) -> _Removed:
    fate, why = fate_of(kind, tuple(ends))
    if kind in PIPES and length_m > 0:
        return _Removed(f"{words}, {show_length(length_m, units)} long", "piece", fate, why)
    return _Removed(words, "each", fate, why)


def _check_conservation(bill: Bill, plan: Plan, system: System) -> None:
    if bill.currency != system.currency:
        raise OptimizerError(f"the plan is in {bill.currency}, the system in {system.currency}: use one currency")
    removed = sum(1 for _ in _removed(plan, system.units))
    listed = sum(line.quantity for line in bill.taken_out)
    if removed != listed:
        raise OptimizerError(f"the plan takes out {removed} parts and the list of removed parts has {listed}")
