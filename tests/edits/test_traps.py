"""Places in YAML where an edit could take too much or too little with it, each with the exact text that comes out."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from optimizer.edits.splice import has, insert, move, path_at, remove, set_value, value_at
from optimizer.errors import EditError

BLOCK = "a:\n  b: 1   # of b\n\n# of c\nc: 2\n"
REPEATED = "a: &x\n  - one\n  - two   # c\nb: *x\n"
WRAPPED = "p: [a,   # one\n    b,\n    # about c\n    c   # three\n   ]\n"
LONG = "q: [a, b,\n    c, d]   # tail\n"
OPEN = "s: [\n  a,\n  b,\n]\n"
COMPACT = "a:\n  - x: 1   # q\n    y: 2\n  - z: 1\n"
Edit = Callable[[], str]


@pytest.mark.parametrize(
    ("edit", "after"),
    [
        # A block's end mark lies behind the comments that follow; they stay, and what is new comes before them.
        (lambda: set_value(BLOCK, ("a", "b"), "3"), "a:\n  b: 3   # of b\n\n# of c\nc: 2\n"),
        (lambda: insert(BLOCK, ("a",), "d", "4"), "a:\n  b: 1   # of b\n  d: 4\n\n# of c\nc: 2\n"),
        (lambda: remove(BLOCK, ("a",)), "\n# of c\nc: 2\n"),
        (lambda: remove("a:\n  b: 1\n  # more: 2\n# of c\nc: 2\n", ("a",)), "# of c\nc: 2\n"),
        (
            lambda: insert("p:\n  a:\n    b: 1\n    # c: 2\n", ("p",), "d", {"e": []}),
            "p:\n  a:\n    b: 1\n    # c: 2\n  d:\n    e: []\n",
        ),
        # An empty value has no place of its own.
        (lambda: set_value("a:     # none\nb: 1\n", ("a",), "x"), "a: x     # none\nb: 1\n"),
        (lambda: set_value("a:     # none\nb: 1\n", ("a", "k"), "v"), "a:     # none\n  k: v\nb: 1\n"),
        (lambda: set_value("b: 1\na:", ("a", "k"), "v"), "b: 1\na:\n  k: v"),
        (lambda: set_value("a: {z}\n", ("a", "z"), "v"), "a: {z: v}\n"),
        (lambda: insert("a:\n  -\n  - x\n", ("a",), 1, "y"), "a:\n  -\n  - y\n  - x\n"),
        (lambda: set_value("a:\n  -\n  - x\n", ("a", 0), "y"), "a:\n  - y\n  - x\n"),
        # The last one leaves an empty list or mapping, into which lines come back.
        (lambda: remove("a:   # c\n  - x   # d\nb: 1\n", ("a", 0)), "a: []   # c\nb: 1\n"),
        (lambda: insert("a: []   # c\nb: 1\n", ("a",), 0, "x"), "a:   # c\n  - x\nb: 1\n"),
        (lambda: remove("a: {x: 1}\n", ("a", "x")), "a: {}\n"),
        (lambda: insert("a: [ # c\n   ]\n", ("a",), 0, "x"), "a: [x # c\n   ]\n"),
        # Lists in brackets over several lines keep their lines and their comments.
        (lambda: insert(WRAPPED, ("p",), 1, "N"), WRAPPED.replace("    b,", "    N,\n    b,")),
        (lambda: insert(WRAPPED, ("p",), 3, "N"), WRAPPED.replace("c   # three", "c,   # three\n    N")),
        (lambda: remove(WRAPPED, ("p", 0)), "p: [   # one\n    b,\n    # about c\n    c   # three\n   ]\n"),
        (lambda: remove(WRAPPED, ("p", 1)), "p: [a,   # one\n    # about c\n    c   # three\n   ]\n"),
        (lambda: remove(WRAPPED, ("p", 2)), "p: [a,   # one\n    b,\n    # about c\n   ]\n"),
        (lambda: insert(LONG, ("q",), 2, "N"), "q: [a, b,\n    N,\n    c, d]   # tail\n"),
        (lambda: remove(LONG, ("q", 1)), "q: [a,\n    c, d]   # tail\n"),
        (lambda: remove(LONG, ("q", 2)), "q: [a, b,\n    d]   # tail\n"),
        (lambda: insert(OPEN, ("s",), 2, "N"), "s: [\n  a,\n  b,\n  N\n]\n"),
        (lambda: remove(OPEN, ("s", 1)), "s: [\n  a,\n]\n"),
        # A part in braces becomes a longer one, and a longer text.
        (lambda: set_value("p: [a, {part: b}]\n", ("p", 1, "keep"), True), "p: [a, {part: b, keep: yes}]\n"),
        (lambda: set_value("p:\n  - a   # c\n", ("p", 0), {"part": "a"}), "p:\n  - {part: a}   # c\n"),
        (lambda: set_value("p: [a]\n", ("p", 0), "b, c"), "p: ['b, c']\n"),
        # Mappings and lists that begin on the line of a dash.
        (lambda: remove(COMPACT, ("a", 0, "x")), "a:\n  - y: 2\n  - z: 1\n"),
        (lambda: remove(COMPACT, ("a", 1, "z")), "a:\n  - x: 1   # q\n    y: 2\n  - {}\n"),
        (lambda: move(COMPACT, ("a", 0), ("a", 1)), "a:\n  - z: 1\n  - x: 1   # q\n    y: 2\n"),
        (lambda: insert(COMPACT, ("a", 0), "n", "m", after=""), "a:\n  - n: m\n    x: 1   # q\n    y: 2\n  - z: 1\n"),
        (lambda: insert("f:\n- a\n- b\n", ("f",), 1, {"k": "v"}), "f:\n- a\n- {k: v}\n- b\n"),
        (lambda: remove("a:\n  - - x\n    - y\n", ("a", 0, 0)), "a:\n  - - y\n"),
        # A line of a list moves with its comment, into a list further in as well.
        (lambda: move("a:\n  - x   # x\n  - y\n", ("a", 0), ("a", 1)), "a:\n  - y\n  - x   # x\n"),
        (lambda: move("a:\n  - x   # x\nb:\n    - y\n", ("a", 0), ("b", 1)), "a: []\nb:\n    - y\n    - x   # x\n"),
        (lambda: move("a:\n  - x   # x\n  - y\nb: []\n", ("a", 0), ("b", 0)), "a:\n  - y\nb:\n  - x   # x\n"),
        (lambda: move(LONG, ("q", 0), ("q", 2)), "q: [b, c,\n    a, d]   # tail\n"),
        (lambda: move(OPEN, ("s", 0), ("s", 1)), "s: [\n  b,\n  a,\n]\n"),
        (lambda: move(WRAPPED, ("p", 0), ("p", 2)), "p: [b,\n    c,   # three\n    # about c\n    a   # one\n   ]\n"),
        # Quotes where they are needed, and those that were there.
        (lambda: set_value("a: 'x'\n", ("a",), "it's"), "a: 'it''s'\n"),
        (lambda: set_value('a: "x"\n', ("a",), 'a "b"'), 'a: "a \\"b\\""\n'),
        (lambda: set_value("a: x\n", ("a",), ""), "a: ''\n"),
        (lambda: set_value("a: x\n", ("a",), "null"), "a: 'null'\n"),
        (lambda: set_value("a: x\n", ("a",), None), "a: null\n"),
        (lambda: set_value("a: x\n", ("a",), 1.5), "a: 1.5\n"),
        # Texts over lines, marks of a document, tabs, keys that repeat.
        (lambda: set_value("a: |\n  one\n\n  two\n\n# b\nb: 1\n", ("a",), "x"), "a: x\n\n# b\nb: 1\n"),
        (lambda: set_value("a: one\n  two # c\n", ("a",), "x"), "a: x # c\n"),
        (lambda: insert("---\na: 1\n...\n", (), "b", "2"), "---\na: 1\nb: 2\n...\n"),
        (lambda: set_value("a:\t1\nb:\t[x,\ty]\n", ("b", 1), "z"), "a:\t1\nb:\t[x,\tz]\n"),
        (lambda: set_value("a: 1\na: 2\nb: 3\n", ("b",), "4"), "a: 1\na: 2\nb: 4\n"),
        (lambda: insert("a: 1\rc:\r  - 1\r", ("c",), 1, "2"), "a: 1\rc:\r  - 1\r  - 2\r"),
        (lambda: set_value("{a: 1}\n", ("b", "c"), "x: y"), "{a: 1, b: {c: 'x: y'}}\n"),
        # A mapping or list is changed where it differs alone.
        (
            lambda: set_value("a:\n  x: 1   # q\n  # of y\n  y: [1, 2]\n", ("a",), {"y": ["1", "3"], "w": "5"}),
            "a:\n  # of y\n  y: [1, 3]\n  w: 5\n",
        ),
        # What repeats another place may give way as a whole.
        (lambda: set_value(REPEATED, ("b",), "x"), "a: &x\n  - one\n  - two   # c\nb: x\n"),
        (lambda: remove(REPEATED, ("b",)), "a: &x\n  - one\n  - two   # c\n"),
        (lambda: set_value("a: &x {k: v}\nb: 1\n", ("a", "k"), "w"), "a: &x {k: w}\nb: 1\n"),
    ],
)  # fmt: skip
def test_an_edit_takes_its_own_bytes_and_no_more(edit: Edit, after: str) -> None:
    assert edit() == after


@pytest.mark.parametrize(
    ("edit", "why"),
    [
        (lambda: set_value(REPEATED, ("b", 0), "x"), r"line 4: '\*x' repeats what stands at '&x'"),
        (lambda: set_value(REPEATED, ("a", 0), "x"), r"line 1: a > 0 is repeated elsewhere in the file by '\*x'"),
        (lambda: remove(REPEATED, ("a",)), "line 1: the change would leave .* undefined alias 'x'"),
        (lambda: remove("? a\n: 1\nb: 2\n", ("a",)), "line 1: the change would .*; make it in an editor"),
        (lambda: insert("e: [p: q]\n", ("e", 0), "k", "v"), "a pair without { }"),
        (lambda: remove("a: 1\n", ("a",)), "the only key of the file"),
        (lambda: insert("a: 1\n", (), "a", "2"), "'a' is there already in the file"),
        (lambda: move("a: 1\nb: 2\n", ("a",), ("b",)), "'b' is there already"),
        (lambda: move("a: {x: 1}\nb: 2\n", ("a", "x"), ("c",)), "allowed: an item into a list"),
        (lambda: insert("a: [x]\n", ("a",), 3, "y"), "index 3 in a; it has 1"),
        (lambda: remove("a: [x]\n", ("a", -1)), "line 1: no -1 in a, which has 1 items"),
        (lambda: remove("a: {x: 1}\n", ("a", "y")), "line 1: no 'y' in a, which has x"),
        (lambda: insert("a: x\n", ("a",), 0, "y"), "a is no list and no mapping"),
        (lambda: set_value("a: [x, y\n", ("a",), "z"), "line 2: found text that is not YAML"),
        (lambda: set_value("a: *b\n", ("a",), "z"), "undefined alias 'b'"),
        (lambda: set_value("a: 1\n---\nb: 2\n", ("a",), "z"), "another document"),
        (lambda: set_value("# nothing\n", ("a",), "z"), "an empty file"),
        (lambda: set_value("a: 1\n", ("a",), object()), "allowed: texts, numbers"),
        (lambda: set_value("a: 1\n", ("",), "x"), "a key without a name"),
        (lambda: set_value("[" * 40 + "]" * 40, (0,), "x"), "nested more than 20 deep"),
    ],
)
def test_what_would_harm_something_else_is_refused(edit: Edit, why: str) -> None:
    with pytest.raises(EditError, match=why):
        edit()


def test_a_bomb_of_repetitions_is_edited_without_being_unfolded() -> None:
    bomb = "a0: &a0 [x, x]\n" + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 40))

    assert set_value(bomb + "b: 1\n", ("b",), "2") == bomb + "b: 2\n"


def test_a_place_of_the_text_leads_to_what_is_written_there() -> None:
    text = "\ufeffruns:\r\n  riser:\r\n    parts: [elbow, {part: union, keep: yes}]\r\n"

    assert path_at(text, 1, 1) == ("runs",)
    assert path_at(text, 3, 13) == ("runs", "riser", "parts", 0)
    assert path_at(text, 3, 27) == ("runs", "riser", "parts", 1, "part")
    assert value_at(text, ("runs", "riser", "parts", 1)) == {"part": "union", "keep": "yes"}
    assert has(text, ("runs", "riser"))
    assert not has(text, ("runs", "riser", "parts", 2))
