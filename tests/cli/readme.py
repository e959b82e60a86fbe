"""The README's commands and what it shows of their output.

    python tests/cli/readme.py

writes today's output and the tables of rules and of terms, and with `--times` today's times, into the README.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT))  # run by hand, the copy that the README lies in is the one that it tells of

from optimizer.documents.rules_table import rules_markdown  # noqa: E402
from optimizer.documents.terms import terms_markdown  # noqa: E402

README = ROOT / "README.md"
_CONSOLE = re.compile(r"(?<=```console\n).*?(?=```)", re.DOTALL)
_PYTHON = re.compile(r"(?<=```python\n).*?(?=```)", re.DOTALL)
_YAML = re.compile(r"(?<=```yaml\n).*?(?=```)", re.DOTALL)
_SHELL = re.compile(r"(?<=```sh\n).*?(?=```)", re.DOTALL)
_RULES = re.compile(r"(?<=<!-- rules -->\n).*?(?=<!-- end of rules -->)", re.DOTALL)
_TERMS = re.compile(r"(?<=<!-- terms -->\n).*?(?=<!-- end of terms -->)", re.DOTALL)
_TIMES = re.compile(r"(?<=<!-- times -->\n).*?(?=<!-- end of times -->)", re.DOTALL)


def readme() -> str:
    return README.read_text(encoding="utf-8")


def shown() -> list[tuple[str, str]]:
    """Return every (command, output) of the README's console blocks, in order."""
    return [pair for block in _CONSOLE.findall(readme()) for pair in _pairs(block)]


def _pairs(block: str) -> list[tuple[str, str]]:
    """Return the commands of one block, which begin with `$ `, each with the lines up to the next."""
    pieces = re.split(r"^\$ (.*)\n", block, flags=re.MULTILINE)
    return list(zip(pieces[1::2], pieces[2::2], strict=True))


def shell_lines() -> list[str]:
    """Return the lines of the README's shell blocks."""
    return [line for block in _SHELL.findall(readme()) for line in block.splitlines()]


def python_blocks() -> list[str]:
    return _PYTHON.findall(readme())


def yaml_blocks() -> list[str]:
    return _YAML.findall(readme())


def rules_table() -> str:
    """Return the table of rules as it stands in the README."""
    (table,) = _RULES.findall(readme())
    return table


def terms_table() -> str:
    """Return the table of terms as it stands in the README."""
    (table,) = _TERMS.findall(readme())
    return table


def timed_commands() -> list[str]:
    """Return the commands of the table of times."""
    return [command for table in _TIMES.findall(readme()) for command in re.findall(r"`(retrofit [^`]+)`", table)]


def with_output(text: str, run: Callable[[str], str]) -> str:
    """Return the README's text with the output of its commands as it comes now."""
    return _CONSOLE.sub(lambda block: "".join(f"$ {one}\n{run(one)}" for one, _ in _pairs(block.group())), text)


def _run_in(folder: str) -> Callable[[str], str]:
    code = "import sys; from optimizer.cli import main; sys.exit(main(prog_name='retrofit'))"
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT)}

    def run(command: str) -> str:
        words = [sys.executable, "-c", code, *shlex.split(command)[1:]]
        return subprocess.run(words, cwd=folder, env=surroundings, check=True, stdout=subprocess.PIPE, text=True).stdout

    return run


def main() -> None:
    text = readme()
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "examples", Path(folder) / "examples")
        text = with_output(text, _run_in(folder))
    text = _RULES.sub(lambda _: rules_markdown(), text)
    text = _TERMS.sub(lambda _: terms_markdown(), text)
    if "--times" in sys.argv:
        words = [sys.executable, str(ROOT / "tests" / "benchmarks" / "command_times.py")]
        table = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
        text = _TIMES.sub(lambda _: table, text)
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
