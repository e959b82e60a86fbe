"""At what duty the pump may run: its speeds, other pumps of the catalogs, and what each costs besides the pipe work."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from optimizer.choices.demands import KnownFlows
from optimizer.choices.for_sale import pumps_for_sale
from optimizer.hydraulics import past_curve, pump_head_m, pump_power_w
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Part, Pump
from optimizer.model.system import Rules, System
from optimizer.search.pressure import with_pump_borne


@dataclass(frozen=True, slots=True)
class Duty:
    """One pump at one speed. `pump_cents` is its price (0 for the owner's), `energy_cents` its electricity."""

    pump: Pump
    speed: float
    pump_cents: int
    energy_cents: int
    replaces: Part | None = None  # the owner's pump, where another takes its place

    @property
    def cents(self) -> int:
        return self.pump_cents + self.energy_cents

    @property
    def is_todays(self) -> bool:
        """Return whether the owner's own pump runs as it does today."""
        return self.pump_cents == 0 and self.speed == self.pump.speed


def taken_first(duty: Duty) -> tuple[bool, float]:
    """Return what sorts duties of equal cost by which is taken: today's speed first, then the slowest."""
    return not duty.is_todays, duty.speed


NO_PUMP = Pump("", ((0.0, 1.0), (1.0, 0.0)), 0.0, ())  # type: ignore[arg-type]


def energy_cents(pump: Pump, speed: float, rules: Rules) -> int:
    """Return the electricity [cents] of a pump over the owner's horizon, rounded up; 0 when no price was given.

    Power by affinity, P ~ n³; a pump without a stated power counts nothing.
    """
    power_w = pump_power_w(pump, speed)
    if power_w is None:
        return 0
    return math.ceil(power_w / 1000 * rules.horizon_h * rules.electricity_cents_per_kwh - 1e-9)


def duties(pump: Pump, rules: Rules, pump_cents: int = 0, replaces: Part | None = None) -> list[Duty]:
    """Return the speeds that a pump can be set to, fastest first."""
    speeds = sorted({pump.speed, *pump.speeds}, reverse=True)
    return [Duty(pump, speed, pump_cents, energy_cents(pump, speed, rules), replaces) for speed in speeds]


def own_duties(system: System, flows: KnownFlows) -> list[Duty]:
    """Return the speeds of the pump that is planned with, fastest first; one without a pump where there is none.

    What the other pumps draw counts at their present speed.
    """
    pump = system.network.pumps.get(flows.pump)
    return _with_others(system, flows, [Duty(NO_PUMP, 1.0, 0, 0)] if pump is None else duties(pump, system.rules))


def _with_others(system: System, flows: KnownFlows, own: list[Duty]) -> list[Duty]:
    pumps = system.network.pumps
    others = sum(energy_cents(pump, pump.speed, system.rules) for name, pump in pumps.items() if name != flows.pump)
    return [replace(duty, energy_cents=duty.energy_cents + others) for duty in own]


def other_pumps(system: System, catalog: Catalog, flows: KnownFlows) -> Iterable[tuple[System, list[Duty]]]:
    """Yield the system with each catalog pump in the owner's place, and its duties, cheapest pump first.

    Left out are pumps that can not lift the least flows at all, or that could burst what has to stay.
    """
    if not flows.pump:
        return
    least_lift = max((path.lift_m for path in flows.pumped_paths if flows.binds(path)), default=-math.inf)
    for item in pumps_for_sale(system, catalog):
        pump = replace(catalog.pumps[item.item_id], name=flows.pump)
        fastest = max({pump.speed, *pump.speeds})
        flow = flows.total_m3_s
        if past_curve(pump, flow, fastest) or pump_head_m(pump, flow, fastest) <= least_lift:
            continue
        run = system.network.runs[flows.source]
        new = Part(
            Kind.PUMP, item.ends, item.end_bores_m, item, name=flows.pump, existing=False, label=item.description
        )
        parts = tuple(replace(new, condition=part.condition) if part.kind is Kind.PUMP else part for part in run.parts)
        network = system.network.with_runs({run.name: replace(run, parts=parts)})
        old = next(part for part in run.parts if part.kind is Kind.PUMP)
        variant = replace(system, network=replace(network, pumps={**network.pumps, pump.name: pump}))
        borne = with_pump_borne(system, variant)
        if borne is not None:
            yield borne, _with_others(system, flows, duties(pump, system.rules, item.price_cents, old))
