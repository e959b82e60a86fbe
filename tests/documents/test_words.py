"""Phrases that all documents share."""

import pytest

from optimizer.documents.words import flow_span, flow_words

GAL_H = 231 * 0.0254**3 / 3600  # the US gallon is 231 cubic inches


@pytest.mark.parametrize(
    ("gal_h", "words"),
    [
        (1100, "1,100 gal/h"),
        (-118, "118 gal/h backwards"),
        (-4.04, "4.0 gal/h backwards"),
        (-0.01, "0.0 gal/h"),
        (0, "0.0 gal/h"),
    ],
)
def test_a_flow_against_its_run_is_told_in_words(gal_h: float, words: str) -> None:
    assert flow_words(gal_h * GAL_H, "US") == words


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (1070, 1230, "1,070 to 1,230 gal/h"),
        (-15, 30, "15 backwards to 30 gal/h"),
        (-30, -15, "15 to 30 gal/h backwards"),
    ],
)
def test_a_span_says_which_of_its_ends_runs_backwards(low: float, high: float, words: str) -> None:
    assert flow_span(low * GAL_H, high * GAL_H, "US") == words
