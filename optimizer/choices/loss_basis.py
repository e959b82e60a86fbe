"""What the parts of a run lose at any flow, as sums over a few laws: one matrix for many ways to plumb the run.

A part is a row of coefficients; the laws are wall friction per metre of each bore and roughness, flow, flow squared
(forwards and backwards apart) and the run's devices. Rows add up along a run, so a thousand ways to plumb it cost one
product of a matrix and the laws' values at a flow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
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


@dataclass
class LossBasis:
    """The laws that the parts of a run can be made of. Columns are added as parts are met."""

    conditions: Conditions
    pipes: list[tuple[float, float]] = field(default_factory=list)  # bore, roughness
    devices: list[str] = field(default_factory=list)

    @property
    def width(self) -> int:
        return _FIXED + len(self.pipes) + len(self.devices)

    def copied(self) -> LossBasis:
        """Return a basis of its own that begins with the same laws."""
        return LossBasis(self.conditions, list(self.pipes), list(self.devices))

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

    def laws(self, flow_m3_s: float, counts: Sequence[bool] | None = None) -> Floats:
        """Return the value of every law at a flow, with the sign of the flow, shape (width,).

        Pipe is told only where it `counts`, by column, 0 elsewhere.
        """
        q, c = flow_m3_s, self.conditions
        fixed = (q, q * q, 0.0, 0.0) if q >= 0.0 else (0.0, 0.0, q, -q * q)
        pipes = [
            c.loss_factor * pipe_head_loss_m(q, 1.0, bore, rough, c.fluid, c.hazen_williams)
            if counts is None or counts[column]
            else 0.0
            for column, (bore, rough) in enumerate(self.pipes, _FIXED)
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
    """The loss of every arc of a run's choice graph as rows over its laws, in the order of the graph.

    `most_m3_s` is what the velocity rules let the parts of each carry, in the mode that lets most.
    """

    basis: LossBasis
    places: Mapping[int, int]  # by id of the arc
    matrix: Floats
    most_m3_s: Floats

    def losses_m(self, flow_m3_s: float) -> Floats:
        """Return what every arc loses at a flow, shape (n_arcs,)."""
        return np.asarray(self.matrix @ self.basis.laws(flow_m3_s))

    def loss_of(self, flow_m3_s: float) -> Callable[[Arc], float]:
        values, places = self.losses_m(flow_m3_s).tolist(), self.places
        return lambda arc: values[places[id(arc)]]

    def most_of(self, arc: Arc) -> float:
        return float(self.most_m3_s[self.places[id(arc)]])

    def has(self, arcs: Sequence[Arc]) -> bool:
        """Return whether a way of these arcs goes through the graph."""
        return id(arcs[0]) in self.places

    def over(self, basis: LossBasis) -> ArcRows:
        """Return the same rows over a basis that begins with this one."""
        pipes, devices = len(basis.pipes) - len(self.basis.pipes), len(basis.devices) - len(self.basis.devices)
        at = _FIXED + len(self.basis.pipes)
        none = np.zeros((len(self.matrix), pipes)), np.zeros((len(self.matrix), devices))
        matrix = np.concatenate([self.matrix[:, :at], none[0], self.matrix[:, at:], none[1]], axis=1)
        return ArcRows(basis, self.places, matrix, self.most_m3_s)

    def row(self, arcs: Sequence[Arc]) -> Floats:
        """Return what a way of these arcs loses as a row."""
        return np.asarray(self.matrix[[self.places[id(arc)] for arc in arcs]].sum(axis=0))


def arc_rows(
    run: Run,
    graphs: Sequence[ChoiceGraph],
    network: Network,
    conditions: Conditions,
    rule: VelocityRule,
    carries_m3_s: float | None = None,
    known: Sequence[ArcRows] = (),
) -> list[ArcRows]:
    """Return the rows of all arcs of a run's choice graphs, over one basis.

    `known` are those of the first of the graphs, as they were told without the others.
    `carries_m3_s` is the least that a run carries which may carry less than its heads give: what may carry that much
    has no limit here, for how much more it will carry is not known.
    """
    terms = _PartTerms(known[0].basis.copied() if known else LossBasis(conditions))
    opens = network.points[run.start.point].is_open, network.points[run.end.point].is_open
    gathered = []
    for graph in graphs[len(known) :]:
        arcs = [arc for found in graph.arcs for arc in found]
        numbers: list[list[int]] = []
        of_each: list[int] = []  # which of them: steps share what they are made of
        told: dict[tuple[int, bool, bool], int] = {}
        for arc in arcs:
            parts = arc.parts
            key = id(parts), opens[0] and arc.first, opens[1] and arc.last
            if key not in told:
                told[key] = len(numbers)
                first = [terms.of_end(_at_start, parts[0])] if parts and key[1] else []
                last = [terms.of_end(_at_end, parts[-1])] if parts and key[2] else []
                numbers.append([*terms.of_parts(parts), *first, *last])
            of_each.append(told[key])
        gathered.append((arcs, numbers, of_each))
    table = np.array([terms.basis.row(each) for each in terms.found])
    may_carry = np.array([math.inf if part is None else rule.most_m3_s(run, part) for part in terms.parts])
    if carries_m3_s is not None:
        may_carry[may_carry >= carries_m3_s] = math.inf
    return [*(one.over(terms.basis) for one in known), *(_rows(terms.basis, *e, table, may_carry) for e in gathered)]


def _rows(
    basis: LossBasis,
    arcs: Sequence[Arc],
    numbers: Sequence[list[int]],
    of_each: Sequence[int],
    table: Floats,
    may_carry: Floats,
) -> ArcRows:
    """Return the rows of arcs of which each is made of one of several lists of what has these numbers in a table."""
    longest, at = max(map(len, numbers), default=0), np.array(of_each, dtype=np.intp)
    filled = [own + [0] * (longest - len(own)) for own in numbers]
    places = np.array(filled, dtype=np.intp).reshape(len(numbers), longest)
    matrix = table[places].sum(axis=1)[at]
    joints = np.array([(arc.joint_s2_m5, arc.joint_back_s2_m5) for arc in arcs]).reshape(len(arcs), 2)
    matrix[:, [1, 3]] += basis.conditions.loss_factor * joints
    most = may_carry[places].min(axis=1, initial=math.inf)[at]
    return ArcRows(basis, {id(arc): i for i, arc in enumerate(arcs)}, matrix, most)


@dataclass
class _PartTerms:
    """What parts and the ends of runs lose, each told once; the first of all is nothing."""

    basis: LossBasis
    found: list[dict[tuple[str, int], float]] = field(default_factory=lambda: [{}])
    parts: list[Part | None] = field(default_factory=lambda: [None])
    _rows: dict[int, list[int]] = field(default_factory=dict)  # by id of parts in a row
    _known: dict[tuple[object, int], int] = field(default_factory=dict)  # by what of it counts, and id of the part
    _alike: dict[tuple[object, ...], int] = field(default_factory=dict)  # by all that tells parts apart here

    def of_parts(self, parts: tuple[Part, ...]) -> list[int]:
        if id(parts) not in self._rows:
            self._rows[id(parts)] = [self._of_part(part) for part in parts]
        return self._rows[id(parts)]

    def _of_part(self, part: Part) -> int:
        if (None, id(part)) not in self._known:
            alike = (
                part.item.item_id if part.item else part.name,
                part.kind,
                part.reverse,
                part.length_m,
                part.opening,
                part.existing,
                part.end_bores_m,
            )
            if alike not in self._alike:
                self._alike[alike] = self._added(self.basis.part_terms(part), part)
            self._known[None, id(part)] = self._alike[alike]
        return self._known[None, id(part)]

    def of_end(self, element: Callable[[Part, Conditions], LossElement], part: Part) -> int:
        key = element, id(part)
        if key not in self._known:
            self._known[key] = self._added(self.basis.terms(element(part, self.basis.conditions)), None)
        return self._known[key]

    def _added(self, terms: dict[tuple[str, int], float], part: Part | None) -> int:
        self.found.append(terms)
        self.parts.append(part)
        return len(self.found) - 1


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
