"""What every process that works for another one does: hear no Ctrl-C, and end when the other one is gone."""

from __future__ import annotations

import os
import signal
import sys
import threading
import warnings
from multiprocessing import parent_process
from multiprocessing.connection import wait


def serve_another() -> None:
    """Leave Ctrl-C to the process that started this one, and end with it: a child outlives one that was killed.

    The libraries' own warnings are for nobody here, as in the commands.
    """
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
