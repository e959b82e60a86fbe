"""What is said of a plan's proof: what it counts, electricity and work apart from the parts."""

from __future__ import annotations

import pytest

from optimizer.documents.status_words import chance_words, status_words
from optimizer.model.chance import Chance
from optimizer.model.plan import Plan, Status


def test_electricity_and_work_are_told_apart_from_the_parts() -> None:
    plan = Plan(
        Status.OPTIMAL, 1577, 21755, "USD", {}, {}, {}, material_cents=21755, energy_cents=18178, effort_cents=2000
    )

    words = status_words(plan)

    assert "The proof counts $217.55: $15.77 for the parts" in words
    assert words.endswith("$181.78 for electricity and $20.00 for work.")


def test_without_them_the_proof_counts_what_the_list_comes_to_and_that_is_said_once() -> None:
    plan = Plan(Status.OPTIMAL, 1577, 1577, "USD", {}, {}, {}, material_cents=1577)

    assert "$" not in status_words(plan)


@pytest.mark.parametrize(
    ("status", "bound_cents", "words"),
    [
        (Status.OPTIMAL, 2978, "another list of whole lengths and packs may cost less, by $20.60 at the most."),
        (Status.FEASIBLE, 2500, "A cheaper one could save at most $25.38."),
    ],
)
def test_what_could_be_saved_is_told_of_the_list_where_the_proof_counts_what_is_used(
    status: Status, bound_cents: int, words: str
) -> None:
    plan = Plan(status, 5038, bound_cents, "USD", {}, {}, {}, material_cents=2978)

    assert words in status_words(plan)
    assert "The proof counts $29.78" in status_words(plan)


TRIMMED = "Works in about 6 of 10 cases with valves and pump trimmed by meters"


@pytest.mark.parametrize(
    ("trimmed", "as_set", "words"),
    [
        (0.9999, 0.9951, "Works in nearly all cases with valves and pump trimmed by meters, or left as set."),
        (0.62, 0.6, f"{TRIMMED}, or left as set."),
        (0.62, 0.3, f"{TRIMMED}, in about 3 of 10 cases with valves left as set."),
    ],
)
def test_the_same_number_of_cases_is_said_once(trimmed: float, as_set: float, words: str) -> None:
    assert chance_words(Chance(trimmed, as_set, 10_000)) == (words,)


def test_a_no_is_never_said_of_more_than_these_rules() -> None:
    # what a rule forbids, such as another pump, may do it: that is not looked at, or not in time
    told = status_words(Plan(Status.INFEASIBLE, None, None, "USD", {}, {}, {}))

    assert (
        told == "Proven out of reach: under these rules no combination of the parts in this catalog meets every target."
    )
