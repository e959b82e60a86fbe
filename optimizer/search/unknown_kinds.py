"""Plans that differ in kind where the flows are not known: each a search of its own, as far as the time goes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.errors import NetworkError
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Status, planned_networks
from optimizer.model.system import System
from optimizer.search.compare import KindOfPlan, pipe_kept
from optimizer.search.few_cuts import with_cuts
from optimizer.search.unknown_flows import UnknownSearch
from optimizer.search.watch import Watch
from optimizer.verify.reach import present_networks, reach_of

_KINDS = 4  # that need a search


def unknown_kinds(system: System, catalog: Catalog, watch: Watch) -> tuple[KindOfPlan, ...]:
    """Return the best plan and the best ones of other kinds, and what the plumbing reaches as it is.

    Ctrl-C ends it; kinds that were not looked at are marked as open.

    Raises
    ------
    PlanError, SolverError
        As `find_unknown`.
    """
    return tuple(_Kinds(system, catalog, watch).all())


class _Kinds:
    def __init__(self, system: System, catalog: Catalog, watch: Watch) -> None:
        self.system, self.catalog, self.watch = system, catalog, watch
        self.left = _KINDS
        self.floor = 0  # what no plan costs less than, whatever its kind

    def all(self) -> Iterator[KindOfPlan]:
        rules = self.system.rules
        cheapest = self._find("the cheapest", self.system)
        if cheapest is not None and cheapest.plan.found:
            self.floor = cheapest.bound_cents or 0
        yield self._kind("the cheapest", cheapest)
        yield self._few_cuts(cheapest)
        no_other_size = replace(self.system, rules=replace(rules, resize=False))
        for words, system in (("no other pipe size", no_other_size), ("only the pump set or changed", self._kept())):
            yield self._kind(words, self._find(words, system))
        yield KindOfPlan("nothing at all", None, self._present())

    def _kept(self) -> System:
        return pipe_kept(self.system)

    def _find(self, words: str, system: System, share: float | None = None) -> UnknownSearch | None:
        """Search one kind with its share of the time; None where there is no time."""
        self.left -= share is None
        if self.watch.over:
            return None
        part = 1.0 / (self.left + 1) if share is None else share
        return self.watch.find(system, self.catalog, words, share=part, floor_cents=self.floor)

    def _few_cuts(self, cheapest: UnknownSearch | None) -> KindOfPlan:
        """Halve between no cuts and those of the best plan so far, until fewer are proved to be too few."""
        words = "the fewest saw cuts"
        self.left -= 1
        if cheapest is None or not cheapest.plan.found:
            return self._kind(words, cheapest)
        best, least, proved = cheapest, 0, True
        while least < best.plan.cuts:
            middle = (least + best.plan.cuts - 1) // 2
            found = self._find(f"at most {middle} saw cuts", with_cuts(self.system, middle), 0.5 / (self.left + 1))
            if found is not None and found.plan.found:
                best = found
            else:
                proved = proved and found is not None and found.plan.status is Status.INFEASIBLE
                least = middle + 1
        kind = self._kind(words, best)
        return kind if proved else replace(kind, words=f"{words} that were found", settled=False)

    def _kind(self, words: str, found: UnknownSearch | None) -> KindOfPlan:
        if found is None or not found.plan.found:
            proved = found is not None and found.plan.status is Status.INFEASIBLE
            return KindOfPlan(words, None, 0.0, settled=proved)
        reach = reach_of(self.system, planned_networks(self.system, found.plan)).scale
        return KindOfPlan(words, found.plan, max(1.0, reach), settled=found.plan.status is Status.OPTIMAL)

    def _present(self) -> float:
        try:
            return reach_of(self.system, present_networks(self.system)).scale
        except NetworkError:
            return 0.0
