"""For all tests: the algebra takes one thread, as in the command, and no search is done twice in a session.

What is compiled, and what was read of the catalogs, is kept beside what pytest keeps: programs that tests start come up
as fast as an installed one, and another checkout's copy is not in the way.
"""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

_KEPT = Path(__file__).parent.parent / ".pytest_cache" / "kept"
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = str(_KEPT / "compiled")
os.environ["XDG_CACHE_HOME"] = str(_KEPT)
sys.dont_write_bytecode = False

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402

from optimizer.cli.threads import one_thread  # noqa: E402

one_thread()  # said before numpy is imported

import asked_before  # noqa: E402

asked_before.install()


settings.register_profile("here", deadline=None)  # the first case loads what it needs, and machines are shared
settings.load_profile("here")


@pytest.fixture(autouse=True)
def _own_changes(request: pytest.FixtureRequest) -> Iterator[None]:
    with asked_before.one_test(anew="benchmarks" in request.path.parts):
        yield
