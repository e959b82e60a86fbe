"""What a system file says becomes the plumbing that it means."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.joints.mating import mating
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Condition, Leg, Part, PointKind, Run
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

GALLON_M3, FOOT_M, INCH_M = 3.785411784e-3, 0.3048, 0.0254

SYSTEM = """\
system: For a test
units: {units}
surfaces: {{sump: 0, display: 2 m}}
{more}
runs:
  line:
    from: sump
    to: display
    size: {size}
    parts: [{parts}]
"""


@pytest.fixture(scope="module")
def catalog() -> Catalog:
    return load_catalog()


@pytest.fixture(scope="module")
def examples(catalog: Catalog) -> dict[str, System]:
    return {path.stem: load_system(path, catalog) for path in sorted(data_directory("examples").glob("*.yaml"))}


@pytest.fixture
def read(catalog: Catalog, tmp_path: Path):  # type: ignore[no-untyped-def]
    """Return a function that reads the text of a system file."""

    def read_text(text: str) -> System:
        path = tmp_path / "system.yaml"
        path.write_text(text, encoding="utf-8")
        return load_system(path, catalog)

    return read_text


@pytest.fixture
def line(read):  # type: ignore[no-untyped-def]
    """Return a function that reads one run from its parts."""

    def read_line(parts: str, size: str = "1 in sch 40 PVC", more: str = "", units: str = "US") -> tuple[Part, ...]:
        system = read(SYSTEM.format(parts=parts, size=size, more=more, units=units))
        return system.network.runs["line"].parts

    return read_line


def fault_of(read_line, parts: str, **words: str) -> str:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError) as caught:
        read_line(parts, **words)
    return str(caught.value)


# The examples


@pytest.mark.parametrize(
    ("name", "parts", "tees"),
    [("cellar-sump", 67, 6), ("single-return", 15, 0), ("metric-unions", 28, 2), ("starter", 15, 0)],
)
def test_an_example_has_as_many_parts_as_it_is_said_to_have(
    name: str, parts: int, tees: int, examples: dict[str, System]
) -> None:
    network = examples[name].network

    assert sum(len(run.parts) for run in network.runs.values()) == parts
    assert len(network.tees) == tees


def test_every_end_run_of_the_cellar_sump_has_a_target_and_a_valve(examples: dict[str, System]) -> None:
    system = examples["cellar-sump"]
    ends = {name for name, run in system.network.runs.items() if system.network.points[run.end.point].is_fixed}
    throttled = {name for name in ends if any("valve" in part.kind for part in system.network.runs[name].parts)}

    assert ends == throttled == {target.run for target in system.targets}


def test_the_single_return_line_is_five_elbows_and_two_ball_valves(examples: dict[str, System]) -> None:
    kinds = [part.kind for part in examples["single-return"].network.runs["return line"].parts]

    assert kinds.count(Kind.ELBOW) == 5
    assert kinds.count(Kind.BALL_VALVE) == 2


@pytest.mark.parametrize("name", ["cellar-sump", "single-return", "metric-unions", "starter"])
def test_all_neighbours_of_an_example_mate(name: str, examples: dict[str, System]) -> None:
    for run in examples[name].network.runs.values():
        for first, second in zip(run.parts, run.parts[1:], strict=False):
            assert mating(first.ends[-1], second.ends[0]) or Kind.OPEN_JOINT in (first.kind, second.kind)


def test_every_example_says_that_it_is_invented() -> None:
    for path in data_directory("examples").glob("*.yaml"):
        assert "invented" in path.read_text(encoding="utf-8").split("system:")[0]


def test_an_example_reads_the_same_twice(catalog: Catalog, examples: dict[str, System]) -> None:
    path = data_directory("examples") / "cellar-sump.yaml"

    assert load_system(path, catalog) == examples["cellar-sump"]


# Parts


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


def test_a_thread_that_can_not_meet_is_answered_with_an_adapter_that_can(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 2 ft at 300 gal/h, ports: 1 in BSPP male}}"
    message = fault_of(line, "pipe 1 ft, device uv, open joint, pipe 1 ft", more=device)

    assert "did you mean 'adapter 1 in socket x 1 in BSPP female' between them?" in message


def test_ends_that_no_single_piece_marries_are_answered_with_an_open_joint(line) -> None:  # type: ignore[no-untyped-def]
    device = "devices: {uv: {loss: 2 ft at 300 gal/h, ports: 2 in BSPP male}}"
    message = fault_of(line, "pipe 1 ft, device uv, open joint, pipe 1 ft", size="1/2 in sch 40 PVC", more=device)

    assert "did you mean 'open joint' between them?" in message


# Points and tees

TEES = """\
system: For a test
units: US
surfaces: {{sump: 0, display: 2 m}}
{more}
runs:
  a: {{from: {a}, to: {b}, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}}
  c: {{from: {c}, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}}
  d: {{from: {d}, to: sump, size: {size} sch 40 PVC, parts: [pipe 1 ft]}}
"""


def tees(read, **words: str) -> System:  # type: ignore[no-untyped-def]
    usual = {"a": "sump", "b": "t", "c": "t", "d": "t branch", "size": "3/4 in", "more": ""}
    return read(TEES.format(**{**usual, **words}))


def test_where_three_runs_meet_is_a_tee_of_their_sizes(read) -> None:  # type: ignore[no-untyped-def]
    network = tees(read).network

    assert network.points["t"].kind is PointKind.TEE
    assert network.runs["a"].end.leg is Leg.RUN_1
    assert network.runs["c"].start.leg is Leg.RUN_2
    assert network.runs["d"].start.leg is Leg.BRANCH
    item = network.tees["t"].item
    assert item is not None
    assert [end.size for end in item.ends] == ["1 in", "1 in", "3/4 in"]


def test_a_tee_may_be_stated(read) -> None:  # type: ignore[no-untyped-def]
    network = tees(read, size="1 in", more="tees: {t: {size: 1 x 1 x 1 in, keep: yes}}").network

    assert network.tees["t"].condition is Condition.KEEP
    assert network.tees["t"].item is not None


def test_a_stated_tee_that_does_not_fit_its_runs_is_a_fault(read) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=r"'pipe 1 ft' \(3/4 in spigot\)|tee 't' \(1 in socket\)"):
        tees(read, more="tees: {t: 1 x 1 x 1 in}")


def test_a_tee_may_be_not_plumbed_yet(read) -> None:  # type: ignore[no-untyped-def]
    tee = tees(read, more="tees: {t: not connected yet}").network.tees["t"]

    assert tee.item is None
    assert not tee.existing


def test_a_tee_may_carry_a_description(read) -> None:  # type: ignore[no-untyped-def]
    assert tees(read, more="tees: {t: behind the cabinet}").network.tees["t"].item is not None


def test_a_tee_that_is_nowhere_is_a_fault(read) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match="a tee 'tt' at which no runs meet; allowed: t"):
        tees(read, more="tees: {tt: 1 x 1 x 1 in}")


def test_a_declared_name_that_ends_in_branch_is_a_point(read) -> None:  # type: ignore[no-untyped-def]
    text = TEES.format(a="sump", b="dry branch", c="sump", d="sump", size="1 in", more="outlets: {dry branch: 1 ft}")

    assert read(text).network.runs["a"].end.point == "dry branch"


def test_a_tee_may_join_two_streams(read) -> None:  # type: ignore[no-untyped-def]
    text = TEES.format(a="sump", b="t", c="t", d="display", size="1 in", more="").replace("to: sump", "to: t branch")
    network = read(text).network

    assert network.runs["d"].end.leg is Leg.BRANCH


def test_where_four_runs_meet_is_a_cross(read) -> None:  # type: ignore[no-untyped-def]
    text = TEES.format(a="sump", b="t", c="t", d="t branch", size="1 in", more="")
    network = read(text + "  e: {from: t branch, to: sump, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}\n").network

    assert network.points["t"].kind is PointKind.CROSS
    assert network.runs["e"].start.leg is Leg.BRANCH_2
    assert network.tees["t"].item is not None


def test_a_supply_has_the_head_of_its_pressure(read) -> None:  # type: ignore[no-untyped-def]
    text = TEES.format(
        a="house",
        b="display",
        c="sump",
        d="sump",
        size="1 in",
        more="supplies: {house: {pressure: 60 psi, elevation: 1 m}}",
    )
    text = text.replace("units: US", "units: US\nwater: {salinity: 0, temperature: 41 degF}")

    # 60 psi = 413 685 Pa; water at 5 °C weighs 999.97 kg/m³ x 9.80665 m/s²: 42.186 m.
    assert read(text).network.points["house"].head_m == pytest.approx(1 + 42.186, abs=0.002)


# Pumps, targets, rules


def test_a_pump_curve_may_be_pairs_or_words(read) -> None:  # type: ignore[no-untyped-def]
    curves = ["[[0, 20], [900, 10], [2000, 0]]", "[0 gal/h at 20 ft, 900 gal/h at 10 ft, 2000 gal/h at 0 ft]"]
    pumps = [
        read(
            SYSTEM.format(
                units="US",
                size="1 in sch 40 PVC",
                parts="pump p",
                more=f"pumps: {{p: {{curve: {curve}, ports: 1 in NPT male}}}}",
            )
        ).network.pumps["p"]
        for curve in curves
    ]

    assert pumps[0] == pumps[1]
    assert pumps[0].curve[1] == pytest.approx((900 * GALLON_M3 / 3600, 10 * FOOT_M), rel=1e-9)
    assert pumps[0].speed == 1.0


@pytest.mark.parametrize(
    ("text", "speeds"),
    [("[100 %, 60 %, 80 %]", (0.6, 0.8, 1.0)), ("80 % to 100 %", (0.8, 0.85, 0.9, 0.95, 1.0)), ("90 %", (0.9,))],
)
def test_the_settings_of_a_pump_are_a_list_or_steps(text: str, speeds: tuple[float, ...], read) -> None:  # type: ignore[no-untyped-def]
    more = f"pumps: {{p: {{curve: [[0, 20], [900, 0]], ports: 1 in NPT male, speeds: {text}}}}}"
    system = read(SYSTEM.format(units="US", size="1 in sch 40 PVC", parts="pump p", more=more))

    assert system.network.pumps["p"].speeds == pytest.approx(speeds)


def test_a_pump_s_ports_may_differ(read) -> None:  # type: ignore[no-untyped-def]
    more = "pumps: {p: {curve: [[0, 20], [900, 0]], ports: {in: 1-1/2 in NPT female, out: 1 in NPT male}}}"
    part = (
        read(SYSTEM.format(units="US", size="1 in sch 40 PVC", parts="pump p", more=more)).network.runs["line"].parts[0]
    )

    assert [str(end) for end in part.ends] == ["1-1/2 in NPT female", "1 in NPT male"]
    assert part.end_bores_m[0] > part.end_bores_m[1] > 0.02


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("at least 300 gal/h", 300, None),
        ("250 to 350 gal/h", 250, 350),
        ("250 gal/h to 350 gal/h", 250, 350),
        ("250 to 350", 250, 350),
        ("at most 350 gal/h", 0, 350),
        ("exactly 300 gal/h", 300, 300),
        ("any", 0, None),
    ],
)
def test_a_target_is_a_window_of_flow(text: str, low: float, high: float | None, read) -> None:  # type: ignore[no-untyped-def]
    more = f"targets: {{line: {text}}}"
    (target,) = read(SYSTEM.format(units="US", size="1 in sch 40 PVC", parts="pipe 1 ft", more=more)).targets

    unit = GALLON_M3 / 3600
    assert target.low_m3_s == pytest.approx(low * unit)
    assert target.high_m3_s == (None if high is None else pytest.approx(high * unit))


def test_rules_are_read_and_default_to_the_careful_side(read) -> None:  # type: ignore[no-untyped-def]
    words = {"units": "US", "size": "1 in sch 40 PVC", "parts": "pipe 1 ft"}
    usual = read(SYSTEM.format(more="", **words)).rules
    stated = read(
        SYSTEM.format(
            more="rules: {sizes: [1-1/2 in, 1 in], velocity limit: 2 m/s, brass allowed: yes, keep unions: no}", **words
        )
    ).rules

    assert not usual.allow_unsafe_metals
    assert usual.keep_services
    assert stated.sizes == ("1 in", "1-1/2 in")
    assert stated.velocity_limit_m_s == 2
    assert stated.allow_unsafe_metals
    assert not stated.keep_services


def test_an_alias_that_holds_itself_is_a_fault_and_no_endless_loop(read) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError):
        read(SYSTEM.format(units="US", size="1 in sch 40 PVC", parts="pipe 1 ft", more="rules: &r {sizes: *r}"))


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


def test_the_branches_of_a_cross_may_be_numbered(read) -> None:  # type: ignore[no-untyped-def]
    text = TEES.format(a="sump", b="t", c="t", d="t branch 2", size="1 in", more="")
    network = read(text + "  e: {from: t branch 1, to: sump, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}\n").network

    assert {str(run.start.leg) for run in network.runs.values()} >= {"branch", "branch 2"}
    assert network.runs["e"].start.leg is Leg.BRANCH


@pytest.mark.parametrize(("size", "thread"), [("1 in sch 40 PVC", "NPT"), ("32 mm PVC-U PN16", "BSPT")])
def test_a_thread_that_is_not_said_is_the_one_of_the_countries_whose_pipe_it_is(
    tmp_path: Path, size: str, thread: str
) -> None:
    path = tmp_path / "jet.yaml"
    run = f"down: {{from: upper, to: sump, size: {size}, parts: [pipe 1 ft, open joint, 3/4 in ball-joint hose]}}"
    path.write_text(f"system: a jet\nunits: US\nsurfaces: {{sump: 0 ft, upper: 3 ft}}\nruns:\n  {run}\n")
    jet = load_system(path, load_catalog()).network.runs["down"].parts[-1]

    assert str(jet.ends[0]) == f"3/4 in {thread} male"
