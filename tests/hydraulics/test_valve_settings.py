import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.errors import NetworkError
from optimizer.hydraulics import valve_k, valve_opening, valve_words
from optimizer.model.catalog import Kind

THROTTLES = st.sampled_from([Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE, Kind.GATE_VALVE, Kind.GLOBE_VALVE])
# Perry's Chemical Engineers' Handbook, additional frictional loss of valves, less the K of the open one; a restatement
PERRY = [
    (Kind.BALL_VALVE, 1 - 10 / 90, 0.27), (Kind.BALL_VALVE, 1 - 20 / 90, 1.54), (Kind.BALL_VALVE, 1 - 40 / 90, 17.28),
    (Kind.BALL_VALVE, 1 - 60 / 90, 205.98), (Kind.GATE_VALVE, 0.75, 0.73), (Kind.GATE_VALVE, 0.5, 4.33),
    (Kind.GATE_VALVE, 0.25, 23.83), (Kind.GLOBE_VALVE, 0.5, 27.0), (Kind.GLOBE_VALVE, 0.25, 103.0),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "opening", "k"), PERRY)
def test_a_valve_adds_the_published_k_at_the_published_openings(kind: Kind, opening: float, k: float) -> None:
    assert valve_k(kind, opening) == pytest.approx(k, rel=1e-6)


def test_a_ball_valve_a_third_and_two_thirds_closed_is_near_another_published_table() -> None:
    # Munson, Young & Okiishi, minor losses: ball valve 1/3 closed 5.5, 2/3 closed 210; from memory
    assert valve_k(Kind.BALL_VALVE, 2 / 3) == pytest.approx(5.5, rel=0.1)
    assert valve_k(Kind.BALL_VALVE, 1 / 3) == pytest.approx(210.0, rel=0.05)


@given(THROTTLES, st.floats(0.01, 1.0), st.floats(0.001, 0.2))
def test_closing_a_valve_always_adds_loss(kind: Kind, opening: float, less: float) -> None:
    assert valve_k(kind, max(0.0, opening - less)) > valve_k(kind, opening)


@given(THROTTLES, st.floats(1e-3, 1e7))
def test_opening_is_the_inverse_of_k(kind: Kind, k: float) -> None:
    assert valve_k(kind, valve_opening(kind, k)) == pytest.approx(k, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("kind", [Kind.BALL_VALVE, Kind.GATE_VALVE, Kind.GLOBE_VALVE])
def test_open_adds_nothing_and_shut_is_endless(kind: Kind) -> None:
    assert valve_k(kind, 1.0) == 0.0
    assert valve_k(kind, 0.0) == math.inf
    assert valve_opening(kind, 0.0) == 1.0
    assert valve_opening(kind, math.inf) == 0.0


def test_words_tell_the_hand_what_to_do() -> None:
    assert valve_words(Kind.BALL_VALVE, 1 - 35 / 90) == "ball valve handle 35° from fully open"
    assert valve_words(Kind.TRUE_UNION_BALL_VALVE, 0.5) == "true-union ball valve handle 45° from fully open"
    assert valve_words(Kind.GATE_VALVE, 0.4) == "gate valve open 2/5 of its turns"
    assert valve_words(Kind.GATE_VALVE, 0.09) == "gate valve open 1/11 of its turns"
    assert valve_words(Kind.GATE_VALVE, 0.03) == "gate valve open 1/33 of its turns"
    assert valve_words(Kind.GLOBE_VALVE, 1.0) == "globe valve fully open"
    assert valve_words(Kind.GATE_VALVE, 0.0) == "gate valve shut"


def test_an_elbow_can_not_be_throttled() -> None:
    with pytest.raises(NetworkError, match="elbow cannot be throttled"):
        valve_k(Kind.ELBOW, 0.5)
    with pytest.raises(NetworkError, match="0 \\(shut\\) to 1 \\(open\\)"):
        valve_k(Kind.BALL_VALVE, 1.2)
