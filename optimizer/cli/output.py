"""What commands print and where they write: text that no terminal obeys, data, and outputs that replace no input."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from optimizer.errors import DocumentError, visible

if TYPE_CHECKING:
    from optimizer.documents.tables import Block

_UNSEEN = re.compile("[\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufeff]")


def say(text: str, err: bool = False) -> None:
    """Print lines in which control characters are shown, not obeyed."""
    shown = visible(text, keep="\n")
    if err:
        tell(shown)
    else:
        click.echo(shown)


def tell(text: str, nl: bool = True) -> None:
    """Print on stderr. Where that is full or nobody reads it any more, nothing else fails: the exit code tells."""
    try:
        click.echo(text, err=True, nl=nl)
    except OSError:
        drop(sys.stderr)


def drop(stream: IO[str] | None) -> None:
    """Let nothing be printed there any more: what is still waiting would fail again when the program ends."""
    if stream is not None:
        with suppress(OSError, AttributeError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def print_all(blocks: Iterable[Block]) -> None:
    """Print blocks of text and tables."""
    from optimizer.documents.tables import print_blocks

    print_blocks(blocks)


def print_json(data: dict[str, Any]) -> None:
    """Print data for other programs; control characters of every kind are written by their numbers."""
    text = json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False)
    click.echo(_UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text))


def free_outputs(replace: bool, inputs: Iterable[Path], *outputs: tuple[Path | None, str]) -> None:
    """Refuse places that cannot be written, before anyone waits for a plan.

    Parameters
    ----------
    replace
        Whether files that are there may be replaced.
    inputs
        The files that the command reads: none of them is replaced.
    outputs
        Where to write, with what that name must end in; None: not asked for.
    """
    from optimizer.whole_file import free_target

    read = tuple(inputs)
    targets = [free_target(path, replace, ending, read) for path, ending in outputs if path is not None]
    for number, target in enumerate(targets):
        for other in targets[:number]:
            if target.exists() and other.exists() and target.samefile(other):
                raise DocumentError(f"{target}: is {other} under another name; each output needs a file of its own")
