"""The cheapest plan for unknown flows over every pump that may stand there: the owner's, and those of the catalogs.

Each pump has a search of its own, and where electricity has a price each of its speeds: with the cost of the best plan
so far as what it must stay below. One that costs more by itself, or by what it draws, is never searched. So the result
is proved over all pumps and speeds, or says how much cheaper one could be.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Unpack

from optimizer.choices.for_sale import pumps_for_sale
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.network import Part, Pump
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.duty import energy_cents
from optimizer.search.flow_lists import ListTerms, by_list
from optimizer.search.flow_search import STOPPED, TIME_CAME, Progress
from optimizer.search.pressure import with_pump_borne
from optimizer.search.unknown_flows import SO_FAR, TIME_LIMIT_S, Terms, UnknownSearch, find_unknown

_ROUNDS = 2  # what a first search left open gets the time that the others did not need
_SAME_SPEED = 1e-6
_MOST_SPEEDS = 40  # of all pumps together: more of them are not searched one by one
_LEAST_SHARE = 0.15  # of the time left, for one search


@dataclass(frozen=True)
class PumpVariant:
    """The system with catalog pumps in place of some of the owner's; `items` by the name of the pump they replace.

    `speeds` are those at which the pumps are looked at alone, `energy_cents` what they draw there; empty: at all.
    """

    system: System
    items: Mapping[str, CatalogItem]
    speeds: Mapping[str, float] = field(default_factory=dict)
    energy_cents: int = 0

    @property
    def cents(self) -> int:
        """Return what any plan with these pumps costs at least."""
        return sum(item.price_cents for item in self.items.values()) + self.energy_cents

    @property
    def words(self) -> str:
        pumps = ", ".join(item.description for item in self.items.values()) or "your own pump"
        speeds = ", ".join(f"{100 * speed:.0f} %" for speed in self.speeds.values())
        return f"{pumps} at {speeds}" if speeds else pumps


def find_any(system: System, catalog: Catalog, **terms: Unpack[Terms]) -> UnknownSearch:
    """Return the cheapest plan with any pump that the rules allow; without `other pumps: yes` that is the owner's.

    Parameters and errors are those of `find_unknown`; the time is that of all pumps together. The case of the result
    has the plan's pump in its network.
    """
    if not system.rules.other_pumps and not counts_electricity(system):
        return find_unknown(system, catalog, **terms)
    return _Loop(system, catalog, terms).run()


def by_list_of_any(
    system: System, catalog: Catalog, found: UnknownSearch, below_cents: int | None = None, **terms: Unpack[ListTerms]
) -> UnknownSearch:
    """Return the plan with the cheapest list over all pumps and speeds that `find_any` goes through.

    As `by_list` for each of them; `found` is the plan that is proved by what it uses.
    """
    variants = pump_variants(system, catalog)
    if len(variants) == 1:
        return by_list(system, catalog, found, below_cents, **terms)
    best, open_, most = None, list[str](), _least_of(found.plan.total_cents, below_cents)
    least = most  # of what no list costs less than with the pumps that are left open
    until = time.monotonic() + terms.get("time_limit_s", TIME_LIMIT_S)
    cheap = [variant for variant in variants if variant.cents < most]
    for i, variant in enumerate(cheap):
        share_s = max(0.0, until - time.monotonic()) * max(1.0 / (len(cheap) - i), _LEAST_SHARE)
        is_known = not variant.items and not variant.speeds and not found.plan.new_pumps
        own_terms: ListTerms = {**terms, "time_limit_s": share_s if is_known else 0.5 * share_s}
        own = found if is_known else find_unknown(variant.system, catalog, **own_terms, cutoff_cents=int(most))
        listed = by_list(variant.system, catalog, own, int(most), **own_terms) if own.plan.found else own
        total = listed.plan.total_cents
        if total is not None and total < most:
            plan = replace(_bought(listed.plan, system, catalog, variant), material_cents=total)
            best, most = replace(listed, plan=plan, cents=total), total
        if listed.plan.status is not Status.INFEASIBLE and (listed.bound_cents or 0) < most:
            open_.append(variant.words)
            least = min(least, listed.bound_cents or 0)
    if best is None and (open_ or most != found.plan.total_cents):
        return found
    best, cents = best or found, int(most)
    bound = min(max(found.bound_cents or 0, int(least)), cents) if open_ else cents
    shares = [each for each in found.plan.notes if each.code == "at the same shares" and each not in best.plan.notes]
    left = [note("not ruled out with", pumps=tuple(open_))] if open_ else []
    notes = (*(each for each in best.plan.notes if each.code != "not ruled out with"), *left, *shares)
    status = Status.FEASIBLE if open_ else Status.OPTIMAL
    plan = replace(best.plan, status=status, material_cents=cents, bound_cents=bound, notes=notes)
    return replace(best, plan=plan, bound_cents=bound, cents=cents)


def _least_of(*cents: int | None) -> float:
    return min((each for each in cents if each is not None), default=math.inf)


def pump_variants(system: System, catalog: Catalog) -> list[PumpVariant]:
    """Return every way to take catalog pumps for the owner's, the cheapest first; the first is to take none.

    In settings another pump runs at the same shares of its full speed, so it must be one that can be set to them. A
    pump that could burst what has to stay is left out.
    """
    if not system.rules.other_pumps:
        return _by_speed(PumpVariant(system, {}))
    items = pumps_for_sale(system, catalog)
    names = list(system.network.pumps)
    choices = [
        [None, *(item for item in items if _can_run(system, name, catalog.pumps[item.item_id]))] for name in names
    ]
    made = [_variant(system, catalog, dict(zip(names, chosen, strict=True))) for chosen in itertools.product(*choices)]
    borne = [(with_pump_borne(system, variant.system), variant) for variant in made]
    found = [replace(variant, system=there) for there, variant in borne if there is not None]
    own, *others = (each for variant in found for each in _by_speed(variant))
    return [own, *sorted(others, key=lambda variant: variant.cents)]


def counts_electricity(system: System) -> bool:
    """Return whether what the pumps draw depends on a choice of their speeds."""
    rules = system.rules
    free = not system.settings and any(set(pump.speeds) - {pump.speed} for pump in system.network.pumps.values())
    return free and rules.electricity_cents_per_kwh * rules.horizon_h > 0.0


def _by_speed(variant: PumpVariant) -> list[PumpVariant]:
    """Return a variant at each of its speeds, the fastest first, where electricity is counted; else as it is."""
    system = variant.system
    pumps = system.network.pumps
    each = [
        sorted({pump.speed, *pump.speeds}, reverse=True) if pump.power_w is not None else [None]
        for pump in pumps.values()
    ]
    combos = list(itertools.product(*each))
    if not counts_electricity(system) or not 1 < len(combos) <= _MOST_SPEEDS:
        return [variant]
    return [_at_speeds(variant, dict(zip(pumps, combo, strict=True))) for combo in combos]


def _at_speeds(variant: PumpVariant, chosen: Mapping[str, float | None]) -> PumpVariant:
    speeds = {name: speed for name, speed in chosen.items() if speed is not None}
    system = variant.system
    pumps = dict(system.network.pumps)
    energy = sum(energy_cents(pumps[name], speed, system.rules) for name, speed in speeds.items())
    for name, speed in speeds.items():
        pumps[name] = replace(pumps[name], speed=speed, speeds=())
    held = replace(system, network=replace(system.network, pumps=pumps))
    return PumpVariant(held, variant.items, speeds, energy)


def _can_run(system: System, name: str, pump: Pump) -> bool:
    own = system.network.pumps[name].speed
    speeds = [setting.speeds.get(name, own) for setting in system.settings]
    offered = (pump.speed, *pump.speeds)
    return all(any(abs(speed - other) < _SAME_SPEED for other in offered) for speed in speeds)


def _variant(system: System, catalog: Catalog, chosen: Mapping[str, CatalogItem | None]) -> PumpVariant:
    items = {name: item for name, item in chosen.items() if item is not None}
    network = system.network
    pumps = dict(network.pumps)
    for name, item in items.items():
        pump = replace(catalog.pumps[item.item_id], name=name)
        pumps[name] = replace(pump, speed=network.pumps[name].speed, speeds=()) if system.settings else pump
    runs = {
        run.name: replace(run, parts=tuple(_taken(part, items) for part in run.parts)) for run in network.runs.values()
    }
    return PumpVariant(replace(system, network=replace(network.with_runs(runs), pumps=pumps)), items)


def _taken(part: Part, items: Mapping[str, CatalogItem]) -> Part:
    """Return the pump that stands in a part's place: bought, under the old one's name."""
    item = items.get(part.name) if part.kind is Kind.PUMP else None
    if item is None:
        return part
    new = Part(Kind.PUMP, item.ends, item.end_bores_m, item, name=part.name, existing=False, label=item.description)
    return replace(new, condition=part.condition)


class _Loop:
    """One search for each pump; no plan with a pump costs less than its bound [cents]."""

    def __init__(self, system: System, catalog: Catalog, terms: Terms) -> None:
        self.until = time.monotonic() + terms.get("time_limit_s", TIME_LIMIT_S)
        self.system, self.catalog, self.terms = system, catalog, terms
        self.progress, self.cutoff_cents = terms.get("progress"), terms.get("cutoff_cents")
        self.variants = pump_variants(system, catalog)
        floor = terms.get("floor_cents", 0)
        self.bounds = [float(max(variant.cents, floor)) for variant in self.variants]
        self.first: list[UnknownSearch] = []
        self.best: UnknownSearch | None = None
        self.by_hand = False

    @property
    def known(self) -> float:
        """Return what a plan must cost less than to be of interest [cents]."""
        best = math.inf if self.best is None or self.best.cents is None else self.best.cents
        return min(best, math.inf if self.cutoff_cents is None else self.cutoff_cents)

    def run(self) -> UnknownSearch:
        waiting: Sequence[int] = range(len(self.variants))
        for _ in range(_ROUNDS):
            waiting = list(self._round(waiting))
        return self._ended()

    def _round(self, waiting: Sequence[int]) -> Iterator[int]:
        """Search one pump after the other; yield those that were left without a proof."""
        for i, at in enumerate(waiting):
            if self.bounds[at] >= self.known:
                continue
            left_s = self.until - time.monotonic()
            if self.by_hand or left_s <= 0.0 or (self.terms.get("any_plan") and self.best is not None):
                yield at
                continue
            found = self._search(at, left_s * max(1.0 / (len(waiting) - i), _LEAST_SHARE))
            if found.plan.status not in (Status.OPTIMAL, Status.INFEASIBLE):
                yield at

    def _search(self, at: int, time_limit_s: float) -> UnknownSearch:
        variant = self.variants[at]
        left: Terms = {
            **self.terms,
            "time_limit_s": time_limit_s,
            "progress": self._told(at) if self.progress is not None else None,
            "cutoff_cents": None if math.isinf(self.known) else int(self.known),
        }
        found = find_unknown(variant.system, self.catalog, **left)
        self.by_hand = self.by_hand or found.by_hand
        self.bounds[at] = math.inf if found.bound_cents is None else max(self.bounds[at], found.bound_cents)
        self.first += [found] if at == 0 and not self.first else []
        if found.plan.found and (found.cents or 0) < self.known:
            self.best = replace(found, plan=_bought(found.plan, self.system, self.catalog, variant))
        return found

    def _told(self, at: int) -> Progress:
        def tell(stage: str, best: int | None, bound: int | None) -> None:
            assert self.progress is not None
            others = min((bound_there for i, bound_there in enumerate(self.bounds) if i != at), default=math.inf)
            least = min(self.known, others, math.inf if bound is None else max(bound, self.bounds[at]))
            known = [cents for cents in (best, None if self.best is None else self.best.cents) if cents is not None]
            words = f"{stage}, {self.variants[at].words} ({at + 1} of {len(self.variants)})"
            self.progress(words, min(known, default=None), None if math.isinf(least) else int(least))

        return tell

    def _ended(self) -> UnknownSearch:
        """Return the best plan with the bound over all pumps, or why there is none."""
        least = min(self.bounds)
        if self.best is None:
            return self._none(least)
        best, cents = self.best, self.best.cents
        assert cents is not None
        bound = int(min(least, cents))
        notes = tuple(self._notes())
        plan = replace(
            best.plan,
            status=Status.OPTIMAL if bound >= cents else Status.FEASIBLE,
            bound_cents=max(0, bound),
            notes=(*(each for each in best.plan.notes if bound < cents or each.code != SO_FAR), *notes),
        )
        return replace(best, plan=plan, bound_cents=bound, by_hand=self.by_hand)

    def _notes(self) -> Iterator[Note]:
        open_ = self._open()
        if open_:
            yield note("not ruled out with", pumps=open_)
        if self.system.settings:
            yield note("at the same shares")

    def _open(self) -> tuple[str, ...]:
        """Return the pumps with which a plan that costs less is not ruled out."""
        return tuple(self.variants[i].words for i, bound in enumerate(self.bounds) if bound < self.known)

    def _none(self, least: float) -> UnknownSearch:
        own = self.first[0].plan if self.first else Plan(Status.NO_PLAN_FOUND, None, None, "", {}, {}, {})
        pumps = len({tuple(item.item_id for item in variant.items.values()) for variant in self.variants})
        if math.isinf(least) or (self.cutoff_cents is not None and least >= self.cutoff_cents):
            said = [note("same with other pumps", pumps=pumps - 1)]
            reasons = (*own.reasons, *(said if pumps > 1 else []))
            plan = replace(own, status=Status.INFEASIBLE, bound_cents=None, reasons=reasons)
            return UnknownSearch(plan, bound_cents=None if math.isinf(least) else self.cutoff_cents)
        left = (note("before any plan", why=STOPPED if self.by_hand else TIME_CAME, pumps=self._open()),)
        plan = Plan(Status.NO_PLAN_FOUND, None, int(least), self.catalog.currency, {}, {}, {}, reasons=left)
        return UnknownSearch(plan, bound_cents=int(least), by_hand=self.by_hand)


def _bought(plan: Plan, system: System, catalog: Catalog, variant: PumpVariant) -> Plan:
    """Return the plan with its new pumps named, and the old ones among what is taken out."""
    runs = dict(plan.runs)
    for run in system.network.runs.values():
        gone = tuple(part for part in run.parts if part.kind is Kind.PUMP and part.name in variant.items)
        if gone:
            runs[run.name] = replace(runs[run.name], removed=(*gone, *runs[run.name].removed))
    new = {
        name: replace(catalog.pumps[item.item_id], name=name, speed=variant.system.network.pumps[name].speed)
        for name, item in variant.items.items()
    }
    return replace(plan, runs=runs, new_pumps=new)
