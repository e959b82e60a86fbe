"""Ways between two ends, side by side: as tables for a terminal, and as plain dictionaries for other programs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.joints.mating import refusal
from optimizer.joints.ways import Way, WayJoint, directly
from optimizer.model.ends import End
from optimizer.model.materials import is_metal
from optimizer.units import head_unit, head_value, show_bore, show_flow, show_length
from optimizer.wording.amounts import money

if TYPE_CHECKING:
    from optimizer.takeoff.ports import PortWays

Json = dict[str, Any]
SHOWN, PORTS_SHOWN = 8, 3  # ways on screen, between two ends and at each port, unless more are asked for
PRICE_NOTE = "Prices are of the pieces alone; cement, tape, washers and clamps come in packs."


def adapters_blocks(
    start: End,
    goal: End,
    offered: Sequence[Way],
    *,
    units: str,
    currency: str,
    flow_m3_s: float | None = None,
    why_none: str = "",
    limit: int | None = SHOWN,
) -> list[Block]:
    """Return the ways from one end to another: what each costs and loses, its joints, and why one is not allowed.

    Parameters
    ----------
    start, goal
        The two ends in the order of the water.
    offered, why_none
        What `ways` found; and why, where it found nothing.
    units, currency
        How numbers and money are shown.
    flow_m3_s
        The design flow [m³/s], if losses were worked out.
    limit
        How many ways are shown, the best by each mark always among them; None: all.
    """
    blocks: list[Block] = [Heading(f"From {start} to {goal}"), direct_words(start, goal)]
    if not offered:
        return [*blocks, f"There is no way: {why_none or 'no pieces in the catalogs join these two ends'}."]
    shown = shown_ways(offered, limit)
    if all(not way.pieces for way in shown):
        return blocks
    blocks += [
        _way_table(shown, units, currency, flow_m3_s),
        _joint_table(shown),
        *_refusal_lines(shown),
        Lines(tuple(_remarks(offered, shown))),
    ]
    return blocks


def port_blocks(
    found: Iterable[PortWays], *, name: str, units: str, currency: str, limit: int | None = PORTS_SHOWN
) -> list[Block]:
    """Return the ways at every threaded port of a system, the best by each mark first of all."""
    blocks: list[Block] = [Heading(f"Threaded ports: {name}")]
    for one in found:
        port = one.port
        blocks.append(f"Run {port.run}, {port.words}: {port.end}, beside {port.pipe}.")
        blocks += adapters_blocks(
            port.start,
            port.goal,
            one.ways,
            units=units,
            currency=currency,
            flow_m3_s=one.flow_m3_s,
            why_none=one.why_none,
            limit=limit,
        )
    return blocks if len(blocks) > 1 else [*blocks, "No pump and no device has a threaded port."]


def port_ways(one: PortWays) -> list[Way]:
    """Return the ways worth a row at a port of a plan: the plan's own first."""
    others = [way for way in shown_ways(one.ways, PORTS_SHOWN) if way is not one.chosen]
    return [*([one.chosen] if one.chosen is not None else []), *others]


def port_verdict(one: PortWays, way: Way) -> str:
    """Return whether a way at a port may be used, and whether the plan takes it."""
    told = verdict(way) if way.allowed else f"{verdict(way)}: {'; '.join(way.why_not)}"
    return f"CHOSEN; {told}" if way is one.chosen else told


def port_remarks(ports: Iterable[PortWays]) -> list[str]:
    """Return what is to be said once of all ports: why no metal, and what the prices leave out."""
    metal = [way for one in ports if metal_is_needless(one.ways) for way in one.ways if way.of_metal]
    left_out = [f"Metal pieces are left out where plastic ones do the job ({metal_words(metal)})."] if metal else []
    return [*left_out, PRICE_NOTE]


def direct_words(start: End, goal: End) -> str:
    """Return whether two ends go together without a piece between: what seals them, or why they never do."""
    sealed = directly(start, goal)
    return f"Directly: yes, sealed by {sealed}." if sealed else f"Directly: never, because {refusal(start, goal)}."


def metal_is_needless(offered: Iterable[Way]) -> bool:
    """Return whether a way of plastic alone is allowed, so that none with metal is worth a look."""
    return any(way.allowed and not way.of_metal for way in offered)


def shown_ways(offered: Sequence[Way], limit: int | None) -> list[Way]:
    """Return the first ways up to a limit, with every marked one and the first of each reason against others.

    Ways with metal are left out where plastic ones do the job, and ways that choke where others do not.
    """
    if limit is None:
        return list(offered)
    if metal_is_needless(offered):
        offered = [way for way in offered if not way.of_metal]
    if any(way.allowed and not way.chokes for way in offered):
        offered = [way for way in offered if not (way.allowed and way.chokes)]
    if len(offered) <= limit:
        return list(offered)
    must = [way for way in offered if way.best]
    seen: set[tuple[str, ...]] = set()
    for way in offered:
        if not way.allowed and way.why_not not in seen:
            seen.add(way.why_not)
            must.append(way)
    fill = [way for way in offered if way not in must][: max(0, limit - len(must))]
    return [way for way in offered if way in must or way in fill]


def _way_table(shown: Sequence[Way], units: str, currency: str, flow_m3_s: float | None) -> Block:
    """Return one row for each piece; a way's numbers stand beside its first one."""
    loss = f"loss at {show_flow(flow_m3_s, units)}" if flow_m3_s is not None else "loss"
    rows: list[tuple[str, ...]] = []
    for number, way in enumerate(shown, start=1):
        pieces = [piece.words for piece in way.pieces] or ["none, the two ends mate"]
        told = (
            money(way.price_cents, currency),
            _head(way.loss_m, units) if way.loss_m is not None else "–",
            "–" if way.narrowest_m is None else show_bore(way.narrowest_m, units),
            show_length(way.length_m, units),
            str(way.leak_points),
            "yes" if way.unbolts else "no",
            verdict(way),
        )
        rows.append((str(number), pieces[0], *told))
        rows += [("", piece, *("" for _ in told)) for piece in pieces[1:]]
    titles = (
        "way",
        "pieces in order",
        "price",
        loss,
        "narrowest bore",
        "added length",
        "joints",
        "comes apart",
        "verdict",
    )
    return table(titles, rows, right=(2, 3, 4, 5, 6))


def _head(head_m: float, units: str) -> str:
    """Return a small head finely enough to tell ways apart: to 0.001 ft or 1 mm."""
    return f"{head_value(head_m, units):.3f} {head_unit(units)}"


def verdict(way: Way) -> str:
    """Return whether a way may be used and what it is best by: `best by price, loss`, `allowed`, `NOT allowed`."""
    if not way.allowed:
        return "NOT allowed"
    told = f"best by {', '.join(way.best)}" if way.best else "allowed"
    return f"{told}; chokes the line" if way.chokes else told


def _joint_table(shown: Sequence[Way]) -> Block:
    rows = []
    for number, way in enumerate(shown, start=1):
        for place, joint in enumerate(way.joints):
            rows.append((str(number) if place == 0 else "", joint_words(joint), joint.sealing, joint.standard or "–"))
    return table(("way", "joint", "sealed by", "thread standard"), rows)


def joint_words(joint: WayJoint) -> str:
    """Return the two ends that meet: `3/4 in BSPP male to 3/4 in BSPP female`."""
    return f"{joint.first} to {joint.second}"


def _refusal_lines(shown: Sequence[Way]) -> list[Block]:
    lines = tuple(
        f"Way {number} is not allowed: {'; '.join(way.why_not)}."
        for number, way in enumerate(shown, start=1)
        if not way.allowed
    )
    return [Lines(lines)] if lines else []


def _remarks(offered: Sequence[Way], shown: Sequence[Way]) -> Iterable[str]:
    hidden = [way for way in offered if way not in shown]
    metal = [way for way in hidden if way.of_metal]
    if metal and metal_is_needless(offered):
        yield f"Metal pieces are left out where plastic ones do the job ({metal_words(metal)})."
        hidden = [way for way in hidden if way not in metal]
    choking = [way for way in hidden if way.allowed and way.chokes]
    if choking:
        yield f"{_ways(len(choking))} left out that would choke the line to half of its area or less."
        hidden = [way for way in hidden if way not in choking]
    if hidden:
        yield "1 more way is not shown." if len(hidden) == 1 else f"{len(hidden)} more ways are not shown."
    if any(way.allowed for way in offered) and not metal_is_needless(offered):
        yield "The pieces are of metal because no plastic ones join these two ends."
    if not any(way.allowed for way in offered):
        yield "None of the ways is allowed in this water and at this pressure."
    yield PRICE_NOTE


def metal_words(ways: Iterable[Way]) -> str:
    """Return, once, why ways with metal must not be used; of those that may, which metals they take."""
    listed = list(ways)
    first = [way.why_not[0] for way in listed if way.why_not]  # what the water rules out, where it rules out something
    metals = sorted({name for way in listed for name in way.materials if is_metal(name)})
    return "; ".join(dict.fromkeys(first)) or " and ".join(metals)


def _ways(count: int) -> str:
    return "1 way is" if count == 1 else f"{count} ways are"


def adapters_json(
    start: End, goal: End, offered: Sequence[Way], *, currency: str, flow_m3_s: float | None, why_none: str = ""
) -> Json:
    """Return the ways from one end to another with SI numbers and money in whole cents."""
    return {
        "from": str(start),
        "to": str(goal),
        "direct": {"sealed_by": directly(start, goal) or None, "why_not": refusal(start, goal) or None},
        "design_flow_m3_s": flow_m3_s,
        "currency": currency,
        "ways": [_way_json(way) for way in offered],
        "why_none": why_none or None,
    }


def ports_json(found: Iterable[PortWays], *, name: str, currency: str) -> Json:
    """Return the ways at every threaded port of a system."""
    return {
        "system": name,
        "ports": [
            {
                "run": one.port.run,
                "port": one.port.words,
                **adapters_json(
                    one.port.start,
                    one.port.goal,
                    one.ways,
                    currency=currency,
                    flow_m3_s=one.flow_m3_s,
                    why_none=one.why_none,
                ),
            }
            for one in found
        ],
    }


def _way_json(way: Way) -> Json:
    return {
        "allowed": way.allowed,
        "why_not": list(way.why_not),
        "best_by": list(way.best),
        "pieces": [
            {"item_id": piece.item.item_id if piece.item else None, "description": piece.words} for piece in way.pieces
        ],
        "joints": [
            {
                "first": str(joint.first),
                "second": str(joint.second),
                "method": joint.method,
                "sealed_by": joint.sealing,
                "standard": joint.standard or None,
                "opens_again": joint.separable,
            }
            for joint in way.joints
        ],
        "price_cents": way.price_cents,
        "head_loss_m": way.loss_m,
        "narrowest_bore_m": way.narrowest_m,
        "chokes": way.chokes,
        "length_m": way.length_m,
        "places_that_can_leak": way.leak_points,
        "unbolts": way.unbolts,
        "wetted_materials": list(way.materials),
    }
