"""A run, the parts that may stand in it and what joins them → its choice graph, walked from position to position."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from optimizer.choices.fronts import Front, is_step, opened
from optimizer.choices.graph import (
    FREE,
    KEPT,
    Arc,
    ChoiceGraph,
    EndState,
    Node,
    TeeEnd,
    leads_through,
)
from optimizer.choices.joining import Joiner, Joint
from optimizer.choices.kept_ends import KeptEnds
from optimizer.choices.offers import Offer, Offers, PartlyKept, take_out_m
from optimizer.choices.step_maker import StepMaker
from optimizer.choices.valve_slots import ValveSlot
from optimizer.joints.bores import SETTLED_BORES, Approach, into_opening, turns
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.model.kinds import REMOVABLE
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

    def graph_of(allows: Callable[[Part], bool], open_joints_part: bool = True) -> ChoiceGraph:
        steps = StepMaker(run, rules, joiner, end is None, held, allows, open_joints_part)
        return _Builder(steps, start, end, slot).build()

    graph = graph_of(allows)
    if not rules.keep_services or not any(part.kind is Kind.OPEN_JOINT for part in run.parts) or leads_through(graph):
        return graph
    return graph if leads_through(graph_of(lambda part: True)) else graph_of(allows, open_joints_part=False)


class _Builder:
    """Walks along a run and offers at every position what may stand there."""

    def __init__(self, steps: StepMaker, start: TeeEnd | None, end: TeeEnd | None, slot: ValveSlot | None) -> None:
        self.steps, self.graph, self.closing, self.allows = steps, steps.graph, steps.closing, steps.allows
        self.run, self.parts = steps.run, steps.parts
        self.start, self.end = start, end
        self.offers = Offers(self.parts, steps.joiner, self.allows)
        self.kept = [(part,) for part in self.parts]
        self.cut_in = {} if slot is None else {slot.at: [(valve,) for valve in slot.valves]}
        self.apart: dict[int, tuple[Joint, tuple[Part, ...], tuple[Part, ...]]] = {}
        self.kept_ends = KeptEnds(self.parts, start, end)

    def build(self) -> ChoiceGraph:
        layers = self.steps.layers
        for state, node in self._start_nodes():
            self.graph.starts[state] = self.steps.node(node)
        for position in range(len(self.parts)):
            for index in layers[position]:
                self._expand(index)
        self._close(layers[len(self.parts)])
        return self.steps.ordered()

    # nodes

    def _start_nodes(self) -> Iterable[tuple[EndState, Node]]:
        if self.start is None:
            yield FREE, Node(0)
            return
        if self.start.may_keep and self.start.opening is not None:
            yield KEPT, Node(0, kept=-1, approach=Approach(self.start.opening.bore_m))
        for opening in self.start.new_openings:
            held = self.closing.is_held(0)
            yield opening, Node(0, front=Front(opening.end), made=held, approach=Approach(opening.bore_m))

    # expansion

    def _expand(self, index: int) -> None:
        node = self.graph.nodes[index]
        part = self.parts[node.position]
        self.steps.settle(index, node)
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
            for joint in self.steps.joints(node, left, right, _entry_m(part)):
                self.steps.add(index, node, joint, self.kept[node.position], 1, kept=node.position)
            return
        self.steps.add(index, node, joint, self.kept[node.position], 1, kept=node.position)

    def _cut_in(self, index: int, node: Node) -> None:
        """Put one of the valves into the slot for them."""
        left = self._left(node)
        for parts in self.cut_in[node.position] if left is not None else ():
            first, last = parts[0].ends[0], parts[0].ends[-1]
            if left is not None and self.allows(parts[0]):
                for joint in self.steps.joints(node, left, Front(first), _entry_m(parts[0])):
                    self.steps.add(index, node, joint, parts, 1, front=Front(last))

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
            for joint in self.steps.joints(node, left, offer.entry, _entry_m(offer.candidate.parts[0])):
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
            for joint in self.steps.joints(node, left, right, right.pipe.bore_m):
                if self.steps.is_told(index, node, joint.parts):
                    continue
                hidden_m = sum(length_m for item, length_m in joint.extra_pipe if item is right.pipe)
                others = tuple(one for one in joint.extra_pipe if one[0] is not right.pipe)
                made, closes = self.closing.after(node.made, node.closes, node.position, joint, ())
                step = self.steps.along(node.approach, joint.parts)
                if (
                    right.pipe.bore_m == step.after.bore_m and ahead_m >= SETTLED_BORES * step.after.bore_m
                ):  # wherever it is cut
                    step = step._replace(after=Approach(step.after.bore_m))
                head = self.steps.node(
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
                self.steps.add_joint(index, head, joint, lost, others)

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
        self.steps.add(index, node, step, parts, 1, kept=kept, front=front, extra=hidden, sawn_off=off)

    def _put(self, index: int, node: Node, joint: Joint | None, offer: Offer, after: Front) -> None:
        parts, span = offer.candidate.parts, offer.candidate.span
        self.steps.add(index, node, joint, parts, span, front=after, extra=offer.inner_pipe)

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
        self.graph.arcs[index].append(Arc(self.steps.node(head), removed=removed))

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
            step = self.steps.along(node.approach, parts)
            leaving = into_opening(step.after, bore_m, turns(self.run.end.leg))
            square = step.square_s2_m5 + leaving.square_s2_m5
            return square, step.square_back_s2_m5 + leaving.square_back_s2_m5

        needed = self.steps.must_part(len(self.parts))
        if state == FREE or (state == KEPT and node.kept == len(self.parts) - 1):
            if (node.separable or not needed) and not self.closing.never_closes(node.made, node.closes):
                square, back = lost(())
                self.graph.arcs[index].append(Arc(head, joint_s2_m5=square, joint_back_s2_m5=back))
            return
        left = self._left(node)
        if left is None or right is None:
            return
        for joint in self.steps.joints(node, left, right, bore_m):
            if self.steps.never_closes(node, joint):
                continue
            if node.separable or joint.separable or not needed:
                self.steps.add_joint(index, head, joint, lost(joint.parts), joint.extra_pipe)


def _entry_m(part: Part) -> float:
    return part.end_bores_m[0] if part.end_bores_m else 0.0


def _laying_mm(part: Part) -> int:
    return round(1000 * (take_out_m(part, 0) + take_out_m(part, -1)))
