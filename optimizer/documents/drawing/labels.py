"""What is written in the schematic: a run's heading and the few words of each part."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from optimizer.documents.drawing.drains import ShownDrain, with_drains
from optimizer.documents.drawing.levels import elevation_m
from optimizer.documents.words import pump_setting
from optimizer.model.catalog import PIPES, THROTTLES, Kind
from optimizer.model.doubt import Doubt, doubt_of
from optimizer.model.ends import Form
from optimizer.model.network import Network, Part, Point, Run
from optimizer.units import flow_unit, length_unit, show_flow, show_head, show_length
from optimizer.wording.amounts import percent

PROBE = "leak probe below"
_STILL_M3_S = 1e-9  # flows below count as none
_PLAIN = frozenset({Form.SOCKET, Form.SPIGOT, Form.HOSE, Form.TUBE})


@dataclass(frozen=True)
class Shown:
    """A plumbing with what is known of it. Flows in m³/s and losses in metres by run; marks by run and part index.

    `before_flows_m3_s` is what flowed before a change; `new` and `gone` are the parts that a plan puts in or takes out.
    """

    network: Network
    units: str
    flows_m3_s: Mapping[str, float]
    losses_m: Mapping[str, float] = field(default_factory=dict)
    before_flows_m3_s: Mapping[str, float] = field(default_factory=dict)
    valve_words: Mapping[tuple[str, int], str] = field(default_factory=dict)  # how a valve is to be set
    new: frozenset[tuple[str, int]] = frozenset()
    gone: frozenset[tuple[str, int]] = frozenset()
    new_tees: frozenset[str] = frozenset()
    gone_tees: frozenset[str] = frozenset()
    before_doubt: Doubt = field(default_factory=Doubt)
    probes: tuple[str, ...] = ()  # runs below which a leak probe belongs
    by_mode: tuple[tuple[str, Mapping[str, float], Mapping[str, float]], ...] = ()  # mode, flows before and after
    said: Mapping[tuple[str, int], str] = field(default_factory=dict)  # what is told of a part besides
    said_of_runs: Mapping[str, str] = field(default_factory=dict)  # in place of flow and loss
    drains: tuple[ShownDrain, ...] = ()

    @cached_property
    def drawn(self) -> Network:
        """The plumbing with its drains as further runs."""
        return with_drains(self.network, self.drains) if self.drains else self.network

    @cached_property
    def drain_runs(self) -> Mapping[str, ShownDrain]:
        """The drains by the names of their runs in `drawn`."""
        return {one.run.name: one for one in self.drains}

    def name_of(self, run: str) -> str:
        """Return what a run or a drain of `drawn` is called."""
        return self.drain_runs[run].name if run in self.drain_runs else run


def height_words(point: Point, units: str) -> str:
    """Return the name of a water, an outlet or a supply with its height."""
    height_m = elevation_m(point)
    height = show_length(height_m, units) if height_m != 0.0 else f"0 {length_unit(units)}"
    return f"{point.name}, {height}"


def run_lines(shown: Shown, run: str) -> tuple[str, ...]:
    """Return the flow of a run in every mode, before and after where both are known, and what it loses in the first."""
    if run in shown.said_of_runs:
        return tuple(line for line in shown.said_of_runs[run].split("\n") if line)
    if run in shown.drain_runs:
        return shown.drain_runs[run].lines
    flow = shown.flows_m3_s.get(run, math.nan)
    before = shown.before_flows_m3_s.get(run, math.nan)
    lines = []
    if len(shown.by_mode) > 1:
        modes = [(name, was.get(run, math.nan), then.get(run, math.nan)) for name, was, then in shown.by_mode]
        lines += [f"{name}: {_both(was, then, shown.units)}" for name, was, then in modes if math.isfinite(then)]
    elif math.isfinite(flow):
        now, then = (_flow(value, shown.units) for value in (before, flow))
        now = shown.before_doubt.words(run, now)
        then = doubt_of(shown.network, shown.flows_m3_s).words(run, then)
        lines.append(_arrow(now if math.isfinite(before) else then, then, shown.units))
    if flow < -_STILL_M3_S and len(shown.by_mode) < 2:
        lines.append("runs backwards")
    loss_m = shown.losses_m.get(run, math.nan)
    if math.isfinite(loss_m):
        lines.append(f"loses {show_head(loss_m, shown.units)}")
    if run in shown.probes:
        lines.append(PROBE)
    return tuple(lines)


def _both(before_m3_s: float, flow_m3_s: float, units: str) -> str:
    then = _flow(flow_m3_s, units)
    words = _arrow(_flow(before_m3_s, units) if math.isfinite(before_m3_s) else then, then, units)
    return f"{words} backwards" if flow_m3_s < -_STILL_M3_S else words


def _arrow(now: str, then: str, units: str) -> str:
    """Return a flow before and after in one unit, once where both are shown alike."""
    return then if now == then else f"{now.removesuffix(f' {flow_unit(units)}')} → {then}"


def _flow(flow_m3_s: float, units: str) -> str:
    return show_flow(abs(flow_m3_s), units) if abs(flow_m3_s) > _STILL_M3_S else "no flow"


def part_words(shown: Shown, run: Run, index: int) -> str:
    """Return a part in few words: its size where it is not the run's own, its thread ends, how a valve stands."""
    part, set_to = run.parts[index], shown.valve_words.get((run.name, index))
    words = " ".join(word for word in (_size(part, run), set_to or _name(part, shown.units)) if word)
    tail = "" if set_to else _tail(part, shown.network)
    words = f"{words}, {tail}" if tail else words
    said = shown.said.get((run.name, index), "")
    return f"{words}: {said}" if said else words


def _name(part: Part, units: str) -> str:
    if part.kind in PIPES:
        return f"{part.kind.value}, {show_length(part.length_m, units)} long"
    if part.kind is Kind.OPEN_JOINT:
        return "not connected yet"
    if part.stub:
        return f"tee, {part.stub!r} closed"
    return f"{part.kind.value} {part.name}".strip()


def _size(part: Part, run: Run) -> str:
    if part.kind in (Kind.PUMP, Kind.DEVICE, Kind.OPEN_JOINT) or not part.ends:
        return ""
    sizes = list(dict.fromkeys(end.size for end in part.ends[:2]))
    if sizes == [run.size]:
        return ""
    unit = sizes[-1].rpartition(" ")[2]
    return " × ".join(size.removesuffix(f" {unit}") for size in sizes) + f" {unit}"


def _tail(part: Part, network: Network) -> str:
    if part.kind is Kind.PUMP and part.name in network.pumps:
        return pump_setting(network.pumps[part.name])
    if part.kind in THROTTLES and part.opening < 1.0:
        return f"{percent(part.opening)} open" if part.opening > 0.0 else "shut"
    if part.kind in (Kind.PUMP, Kind.DEVICE):
        return ""
    return " × ".join(end.form.value for end in part.ends if end.form not in _PLAIN)
