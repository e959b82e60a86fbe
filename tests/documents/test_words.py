"""Phrases that all documents share."""

import pytest

from optimizer.documents.status_words import status_words
from optimizer.documents.words import flow_span, flow_words, gain_span
from optimizer.model.note import note
from optimizer.model.plan import Plan, Status

GAL_H = 231 * 0.0254**3 / 3600  # the US gallon is 231 cubic inches


@pytest.mark.parametrize(
    ("gal_h", "words"),
    [
        (1100, "1,100 gph"),
        (-118, "118 gph backwards"),
        (-4.04, "4.0 gph backwards"),
        (-0.01, "0.0 gph"),
        (0, "0.0 gph"),
    ],
)
def test_a_flow_against_its_run_is_told_in_words(gal_h: float, words: str) -> None:
    assert flow_words(gal_h * GAL_H, "US") == words


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (1070, 1230, "1,070 to 1,230 gph"),
        (-15, 30, "15 backwards to 30 gph"),
        (-30, -15, "15 to 30 gph backwards"),
    ],
)
def test_a_span_says_which_of_its_ends_runs_backwards(low: float, high: float, words: str) -> None:
    assert flow_span(low * GAL_H, high * GAL_H, "US") == words


@pytest.mark.parametrize("status", [Status.OPTIMAL, Status.INFEASIBLE])
def test_a_proof_that_leaves_something_out_does_not_claim_all(status: Status) -> None:
    whole = Plan(status, None, None, "USD", {}, {}, {})
    part = Plan(status, None, None, "USD", {}, {}, {}, left_out=(note("ways of less water"),))

    assert "considered" not in status_words(whole)
    assert "considered" in status_words(part)
    assert "Not considered: ways that hold less water than others" in status_words(part)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(85, 160, "+85 to +160 gph"), (-24, 7, "-24 to +7.0 gph"), (-1e-6, 1e-6, "0.0 to 0.0 gph")],
)
def test_a_gain_has_its_sign_and_no_change_has_none(low: float, high: float, words: str) -> None:
    assert gain_span(low * GAL_H, high * GAL_H, "US") == words
