"""How a command ends: whatever happens, as lines on stderr and an exit code of its own."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from io import StringIO
from pathlib import Path
from typing import IO, Any, NoReturn

import click

from optimizer.cli.output import drop, say
from optimizer.cli.threads import one_thread
from optimizer.errors import CheckError, InputError, NoPlanError, OptimizerError, SolverError, visible

DONE, ANSWER_IS_NO, BAD_INPUT, NO_ANSWER, DEFECT, STOPPED = 0, 1, 2, 3, 70, 130
TRACEBACK = "--traceback"
_COLLECT_AFTER = 100_000  # new values: reading a catalog makes as many, and hardly any of them refer in circles


class Terminated(KeyboardInterrupt):
    """The program was asked to end at once, by another program or because its terminal was closed."""


class Commands(click.Group):
    """The commands, with one ending for all: no traceback for anything that a person can cause."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command and leave the program with its exit code."""
        words = list(sys.argv[1:] if args is None else args)
        telling = TRACEBACK in words
        words = [word for word in words if word != TRACEBACK]
        if not standalone_mode:
            return super().main(words, prog_name, complete_var, standalone_mode=False, **extra)
        with _quiet_and_stoppable():
            code = self._ended(words, prog_name, complete_var, telling, extra)
        sys.exit(code)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command. What click would end with a code of its own is ended here."""
        try:
            try:
                return super().invoke(ctx)
            finally:
                _flush()
        except KeyboardInterrupt:
            ctx.exit(_stopped())
        except BrokenPipeError:  # whoever read the output went away: no more is wanted
            drop(sys.stdout)
            ctx.exit(DONE)

    def _ended(
        self, words: list[str], prog_name: str | None, complete_var: str | None, telling: bool, extra: dict[str, Any]
    ) -> int:
        """Run a command and return its exit code, all that went wrong told."""
        try:
            _begin(words)
            found = super().main(words, prog_name, complete_var, standalone_mode=False, **extra)
            return found if isinstance(found, int) else DONE
        except (OptimizerError, click.ClickException) as error:
            return _told(error)
        except (KeyboardInterrupt, click.Abort):
            return _stopped()
        except (OSError, MemoryError) as error:
            return _lacking(error, telling)
        except Exception as error:  # the last resort: a defect of the program must not look like an answer
            return _defect(error, telling)


def exit_code(error: OptimizerError) -> int:
    """Return 1 where the answer is a proved no, 3 where there is no answer, 2 where the input is at fault."""
    if isinstance(error, NoPlanError):
        return ANSWER_IS_NO if error.proved else NO_ANSWER
    return NO_ANSWER if isinstance(error, (CheckError, SolverError)) else BAD_INPUT


def _begin(words: Sequence[str]) -> None:
    """Make the streams fit to be written to, and clear away what a run that was killed has left."""
    one_thread()
    gc.set_threshold(_COLLECT_AFTER)
    from optimizer.whole_file import open_gate, sweep_below

    _never_choke_on_a_sign(sys.stdout, sys.stderr)
    open_gate()
    for word in words:
        _refuse_halves(word)
    named = [Path(word).absolute() for word in words if word and not word.startswith("-")]
    for folder in dict.fromkeys(each for path in named for each in (path.parent, path)):
        sweep_below(folder)
    if sys.stdout is None:
        raise OSError(0, "there is no output to print to (stdout is closed)")


def _refuse_halves(word: str) -> None:
    """Refuse what no shell can hand over, a zero byte or half a sign, but a program that calls this one may."""
    with suppress(UnicodeEncodeError):
        if b"\0" not in os.fsencode(word):
            return
    raise click.UsageError(f"found {visible(word[:80])!r}; allowed: text without zero bytes and halves of signs")


def _told(error: OptimizerError | click.ClickException) -> int:
    """Print one line for every fault, then how many there are."""
    if isinstance(error, click.ClickException):
        lines = StringIO()
        error.show(lines)
        say(lines.getvalue().rstrip("\n"), err=True)
        return error.exit_code
    say(str(error), err=True)
    if isinstance(error, InputError):
        number = len(error.faults)
        say(f"{number} error{'s' if number != 1 else ''}; nothing was calculated.", err=True)
    return exit_code(error)


def _stopped() -> int:
    from optimizer.whole_file import shut_gate

    written = shut_gate()
    if written:
        say(f"Stopped; written before that: {', '.join(str(path) for path in written)}.", err=True)
    else:
        say("Stopped; nothing was written.", err=True)
    return STOPPED


def _lacking(error: OSError | MemoryError, telling: bool) -> int:
    """Say what the machine did not give: room, a file, memory."""
    if telling:
        say("".join(traceback.format_exception(error)).rstrip("\n"), err=True)
    if isinstance(error, MemoryError):
        say("There is not enough memory for this.", err=True)
        return NO_ANSWER
    place = "The output" if error.filename is None else str(error.filename)
    say(f"{place}: cannot be read or written, {error.strerror or error}", err=True)
    drop(sys.stdout)
    return BAD_INPUT


def _defect(error: Exception, telling: bool) -> int:
    """Say in one line that the program is at fault, and how to report it."""
    if telling:
        say("".join(traceback.format_exception(error)).rstrip("\n"), err=True)
    last = traceback.extract_tb(error.__traceback__)[-1:]
    where = f" at {Path(last[0].filename).name}:{last[0].lineno}" if last else ""
    what = " ".join(visible(f"{type(error).__name__}: {error}").split())[:200]
    more = "" if telling else f" and what {TRACEBACK} adds"
    say(
        f"This is a defect of the program, not of your file ({what}{where}). "
        f"Please report it with the command, the file{more}.",
        err=True,
    )
    return DEFECT


@contextmanager
def _quiet_and_stoppable() -> Iterator[None]:
    """Keep the libraries' own warnings out of the output, and end in order when another program asks for it."""
    with warnings.catch_warnings():
        if not sys.warnoptions:
            warnings.simplefilter("ignore")
        kept = _listen()
        try:
            yield
        finally:
            for number, handler in kept:
                signal.signal(number, handler)


def _listen() -> list[tuple[int, Any]]:
    if threading.current_thread() is not threading.main_thread():
        return []
    names = [name for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    numbers = [getattr(signal, name) for name in names]
    numbers = [number for number in numbers if signal.getsignal(number) == signal.SIG_DFL]
    return [(number, signal.signal(number, _terminate)) for number in numbers]


def _terminate(number: int, frame: object) -> NoReturn:
    raise Terminated


def _flush() -> None:
    if sys.stdout is not None:
        sys.stdout.flush()
    try:
        if sys.stderr is not None:
            sys.stderr.flush()
    except OSError:  # nobody hears it
        drop(sys.stderr)


def _never_choke_on_a_sign(*streams: IO[str] | None) -> None:
    """Print a question mark for a sign that a terminal's encoding lacks, such as × in ASCII."""
    for stream in streams:
        if stream is not None and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
