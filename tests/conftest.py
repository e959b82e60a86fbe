"""For all tests: the algebra takes one thread, as in the command, and no search is done twice in a session."""

from collections.abc import Iterator

import pytest

from optimizer.cli.threads import one_thread

one_thread()  # said before numpy is imported

import asked_before  # noqa: E402

asked_before.install()


@pytest.fixture(autouse=True)
def _own_changes() -> Iterator[None]:
    with asked_before.one_test():
        yield
