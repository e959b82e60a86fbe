"""Cut lengths by hand: what shows, what goes into the sockets, and what makes up for longer fittings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from optimizer.joints.chains import STUB_CLEARANCE_M, new_part
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.network import Leg, Network, Part, Run, RunEnd
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.columns import parse_end
from optimizer.read.places import data_directory
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.read.systems import load_system
from optimizer.takeoff.cut_list import KERF_M, cut_list
from optimizer.takeoff.fit import fit_run, fitted
from optimizer.takeoff.fitted import RunEnds
from optimizer.wording.notes import note_words

WATER = RunEnds((None, None), (True, True))


@cache
def catalog() -> Catalog:
    return load_catalog()


def item(kind: Kind, size: str = "1 in") -> CatalogItem:
    end = parse_end(f"{size} socket")
    return catalog().by_ends(kind, (end, end), "sch 40 PVC")[0]


def pipe(length_m: float, size: str = "1 in") -> Part:
    row = catalog().pipe("sch 40 PVC", size)
    return replace(new_part(row, length_m=length_m), ends=(row.ends[0], row.ends[0]), end_bores_m=(row.bore_m,) * 2)


def part(kind: Kind) -> Part:
    return new_part(item(kind))


def old(one: Part) -> Part:
    return replace(one, existing=True)


def run_of(parts: Sequence[Part]) -> Run:
    start, end = RunEnd("sump", Leg.NONE), RunEnd("display", Leg.NONE)
    return Run("riser", start, end, "1 in", "sch 40 PVC", tuple(old(one) for one in parts))


def added(before: Sequence[Part], after: Sequence[Part]) -> dict[int, float]:
    return dict(fit_run(run_of(before), after, WATER, WATER, catalog().socket_depths_m).added_m)


DEPTH_M = 0.0222  # of a 1 in socket: ASTM D2466, 7/8 in., from memory, as in the catalog


def test_a_sweep_elbow_in_place_of_an_elbow_shortens_the_new_pipe_on_both_sides() -> None:
    elbow, sweep = item(Kind.ELBOW), item(Kind.SWEEP_ELBOW)
    more_m = sweep.take_outs_m[0] - elbow.take_outs_m[0]
    assert more_m > 0.01

    found = added(
        [pipe(1.0), part(Kind.ELBOW), pipe(0.5), part(Kind.ELBOW)],
        [pipe(1.0), part(Kind.SWEEP_ELBOW), pipe(0.5), old(part(Kind.ELBOW))],
    )

    assert found == pytest.approx({0: -more_m, 2: -more_m})


def test_one_new_pipe_spans_the_union_that_is_left_out() -> None:
    # Two pipes went into the union; its own length and both insertions are to be made up for.
    union = item(Kind.UNION)

    found = added(
        [part(Kind.ELBOW), pipe(0.4), part(Kind.UNION), pipe(0.3), part(Kind.ELBOW)],
        [old(part(Kind.ELBOW)), pipe(0.7), old(part(Kind.ELBOW))],
    )

    assert found == pytest.approx({1: sum(union.take_outs_m) + 2 * DEPTH_M})


def test_where_a_coupling_is_put_on_a_kept_pipe_the_pipe_is_cut_back_by_its_length() -> None:
    coupling = item(Kind.COUPLING)
    before = [part(Kind.ELBOW), pipe(1.0), part(Kind.ELBOW)]
    stub = pipe(STUB_CLEARANCE_M)
    after = [old(before[0]), old(before[1]), part(Kind.COUPLING), stub, part(Kind.ELBOW)]

    fit = fit_run(run_of(before), after, WATER, WATER, catalog().socket_depths_m)

    # Sawn off at the old elbow's face the pipe is a socket's depth shorter; a coupling and a stub follow.
    more_mm = 1000 * (sum(coupling.take_outs_m) + STUB_CLEARANCE_M + 2 * DEPTH_M - DEPTH_M)
    assert fit.added_m.get(3, 0.0) == pytest.approx(0.0)
    (sawn,) = fit.sawn
    assert (sawn.place, sawn.at_start, sawn.at_end, sawn.piece) == (1, False, True, False)
    assert 1000 * sawn.off_m == pytest.approx(more_mm)
    assert sawn.stays_m == pytest.approx(1.0 - more_mm / 1000)
    assert sawn.shows_m == pytest.approx(sawn.stays_m - DEPTH_M)
    assert fit.notes == ()


def test_the_stub_in_a_fitting_that_stays_is_as_long_as_what_it_goes_into_and_what_shows() -> None:
    # An elbow stays with a stub of its old pipe in it; a new coupling goes on that, new pipe behind it.
    before = [part(Kind.ELBOW), pipe(0.4), part(Kind.ELBOW)]
    after = [old(before[0]), part(Kind.COUPLING), pipe(0.4, "1 in"), old(before[2])]

    (stub,) = fit_run(run_of(before), after, WATER, WATER, catalog().socket_depths_m).stubs

    assert (stub.joint, stub.leave_m) == (1, pytest.approx(DEPTH_M + STUB_CLEARANCE_M))


def test_what_one_new_pipe_cannot_give_the_next_one_gives() -> None:
    # A valve of 60 mm more between two pipes of 40 mm: 30 mm come off each, so that 10 mm of each still show.
    before = [part(Kind.ELBOW), pipe(0.040), part(Kind.UNION), pipe(0.040), part(Kind.ELBOW)]
    union = item(Kind.UNION)
    longer = replace(union, take_outs_m=tuple(one + 0.030 for one in union.take_outs_m))
    after = [old(before[0]), pipe(0.040), new_part(longer), pipe(0.040), old(before[4])]

    assert added(before, after) == pytest.approx({1: -0.030, 3: -0.030})


def test_what_nothing_makes_up_for_is_told_with_its_place_each_for_itself() -> None:
    # Couplings of 20 mm more between fittings that stay, in two straights alike: two notes, not one.
    one = [part(Kind.ELBOW), part(Kind.COUPLING), part(Kind.ELBOW)]
    before = [*one, part(Kind.COUPLING), part(Kind.ELBOW_45)]
    coupling = item(Kind.COUPLING)
    longer = replace(coupling, take_outs_m=tuple(one + 0.020 for one in coupling.take_outs_m))
    after = [new_part(longer) if p.kind is Kind.COUPLING else new_part(p.item) for p in before if p.item is not None]

    fit = fit_run(run_of(before), after, WATER, WATER, catalog().socket_depths_m)

    assert fit.left_over_m == pytest.approx({1: 0.040, 2: 0.040})
    assert len(fit.notes) == 2
    told = [note_words(note, "US") for note in fit.notes]
    assert "between 1 in. sch 40 PVC 90° elbow, socket × socket and 1 in. sch 40 PVC 45° elbow" in told[1]
    assert all("40 mm (1-5/8 in) longer" in one for one in told)
    assert "40 mm longer" in note_words(fit.notes[0], "metric")


def test_a_pair_of_45s_stands_for_the_corner_of_the_elbow() -> None:
    elbow, bend = item(Kind.ELBOW), item(Kind.ELBOW_45)
    stub_m = 0.0  # the two hubs meet
    between_m = sum(bend.take_outs_m) + stub_m + 2 * DEPTH_M  # centre to centre of the two

    found = added(
        [part(Kind.ELBOW), pipe(1.0), part(Kind.ELBOW), pipe(0.5), part(Kind.ELBOW)],
        [
            *(old(part(Kind.ELBOW)), pipe(1.0), part(Kind.ELBOW_45), pipe(stub_m), part(Kind.ELBOW_45)),
            *(pipe(0.5), old(part(Kind.ELBOW))),
        ],
    )

    reach_m = between_m / math.sqrt(2) + bend.take_outs_m[0]
    assert found == pytest.approx({1: elbow.take_outs_m[0] - reach_m, 5: elbow.take_outs_m[0] - reach_m})


def test_an_offset_of_two_45s_stays_one_where_wider_ones_take_their_place() -> None:
    # Centre to centre the same: what the wider fittings take up more on either side of a pipe comes off the pipe.
    narrow, wide = item(Kind.ELBOW_45), item(Kind.ELBOW_45, "1-1/2 in")
    lengths_m = (1.0, 0.3, 1.0)
    before = [pipe(1.0), part(Kind.ELBOW_45), pipe(0.3), part(Kind.ELBOW_45), pipe(1.0)]
    after = [new_part(wide) if one.kind is Kind.ELBOW_45 else pipe(one.length_m, "1-1/2 in") for one in before]

    depths_m = catalog().socket_depths_m
    more_m = wide.take_outs_m[0] - narrow.take_outs_m[0] + depths_m[wide.ends[0]] - depths_m[narrow.ends[0]]
    assert lengths_m == (before[0].length_m, before[2].length_m, before[4].length_m)
    assert added(before, after) == pytest.approx({0: -more_m, 2: -2 * more_m, 4: -more_m})


def test_hub_to_hub_joints_count_with_their_hidden_stub() -> None:
    # Two fittings on one stub, in place of a pipe of the length of that stub: nothing changes.
    before = [part(Kind.ELBOW), pipe(STUB_CLEARANCE_M), part(Kind.COUPLING), pipe(0.3), part(Kind.ELBOW)]
    after = [old(before[0]), part(Kind.COUPLING), pipe(0.3), old(before[4])]

    assert added(before, after) == {}


def test_like_for_like_changes_no_length() -> None:
    before = [pipe(0.2), part(Kind.ELBOW), pipe(1.0), part(Kind.BALL_VALVE), pipe(0.4), part(Kind.UNION), pipe(0.1)]

    assert added(before, before) == {}
    assert fitted(before, fit_run(run_of(before), before, WATER, WATER, catalog().socket_depths_m)) == tuple(before)


def test_where_a_bend_is_left_out_the_pieces_are_to_be_measured_in_place() -> None:
    before = [pipe(0.2), part(Kind.ELBOW), pipe(1.0)]
    fit = fit_run(run_of(before), [pipe(1.2)], WATER, WATER, catalog().socket_depths_m)

    assert fit.added_m == {}
    assert [note.code for note in fit.notes] == ["bends differ"]
    assert "measure its new pieces in place" in note_words(fit.notes[0], "US")


# A whole plan: every pipe of one run of an example is bought anew, like for like.


@cache
def example() -> System:
    return load_system(Path(data_directory("examples") / "cellar-sump.yaml"), catalog())


def renewed(network: Network, name: str) -> Plan:
    runs = {}
    for key, run in network.runs.items():
        parts = tuple(replace(p, existing=False) if p.kind is Kind.PIPE and key == name else p for p in run.parts)
        runs[key] = RunPlan(key, parts, (), (), (), ())
    return Plan(Status.OPTIMAL, 0, 0, "USD", runs, {}, {})


def test_the_cut_length_is_what_shows_and_the_depth_of_the_socket_at_each_end() -> None:
    system = example()
    found = cut_list(system.network, renewed(system.network, "right outlet"), catalog(), load_stick_rules())

    # right outlet, 3/4 in: pipe 8 in from tee to ball valve, pipe 3 ft from ball valve to elbow. A 3/4 in socket is
    # 18.3 mm deep (ASTM D2466, 23/32 in., from memory, as in the catalog).
    assert [(p.mark, p.run, p.position) for p in found.pieces] == [("1", "right outlet", 1), ("2", "right outlet", 3)]
    assert [p.face_to_face_m for p in found.pieces] == pytest.approx([8 * 0.0254, 3 * 0.3048])
    assert found.pieces[1].cut_m == pytest.approx(3 * 0.3048 + 2 * 0.0183)
    assert "ball valve" in found.pieces[1].after
    assert "elbow" in found.pieces[1].before
    assert "at tee 6" in found.pieces[0].after


def test_a_pipe_that_opens_into_water_is_cut_without_a_second_depth() -> None:
    system = example()
    found = cut_list(system.network, renewed(system.network, "skimmer line"), catalog(), load_stick_rules())
    last = found.pieces[-1]

    assert last.before == "open end at sump"
    adapter = parse_end("1 in socket")
    assert last.item.ends[0].size in ("3/4 in", "1 in")
    depth_m = catalog().socket_depths_m[replace(adapter, size=last.item.ends[0].size)]
    assert last.cut_m == pytest.approx(last.face_to_face_m + depth_m)


@pytest.mark.parametrize("name", ["riser", "right outlet", "display return", "scrubber line"])
def test_pieces_saw_cuts_and_offcuts_make_up_the_sticks_of_every_pipe(name: str) -> None:
    system = example()
    found = cut_list(system.network, renewed(system.network, name), catalog(), load_stick_rules())
    renewed_pipes = [p for p in system.network.runs[name].parts if p.kind is Kind.PIPE]

    assert len(found.pieces) == len(renewed_pipes)
    marks = [mark for pipes in found.pipes for stick in pipes.plan.sticks for mark in pipes.marks(stick.cuts)]
    assert sorted(marks, key=int) == [piece.mark for piece in found.pieces]
    for pipes in found.pipes:
        for stick in pipes.plan.sticks:
            assert sum(stick.pieces_m) + stick.saw_m + stick.offcut_m == pytest.approx(stick.length_m)
            assert 0 <= stick.saw_m <= len(stick.cuts) * KERF_M + 1e-9
        assert pipes.plan.proved


def test_pipe_that_the_owner_has_is_used_first() -> None:
    system = example()
    plan = renewed(system.network, "right outlet")
    own = {"sch40-pipe-075": [1.3]}

    bought = cut_list(system.network, plan, catalog(), load_stick_rules())
    saved = cut_list(system.network, plan, catalog(), load_stick_rules(), owned_m=own)

    assert bought.pipes[0].plan.cost_cents > 0
    assert saved.pipes[0].plan.cost_cents == 0
    assert saved.pipes[0].plan.sticks[0].owned


def test_another_store_sells_other_sticks() -> None:
    system = example()
    plan = renewed(system.network, "right outlet")
    found = cut_list(system.network, plan, catalog(), load_stick_rules(), store="supply house")

    assert found.pipes[0].plan.bought == ((3.048, 1),)
