"""Edits of texts: what was meant stands there afterwards, and every other byte is as it was.

What a text says is told by the plain loader of ruamel.yaml, which knows nothing of the tree that is edited here.
"""

from __future__ import annotations

import copy
import io
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML
from written_ways import EXAMPLES, ROOT, WAYS, example, written

from optimizer.edits.splice import insert, move, remove, set_value

NEW: tuple[Any, ...] = (
    *(
        "elbow",
        "pipe 8 ft 6 in",
        "6'-4\"",
        "a: b",
        "x # y",
        "[1, 2]",
        "",
        "null",
        "- 3",
        "ünder",
        "#1",
        "two, three",
        "&a",
    ),
    *(
        "'quoted'",
        "yes",
        "10 %",
        "*b",
        "! no",
        "? what",
        "@home",
        "a\nb",
        "end:",
        " blank ",
        "% 5",
        "!x",
        "{y",
        "\U0001f41f",
    ),
)
COLLECTIONS: tuple[Any, ...] = ({"part": "elbow", "keep": "yes"}, ["1 in", "a, b"], {"a": {"b": ["c", {"d": "e: f"}]}})


def loaded(text: str) -> Any:
    """Return the data of a text, every scalar a string."""
    return YAML(typ="base", pure=True).load(io.StringIO(text.removeprefix("\ufeff")))


def paths(data: Any, above: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ():
        yield (*above, key)
        yield from paths(value, (*above, key))


def inside(data: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        data = data[key]
    return data


def is_part_of(short: str, long: str) -> bool:
    """Return whether all signs of one text stand in the other in the same order."""
    rest = iter(long)
    return all(sign in rest for sign in short)


def without_quotes(text: str) -> str:
    return text.replace("'", "").replace('"', "")


def without_breaks(text: str) -> str:
    return text.replace("\r", "").replace("\n", "")


def reach(text: str, path: tuple[Any, ...]) -> tuple[int, int]:
    """Return from where to where an edit at a path may go, by the marks of ruamel.yaml.

    A text goes from its first sign to its last. Anything else has whole lines, down to the line of its last text, with
    the comments behind it that stand further in.
    """
    node = YAML(typ="rt", pure=True).compose(text)
    begin = node.start_mark.index
    for key in path:
        if isinstance(key, int):
            node = node.value[key]
            begin = node.start_mark.index
        else:
            name, node = next(pair for pair in node.value if pair[0].value == key)
            begin = name.start_mark.index
    if isinstance(node.value, str) and node.value and "\n" not in text[node.start_mark.index : node.end_mark.index]:
        return node.start_mark.index, node.end_mark.index
    start = max(text.rfind(sign, 0, begin) for sign in "\r\n") + 1
    column = len(text[start:begin]) - len(text[start:begin].lstrip(" "))
    end = _line_end(text, max(_last_sign(node), begin))
    while (found := re.compile(r"(?:\r\n|\n)( *)#[^\r\n]*").match(text, end)) and len(found[1]) > column:
        end = found.end()
    return start, min(end + len("\r\n"), len(text))


def _last_sign(node: Any) -> int:
    """Return where the last text or bracket of a value ends; block end marks lie behind comments."""
    if isinstance(node.value, str):
        return int(node.end_mark.index) if node.value else 0
    if node.flow_style:
        return int(node.end_mark.index)
    return max(
        (_last_sign(one) for child in node.value for one in (child if isinstance(child, tuple) else (child,))),
        default=0,
    )


def _line_end(text: str, at: int) -> int:
    found = re.compile(r"\r\n|\n").search(text, at)
    return found.start() if found else len(text)


def assert_kept(text: str, after: str, path: tuple[Any, ...]) -> None:
    """What stands outside of the reach of a path is there as it was."""
    text, after = text.removeprefix("\ufeff"), after.removeprefix("\ufeff")
    start, end = reach(text, path)
    assert after.startswith(text[:start])
    assert after.endswith(text[end:])


def one_edit(text: str, chance: random.Random) -> str:
    """Make one edit at random and hold it against the same done to the data; return the new text."""
    data = loaded(text)
    path = chance.choice(list(paths(data)))
    parent, last, old = inside(data, path[:-1]), path[-1], inside(data, path)
    expected = copy.deepcopy(data)
    where = inside(expected, path[:-1])
    name = f"new {chance.randrange(10**9)}"
    kind = chance.choice(["set", "set", "collection", "insert", "insert", "remove", "move"])
    if kind == "set":
        value = chance.choice(NEW)
        after = set_value(text, path, value)
        where[last] = value
        assert_kept(text, after, path)
        if isinstance(old, str):
            assert without_quotes(set_value(after, path, old)) == without_quotes(
                text
            )  # quotes stay once they are there
    elif kind == "collection":
        value = chance.choice(COLLECTIONS)
        after = set_value(text, path, value)
        where[last] = value
        start, end = reach(text.removeprefix("\ufeff"), path)
        assert_kept(text, after, path if start < end and not isinstance(old, str) else path[:-1])
    elif kind == "insert":
        value = chance.choice((*NEW, *COLLECTIONS))
        if isinstance(parent, list):
            after = insert(text, path[:-1], last, value)
            where.insert(last, value)
            assert remove(after, path) == text
        else:
            after = insert(text, path[:-1], name, value)
            where[name] = value
            back = remove(after, (*path[:-1], name))
            assert back == text or (len(path) == 1 and without_breaks(back) == without_breaks(text))  # a blank line
        assert is_part_of(text, after)
    elif kind == "remove":
        if len(parent) == 1 and len(path) == 1:
            return text
        after = remove(text, path)
        del where[last]
        assert_kept(text, after, path[: len(path) - (len(parent) == 1 or isinstance(old, str))])
        assert is_part_of(after.replace("[]", "").replace("{}", ""), text)
    else:
        if not isinstance(parent, list):
            after = move(text, path, (*path[:-1], name))
            assert move(after, (*path[:-1], name), path) == text
            expected = copy.deepcopy(data)
            where = inside(expected, path[:-1])
            where[name] = where.pop(last)
        else:
            to = chance.randrange(len(parent))
            after = move(text, path, (*path[:-1], to))
            where.insert(to, where.pop(last))
            assert_kept(text, after, path[:-1])
            assert sorted(without_breaks(after)) == sorted(without_breaks(text))
    assert loaded(after) == expected, (kind, path)
    assert after.startswith("\ufeff") == text.startswith("\ufeff")
    assert "\r\n" not in text or "\n" not in after.replace("\r\n", "")
    return after


def edits(path: Path, way: str, seeds: range) -> None:
    """Make edits one upon another, in texts that say what the example says."""
    text = written(example(path), way, seeds.start)
    assert loaded(text) == loaded(example(path))
    for seed in seeds:
        after = one_edit(text, random.Random(seed))
        if seed % 4:  # now and then from the edited text on
            text = after


@pytest.mark.parametrize("way", WAYS)
def test_what_was_meant_stands_there_and_every_other_byte_is_kept(way: str) -> None:
    edits(ROOT / "examples" / "single-return.yaml", way, range(6))


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_two_thousand_edits_of_all_examples(path: Path, way: str) -> None:
    for start in range(100, 132, 8):
        edits(path, way, range(start, start + 8))
