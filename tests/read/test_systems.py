"""What a system file says becomes the plumbing that it means."""

from __future__ import annotations

import pytest
from read.one_line import SYSTEM

from optimizer.errors import InputError
from optimizer.joints.mating import mating
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Condition, Leg, PointKind
from optimizer.model.system import System
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

GALLON_M3, FOOT_M = 3.785411784e-3, 0.3048


@pytest.fixture(scope="module")
def examples(catalog: Catalog) -> dict[str, System]:
    return {path.stem: load_system(path, catalog) for path in sorted(data_directory("examples").glob("*.yaml"))}


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


def test_the_branches_of_a_cross_may_be_numbered(read) -> None:  # type: ignore[no-untyped-def]
    text = TEES.format(a="sump", b="t", c="t", d="t branch 2", size="1 in", more="")
    network = read(text + "  e: {from: t branch 1, to: sump, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}\n").network

    assert {str(run.start.leg) for run in network.runs.values()} >= {"branch", "branch 2"}
    assert network.runs["e"].start.leg is Leg.BRANCH
