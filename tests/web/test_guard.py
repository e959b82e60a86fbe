"""Attacks: what other pages, other names of this machine and other programs ask the page's server is refused."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from web.conftest import HERE, PORT, Open, Page

ADDRESSES = ("/", "/runs", "/choose?at=run-0", "/pictures.css", "/static/page.js", "/nothing")


@pytest.mark.parametrize("address", ADDRESSES)
def test_without_the_token_nothing_is_told(open_page: Open, address: str) -> None:
    answer = open_page(come_in=False).get(address)

    assert answer.status_code == 403
    assert "single" not in answer.text.lower()


def test_the_token_is_good_for_one_browser(open_page: Open) -> None:
    page = open_page()
    other = Page(page.sitting)
    other.guard = page.guard

    assert page.get(page.guard.start_address).status_code == 200  # the browser that has come in is led to the page
    page.cookies.clear()
    assert page.get(page.guard.start_address).status_code == 403


def test_a_wrong_token_is_refused(open_page: Open) -> None:
    page = open_page(come_in=False)

    assert page.get("/start/guessed").status_code == 403
    assert page.get("/start/").status_code == 403
    assert page.get(page.guard.start_address).status_code == 200  # and leaves the right one good


def test_the_cookie_is_for_this_page_alone(open_page: Open) -> None:
    page = open_page(come_in=False)

    cookie = page.get(page.guard.start_address, follow_redirects=False).headers["set-cookie"]

    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    assert cookie.startswith(f"retrofit-{PORT}=")


@pytest.mark.parametrize("host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:1", ""])
def test_another_name_for_this_machine_is_misdirected(open_page: Open, host: str) -> None:
    assert open_page().get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "http://127.0.0.1:1", f"https://127.0.0.1:{PORT}"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_another_page_is_refused_even_with_the_cookie(open_page: Open, method: str, origin: str) -> None:
    assert open_page().request(method, "/alive", headers={"origin": origin}).status_code == 403


def test_a_request_that_the_browser_says_another_site_made_is_refused(open_page: Open) -> None:
    page = open_page()
    del page.headers["origin"]

    assert page.get("/", headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert page.get("/", headers={"sec-fetch-site": "same-site"}).status_code == 403
    assert page.get("/", headers={"sec-fetch-site": "none"}).status_code == 200


def test_a_change_must_say_where_it_comes_from(open_page: Open) -> None:
    page = open_page()
    del page.headers["origin"]

    assert page.post("/alive").status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
def test_other_methods_are_refused(open_page: Open, method: str) -> None:
    assert open_page().request(method, "/").status_code == 405


def test_a_body_over_two_megabytes_is_refused_told_or_not(open_page: Open) -> None:
    page, large = open_page(), b"a" * 2_000_001

    def in_pieces() -> object:
        yield from (large[at : at + 100_000] for at in range(0, len(large), 100_000))

    assert page.post("/alive", content=large).status_code == 413
    assert page.post("/alive", content=in_pieces()).status_code == 413
    assert page.post("/alive", content=b"", headers={"content-length": "9" * 40}).status_code == 413
    assert page.get("/").status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static//etc/passwd",
        "/static/%00",
        "/../x",
    ],
)
def test_no_path_leads_out_of_the_page(open_page: Open, path: str) -> None:
    answer = open_page().get(path)

    assert answer.status_code in (404, 405)
    assert "import" not in answer.text


def test_every_answer_forbids_whatever_is_not_the_pages_own(open_page: Open) -> None:
    page = open_page()

    for address in ADDRESSES:
        headers = page.get(address).headers
        assert "default-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


@pytest.mark.long
def test_two_hundred_requests_at_once_are_all_answered(open_page: Open) -> None:
    page = open_page()

    with ThreadPoolExecutor(20) as many:
        codes = set(many.map(lambda _: page.get("/choose?at=part-0-1").status_code, range(200)))

    assert codes == {200}
    assert page.get("/", headers={"host": HERE.removeprefix("http://")}).status_code == 200
