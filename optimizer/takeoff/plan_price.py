"""A plan → what its parts list costs, to the cent, without writing the list."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.plan import JointWork, Plan, Purchase
from optimizer.model.stock import StickRule
from optimizer.model.system import System
from optimizer.takeoff.cut_list import CutPiece, new_pipe
from optimizer.takeoff.list_price import JointShop, PipeShop, counted, grouped


def list_cents(
    system: System,
    plan: Plan,
    catalog: Catalog,
    rules: tuple[StickRule, ...] | None = None,
    pieces: Iterable[CutPiece] | None = None,
) -> int:
    """Return what the parts list of a plan comes to [cents], spares apart.

    Parameters
    ----------
    system, plan
        What stands, and what becomes of it.
    catalog
        What is for sale.
    rules
        In which lengths pipe is sold; None: as the shipped table says.
    pieces
        The plan's new pipe as `new_pipe` has it, where that is known already.
    """
    if pieces is None:
        pieces, _ = new_pipe(system.network if plan.stands is None else plan.stands, plan, catalog)
    placed = [one.purchases for one in plan.runs.values()] + [one.purchases for one in plan.tees.values()]
    bought = [*plan.consumables, *(each for found in placed for each in found if each.item.kind not in PIPES)]
    return sum(purchase.cost_cents for purchase in bought) + _pipe_cents(pieces, PipeShop.of(system, catalog, rules))


def _pipe_cents(pieces: Iterable[CutPiece], shop: PipeShop) -> int:
    found = grouped((piece.item, piece.cut_m) for piece in pieces)
    return sum(shop.cents(item, lengths) for item, lengths in found.values())


def pipe_purchases(pieces: Iterable[CutPiece]) -> Mapping[str, tuple[Purchase, ...]]:
    """Return the new pipe of every run, piece by piece, with the whole sale lengths that each adds to those before."""
    shop = PipeShop(())
    before: dict[str, list[int]] = {}
    found: dict[str, list[Purchase]] = {}
    for piece in pieces:
        key = piece.item.item_id
        so_far = before.setdefault(key, [])
        had = shop.sale_lengths(piece.item, so_far)
        so_far += grouped([(piece.item, piece.cut_m)])[key][1]
        more = shop.sale_lengths(piece.item, so_far) - had
        found.setdefault(piece.run, []).append(Purchase(piece.item, more, piece.run, piece.cut_m))
    return {run: tuple(purchases) for run, purchases in found.items()}


def consumables_of(catalog: Catalog, joints: Iterable[JointWork]) -> tuple[Purchase, ...]:
    """Return the packs that these joints take: cement and primer, tape, and a washer or clamp a joint."""
    made = counted((joint.method, joint.size) for joint in joints)
    return tuple(Purchase(item, packs, "joints") for item, packs in JointShop(catalog).purchases(made))
