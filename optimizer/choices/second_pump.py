"""A system with a second pump put in: in the pipe behind the first one, or beside it with a line of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.choices.for_sale import pumps_for_sale
from optimizer.joints.chains import new_part
from optimizer.model.catalog import CHECKS, Catalog, CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form
from optimizer.model.network import (
    Condition,
    Leg,
    Mounting,
    Network,
    Part,
    Point,
    PointKind,
    Pump,
    Run,
    RunEnd,
    Tee,
)
from optimizer.model.system import SecondPump, System, another_id

OUT_OF_WATER = frozenset({Mounting.DRY, Mounting.EITHER})
IN_WATER = frozenset({Mounting.IN_WATER, Mounting.EITHER})
JOIN = "pump tee"


@dataclass(frozen=True, slots=True)
class PumpOffer:
    """A pump that can be bought: its row and its curve."""

    item: CatalogItem
    pump: Pump


@dataclass(frozen=True)
class TwoPumps:
    """A system with a second pump in it, as an open choice, and the same plumbing as it stands, cut apart alike.

    `first` is None where the owner's pump stays.
    """

    system: System
    stands: Network
    name: str  # of the second pump
    first: PumpOffer | None
    second: PumpOffer
    beside: bool

    @property
    def cents(self) -> int:
        """Return what the pumps alone cost."""
        return self.second.item.price_cents + (self.first.item.price_cents if self.first else 0)

    @property
    def words(self) -> str:
        how = "in parallel" if self.beside else "in series"
        own = self.first.item.description if self.first else "your own pump"
        return f"{own} and {self.second.item.description} {how}"


def two_pumps(system: System, catalog: Catalog) -> list[TwoPumps]:
    """Return every way to put a second pump in that the budget allows, the cheapest pumps first.

    The second pump is one of the catalogs, or another like the owner's where the file says what that costs. Where the
    rules allow other pumps, the first may be one of the catalogs as well. In series a pump must be made to stand in a
    line; with a line that begins in the water it must be made for that.
    """
    told = system.second_pump
    if told is None:
        return []
    rows = pumps_for_sale(system, catalog)
    offers = [PumpOffer(item, catalog.pumps[item.item_id]) for item in rows]
    seconds = [*offers, *_another(system, told, catalog)]
    firsts: list[PumpOffer | None] = [None, *(offers if system.rules.other_pumps else [])]
    found = [pair for first in firsts for second in seconds for pair in _arranged(system, catalog, first, second)]
    most = system.rules.budget_cents
    return sorted((pair for pair in found if most is None or pair.cents <= most), key=lambda pair: pair.cents)


def _another(system: System, told: SecondPump, catalog: Catalog) -> Iterator[PumpOffer]:
    if told.another_cents is None:
        return
    own = system.network.pumps[told.pump]
    part = next(part for part in system.network.runs[told.run].parts if part.kind is Kind.PUMP)
    date = max(item.price_date for item in catalog.items.values())
    item = CatalogItem(
        item_id=another_id(told.pump),
        kind=Kind.PUMP,
        description=f"another of the same model as {told.pump!r}",
        family="pump",
        material="plastic",
        ends=part.ends,
        end_bores_m=part.end_bores_m,
        take_outs_m=(0.0, 0.0),
        loss=LossData(LossMethod.NONE),
        price_cents=told.another_cents,
        currency=catalog.currency,
        price_date=date,
        source="",
        note="price as the system file has it",
    )
    speeds = own.speeds or (own.speed,)
    yield PumpOffer(item, replace(own, speed=max(speeds), head_factor=1.0))


def _arranged(system: System, catalog: Catalog, first: PumpOffer | None, second: PumpOffer) -> Iterator[TwoPumps]:
    told = system.second_pump
    assert told is not None
    if told.in_series and second.pump.mounting in OUT_OF_WATER:
        yield _in_series(system, told, first, second)
    if told.beside and second.pump.mounting in (OUT_OF_WATER if told.suction else IN_WATER):
        pair = _side_by_side(system, told, catalog, first, second)
        if pair is not None:
            yield pair


def _in_series(system: System, told: SecondPump, first: PumpOffer | None, second: PumpOffer) -> TwoPumps:
    network = system.network
    run = network.runs[told.run]
    name = _free(f"{told.pump} 2", network.pumps)
    before, half, after = _halves(run, told.pipe)
    opening = _open_joint(half)
    pump = _pump_part(second, name)
    parts = (*_with_first(before, first), half, opening, pump, opening, half, *after)
    stands = network.with_runs({run.name: replace(run, parts=(*before, half, half, *after))})
    planned = network.with_runs({run.name: replace(run, parts=parts)})
    return _two(system, planned, stands, name, first, second, beside=False)


def _side_by_side(
    system: System, told: SecondPump, catalog: Catalog, first: PumpOffer | None, second: PumpOffer
) -> TwoPumps | None:
    """Return both lines with a check valve each and the tee where they join; None where no check valve is sold.

    The run behind the tee keeps its name: it carries what the run carried.
    """
    network = system.network
    run = network.runs[told.run]
    name = _free(f"{told.pump} 2", network.pumps)
    lines = [_free(f"pump {pump}", network.runs) for pump in (told.pump, name)]
    join = _free(JOIN, network.points)
    before, half, after = _halves(run, told.pipe)
    check = _check_valve(run, catalog)
    opening = _open_joint(half)
    if check is None:
        return None
    own_check = () if _checked(before) else (check,)
    other_check = () if _checked(told.line) else (check,)
    own = (*_with_first(before, first), half, *(own_check or (opening,)))
    ahead = (*told.suction, opening) if told.suction else ()
    other = (*ahead, _pump_part(second, name), opening, *other_check, *told.line)
    ends = RunEnd(join, Leg.RUN_1), RunEnd(join, Leg.BRANCH), RunEnd(join, Leg.RUN_2)
    first_line = replace(run, name=lines[0], end=ends[0], parts=own)
    second_line = Run(lines[1], run.start, ends[1], run.size, run.family, other)
    behind = replace(run, start=ends[2], parts=(half, *after))
    stood = replace(first_line, parts=(*before, half)), replace(second_line, parts=(opening,)), behind
    networks = []
    for three in ((first_line, second_line, behind), stood):
        runs: dict[str, Run] = {}
        for old in network.runs.values():
            runs |= {new.name: new for new in three} if old.name == run.name else {old.name: old}
        points = {**network.points, join: Point(join, PointKind.TEE)}
        networks.append(replace(network, runs=runs, points=points, tees={**network.tees, join: Tee(join, None)}))
    return _two(_carrying(system, lines[0], run.name), networks[0], networks[1], name, first, second, beside=True)


def _carrying(system: System, line: str, run: str) -> System:
    """Return the system with a line that carries today what a run does: it is the first piece of it."""
    carried = system.carried_m3_s
    if carried is None:
        return system
    more = {mode: {**flows, line: flows.get(run, 0.0)} for mode, flows in carried.items()}
    return replace(system, carried_m3_s=more)


def _two(
    system: System,
    planned: Network,
    stands: Network,
    name: str,
    first: PumpOffer | None,
    second: PumpOffer,
    *,
    beside: bool,
) -> TwoPumps:
    told = system.second_pump
    assert told is not None
    pumps = {**planned.pumps, name: replace(second.pump, name=name)}
    if first is not None:
        pumps[told.pump] = replace(first.pump, name=told.pump)
    rules = replace(system.rules, other_pumps=False)
    open_choice = replace(system, network=replace(planned, pumps=pumps), rules=rules, second_pump=None)
    return TwoPumps(open_choice, stands, name, first, second, beside)


def _halves(run: Run, pipe: int) -> tuple[tuple[Part, ...], Part, tuple[Part, ...]]:
    whole = run.parts[pipe]
    return run.parts[:pipe], replace(whole, length_m=whole.length_m / 2), run.parts[pipe + 1 :]


def _with_first(parts: tuple[Part, ...], first: PumpOffer | None) -> tuple[Part, ...]:
    if first is None:
        return parts
    return tuple(
        replace(_pump_part(first, part.name), condition=part.condition) if part.kind is Kind.PUMP else part
        for part in parts
    )


def _pump_part(offer: PumpOffer, name: str) -> Part:
    item = offer.item
    return Part(
        Kind.PUMP,
        item.ends,
        item.end_bores_m,
        item,
        name=name,
        condition=Condition.KEEP,
        existing=False,
        label=item.description,
    )


def _open_joint(pipe: Part) -> Part:
    """Return a joint that is to be made where a pipe is sawn through."""
    return Part(Kind.OPEN_JOINT, pipe.ends, pipe.end_bores_m, existing=False, label=str(Kind.OPEN_JOINT))


def _check_valve(run: Run, catalog: Catalog) -> Part | None:
    """Return a check valve of the run's size, to be bought in whatever size and kind serves best.

    It only says what is to be bought: it need not be for sale itself.
    """
    rows = [item for item in catalog.of_kind(*CHECKS) if item.family in catalog.families_for(run.family)]
    fits = [item for item in rows if all(_is_socket(end, run.size) for end in item.ends)]
    if not fits:
        return None
    cheapest = min(fits, key=lambda item: (item.price_cents, item.item_id))
    return replace(new_part(cheapest), condition=Condition.MUST_GO)


def _is_socket(end: End, size: str) -> bool:
    return end.form is Form.SOCKET and end.size == size


def _checked(parts: tuple[Part, ...]) -> bool:
    return any(part.kind in CHECKS for part in parts)


def _free(name: str, taken: object) -> str:
    """Return a name that is not taken, by adding a number."""
    assert hasattr(taken, "__contains__")
    number, found = 2, name
    while found in taken:
        number, found = number + 1, f"{name} {number}"
    return found
