"""Head along a path of runs: from a fixed head, up at a pump, down at every part, to the next fixed head."""

from itertools import pairwise

import networks as n
import pytest
from networks import fixed_k, network, parabola_pump, pipe, pump_part, reducer, run, surface, tee_item, tee_point

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.hydraulics.head_line import head_line, path_through
from optimizer.model.network import Leg, Network, Tee


def small_return() -> Network:
    """A pump, a tee, and two outlets; the second run is written against the water."""
    points = [surface("sump", 0.0), tee_point("tee"), surface("display", 2.0), surface("top", 2.5)]
    runs = [
        run("riser", "sump", "tee", pump_part(), pipe(3.0, 0.0266), legs=(Leg.NONE, Leg.RUN_1)),
        run("turned", "display", "tee", pipe(2.0, 0.0266), fixed_k(1.0, 0.0266), legs=(Leg.NONE, Leg.BRANCH)),
        run("side", "tee", "top", reducer(0.0266, 0.0209), pipe(1.0, 0.0209), legs=(Leg.RUN_2, Leg.NONE)),
    ]
    tees = [Tee("tee", tee_item(0.0266, 0.0266, 0.0266))]
    return network(points, runs, tees=tees, pumps=[parabola_pump(5.0, 3e6)])


def test_the_head_line_begins_and_ends_at_the_water() -> None:
    plumbing = small_return()
    solution = solve_network(plumbing)
    line = head_line(plumbing, solution, ["riser", "turned"])
    assert line[0].head_m == 0.0
    assert line[-1].head_m == pytest.approx(2.0, abs=1e-5)
    assert line[-1].distance_m == pytest.approx(5.0)


def test_a_path_can_be_walked_either_way() -> None:
    plumbing = small_return()
    solution = solve_network(plumbing)
    there = head_line(plumbing, solution, ["riser", "side"])
    back = head_line(plumbing, solution, ["side", "riser"])
    assert back[0].head_m == 2.5
    assert back[-1].head_m == pytest.approx(0.0, abs=1e-5)
    assert len(there) == len(back)


def test_only_the_pump_lifts_the_head_line_and_only_a_tee_may() -> None:
    plumbing = small_return()
    solution = solve_network(plumbing)
    line = head_line(plumbing, solution, ["riser", "side"])
    rises = [after.words for before, after in pairwise(line) if after.head_m > before.head_m]
    assert rises[0] == "pump pump"
    assert all(words.startswith("tee") for words in rises[1:])


def test_the_path_of_a_runs_water_goes_from_water_to_water() -> None:
    plumbing = small_return()
    solution = solve_network(plumbing)
    assert path_through(plumbing, solution, "turned") == ("riser", "turned")
    assert path_through(plumbing, solution, "side") == ("riser", "side")
    assert path_through(plumbing, solution, "riser")[0] == "riser"


@pytest.mark.parametrize("seed", range(8))
def test_head_lines_close_in_manifolds_of_any_shape(seed: int) -> None:
    plumbing = n.random_manifold(seed, 25)
    solution = solve_network(plumbing)
    for name, flow in solution.flows_m3_s.items():
        if abs(flow) < 1e-8:
            continue
        path = path_through(plumbing, solution, name)
        line = head_line(plumbing, solution, path)
        last = plumbing.runs[path[-1]]
        ends = [solution.heads_m[end.point] for end in (last.start, last.end) if plumbing.points[end.point].is_fixed]
        assert min(abs(line[-1].head_m - head) for head in ends) < 1e-5


def test_runs_that_do_not_meet_are_no_path() -> None:
    plumbing = small_return()
    solution = solve_network(plumbing)
    with pytest.raises(NetworkError, match="does not begin at"):
        head_line(plumbing, solution, ["riser", "riser", "side"])
    with pytest.raises(NetworkError, match="one run at least"):
        head_line(plumbing, solution, [])
    with pytest.raises(NetworkError, match="there is no run"):
        path_through(plumbing, solution, "rizer")


def test_a_run_that_stands_still_has_no_head_line() -> None:
    line = run("riser", "sump", "display", pump_part(), n.check_valve(0.0266), pipe(3.0, 0.0266))
    plumbing = network([surface("sump", 0.0), surface("display", 9.0)], [line], pumps=[parabola_pump(5.0, 3e6)])
    with pytest.raises(NetworkError, match="no water flows"):
        head_line(plumbing, solve_network(plumbing), ["riser"])
