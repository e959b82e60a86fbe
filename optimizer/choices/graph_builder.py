"""A run, the parts that may stand in it and what joins them → its choice graph, node by node and step by step."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from functools import partial
from typing import NamedTuple

from optimizer.choices.closing import Closing
from optimizer.choices.coupled_pipe import CoupledPipe
from optimizer.choices.fronts import Front, is_step, opened
from optimizer.choices.graph import (
    FREE,
    JETS,
    KEPT,
    TAIL_BORES,
    Arc,
    ChoiceGraph,
    EndState,
    Node,
    TeeEnd,
    leads_through,
)
from optimizer.choices.joining import Joiner, Joint, inner_joints
from optimizer.choices.kept_ends import KeptEnds
from optimizer.choices.offers import Offer, Offers, PartlyKept, take_out_m
from optimizer.choices.services import segments_of, separable_needed
from optimizer.choices.valve_slots import ValveSlot
from optimizer.hydraulics.fittings import square_of_item
from optimizer.joints.bores import SETTLED_BORES, UNKNOWN, Approach, Steps, along, into_opening, out_of_pipe, turns
from optimizer.joints.chains import new_part
from optimizer.model.catalog import PIPES, SEPARABLE, CatalogItem, Kind
from optimizer.model.ends import Form
from optimizer.model.kinds import BENDS, REMOVABLE
from optimizer.model.network import Condition, Part, Run
from optimizer.model.system import Rules


def build_choice_graph(
    run: Run,
    rules: Rules,
    joiner: Joiner,
    start: TeeEnd | None,
    end: TeeEnd | None,
    held: tuple[bool, ...] = (),
    allows: Callable[[Part], bool] = lambda part: True,
    *,
    slot: ValveSlot | None = None,
) -> ChoiceGraph:
    """Return the choice graph of a run between its two tees (None: a surface or outlet).

    `held` says of each stretch between bulkheads whether both its ends are held, see `joints.closing.tied`; steps with
    a part that is not allowed are left out. With a `slot`, whose run it is then, every way has one of its valves.

    A node is a position with what is presented there; an arc is one thing kept, bought, removed or joined. Arcs that
    a rule forbids are absent: a hub-to-hub joint can not be parted, a fitting is not stepped in size on both its
    sides, a sweep needs pipe to give up its room, every pump and device keeps a separable joint on each side, a
    suction does not shrink below the pump's port, in a stretch that is held at both ends something lets the last joint
    close. Where what is not connected yet can not be joined so that it comes apart, it is joined all the same.
    """
    builder = partial(_Builder, run, rules, joiner, start, end, held, slot)
    graph = builder(allows).build()
    if not rules.keep_services or not any(part.kind is Kind.OPEN_JOINT for part in run.parts) or leads_through(graph):
        return graph
    return graph if leads_through(builder().build()) else builder(allows, open_joints_part=False).build()


class _Made(NamedTuple):
    """What a joint and the parts behind it make, however the water comes to them; `couplings`: None if none can."""

    parts: tuple[Part, ...]
    joints: tuple[tuple[str, str], ...]
    removed: tuple[int, ...]
    couplings: tuple[CatalogItem, ...] | None
    coupled_s2_m5: float
    has_machine: bool
    is_separable: bool


class _Builder:
    """Steps that are alike share what they are made of, so that whoever prices them can tell it once by its id."""

    def __init__(
        self,
        run: Run,
        rules: Rules,
        joiner: Joiner,
        start: TeeEnd | None,
        end: TeeEnd | None,
        held: tuple[bool, ...] = (),
        slot: ValveSlot | None = None,
        allows: Callable[[Part], bool] = lambda part: True,
        open_joints_part: bool = True,
    ) -> None:
        self.run, self.parts, self.rules = run, run.parts, rules
        self.joiner = joiner
        self.start, self.end = start, end
        self.graph = ChoiceGraph(run)
        self.index: dict[tuple[object, ...], int] = {}
        self.allows = allows
        self.offers = Offers(run.parts, joiner, allows)
        self.joints: dict[int, list[Joint]] = {}  # by id of what the joiner keeps: those that are allowed
        self.kept = [(part,) for part in self.parts]
        self.cut_in = {} if slot is None else {slot.at: [(valve,) for valve in slot.valves]}
        self.made: dict[tuple[int, int, int, int], _Made] = {}
        self.gone: dict[tuple[Approach, int], Steps] = {}
        self.apart: dict[int, tuple[Joint, tuple[Part, ...], tuple[Part, ...]]] = {}
        self.tails: dict[int, tuple[Part, ...]] = {}
        self.open_joints_part = open_joints_part
        self.needed = [False] * (len(self.parts) + 1)
        if rules.keep_services:
            self.needed = separable_needed(self.parts, open_joints_part)
        self.segment = segments_of(self.parts)
        self.closing = Closing(run.parts, held, joiner, rules.bend_to_fit)
        self.kept_ends = KeptEnds(run.parts, start, end)
        self.coupled = CoupledPipe(run.parts, joiner, self.graph.uncoupled)

    def build(self) -> ChoiceGraph:
        layers: dict[int, list[int]] = defaultdict(list)
        self.layers = layers
        for state, node in self._start_nodes():
            self.graph.starts[state] = self._node(node)
        for position in range(len(self.parts)):
            for index in layers[position]:
                self._expand(index)
        self._close(layers[len(self.parts)])
        return self._ordered()

    # nodes

    def _node(self, node: Node) -> int:
        key, new = node.key, len(self.graph.nodes)
        index = self.index.setdefault(key, new)
        if index == new:
            self.graph.nodes.append(node)
            self.graph.arcs.append([])
            self.layers[node.position].append(index)
        return index

    def _start_nodes(self) -> Iterable[tuple[EndState, Node]]:
        if self.start is None:
            yield FREE, Node(0)
            return
        if self.start.may_keep and self.start.opening is not None:
            yield KEPT, Node(0, kept=-1, approach=Approach(self.start.opening.bore_m))
        for opening in self.start.new_openings:
            held = self.closing.is_held(0)
            yield opening, Node(0, front=Front(opening.end), made=held, approach=Approach(opening.bore_m))

    def _ordered(self) -> ChoiceGraph:
        """Renumber the nodes by position, so that every arc leads to a higher index."""
        order = sorted(range(len(self.graph.nodes)), key=lambda i: (self.graph.nodes[i].position, i))
        rank = {old: new for new, old in enumerate(order)}
        self.graph.nodes = [self.graph.nodes[i] for i in order]
        self.graph.arcs = [[Arc(rank[arc[0]], *arc[1:]) for arc in self.graph.arcs[i]] for i in order]
        self.graph.starts = {state: rank[i] for state, i in self.graph.starts.items()}
        self.graph.ends = {state: rank[i] for state, i in self.graph.ends.items()}
        return self.graph

    # expansion

    def _expand(self, index: int) -> None:
        node = self.graph.nodes[index]
        part = self.parts[node.position]
        if node.within is not None:
            self._reach_kept(index, node)
            return
        if node.position in self.cut_in:
            self._cut_in(index, node)
            return
        if part.condition is not Condition.MUST_GO and part.kind is not Kind.OPEN_JOINT and self.allows(part):
            self._keep(index, node, part)
        if part.condition is not Condition.KEEP:
            self._replace(index, node)
            if part.condition is Condition.MAY_CHANGE and part.existing and part.kind is Kind.PIPE:
                self._keep_some(index, node)
            if part.kind in REMOVABLE:
                self._remove(index, node, part)

    def _left(self, node: Node) -> Front | None:
        """Return the open end on the left, opening the last kept joint if need be."""
        if node.front is not None or node.fast:
            return node.front
        return self.kept_ends.exit_of(node.kept) if node.kept is not None else None

    def _keep(self, index: int, node: Node, part: Part) -> None:
        joint: Joint | None = None
        if node.front is not None or (node.kept is not None and self._parted(node)):
            right = self.kept_ends.entry_of(node.position)
            left = self._left(node)
            if right is None or left is None:
                return
            for joint in self._joints(node, left, right, _entry_m(part)):
                self._arc(index, node, joint, self.kept[node.position], 1, kept=node.position)
            return
        self._arc(index, node, joint, self.kept[node.position], 1, kept=node.position)

    def _cut_in(self, index: int, node: Node) -> None:
        """Put one of the valves into the slot for them."""
        left = self._left(node)
        for parts in self.cut_in[node.position] if left is not None else ():
            first, last = parts[0].ends[0], parts[0].ends[-1]
            if left is not None and self.allows(parts[0]):
                for joint in self._joints(node, left, Front(first), _entry_m(parts[0])):
                    self._arc(index, node, joint, parts, 1, front=Front(last))

    def _parted(self, node: Node) -> bool:
        """Return whether the joint between the last kept part and the next one is open: for a gap, or a new pump."""
        at = node.position
        fresh = not self.parts[at].existing or (at > 0 and not self.parts[at - 1].existing)
        return node.kept != at - 1 or fresh

    def _replace(self, index: int, node: Node) -> None:
        offers = self.offers.at(node.position)
        if node.front is None and node.kept is None:
            for offer in offers:
                self._put(index, node, None, offer, offer.exit)
            return
        left = self._left(node)
        if left is None:
            return
        for offer in offers:
            stepped = offer.candidate.pipe is None and is_step(left, offer.entry)
            for joint in self._joints(node, left, offer.entry, _entry_m(offer.candidate.parts[0])):
                self._put(index, node, joint, offer, offer.exit_stepped if stepped else offer.exit)

    def _keep_some(self, index: int, node: Node) -> None:
        """Keep one end of a pipe, with its joint as it stands, and put new pipe in for the rest."""
        partly = self.offers.partly_kept(node.position)
        if node.front is None and not (node.kept is not None and self._parted(node)):
            for one in partly:
                if one.keeps_start or node.kept is None:
                    self._cut_apart(index, node, one)
        left = self._left(node)
        for right, ahead_m in self.offers.new_before_kept(node.position) if left is not None else ():
            assert left is not None
            assert right.pipe is not None
            for joint in self._joints(node, left, right, right.pipe.bore_m):
                hidden_m = sum(length_m for item, length_m in joint.extra_pipe if item is right.pipe)
                others = tuple(one for one in joint.extra_pipe if one[0] is not right.pipe)
                made, closes = self.closing.after(node.made, node.closes, node.position, joint, ())
                step = self._along(node.approach, joint.parts)
                if (
                    right.pipe.bore_m == step.after.bore_m and ahead_m >= SETTLED_BORES * step.after.bore_m
                ):  # wherever it is cut
                    step = step._replace(after=Approach(step.after.bore_m))
                head = self._node(
                    Node(
                        node.position,
                        front=right,
                        separable=node.separable or joint.separable,
                        within=hidden_m,
                        made=made,
                        closes=closes,
                        approach=step.after,
                    )
                )
                lost = step.square_s2_m5, step.square_back_s2_m5
                arc = Arc(head, joint.parts, (), joint.methods, others, False, False, joint.cuts, (), *lost)
                self.graph.arcs[index].append(arc)

    def _reach_kept(self, index: int, node: Node) -> None:
        """Go on from new pipe to the end of the old one that is kept."""
        assert node.front is not None
        assert node.front.pipe is not None
        hidden = ((node.front.pipe, node.within),) if node.within else ()
        for one in self.offers.partly_kept(node.position):
            if not one.keeps_start and one.outer == node.front:
                self._cut_apart(index, node, one, hidden)

    def _cut_apart(
        self, index: int, node: Node, one: PartlyKept, hidden: tuple[tuple[CatalogItem, float], ...] = ()
    ) -> None:
        if id(one) not in self.apart:
            self.apart[id(one)] = Joint((), ()).then(one.ahead, one.joint), (one.behind,), (one.off,)
        step, parts, off = self.apart[id(one)]
        kept, front = (None, one.outer) if one.keeps_start else (node.position, None)
        self._arc(index, node, step, parts, 1, kept=kept, front=front, extra=hidden, sawn_off=off)

    def _put(self, index: int, node: Node, joint: Joint | None, offer: Offer, after: Front) -> None:
        parts, span = offer.candidate.parts, offer.candidate.span
        self._arc(index, node, joint, parts, span, front=after, extra=offer.inner_pipe)

    def _remove(self, index: int, node: Node, part: Part) -> None:
        left = self._left(node)
        if left is None or (self.end is None and node.position == len(self.parts) - 1):
            return  # the first and the last part of an open end stay or are replaced
        gap = node.gap_mm + (0 if part.kind is Kind.OPEN_JOINT else _laying_mm(part))
        head = Node(
            node.position + 1,
            front=left,
            separable=node.separable,
            gap_mm=gap,
            made=self.closing.is_held(node.position),
            closes=node.closes,
            approach=node.approach,
        )
        removed = () if part.kind is Kind.OPEN_JOINT else (node.position,)
        self.graph.arcs[index].append(Arc(self._node(head), removed=removed))

    def _arc(
        self,
        index: int,
        node: Node,
        joint: Joint | None,
        parts: tuple[Part, ...],
        span: int,
        *,
        kept: int | None = None,
        front: Front | None = None,
        extra: tuple[tuple[CatalogItem, float], ...] = (),
        sawn_off: tuple[Part, ...] = (),
    ) -> None:
        """Add an arc over `span` slots, keeping count of separable joints."""
        position, made_of = node.position, self._made(node, joint, parts, span)
        separable = node.separable or (joint is not None and joint.separable)
        if made_of.has_machine or self.segment[position] != self.segment[position + span]:
            if self.needed[self.segment[position]] and not separable:
                return
            separable = False
        separable = separable or made_of.is_separable
        made, closes = self.closing.after(node.made, node.closes, position, joint, parts)
        if self.closing.ends_at(position):
            if self.closing.never_closes(*self.closing.after(node.made, node.closes, position, joint, ())):
                return
            made, closes = False, False
        if made_of.couplings is None:
            return
        step = self._along(node.approach, made_of.parts)
        last = self.end is None and position + span == len(self.parts)
        square = step.square_s2_m5 + made_of.coupled_s2_m5
        if step.after.origin_m and self._turns_soon(position + span, step.after):
            square += out_of_pipe(step.after).square_s2_m5
            step = step._replace(after=Approach(step.after.bore_m))
        fast = kept is not None and bool(sawn_off)
        approach = UNKNOWN if last else step.after
        on = Node(position + span, kept, front, separable, fast=fast, made=made, closes=closes, approach=approach)
        arc = Arc(
            self._node(on),
            made_of.parts,
            () if sawn_off else made_of.removed,
            made_of.joints,
            (joint.extra_pipe if joint else ()) + extra,
            first=node.kept is None and node.front is None,
            last=last,
            cuts=joint.cuts if joint else 0,
            sawn_off=sawn_off,
            joint_s2_m5=square,
            joint_back_s2_m5=step.square_back_s2_m5 + made_of.coupled_s2_m5,
            couplings=made_of.couplings,
        )
        self.graph.arcs[index].append(arc)
        tail = self._tail(parts[-1]) if last else None
        if tail is not None and tail.item is not None:
            hidden = (tail.item, self.joiner.depth_m(parts[-1].ends[-1]))
            both = self.tails.setdefault(id(parts), (*parts, tail))
            self._arc(index, node, joint, both, span, kept=kept, front=front, extra=(*extra, hidden))

    def _made(self, node: Node, joint: Joint | None, parts: tuple[Part, ...], span: int) -> _Made:
        position, pipe = node.position, node.front.pipe if node.front is not None else None
        key = id(joint), id(parts), position, id(pipe)
        if key not in self.made:
            every = (joint.parts if joint else ()) + parts
            replaced = not parts[0].existing and parts[0] is not self.parts[position]
            coupled = self.coupled.couplings(position, pipe, every)
            self.made[key] = _Made(
                every,
                (joint.methods if joint else ()) + inner_joints(parts),
                tuple(i for i in range(position, position + span) if self.parts[i].existing) if replaced else (),
                coupled,
                sum(map(square_of_item, coupled or ())),
                parts[0].kind in (Kind.PUMP, Kind.DEVICE),
                any(part.kind in SEPARABLE for part in parts),
            )
        return self.made[key]

    def _along(self, approach: Approach, parts: tuple[Part, ...]) -> Steps:
        key = approach, id(parts)
        if key not in self.gone:
            self.gone[key] = along(approach, parts)
        return self.gone[key]

    def _tail(self, part: Part) -> Part | None:
        """Return pipe for the open end of a bend, None where it would do nothing, or does not go on.

        Without straight pipe behind it a bend leaves a jet that is lost in the tank (`hydraulics.openings`).
        """
        if part.kind not in JETS or part.condition is Condition.KEEP or part.ends[-1].form is not Form.SOCKET:
            return None
        pipe = self.joiner.shelf.stub_pipe(part.ends[-1])
        tail = None if pipe is None else new_part(pipe, length_m=TAIL_BORES * pipe.bore_m)
        return tail if tail is not None and self.allows(tail) else None

    def _close(self, last: list[int]) -> None:
        """Join what stands at the run's end to the tee there, or leave it open at a surface."""
        goals: list[tuple[EndState, Front | None, float]] = []
        if self.end is None:
            goals.append((FREE, None, 0.0))
        else:
            if self.end.may_keep and self.end.opening is not None:
                last_part = self.parts[-1]
                right = opened(self.end.opening.end, None, last_part.ends[-1], last_part)
                goals.append((KEPT, right, self.end.opening.bore_m))
            goals += [(opening, Front(opening.end), opening.bore_m) for opening in self.end.new_openings]
        for state, right, bore_m in goals:
            head = len(self.graph.nodes)
            self.graph.nodes.append(Node(len(self.parts) + 1))
            self.graph.arcs.append([])
            self.graph.ends[state] = head
            for index in last:
                self._close_one(index, state, right, bore_m, head)

    def _close_one(self, index: int, state: EndState, right: Front | None, bore_m: float, head: int) -> None:
        """Join one node to what the run ends in, of a bore [m]."""
        node = self.graph.nodes[index]

        def lost(parts: tuple[Part, ...]) -> tuple[float, float]:
            if state == FREE:
                return 0.0, 0.0
            step = self._along(node.approach, parts)
            leaving = into_opening(step.after, bore_m, turns(self.run.end.leg))
            square = step.square_s2_m5 + leaving.square_s2_m5
            return square, step.square_back_s2_m5 + leaving.square_back_s2_m5

        needed = self.needed[self.segment[len(self.parts)]]
        if state == FREE or (state == KEPT and node.kept == len(self.parts) - 1):
            if (node.separable or not needed) and not self.closing.never_closes(node.made, node.closes):
                square, back = lost(())
                self.graph.arcs[index].append(Arc(head, joint_s2_m5=square, joint_back_s2_m5=back))
            return
        left = self._left(node)
        if left is None or right is None:
            return
        for joint in self._joints(node, left, right, bore_m):
            if self.closing.never_closes(*self.closing.after(node.made, node.closes, node.position, joint, ())):
                continue
            if node.separable or joint.separable or not needed:
                square, back = lost(joint.parts)
                extra = joint.extra_pipe
                arc = Arc(head, joint.parts, (), joint.methods, extra, False, False, joint.cuts, (), square, back)
                self.graph.arcs[index].append(arc)

    def _joints(self, node: Node, left: Front, right: Front, right_m: float) -> list[Joint]:
        """Return the ways to join two open ends, the right one of a part of this bore [m].

        With a union too where nothing lets a held stretch close yet, and where a machine that is newly cemented in has
        to come out again.
        """
        bores = node.approach.bore_m, right_m
        found = self._allowed(self.joiner.between(left, right, node.gap_mm, bores))
        needed = self.open_joints_part and not node.separable and self.needed[self.segment[node.position]]
        comes_out = needed and any(part.kind is Kind.OPEN_JOINT for part in self.run.parts)
        if comes_out or (self.closing.is_held(node.position) and not node.closes):
            return [*found, *self._allowed(self.joiner.over_union(left, right, node.gap_mm, bores))]
        return found

    def _allowed(self, joints: list[Joint]) -> list[Joint]:
        if id(joints) not in self.joints:
            self.joints[id(joints)] = [joint for joint in joints if all(map(self.allows, joint.parts))]
        return self.joints[id(joints)]

    def _turns_soon(self, position: int, after: Approach) -> bool:
        """Return whether water that is spreading meets a bend, or leaves, behind pipe alone, whatever is chosen there.

        Then the widening is charged at once, and nothing has to be remembered of it.
        """
        straight = after.straight_m
        for part in self.parts[position:]:
            if part.kind in BENDS:
                return True
            if part.kind not in PIPES:
                return False
            straight += part.length_m
            if straight >= SETTLED_BORES * after.bore_m:
                return False
        return self.end is None or turns(self.run.end.leg)

    # rules


def _entry_m(part: Part) -> float:
    return part.end_bores_m[0] if part.end_bores_m else 0.0


def _laying_mm(part: Part) -> int:
    return round(1000 * (take_out_m(part, 0) + take_out_m(part, -1)))
