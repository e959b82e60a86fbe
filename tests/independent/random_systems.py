"""Random small systems as files, with what the enumeration needs to know of them. Invented, prices too."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from own_bores import joints_m
from own_losses import RHO, G, piece_loss_m, pipe_loss_m, tee_dividing_m, velocity_head_m
from own_pieces import OPEN, Piece, Shop, bored
from own_shelf import End, Row, all_rows

M3_S_PER_L_H = 1.0 / 3.6e6
SMALL, LARGE = "3/4 in", "1 in"
CODE = {SMALL: "075", LARGE: "100"}
SHARED = {"cement-quarter-pint": 549, "primer-quarter-pint": 499, "tape-roll": 149}
_EACH = ("pipe", "elbow", "sweep-elbow", "45-elbow", "coupling", "union", "ball-valve", "gate-valve", "tee")
_BOTH = ("tee-100x100x075", "reducing-coupling-100x075", "bushing-100x075")
_THREADED = ("adapter-075-socket-npt", "adapter-100-socket-npt", "adapter-075x100-socket-npt")


@dataclass(frozen=True)
class Line:
    """One run between two points; the limits are on its flow [L/h]. `tees`: leg of a tee at its start and its end."""

    name: str
    start: str
    end: str
    parts: tuple[Piece, ...]
    low_l_h: float = 0.0
    high_l_h: float | None = None
    size: str = SMALL

    @property
    def has_valve(self) -> bool:
        return any("valve" in part.kind for part in self.parts)


@dataclass(frozen=True)
class Small:
    """A system: heights of its open waters [m], the pump's parabola (head at rest [m], flow without head [L/h])."""

    name: str
    heights_m: Mapping[str, float]
    lines: Mapping[str, Line]
    pump: tuple[float, float]
    prices: Mapping[str, int]
    tees: Mapping[str, str] = field(default_factory=dict)  # name of the tee, item number
    supplies_bar: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # pressure, height [m]
    night: tuple[float, float] | None = None  # speed of the pump then, the least flow of the one line [L/h]
    port: str = "NPT male"  # of the pump
    by_the_foot: bool = True
    most_cuts: int | None = None  # into pipe that stays
    own_sizes: bool = False  # of each line: no other may be bought, but for a tee as large as the largest line at it
    new_tees: bool = False  # the tees must go
    extra_rules: str = ""
    extra: str = ""
    more_targets: Mapping[str, tuple[float, float | None]] = field(default_factory=dict)  # of sums of lines [L/h]
    modes: Mapping[str, tuple[float, Mapping[str, float]]] = field(default_factory=dict)  # speed, least flows [L/h]

    @property
    def flows_are_known(self) -> bool:
        """Return whether every flow is held to its least by a valve of its own, or has no upper end, in one setting."""
        if self.more_targets or self.modes or self.extra:  # a tank below its overflow gives no more than it gets
            return False
        return self.night is None and all(line.has_valve or line.high_l_h is None for line in self.lines.values())

    @property
    def shop(self) -> Shop:
        known = all_rows()
        rows = {key: replace(known[key], cents=cents) for key, cents in self.prices.items() if key in known}
        return Shop(rows, (SMALL, LARGE))

    def shop_of(self, line: Line) -> Shop:
        """Return what a line may be built from."""
        return replace(self.shop, sizes=(line.size,)) if self.own_sizes else self.shop

    def text(self, order: Sequence[str] | None = None) -> str:
        """Return the system file."""
        heights = ", ".join(f"{name}: {height:.4f} m" for name, height in self.heights_m.items())
        top, most = self.pump
        out = [f"system: {self.name}", "units: metric", "water: {salinity: 0 g/kg, temperature: 25 degC}"]
        out.append(f"surfaces: {{{heights}}}")
        if self.supplies_bar:
            out.append("supplies:")
            out += [
                f"  {k}: {{pressure: {p:.6f} bar, elevation: {z:.4f} m}}" for k, (p, z) in self.supplies_bar.items()
            ]
        out += [
            "pumps:",
            f"  return: {{curve: [0 L/h at {top:.5f} m, {most:.4f} L/h at 0 m], ports: {SMALL} {self.port}}}",
        ]
        out.append("runs:")
        for name in order or self.lines:
            line = self.lines[name]
            parts = ", ".join(words_of(part) for part in line.parts)
            at = f"from: {line.start}, to: {line.end}, size: {line.size} sch 40 PVC"
            out.append(f"  {name}: {{{at}, parts: [{parts}]}}")
        for point in self.tees if self.new_tees else ():
            out += ["tees:", f"  {point}: {{must go: yes}}"]
        targets = [
            f"  {line.name}: {_target(line.low_l_h, line.high_l_h)}"
            for line in self.lines.values()
            if line.low_l_h or line.high_l_h
        ]
        targets += [f"  {name}: {_target(*limits)}" for name, limits in self.more_targets.items()]
        out += ["targets:", *targets] if targets else []
        if self.night is not None:
            speed, low = self.night
            (name,) = self.lines
            night = f"{{return: {speed:.0%}, targets: {{{name}: at least {low:.4f} L/h}}}}"
            out.append(f"settings: {{day: {{return: 100%}}, night: {night}}}")
        if self.modes:
            out.append(f"settings: {{{', '.join(_mode(mode, *told) for mode, told in self.modes.items())}}}")
        foot = ", buy pipe: by the foot" if self.by_the_foot else ""
        foot += "" if self.most_cuts is None else f", saw cuts: at most {self.most_cuts}"
        sizes = "other sizes: no" if self.own_sizes else f"sizes: [{SMALL}, {LARGE}]"
        rules = f"{sizes}, velocity limit: 9.0 m/s, buy only from: own lists{foot}{self.extra_rules}"
        out.append(f"rules: {{{rules}}}")
        return "\n".join(out) + "\n" + self.extra

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Write the system file and the price list; return both paths."""
        system, prices = folder / f"{self.name.replace(' ', '-')}.yaml", folder / "prices.csv"
        system.write_text(self.text(), encoding="utf-8")
        rows = [f"{key},{cents / 100:.2f},USD,2026-11-01" for key, cents in self.prices.items()]
        prices.write_text("\n".join(["item_id,price,currency,price_date", *rows]) + "\n", encoding="utf-8")
        return system, prices


def _mode(name: str, speed: float, least_l_h: Mapping[str, float]) -> str:
    targets = ", ".join(f"{line}: at least {low:.4f} L/h" for line, low in least_l_h.items())
    return f"{name}: {{return: {speed:.0%}, targets: {{{targets}}}}}"


def _target(low_l_h: float, high_l_h: float | None) -> str:
    if high_l_h is None:
        return f"at least {low_l_h:.4f} L/h"
    return f"{low_l_h:.4f} to {high_l_h:.4f} L/h" if low_l_h else f"at most {high_l_h:.4f} L/h"


def words_of(part: Piece) -> str:
    if part.row is None:
        return "open joint" if part.kind == OPEN else "pump return"
    words = part.kind
    if part.kind == "pipe":
        words = f"pipe {part.length_m:.4f} m"
    elif part.kind == "adapter":
        words = "adapter NPT female x socket"
    if part.keep or part.must_go:
        return f"{{part: {words}, {'keep' if part.keep else 'must go'}: yes}}"
    return words


def row_of(kind: str, size: str = SMALL) -> Row:
    if kind == "adapter":
        return all_rows()[f"sch40-adapter-{CODE[size]}-socket-npt"]
    return all_rows()[f"sch40-{kind.replace(' ', '-')}-{CODE[size]}"]


def old(kind: str, size: str = SMALL, **changes: object) -> Piece:
    """Return a part that stands there."""
    if kind == "pump":
        return Piece(None, "pump", port=End(SMALL, "NPT male"), keep=True)
    return Piece(row_of(kind, size), kind, turned=kind == "adapter")._replace(**changes)  # type: ignore[arg-type]


def prices_of(rng: random.Random, missing: int = 0) -> dict[str, int]:
    """Return random prices of a few rows in two sizes, a few of them not for sale."""
    keys = [f"sch40-{kind}-{CODE[size]}" for size in (SMALL, LARGE) for kind in (*_EACH, "true-union-ball-valve")]
    keys += [f"sch40-{kind}" for kind in (*_BOTH, *_THREADED)]
    droppable = [key for key in keys if "pipe" not in key and "tee" not in key]
    gone = set(rng.sample(droppable, missing))
    found = {}
    for key in keys:
        if key not in gone:
            found[key] = max(5, round(all_rows()[key].cents * rng.uniform(0.4, 1.6)))
    return {**found, **SHARED}


def parts_between(
    rng: random.Random,
    bends: int,
    valve: bool,
    keep: float,
    pipe_m: tuple[float, float],
    kinds: Sequence[str] = (),
    size: str = SMALL,
) -> tuple[Piece, ...]:
    """Return pipe, fitting, pipe, ...; a pipe first and last."""

    def pipe() -> Piece:
        return old("pipe", size, length_m=round(rng.uniform(*pipe_m), 3), keep=rng.random() < keep)

    inner = [
        rng.choice(kinds or ("elbow", "elbow", "45 elbow", "union", "coupling", "globe valve")) for _ in range(bends)
    ]
    inner = [kind for kind in inner if kind != "globe valve" or not valve]
    if valve:
        inner.insert(rng.randrange(len(inner) + 1), rng.choice(("ball valve", "gate valve", "globe valve")))
    found = [pipe()]
    for kind in inner:
        found.append(old(kind, size, keep=rng.random() < keep))
        if rng.random() < 0.85 or kind in ("coupling",):
            found.append(pipe())
    if found[-1].kind != "pipe":
        found.append(pipe())
    return tuple(found)


def run_loss_m(parts: Sequence[Piece], flow_l_h: float, into_water: bool = True) -> float:
    """Return what a run as it stands loses at a flow, with its opening into free water."""
    flow = flow_l_h * M3_S_PER_L_H
    total = 0.0
    for part in parts:
        if part.row is not None:
            pipe = part.kind == "pipe"
            total += pipe_loss_m(part.row, part.length_m, flow) if pipe else piece_loss_m(part.row, part.turned, flow)
    last = parts[-1].row
    assert last is not None
    total += joints_m(map(bored, parts), flow, 0.0, 0.0 if into_water else None)
    return total + (velocity_head_m(flow, last.bores_m[0]) if into_water else 0.0)


def pump_through(head_m: float, flow_l_h: float, rng: random.Random) -> tuple[float, float]:
    """Return a parabola through a head at a flow."""
    most = flow_l_h * rng.uniform(1.6, 3.0)
    return head_m / (1.0 - (flow_l_h / most) ** 2), most


def single(seed: int, *, kept: float = 0.0, valve: bool | None = None, window: bool = False, missing: int = 0) -> Small:
    """Return a pump, an adapter and a line of three to seven parts into the display."""
    rng = random.Random(f"single {seed} {kept} {valve} {window}")
    valved = rng.random() < 0.6 if valve is None else valve
    parts = (old("pump"), old("adapter"), *parts_between(rng, rng.randint(0, 2), valved, kept, (0.15, 2.5)))
    flow = rng.uniform(1400.0, 3400.0)
    lift = rng.uniform(0.3, 1.8)
    loss = run_loss_m(parts, flow)
    line = Line("riser", "sump", "display", parts, flow, flow * rng.uniform(1.01, 1.3) if window else None)
    head = lift + loss * rng.uniform(0.3, 1.02)
    heights = {"sump": 0.0, "display": lift}
    return Small(
        f"single line {seed}", heights, {"riser": line}, pump_through(head, flow, rng), prices_of(rng, missing)
    )


def few_cuts(seed: int) -> Small:
    """Return a line whose pipe may be sawn through a few times only."""
    base = single(seed, kept=0.15)
    return replace(base, name=f"few cuts {seed}", most_cuts=random.Random(f"cuts {seed}").randint(0, 3))


def day_and_night(seed: int) -> Small:
    """Return a line with a least flow at full speed, and another at a lower one, which may be the harder to give."""
    rng = random.Random(f"night {seed}")
    base = single(seed, kept=0.1)
    (line,) = base.lines.values()
    speed = rng.randrange(70, 96, 5) / 100
    top, most = base.pump
    lift = base.heights_m["display"]
    top = max(top, 1.15 * lift / speed**2)
    flow = line.low_l_h
    while speed**2 * top * (1.0 - (flow / speed / most) ** 2) < lift + run_loss_m(line.parts, flow) * rng.uniform(
        0.4, 1
    ):
        flow *= 0.97
    return replace(base, name=f"day and night {seed}", pump=(top, most), night=(speed, flow))


def not_joined(seed: int) -> Small:
    """Return a line that is not joined to its pump yet, whose port has a thread of one standard or the other."""
    rng = random.Random(f"not joined {seed}")
    base = single(seed)
    (line,) = base.lines.values()
    port = rng.choice(("NPT male", "BSPP male"))
    pump = Piece(None, "pump", port=End(SMALL, port), keep=True)
    parts = (pump, Piece(None, OPEN, must_go=True), *line.parts[2:])
    more = [key for key, row in all_rows().items() if _joins_bsp(row)]
    prices = {key: max(5, round(all_rows()[key].cents * rng.uniform(0.4, 1.6))) for key in more}
    lines = {line.name: replace(line, parts=parts)}
    return replace(
        base, name=f"not joined {seed}", lines=lines, port=port, prices={**base.prices, **prices, "washer-075": 149}
    )


def _joins_bsp(row: Row) -> bool:
    """Return whether a row has a BSP end and a plain or an NPT one in the two sizes."""
    forms = {end.form for end in row.ends}
    plastic = row.family in ("sch 40 PVC", "sch 80 PVC") and len(row.ends) == 2
    bsp = any(end.form in ("BSPP female", "Rp female") and end.size == SMALL for end in row.ends)
    return plastic and bsp and "spigot" not in forms and row.kind in ("adapter", "union") and _in_sizes(row)


def _in_sizes(row: Row) -> bool:
    return all(end.size in (SMALL, LARGE) for end in row.ends)


def gravity(seed: int) -> Small:
    """Return a pumped line, and a gravity line from a tank of its own into the sump, each with a valve and a target."""
    rng = random.Random(f"gravity {seed}")
    base = single(seed, valve=True)
    feed = parts_between(rng, rng.randint(0, 1), True, 0.0, (0.15, 0.6))
    drop = rng.uniform(0.5, 1.8)
    wanted = falls_l_h(feed, drop, rng) * rng.uniform(0.8, 1.4)
    line = Line("feed", "loft", "sump", feed, wanted, rng.choice([None, 1.3 * wanted]))
    return replace(
        base,
        name=f"gravity line {seed}",
        lines={**base.lines, "feed": line},
        heights_m={**base.heights_m, "loft": drop},
    )


def falls_l_h(feed: Sequence[Piece], drop_m: float, rng: random.Random) -> float:
    """Return about what a line between two open waters carries by its drop."""
    flow = 300.0
    entry = 0.78 * velocity_head_m(flow * M3_S_PER_L_H, feed[0].row.bores_m[0])  # type: ignore[union-attr]
    while run_loss_m(feed, flow) + entry < drop_m * rng.uniform(0.9, 1.0):
        flow *= 1.02
        entry = 0.78 * velocity_head_m(flow * M3_S_PER_L_H, feed[0].row.bores_m[0])  # type: ignore[union-attr]
    return flow


OVERFLOW = (
    "drains: {overflow: {from: display, to: sump, mode: full siphon, size: 2 in sch 40 PVC, drop: 1 m, "
    "parts: [pipe 1 m]}}\n"
)


def fed(seed: int) -> Small:
    """Return a pumped line, and a gravity line out of the tank that it feeds, which gets more than that may carry."""
    rng = random.Random(f"fed {seed}")
    base = single(seed, valve=True)
    feed = parts_between(rng, rng.randint(0, 1), True, 0.0, (0.15, 0.6))
    falls = falls_l_h(feed, base.heights_m["display"], rng)
    wanted = min(falls * rng.uniform(0.8, 1.4), 0.7 * base.lines["riser"].low_l_h)
    line = Line("feed", "display", "sump", feed, wanted, rng.choice([None, 1.3 * wanted]))
    return replace(base, name=f"fed line {seed}", lines={**base.lines, "feed": line}, extra=OVERFLOW)


def worn_feed(seed: int) -> Small:
    """Return a gravity line of which parts must go, beside a pumped line; both give far more than is asked for.

    What it costs depends on what joins what and on no loss.
    """
    rng = random.Random(f"worn {seed}")
    base = single(seed, valve=True, missing=5)
    (riser,) = base.lines.values()
    parts = parts_between(rng, rng.randint(1, 3), True, 0.15, (0.1, 0.6))
    parts = tuple(part._replace(must_go=not part.keep and rng.random() < 0.3) for part in parts)
    lines = {riser.name: replace(riser, low_l_h=100.0), "feed": Line("feed", "loft", "sump", parts, 100.0)}
    return replace(base, name=f"worn feed {seed}", lines=lines, heights_m={**base.heights_m, "loft": 2.5})


def house(seed: int) -> Small:
    """Return a pumped line, and a line of house water into the sump behind a valve."""
    rng = random.Random(f"house {seed}")
    base = single(seed, valve=True)
    feed = parts_between(rng, rng.randint(0, 1), True, 0.0, (0.3, 2.0))
    wanted = rng.uniform(1500.0, 3500.0)
    head = run_loss_m(feed, wanted) * rng.uniform(0.4, 1.05)
    line = Line("top up", "house", "sump", feed, wanted, rng.choice([None, 1.3 * wanted]))
    supplies = {"house": (head * RHO * G / 1e5, 0.0)}
    lines = {**base.lines, "top up": line}
    return replace(base, name=f"house line {seed}", lines=lines, supplies_bar=supplies)


def waters(seed: int) -> Small:
    """Return a pumped line, a gravity line and a line of house water, each with a valve and a target."""
    base, other = gravity(seed), house(seed)
    lines = {**base.lines, "top up": other.lines["top up"]}
    return replace(base, name=f"waters {seed}", lines=lines, supplies_bar=other.supplies_bar)


def tree(seed: int, *, kept: float = 0.0) -> Small:
    """Return a riser and two branches with valves behind a tee."""
    rng = random.Random(f"tree {seed} {kept}")
    riser = (old("pump"), old("adapter"), *parts_between(rng, rng.randint(0, 1), False, kept, (0.2, 1.5), ("elbow",)))
    lines, heights, losses, flows = {}, {"sump": 0.0}, {}, {}
    for i in (1, 2):
        kinds = ("elbow", "45 elbow")
        parts = parts_between(rng, rng.randint(0, 1), True, kept, (0.2, 1.2), kinds)
        flows[i] = rng.uniform(450.0, 1000.0)
        heights[f"tank {i}"] = rng.uniform(0.3, 1.2)
        high = rng.choice([None, 1.3 * flows[i]])
        start = "split branch" if i == 1 else "split"
        lines[f"branch {i}"] = Line(f"branch {i}", start, f"tank {i}", parts, flows[i], high)
        losses[i] = run_loss_m(parts, flows[i]) + heights[f"tank {i}"]
    total = sum(flows.values())
    m3 = M3_S_PER_L_H
    through, aside = tee_dividing_m(row_of("tee"), (flows[2] * m3, flows[1] * m3), True, False)
    at_tee = max(losses[1] + aside, losses[2] + through)
    loss = run_loss_m(riser, total, False)
    lift = min(heights["tank 1"], heights["tank 2"])
    head = lift + (at_tee - lift + loss) * rng.uniform(0.8, 1.02)
    lines = {"riser": Line("riser", "sump", "split", riser), **lines}
    return Small(
        f"tree {seed}", heights, lines, pump_through(head, total, rng), prices_of(rng), {"split": "sch40-tee-075"}
    )
