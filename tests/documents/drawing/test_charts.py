"""Head lines, curves, bars and the frontier: what is drawn agrees with the values, and no words meet."""

import itertools
import re
from pathlib import Path

import pytest
from example_plans import NAMES, example, hand_report

from optimizer import pipeline
from optimizer.documents.drawing.axes import round_ticks, tick_words
from optimizer.documents.drawing.certainty_chart import _steps, certainty_canvas, certainty_chart, told_points
from optimizer.documents.drawing.chart import frame
from optimizer.documents.drawing.curves import curves_canvas, curves_chart, pump_picture
from optimizer.documents.drawing.frontier_chart import FrontierPoint, frontier_canvas, frontier_chart
from optimizer.documents.drawing.head_line import head_line_canvas
from optimizer.documents.drawing.loss_bars import loss_bars, loss_bars_canvas
from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.pictures import system_pictures
from optimizer.documents.report_facts import line_along, report_facts, solved, wanted_paths
from optimizer.hydraulics.head_line import HeadPoint
from optimizer.hydraulics.losses import PartLoss

LITRE_H = 0.001 / 3600


def assert_readable(canvas: Canvas) -> None:
    """No text meets another one, none is cut."""
    met = [(a.words, b.words) for a, b in itertools.combinations(canvas.texts, 2) if a.overlaps(b)]
    assert met == []
    for box in canvas.texts:
        assert 0 <= box.left < box.right <= canvas.width, box.words
        assert 0 <= box.top < box.bottom <= canvas.height, box.words


@pytest.mark.parametrize(
    ("low", "high"), [(0, 1), (0, 3600), (-0.3, 22.9), (4.999, 5.001), (0, 0), (7, 7), (1e-6, 2e-6), (-30, -10)]
)
def test_ticks_are_round_even_and_span_the_range(low: float, high: float) -> None:
    ticks = round_ticks(low, high)

    steps = {round((b - a) / (ticks[1] - ticks[0]), 6) for a, b in itertools.pairwise(ticks)}
    assert steps == {1.0}
    assert ticks[0] <= low + 1e-9
    assert ticks[-1] >= high - 1e-9
    assert 2 <= len(ticks) <= 14


def test_tick_numbers_have_the_decimals_that_tell_them_apart() -> None:
    assert [tick_words(tick, [0.0, 0.25, 0.5]) for tick in (0.0, 0.25, 0.5)] == ["0.00", "0.25", "0.50"]
    assert tick_words(2000.0, [0.0, 1000.0, 2000.0]) == "2,000"


def test_a_value_stands_where_the_axis_says() -> None:
    drawn = frame(400, 300, (0, 10), (0, 100), "x", "y")

    assert drawn.place((0, 0)) == (drawn.left, drawn.bottom)
    assert drawn.place((10, 100)) == (drawn.right, drawn.top)
    assert drawn.x(5) == pytest.approx((drawn.left + drawn.right) / 2)


def test_wrapped_text_fits_its_room_and_loses_no_letter() -> None:
    words = "3/4 in true-union ball valve with averyveryverylongwordindeed, socket × socket"
    lines = wrapped(words, 12, 80)

    assert all(text_width(line, 12) <= 80 for line in lines)
    assert "".join(lines).replace(" ", "") == words.replace(" ", "")


def test_a_number_and_its_percent_stay_on_one_line() -> None:
    lines = wrapped("pump right pump, 100 %", 12, text_width("pump right pump, 100", 12))

    assert lines == ["pump right pump,", "100 %"]


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
def test_charts_of_the_examples_are_readable(name: str) -> None:
    facts = report_facts(hand_report(name))
    system, now, after = facts.report.system, facts.now, facts.after

    for path in wanted_paths(system, now):
        assert_readable(head_line_canvas(line_along(now, path), line_along(after, path), system.units))
    for pump in now.network.pumps.values():
        pictures = pump_picture(now.network, now.solution, pump), pump_picture(after.network, after.solution, pump)
        assert_readable(curves_canvas(*pictures, system.units))
    assert_readable(loss_bars_canvas(now.losses, system.units))


def test_a_head_line_without_flow_is_left_out() -> None:
    system, _ = example("single-return")
    now = solved(system.network, with_gains=False)
    line = line_along(now, wanted_paths(system, now)[0])

    assert 'class="now-line"' in head_line_canvas(line, (), "US").svg("t", "d", "k")
    assert 'class="after-line"' not in head_line_canvas(line, (), "US").svg("t", "d", "k")
    with pytest.raises(ValueError, match="needs a path"):
        head_line_canvas((), (), "US")


def test_pump_and_system_curve_meet_where_the_pump_works() -> None:
    system, _ = example("cellar-sump")
    now = solved(system.network, with_gains=False)
    picture = pump_picture(now.network, now.solution, now.network.pumps["return"])

    assert picture.flow_m3_s == pytest.approx(now.solution.flows_m3_s["riser"])
    assert (picture.flow_m3_s, picture.head_m) in picture.system_curve
    below = max(point for point in picture.pump_curve if point[0] <= picture.flow_m3_s)
    above = min(point for point in picture.pump_curve if point[0] > picture.flow_m3_s)
    assert above[1] <= picture.head_m <= below[1]


def test_a_system_curve_starts_near_the_static_height_and_rises() -> None:
    system, _ = example("single-return")
    now = solved(system.network, with_gains=False)
    curve = pump_picture(now.network, now.solution, next(iter(now.network.pumps.values()))).system_curve

    heads = [head for _, head in curve]
    assert heads == sorted(heads)
    assert heads[0] >= system.network.points["display"].head_m  # type: ignore[operator]


def test_curves_tell_their_numbers_in_words() -> None:
    system, _ = example("metric-unions")
    now = solved(system.network, with_gains=False)
    picture = pump_picture(now.network, now.solution, now.network.pumps["return"])

    assert "at 85 % of full speed it gives" in curves_chart(picture, None, "metric", title="t", key="k")
    with pytest.raises(ValueError, match="need a pump"):
        curves_canvas(None, None, "US")


def loss(words: str, head_m: float) -> PartLoss:
    return PartLoss("riser", "part", 0, "", words, head_m, 0.25, 10 * LITRE_H)


def test_bars_are_as_long_as_the_losses_and_the_largest_comes_first() -> None:
    svg = loss_bars([loss("a", 0.5), loss("b", 2.0), loss("c", 1.0)], "metric", title="t", key="k")
    widths = [float(width) for width in re.findall(r'class="now-bar"[^>]*width="([\d.]+)"', svg)]

    assert widths[0] / widths[1] == pytest.approx(2.0, rel=0.01)
    assert widths[1] / widths[2] == pytest.approx(2.0, rel=0.01)
    assert svg.index("riser: b") < svg.index("riser: c") < svg.index("riser: a")


def test_a_shut_part_and_a_gain_have_no_bar() -> None:
    svg = loss_bars([loss("shut", float("inf")), loss("gain", -0.1)], "metric", title="t", key="k")

    assert "now-bar" not in svg
    assert "No head is lost" in svg


def test_what_a_valve_takes_on_purpose_stands_apart_from_what_is_lost() -> None:
    rows = [loss("elbow", 0.5), PartLoss("riser", "part", 3, "", "ball valve", 2.0, 0.25, 0.0), loss("pipe", 1.0)]
    svg = loss_bars(rows, "metric", title="t", key="k", throttled={("riser", 3)})

    assert svg.count('class="now-bar"') == 2
    assert svg.count('class="trim-bar"') == 1
    drawn = svg[svg.index("</desc>") :]
    places = [drawn.index(words) for words in ("Lost", "riser: pipe", "Throttled on purpose", "riser: ball valve")]
    assert places == sorted(places)


def test_the_three_largest_falls_of_a_head_line_are_named() -> None:
    steps = [0.1, 0.9, 0.3, 0.5, 0.2]
    line, head_m = [HeadPoint("riser", "point", None, "start", 0.0, 6.0)], 6.0
    for at, step in enumerate(steps, 1):
        line.append(HeadPoint("riser", "part", 2 * at, "tube", float(at), head_m))
        head_m -= step
        line.append(HeadPoint("riser", "part", 2 * at + 1, f"part {at}", float(at), head_m))
    words = [box.words for box in head_line_canvas((), line, "metric").texts]

    assert [one for one in words if one.startswith("part ")] == ["part 2, 0.90 m", "part 4, 0.50 m", "part 3, 0.30 m"]


def test_a_valve_that_is_set_is_named_apart_from_the_three_largest_falls() -> None:
    steps = [0.4, 3.0, 0.3, 0.5]
    line, head_m = [HeadPoint("riser", "point", None, "start", 0.0, 6.0)], 6.0
    for at, step in enumerate(steps, 1):
        line.append(HeadPoint("riser", "part", 2 * at, "tube", float(at), head_m))
        head_m -= step
        line.append(HeadPoint("riser", "part", 2 * at + 1, f"part {at}", float(at), head_m))
    words = [box.words for box in head_line_canvas((), line, "metric", {("riser", 5)}).texts]

    told = {"part 1, 0.40 m", "part 2, 3.00 m set", "part 3, 0.30 m", "part 4, 0.50 m"}
    assert {one for one in words if one.startswith("part ")} == told


def test_paths_with_the_same_head_line_share_a_picture(tmp_path: Path) -> None:
    file = tmp_path / "twins.yaml"
    pump = "curve: [0 gal/h at 12 ft, 800 gal/h at 0 ft], ports: {in: 1 in NPT female, out: 1 in NPT male}"
    line = "from: sump, to: display, size: 1 in sch 40 PVC"
    parts = "adapter 1 in NPT female x 1 in socket, pipe 4 ft, elbow, pipe 1 ft"
    file.write_text(
        "system: Twins\nunits: US\nsurfaces: {sump: 0 ft, display: 4 ft}\n"
        f"pumps:\n  east: {{{pump}}}\n  west: {{{pump}}}\n"
        f"runs:\n  one: {{{line}, parts: [pump east, {parts}]}}\n  two: {{{line}, parts: [pump west, {parts}]}}\n"
        "targets: {one: at least 100 gal/h, two: at least 100 gal/h}\n",
        encoding="utf-8",
    )
    system, _ = pipeline.read(file)
    found = [one for one in system_pictures(system) if one.name.startswith("head-")]

    assert [one.caption for one in found] == ["Head along the path through one and two: one; two is the same."]


def test_every_plan_of_a_frontier_tells_its_saw_cuts() -> None:
    plans = [FrontierPoint(1000, 0.001, "", cuts=0), FrontierPoint(2000, 0.002, "your plan", cuts=3)]
    words = [box.words for box in frontier_canvas(plans, plans[1], "metric", "USD").texts]

    assert "no saw cut" in words
    assert any(one.startswith("your plan: ") and one.endswith(", 3 saw cuts") for one in words)


def test_bars_stop_at_the_limit() -> None:
    svg = loss_bars([loss(f"part {i}", 1.0 + i) for i in range(30)], "US", title="t", key="k", limit=5)

    assert svg.count('class="now-bar"') == 5


POINTS = [
    FrontierPoint(0, 1000 * LITRE_H, "as it is"),
    FrontierPoint(2500, 1300 * LITRE_H),
    FrontierPoint(9000, 1500 * LITRE_H),
]


def test_cost_against_chance_shows_every_plan_whose_chance_is_known_and_never_falls() -> None:
    plans = [
        FrontierPoint(2456, 1.0, "your plan", 1.0, works=0.51),
        FrontierPoint(3046, 1.1, "", 1.04, works=0.83),
        FrontierPoint(4000, 1.2, "", 1.05, works=0.80),
        FrontierPoint(5039, 1.3, "", 1.09, works=0.97),
        FrontierPoint(6000, 1.4, "", 1.2),
    ]

    canvas = certainty_canvas(plans, plans[0], "USD")
    svg = certainty_chart(plans, plans[0], "USD", title="t", key="k")

    assert_readable(canvas)
    words = " ".join(box.words for box in canvas.texts)
    assert "your plan: $24.56, 51 %" in words
    assert "$30.46, 83 %" in words
    assert "$50.39 works in 97 % of cases" in svg
    assert "$60.00" not in svg.partition("</desc>")[0]
    heights = [share for _, share in _steps(told_points(plans), 100.0)]
    assert heights == sorted(heights)
    with pytest.raises(ValueError, match="chance"):
        certainty_canvas(plans[-1:], None, "USD")


def test_the_chosen_plan_of_a_frontier_is_marked_apart() -> None:
    svg = frontier_chart(POINTS, POINTS[1], "metric", "USD", title="t", key="k")

    assert svg.count('class="after-bar"') == 1
    assert svg.count('class="after-hollow"') == 2
    assert "chosen: $25.00, 1,300 L/h" in svg
    assert "as it is" in svg


def test_a_frontier_does_not_depend_on_the_order_of_its_plans() -> None:
    charts = {frontier_chart(order, None, "US", "USD", title="t", key="k") for order in itertools.permutations(POINTS)}

    assert len(charts) == 1


@pytest.mark.parametrize("count", [1, 2, 12])
def test_a_frontier_of_any_size_is_readable(count: int) -> None:
    points = [FrontierPoint(700 * i * i, (1000 + 60 * i) * LITRE_H, f"plan {i}") for i in range(count)]

    assert_readable(frontier_canvas(points, points[-1], "metric", "USD"))


REACHED = [
    FrontierPoint(0, 0.0, "", 0.6, 0.01, 0),
    FrontierPoint(1500, 0.0, "this plan", 1.04, 0.8, 1500),  # that nothing cheaper reaches 60 to 80 % was not proven
    FrontierPoint(3000, 0.0, "", 1.1, 1.04, 2000),  # one for 20 may do as well
]


def test_what_was_not_proved_of_a_plan_is_drawn_and_told() -> None:
    canvas = frontier_canvas(REACHED, REACHED[1], "metric", "USD")
    svg = frontier_chart(REACHED, REACHED[1], "metric", "USD", title="t", key="k")

    assert_readable(canvas)
    assert "this plan: $15.00, 104 %" in svg
    assert "% of the minimum flows" in svg
    assert "not settled: more may lie below" in svg
    assert "a cheaper one is not ruled out" in svg
    assert "Whether other plans reach between 60 % and 80 % was not settled." in svg
    assert "That 110 % costs less, down to $20.00, is not ruled out." in svg
    assert "between 104 %" not in svg


def test_a_bar_ends_where_a_cheaper_plan_is_ruled_out_and_a_broken_line_at_what_is_proved() -> None:
    svg = frontier_chart(REACHED, None, "metric", "USD", title="t", key="k")
    circles = re.findall(r'class="after-hollow" cx="([\d.]+)" cy="([\d.]+)"', svg)
    (x0, y0), (x1, y1), (x2, y2) = [(float(x), float(y)) for x, y in circles]
    bar, level = (
        [tuple(map(float, pair.split(","))) for pair in re.findall(r"[\d.]+,[\d.]+", line)]
        for role in ("tank", "level")
        for line in re.findall(rf'<polyline class="{role}"[^>]*points="([^"]+)"', svg)
        if len(line.split()) > 2 or abs(float(line.split()[0].split(",")[1]) - y2) < 1.0
    )

    assert bar[0] == pytest.approx((x0 + (x2 - x0) * 20 / 30, y2), abs=0.2)
    assert level == [
        pytest.approx((x0, y0), abs=0.2),
        pytest.approx((x0, y0 + (y1 - y0) * 20 / 44), abs=0.2),
        pytest.approx((x1, y0 + (y1 - y0) * 20 / 44), abs=0.2),
    ]


def test_where_all_is_proved_nothing_open_is_drawn() -> None:
    proved = [FrontierPoint(0, 0.0, "", 0.6, 0.01, 0), FrontierPoint(1500, 0.0, "", 1.04, 0.6, 1500)]

    svg = frontier_chart(proved, None, "metric", "USD", title="t", key="k")

    assert "not settled" not in svg
    assert "ruled out" not in svg


def test_a_reach_of_one_value_has_an_axis_that_does_not_magnify_it() -> None:
    points = [FrontierPoint(0, 0.0, "", 0.999, 0.01, 0), FrontierPoint(1166, 0.0, "this plan", 1.002, 0.999, 1166)]

    words = [text.words for text in frontier_canvas(points, points[1], "US", "USD").texts]

    assert "100" in words
    assert not any(word.startswith("100.") for word in words)


def test_a_chosen_plan_beside_the_frontier_is_drawn_too() -> None:
    beside = FrontierPoint(2500, 0.0, "this plan", 1.05)

    canvas, svg = (
        frontier_canvas(REACHED, beside, "metric", "USD"),
        frontier_chart(REACHED, beside, "metric", "USD", title="t", key="k"),
    )

    assert_readable(canvas)
    assert svg.count('class="after-bar"') == 1
    assert svg.count('class="after-hollow"') == 3


def test_a_frontier_without_plans_is_refused() -> None:
    with pytest.raises(ValueError, match="a plan at least"):
        frontier_canvas([], None, "US", "USD")
