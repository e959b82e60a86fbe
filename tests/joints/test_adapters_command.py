"""The command `adapters` and what it prints, through its options, for pairs of ends and for system files."""

from __future__ import annotations

import json
import string
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from optimizer.cli import main
from optimizer.documents.adapters_text import adapters_blocks, shown_ways, verdict
from optimizer.errors import InputError, QuantityError
from optimizer.joints.ways import ways
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.read.catalogs import load_catalog
from optimizer.read.columns import parse_end
from optimizer.read.end_words import form_of
from optimizer.read.named_end import named_end
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.takeoff.ports import loss_at, threaded_ports, ways_at_ports


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["adapters", *arguments])


def example(name: str) -> str:
    return str(data_directory("examples") / name)


def test_two_ends_give_every_way_with_price_loss_joints_and_verdict() -> None:
    result = run("3/4 in BSPP male", "1 in socket", "--flow", "300 gph")

    assert result.exit_code == 0
    assert result.output.startswith("From 3/4 in BSPP male to 1 in socket\n")
    for words in ("loss at 300 gph", "best by price", "best by loss", "best by serviceability", "flat washer"):
        assert words in result.output
    assert "Directly: never, because a BSPP male end does not join a socket end." in result.output
    assert result.output.count("brass in salt water") == 1, "metal is explained once where plastic does it"


def test_all_shows_the_ways_with_metal_and_why_not() -> None:
    result = run("3/4 in BSPP male", "1 in socket", "--all")

    assert "NOT allowed" in result.output
    assert "is not allowed: brass in salt water" in result.output


def test_compression_and_push_fit_are_told_apart() -> None:
    output = run("1/4 in tube", "1/4 in NPT female", "--all").output

    assert "1/4 in tube to 1/4 in compression     compression nut and ring, no sealant" in output


def test_ends_that_mate_say_so_first() -> None:
    lines = run("3/4 in G male", "G3/4 female").output.splitlines()

    assert lines[3] == "Directly: yes, sealed by flat washer."


def test_a_way_that_chokes_the_line_is_left_out_and_last_of_all() -> None:
    # 1/2 in. hose between two 1 in. ends has under a quarter of the area
    found = ways(parse_end("1 in socket"), parse_end("1 in NPT female"), load_catalog())
    allowed = [way for way in found if way.allowed]
    choking = [way.chokes for way in allowed]

    assert choking == sorted(choking)
    assert not any(way.chokes for way in shown_ways(found, 8) if way.allowed)
    for way in allowed:
        assert way.narrowest_m == min(bore for piece in way.pieces for bore in piece.end_bores_m)


def test_metal_is_offered_where_no_plastic_piece_does_it_and_the_reason_is_given() -> None:
    catalog = load_catalog()
    brass = {key: item for key, item in catalog.items.items() if item.material == "brass"}
    pair = parse_end("3/4 in GHT male"), parse_end("3/4 in NPT male")
    offered = ways(*pair, replace(catalog, items=brass), allow_unsafe_metals=True)
    blocks = adapters_blocks(*pair, offered, units="US", currency="USD")

    assert any(way.allowed for way in offered)
    assert "of metal because no plastic ones join" in str(blocks)


def test_json_has_si_numbers_and_whole_cents() -> None:
    result = run("1 in bspp male", "32 mm spigot", "--flow", "1200 L/h", "--json")
    answer = json.loads(result.output)

    assert answer["design_flow_m3_s"] == pytest.approx(1.2 / 3600)
    first = answer["ways"][0]
    assert first["pieces"][0]["item_id"] == "pn16-adapter-d32-socket-bspp"
    assert first["price_cents"] == load_catalog().items["pn16-adapter-d32-socket-bspp"].price_cents
    assert [joint["sealed_by"] for joint in first["joints"]] == ["flat washer", "cement"]
    assert first["joints"][0]["standard"] == "ISO 228-1"
    assert first["head_loss_m"] > 0


def test_all_shows_more_ways_than_the_short_list() -> None:
    pair = ("1 in spigot", "1-1/2 in NPT male", "--flow", "300 gph")

    assert "more ways are not shown" in run(*pair).output
    assert "not shown" not in run(*pair, "--all").output


def test_without_a_flow_no_loss_is_claimed() -> None:
    output = run("3/4 in BSPP male", "1 in socket").output

    assert "best by loss" not in output
    assert " – " in output


def test_brass_is_allowed_on_request_where_no_taper_meets_plastic() -> None:
    # A brass female × female pair of adapters is not sold; the nipple of brass goes into a plastic female all the same.
    output = run("3/4 in BSPP male", "3/4 in NPT female", "--brass", "--all").output

    assert "brass in salt water" not in output
    assert "a taper male of brass splits a plastic female thread" in output


@pytest.mark.long
def test_a_pressure_above_all_ratings_leaves_no_allowed_way() -> None:
    result = run("1 in spigot", "1 in NPT female", "--pressure", "60 bar")

    assert result.exit_code == 1
    assert "its pressure rating is too low for the duty" in result.output
    assert "None of the ways is allowed" in result.output


def test_a_pair_without_a_way_gets_the_reason() -> None:
    result = run("1/4 in barb", "75 mm socket")

    assert result.exit_code == 1
    assert "There is no way: from 1/4 in barb to 75 mm socket takes" in result.output


@pytest.mark.long
@pytest.mark.parametrize(
    "name",
    [
        "single-return.yaml",
        *(pytest.param(f"{one}.yaml", marks=pytest.mark.slow) for one in ("cellar-sump", "metric-unions")),
    ],
)
def test_a_file_gives_the_ways_at_each_of_its_threaded_ports(name: str) -> None:
    catalog = load_catalog()
    ports = threaded_ports(load_system(Path(example(name)), catalog).network, catalog)
    result = run(example(name))

    assert result.exit_code == 0
    for port in ports:
        assert f"Run {port.run}, {port.words}: {port.end}, beside {port.pipe}." in result.output
    found = json.loads(run(example(name), "--json").output)["ports"]
    assert [(one["run"], one["port"]) for one in found] == [(port.run, port.words) for port in ports]
    assert all(any(way["allowed"] for way in one["ways"]) for one in found)


def test_ports_face_the_pipe_beside_them_in_the_order_of_the_water() -> None:
    catalog = load_catalog()
    system = load_system(Path(example("cellar-sump.yaml")), catalog)
    ports = {(port.run, port.words): port for port in threaded_ports(system.network, catalog)}
    suction, outlet = ports["riser", "pump return, inlet"], ports["riser", "pump return, outlet"]

    # The suction is piped in 1-1/2 in, the riser after the pump in 1 in.
    assert (suction.start, suction.goal) == (parse_end("1-1/2 in spigot"), parse_end("1-1/2 in NPT female"))
    assert (outlet.start, outlet.goal) == (parse_end("1-1/2 in NPT male"), parse_end("1 in spigot"))
    assert not any(run == "scrubber line" for run, _ in ports), "its ports are sockets"


@pytest.mark.long
def test_the_design_flow_is_the_least_that_is_asked_for_else_what_flows_now() -> None:
    catalog = load_catalog()
    system = load_system(Path(example("cellar-sump.yaml")), catalog)
    found = ways_at_ports(system, catalog, {"riser": 5e-4})

    flows = {one.port.run: one.flow_m3_s for one in found}
    wanted = {target.run: target.low_m3_s for target in system.targets}
    assert flows["uv line"] == wanted["uv line"]
    assert flows["riser"] == 5e-4


@pytest.mark.parametrize(
    ("text", "end"),
    [
        ("3/4 in BSPP male", End(Form.G_MALE, "3/4 in", SizeSystem.THREAD)),
        ("  3/4 IN.  bspp   MALE ", End(Form.G_MALE, "3/4 in", SizeSystem.THREAD)),
        ('1-1/2" socket', End(Form.SOCKET, "1-1/2 in", SizeSystem.IPS)),
        ("25 mm Socket", End(Form.SOCKET, "25 mm", SizeSystem.METRIC)),
        ("1/2 in barb", End(Form.BARB, "1/2 in", SizeSystem.HOSE)),
        ("12/16 mm hose", End(Form.HOSE, "12/16 mm", SizeSystem.HOSE)),
        ("1/4 in push-fit", End(Form.PUSH_FIT, "1/4 in", SizeSystem.TUBE)),
        ("G3/4 male", End(Form.G_MALE, "3/4 in", SizeSystem.THREAD)),  # as it is moulded on a part
        ("G 3/4 F", End(Form.G_FEMALE, "3/4 in", SizeSystem.THREAD)),
        ("R 1/2", End(Form.R_MALE, "1/2 in", SizeSystem.THREAD)),
        ("Rc1/2", End(Form.RC_FEMALE, "1/2 in", SizeSystem.THREAD)),
        ('Rp 1"', End(Form.RP_FEMALE, "1 in", SizeSystem.THREAD)),
        ("3/4 MPT", End(Form.NPT_MALE, "3/4 in", SizeSystem.THREAD)),
        ("3/4 NH male", End(Form.GHT_MALE, "3/4 in", SizeSystem.THREAD)),
        ("3/4 in FIP", End(Form.NPT_FEMALE, "3/4 in", SizeSystem.THREAD)),
        ("1-1/2 in S", End(Form.SOCKET, "1-1/2 in", SizeSystem.IPS)),
        ("1 1/2 in hub", End(Form.SOCKET, "1-1/2 in", SizeSystem.IPS)),
        ("1 in slip", End(Form.SOCKET, "1 in", SizeSystem.IPS)),
    ],
)
def test_an_end_is_read_whatever_its_case_and_blanks(text: str, end: End) -> None:
    assert named_end(text, load_catalog()) == end


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("3/4 in BSPQ male", "no thread is guessed for another"),
        ("3/4 in BSP male", "BSPT (marked R, Rc or Rp: taper) or BSPP (marked G: parallel"),
        ("1/2 in NPS male", "NPT (taper) or NPSM (straight"),
        ("3/4 in NTP male", "did you mean 3/4 in NPT male?"),
        ("3/4 in socet", "did you mean 3/4 in socket?"),
        ("3/4 in G", "BSPP male or BSPP female"),
        ("R 1/2 female", "BSPT female (Rc, taper) and Rp female (Rp, parallel)"),
        ("1/2 in MPT female", "NPT male, which is what these letters mean"),
        ("3/4 socket", "a nominal size such as"),
        ("", "a size and an end"),
        ("7 in socket", "for socket the sizes in the catalogs: 1/2 in, 3/4 in"),
        ("32 mm NPT male", "for NPT male the sizes in the catalogs"),
    ],
)
def test_an_end_that_is_none_is_refused_with_what_is_allowed(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        named_end(text, load_catalog())

    assert words in str(caught.value)


def suggested(words: str) -> Form | None:
    try:
        form_of(words)  # another thread, spelled right
    except QuantityError as error:
        return Form(error.suggestion) if error.suggestion else None
    return None


@pytest.mark.parametrize("form", [form for form in Form if form.is_thread], ids=str)
def test_a_guess_never_crosses_from_one_thread_to_another(form: Form) -> None:
    # each letter in turn is wrong: whatever is suggested is of the thread that was written
    words = str(form).lower()
    assert form_of(words) is form
    guesses = [
        guess
        for at in range(len(words))
        for letter in f"{string.ascii_lowercase} "
        if (guess := suggested(words[:at] + letter + words[at + 1 :])) is not None
    ]

    assert {guess.thread for guess in guesses} == {form.thread}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("3/4 in barb",), "for two ends give both"),
        (("a", "b", "c"), "give two ends in quotes"),
        (("3/4 in BSPPQ male", "1 in socket"), "letters that stand on the part"),
        (("1 in socket", "1 in spigot", "--flow", "12 apples"), "apples"),
        (("nowhere.yaml",), "nowhere.yaml"),
        ((example("starter.yaml"), "--flow", "3 L/h"), "go with FROM TO"),
    ],
)
def test_bad_arguments_are_refused_in_words_without_a_traceback(arguments: tuple[str, ...], words: str) -> None:
    result = run(*arguments)

    assert result.exit_code == 2
    assert isinstance(result.exception, SystemExit)
    assert words in result.output


def test_the_short_list_keeps_every_best_way_and_every_reason() -> None:
    catalog = load_catalog()
    offered = ways(
        parse_end("3/4 in BSPP male"), parse_end("3/4 in NPT female"), catalog, flow_m3_s=3e-4, measure=loss_at(3e-4)
    )
    short = shown_ways(offered, 2)

    assert [way for way in offered if way.best] == [way for way in short if way.best]
    assert {way.why_not for way in short} == {way.why_not for way in offered if not way.of_metal}
    assert short == [way for way in offered if way in short], "the order is kept"
    assert verdict(short[0]).startswith("best by")
    assert all(way.pieces[0].kind in (Kind.ADAPTER, Kind.UNION) for way in short if way.best)
