"""How a command ends: every error that is raised on purpose as lines on stderr and an exit code."""

from __future__ import annotations

import sys
from typing import IO, Any

import click

from optimizer.errors import CheckError, InputError, NoPlanError, OptimizerError, SolverError

DONE, ANSWER_IS_NO, BAD_INPUT, NO_ANSWER, STOPPED = 0, 1, 2, 3, 130


class Commands(click.Group):
    """The commands, with one ending for all: no traceback for anything that a person can cause."""

    def invoke(self, ctx: click.Context) -> Any:
        _never_choke_on_a_sign(sys.stdout, sys.stderr)
        try:
            return super().invoke(ctx)
        except OptimizerError as error:
            _tell(error)
            ctx.exit(exit_code(error))
        except (KeyboardInterrupt, click.Abort):
            click.echo("Stopped; nothing was written.", err=True)
            ctx.exit(STOPPED)


def exit_code(error: OptimizerError) -> int:
    """Return 1 where the answer is a proved no, 3 where there is no answer, 2 where the input is at fault."""
    if isinstance(error, NoPlanError):
        return ANSWER_IS_NO if error.proved else NO_ANSWER
    return NO_ANSWER if isinstance(error, (CheckError, SolverError)) else BAD_INPUT


def _tell(error: OptimizerError) -> None:
    """Print one line for every fault, then how many there are."""
    if not isinstance(error, InputError):
        click.echo(str(error), err=True)
        return
    for fault in error.faults:
        click.echo(str(fault), err=True)
    number = len(error.faults)
    click.echo(f"{number} error{'s' if number != 1 else ''}; nothing was calculated.", err=True)


def _never_choke_on_a_sign(*streams: IO[str]) -> None:
    """Print a question mark for a sign that a terminal's encoding lacks, such as × in ASCII."""
    for stream in streams:
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
