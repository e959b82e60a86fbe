"""A plan that was found → everything that the store and the workbench need of it, in one value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from optimizer.choices.for_sale import for_sale
from optimizer.model.bill import Bill
from optimizer.model.catalog import Catalog
from optimizer.model.circuits import Feed, feed_of
from optimizer.model.cure import CureTime
from optimizer.model.network import Network
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Verification, planned_network
from optimizer.model.stock import StickRule, sticks_of
from optimizer.model.system import System
from optimizer.read.cure_times import load_cure_times
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.takeoff.bill import bill_of
from optimizer.takeoff.consumables import not_on_the_lists, other_cements
from optimizer.takeoff.cut_list import CutList, cut_list
from optimizer.takeoff.cutting import UNIT_M
from optimizer.takeoff.ports import PortWays, ports_of_plan, unscrewed, ways_at_ports
from optimizer.takeoff.spares import spares_for
from optimizer.takeoff.work_order import RunWork, work_order


@dataclass(frozen=True, slots=True)
class Store:
    """What is known of the store and of cement, beside the catalogs."""

    sticks: tuple[StickRule, ...]
    cure: Mapping[str, CureTime]
    quoted_cents: Mapping[str, int] = field(default_factory=dict)  # what it asks for a stick, by its `stick_id`

    @classmethod
    def shipped(cls, quoted_cents: Mapping[str, int] | None = None) -> Store:
        """Return what the shipped tables say of sticks and cement, with the prices that a store asked."""
        return cls(load_stick_rules(), load_cure_times(), quoted_cents or {})


@dataclass(frozen=True, slots=True)
class Pause:
    """What the work holds up: minutes at the joints, minutes of cure, and the water that runs down when it is opened.

    `back_m3` is what runs into the sump when the pump stops now [m³], None where the file does not tell. `feeds` are
    what moves the water in the runs that are opened.
    """

    work_min: float
    cure_min: float
    back_m3: float | None
    feeds: frozenset[Feed] = frozenset({Feed.PUMP})


@dataclass(frozen=True, slots=True)
class TakeOff:
    """Bill, cut list, ways at threaded ports and work order of one plan; `notes` say what a person must know."""

    bill: Bill
    cuts: CutList
    ports: tuple[PortWays, ...]
    work: tuple[RunWork, ...]
    notes: tuple[Note, ...] = ()
    pause: Pause | None = None  # None: nothing is opened


def take_off(
    system: System,
    plan: Plan,
    verification: Verification,
    catalog: Catalog,
    store: Store,
    flows_m3_s: Mapping[str, float],
    *,
    spares: bool = True,
    ports: bool = True,
) -> TakeOff:
    """Return what a plan takes: parts, pieces of pipe, sticks, joints and the work.

    Parameters
    ----------
    system, plan, verification
        What stands, what becomes of it, and how its valves are set.
    catalog, store
        What can be bought, and how.
    flows_m3_s
        What flows in each run now [m³/s], for the ways at threaded ports.
    spares
        Whether a few spare pieces are listed, apart from the plan's cost.
    ports
        Whether the ways at threaded ports are looked for.
    """
    catalog = for_sale(system, catalog)
    cuts, bill, too_long = priced(system, plan, catalog, store, spares=spares)
    work = work_order(system.network, plan, cuts, store.cure, bend=system.rules.bend_to_fit)
    found = ways_at_ports(system, catalog, flows_m3_s, plan) if ports else ()
    ways = ports_of_plan(found, system.network, plan)
    unused = (note("owned pipe unused"),)
    notes = (
        *not_on_the_lists(plan, catalog),
        *other_cements(plan),
        *unscrewed(plan),
        *too_long,
        *(unused if system.owned_m and not system.rules.pipe_in_sticks else ()),
    )
    return TakeOff(bill, cuts, ways, work, notes, _pause(system.network, plan, verification, work))


def _pause(network: Network, plan: Plan, verification: Verification, work: Sequence[RunWork]) -> Pause | None:
    if not work:
        return None
    waits = [step.minutes["cure"] for one in work for step in one.steps if "cure" in step.minutes]
    checks = verification.safety.checks if verification.safety is not None else ()
    back = next((check for check in checks if check.quantity == "volume"), None)  # the drain-back comes first of these
    planned = planned_network(network, plan)
    feeds = frozenset(feed_of(planned, one.run) for one in work)
    return Pause(plan.minutes, max(waits, default=0.0), None if back is None else back.now, feeds)


def priced(
    system: System, plan: Plan, catalog: Catalog, store: Store, *, spares: bool = False
) -> tuple[CutList, Bill, tuple[Note, ...]]:
    """Return the cut list and the parts list of a plan, and notes on pipe that no length of the store is enough for."""
    owned_m = system.owned_m if system.rules.pipe_in_sticks else {}
    name, quoted = system.rules.store, {**catalog.quoted_lengths, **store.quoted_cents}
    cuts = cut_list(system.network, plan, catalog, store.sticks, owned_m=owned_m, store=name, quoted_cents=quoted)
    in_sticks = system.rules.pipe_in_sticks
    bill = bill_of(
        system,
        plan,
        catalog=catalog,
        cuts=cuts if in_sticks else None,
        spares=spares_for(plan, catalog) if spares else (),
    )
    return cuts, bill, tuple(_too_long(system, cuts, store)) if in_sticks else ()


def _too_long(system: System, cuts: CutList, store: Store) -> Iterator[Note]:
    """Yield a note for every pipe with a piece that is longer than the lengths of the store."""
    for pipes in cuts.pipes:
        longest_m = max(stick.length_m for stick in sticks_of(pipes.item, store.sticks, system.rules.store))
        piece_m = max(piece.cut_m for piece in pipes.pieces)
        if piece_m > longest_m + UNIT_M:
            yield note("too long", pipe=pipes.item.description, length_m=piece_m)
