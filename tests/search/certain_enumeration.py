"""The least list of a line or of a tree with one tee that works in so many draws: every way, priced and judged.

Each run's ways are listed path by path. What one loses in a draw is how much less head it leaves there than what
stands, on the whole network. Selections are taken by what they cost at least, each piece of pipe its share of the
cheapest length and the packs left out, until that is no less than the best list: what comes after costs more.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from brute_force import all_paths
from list_enumeration import KERF_M, Shop, merged, pieces_of

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.choices.tees import TeeOption
from optimizer.hydraulics import compile_network, conditions_of
from optimizer.hydraulics.chance import slack_m
from optimizer.hydraulics.draws import Draws
from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.network import Network, Part, Run
from optimizer.model.system import System
from optimizer.search.options import Options, options_of
from optimizer.takeoff.fitted import RunEnds
from optimizer.verify.openings import all_open
from optimizer.verify.settings import PathLosses

HOLDS_M = -1e-6  # as of the check
_CHUNK = 2000  # selections that are judged at once


@dataclass(frozen=True)
class Laid:
    """A way of one run: its parts, pieces of pipe [m], joints, cents of all else, at least, what it leaves [m].

    `left_m` is by draw and path, against what stands there.
    """

    parts: tuple[Part, ...]
    pieces: tuple[tuple[str, float], ...]
    joints: tuple[tuple[tuple[str, str], int], ...]
    cents: int
    least: float
    left_m: np.ndarray


def least_by_enumeration(system: System, catalog: Catalog, need: int, draws: Draws) -> int | None:
    """Return the cheapest list that meets the targets and works in so many draws; None where none does."""
    known = known_flows(system)
    options = options_of(system, catalog, known.flows_m3_s)
    return _Search(system, known, options, Shop(options), draws).least(need)


@dataclass
class _Search:
    system: System
    known: KnownFlows
    options: Options
    shop: Shop
    draws: Draws

    def least(self, need: int) -> int | None:
        """Return the least list over every fitting that may stand at the tee, where there is one."""
        best = math.inf
        for option in next(iter(self.options.tees.values()), (None,)):
            there = self._with(option)
            stands = self.slack_m(there)
            laid = [self._ways(run, there, option, stands) for run in self.options.graphs]
            tee_cents = 0 if option is None else option.cents
            for cost, picked in self._in_order(laid, stands, tee_cents, need) if all(laid) else ():
                if cost >= best:
                    break
                cents = self._cents(picked) + tee_cents
                if cents < best and self._serves(there, picked, need):
                    best = cents
        return int(best) if math.isfinite(best) else None

    def slack_m(self, network: Network) -> np.ndarray:
        """Return the head left on every way that has to carry something, by draw, (n_draws, n_ways)."""
        ways = [path.runs for path in self.known.paths if self.known.binds(path)]
        return slack_m(compile_network(all_open(network)), self.draws, self.known.flows_m3_s, ways, {})

    def _with(self, option: TeeOption | None) -> Network:
        """Return what stands, with a fitting at the tee."""
        network = self.system.network
        if option is None:
            return network
        (point,) = network.tees
        return replace(network, tees={point: option.tee})

    def _ways(self, name: str, there: Network, option: TeeOption | None, stands: np.ndarray) -> list[Laid]:
        """Return every way of a run between fittings, but for those that another is no worse than in anything."""
        graph = self.options.graphs[name]
        run = graph.run
        states = [
            "free" if option is None or end.point not in there.tees else option.states[end.leg]
            for end in (run.start, run.end)
        ]
        if states[0] not in graph.starts or states[1] not in graph.ends:
            return []
        alike: dict[tuple[object, ...], list[Laid]] = {}
        for path in all_paths(graph, graph.starts[states[0]], graph.ends[states[1]]):
            joints = Counter(joint for arc in path for joint in arc.joints if joint[0] != "stub")
            parts = tuple(merged([one for arc in path for one in arc.parts]))
            way = self._laid(run, parts, joints, there, option, stands)
            same = alike.setdefault((way.pieces, way.joints), [])
            if not any(one.cents <= way.cents and (one.left_m >= way.left_m).all() for one in same):
                same.append(way)
        return [way for same in alike.values() for way in same]

    def _laid(
        self,
        run: Run,
        parts: tuple[Part, ...],
        joints: Counter[tuple[str, str]],
        there: Network,
        option: TeeOption | None,
        stands: np.ndarray,
    ) -> Laid:
        tees = self.system.network.tees
        at = [end.point for end in (run.start, run.end)]
        water = (at[0] not in tees, at[1] not in tees)
        old = RunEnds(tuple(tees[p].item if p in tees else None for p in at), water)  # type: ignore[arg-type]
        new_items = tuple(option.item if option is not None and p in tees else None for p in at)
        stays = tuple(option is None or p not in tees or option.tee.existing for p in at)
        ends = RunEnds(new_items, water, stays)  # type: ignore[arg-type]
        cut = pieces_of(run, list(parts), old, ends, self.options)
        pieces = tuple(sorted((item.item_id, round(length, 6)) for item, length in cut))
        cents = sum(p.item.price_cents for p in parts if not p.existing and p.item and p.kind not in PIPES)
        least = cents + sum(self.shop.rate(key) * (length + KERF_M) for key, length in pieces)
        left = self.slack_m(there.with_runs({run.name: replace(run, parts=parts)})) - stands
        return Laid(parts, pieces, tuple(sorted(joints.items())), cents, least, left)

    def _in_order(
        self, laid: Sequence[Sequence[Laid]], stands: np.ndarray, tee_cents: int, need: int
    ) -> Iterator[tuple[float, list[Laid]]]:
        """Yield what each selection that works so often costs at the least, and its ways; the cheapest first."""
        total = np.full([1] * len(laid), float(tee_cents))
        for i, ways in enumerate(laid):
            total = total + _along(np.array([way.least for way in ways]), i, len(laid))
        left = [np.array([way.left_m for way in ways]) for ways in laid]
        total = np.where(self._may_work(left, stands, need), total, math.inf)
        flat = total.ravel()
        order = np.argsort(flat, kind="stable")[: int(np.isfinite(flat).sum())]
        for first in range(0, len(order), _CHUNK):
            at = order[first : first + _CHUNK]
            picked = np.unravel_index(at, total.shape)
            slack = stands + sum(each[k] for each, k in zip(left, picked, strict=True))
            works = (slack >= HOLDS_M).all(axis=2).sum(axis=1)
            for k in np.flatnonzero(works >= need):
                yield float(flat[at[k]]), [ways[own[k]] for ways, own in zip(laid, picked, strict=True)]

    def _may_work(self, left: Sequence[np.ndarray], stands: np.ndarray, need: int) -> np.ndarray:
        """Return which selections have head enough in so many draws on every way of the water by itself."""
        names, found = list(self.options.graphs), np.full([1] * len(left), True)
        for p, path in enumerate(path for path in self.known.paths if self.known.binds(path)):
            slack = stands[:, p]
            for i, name in enumerate(names):
                if name in path.runs:
                    slack = slack + _along(left[i][:, :, p], i, len(left))
            found = found & ((slack >= HOLDS_M).sum(axis=-1) >= need)
        return found

    def _cents(self, picked: Sequence[Laid]) -> int:
        """Return what a list costs, the fitting at the tee left out."""
        joints: Counter[tuple[str, str]] = Counter()
        for way in picked:
            joints.update(dict(way.joints))
        pieces = [piece for way in picked for piece in way.pieces]
        return sum(way.cents for way in picked) + self.shop.pipe(pieces) + self.shop.packs(joints)

    def _serves(self, there: Network, picked: Sequence[Laid], need: int) -> bool:
        """Return whether the whole plumbing meets the targets as published, and works in so many draws."""
        graphs = self.options.graphs
        runs = {name: replace(graphs[name].run, parts=way.parts) for name, way in zip(graphs, picked, strict=True)}
        network = there.with_runs(runs)
        lows: Mapping[str, float] = {target.run: target.low_m3_s for target in self.system.targets}
        nominal = PathLosses(network, self.known, conditions_of(network)).balance_at(lows)
        slack = self.slack_m(network)
        return min(nominal.surplus_m.values()) >= 0.0 and int((slack >= HOLDS_M).all(axis=1).sum()) >= need


def _along(values: np.ndarray, axis: int, count: int) -> np.ndarray:
    """Return values by the first axis as values by one of so many axes; what they hold comes last."""
    return values.reshape([len(values) if k == axis else 1 for k in range(count)] + list(values.shape[1:]))
