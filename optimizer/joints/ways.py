"""All ways from one end to another side by side: what each takes, costs and loses, and which must not be used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from optimizer.joints.chains import MOST_PIECES, EndGraph
from optimizer.joints.labels import Label, Labels, LossAtFlow
from optimizer.joints.mating import TAPER_REASON, Mating, mating
from optimizer.joints.threads import standard_of
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form
from optimizer.model.materials import is_metal
from optimizer.model.network import Part

BY_PRICE, BY_LOSS, BY_SERVICE = "price", "loss", "serviceability"
CHOKED = 0.7  # of the bore is half of the area: what is narrower than this chokes the line
_SEALING = {
    "cement": "cement",
    "tape": "thread tape",
    "washer": "flat washer",
    "swivel": "washer in the swivel nut",
    "clamp": "hose clamp",
    "push": "push-fit, no sealant",
    "sleeve": "clamped sleeve, no sealant",
    "stub": "two cemented joints on a short pipe",
}


@dataclass(frozen=True, slots=True)
class WayJoint:
    """One joint of a way: the two ends that meet, what seals them, the standard of the thread if it is one."""

    first: End
    second: End
    method: str  # as `Mating.method`
    sealing: str
    standard: str
    separable: bool


@dataclass(frozen=True, slots=True)
class Way:
    """One way from an end to another. Money in cents of the catalog's currency, pieces only.

    `loss_m` is the head lost at the design flow [m], None when no flow was given; `length_m` what the way adds to the
    line between the two ends; `leak_points` every joint, and the O-ring inside a union. `unbolts` says whether both
    neighbours can stay where they are while it is taken apart. `narrowest_m` is the narrowest bore in it [m], None
    where there is no piece; `chokes` says whether that is much narrower than both ends. `best` names what no other
    allowed way does better.
    """

    pieces: tuple[Part, ...]
    joints: tuple[WayJoint, ...]
    leak_points: int
    unbolts: bool
    price_cents: int
    loss_m: float | None
    length_m: float
    materials: tuple[str, ...]
    narrowest_m: float | None = None
    chokes: bool = False
    why_not: tuple[str, ...] = ()
    best: tuple[str, ...] = ()

    @property
    def allowed(self) -> bool:
        return not self.why_not

    @property
    def of_metal(self) -> bool:
        """Whether a piece of metal is among its pieces."""
        return any(is_metal(material) for material in self.materials)


def ways(
    start: End,
    goal: End,
    catalog: Catalog,
    *,
    flow_m3_s: float | None = None,
    measure: LossAtFlow | None = None,
    pressure_pa: float = 0.0,
    allow_unsafe_metals: bool = False,
) -> tuple[Way, ...]:
    """Return every efficient way from one end to another, the allowed ones first, then by price.

    Parameters
    ----------
    start, goal
        The two ends that are to be joined, in the order in which the water passes them.
    catalog
        What can be bought.
    flow_m3_s, measure
        The design flow [m³/s] and what gives a piece's loss at it [m]; without both the loss plays no part.
    pressure_pa
        The highest gauge pressure that the pieces must bear [Pa]; 0: not asked.
    allow_unsafe_metals
        Whether copper alloys, zinc and plain steel may touch this water.

    Returns
    -------
    tuple of Way
        At most three pieces each, or four where no allowed way has fewer. Those that choke the line stand behind the
        other allowed ones. Ways that must not be used stand last, with the reasons: those that would be better
        than all allowed ones in price or loss, and the cheapest of each set of reasons that takes at most one piece
        more than an allowed one. Empty: see `why_no_way`.
    """
    loss = measure if measure is not None and flow_m3_s is not None else None
    graph = EndGraph(catalog, allow_unsafe_metals, pressure_pa=pressure_pa, hoses=True, refused=True)
    return WayFinder(graph, loss, flow_m3_s or 0.0).between(start, goal)


def why_no_way(start: End, goal: End, catalog: Catalog) -> str:
    """Return why `ways` finds nothing between two ends; empty where it finds something."""
    most = MOST_PIECES
    return EndGraph(catalog, True, max_pieces=most, hoses=True, refused=True).why_no_way(start, goal)


def directly(start: End, goal: End) -> str:
    """Return what seals the joint of two ends that mate by themselves; empty where they never do (see `refusal`)."""
    joint = mating(start, goal)
    return _sealing(start, goal, joint) if joint is not None else ""


def _sealing(first: End, second: End, joint: Mating) -> str:
    if Form.COMPRESSION in (first.form, second.form):
        return "compression nut and ring, no sealant"
    return _SEALING[joint.method]


class WayFinder:
    """Finds the ways between many pairs of ends, and remembers what it saw on the way."""

    def __init__(self, end_graph: EndGraph, loss: LossAtFlow | None, flow_m3_s: float) -> None:
        self._labels = Labels(end_graph, loss or (lambda part: 0.0), flow_m3_s**2 if loss is not None else 0.0)
        self._with_loss = loss is not None

    @cached_property
    def _longer(self) -> Labels:
        """What finds rows of one piece more, for ends that no shorter row joins."""
        graph = replace(self._labels.end_graph, max_pieces=MOST_PIECES)
        return Labels(graph, self._labels.loss, self._labels.per_square_m)

    def between(self, start: End, goal: End) -> tuple[Way, ...]:
        """Return the ways as `ways` does."""
        labels = self._labels.between(start, goal)
        if all(label.faults for label in labels):
            longer = self._longer.between(start, goal)
            labels = longer if not labels or not all(label.faults for label in longer) else labels
        widest_m = self._labels.narrower_m(start, goal)
        sound = [label for label in labels if not label.faults]
        wide = [label for label in sound if not _chokes(label, widest_m)]
        shown = [*wide, *(label for label in sound if label not in wide)]
        shown += _telling(sound, [label for label in labels if label.faults])
        best = _best(wide or sound, self._with_loss)
        return tuple(
            self._way(label, start, goal, widest_m, tuple(mark for mark, one in best.items() if one is label))
            for label in shown
        )

    def _way(self, label: Label, start: End, goal: End, widest_m: float, best: tuple[str, ...]) -> Way:
        pieces = label.chain.pieces
        ends = [start, *(end for piece in pieces for end in piece.ends), goal]
        joints = tuple(
            WayJoint(
                first,
                second,
                joint.method,
                _sealing(first, second, joint),
                _standards(first, second),
                joint.separable,
            )
            for first, second, joint in zip(ends[::2], ends[1::2], label.chain.matings, strict=True)
        )
        return Way(
            pieces=pieces,
            joints=joints,
            leak_points=label.joints,
            unbolts=label.unbolts,
            price_cents=label.cents,
            loss_m=label.loss_m if self._with_loss else None,
            length_m=label.length_m,
            materials=tuple(dict.fromkeys(piece.item.material for piece in pieces if piece.item is not None)),
            narrowest_m=_narrowest_m(label),
            chokes=_chokes(label, widest_m),
            why_not=tuple(sorted(label.faults, key=_reason_key)),
            best=best,
        )


def _narrowest_m(label: Label) -> float | None:
    return min((bore for piece in label.chain.pieces for bore in piece.end_bores_m), default=None)


def _chokes(label: Label, widest_m: float) -> bool:
    """Return whether a way is much narrower than the narrower of the two ends, of a bore [m]."""
    narrowest_m = _narrowest_m(label)
    return narrowest_m is not None and narrowest_m < CHOKED * widest_m


def _reason_key(reason: str) -> tuple[bool, str]:
    """Return the order of reasons: what the water rules out stands before what a joint does."""
    return reason.startswith(TAPER_REASON), reason


def _standards(first: End, second: End) -> str:
    """Return the standards of the two threads of a joint: one, or both where R meets G."""
    return ", ".join(dict.fromkeys(name for name in (standard_of(first.form), standard_of(second.form)) if name))


def _telling(sound: Sequence[Label], faulty: Sequence[Label]) -> list[Label]:
    """Return the faulty chains worth showing: what beats all sound ones, and of each set of reasons the cheapest.

    The cheapest counts with at most one piece more than a sound chain has: a longer one tempts nobody.
    """
    fewest = min((len(label.chain.pieces) for label in sound), default=len(faulty))
    firsts: dict[frozenset[str], Label] = {}
    for label in faulty:
        if len(label.chain.pieces) <= fewest + 1 or not sound:
            firsts.setdefault(label.faults, label)
    return [label for label in faulty if label in firsts.values() or _beats_all(label, sound)]


def _beats_all(label: Label, sound: Sequence[Label]) -> bool:
    """Return whether a chain is strictly cheaper, or loses less, than every sound one."""
    if not sound:
        return False  # then the cheapest of each set of reasons is shown
    return all(label.cents < other.cents for other in sound) or all(label.loss_m < other.loss_m for other in sound)


def _best(sound: Sequence[Label], with_loss: bool) -> dict[str, Label]:
    """Return the best of the allowed chains by each of the three marks.

    Serviceability: unboltable first, then few places that can leak, then few joints that never open again, then price.
    """
    if not sound:
        return {}
    marks = {BY_PRICE: min(sound, key=lambda label: (label.cents, label.joints, label.loss_m))}
    if with_loss:
        marks[BY_LOSS] = min(sound, key=lambda label: (label.loss_m, label.cents, label.joints))
    marks[BY_SERVICE] = min(sound, key=_service_key)
    return marks


def _service_key(label: Label) -> tuple[bool, int, int, int, float]:
    chain = label.chain
    for_ever = sum(not joint.separable for joint in chain.matings)
    soft = any(piece.kind in (Kind.HOSE, Kind.TUBE) for piece in chain.pieces)
    return (not label.unbolts, label.joints, for_ever + soft, label.cents, label.loss_m)
