"""The whole chain once, for the command line and the library."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.clock import TimeIsUp, limited
from optimizer.errors import CheckError, NoPlanError, PlanError

if TYPE_CHECKING:  # what a stage needs is loaded when it runs: a file that can not be read is refused at once
    from optimizer.hydraulics import HeadPoint, LossGroup, NetworkSolution, PartLoss
    from optimizer.hydraulics.calibration import CalibrationReport
    from optimizer.hydraulics.contradictions import Compared
    from optimizer.hydraulics.uncertainty import Uncertainty
    from optimizer.model.bill import Bill
    from optimizer.model.catalog import Catalog
    from optimizer.model.note import Note
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import Plan, Verification
    from optimizer.model.quote import Quote
    from optimizer.model.safety import SafetyReport
    from optimizer.model.seller import Seller
    from optimizer.model.system import System
    from optimizer.search.flow_search import Progress
    from optimizer.search.meters import MeteredLine
    from optimizer.search.studies.frontier import Frontier
    from optimizer.search.studies.kinds import KindOfPlan
    from optimizer.search.studies.most_flow import BestForBudget
    from optimizer.search.studies.worth import Explanation
    from optimizer.search.two_stores import Shopping
    from optimizer.takeoff.requote import Requoted
    from optimizer.takeoff.take_off import TakeOff
    from optimizer.verify.card import SettingsCard
    from optimizer.verify.floor import FloorFacts

TIME_LIMIT_S = 60.0
_BOUGHT_SHARE = 0.8  # of the time left, for the cheapest plan at one multiple of the targets
_SEARCH_SHARE = 0.85  # of it, for the plan: what is left is for saying why there is none
_WHY_TIME_S = 45.0  # for why there is no plan, and what would free one: who waits longer learns little more


def read(path: Path | str, catalogs: Sequence[Path | str] = ()) -> tuple[System, Catalog]:
    """Return the system of a file and the catalog that its parts were looked up in.

    Parameters
    ----------
    path
        A system file; `examples/starter.yaml` explains every line of one.
    catalogs
        A user's own catalog files and price lists, over the shipped ones; the later one wins.

    Raises
    ------
    InputError
        With every fault of the file, or of the catalogs.
    """
    from optimizer.read.catalogs import load_catalog
    from optimizer.read.money import money_of
    from optimizer.read.systems import load_system

    catalog = load_catalog([Path(extra) for extra in catalogs], money_of(Path(path)))
    return load_system(Path(path), catalog), catalog


def flows(system: System) -> NetworkSolution:
    """Return what flows where in the plumbing as it stands [m³/s, m, m/s]; NetworkError when it has no solution."""
    from optimizer.hydraulics import solve_network

    return solve_network(system.network)


def losses(system: System) -> tuple[NetworkSolution, tuple[PartLoss, ...]]:
    """Return the flows and every part's loss, the largest first, with the flow that would be gained without it."""
    from optimizer.hydraulics import loss_table, solve_network

    solution = solve_network(system.network)
    return solution, loss_table(system.network, solution)


def grouped_losses(system: System, by: str) -> tuple[LossGroup, ...]:
    """Return what each run (`by` "run") or all parts of each kind ("kind") lose, the largest share first."""
    from optimizer.hydraulics import loss_table, losses_by_kind, losses_by_run, solve_network

    table = loss_table(system.network, solve_network(system.network), with_gains=False)
    return losses_by_run(table) if by == "run" else losses_by_kind(system.network, table)


def flow_band(system: System) -> dict[str, tuple[float, float]]:
    """Return (low, high) of the flow in every run [m³/s]: what is true lies between them in 8 of 10 cases.

    Readings narrow it once the factors that they gave are in the file.
    """
    return flow_draws(system).band_m3_s


def flow_draws(system: System) -> Uncertainty:
    """Return the flows of the plumbing as it stands with all that is not known drawn by chance."""
    from optimizer.hydraulics.uncertainty import uncertainty

    return uncertainty(system.network, measured=system.fitted_readings)


def chance_today(system: System, drawn: Uncertainty) -> tuple[Note, ...]:
    """Return in what share of all cases the plumbing as it stands meets its targets; nothing where it has none."""
    from optimizer.hydraulics.uncertainty import chance_notes

    return chance_notes(drawn, system.targets)


def barely_lifting(system: System, solution: NetworkSolution) -> tuple[Note, ...]:
    """Return a note each of which pumps barely lift the water, and of what eductors stir besides."""
    from optimizer.hydraulics.lift import barely_lifting as found
    from optimizer.hydraulics.outlets import drawn_along

    flows = solution.flows_m3_s
    return (*found(system.network, flows), *drawn_along(system.network, flows))


def other_states(system: System, solution: NetworkSolution) -> tuple[dict[str, float], ...]:
    """Return the flows of further steady states that other starts lead to [m³/s by run]; nothing as a rule."""
    from optimizer.hydraulics.steady import other_states as found

    return found(system.network, solution.flows_m3_s)


def safety(system: System) -> SafetyReport:
    """Return what could flood, burst or run dry in the plumbing as it stands, in every mode."""
    from optimizer.verify.safety import safety_today

    return safety_today(system)


def floor(system: System, safe: SafetyReport) -> FloorFacts:
    """Return what may go wrong, how far pumps may be dialled and the weak joints of the plumbing as it stands.

    `safe` is what `safety` tells of it; nothing where there is no steady flow.
    """
    from optimizer.verify.floor import floor_facts

    return floor_facts(system, system.network, safe.checks)


def readings(system: System) -> tuple[Compared, ...]:
    """Return what was measured beside what is calculated under the same settings [m³/s], in file order."""
    from optimizer.hydraulics.contradictions import compared

    return compared(system.network, system.measured)


def flows_over_settings(system: System, settings: Sequence[float]) -> tuple[tuple[float, NetworkSolution], ...]:
    """Return the flows with every pump's dial at each of these settings (shares of full)."""

    from optimizer.hydraulics import solve_network
    from optimizer.model.dial import RPM

    def at(setting: float) -> NetworkSolution:
        pumps = {
            name: replace(pump, speed=(pump.dial or RPM).speed(setting)) for name, pump in system.network.pumps.items()
        }
        return solve_network(replace(system.network, pumps=pumps))

    return tuple((setting, at(setting)) for setting in settings)


def head_along(system: System, run: str) -> tuple[HeadPoint, ...]:
    """Return the head after every part on the way of the water that a run carries, from fixed head to fixed head."""
    from optimizer.hydraulics import head_line, path_through, solve_network

    solution = solve_network(system.network)
    return head_line(system.network, solution, path_through(system.network, solution, run))


def calibrate(system: System) -> CalibrationReport:
    """Return the fewest factors that explain what was measured, and what else would; NetworkError without readings."""
    from optimizer.hydraulics.calibration import calibrate as fit
    from optimizer.model.calibration import without_calibration

    return fit(without_calibration(system.network, system.calibration), system.measured)


def plan(
    system: System, catalog: Catalog, *, solver: str | None = None, time_limit_s: float = TIME_LIMIT_S
) -> PlanReport:
    """Return the cheapest plan, checked and priced. A plan that fails its check does not leave here.

    Parameters
    ----------
    system, catalog
        As `read` returns them.
    solver
        One of `optimizer.program.solve.SOLVERS`; None for the first that answers.
    time_limit_s
        Wall time for the whole search [s].

    Raises
    ------
    NoPlanError
        When no plan reaches the targets: the reasons say what blocks and how far one could get.
    PlanError
        When the targets can not be posed; its CheckError when the plan fails its check by the network.
    SolverError
        When no solver answers.
    """
    found = search(system, catalog, solver=solver, time_limit_s=time_limit_s)
    if not found.found:
        raise _none(system, found)
    return report(system, found, catalog)


def _none(system: System, found: Plan) -> NoPlanError:
    """Return that there is no plan, and why."""
    from optimizer.model.plan import Status
    from optimizer.wording.notes import notes_words

    return NoPlanError(notes_words(found.reasons, system.units), proved=found.status is Status.INFEASIBLE)


def search(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = TIME_LIMIT_S,
    progress: Progress | None = None,
    ways_out: bool = True,
) -> Plan:
    """Return how the search for the cheapest plan that is safe ended, with or without a plan.

    `progress` is called with the stage, the best cost so far and the proved bound [cents, None where there is none].
    Without `ways_out` it is not looked for what would make a plan possible where there is none.
    The time limit is that of the whole search, its last part for what would free a plan where there is none: 45 s of it
    at the most.
    """
    from optimizer.search.engine import solve
    from optimizer.search.question import Question
    from optimizer.search.studies.most_flow import till_cents
    from optimizer.search.studies.ways_out import with_ways_out
    from optimizer.search.watch import Watch
    from optimizer.takeoff.take_off import Store

    until = time.monotonic() + time_limit_s
    clock = Watch.of(_SEARCH_SHARE * time_limit_s, progress, solver)
    answer = solve(Question(system, catalog, clock, with_reasons=True))
    if answer.found or not ways_out:
        return answer.plan
    price = partial(till_cents, system, catalog=catalog, store=Store.shipped())
    until = min(until, time.monotonic() + _WHY_TIME_S)
    watch = Watch(until, progress, solver)
    return _within(until, answer.plan, lambda: with_ways_out(system, catalog, answer, watch, price))


def _within(until: float, found: Plan, told: Callable[[], Plan]) -> Plan:
    """Return what more is told of a search, if that comes in time; else how it ended."""
    try:
        with limited(until - time.monotonic()):
            return told()
    except TimeIsUp:
        return found


def most_flow(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = TIME_LIMIT_S,
    progress: Progress | None = None,
) -> BestForBudget:
    """Return the plan that gives the most flow, as one multiple of all least flows, within the budget of the rules.

    Parameters, errors and time limit are those of `search`; all that is looked at takes no longer.

    Raises
    ------
    PlanError
        When the rules have no budget.
    """
    from optimizer.search.engine import solve
    from optimizer.search.question import Question
    from optimizer.search.studies.most_flow import any_plan_of, most_for_budget
    from optimizer.search.watch import Watch

    if system.rules.budget_cents is None:
        raise PlanError("the most flow for how much? Write a `budget` under `rules`, or give --budget")

    system = system.with_promise(0.0, 0.0)  # the most there is leaves nothing to spare

    watch = Watch.of(time_limit_s, progress, solver)

    def bought(wanted: System) -> Plan:
        return solve(Question(wanted, catalog, watch, share=_BOUGHT_SHARE)).plan

    return most_for_budget(system, bought, *any_plan_of(system, catalog, watch))


def frontier(
    system: System,
    catalog: Catalog,
    *,
    least_gain: float = 0.01,
    budget_cents: int | None = None,
    time_limit_s: float = TIME_LIMIT_S,
    progress: Progress | None = None,
) -> Frontier:
    """Return every efficient plan by rising cost, and what is to be said of them.

    Parameters
    ----------
    least_gain
        Plans that reach less than this share more than the one before are left out.
    budget_cents
        What the parts list may come to [cents]: where time is short, the plans around it are looked for first.
    time_limit_s, progress
        As in `search`; all searches together take no longer.
    """
    from optimizer.model.note import note
    from optimizer.search.studies.frontier import frontier as study
    from optimizer.search.studies.promise import works_in
    from optimizer.search.watch import Watch

    free = system.with_budget(None).with_promise(0.0, 0.0)  # what more money buys is shown too
    watch = Watch.of(time_limit_s, progress)
    found = study(free, catalog, watch, least_gain=least_gain, budget_cents=budget_cents)
    told = tuple(replace(one, works=works_in(free, one.plan, watch)) for one in found.plans)
    promised = system.rules.margin > 0.0 or system.rules.certainty > 0.0
    return replace(found, plans=told, notes=(*found.notes, *([note("promise not counted")] if promised else [])))


def kinds_of_plan(
    system: System, catalog: Catalog, *, time_limit_s: float = TIME_LIMIT_S, progress: Progress | None = None
) -> tuple[KindOfPlan, ...]:
    """Return plans of different kinds; all searches together take no longer than `time_limit_s` [s]."""
    from optimizer.search.studies.kinds import kinds_of_plan as study
    from optimizer.search.studies.kinds import with_one_that_works_often
    from optimizer.search.watch import Watch

    return with_one_that_works_often(study(system, catalog, Watch.of(time_limit_s, progress)))


def explain(
    system: System, catalog: Catalog, *, time_limit_s: float = TIME_LIMIT_S, progress: Progress | None = None
) -> Explanation:
    """Return the cheapest plan with what each of its changes buys and up to what prices it stays the cheapest.

    `explanation.plan` is the search that ended without one where there is none. All searches together take no longer
    than `time_limit_s` [s].
    """
    from optimizer.search.studies.worth import explain as study
    from optimizer.search.watch import Watch

    return study(system, catalog, Watch.of(time_limit_s, progress))


def report(system: System, found: Plan, catalog: Catalog, *, spares: bool = True) -> PlanReport:
    """Return a plan that was found, checked as a network of its own and priced; CheckError when it does not stand.

    Pipe is bought in whole lengths where the rules say so, and spares are listed apart, as `take_off` has them.
    """
    from optimizer.choices.for_sale import for_sale
    from optimizer.hydraulics import solve_network
    from optimizer.hydraulics.contradictions import contradicting
    from optimizer.hydraulics.uncertainty import dial_notes
    from optimizer.model.doubt import doubt_of
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import planned_network, planned_networks
    from optimizer.takeoff.take_off import Store, priced
    from optimizer.verify.chance import chance_of
    from optimizer.verify.check import verify_plan
    from optimizer.verify.floor import floor_facts
    from optimizer.verify.remarks import touchy_valves, with_other_states
    from optimizer.verify.safety import with_upper_ends
    from optimizer.verify.settings import with_openings
    from optimizer.wording.notes import notes_words

    as_written = None
    if found.stands is not None:  # what is new is told against the plumbing cut apart where it joins
        as_written, system = system, replace(system, network=found.stands, second_pump=None)
    now = solve_network(system.network)
    before = now.flows_m3_s
    verification = verify_plan(system, found)
    if not verification.passed:
        failed = "; ".join(notes_words(verification.failures, system.units))
        raise CheckError(f"the plan failed its check by the network: {failed}")
    band, gains = _planned_bands(system, found, verification)
    bill = priced(system, found, for_sale(system, catalog), Store.shipped())[1]
    found = _at_the_price_of(found, bill.total_cents)
    doubts = (now.doubt, doubt_of(planned_network(system.network, found), verification.flows_m3_s))
    chance = chance_of(system, found, verification)
    verification = with_other_states(system, found, with_upper_ends(system, found, verification))
    set_up = with_openings(planned_network(system.network, found), verification.valves)
    checks = verification.safety.checks if verification.safety else ()
    told, touchy = floor_facts(system, set_up, checks), tuple(touchy_valves(set_up, verification.valves))
    floor = (told.mishaps, told.ranges, told.leaks)
    dials = dial_notes(planned_networks(system, found), bool(system.fitted_readings))
    noted = (*contradicting(readings(as_written or system)), *touchy, *dials)
    plain = PlanReport(
        system, found, verification, bill, before, band, noted, as_written, doubts, chance, *floor, gains=gains
    )
    taken = take_off(plain, catalog, spares=spares, ports=False)
    return replace(plain, bill=taken.bill, notes=(*plain.notes, *taken.notes))


def with_nearest(found: PlanReport, catalog: Catalog) -> PlanReport:
    """Return a report that also tells plans next to it by cost, where its search had any at hand that pass."""
    from optimizer.search.studies.promise import nearest_beyond
    from optimizer.search.watch import Watch

    return replace(found, nearest=nearest_beyond(found.system, found.plan, catalog, Watch.of(TIME_LIMIT_S)))


def _at_the_price_of(found: Plan, cents: int) -> Plan:
    """Return a plan at what its list comes to, where its pipe is cut more cheaply than while the time ran out."""
    saved = (found.cost_cents or 0) - cents
    if saved <= 0:
        return found
    material = None if found.material_cents is None else found.material_cents - saved
    bound = found.bound_cents if material is None or found.bound_cents is None else min(found.bound_cents, material)
    return replace(found, cost_cents=cents, material_cents=material, bound_cents=bound)


def take_off(
    plan_report: PlanReport,
    catalog: Catalog,
    *,
    spares: bool = True,
    ports: bool = True,
    quoted_cents: Mapping[str, int] | None = None,
) -> TakeOff:
    """Return what a plan takes: parts, cut list and sticks, ways at threaded ports, the work run by run.

    `quoted_cents` is what a store asks for a stick, by the item number that the parts list gives it.
    """
    from optimizer.takeoff.take_off import Store
    from optimizer.takeoff.take_off import take_off as measured_out

    store = Store.shipped(quoted_cents)
    told = (plan_report.system, plan_report.plan, plan_report.verification)
    return measured_out(*told, catalog, store, plan_report.before_flows_m3_s, spares=spares, ports=ports)


def settings_card(
    system: System, planned: PlanReport | None = None, *, clog: float = 0.5, scatter: float = 0.05
) -> SettingsCard:
    """Return how everything is set after a plan, or as it stands, with the limits of every meter.

    `clog` is the share of the section that a clog takes, `scatter` that by which normal readings differ.
    """
    from optimizer.verify.card import settings_card as card_of

    if planned is None:
        return card_of(system, clog=clog, scatter=scatter)
    return card_of(system, planned.plan, planned.verification, clog=clog, scatter=scatter, known_band=planned.band)


def metered_lines(
    system: System, catalog: Catalog, card: SettingsCard, wanted: Sequence[str] = ()
) -> tuple[MeteredLine, ...]:
    """Return every line with a flow meter, and those that want one: what reads them, where it goes, with what."""
    from optimizer.search.meters import metered_lines as lines_of

    return lines_of(system, catalog, card, wanted)


def read_quote(path: Path | str, listed: PlanReport, catalog: Catalog) -> Quote:
    """Return the prices that a store wrote into the workbook of a plan; InputError with every fault, by cell."""
    from optimizer.read.quote import Asked, load_quote

    lines = [*((line, False) for line in listed.bill.lines), *((line, True) for line in listed.bill.spares)]
    asked = {line.item_id: Asked(line.quantity, line.unit_price_cents, spare) for line, spare in lines}
    known = {item.item_id: item.price_cents for item in catalog.items.values()}
    quote = load_quote(Path(path), listed.bill.currency, asked, known)
    money = listed.system.money
    return quote if money is None else quote.told(money.marked_up)


def requote(listed: PlanReport, quote: Quote, catalog: Catalog) -> Requoted:
    """Return the plan's bill at a store's prices, and the cheapest plan at those prices.

    Raises
    ------
    NoPlanError
        When the search at the store's prices finds no plan in its time.
    """
    from optimizer.takeoff.requote import Requoted, at_quote, quoted_catalog, quoted_system

    dearer, system = quoted_catalog(catalog, quote), quoted_system(listed, quote)
    found = search(system, dearer)
    if not found.found:
        raise _none(system, found)
    spares = bool(listed.bill.spares)
    other = report(system, found, dearer, spares=spares)
    taken = take_off(other, dearer, spares=spares)
    return Requoted(at_quote(listed.bill, quote), other, taken)


def shop(
    system: System, catalogs: Sequence[Catalog], sellers: Sequence[Seller], *, time_limit_s: float = TIME_LIMIT_S
) -> Shopping:
    """Return the cheapest way to buy a plan at two stores, or all of it at one; no longer than `time_limit_s` [s].

    `catalogs` are the shipped ones with the price list of each store over them, in the order of the sellers.
    """
    from optimizer.search.two_stores import shop as study
    from optimizer.search.watch import Watch

    return study(system, catalogs, sellers, Watch.of(time_limit_s))


def store_orders(system: System, found: Shopping, catalogs: Sequence[Catalog]) -> tuple[Bill, ...]:
    """Return what is bought at each store, as parts lists at its prices, in the order of the stores; all empty if
    nothing can be bought."""
    from dataclasses import replace

    from optimizer.choices.for_sale import for_sale
    from optimizer.model.bill import Bill
    from optimizer.takeoff.store_bills import store_bill

    if found.best is None:
        return tuple(Bill(system.currency, (), ()) for _ in found.sellers)
    own = replace(system, rules=replace(system.rules, own_lists_only=True))
    bought = [
        {line.key for line, at in zip(found.best.lines, found.best.stores, strict=True) if at == place}
        for place in range(len(found.sellers))
    ]
    stores = [for_sale(own, catalog) for catalog in catalogs]
    return tuple(store_bill(system, found.best.plan, *each) for each in zip(stores, bought, strict=True))


def _planned_bands(
    system: System, found: Plan, verification: Verification
) -> tuple[dict[str, tuple[float, float]], dict[str, tuple[float, float]]]:
    """Return the band of every flow after the work, and of what every target gains by it, from the same draws.

    Valves are at their settings; what was measured before narrows both. That of a target on several runs is of what
    these carry together.
    """
    from optimizer.hydraulics.uncertainty import uncertainty
    from optimizer.model.plan import planned_networks
    from optimizer.verify.settings import with_openings

    bands: dict[str, tuple[float, float]] = {}
    gains: dict[str, tuple[float, float]] = {}
    for (mode, at), network in zip(system.ways_to_run, planned_networks(system, found), strict=True):
        there = with_openings(network, verification.valves)
        drawn, before = (
            uncertainty(each, measured=system.fitted_readings, measured_on=system.network, running=(there, at.network))
            for each in (there, at.network)
        )
        sums = {target.run: drawn.sum_band_m3_s(target.summed) for target in at.targets if not target.is_plain}
        known = {**{name: span for name, span in sums.items() if span is not None}, **drawn.band_m3_s}
        bands |= {_in(mode, run): span for run, span in known.items()}
        bands = {**known, **bands}  # a run by its own name: in the first mode
        more = {_in(mode, target.run): drawn.change_band_m3_s(before, target.summed) for target in at.targets}
        gains |= {name: span for name, span in more.items() if span is not None}
    return bands, gains


def _in(mode: str, run: str) -> str:
    return f"{run}, {mode}" if mode else run
