"""What a way to plumb a run is made of → nodes and steps of its choice graph, those that a rule forbids left out.

It is told here what a step is made of, what its joints lose, what comes apart and what lets a held stretch close;
`graph_builder` walks along the run and says what may stand where.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import NamedTuple

from optimizer.choices.closing import Closing
from optimizer.choices.coupled_pipe import CoupledPipe
from optimizer.choices.fronts import Front
from optimizer.choices.graph import JETS, TAIL_BORES, Arc, ChoiceGraph, Node
from optimizer.choices.joining import Joiner, Joint, inner_joints
from optimizer.choices.services import segments_of, separable_needed
from optimizer.hydraulics.fittings import square_of_item
from optimizer.joints import bores
from optimizer.joints.bores import SETTLED_BORES, UNKNOWN, Approach, Steps, out_of_pipe, recovers_nothing, turns
from optimizer.joints.chains import new_part
from optimizer.model.catalog import PIPES, SEPARABLE, CatalogItem, Kind
from optimizer.model.ends import Form
from optimizer.model.kinds import BENDS
from optimizer.model.network import Condition, Part, Run
from optimizer.model.system import Rules


class _Made(NamedTuple):
    """What a joint and the parts behind it make, however the water comes to them; `couplings`: None if none can."""

    parts: tuple[Part, ...]
    joints: tuple[tuple[str, str], ...]
    removed: tuple[int, ...]
    couplings: tuple[CatalogItem, ...] | None
    coupled_s2_m5: float
    has_machine: bool
    is_separable: bool


class StepMaker:
    """Adds nodes and steps to the choice graph of a run; `ends_open`: at a surface or outlet, not at a tee.

    Steps that are alike share what they are made of, so that whoever prices them can tell it once by its id.
    """

    def __init__(
        self,
        run: Run,
        rules: Rules,
        joiner: Joiner,
        ends_open: bool,
        held: tuple[bool, ...],
        allows: Callable[[Part], bool],
        open_joints_part: bool,
    ) -> None:
        self.run, self.parts, self.joiner, self.allows = run, run.parts, joiner, allows
        self.ends_open, self.open_joints_part = ends_open, open_joints_part
        self.graph = ChoiceGraph(run)
        self.layers: dict[int, list[int]] = defaultdict(list)  # by position
        self.index: dict[tuple[object, ...], int] = {}
        self.allowed: dict[int, list[Joint]] = {}  # by id of what the joiner keeps: those that are allowed
        self.made: dict[tuple[int, int, int, int], _Made] = {}
        self.gone: dict[tuple[Approach, int], Steps] = {}
        self.met: dict[tuple[int, int, int, float, float], tuple[Front, Front, list[Joint]]] = {}  # by ids of two ends
        self.heads: dict[tuple[object, ...], tuple[int, Front | None]] = {}  # nodes by what they are, of an end the id
        self.settling: set[int] = set()  # nodes with a step to the same place where the water has settled
        self.lost: dict[tuple[float, int], bool] = {}  # by bore and id of parts: see `recovers_nothing`
        self.tails: dict[int, tuple[Part, ...]] = {}
        self.needed = [False] * (len(self.parts) + 1)
        if rules.keep_services:
            self.needed = separable_needed(self.parts, open_joints_part)
        self.segment = segments_of(self.parts)
        self.closing = Closing(self.parts, held, joiner, rules.bend_to_fit)
        self.coupled = CoupledPipe(self.parts, joiner, self.graph.uncoupled)

    def must_part(self, position: int) -> bool:
        """Return whether a joint that comes apart must be left between the pumps and devices around a position."""
        return self.needed[self.segment[position]]

    def never_closes(self, node: Node, joint: Joint | None) -> bool:
        """Return whether nothing lets a held stretch close that ends with a joint."""
        return self.closing.never_closes(*self.closing.after(node.made, node.closes, node.position, joint, ()))

    def node(self, node: Node) -> int:
        """Return the index of a node, added where there is none like it yet."""
        key, new = node.key, len(self.graph.nodes)
        index = self.index.setdefault(key, new)
        if index == new:
            self.graph.nodes.append(node)
            self.graph.arcs.append([])
            self.layers[node.position].append(index)
        return index

    def settle(self, index: int, node: Node) -> None:
        """Lead water that still spreads to the same place where it has settled, if there is one, at the whole loss.

        What loses as much on the way on is told there alone.
        """
        at = node.approach
        if at.origin_m:
            settled = self.index.get(node._replace(approach=Approach(at.bore_m)).key)
            if settled is not None:
                self.settling.add(index)
                self.graph.arcs[index].append(Arc(settled, joint_s2_m5=out_of_pipe(at).square_s2_m5))

    def is_told(self, index: int, node: Node, parts: tuple[Part, ...]) -> bool:
        """Return whether a step with these parts (kept by whoever made them) is told behind settled water."""
        if index not in self.settling:
            return False
        key = node.approach.bore_m, id(parts)
        if key not in self.lost:
            self.lost[key] = recovers_nothing(node.approach.bore_m, parts)
        return self.lost[key]

    def ordered(self) -> ChoiceGraph:
        """Renumber the nodes by position, so that every arc leads to a higher index."""
        order = sorted(range(len(self.graph.nodes)), key=self._place)
        rank = {old: new for new, old in enumerate(order)}
        self.graph.nodes = [self.graph.nodes[i] for i in order]
        made = tuple.__new__  # of so many steps even what a named tuple does beside that takes its time
        self.graph.arcs = [[made(Arc, (rank[arc[0]], *arc[1:])) for arc in self.graph.arcs[i]] for i in order]
        self.graph.starts = {state: rank[i] for state, i in self.graph.starts.items()}
        self.graph.ends = {state: rank[i] for state, i in self.graph.ends.items()}
        return self.graph

    def _place(self, index: int) -> tuple[int, bool, bool, int]:
        """Return what nodes are put in order by: at one position steps lead to new pipe, and to settled water."""
        node = self.graph.nodes[index]
        return node.position, node.within is not None, not node.approach.origin_m, index

    def add(
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
        if self.is_told(index, node, made_of.parts):
            return
        separable = node.separable or (joint is not None and joint.separable)
        if made_of.has_machine or self.segment[position] != self.segment[position + span]:
            if self.must_part(position) and not separable:
                return
            separable = False
        separable = separable or made_of.is_separable
        made, closes = self.closing.after(node.made, node.closes, position, joint, parts)
        if self.closing.ends_at(position):
            if self.never_closes(node, joint):
                return
            made, closes = False, False
        if made_of.couplings is None:
            return
        step = self._behind(node.approach, joint, parts, made_of)
        last = self.ends_open and position + span == len(self.parts)
        square = step.square_s2_m5 + made_of.coupled_s2_m5
        if step.after.origin_m and self._turns_soon(position + span, step.after):
            square += out_of_pipe(step.after).square_s2_m5
            step = step._replace(after=Approach(step.after.bore_m))
        fast = kept is not None and bool(sawn_off)
        approach = UNKNOWN if last else step.after
        key = position + span, kept, id(front), separable, fast, made, closes, approach
        if key not in self.heads:
            on = Node(position + span, kept, front, separable, fast=fast, made=made, closes=closes, approach=approach)
            self.heads[key] = self.node(on), front
        arc = Arc(
            self.heads[key][0],
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
            self.add(index, node, joint, both, span, kept=kept, front=front, extra=(*extra, hidden))

    def add_joint(
        self,
        index: int,
        head: int,
        joint: Joint,
        lost_s2_m5: tuple[float, float],
        extra: tuple[tuple[CatalogItem, float], ...],
    ) -> None:
        """Add an arc of a joint alone, with what it loses in the run's direction and against it."""
        arc = Arc(head, joint.parts, (), joint.methods, extra, False, False, joint.cuts, (), *lost_s2_m5)
        self.graph.arcs[index].append(arc)

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

    def along(self, approach: Approach, parts: tuple[Part, ...]) -> Steps:
        """Return what parts lose that water comes to so, by where bores do not meet."""
        key = approach, id(parts)
        if key not in self.gone:
            self.gone[key] = bores.along(approach, parts)
        return self.gone[key]

    def _behind(self, approach: Approach, joint: Joint | None, parts: tuple[Part, ...], made_of: _Made) -> Steps:
        """Return the same of a joint and the parts behind it; what the joint loses is told once for all of these."""
        key = approach, id(made_of.parts)
        if key not in self.gone:
            joined = Steps(0.0, 0.0, approach) if joint is None else self.along(approach, joint.parts)
            self.gone[key] = bores.further(joined, parts)
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

    def joints(self, node: Node, left: Front, right: Front, right_m: float) -> list[Joint]:
        """Return the ways to join two open ends, the right one of a part of this bore [m].

        With a union too where nothing lets a held stretch close yet, and where a machine that is newly cemented in has
        to come out again.
        """
        both_m = node.approach.bore_m, right_m
        key = id(left), id(right), node.gap_mm, *both_m
        if key not in self.met:
            self.met[key] = left, right, self._allowed(self.joiner.between(left, right, node.gap_mm, both_m))
        found = self.met[key][2]
        needed = self.open_joints_part and not node.separable and self.must_part(node.position)
        comes_out = needed and any(part.kind is Kind.OPEN_JOINT for part in self.parts)
        if comes_out or (self.closing.is_held(node.position) and not node.closes):
            return [*found, *self._allowed(self.joiner.over_union(left, right, node.gap_mm, both_m))]
        return found

    def _allowed(self, joints: list[Joint]) -> list[Joint]:
        if id(joints) not in self.allowed:
            self.allowed[id(joints)] = [joint for joint in joints if all(map(self.allows, joint.parts))]
        return self.allowed[id(joints)]

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
        return self.ends_open or turns(self.run.end.leg)
