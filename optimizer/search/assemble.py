"""Read a selection back into a plan: what every run becomes, in the order in which the pipe is walked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import ceil, floor

from optimizer.choices.alternatives import Alternative, pipe_of
from optimizer.choices.effort import Effort, minutes_of
from optimizer.choices.graph import Arc
from optimizer.choices.tees import TeeOption
from optimizer.model.catalog import PIPES, Catalog, CatalogItem
from optimizer.model.network import Network, Part, Run
from optimizer.model.plan import JointWork, Plan, Purchase, RunPlan, Status, TeePlan
from optimizer.program.problem import Outcome, Selection
from optimizer.search.duty import Duty
from optimizer.search.posing import Options, PosedProblem

_PIECE_METHODS = {"washer": "washer", "clamp": "clamp"}  # sealed by one piece a joint


@dataclass
class _PipeCounter:
    """Charges every piece of pipe the whole sale lengths that it adds to what earlier pieces left over."""

    used_mm: Counter[str] = field(default_factory=Counter)

    def lengths(self, item: CatalogItem, mm: int) -> int:
        sale = floor(1000 * item.sale_length_m + 1e-9)  # a foot is 304.8 mm: never count on the last fraction
        before = self.used_mm[item.item_id]
        self.used_mm[item.item_id] = before + mm
        return -(-(before + mm) // sale) - -(-before // sale)


def plan_of(options: Options, posed: PosedProblem, selection: Selection, duty: Duty) -> Plan:
    """Return the plan that a selection stands for, with the consumables that its joints take."""
    network, catalog, rules = options.system.network, options.catalog, options.system.rules
    pipe = _PipeCounter()
    chosen = {name: posed.alternatives[name][k] for name, k in selection.run_choice.items()}
    runs = {name: _run_plan(network.runs[name], alternative, pipe) for name, alternative in chosen.items()}
    for name, run in network.runs.items():
        runs.setdefault(name, RunPlan(name, run.parts, (), (), (), ()))
    tees = {point: _tee_plan(network, point, posed.tees[point][k]) for point, k in selection.tee_choice.items()}
    ordered = {name: runs[name] for name in network.runs}
    if duty.replaces is not None:
        name = next(name for name, run in ordered.items() if any(part.name == duty.pump.name for part in run.parts))
        ordered[name] = replace(ordered[name], removed=(duty.replaces, *ordered[name].removed))
    consumables = tuple(_consumables(catalog, [joint for plan in ordered.values() for joint in plan.joints]))
    cents = sum(run.cost_cents for run in ordered.values()) + sum(tee.cost_cents for tee in tees.values())
    cents += sum(purchase.cost_cents for purchase in consumables)
    arcs = [arc for alternative in chosen.values() for arc in alternative.arcs]
    minutes, cuts = sum(minutes_of(arc) for arc in arcs), sum(arc.cuts for arc in arcs)
    labour = Effort(rules.labour_cents_per_hour)
    assert selection.cents is not None
    assert selection.bound_cents is not None
    return Plan(
        status=Status.OPTIMAL if selection.outcome is Outcome.OPTIMAL else Status.FEASIBLE,
        cost_cents=cents,
        material_cents=selection.cents + duty.energy_cents,
        bound_cents=max(0, selection.bound_cents + duty.energy_cents),
        currency=catalog.currency,
        runs=ordered,
        tees=tees,
        pump_speeds={duty.pump.name: duty.speed} if duty.pump.name else {},
        consumables=consumables,
        effort_cents=sum(labour.cents(arc) for arc in arcs),
        energy_cents=duty.energy_cents,
        new_pumps={} if duty.replaces is None else {duty.pump.name: duty.pump},
        cuts=cuts,
        minutes=minutes,
    )


def _run_plan(run: Run, alternative: Alternative, pipe: _PipeCounter) -> RunPlan:
    """Return what one run becomes; pieces of one pipe that meet end to end are one piece."""
    parts: list[Part] = []
    gone: list[Part] = []
    joints: list[JointWork] = []
    bought: list[Purchase] = []
    for arc in alternative.arcs:
        for part in arc.parts:
            parts = _with_part(parts, part)
        gone += [*(run.parts[i] for i in arc.removed), *arc.sawn_off]
        joints += [JointWork(m, size, run.name, f"{m}, {size}") for m, size in arc.joints if m != "stub"]
    used = _pipe_mm(alternative)
    for part in parts:
        if not part.existing and part.item is not None and part.kind not in PIPES:
            bought.append(Purchase(part.item, 1, run.name))
    bought += _pipe_purchases(run.name, parts, used, pipe)
    apart = tuple(_pieces_of(arc) for arc in alternative.arcs if arc.sawn_off)
    changes = tuple(_changes(run, alternative))
    return RunPlan(run.name, tuple(parts), tuple(bought), tuple(gone), tuple(joints), changes, apart)


def _pieces_of(arc: Arc) -> tuple[Part, Part]:
    """Return the pieces of a pipe that is kept in part, the one that stays and the one that goes, as they stood."""
    first, last, off = arc.parts[0], arc.parts[-1], arc.sawn_off[0]
    return (first, off) if first.existing else (off, last)


def _with_part(parts: list[Part], part: Part) -> list[Part]:
    if parts and not part.existing and part.kind in PIPES and not parts[-1].existing:
        last = parts[-1]
        if last.kind is part.kind and last.item is not None and last.item is part.item:
            return [*parts[:-1], replace(last, length_m=last.length_m + part.length_m)]
    return [*parts, part]


def _pipe_mm(alternative: Alternative) -> dict[str, tuple[CatalogItem, int]]:
    """Return the pipe of an alternative [mm], with what goes into sockets, gaps and saw cuts."""
    used: dict[str, tuple[CatalogItem, int]] = {}
    for arc in alternative.arcs:
        for item, length_m in pipe_of(arc):
            used[item.item_id] = (item, used.get(item.item_id, (item, 0))[1] + ceil(1000 * length_m))
    return used


def _pipe_purchases(
    run: str, parts: Iterable[Part], used: Mapping[str, tuple[CatalogItem, int]], pipe: _PipeCounter
) -> Iterable[Purchase]:
    """Yield one purchase per piece of new pipe; what is hidden in sockets is spread over the pieces of its kind."""
    for item, total_mm in used.values():
        pieces = [p for p in parts if p.kind in PIPES and not p.existing and p.item is item]
        shown = sum(piece.length_m for piece in pieces)
        rest = total_mm
        for i, piece in enumerate(pieces):
            share = (
                rest if i + 1 == len(pieces) else round(1000 * piece.length_m + (total_mm - 1000 * shown) / len(pieces))
            )
            rest -= share
            yield Purchase(item, pipe.lengths(item, share), run, share / 1000)


def _tee_plan(network: Network, point: str, option: TeeOption) -> TeePlan:
    if option.tee.existing:
        return TeePlan(point, option.tee, (), ())
    old = network.tees[point].item
    what = f"replace {old.description} by {option.item.description}" if old else f"put in {option.item.description}"
    return TeePlan(
        point,
        option.tee,
        (Purchase(option.item, 1, point),),
        (old,) if old is not None else (),
        (what,),
    )


def _changes(run: Run, alternative: Alternative) -> Iterable[str]:
    """Yield what is done along a run, one sentence a place, in trade words."""
    old: list[Part] = []
    new: list[Part] = []
    for arc in alternative.arcs:
        fresh = [part for part in arc.parts if not part.existing]
        old += [*(run.parts[i] for i in arc.removed), *arc.sawn_off]
        new += fresh
        if any(part.existing for part in arc.parts) and (old or new):
            yield sentence_of(old, new)
            old, new = [], []
    if old or new:
        yield sentence_of(old, new)


def sentence_of(old: list[Part], new: list[Part]) -> str:
    gone, come = _list(old), _list(new)
    if gone and come:
        return f"take out {gone}; put in {come}"
    return f"take out {gone}" if gone else f"put in {come}"


def _list(parts: list[Part]) -> str:
    counted = Counter(part.words for part in parts)
    return ", ".join(words if count == 1 else f"{words} ({count} of them)" for words, count in counted.items())


def _consumables(catalog: Catalog, joints: list[JointWork]) -> Iterable[Purchase]:
    """Yield the packs that the joints take: cement and primer, tape, and a washer or clamp a joint."""
    made: dict[str, Counter[str]] = {}
    for joint in joints:
        made.setdefault(joint.method, Counter())[joint.size] += 1
    if "cement" in made:
        yield from _packs(catalog, "cement", made["cement"])
        yield from _packs(catalog, "primer", made["cement"])
    if "tape" in made:
        yield from _packs(catalog, "tape", made["tape"])
    for method, use in _PIECE_METHODS.items():
        for size, count in sorted(made.get(method, Counter()).items()):
            rows = catalog.consumables(use, size)
            if rows:
                item, per_pack = rows[0]
                yield Purchase(item, -(-count // per_pack), "joints")


def _packs(catalog: Catalog, use: str, joints: Counter[str]) -> Iterable[Purchase]:
    """Yield the cheapest number of packs of one size that does all joints."""
    best: Purchase | None = None
    sizes = sorted(joints)
    rows = {item.item_id: item for size in sizes for item, _ in catalog.consumables(use, size)}
    for key, item in sorted(rows.items()):
        rates = catalog.joints_per_pack.get(key, {})
        if all(size in rates for size in sizes):
            packs = _whole(sum(joints[size] / rates[size] for size in sizes))
            purchase = Purchase(item, packs, "joints")
            if best is None or purchase.cost_cents < best.cost_cents:
                best = purchase
    if best is not None:
        yield best


def _whole(amount: float) -> int:
    return max(1, -(-int(amount * 1e6) // 10**6))


__all__ = ["plan_of", "sentence_of"]
