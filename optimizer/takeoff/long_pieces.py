"""A plan with pipe longer than any length of the store → the same plan with that pipe made of several, coupled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.choices.long_pipe import Lengths
from optimizer.joints.chains import new_part
from optimizer.model.catalog import Catalog, CatalogItem
from optimizer.model.network import Network, Part
from optimizer.model.note import note
from optimizer.model.plan import JointWork, Plan, Purchase, RunPlan
from optimizer.takeoff.cut_list import CutPiece, new_pipe


def with_couplings(network: Network, plan: Plan, catalog: Catalog, lengths: Lengths) -> Plan:
    """Return a plan whose new pipe is in pieces that the store has, with what couples them bought and cemented.

    Pipe is measured as the cut list has it, so that the pieces and what the couplings take up are together as long as
    one piece would be: whatever stands at its ends stays where it is. Pipe that nothing couples stays in one piece.
    """
    runs = dict(plan.runs)
    for piece in reversed(new_pipe(network, plan, catalog)[0]):  # the last first: places before it stay what they are
        cut_m = lengths.pieces_m(piece.item, piece.cut_m)
        coupling = lengths.coupling(piece.item) if len(cut_m) > 1 else None
        if coupling is not None:
            runs[piece.run] = _coupled(runs[piece.run], piece, cut_m, coupling, catalog)
    return plan if runs == plan.runs else replace(plan, runs=runs)


def _coupled(run: RunPlan, piece: CutPiece, cut_m: Sequence[float], coupling: CatalogItem, catalog: Catalog) -> RunPlan:
    """Return a run with one piece of its pipe in several. What fittings ask for more goes into the first, as told."""
    at, count = piece.position - 1, len(cut_m) - 1
    whole = run.parts[at]
    depth_m = catalog.socket_depths_m.get(coupling.ends[0], 0.0)
    shows_m = [length_m - 2 * depth_m for length_m in cut_m]
    shows_m[0] += depth_m - piece.start_depth_m - piece.added_m
    shows_m[-1] += depth_m - piece.end_depth_m
    joint = replace(new_part(coupling), couples=True)
    parts: list[Part] = [replace(whole, length_m=shows_m[0])]
    for length_m in shows_m[1:]:
        parts += [joint, replace(whole, length_m=length_m)]
    size = coupling.ends[0].size
    made = (JointWork("cement", size, run.run, f"cement, {size}"),) * (2 * count)
    told = note("couple", coupling=coupling.description, count=count, pipe=piece.item.description)
    return replace(
        run,
        parts=(*run.parts[:at], *parts, *run.parts[at + 1 :]),
        purchases=(*run.purchases, *[Purchase(coupling, 1, run.run)] * count),
        joints=(*run.joints, *made),
        changes=(*run.changes, told),
    )
