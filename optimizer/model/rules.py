"""The rules that an owner may set, one row each: key, meaning, how it is written, where it is kept, how it is relaxed.

The reader, the reasons of a no, the ways out of it, the starter file and the table of the README come from here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optimizer.model.checks import Check

QUIET_M_S = 1.524  # 5 ft/s, in pipe of pumped lines: common practice, no source


@dataclass(frozen=True, slots=True)
class Rules:
    """What the plan may do. Sizes are nominal names, as the catalog writes them."""

    sizes: tuple[str, ...] = ()  # empty: the run's own size and up to three larger ones
    velocity_limit_m_s: float = math.inf  # wherever the plan lets more water through than before
    new_pipe_velocity_limit_m_s: float | None = None  # None: as everywhere, and 5 ft/s where that has none
    allow_unsafe_metals: bool = False
    keep_services: bool = True  # a separable joint on each side of every pump and device
    resize: bool = True  # other sizes than a run's own may be bought
    labour_cents_per_hour: int = 0
    minimum_order_cents: int = 0  # what parts and the work on them are charged at least, if there is anything
    electricity_cents_per_kwh: float = 0.0
    horizon_h: float = 0.0  # hours of running that electricity is counted for
    other_pumps: bool = False  # a pump of the catalogs may take the place of the owner's
    pipe_in_sticks: bool = True  # the parts list has whole lengths; else pipe by its sale length, such as the foot
    most_cuts: int | None = None  # saw cuts into pipe that stands; None: any number
    budget_cents: int | None = None  # what the parts list may come to; None: any
    own_lists_only: bool = False  # only what the owner's own catalog files and price lists have a price for is bought
    bend_to_fit: bool = False  # a long leg of pipe may spring aside so that the last joint closes
    margin: float = 0.0  # the share by which every minimum flow can be exceeded at once
    certainty: float = 0.0  # the share of all cases in which a plan must work; 0: as published
    trusts_breaks: bool = True  # siphon breaks count; else the sump must hold the drain-back without them
    finer_valve_cents: int = 0  # what a plan may cost more so that no valve stands nearly shut
    store: str = ""  # whose stock lengths count; empty: the usual ones
    accepted: tuple[Check, ...] = ()  # what is unsafe today and may stay so, if no worse

    def charged_cents(self, order_cents: int) -> int:
        """Return what is charged for an order of parts and priced work [cents]; no order is no charge."""
        return max(order_cents, self.minimum_order_cents) if order_cents > 0 else 0

    def charged_bound(self, bound_cents: int, energy_cents: int) -> int:
        """Return what no plan costs less than, where this was proved of orders and electricity together [cents].

        Without electricity the dearer order is charged no less; with it, it might make up for an order that is small.
        """
        return bound_cents if energy_cents else self.charged_cents(bound_cents)

    def order_below(self, charged_cents: float) -> float:
        """Return what an order must come to less than to be charged less than this [cents]."""
        return charged_cents if charged_cents > self.minimum_order_cents else min(charged_cents, 1.0)

    @property
    def new_pipe_limit_m_s(self) -> float:
        """Return the velocity limit of pipe that is bought [m/s]: its own or that of all, whichever is less."""
        if self.new_pipe_velocity_limit_m_s is not None:
            return min(self.new_pipe_velocity_limit_m_s, self.velocity_limit_m_s)
        return self.velocity_limit_m_s if math.isfinite(self.velocity_limit_m_s) else QUIET_M_S

    @property
    def loud_above_m_s(self) -> float:
        """Return the velocity above which pipe is told of [m/s]: the limit of all, else that of new pipe."""
        return self.velocity_limit_m_s if math.isfinite(self.velocity_limit_m_s) else self.new_pipe_limit_m_s


class Written(Enum):
    """How the value of a rule is written in a system file."""

    SIZES = auto()
    YES_NO = auto()
    SPEED = auto()
    CUTS = auto()
    MONEY = auto()
    MONEY_AN_HOUR = auto()
    MONEY_A_KWH = auto()
    TIME = auto()
    PIPE_SALE = auto()
    SELLERS = auto()
    STORE = auto()
    SECOND_PUMP = auto()
    CHECKS = auto()
    SHARE = auto()
    PRICE = auto()


@dataclass(frozen=True, slots=True)
class Sold:
    """What a rule may shut out: nominal sizes of pipe and pumps of the catalogs; and whether any run is held twice."""

    sizes: tuple[str, ...]
    pumps: bool
    held: bool = False  # a run is held at both its ends, so that something must let its last joint close


Relax = Callable[[Rules, Sold], Rules | None]
Says = Callable[[Rules, str], str]


@dataclass(frozen=True, slots=True)
class RuleRow:
    """One rule.

    `attribute` is where `Rules` has it, empty where it is kept elsewhere; `default` and `meaning` are for people,
    `home` is the file that keeps to it. `limits` says in words what it forbids of the plans of a system, in the
    currency given, empty where it forbids nothing now. `relax` gives the rules without it, None where they allow no
    more then, and `relaxed` says what that is; both are empty for a rule that only sets a price or a store.
    """

    key: str
    attribute: str
    written: Written
    example: str
    default: str
    meaning: str
    home: str
    limits: Says = lambda rules, currency: ""
    relaxed: str = ""
    relax: Relax | None = None


LARGER_SIZES = 3  # how many sizes above its own a run may take when the owner names none


def _every_size(rules: Rules, sold: Sold) -> Rules | None:
    more = set(sold.sizes) - set(rules.sizes) and (rules.sizes or len(sold.sizes) > LARGER_SIZES)
    return replace(rules, sizes=sold.sizes) if rules.resize and more else None


def _any_speed(rules: Rules, sold: Sold) -> Rules | None:
    if math.isinf(rules.velocity_limit_m_s):
        return None
    stated = rules.new_pipe_velocity_limit_m_s
    return replace(
        rules, velocity_limit_m_s=math.inf, new_pipe_velocity_limit_m_s=math.inf if stated is None else stated
    )


def _any_speed_in_new_pipe(rules: Rules, sold: Sold) -> Rules | None:
    if rules.new_pipe_limit_m_s >= rules.velocity_limit_m_s:
        return None
    return replace(rules, new_pipe_velocity_limit_m_s=math.inf)


def _any_cuts(rules: Rules, sold: Sold) -> Rules | None:
    return None if rules.most_cuts is None else replace(rules, most_cuts=None)


def _any_budget(rules: Rules, sold: Sold) -> Rules | None:
    return None if rules.budget_cents is None else replace(rules, budget_cents=None)


def _resizing(rules: Rules, sold: Sold) -> Rules | None:
    return None if rules.resize else replace(rules, resize=True)


def _other_pumps(rules: Rules, sold: Sold) -> Rules | None:
    return replace(rules, other_pumps=True) if sold.pumps and not rules.other_pumps else None


def _bending(rules: Rules, sold: Sold) -> Rules | None:
    return replace(rules, bend_to_fit=True) if sold.held and not rules.bend_to_fit else None


def _every_catalog(rules: Rules, sold: Sold) -> Rules | None:
    return replace(rules, own_lists_only=False) if rules.own_lists_only else None


def _no_margin(rules: Rules, sold: Sold) -> Rules | None:
    return replace(rules, margin=0.0) if rules.margin else None


def _no_certainty(rules: Rules, sold: Sold) -> Rules | None:
    return replace(rules, certainty=0.0) if rules.certainty else None


def _cuts_in_words(rules: Rules, currency: str) -> str:
    if rules.most_cuts is None:
        return ""
    return f"at most {rules.most_cuts} saw cut{'s' * (rules.most_cuts > 1)}" if rules.most_cuts else "no saw cut"


def _budget_in_words(rules: Rules, currency: str) -> str:
    return "" if rules.budget_cents is None else f"parts for at most {rules.budget_cents / 100:.2f} {currency}"


_W = Written
_ROWS = (
    RuleRow(
        "sizes",
        "sizes",
        _W.SIZES,
        "[3/4 in, 1 in, 1-1/4 in]",
        "a run's own size and the next three",
        "the sizes that you can get",
        "choices/candidates.py",
        relaxed="every size that the catalogs hold (`sizes`)",
        relax=_every_size,
    ),
    RuleRow(
        "velocity limit",
        "velocity_limit_m_s",
        _W.SPEED,
        "5 ft/s",
        "none",
        "in every pipe and fitting, new or kept, that carries more than before, in every mode",
        "choices/velocity.py",
        relaxed="faster water than the `velocity limit`",
        relax=_any_speed,
    ),
    RuleRow(
        "velocity limit for new pipe",
        "new_pipe_velocity_limit_m_s",
        _W.SPEED,
        "5 ft/s",
        "as `velocity limit`; without one 5 ft/s",
        "in pipe that the plan buys",
        "choices/velocity.py",
        relaxed="faster water than the `velocity limit for new pipe`",
        relax=_any_speed_in_new_pipe,
    ),
    RuleRow(
        "brass allowed",
        "allow_unsafe_metals",
        _W.YES_NO,
        "no",
        "no",
        "copper alloys kill invertebrates",
        "joints/mating.py",
    ),
    RuleRow(
        "keep unions",
        "keep_services",
        _W.YES_NO,
        "yes",
        "yes",
        "every pump and device still comes off: by a union, or by a thread, barb or the like at its port",
        "choices/services.py",
    ),
    RuleRow(
        "count on siphon breaks",
        "trusts_breaks",
        _W.YES_NO,
        "no",
        "yes",
        "no: they clog; the sump must hold the drain-back without them",
        "read/systems.py",
    ),
    RuleRow(
        "bend pipe to fit",
        "bend_to_fit",
        _W.YES_NO,
        "yes",
        "no",
        "a straight leg of 20 diameters or more may spring aside to close a last joint; otherwise a union is bought",
        "choices/closing.py",
        relaxed="long legs of pipe sprung aside to close the last joint (`bend pipe to fit: yes`)",
        relax=_bending,
    ),
    RuleRow(
        "other sizes",
        "resize",
        _W.YES_NO,
        "no",
        "yes",
        "only the sizes that stand there now",
        "choices/candidates.py",
        relaxed="other pipe sizes (`other sizes: yes`)",
        relax=_resizing,
    ),
    RuleRow(
        "other pumps",
        "other_pumps",
        _W.YES_NO,
        "yes",
        "no",
        "a pump of the catalogs may take this one's place",
        "search/duty.py",
        relaxed="a pump of the catalogs (`other pumps: yes`)",
        relax=_other_pumps,
    ),
    RuleRow(
        "second pump",
        "",
        _W.SECOND_PUMP,
        "in series",
        "no",
        "one may be put into the first pipe behind the pump; or beside it, with its own line:",
        "choices/second_pump.py",
    ),
    RuleRow(
        "saw cuts",
        "most_cuts",
        _W.CUTS,
        "at most 2",
        "any number",
        "into pipe that stands; or none",
        "choices/side_resources.py",
        limits=_cuts_in_words,
        relaxed="more saw cuts (`saw cuts`)",
        relax=_any_cuts,
    ),
    RuleRow(
        "budget",
        "budget_cents",
        _W.MONEY,
        "60 USD",
        "none",
        "what the parts list may come to",
        "search/studies/most_flow.py",
        limits=_budget_in_words,
        relaxed="a larger budget (`budget`)",
        relax=_any_budget,
    ),
    RuleRow(
        "margin",
        "margin",
        _W.SHARE,
        "10 %",
        "none",
        "by so much every minimum flow can be exceeded at once",
        "choices/scaled.py",
        limits=lambda rules, currency: f"a margin of {rules.margin:.0%}" if rules.margin else "",
        relaxed="no margin above the targets (`margin`)",
        relax=_no_margin,
    ),
    RuleRow(
        "certainty",
        "certainty",
        _W.SHARE,
        "90 %",
        "as published",
        "in so many of all cases the plan must work, trimmed by meters",
        "search/certainty.py",
        limits=lambda rules, currency: (
            f"a plan that works in {rules.certainty:.0%} of cases" if rules.certainty else ""
        ),
        relaxed="a plan that works less often (`certainty`)",
        relax=_no_certainty,
    ),
    RuleRow(
        "finer valves",
        "finer_valve_cents",
        _W.PRICE,
        "15 USD",
        "nothing",
        "so much more may be paid where a valve would stand open less than 10 % of its travel",
        "search/finer_valves.py",
    ),
    RuleRow(
        "labor",
        "labour_cents_per_hour",
        _W.MONEY_AN_HOUR,
        "30 USD/h",
        "nothing",
        "work counts as money: yours, or a contractor's",
        "choices/effort.py",
    ),
    RuleRow(
        "minimum order",
        "minimum_order_cents",
        _W.PRICE,
        "40 USD",
        "nothing",
        "parts and priced work are charged no less than this",
        "search/cheapest.py",
    ),
    RuleRow(
        "electricity",
        "electricity_cents_per_kwh",
        _W.MONEY_A_KWH,
        "0.30 USD/kWh",
        "nothing",
        "and so does what the pump draws ...",
        "search/duty.py",
    ),
    RuleRow("count for", "horizon_h", _W.TIME, "3 years", "nothing", "... in this time", "search/duty.py"),
    RuleRow(
        "buy pipe",
        "pipe_in_sticks",
        _W.PIPE_SALE,
        "by the foot",
        "in whole lengths",
        "whole lengths if left out",
        "takeoff/cutting.py",
    ),
    RuleRow(
        "buy only from",
        "own_lists_only",
        _W.SELLERS,
        "own lists",
        "every catalog",
        "nothing that your own --catalog files have no price for",
        "choices/for_sale.py",
        limits=lambda rules, currency: "nothing but what your own lists price" if rules.own_lists_only else "",
        relaxed="what your own lists lack (`buy only from: every catalog`)",
        relax=_every_catalog,
    ),
    RuleRow(
        "store",
        "store",
        _W.STORE,
        "supply house",
        "the usual one",
        "whose lengths of pipe count: home center or supply house",
        "takeoff/cutting.py",
    ),
    RuleRow(
        "accept",
        "accepted",
        _W.CHECKS,
        "as it is today",
        "nothing",
        "what is unsafe already may stay so, if no worse; or a list, such as [freeboard, pump reserve]",
        "verify/safety.py",
    ),
)
RULES: dict[str, RuleRow] = {row.key: row for row in _ROWS}


def limits_in_words(rules: Rules, currency: str) -> list[str]:
    """Return what the rules forbid beside sizes and velocity, as the owner wrote it, rule by rule."""
    said = (row.limits(rules, currency) for row in _ROWS)
    return [words for words in said if words]
