"""Every kind of part, one row each: its words, what may stand in for it, what it does, how it is drawn, its worth when
it comes out. Whatever depends on the kind alone is told here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, StrEnum, auto


class Kind(StrEnum):
    """What a part is. The value is the word that the system file and the parts list use."""

    PIPE = "pipe"
    HOSE = "hose"
    TUBE = "tube"
    ELBOW = "elbow"
    SWEEP_ELBOW = "sweep elbow"
    ELBOW_45 = "45 elbow"
    TEE = "tee"
    CROSS = "cross"
    COUPLING = "coupling"
    REDUCING_COUPLING = "reducing coupling"
    BUSHING = "bushing"
    UNION = "union"
    BULKHEAD = "bulkhead"
    WYE = "wye"
    DOUBLE_WYE = "double wye"
    SANITARY_TEE = "sanitary tee"
    SADDLE = "saddle"
    CAP = "cap"
    PLUG = "plug"
    RUBBER_COUPLING = "rubber coupling"
    GROMMET = "grommet"
    BALL_VALVE = "ball valve"
    TRUE_UNION_BALL_VALVE = "true-union ball valve"
    GATE_VALVE = "gate valve"
    GLOBE_VALVE = "globe valve"
    DIAPHRAGM_VALVE = "diaphragm valve"
    ANGLE_VALVE = "angle valve"
    NEEDLE_VALVE = "needle valve"
    SWING_CHECK_VALVE = "swing check valve"
    SPRING_CHECK_VALVE = "spring check valve"
    Y_CHECK_VALVE = "y-check valve"
    TRUE_UNION_CHECK_VALVE = "true-union check valve"
    BACKFLOW_PREVENTER = "backflow preventer"
    SOLENOID_VALVE = "solenoid valve"
    FLOAT_VALVE = "float valve"
    PRESSURE_REGULATOR = "pressure regulator"
    FILTER_HOUSING = "filter housing"
    STRAINER = "strainer"
    QUICK_DISCONNECT = "quick disconnect"
    INTAKE_SCREEN = "intake screen"
    OUTLET_NOZZLE = "outlet nozzle"
    FLARED_OUTLET = "flared outlet"
    ROTATING_OUTLET = "rotating outlet"
    BALL_JOINT_HOSE = "ball-joint hose"
    EDUCTOR = "eductor"
    SPRAY_BAR = "spray bar"
    TANK_EDGE_RETURN = "tank-edge return"
    FLOW_METER = "flow meter"
    ADAPTER = "adapter"  # any two-ended piece that connects two forms: thread x socket, barb x thread, ...
    NIPPLE = "nipple"
    PUMP = "pump"
    DEVICE = "device"
    OPEN_JOINT = "open joint"  # not connected yet: the plan buys what connects the two neighbours
    CONSUMABLE = "consumable"


class Trait(Enum):
    """What a kind of part does in a line."""

    PIPE = auto()  # straight or flexible, cut to length
    BEND = auto()  # turns the water
    THROTTLE = auto()  # its opening can be set
    CHECK = auto()  # lets water through one way only
    SEPARABLE = auto()  # can be unbolted without a saw
    JOINER = auto()  # only connects its two neighbours
    REMOVABLE = auto()  # may be left out where its neighbours meet without it
    BRANCH = auto()  # where three or four runs meet
    STOP = auto()  # shuts an end for good
    WALL = auto()  # stands in a wall: kept unless the owner says otherwise
    TANK = auto()  # its open end stands in the water of a tank: kept unless the owner says otherwise
    FLARE = auto()  # widens by a cone made for it, whose loss is its own
    MACHINE = auto()  # a pump or a device: the owner describes it, no catalog row of pieces does


class Reuse(Enum):
    """What is left of a part that is taken out, where its ends were cemented."""

    SCRAP = auto()  # the cement holds it for ever
    OFFCUT = auto()  # a clean straight piece can serve as a stub
    NUT = auto()  # the nut and the O-ring can
    BODY = auto()  # it unscrews from its cemented end pieces
    WHOLE = auto()  # it comes off at its ports
    NONE = auto()  # there is nothing to take out


@dataclass(frozen=True, slots=True)
class KindRow:
    """All that is told by the kind of a part.

    `words` name it on a list of parts, `legend` in a drawing. `synonyms` mean it in a system file, beside its own word;
    None: it can not be written there as a part of a run. What may stand in its place is in `substitutes`, like for like
    first; empty: it stays, or is left out. `ends` is the number of its ends, `symbol` the name of its drawing.
    """

    kind: Kind
    words: str
    legend: str
    synonyms: tuple[str, ...] | None
    substitutes: tuple[Kind, ...]
    traits: frozenset[Trait]
    ends: int
    symbol: str
    reuse: Reuse


def _row(
    kind: Kind,
    symbol: str,
    synonyms: Iterable[str] | None = (),
    *traits: Trait,
    substitutes: Iterable[Kind] = (),
    reuse: Reuse = Reuse.SCRAP,
    words: str = "",
    legend: str = "",
    ends: int = 2,
) -> KindRow:
    spoken = None if synonyms is None else tuple(synonyms)
    return KindRow(
        kind,
        words or str(kind),
        legend or str(kind),
        spoken,
        tuple(substitutes),
        frozenset(traits),
        ends,
        symbol,
        reuse,
    )


def _turned(angle: str) -> tuple[str, ...]:
    """Return how people name an elbow by its angle."""
    return angle, f"{angle} elbow", f"{angle} elbows", f"elbow {angle}"


_K, _T = Kind, Trait
_ROWS = (
    _row(_K.PIPE, "pipe", ["pipes"], _T.PIPE, substitutes=[_K.PIPE], reuse=Reuse.OFFCUT),
    _row(
        _K.HOSE,
        "hose",
        ["flexible hose", "vinyl hose", "hoses"],
        *(_T.PIPE, _T.SEPARABLE),
        substitutes=[_K.HOSE],
        reuse=Reuse.OFFCUT,
    ),
    _row(_K.TUBE, "pipe", ["tubing"], _T.PIPE, substitutes=[_K.TUBE], reuse=Reuse.OFFCUT),
    _row(
        _K.ELBOW,
        "square bend",
        ["elbows", "standard elbow", *_turned("90"), *_turned("90°"), *_turned("90 degree"), *_turned("90 deg")],
        _T.BEND,
        substitutes=[_K.ELBOW, _K.SWEEP_ELBOW],
        words="90° elbow",
    ),
    _row(
        _K.SWEEP_ELBOW,
        "round bend",
        ["sweep elbows", "sweep 90", "long sweep elbow", "long radius elbow", "sweep"],
        _T.BEND,
        substitutes=[_K.SWEEP_ELBOW, _K.ELBOW],
        words="90° sweep elbow",
    ),
    _row(
        _K.ELBOW_45,
        "slight bend",
        ["45", "45s", "45 elbows", "elbow 45", *_turned("45°"), *_turned("45 degree"), *_turned("45 deg")],
        _T.BEND,
        substitutes=[_K.ELBOW_45],
        words="45° elbow",
    ),
    _row(_K.TEE, "branching", None, _T.BRANCH, ends=3),
    _row(_K.CROSS, "branching", None, _T.BRANCH, ends=4),
    _row(_K.WYE, "branching aslant", None, _T.BRANCH, ends=3),
    _row(_K.DOUBLE_WYE, "branching aslant", None, _T.BRANCH, ends=4),
    _row(_K.SANITARY_TEE, "branching aslant", None, _T.BRANCH, ends=3),
    _row(_K.SADDLE, "branching on a ring", None, _T.BRANCH, ends=3, words="saddle", legend="clamp-on saddle"),
    _row(_K.COUPLING, "box", ["couplings", "coupler"], _T.JOINER, _T.REMOVABLE),
    _row(_K.REDUCING_COUPLING, "reducer", ["reducer", "reducing coupler"], _T.JOINER, _T.REMOVABLE),
    _row(_K.BUSHING, "bushing", ["reducer bushing", "reducing bushing", "bushings"], _T.JOINER, _T.REMOVABLE),
    _row(
        _K.UNION,
        "two bars",
        ["unions"],
        *(_T.SEPARABLE, _T.REMOVABLE),
        substitutes=[_K.UNION],
        reuse=Reuse.NUT,
    ),
    _row(_K.BULKHEAD, "wall", ["bulkheads", "bulkhead fitting"], _T.WALL, substitutes=[_K.BULKHEAD]),
    _row(_K.CAP, "cap", None, _T.STOP, ends=1),
    _row(_K.PLUG, "plug", None, _T.STOP, ends=1, reuse=Reuse.WHOLE),
    _row(
        _K.RUBBER_COUPLING,
        "box with bands",
        ["clamped rubber coupling", "flexible coupling", "rubber couplings"],
        *(_T.SEPARABLE, _T.REMOVABLE),
        substitutes=[_K.RUBBER_COUPLING],
        reuse=Reuse.WHOLE,
    ),
    _row(
        _K.GROMMET,
        "ring in a wall",
        ["grommets", "through wall grommet", "rubber grommet"],
        _T.WALL,
        substitutes=[_K.GROMMET, _K.BULKHEAD],
        reuse=Reuse.WHOLE,
    ),
    _row(
        _K.BALL_VALVE,
        "ball valve",
        ["ball valves"],
        _T.THROTTLE,
        substitutes=[_K.BALL_VALVE, _K.TRUE_UNION_BALL_VALVE, _K.GATE_VALVE],
    ),
    _row(
        _K.TRUE_UNION_BALL_VALVE,
        "valve between bars",
        ["true union ball valve", "true-union valve", "true union valve"],
        *(_T.THROTTLE, _T.SEPARABLE),
        substitutes=[_K.TRUE_UNION_BALL_VALVE, _K.BALL_VALVE, _K.GATE_VALVE],
        reuse=Reuse.BODY,
    ),
    _row(
        _K.GATE_VALVE,
        "two triangles",
        ["gate valves"],
        _T.THROTTLE,
        substitutes=[_K.GATE_VALVE, _K.BALL_VALVE, _K.TRUE_UNION_BALL_VALVE],
    ),
    _row(
        _K.GLOBE_VALVE,
        "globe valve",
        ["globe valves"],
        _T.THROTTLE,
        substitutes=[_K.GLOBE_VALVE, _K.BALL_VALVE, _K.TRUE_UNION_BALL_VALVE, _K.GATE_VALVE],
    ),
    _row(
        _K.SWING_CHECK_VALVE,
        "check",
        ["swing check", "flap check valve"],
        _T.CHECK,
        substitutes=[_K.SWING_CHECK_VALVE, _K.SPRING_CHECK_VALVE],
    ),
    _row(
        _K.SPRING_CHECK_VALVE,
        "check with spring",
        ["spring check"],
        _T.CHECK,
        substitutes=[_K.SPRING_CHECK_VALVE, _K.SWING_CHECK_VALVE],
    ),
    _row(
        _K.DIAPHRAGM_VALVE,
        "valve with dome",
        ["diaphragm valves"],
        _T.THROTTLE,
        substitutes=[_K.DIAPHRAGM_VALVE, _K.GLOBE_VALVE, _K.GATE_VALVE],
    ),
    _row(
        _K.ANGLE_VALVE,
        "angle valve",
        ["angle valves", "angle stop"],
        _T.THROTTLE,
        substitutes=[_K.ANGLE_VALVE],
    ),
    _row(_K.NEEDLE_VALVE, "needle valve", ["needle valves"], _T.THROTTLE, substitutes=[_K.NEEDLE_VALVE]),
    _row(
        _K.Y_CHECK_VALVE,
        "check aslant",
        ["y check valve", "y check", "wye check valve"],
        _T.CHECK,
        substitutes=[_K.Y_CHECK_VALVE, _K.SWING_CHECK_VALVE, _K.SPRING_CHECK_VALVE],
    ),
    _row(
        _K.TRUE_UNION_CHECK_VALVE,
        "check between bars",
        ["true union check valve", "true-union check", "true union check"],
        *(_T.CHECK, _T.SEPARABLE),
        substitutes=[_K.TRUE_UNION_CHECK_VALVE, _K.SPRING_CHECK_VALVE, _K.SWING_CHECK_VALVE],
        reuse=Reuse.BODY,
    ),
    _row(
        _K.BACKFLOW_PREVENTER,
        "two checks",
        ["vacuum breaker", "dual check valve"],
        _T.CHECK,
        substitutes=[_K.BACKFLOW_PREVENTER],
    ),
    _row(_K.SOLENOID_VALVE, "valve with coil", ["solenoid", "solenoids"], substitutes=[_K.SOLENOID_VALVE]),
    _row(_K.FLOAT_VALVE, "valve with float", ["float valves"], substitutes=[_K.FLOAT_VALVE]),
    _row(_K.PRESSURE_REGULATOR, "valve with spring", ["regulator"], substitutes=[_K.PRESSURE_REGULATOR]),
    _row(_K.FILTER_HOUSING, "sieve in a box", ["prefilter", "sediment filter"], substitutes=[_K.FILTER_HOUSING]),
    _row(_K.STRAINER, "sieve", ["y strainer"], substitutes=[_K.STRAINER]),
    _row(
        _K.QUICK_DISCONNECT,
        "two arrows",
        ["quick coupling", "quick disconnects"],
        _T.SEPARABLE,
        substitutes=[_K.QUICK_DISCONNECT],
        reuse=Reuse.NUT,
    ),
    _row(
        _K.INTAKE_SCREEN,
        "screen",
        ["intake strainer", "overflow strainer", "suction screen", "intake screens"],
        _T.TANK,
        substitutes=[_K.INTAKE_SCREEN],
    ),
    _row(
        _K.OUTLET_NOZZLE,
        "jet",
        ["nozzle", "nozzles", "return nozzle", "jet nozzle"],
        _T.TANK,
        substitutes=[_K.OUTLET_NOZZLE],
    ),
    _row(
        _K.FLARED_OUTLET,
        "flare",
        ["flared nozzle", "flared end", "bell outlet"],
        *(_T.TANK, _T.FLARE),
        substitutes=[_K.FLARED_OUTLET],
    ),
    _row(_K.ROTATING_OUTLET, "turning outlet", ["rotating nozzle"], _T.TANK, substitutes=[_K.ROTATING_OUTLET]),
    _row(
        _K.BALL_JOINT_HOSE,
        "beads",
        ["segmented hose", "ball joint nozzle", "segmented ball joint hose"],
        _T.TANK,
        substitutes=[_K.BALL_JOINT_HOSE],
    ),
    _row(_K.EDUCTOR, "jet in a ring", ["eductors", "eductor nozzle"], _T.TANK, substitutes=[_K.EDUCTOR]),
    _row(_K.SPRAY_BAR, "bar with holes", ["spraybar", "spray bars"], _T.TANK, substitutes=[_K.SPRAY_BAR]),
    _row(
        _K.TANK_EDGE_RETURN,
        "hook",
        ["tank edge return pipe", "over the edge return", "over the rim return"],
        _T.TANK,
        substitutes=[_K.TANK_EDGE_RETURN],
        reuse=Reuse.WHOLE,
    ),
    _row(_K.FLOW_METER, "dial", ["meter", "flow sensor", "flow meters"], substitutes=[_K.FLOW_METER]),
    _row(
        _K.ADAPTER,
        "half box",
        ["adapters", "adaptor"],
        *(_T.JOINER, _T.REMOVABLE),
        legend="thread or hose adapter",
    ),
    _row(_K.NIPPLE, "narrow box", ["nipples"], _T.JOINER, _T.REMOVABLE),
    _row(_K.PUMP, "pump", [], _T.MACHINE, reuse=Reuse.WHOLE),
    _row(_K.DEVICE, "device", [], _T.MACHINE, reuse=Reuse.WHOLE),
    _row(_K.OPEN_JOINT, "gap", [], _T.REMOVABLE, reuse=Reuse.NONE, legend="not connected yet"),
    _row(_K.CONSUMABLE, "pipe", None, ends=0, reuse=Reuse.NONE),
)
KINDS: dict[Kind, KindRow] = {row.kind: row for row in _ROWS}


def with_trait(*traits: Trait) -> frozenset[Kind]:
    """Return the kinds that have any of these traits."""
    return frozenset(row.kind for row in _ROWS if row.traits & set(traits))


def spoken() -> dict[str, Kind]:
    """Return every word that means a kind of part in a system file, its own one first."""
    own = {str(row.kind): row.kind for row in _ROWS if row.synonyms is not None}
    return own | {word: row.kind for row in _ROWS for word in row.synonyms or ()}


PIPES = with_trait(Trait.PIPE)
BENDS = with_trait(Trait.BEND)
THROTTLES = with_trait(Trait.THROTTLE)
CHECKS = with_trait(Trait.CHECK)
SEPARABLE = with_trait(Trait.SEPARABLE)
JOINERS = with_trait(Trait.JOINER)
REMOVABLE = with_trait(Trait.REMOVABLE)
MACHINES = with_trait(Trait.MACHINE)
BRANCHES = with_trait(Trait.BRANCH)
STOPS = with_trait(Trait.STOP)
FLARES = with_trait(Trait.FLARE)
MOUTHS = with_trait(Trait.TANK)
FIXTURES = with_trait(Trait.WALL, Trait.TANK)
