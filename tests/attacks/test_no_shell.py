"""The program is written for Windows and macOS too: no shell, no fork, no separator assumed. Read from its source.

It was not run on either; what is told here is that it asks for nothing that only one system has, or asks first.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent.parent / "optimizer"
FORBIDDEN = {
    *(
        "os.fork",
        "os.forkpty",
        "os.system",
        "os.popen",
        "os.spawnl",
        "os.spawnv",
        "os.execv",
        "os.execl",
        "os.posix_spawn",
    ),
    *("os.getuid", "os.geteuid", "os.chown", "os.mkfifo", "os.link", "os.symlink", "os.setsid", "os.killpg", "os.nice"),
    *("signal.alarm", "signal.setitimer", "signal.pause", "tempfile.mktemp"),
}
FOREIGN = {"subprocess", "multiprocessing", "pty", "fcntl", "resource", "termios", "grp", "pwd", "msvcrt", "winreg"}
MODULES = sorted(PACKAGE.rglob("*.py"))


def calls(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            yield f"{node.value.id}.{node.attr}"


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module.split(".")[0]


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_calls_what_only_one_system_has(module: Path) -> None:
    tree = ast.parse(module.read_text(encoding="utf-8"))

    assert not FORBIDDEN & set(calls(tree))
    assert not FOREIGN & set(imported(tree))


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_text_files_are_opened_with_their_encoding_told(module: Path) -> None:
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            told = {keyword.arg for keyword in node.keywords}
            if node.func.attr in ("read_text", "write_text"):
                assert "encoding" in told, f"{module.name}:{node.lineno}"
            if node.func.attr == "open" and isinstance(node.func.value, ast.Name):
                words = [word.value for word in node.args if isinstance(word, ast.Constant)]
                binary = any(isinstance(word, str) and "b" in word for word in words)
                assert binary or "encoding" in told or node.func.value.id == "os", f"{module.name}:{node.lineno}"


def test_no_path_is_put_together_with_a_separator() -> None:
    joined = re.compile(r"""(?:os\.sep|os\.path\.join|/tmp/|\\\\tmp)""")

    assert not [path.name for path in MODULES if joined.search(path.read_text(encoding="utf-8"))]
