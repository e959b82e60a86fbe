"""The order of the lanes: what it costs is counted bar by bar here, and it is found soon for many branches too."""

import time

import pytest
from plumbings import manifold
from test_schematic import ALL

from optimizer.documents.drawing import lanes
from optimizer.documents.drawing.arrangement import arrange
from optimizer.documents.drawing.labels import Shown

SOON_S = (
    8.0  # of processor time, for 40 branches; a bar for a busy machine, the order of a page takes well below a second
)


def counted(network: lanes.Network, levels: lanes.Levels, columns: lanes.Columns) -> float:
    """Return what columns cost, strand by strand: columns, lengths of bars, strands that stand in the way of a bar."""
    cost = 2.5 * len(columns)
    for point in network.points.values():
        runs = {run.name for run, _, _ in network.runs_at(point.name)}
        up = levels.up[point.name]
        at = [number for number, column in enumerate(columns) if any(runs & strand.spans.keys() for strand in column)]
        if not at:
            continue
        cost += (at[-1] - at[0]) * (0.3 if point.is_fixed else 1.0)
        for strand in (strand for column in columns[at[0] : at[-1] + 1] for strand in column):
            if not runs & strand.spans.keys() and strand.low - 8 < up < strand.high + 8:
                cost += 12.0 if point.is_fixed else 100.0
    return cost


@pytest.mark.parametrize("name", ALL)
def test_an_order_costs_what_its_bars_and_columns_do(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[float, float]] = []

    def judged(network: lanes.Network, levels: lanes.Levels, strands: tuple[lanes.Strand, ...]) -> lanes.Columns:
        bars = lanes._Bars(network, levels, strands)
        apart = tuple((strand,) for strand in strands)
        for columns in (apart, apart[::-1], (*apart[2:], *apart[:2]), (strands,)):
            told.append((bars.cost(columns), counted(network, levels, columns)))
        return apart

    monkeypatch.setattr("optimizer.documents.drawing.arrangement.order_columns", judged)
    arrange(ALL[name], 10.0, 10.0)

    assert told
    assert [one for one, _ in told] == pytest.approx([other for _, other in told], abs=1e-9)


@pytest.mark.long
def test_many_branches_are_in_order_soon() -> None:
    shown: Shown = manifold(40, 1)
    began = time.process_time()

    arrange(shown, 10.0, 10.0)

    assert time.process_time() - began < SOON_S
