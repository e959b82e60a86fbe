"""A page's server without a browser, answering what one would send; real browsers, every request of theirs noted."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from web.browsing import CHROMIUM, NOWHERE, served

from optimizer.edits import outcome
from optimizer.model.catalog import Catalog
from optimizer.model.money import Money
from optimizer.read.catalogs import load_catalog
from optimizer.web.app import application
from optimizer.web.guard import Guard
from optimizer.web.sitting import Sitting

ROOT = Path(__file__).parent.parent.parent
PORT = 8765
HERE = f"http://127.0.0.1:{PORT}"


class Page(TestClient):
    """A browser that has come by the address which opened the page, and sends what a page's own forms send."""

    def __init__(self, sitting: Sitting) -> None:
        self.sitting = sitting
        self.guard = Guard(application(sitting), PORT)
        super().__init__(self.guard, base_url=HERE, headers={"origin": HERE})

    def come_in(self) -> None:
        self.get(self.guard.start_address.removeprefix(HERE), follow_redirects=False)  # the page is not drawn yet


Open = Callable[..., Page]


@pytest.fixture(autouse=True, scope="session")
def one_shelf() -> Iterator[None]:
    """Read the shipped catalogs once for all pages that have no price lists of their own."""
    kept: dict[str, Catalog] = {}

    def load(paths: Sequence[Path] = (), money: Money | None = None) -> Catalog:
        if paths:
            return load_catalog(paths, money)
        if repr(money) not in kept:
            kept[repr(money)] = load_catalog((), money)
        return kept[repr(money)]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(outcome, "load_catalog", load)
        yield


@pytest.fixture
def open_page(tmp_path: Path) -> Iterator[Open]:
    """Return what opens a copy of an example, or a file that holds this, as a page."""
    pages: list[Page] = []

    def opened(
        example: str = "single-return", *, content: bytes | None = None, missing: bool = False, come_in: bool = True
    ) -> Page:
        path = tmp_path / "tank.yaml"
        if content is None:
            shutil.copyfile(ROOT / "examples" / f"{example}.yaml", path)
        else:
            path.write_bytes(content)
        if missing:
            path.unlink()
        page = Page(Sitting(path))
        pages.append(page)
        if come_in:
            page.come_in()
        return page

    yield opened
    for page in pages:
        page.close()


# a real browser


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[NOWHERE])
        yield browser
        browser.close()


@pytest.fixture
def serve() -> Iterator[Callable[[Path], tuple[str, Any]]]:
    """Return what serves a file until the test is over."""
    with ExitStack() as servers:
        yield lambda path: servers.enter_context(served(path))


@pytest.fixture
def new_page(chromium: Any, serve: object) -> Iterator[Callable[..., Any]]:  # closed before its server is
    """Return what opens a page in a browser of its own, whose every request and every fault of a script is noted."""
    contexts, wrong = [], []

    def opened(address: str, **settings: Any) -> Any:
        settings = {"viewport": {"width": 1280, "height": 900}, **settings}
        context = chromium.new_context(**settings)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(300_000)  # of a search too, on a machine that does much else
        home = address.split("/start")[0]
        page.on("request", lambda one: None if one.url.startswith((home, "blob:")) else wrong.append(one.url))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda one: wrong.append(one.text) if one.type in ("error", "warning") else None)
        page.wrong = wrong
        page.goto(address)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert wrong == []


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """Return a copy of the single return line."""
    return Path(shutil.copyfile(ROOT / "examples" / "single-return.yaml", tmp_path / "tank.yaml"))
