"""Which part of a planned run stood where in the old one."""

from __future__ import annotations

from dataclasses import replace

from optimizer.joints.standing import cut_from, old_places
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Part

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
