"""What the parts of a run lose at any flow, as sums over a few laws: one matrix for many ways to plumb the run.

A part is a row of coefficients; the laws are wall friction per metre of each bore and roughness, flow, flow squared
(forwards and backwards apart) and the run's devices. Rows add up along a run, so a thousand ways to plumb it cost one
product of a matrix and the laws' values at a flow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.choices.graph import Arc, ChoiceGraph
from optimizer.choices.velocity import VelocityRule
from optimizer.hydraulics import Conditions, LossElement, device_head_loss_m, element_of
from optimizer.hydraulics.friction import LAMINAR_BELOW_RE, TURBULENT_ABOVE_RE, pipe_head_loss_m, reynolds
from optimizer.hydraulics.openings import entrance_square_s2_m5, exit_coefficients
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Network, Part, Run

Floats = npt.NDArray[np.float64]
_FIXED = 4  # columns: a forwards, b forwards, a backwards, b backwards
_SAMPLES = 17
_Terms = tuple[list[int], list[float]]  # numbers of laws, and the coefficient of each


@dataclass
class LossBasis:
    """The laws that the parts of a run can be made of. Columns are added as parts are met."""

    conditions: Conditions
    pipes: list[tuple[float, float]] = field(default_factory=list)  # bore, roughness
    devices: list[str] = field(default_factory=list)

    @property
    def width(self) -> int:
        return _FIXED + len(self.pipes) + len(self.devices)

    def terms(self, element: LossElement) -> dict[tuple[str, int], float]:
        """Return an element as coefficients by kind of law and its number."""
        out = {
            ("fixed", 0): element.linear_s_m2,
            ("fixed", 1): element.square_s2_m5,
            ("fixed", 2): element.linear_back_s_m2,
            ("fixed", 3): element.square_back_s2_m5,
        }
        if element.length_m > 0.0:
            out["pipe", _number(self.pipes, (element.bore_m, element.roughness_m))] = element.length_m
        if element.device:
            out["device", _number(self.devices, element.device)] = 1.0
        return out

    def part_terms(self, part: Part) -> dict[tuple[str, int], float]:
        """Return a part as coefficients, its valve open: how far it is shut comes with the plan."""
        return self.terms(element_of(replace(part, opening=1.0) if part.kind in THROTTLES else part, self.conditions))

    def row(self, terms: dict[tuple[str, int], float]) -> Floats:
        """Return terms as a row of shape (width,)."""
        row = np.zeros(self.width)
        for key, value in terms.items():
            row[self.column(key)] += value
        return row

    def column(self, key: tuple[str, int]) -> int:
        """Return the column of a law by its kind and number; those of devices move when a pipe is met."""
        kind, number = key
        return number + {"fixed": 0, "pipe": _FIXED, "device": _FIXED + len(self.pipes)}[kind]

    def laws(self, flow_m3_s: float) -> Floats:
        """Return the value of every law at a flow, with the sign of the flow, shape (width,)."""
        q, c = flow_m3_s, self.conditions
        fixed = (q, q * q, 0.0, 0.0) if q >= 0.0 else (0.0, 0.0, q, -q * q)
        pipes = [
            c.loss_factor * pipe_head_loss_m(q, 1.0, bore, rough, c.fluid, c.hazen_williams)
            for bore, rough in self.pipes
        ]
        devices = [c.loss_factor * device_head_loss_m(c.devices[name], q) for name in self.devices]
        return np.array([*fixed, *pipes, *devices])

    def convex(self, low_m3_s: float, high_m3_s: float) -> bool:
        """Return whether every law is convex on a range of flow that lies above rest."""
        if low_m3_s < 0.0:
            return False
        c = self.conditions
        if c.hazen_williams is None:
            for bore, _ in self.pipes:
                slow = reynolds(high_m3_s, bore, c.fluid) <= LAMINAR_BELOW_RE
                if not slow and reynolds(low_m3_s, bore, c.fluid) < TURBULENT_ABOVE_RE:
                    return False
        return all(self._device_convex(name, low_m3_s, high_m3_s) for name in self.devices)

    def _device_convex(self, name: str, low: float, high: float) -> bool:
        if len(self.conditions.devices[name].curve) == 1:
            return True  # a square law
        curve = self.conditions.devices[name]
        values = np.array([device_head_loss_m(curve, q) for q in np.linspace(low, high, _SAMPLES)])
        return bool(np.all(np.diff(values, 2) >= 0.0))


def _number(known: list[Any], what: Any) -> int:
    if what not in known:
        known.append(what)
    return known.index(what)


@dataclass
class ArcRows:
    """The loss of every arc of a run's choice graph as rows over its laws.

    `most_m3_s` of an arc is what the velocity rules let its parts carry, in the mode that lets most.
    """

    basis: LossBasis
    rows: dict[int, Floats]  # by id of the arc
    most_m3_s: dict[int, float]
    matrix: tuple[dict[int, int], Floats]  # where each arc is in it, and all rows

    def loss_of(self, flow_m3_s: float) -> Callable[[Arc], float]:
        places, matrix = self.matrix
        values = (matrix @ self.basis.laws(flow_m3_s)).tolist()
        return lambda arc: values[places[id(arc)]]


def arc_rows(
    run: Run,
    graphs: Sequence[ChoiceGraph],
    network: Network,
    conditions: Conditions,
    rule: VelocityRule,
    carries_m3_s: float | None = None,
) -> list[ArcRows]:
    """Return the rows of all arcs of a run's choice graphs, over one basis.

    `carries_m3_s` is the least that a run carries which may carry less than its heads give: what may carry that much
    has no limit here, for how much more it will carry is not known.
    """
    basis = LossBasis(conditions)
    opens = network.points[run.start.point].is_open, network.points[run.end.point].is_open
    memo: dict[tuple[object, ...], _Terms] = {}
    known: dict[tuple[str, int], tuple[_Terms, float]] = {}  # by what of it counts, and id of the part
    laws: dict[tuple[str, int], int] = {}  # numbered in the order in which they are met

    def told(terms: Mapping[tuple[str, int], float]) -> _Terms:
        """Return those that are not 0, by the number of their law."""
        found = [(laws.setdefault(key, len(laws)), value) for key, value in terms.items() if value]
        return [number for number, _ in found], [value for _, value in found]

    def of_part(part: Part) -> tuple[_Terms, float]:
        if ("whole", id(part)) not in known:
            key = (part.item.item_id if part.item else part.name, part.kind, part.reverse, part.length_m, part.opening)
            if key not in memo:
                memo[key] = told(basis.part_terms(part))
            most = rule.most_m3_s(run, part)
            known["whole", id(part)] = memo[key], most if carries_m3_s is None or most < carries_m3_s else math.inf
        return known["whole", id(part)]

    def of_end(what: str, element: Callable[[Part, Conditions], LossElement], part: Part) -> _Terms:
        if (what, id(part)) not in known:
            known[what, id(part)] = told(basis.terms(element(part, conditions))), math.inf
        return known[what, id(part)][0]

    def of_arc(arc: Arc) -> Iterator[_Terms]:
        for part in arc.parts:
            yield of_part(part)[0]
        joints = conditions.loss_factor * arc.joint_s2_m5, conditions.loss_factor * arc.joint_back_s2_m5
        yield told({("fixed", 1): joints[0], ("fixed", 3): joints[1]})
        if arc.parts and arc.first and opens[0]:
            yield of_end("start", _at_start, arc.parts[0])
        if arc.parts and arc.last and opens[1]:
            yield of_end("end", _at_end, arc.parts[-1])

    gathered = []
    for graph in graphs:
        arcs = [arc for found in graph.arcs for arc in found]
        numbers, values, counts = list[int](), list[float](), list[int]()
        for arc in arcs:
            before = len(numbers)
            for own_numbers, own_values in of_arc(arc):
                numbers += own_numbers
                values += own_values
            counts.append(len(numbers) - before)
        most = {id(arc): min((of_part(part)[1] for part in arc.parts), default=math.inf) for arc in arcs}
        gathered.append((arcs, most, np.repeat(np.arange(len(arcs)), counts), numbers, values))
    columns = np.array([basis.column(key) for key in laws], dtype=np.intp)
    found = []
    for arcs, most, rows, numbers, values in gathered:
        matrix = np.zeros((len(arcs), basis.width))
        np.add.at(matrix, (rows, columns[numbers]), values)
        places = {id(arc): i for i, arc in enumerate(arcs)}
        found.append(ArcRows(basis, {key: matrix[i] for key, i in places.items()}, most, (places, matrix)))
    return found


def end_terms(basis: LossBasis, run: Run, network: Network) -> dict[tuple[str, int], float]:
    """Return what is lost where a run opens into a surface or the air, by its own first and last part."""
    total: dict[tuple[str, int], float] = {}
    if network.points[run.start.point].is_open:
        _add(total, basis.terms(_at_start(run.parts[0], basis.conditions)))
    if network.points[run.end.point].is_open:
        _add(total, basis.terms(_at_end(run.parts[-1], basis.conditions)))
    return total


def _add(total: dict[tuple[str, int], float], terms: dict[tuple[str, int], float]) -> None:
    for key, value in terms.items():
        total[key] = total.get(key, 0.0) + value


def _at_start(part: Part, conditions: Conditions) -> LossElement:
    linear, square = exit_coefficients(part, conditions, at_start=True)
    return LossElement(0.0, entrance_square_s2_m5(part, conditions), linear, square)


def _at_end(part: Part, conditions: Conditions) -> LossElement:
    linear, square = exit_coefficients(part, conditions)
    return LossElement(linear, square, 0.0, entrance_square_s2_m5(part, conditions, at_end=True))
