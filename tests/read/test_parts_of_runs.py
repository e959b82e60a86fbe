"""What the words of a run become: parts with ends, sizes and lengths that meet their neighbours."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from read.one_line import SYSTEM, fault_of

from optimizer.errors import InputError
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Condition, Run
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

INCH_M = 0.0254


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("elbow", Kind.ELBOW),
        ("90 elbow", Kind.ELBOW),
        ("sweep elbow", Kind.SWEEP_ELBOW),
        ("45 elbow", Kind.ELBOW_45),
        ("45", Kind.ELBOW_45),
        ("elbow 45", Kind.ELBOW_45),
        ("45 degree elbow", Kind.ELBOW_45),
        ("90-degree elbow", Kind.ELBOW),
        ("elbow 90°", Kind.ELBOW),
        ("union", Kind.UNION),
        ("bulkhead", Kind.BULKHEAD),
        ("ball valve", Kind.BALL_VALVE),
        ("true-union ball valve", Kind.TRUE_UNION_BALL_VALVE),
        ("true union ball valve", Kind.TRUE_UNION_BALL_VALVE),
        ("gate valve", Kind.GATE_VALVE),
        ("globe valve", Kind.GLOBE_VALVE),
        ("swing check valve", Kind.SWING_CHECK_VALVE),
        ("spring check valve", Kind.SPRING_CHECK_VALVE),
        ("coupling", Kind.COUPLING),
    ],
)
def test_a_trade_word_is_its_kind_in_the_size_of_the_run(text: str, kind: Kind, line) -> None:  # type: ignore[no-untyped-def]
    (_, part, _) = line(f"pipe 1 ft, {text}, pipe 1 ft")

    assert part.kind is kind
    assert [str(end) for end in part.ends] == ["1 in socket", "1 in socket"]
    assert part.label == text


def test_a_pipe_has_its_length_and_bore(line) -> None:  # type: ignore[no-untyped-def]
    (part,) = line("pipe 8 ft 6 in")

    assert part.length_m == pytest.approx(102 * INCH_M)
    # ASTM D1785: 1 in schedule 40 has 1.315 in outside and a minimum wall of 0.133 in; the average wall is thicker.
    assert 0.0255 < part.end_bores_m[0] <= (1.315 - 2 * 0.133) * INCH_M + 1e-5


def test_a_part_may_be_repeated(line) -> None:  # type: ignore[no-untyped-def]
    assert [part.kind for part in line("pipe 1 ft, elbow x 3")] == [Kind.PIPE] + 3 * [Kind.ELBOW]


@pytest.mark.parametrize(
    ("text", "opening"),
    [("ball valve", 1.0), ("ball valve 40 % open", 0.4), ("gate valve half open", 0.5), ("ball valve shut", 0.0)],
)
def test_a_valve_is_as_far_open_as_it_says(text: str, opening: float, line) -> None:  # type: ignore[no-untyped-def]
    assert line(text)[0].opening == pytest.approx(opening)


@pytest.mark.parametrize("step", ["bushing to 3/4 in", "reducing coupling to 3/4 in", "bushing 1 x 3/4 in"])
def test_the_size_changes_behind_a_reducer(step: str, line) -> None:  # type: ignore[no-untyped-def]
    before = "elbow, " if "bushing" in step else "pipe 1 ft, "
    parts = line(f"{before}{step}, pipe 1 ft, elbow")

    assert parts[-1].ends[0].size == "3/4 in"
    assert [end.size for end in parts[1].ends] == ["1 in", "3/4 in"]


def test_a_size_in_front_of_a_part_is_for_that_part_alone(line) -> None:  # type: ignore[no-untyped-def]
    parts = line("1-1/2 in pipe 1 ft, reducing coupling 1-1/2 in x 1 in, pipe 1 ft")

    assert [part.ends[0].size for part in parts] == ["1-1/2 in", "1-1/2 in", "1 in"]


def test_a_part_is_turned_so_that_its_ends_meet_their_neighbours(line) -> None:  # type: ignore[no-untyped-def]
    pump = "pumps: {p: {curve: [[0, 20], [900, 0]], ports: 1 in NPT male}}"
    parts = line("pump p, adapter 1 in socket x 1 in NPT female, pipe 1 ft", more=pump)

    adapter = parts[1]
    assert [end.form for end in adapter.ends] == [Form.NPT_FEMALE, Form.SOCKET]
    assert adapter.item is not None
    assert adapter.reverse
    assert adapter.ends == adapter.item.ends[::-1]
    assert adapter.end_bores_m == adapter.item.end_bores_m[::-1]


@pytest.mark.parametrize("word", ["NPT female", "FPT", "female NPT", "fipt"])
def test_a_thread_has_several_names(word: str, line) -> None:  # type: ignore[no-untyped-def]
    assert line(f"pipe 1 ft, adapter slip x {word}")[1].ends[1] == End(Form.NPT_FEMALE, "1 in", SizeSystem.THREAD)


def test_what_a_device_loses_may_be_told_as_a_pressure(read) -> None:  # type: ignore[no-untyped-def]
    """A psi is 6,894.757 Pa, a conventional foot of water 2,989.067 Pa (NIST SP 811, appendix B.8, from memory), at
    1,000 kg/m3; fresh water of 20 °C has 998.2 kg/m3 (IAPWS, from memory)."""
    more = "devices: {uv: {loss: [1 psi at 300 gal/h, 25 kPa at 700 gal/h], ports: 1 in socket}}"
    parts = "pipe 1 ft, device uv, pipe 1 ft"
    system = read(SYSTEM.format(parts=parts, size="1 in sch 40 PVC", more=more, units="US"))

    (_, at_300), (_, at_700) = system.network.devices["uv"].curve
    assert at_300 == pytest.approx(6894.757 / 2989.067 / 0.9982 * 0.3048, rel=1e-4)
    assert at_700 == pytest.approx(25000 / 2989.067 / 0.9982 * 0.3048, rel=1e-4)


def test_parts_may_be_written_as_the_list_names_them(line) -> None:  # type: ignore[no-untyped-def]
    plain = line("adapter NPT female x socket, pipe 3 in, union, elbow, adapter socket x NPT male")
    named = line(
        "1 in sch 40 PVC female adapter, 1 in sch 40 PVC pipe 3 in, PVC union, schedule 40 PVC elbow, male adapter"
    )
    listed = [(part.item.item_id, part.length_m) for part in plain if part.item]

    assert [(part.item.item_id, part.length_m) for part in named if part.item] == listed


def test_a_part_may_be_of_another_family_than_its_run(line) -> None:  # type: ignore[no-untyped-def]
    parts = line("pipe 1 ft, sch 80 PVC elbow, 1 in sch 80 PVC pipe 1 ft, PVC coupling, 1 in flexible PVC hose 1 ft")

    families = [part.item.family for part in parts if part.item]
    assert families == ["sch 40 PVC", "sch 80 PVC", "sch 80 PVC", "sch 40 PVC", "flexible PVC hose"]
    assert "of the family 'PN16'" in fault_of(line, "pipe 1 ft, PN16 elbow")


def test_an_open_joint_takes_the_two_ends_that_it_is_to_marry(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 2 ft at 300 gal/h, ports: 3/4 in BSPP male}}"
    parts = line("pipe 1 ft, elbow, open joint, device uv, open joint, pipe 1 ft", more=device)

    assert [str(end) for end in parts[2].ends] == ["1 in socket", "3/4 in BSPP male"]
    assert [str(end) for end in parts[4].ends] == ["3/4 in BSPP male", "1 in spigot"]


def test_pump_device_and_bulkhead_are_kept_unless_told_and_all_else_may_change(line) -> None:  # type: ignore[no-untyped-def]
    more = "pumps: {p: {curve: [[0, 20], [900, 0]], ports: 1 in socket}}"
    parts = line(
        "bulkhead, pipe 1 ft, pump p, pipe 1 ft, {part: elbow, keep: yes}, {part: elbow, must go: yes}", more=more
    )

    keep, may_change, must_go = Condition.KEEP, Condition.MAY_CHANGE, Condition.MUST_GO
    assert [part.condition for part in parts] == [keep, may_change, keep, may_change, keep, must_go]


def test_a_bulkhead_may_be_allowed_to_change(line) -> None:  # type: ignore[no-untyped-def]
    assert line("{part: bulkhead, keep: no}, pipe 1 ft")[0].condition is Condition.MAY_CHANGE


def test_room_is_a_length(line) -> None:  # type: ignore[no-untyped-def]
    assert line("pipe 1 ft, {part: elbow, room: 4 in}")[1].room_m == pytest.approx(4 * INCH_M)


def test_a_hose_at_a_socket_is_flexible_pvc_and_at_a_barb_vinyl(line) -> None:  # type: ignore[no-untyped-def]
    at_socket = line("elbow, hose 3 ft")[1]
    at_barb = line("elbow, adapter 1 in spigot x 1 in barb, hose 3 ft")[2]

    assert at_socket.item is not None
    assert at_barb.item is not None
    assert at_socket.item.family == "flexible PVC hose"
    assert at_barb.item.family == "vinyl hose"


def test_pipe_may_stand_in_a_run_of_hose_or_tube_by_its_family_or_size(line) -> None:  # type: ignore[no-untyped-def]
    rest = "elbow, sch 80 PVC pipe 1 ft"
    for size, soft in (("1 in vinyl hose", "hose 3 ft"), ("1/4 in PE tube", "tube 3 ft")):
        parts = line(f"{soft}, open joint, 1 in sch 40 PVC pipe 2 ft, {rest}", size=size)
        assert [part.item.family for part in parts[2:]] == ["sch 40 PVC", "sch 40 PVC", "sch 80 PVC"]
    for pipe, family in (("25 mm PVC-U PN16 pipe 2 m", "PVC-U PN16"), ("sch 40 PVC pipe 2 ft", "sch 40 PVC")):
        assert line(f"hose 3 ft, open joint, {pipe}", size="1 in vinyl hose")[2].item.family == family
    assert "'pipe 2 ft' in 1 in hose size" in fault_of(line, "pipe 2 ft", size="1 in vinyl hose")


def test_tube_runs_through_compression_fittings(line) -> None:  # type: ignore[no-untyped-def]
    parts = line("tube 6 ft, adapter compression x 1/4 in NPT male", size="1/4 in PE tube")

    assert [end.form for end in parts[1].ends] == [Form.COMPRESSION, Form.NPT_MALE]


def test_metric_pipe_meets_a_bsp_thread_in_a_union(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 0.5 m at 1000 L/h, ports: 1 in BSPP male}}"
    parts = line(
        "pipe 1 m, union 32 mm socket x 1 in BSPP female, device uv, union 1 in BSPP female x 32 mm socket, pipe 1 m",
        size="32 mm PVC-U PN16",
        more=device,
        units="metric",
    )

    assert [part.ends[0].form for part in parts] == [Form.SPIGOT, Form.SOCKET, Form.G_MALE, Form.G_FEMALE, Form.SPIGOT]


def test_ordinary_plastic_is_meant_before_brass(line) -> None:  # type: ignore[no-untyped-def]
    for part in line("pipe 1 ft, adapter socket x NPT male, adapter NPT female x socket, pipe 1 ft"):
        assert part.item is not None
        assert part.item.reef_safe


def test_parts_of_the_run_s_own_family_are_meant(line) -> None:  # type: ignore[no-untyped-def]
    for family in ("sch 40 PVC", "sch 80 PVC"):
        elbow = line("pipe 1 ft, elbow", size=f"1 in {family}")[1]
        assert elbow.item is not None
        assert elbow.item.family == family


def test_two_sockets_may_meet_on_a_stub(line) -> None:  # type: ignore[no-untyped-def]
    assert len(line("elbow, elbow, ball valve")) == 3


def test_an_unreadable_part_is_not_blamed_on_its_neighbours(line) -> None:  # type: ignore[no-untyped-def]
    message = fault_of(line, "pipe 1 ft, busing to 3/4 in, 3/4 in pipe 1 ft, 3/4 in elbow")

    assert message.count("found") == 1
    assert "did you mean 'bushing'" in message


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("2 elbows", "elbows x 2"),
        ("3x 90 elbow", "90 elbow x 3"),
        ("elbow 2", "elbow x 2"),
        ("ball valve (half open)", "ball valve half open"),
        ("return pump", "pump return pump"),
    ],
)
def test_a_part_written_in_another_order_is_answered_with_the_right_one(line, written: str, meant: str) -> None:  # type: ignore[no-untyped-def]
    assert f"did you mean '{meant}'?" in fault_of(line, f"pipe 1 ft, {written}, pipe 1 ft")


def test_a_long_list_of_what_is_allowed_is_told_once(line) -> None:  # type: ignore[no-untyped-def]
    first, *others = fault_of(line, "pipe 1 ft, bogen, rohr 1 m, kugelhahn, pipe 1 ft").splitlines()

    assert "sweep elbow" in first
    assert len(others) == 2
    assert all(f"allowed: as at {first.split(': ')[0]}" in each and "sweep elbow" not in each for each in others)


def test_a_thread_that_can_not_meet_is_answered_with_an_adapter_that_can(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 2 ft at 300 gal/h, ports: 1 in BSPP male}}"
    message = fault_of(line, "pipe 1 ft, device uv, open joint, pipe 1 ft", more=device)

    assert "did you mean 'adapter 1 in socket x 1 in BSPP female' between them?" in message


def test_ends_that_no_single_piece_marries_are_answered_with_an_open_joint(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 2 ft at 300 gal/h, ports: 2 in BSPP male}}"
    message = fault_of(line, "pipe 1 ft, device uv, open joint, pipe 1 ft", size="1/2 in sch 40 PVC", more=device)

    assert "did you mean 'open joint' between them?" in message


def test_two_barbs_of_a_size_are_answered_with_a_hose(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 2 ft at 300 gal/h, ports: 3/4 in barb}}"
    barbs = "adapter socket x 3/4 in barb, device uv, HOSE adapter 3/4 in barb x socket"
    message = fault_of(line, f"pipe 1 ft, {barbs.replace('HOSE', 'hose 6 in,')}", size="3/4 in sch 40 PVC", more=device)

    assert "two barb ends do not join each other; did you mean 'hose 6 in' between them?" in message


PART_WORDS = st.sampled_from(
    ["elbow", "pipe", "14 in", "x", "2", "to", "3/4 in", "adapter", "NPT female", "open", "%", "é", "-", "'", "union"]
)


@settings(deadline=None)  # the first reading warms up the catalog's tables; a busy machine takes longer still
@given(words=st.lists(PART_WORDS, min_size=1, max_size=6))
def test_any_line_of_parts_is_read_or_is_a_fault(
    words: list[str], catalog: Catalog, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("any") / "system.yaml"
    quoted = '"' + " ".join(words) + '"'
    path.write_text(SYSTEM.format(units="US", size="1 in sch 40 PVC", parts=quoted, more=""), encoding="utf-8")
    try:
        run: Run = load_system(path, catalog).network.runs["line"]
    except InputError:
        return
    assert run.parts


@pytest.mark.parametrize(("size", "thread"), [("1 in sch 40 PVC", "NPT"), ("32 mm PVC-U PN16", "BSPT")])
def test_a_thread_that_is_not_said_is_the_one_of_the_countries_whose_pipe_it_is(
    tmp_path: Path, size: str, thread: str
) -> None:
    path = tmp_path / "jet.yaml"
    run = f"down: {{from: upper, to: sump, size: {size}, parts: [pipe 1 ft, open joint, 3/4 in ball-joint hose]}}"
    path.write_text(f"system: a jet\nunits: US\nsurfaces: {{sump: 0 ft, upper: 3 ft}}\nruns:\n  {run}\n")
    jet = load_system(path, load_catalog()).network.runs["down"].parts[-1]

    assert str(jet.ends[0]) == f"3/4 in {thread} male"
