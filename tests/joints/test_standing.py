"""Which part of a planned run stood where in the old one."""

from __future__ import annotations

from dataclasses import replace

from optimizer.joints.chains import new_part
from optimizer.joints.standing import cut_from, old_places
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Part
from optimizer.read.catalogs import load_catalog

_SPIGOT = End(Form.SPIGOT, "3/4 in", SizeSystem.IPS)


def pipe(length_m: float) -> Part:
    return Part(Kind.PIPE, (_SPIGOT, _SPIGOT), (0.02, 0.02), length_m=length_m, existing=True)


def test_a_piece_sawn_off_one_pipe_is_not_taken_for_another_that_is_as_long() -> None:
    first, valve, last = pipe(1.0), replace(pipe(0.0), kind=Kind.BALL_VALVE), pipe(0.5)
    new = replace(pipe(0.5), existing=False, condition=first.condition, name="new")
    planned = [replace(first, length_m=0.5), new, valve, last]
    places = old_places(planned, [first, valve, last])

    assert places == [None, None, 1, 2]
    assert cut_from(planned[0], [first, valve, last], 0, places) == 0


def test_parts_that_are_like_those_of_the_old_run_stood_there_though_they_are_read_anew() -> None:
    old = [pipe(1.0), pipe(0.5)]

    assert old_places([replace(part) for part in old], old) == [0, 1]


def test_pieces_of_two_pipes_that_are_as_long_come_each_from_the_one_beside_what_stays() -> None:
    # The start of the first pipe stays, and the end of the second one; the elbow between them goes.
    shelf = load_catalog()
    row = shelf.pipe("sch 40 PVC", "3/4 in")
    elbow = next(i for i in shelf.of_kind(Kind.ELBOW) if i.description.startswith("3/4 in. sch 40 PVC 90°"))
    pipes = [replace(new_part(row, length_m=1.0), existing=True, place=f"line {i}") for i in range(2)]
    stood = [replace(new_part(elbow), existing=True, place="before"), pipes[0], new_part(elbow), pipes[1]]
    stood.append(replace(new_part(elbow), existing=True, place="behind"))
    pieces = [replace(pipes[0], length_m=0.4), replace(pipes[1], length_m=0.3)]
    planned = [stood[0], pieces[0], new_part(elbow), pieces[1], stood[4]]
    places = old_places(planned, stood)

    assert cut_from(pieces[0], stood, 1, places) == 1
    assert cut_from(pieces[1], stood, 3, places) == 3
