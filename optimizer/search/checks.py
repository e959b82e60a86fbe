"""A plan → what speaks against it: every target, every limit and everything unsafe, as the network solution has it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from optimizer.clock import unlimited
from optimizer.model.catalog import Catalog
from optimizer.model.note import Note
from optimizer.model.plan import Plan
from optimizer.model.safety import Verdict
from optimizer.model.system import System
from optimizer.search.misfit import Misfit, misfit_notes, misfits
from optimizer.verify.check import assembly_of, verify_plan


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What the checks say of a plan: `unsafe` is what the work makes unsafe, `missed` all else that it fails by.

    `lasting` counts what is unsafe with it, whether it was before or not.
    """

    missed: tuple[Note, ...]
    unsafe: tuple[Note, ...]
    lasting: int
    stuck: bool = False  # it cannot be put together as it is
    misfits: tuple[Misfit, ...] = ()  # straights that do not fit, with both sides held

    @property
    def failures(self) -> tuple[Note, ...]:
        return (*self.missed, *self.unsafe)


def cut_apart(system: System, plan: Plan) -> System:
    """Return the system with its plumbing cut apart where a plan joins what is new; as it is where nothing does."""
    return system if plan.stands is None else replace(system, network=plan.stands, second_pump=None, carried_m3_s=None)


def verdicts(system: System, plan: Plan, catalog: Catalog) -> Verdicts:
    """Return what the checks say of a plan that was found; its plumbing is rebuilt and solved as a network."""
    with unlimited():  # what was found late is told
        verification = verify_plan(cut_apart(system, plan), plan)
    safety = verification.safety
    unsafe = () if safety is None else safety.failures
    missed = tuple(each for each in verification.failures if each not in unsafe)
    lasting = 0 if safety is None else sum(check.verdict is Verdict.UNSAFE for check in safety.checks)
    unfit = misfits(system, plan, catalog)
    missed = (*missed, *misfit_notes(system, plan, unfit))
    return Verdicts(missed, unsafe, lasting, bool(assembly_of(system, plan).stuck), unfit)
