"""The take-off, the checks and the search hand on codes and values; sentences are worded in one package."""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import optimizer
from optimizer.model.note import Note
from optimizer.wording.notes import _BETWEEN, _SHOWN, note_json, note_words, sayings

PACKAGE = Path(optimizer.__file__).parent
MUTE = ("takeoff", "verify", "search")
MOST_WORDS = 4  # a name, such as `the tee at` a point; what has more words is a sentence
FIELD = re.compile(r"\{(\w+)(?:!r)?(?::([^}]*))?\}")
CODE_IN_PARTS = {f"over, {what}" for what in ("flow", "volume", "height", "pressure")}  # by the quantity of a check


@cache
def sources() -> list[tuple[Path, ast.Module]]:
    files = sorted(PACKAGE.rglob("*.py"))
    return [(path.relative_to(PACKAGE), ast.parse(path.read_text(encoding="utf-8"))) for path in files]


def not_printed(tree: ast.Module) -> set[int]:
    """Return what is no text of an answer: docstrings, codes of notes, errors that a caller is told of."""
    found: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            found.add(id(node.value))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "note" and node.args:
            found |= {id(each) for each in ast.walk(node.args[0])}
        if isinstance(node, (ast.Raise, ast.Assert)):
            found |= {id(each) for each in ast.walk(node)}
    return found


def texts(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of what a file may print, an f-string as one with its values left out."""
    skipped = not_printed(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and id(node) not in skipped:
            skipped |= {id(each) for each in ast.walk(node)}
            yield node.lineno, " ".join(each.value for each in node.values if isinstance(each, ast.Constant))
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skipped:
            yield node.lineno, node.value


@pytest.mark.parametrize("package", MUTE)
def test_no_sentence_is_made_where_plans_are(package: str) -> None:
    told = [
        f"{path}:{line}: {text}"
        for path, tree in sources()
        if path.parts[0] == package
        for line, text in texts(tree)
        if len(re.findall(r"[A-Za-z][\w']*", text)) > MOST_WORDS
    ]

    assert told == []


def codes() -> set[str]:
    """Return every code that a source file writes into a note, also where one of two is chosen or it is named."""
    found: set[str] = set(CODE_IN_PARTS)
    for _, tree in sources():
        names = {
            target.id: node.value
            for node in ast.walk(tree)
            if isinstance(node, ast.Assign)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "note" and node.args:
                first = node.args[0]
                if isinstance(first, ast.Name) and first.id in names:
                    first = names[first.id]
                branches = (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,)
                found |= {each.value for each in branches if isinstance(each, ast.Constant)}
    return found


def test_every_code_is_worded_and_every_wording_has_its_code() -> None:
    known = codes()
    indirect = {"ABS cement", "transition cement", "best so far", "none at all cheaper"}  # named elsewhere
    indirect |= {"cheaper refused", "cheapest refused"}

    assert known - set(sayings()) == set()
    assert set(sayings()) - known - indirect == set()


def test_no_code_is_worded_twice() -> None:
    from optimizer.wording import checks, mishaps, search, studies, work

    tables = [checks.FLOWS, checks.CHECK, checks.SAFETY, checks.CARD, mishaps.SAYS, search.ENDED, search.PLAN]
    tables += [search.NO_PLAN, studies.WAYS_OUT, studies.KINDS, studies.FRONTIER, work.SAYS]

    assert sum(map(len, tables)) == len(sayings())


SHOWS = sorted(code for code, says in sayings().items() if isinstance(says, str))


@pytest.mark.parametrize("code", SHOWS)
def test_a_sentence_shows_every_one_of_its_values(code: str) -> None:
    says = sayings()[code]
    assert isinstance(says, str)
    values: dict[str, object] = {"currency": "USD"}
    for name, shown in FIELD.findall(says):
        several = shown in _BETWEEN
        number = shown in _SHOWN or shown in ("money", "g", ",", ".0f", ".4g")
        values[name] = ("one", "two") if several else 7 if number else name
    told = Note(code, tuple(values.items()))  # type: ignore[arg-type]

    text = note_words(told, "metric")
    assert "{" not in text
    assert all(name in text for name, value in values.items() if value == name)
    assert note_json(told, "metric")["text"] == text


def test_a_note_cannot_be_printed_unworded() -> None:
    with pytest.raises(TypeError, match="worded"):
        f"{Note('time limit')}"


def test_wording_knows_nothing_of_how_plans_are_found() -> None:
    import optimizer.wording.notes as wording

    assert "optimizer.search" not in inspect.getsource(wording)
