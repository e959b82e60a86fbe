"""What the program's own source says, read once for all tests of it: what it imports, and what it calls."""

from __future__ import annotations

import ast
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "optimizer"
MODULES = sorted(path.relative_to(ROOT) for path in PACKAGE.rglob("*.py") if "data" not in path.parts)


@dataclass
class Source:
    """Of one file: dotted names that it imports, wherever in it; `name.attribute` of all names; lines to look at."""

    imports: list[str] = field(default_factory=list)
    attributes: set[str] = field(default_factory=set)
    relative: list[int] = field(default_factory=list)  # lines of imports by a relative name
    no_encoding: list[int] = field(default_factory=list)  # lines of text files opened without their encoding told
    literals: list[str] = field(default_factory=list)  # strings of several words, docstrings apart


@cache
def source(module: Path) -> Source:
    """Return what a file of the program (its path from the root) says."""
    found, docstrings = Source(), set[int]()
    for node in ast.walk(ast.parse((ROOT / module).read_text(encoding="utf-8"))):
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef)):  # comes before what is in it
            docstrings |= {id(first.value) for first in node.body[:1] if isinstance(first, ast.Expr)}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.literals += [node.value] if " " in node.value and id(node) not in docstrings else []
        elif isinstance(node, ast.Import):
            found.imports += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            found.imports += [f"{node.module}.{alias.name}" for alias in node.names]
            found.relative += [node.lineno] if node.level else []
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            found.attributes.add(f"{node.value.id}.{node.attr}")
        elif isinstance(node, ast.Call) and not _tells_its_encoding(node):
            found.no_encoding.append(node.lineno)
    return found


def _tells_its_encoding(call: ast.Call) -> bool:
    """Return whether a call opens no text file, or says in which encoding."""
    told, opened = {keyword.arg for keyword in call.keywords}, call.func
    if not isinstance(opened, ast.Attribute):
        return True
    if opened.attr in ("read_text", "write_text"):
        return "encoding" in told
    if opened.attr == "open" and isinstance(opened.value, ast.Name):
        words = [word.value for word in call.args if isinstance(word, ast.Constant)]
        binary = any(isinstance(word, str) and "b" in word for word in words)
        return binary or "encoding" in told or opened.value.id == "os"
    return True
