"""What the README says is what happens: its commands run as written, and their output is the one it shows."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from readme import python_blocks, readme, shell_lines, shown, timed_commands, yaml_blocks
from running import ROOT, Retrofit

import optimizer
from optimizer.cli import main

REFRESH = "the README shows another output; python tests/cli/readme.py writes today's"


def told(output: str) -> str:
    """Return what must be the same on any machine: of a plan the least cost, for plans as cheap may differ in parts."""
    least = re.search(r"counts what is used, (\S+)", output)
    return least.group(1) if least else output


LONG = ("retrofit frontier", "retrofit draw")  # many plans: seconds each


def shows(retrofit: Retrofit, command: str, output: str) -> None:
    program, *words = shlex.split(command)
    result = retrofit(*words)
    assert program == "retrofit"
    assert result.exit_code == 0, command
    assert told(result.stdout) == told(output), REFRESH


@pytest.mark.long
def test_the_commands_of_the_readme_show_what_they_print(retrofit: Retrofit) -> None:
    quick = [(command, output) for command, output in shown() if not command.startswith(LONG)]
    assert len(quick) >= 4
    for command, output in quick:
        shows(retrofit, command, output)


@pytest.mark.slow
def test_the_longer_commands_of_the_readme_show_what_they_print(retrofit: Retrofit) -> None:
    for command, output in shown():  # all: the later ones may look at what the others write
        shows(retrofit, command, output)


@pytest.mark.long
def test_the_commands_that_were_timed_run(retrofit: Retrofit) -> None:
    commands = timed_commands()
    assert len(commands) >= 10
    for command in {one for one in commands if "cellar" not in one}:  # the longest are run by the tests above
        assert retrofit(*shlex.split(command)[1:]).exit_code == 0, command


@pytest.mark.slow
def test_the_first_command_of_a_fresh_machine_writes_the_workbook(retrofit: Retrofit, here: Path) -> None:
    install, plan = shell_lines()[0].split(" && ")

    assert install == "python -m pip install ."
    assert retrofit(*shlex.split(plan)[1:]).exit_code == 0
    assert (here / "parts.xlsx").read_bytes().startswith(b"PK")


def test_the_checks_before_a_merge_run_the_readme_s_test_command() -> None:
    assert shell_lines()[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


@pytest.mark.long
def test_the_python_of_the_readme_runs_as_written(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (code,) = python_blocks()
    exec(code, {"__name__": "__main__"})

    assert "optimal: " in capsys.readouterr().out
    assert (here / "cellar-sump.xlsx").exists()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_a_page_points_at_is_there(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)#]+)\)", text):
        assert link.startswith("https://") or (ROOT / link).exists(), link


def test_the_run_that_the_readme_writes_down_can_be_read(here: Path) -> None:
    starter = (here / "examples" / "starter.yaml").read_text(encoding="utf-8")
    runs_and_targets, rules = yaml_blocks()
    mine = "\n".join((starter.split("\nruns:")[0], runs_and_targets, rules))
    (here / "mine.yaml").write_text(mine, encoding="utf-8")

    system, _catalog = optimizer.read_system(here / "mine.yaml")

    assert len(system.network.runs["return line"].parts) == 9
    assert system.second_pump is not None


def test_the_readme_names_every_command() -> None:
    for name in main.commands:
        assert f"`retrofit {name} " in readme()


def test_a_public_name_stays_what_it_is_after_its_first_use(here: Path) -> None:
    """`optimizer.read` is a package that loading a file brings in; the public names must not be covered by such."""
    for _ in range(2):
        system, _catalog = optimizer.read_system("examples/single-return.yaml")
        assert optimizer.flows(system).flows_m3_s
    assert all(getattr(optimizer, name) for name in optimizer.__all__)
    assert set(optimizer.__all__) <= set(dir(optimizer))
    with pytest.raises(AttributeError, match="nonsense"):
        optimizer.nonsense  # noqa: B018
