"""A page's server without a browser: what it answers to requests that a browser, or somebody else, would send."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from starlette.testclient import TestClient

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
