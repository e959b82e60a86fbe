"""The program is written for Windows and macOS too: no shell, no fork, no separator assumed. Read from its source.

It was not run on either; what is told here is that it asks for nothing that only one system has, or asks first.
"""

from __future__ import annotations

import re

import pytest
from own_source import MODULES, ROOT, source

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
FOREIGN = {"subprocess", "pty", "fcntl", "resource", "termios", "grp", "pwd", "msvcrt", "winreg"}


@pytest.mark.long
def test_no_module_calls_what_only_one_system_has() -> None:
    for module in MODULES:
        assert not FORBIDDEN & source(module).attributes, module
        assert not FOREIGN & {name.split(".")[0] for name in source(module).imports}, module


def test_text_files_are_opened_with_their_encoding_told() -> None:
    assert {str(module): lines for module in MODULES if (lines := source(module).no_encoding)} == {}


def test_a_second_process_is_started_anew_and_never_forked() -> None:
    started = re.compile(
        r"""get_context\((?!"spawn"\))|set_start_method|multiprocessing import [^\n]*(?:Process|Pool|Manager)"""
    )

    assert not [path for path in MODULES if started.search((ROOT / path).read_text(encoding="utf-8"))]


def test_no_path_is_put_together_with_a_separator() -> None:
    joined = re.compile(r"""(?:os\.path\.join|/tmp/|\\\\tmp)""")  # os.sep is the system's own

    assert not [path.name for path in MODULES if joined.search((ROOT / path).read_text(encoding="utf-8"))]
