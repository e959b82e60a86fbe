"""The choice graph of a run: every path from its first end to its last is a way to plumb it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from optimizer.choices.fronts import Front
from optimizer.joints.bores import UNKNOWN, Approach
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.ends import End
from optimizer.model.network import Part, Run


@dataclass(frozen=True, slots=True, order=True)
class Opening:
    """An opening of a new tee: its end, and the bore behind it [m]."""

    end: End
    bore_m: float

    def __hash__(self) -> int:
        return hash(self.bore_m)  # told often; openings of one bore are few


JETS = frozenset({Kind.ELBOW, Kind.SWEEP_ELBOW})
TAIL_BORES = 3.0  # from one bore of pipe on a bend loses no more than in a long line: D. S. Miller (1990), ch. 9


# A state of a run's end: KEPT (the tee stays), FREE (no tee: a water surface or outlet), or the opening of a new tee.
KEPT = "kept"
FREE = "free"
EndState = str | Opening


@dataclass(frozen=True, slots=True)
class TeeEnd:
    """The tee at a run's end as it stands: the opening that the run sits in (None: not connected yet)."""

    opening: Opening | None
    may_keep: bool
    new_openings: tuple[Opening, ...]  # what a new tee may offer here


class Node(NamedTuple):
    """A place between two parts: what is presented there, whether a separable joint was passed, and a gap to be filled.

    `kept` is the index of a kept part whose far joint is still as it was (-1: the tee at the run's start); `front`
    is an end that waits for a neighbour. Both None: a free end. `fast`: the far joint of the kept part has to stay.
    `within`: the front is that of new pipe on its way to the rest of the old one, of which the far end is kept; and how
    much of that pipe [m] is hidden already. `made` and `closes`, in a stretch that is held at both ends: a joint was
    made in it, something in it lets the last one close. `approach` is how the water comes here: the next joint loses
    by it.
    """

    position: int
    kept: int | None = None
    front: Front | None = None
    separable: bool = False
    gap_mm: int = 0
    fast: bool = False
    within: float | None = None
    made: bool = False
    closes: bool = False
    approach: Approach = UNKNOWN

    @property
    def key(self) -> tuple[object, ...]:
        return (*self[:2], self.front.key if self.front else None, *self[3:])


class Arc(NamedTuple):
    """One step along a run: parts kept or bought in order, parts removed, joints made."""

    head: int  # node index
    parts: tuple[Part, ...] = ()
    removed: tuple[int, ...] = ()
    joints: tuple[tuple[str, str], ...] = ()  # (what seals it, nominal size)
    extra_pipe: tuple[tuple[CatalogItem, float], ...] = ()  # pipe bought beyond what shows: into sockets, over gaps
    first: bool = False  # the first part is the run's first
    last: bool = False  # ... and its last, at an open end
    cuts: int = 0  # saw cuts into pipe that stands
    sawn_off: tuple[Part, ...] = ()  # what is taken out of a pipe of which the rest is kept
    joint_s2_m5: float = 0.0  # b of b Q² that its joints lose where bores do not meet, see `joints.bores`
    joint_back_s2_m5: float = 0.0  # ... for water against the run's direction, each joint by itself
    couplings: tuple[CatalogItem, ...] = ()  # in new pipe that no length of the store is enough for; its b counts them

    @property
    def has_tail(self) -> bool:
        """Return whether the step ends the run with new pipe on a bend that opens into a tank (`TAIL_BORES`)."""
        if not self.last or len(self.parts) < 2:
            return False
        bend, tail = self.parts[-2:]
        return bend.kind in JETS and tail.kind in PIPES and not tail.existing


@dataclass
class ChoiceGraph:
    """All ways to plumb one run, as a layered graph.

    `starts` and `ends` map an end state to node indices; `arcs[i]` are the arcs out of node i. Node indices rise
    along the run.
    """

    run: Run
    nodes: list[Node] = field(default_factory=list)
    arcs: list[list[Arc]] = field(default_factory=list)
    starts: dict[EndState, int] = field(default_factory=dict)
    ends: dict[EndState, int] = field(default_factory=dict)
    uncoupled: dict[str, float] = field(default_factory=dict)  # pipe that nothing couples: the longest piece of it [m]
    cents: dict[tuple[int, ...], int] = field(init=False, default_factory=dict)  # by ids of parts, pipe, couplings
    priced: dict[tuple[object, ...], list[tuple[int, int, int]]] = field(init=False, default_factory=dict)  # all steps


def leads_through(graph: ChoiceGraph) -> bool:
    """Return whether there is any way at all to plumb a run."""
    seen = set(graph.starts.values())
    waiting = list(seen)
    while waiting:
        for arc in graph.arcs[waiting.pop()]:
            if arc.head not in seen:
                seen.add(arc.head)
                waiting.append(arc.head)
    return bool(seen & set(graph.ends.values()))
