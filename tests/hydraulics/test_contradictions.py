"""A reading that the calculation does not give is told by `flow`, with how far apart they are."""

from __future__ import annotations

from dataclasses import replace

import pytest
from networks import PORTS, network, pipe, pump_part, run, surface, valve
from planned_examples import searched

from optimizer import pipeline
from optimizer.documents.flows_text import contradictions, flow_blocks
from optimizer.documents.note_words import all_notes
from optimizer.documents.payload import flow_json
from optimizer.documents.tables import Lines
from optimizer.hydraulics import solve_network
from optimizer.hydraulics.contradictions import compared
from optimizer.model.calibration import Measurement
from optimizer.model.network import Network, Pump
from optimizer.model.system import System

BORE = 0.0202
CURVE = ((0.0, 4.0), (3e-4, 3.0), (6e-4, 0.0))


def line(curve: tuple[tuple[float, float], ...] = CURVE) -> Network:
    only = run("line", "sump", "display", pump_part(), valve(BORE), pipe(2.0, BORE))
    plain = network([surface("sump", 0.0), surface("display", 1.0)], [only])
    return replace(plain, pumps={"pump": Pump("pump", curve, 1.0, PORTS)})


def flow_at(speed: float, plumbing: Network | None = None) -> float:
    plumbing = plumbing or line()
    pumps = {"pump": replace(plumbing.pumps["pump"], speed=speed)}
    return solve_network(replace(plumbing, pumps=pumps)).flows_m3_s["line"]


@pytest.mark.parametrize(("share", "says"), [(1.0, False), (1.04, False), (0.97, False), (1.06, True), (0.7, True)])
def test_a_reading_contradicts_beyond_what_it_is_good_to(share: float, says: bool) -> None:
    (found,) = compared(line(), [Measurement("line", share * flow_at(1.0), accuracy=0.05)])
    assert found.contradicts is says
    assert found.off == pytest.approx(1.0 / share - 1.0)


def test_the_settings_of_the_reading_count() -> None:
    at_80 = flow_at(0.8)
    with_dial, without = compared(line(), [Measurement("line", at_80, {"pump": 0.8}), Measurement("line", at_80)])
    assert not with_dial.contradicts
    assert without.contradicts


def test_the_valve_of_the_reading_counts() -> None:
    half, shut = compared(line(), [Measurement("line", flow_at(1.0), {}, {"line": each}) for each in (0.5, 1.0)])
    assert half.calculated_m3_s < shut.calculated_m3_s
    assert half.contradicts
    assert not shut.contradicts


@pytest.mark.parametrize(("share", "says"), [(1.5, False), (0.8, True)])
def test_a_flow_known_from_below_contradicts_only_what_is_less(share: float, says: bool) -> None:
    (found,) = compared(line(CURVE[:2]), [Measurement("line", share * CURVE[1][0])])
    assert found.contradicts is says


def test_the_flow_command_says_by_how_much() -> None:
    reading = Measurement("line", flow_at(0.8) / 1.25, {"pump": 0.8})
    system = System("invented", "metric", "USD", line(), measured=(reading,))
    told = contradictions(system, pipeline.readings(system))
    assert "25 % more" in told[0]
    assert "with pump at 80 %" in told[0]
    assert "calibrate" in told[-1]
    lines = flow_blocks(system, pipeline.flows(system), None, pipeline.readings(system))[-1]
    assert isinstance(lines, Lines)
    assert "25 % more" in lines.lines[0]
    (one,) = flow_json(system, pipeline.flows(system), None, pipeline.readings(system))["readings"]
    assert one["contradicts"]
    assert one["calculated_more_by_share"] == pytest.approx(0.25)


def test_a_plan_that_rests_on_a_flow_which_was_measured_otherwise_says_so() -> None:
    # The example's readings are explained by a dial that shows power; as a share of rpm the pump would not lift at all.
    report, _ = searched("measured-return")
    told = all_notes(report)

    assert any(words.startswith("1,190 gph was measured in 'return line' with return at 72 %") for words in told)
    assert any("retrofit calibrate" in words for words in told)


def test_readings_that_agree_are_not_worth_a_word() -> None:
    system = System("invented", "metric", "USD", line(), measured=(Measurement("line", flow_at(1.0)),))
    assert contradictions(system, pipeline.readings(system)) == []
