"""A file → a server on this machine alone that shows it as a page, until Ctrl-C or until the page is closed."""

from __future__ import annotations

import socket
import threading
import time
import webbrowser
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn

from optimizer.errors import OptimizerError
from optimizer.web.app import application
from optimizer.web.guard import Guard
from optimizer.web.sitting import Sitting

_LOOK_S = 0.5  # how often it is looked whether a page is still open


def serve(
    path: Path, catalogs: Sequence[Path], *, port: int, browser: bool, say: Callable[[str], None], ends: bool = True
) -> None:
    """Show a file as a page until Ctrl-C, or with `ends` until its last page is closed.

    Parameters
    ----------
    path, catalogs
        The system file, which need not be there yet, and the owner's own catalog files.
    port
        Where to listen on 127.0.0.1; 0 for any port that is free.
    browser
        Whether to open the browser; the address is told in any case.
    say
        What prints a line.

    Raises
    ------
    OptimizerError
        The port is taken.
    """
    sitting = Sitting(path, catalogs)
    with _bound(port) as listener:
        guard = Guard(application(sitting), listener.getsockname()[1])
        # what waits after Ctrl-C is a stream of progress that never ends by itself
        config = uvicorn.Config(
            guard,
            log_level="critical",
            access_log=False,
            lifespan="off",
            server_header=False,
            timeout_graceful_shutdown=1,
        )
        server = uvicorn.Server(config)
        say(f"{path} is open at {guard.start_address}")
        say("This address is good for one browser on this machine. Ctrl-C or closing the page ends it.")
        threading.Thread(target=lambda: sitting.sheet, daemon=True).start()  # read by the time the browser asks
        if browser:
            threading.Thread(target=webbrowser.open, args=(guard.start_address,), daemon=True).start()
        if ends:
            threading.Thread(target=_end_when_left, args=(sitting, server), daemon=True).start()
        try:
            server.run(sockets=[listener])
        except KeyboardInterrupt:
            pass
        finally:
            for line in sitting.leave():
                say(line)


def _bound(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()  # from here on a browser that comes early waits, and is not turned away
    except OSError as error:
        listener.close()
        raise OptimizerError(
            f"port {port}: {error.strerror or error}; leave --port out to take any free one"
        ) from error
    return listener


def _end_when_left(sitting: Sitting, server: uvicorn.Server) -> None:
    """End the server once every page that was open is closed."""
    while not server.should_exit:
        time.sleep(_LOOK_S)
        if sitting.windows.all_closed:
            server.should_exit = True
