"""Random plumbing of the richer kind, and a solution of it written for the test.

An upper tank that its own pump fills and that runs down, a return with two outlets, a ring with drains on the same
display, hose and pipe in one run, check valves, pumps that are off. The solution here goes by heads at the tees:
`brentq` finds each run's flow from the heads at its ends, `root` the heads at which the tees balance, circuit by
circuit. Then every tank above the sump, from the highest down, gives no more than it gets.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

import independent
import networks
import numpy as np
from networks import check_valve, fitting, fixed_k, parabola_pump, pipe, pump_part, reducer, run, surface, tee_point
from scipy.optimize import brentq, root

from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Network, Part, Pump, Run, Water

G = 9.80665
_FAR_M3_S = 0.05
_BORES = (0.0154, 0.0205, 0.0261, 0.0345, 0.0403)


def rich_system(seed: int) -> Network:
    dice = random.Random(seed)
    pumps: dict[str, Pump] = {}
    runs: list[Run] = []

    def line(name: str, start: str, end: str, pump: bool = False, bore: float = 0.0) -> None:
        parts = _line(dice, bore or dice.choice(_BORES))
        if pump:
            off = dice.random() < 0.25
            speed = 0.0 if off else dice.uniform(0.5, 1.0)
            pumps[name] = parabola_pump(dice.uniform(2.0, 6.0), dice.uniform(3e5, 4e6), name, speed=speed)
            parts.insert(0, replace(pump_part(), name=name))
            if dice.random() < 0.5:
                parts.append(check_valve(parts[-1].end_bores_m[-1], dice.uniform(1.0, 4.0)))
        runs.append(run(name, start, end, *parts))

    display, upper = dice.uniform(0.6, 1.6), dice.uniform(1.7, 2.6)
    points = [surface("sump", 0.0), surface("display", display), surface("upper", upper), tee_point("top")]
    line("return", "sump", "top", pump=True)
    line("left", "top", "display")
    line("right", "top", "display")
    if dice.random() < 0.3:
        line("reactor", "top", "sump", bore=0.0154)
        points[-1] = replace(points[-1])
    line("fill", "sump", "upper", pump=True)
    for number in range(dice.choice([1, 1, 2])):
        line(f"down {number}", "upper", dice.choice(["display", "sump"]))
    if dice.random() < 0.8:  # a ring on the display, fed at one tee, with two jets
        points += [tee_point("west"), tee_point("east")]
        line("loop", "display", "west", pump=True)
        line("front", "west", "east")
        line("back", "west", "east")
        line("jet", "east", "display")
        if dice.random() < 0.5:
            line("second jet", "west", "display")
    if dice.random() < 0.3:
        line("overflow", "display", "sump")
    water = Water(dice.uniform(0, 40), dice.uniform(10, 30))
    found = networks.network(points, runs, pumps=list(pumps.values()), water=water)
    return replace(found, tanks_balance=True)


def _line(dice: random.Random, bore: float) -> list[Part]:
    """Return pipe with bends and, one time in two, a stretch of hose of another bore, over a barb at either end."""
    elbow = fitting(Kind.ELBOW, bore, LossMethod.THREE_K, 800.0, 0.14, 4.0, bore / 0.0254)
    parts = [pipe(dice.uniform(0.2, 3.0), bore), *[elbow] * dice.randrange(1, 4), pipe(dice.uniform(0.1, 1.0), bore)]
    if dice.random() < 0.3:
        parts.insert(1, fixed_k(dice.uniform(0.5, 20.0), bore))
    if dice.random() < 0.5:
        barb, hose = bore * dice.uniform(0.7, 0.95), bore * dice.uniform(0.8, 1.2)
        soft = replace(pipe(dice.uniform(0.3, 3.0), hose, 5e-6), kind=Kind.HOSE)
        soft = replace(soft, item=replace(soft.item, kind=Kind.HOSE) if soft.item else None)
        parts += [reducer(bore, barb, Kind.ADAPTER), soft, reducer(barb, bore, Kind.ADAPTER), pipe(0.2, bore)]
    return parts


# ---- the second solution


def flows_of(network: Network, nu: float) -> dict[str, float]:
    """Return what flows in every run, tanks balanced: lines of pumps that would empty a tank carry nothing back."""
    shut: set[str] = set()
    while True:
        flows: dict[str, float] = {}
        for group in _circuits(network):
            flows |= _circuit_flows(network, group, nu, shut)
        found = _balanced(network, flows)
        emptying = _emptying(network, found)
        if not emptying:
            return found
        shut |= emptying


def _circuits(network: Network) -> list[list[Run]]:
    """Return the runs that hang together over tees."""
    groups: list[tuple[set[str], list[Run]]] = []
    for one in network.runs.values():
        ends = {end.point for end in (one.start, one.end) if not network.points[end.point].is_fixed}
        touched = [group for group in groups if group[0] & ends]
        for group in touched:
            groups.remove(group)
        groups.append((ends.union(*(group[0] for group in touched)), [*(r for _, g in touched for r in g), one]))
    return [runs for _, runs in groups]


def _emptying(network: Network, flows: dict[str, float]) -> set[str]:
    """Return the lines that part on their way from a running pump, and take more out of a tank than comes in."""
    parting = {
        one.name
        for group in _circuits(network)
        if len(group) > 1 and not all(_still(network, each) for each in group)
        for one in group
    }
    found = set()
    for tank in ("display", "upper"):
        own = {one.name for one in network.runs.values() if one.start.point == tank and one.name not in parting}
        net = sum(_into(one, tank) * flows[one.name] for one in network.runs.values() if one.name not in own)
        if net < -1e-9:
            found |= {one.name for one in network.runs.values() if one.end.point == tank and one.name in parting}
    return {name for name in found if flows[name] < -1e-9}


def _circuit_flows(network: Network, runs: list[Run], nu: float, shut: set[str]) -> dict[str, float]:
    tees = sorted({e.point for one in runs for e in (one.start, one.end) if not network.points[e.point].is_fixed})
    fixed = {name: float(point.head_m or 0.0) for name, point in network.points.items() if point.is_fixed}
    laws = {one.name: _law(network, one, nu) for one in runs}

    def flows(heads: np.ndarray) -> dict[str, float]:
        at = {**fixed, **dict(zip(tees, heads.tolist(), strict=True))}
        return {
            one.name: _flow_of(
                laws[one.name], at[one.start.point] - at[one.end.point], _one_way(one) or one.name in shut
            )
            for one in runs
        }

    def unbalanced(heads: np.ndarray) -> np.ndarray:
        q = flows(heads)
        sums = dict.fromkeys(tees, 0.0)
        for one in runs:
            for point, sign in ((one.end.point, 1.0), (one.start.point, -1.0)):
                if point in sums:
                    sums[point] += sign * q[one.name]
        return 1e4 * np.array([sums[tee] for tee in tees])

    if not tees:
        return flows(np.zeros(0))
    if len(tees) == 1:
        at = brentq(lambda h: float(unbalanced(np.array([h]))[0]), -80.0, 80.0, xtol=1e-14, rtol=1e-15)
        return flows(np.array([at]))
    inner = list(fixed.values())
    for start in (np.mean(inner), max(inner) + 1.0, min(inner) - 1.0, max(inner) + 3.0):
        guess = np.full(len(tees), float(start))
        for method in ("hybr", "lm", "hybr"):
            guess = root(unbalanced, guess, method=method, options={"xtol": 1e-13}).x
            if np.abs(unbalanced(guess)).max() < 1e-8:
                return flows(guess)
    raise AssertionError("the comparison did not close")


def _law(network: Network, one: Run, nu: float) -> Callable[[float], float]:
    """Return what a run takes at a flow, less what its pump gives [m]."""
    joints = [independent.run_joints(network, one, sign * 1e-3) / (sign * 1e-6) for sign in (1.0, -1.0)]

    def law(q: float) -> float:
        total = (joints[0] if q > 0.0 else joints[1]) * q * abs(q)
        total += independent._openings(network, one, q, nu)
        for part in one.parts:
            if part.kind is Kind.PUMP:
                total -= _pump(network.pumps[part.name], q)
            elif part.kind in (Kind.PIPE, Kind.HOSE):
                total += _friction(part, q, nu)
            else:
                total += independent.minor_k(part, q, nu) * q * abs(q)
        return total

    return law


def _pump(pump: Pump, q: float) -> float:
    (_, h0), (q1, h1) = pump.curve
    a, s = (h0 - h1) / q1**2, pump.speed
    if s <= 0.0:
        return -a * q * abs(q)
    if q > q1 * s:
        return s * s * h1 - 10.0 * a * (q * q - (q1 * s) ** 2)
    return s * s * h0 - a * q * abs(q)


def _friction(part: Part, q: float, nu: float) -> float:
    """Darcy-Weisbach; Colebrook by Newton on 1/sqrt(f), the cubic blend with 64/Re from 2000 to 4000."""
    assert part.item is not None
    d, e = part.end_bores_m[0], part.item.roughness_m
    v = q / (math.pi * d * d / 4.0)
    re = abs(v) * d / nu
    if re < 1e-9:
        return 0.0
    f = 64.0 / re
    if re > 2000.0:
        x = 8.0
        for _ in range(8):
            inside = e / d / 3.7 + 2.51 * x / re
            value = x + 2.0 * math.log10(inside)
            x -= value / (1.0 + 2.0 * 2.51 / re / (inside * math.log(10.0)))
        w = min(1.0, (re - 2000.0) / 2000.0)
        w = 3.0 * w**2 - 2.0 * w**3
        f = (1.0 - w) * 64.0 / re + w / x**2
    return f * part.length_m / d * v * abs(v) / (2.0 * G)


def _one_way(one: Run) -> bool:
    return any(part.kind is Kind.SWING_CHECK_VALVE for part in one.parts)


def _flow_of(law: Callable[[float], float], head_m: float, one_way: bool) -> float:
    if one_way and law(0.0) >= head_m:
        return 0.0
    return float(brentq(lambda q: law(q) - head_m, -_FAR_M3_S, _FAR_M3_S, xtol=1e-16, rtol=1e-14, maxiter=300))


def _balanced(network: Network, flows: dict[str, float]) -> dict[str, float]:
    """Return the flows with each tank above the sump giving no more through its lines than it gets."""
    found = dict(flows)
    heads = {name: float(point.head_m or 0.0) for name, point in network.points.items() if point.is_fixed}
    falling = [group for group in _circuits(network) if all(_still(network, one) for one in group)]
    for tank in sorted(heads, key=lambda name: -heads[name]):
        lines = [
            one for group in falling if _top(group, heads) == tank and len(_ends(group, heads)) > 1 for one in group
        ]
        if tank == "sump":
            continue
        names = {one.name for one in lines}
        weak = [
            one
            for group in _circuits(network)
            if len(group) == 1 and not _still(network, group[0])
            for one in group
            if one.end.point == tank and found[one.name] < 0.0
        ]
        for one in weak:  # at most one ends in each tank
            others = [each for each in network.runs.values() if each.name not in names and each is not one]
            found[one.name] = max(
                found[one.name], -max(0.0, sum(_into(each, tank) * found[each.name] for each in others))
            )
        if not lines:
            continue
        comes = max(
            0.0, sum(_into(one, tank) * found[one.name] for one in network.runs.values() if one.name not in names)
        )
        goes = -sum(_into(one, tank) * found[one.name] for one in lines)
        share = comes / goes if goes > comes + 1e-9 else 1.0
        for name in names:
            found[name] *= share
    return found


def _still(network: Network, one: Run) -> bool:
    return all(network.pumps[part.name].speed <= 0.0 for part in one.parts if part.kind is Kind.PUMP)


def _ends(group: list[Run], heads: dict[str, float]) -> set[str]:
    return {end.point for one in group for end in (one.start, one.end)} & set(heads)


def _top(group: list[Run], heads: dict[str, float]) -> str:
    return max(_ends(group, heads), key=lambda name: heads[name])


def _into(one: Run, tank: str) -> int:
    return (one.end.point == tank) - (one.start.point == tank)
