"""The addresses of the page: what the browser asks → a view of what the sitting holds, or a change of it."""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import AsyncIterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from optimizer.errors import EditError, NetworkError, OptimizerError, visible
from optimizer.web.forms import MOST_TEXT
from optimizer.web.pages import PICTURE_STYLE, Pages
from optimizer.web.plans import WORDS
from optimizer.web.price_lists import take_in
from optimizer.web.sitting import Refused, Sitting, Stale
from optimizer.web.steps import then_at
from optimizer.web.varying import table_of
from optimizer.web.views import trouble_words

HERE = Path(__file__).parent
_TOLD_EVERY_S = 0.4
_NO_PAGE_SIGN = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f-\\x9f\\ud800-\\udfff]")
_STALE = "The file was changed meanwhile. This is how it is now: make your change again if it still applies."
FIRST_SKETCH = (
    "A first sketch. Choose each part in the drawing and change it, or insert others, until this is your plumbing. "
    "Then Save, and go to Plan."
)
_KINDS = {
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "html": "text/html; charset=utf-8",
    "csv": "text/csv; charset=utf-8",
    "svg": "image/svg+xml",
}


def application(sitting: Sitting) -> Starlette:
    """Return the server's application for a sitting. Whoever asks has passed the guard."""
    return Starlette(routes=_Desk(sitting).routes())


class _Desk:
    """What is answered at each address. Views run in threads of the server, so that no solve holds up another page."""

    def __init__(self, sitting: Sitting) -> None:
        self.sitting = sitting
        self.pages = Pages(sitting, _templates())

    def routes(self) -> list[Route | Mount]:
        return [
            Route("/", self.page),
            Route("/choose", self.choose),
            Route("/runs", self.runs),
            Route("/edit", self.edit, methods=["POST"]),
            Route("/try", self.tried, methods=["POST"]),
            Route("/step", self.step, methods=["POST"]),
            Route("/kinds", self.kinds),
            Route("/more/{what}", self.more),
            Route("/search", self.search, methods=["POST"]),
            Route("/stop", self.stop, methods=["POST"]),
            Route("/end", self.end, methods=["POST"]),
            Route("/progress", self.progress),
            Route("/point", self.point, methods=["POST"]),
            Route("/beside", self.beside, methods=["POST"]),
            Route("/quote", self.quote, methods=["POST"]),
            Route("/vary", self.vary, methods=["POST"]),
            Route("/prices", self.prices, methods=["POST"]),
            Route("/variants/{name}", self.variants),
            Route("/papers/{name}", self.paper),
            Route("/now/{name}", self.now),
            Route("/alive", self.alive, methods=["POST"]),
            Route("/closed", self.closed, methods=["POST"]),
            Route("/pictures.css", self.picture_style),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]

    def page(self, request: Request) -> Response:
        """Answer the whole page, or only what of it changes where the page itself asks."""
        if request.headers.get("hx-request") == "true":
            return self._sheet(_asked(request))
        window = secrets.token_urlsafe(8)
        return HTMLResponse(self.pages.whole(_asked(request), window))

    def choose(self, request: Request) -> Response:
        return HTMLResponse(self.pages.panel(_asked(request), request.query_params.get("at", "")))

    def runs(self, request: Request) -> Response:
        return HTMLResponse(self.pages.runs(_asked(request), with_band=True))

    def _sheet(self, asked: Mapping[str, str], said: str = "") -> Response:
        return HTMLResponse(self.pages.sheet(asked, said))

    async def edit(self, request: Request) -> Response:
        """Change the file as a form asks."""
        form = await _form(request)
        return await run_in_threadpool(self._edit, form, _window(request))

    def _edit(self, form: dict[str, str], window: str) -> Response:
        asked = {key: value for key, value in form.items() if key in ("view", "mode", "at")}
        try:
            self.sitting.change(form, window)
        except Stale:
            return self._sheet(asked, _STALE)
        except Refused as refused:
            return HTMLResponse(self.pages.sheet(asked, "", (refused.faults, form)))
        except EditError as error:
            return self._sheet(asked, str(error))
        answers = self.sitting.sheet.answers
        asked["at"] = then_at(form, answers.system.network if answers else None)
        said = FIRST_SKETCH if form.get("do") == "begin" and answers else ""
        if form.get("then") == "search":
            self.sitting.plans.start(self.sitting.asked("plan", 60.0))
        return self._sheet(asked, said)

    async def tried(self, request: Request) -> Response:
        """Answer what flows with valves and pumps as the sliders stand; nothing is changed."""
        form = await _form(request)
        try:
            return HTMLResponse(await run_in_threadpool(self.pages.tried, form, form))
        except NetworkError as error:
            return HTMLResponse(self.pages.trouble(trouble_words(error)))

    async def step(self, request: Request) -> Response:
        """Undo, redo, save, or load the file from disk."""
        form = await _form(request)
        return await run_in_threadpool(self._step, form, _window(request))

    def _step(self, form: dict[str, str], window: str) -> Response:
        asked = {key: value for key, value in form.items() if key in ("view", "mode", "at")}
        revision = int(form["rev"]) if form.get("rev", "").isdigit() else -1
        sitting, said = self.sitting, ""
        try:
            match form.get("do", ""):
                case "undo":
                    sitting.undo(revision, window)
                case "redo":
                    sitting.redo(revision, window)
                case "save":
                    sitting.save(window=window)
                    said = f"Saved to {sitting.path}."
                case "save over":
                    sitting.save(over=True, window=window)
                    said = f"Saved to {sitting.path}, over what another program had put there."
                case "read":
                    sitting.read_again(revision, window)
                case "take up":
                    sitting.take_left_over(revision, keep=True)
                case "throw away":
                    sitting.take_left_over(revision, keep=False)
                case "lists":
                    sitting.take_lists([value for key, value in form.items() if key.startswith("list ")], window)
        except Stale:
            return self._sheet(asked, _STALE)
        except (OptimizerError, OSError) as error:
            return self._sheet(asked, str(error))
        return self._sheet(asked, said)

    def kinds(self, request: Request) -> Response:
        return HTMLResponse(self.pages.fitting(_asked(request), request.query_params.get("at", "")))

    def more(self, request: Request) -> Response:
        """Answer with what is told only when it is asked for."""
        return HTMLResponse(self.pages.more(request.path_params["what"], _asked(request)))

    async def search(self, request: Request) -> Response:
        """Begin a search, or to write papers."""
        form = await _form(request)
        what, plans = form.get("what", ""), self.sitting.plans
        if what not in WORDS or what in ("point", "quote", "vary"):
            return await self._in_thread(form, "There is no such search.")
        if self.sitting.sheet.answers is None:
            return await self._in_thread(form, "The file has errors: mend them first.")
        begun = plans.start(self.sitting.asked(what, _seconds(form.get("seconds", "")), options=form))
        return await self._in_thread(form, "" if begun else "Something is still being worked on; stop it first.")

    async def _in_thread(self, form: Mapping[str, str], said: str = "") -> Response:
        return await run_in_threadpool(self._sheet, form, said)

    async def stop(self, request: Request) -> Response:
        self.sitting.plans.jobs.stop()
        return await self._in_thread(await _form(request))

    async def end(self, request: Request) -> Response:
        await run_in_threadpool(self.sitting.plans.jobs.end)
        return await self._in_thread(await _form(request))

    async def point(self, request: Request) -> Response:
        """Choose one plan of the frontier."""
        form = await _form(request)
        index, limit = form.get("index", ""), _seconds(form.get("seconds", ""))
        number = int(index) if index.isdigit() and len(index) < 6 else -1
        begun = self.sitting.plans.choose_point(self.sitting.asked("point", limit), number)
        return await self._in_thread(form, "" if begun else "That plan is no longer there, or a search is going on.")

    async def beside(self, request: Request) -> Response:
        form = await _form(request)
        if form.get("clear"):
            self.sitting.plans.clear_beside()
        else:
            self.sitting.plans.keep_beside()
        return await self._in_thread(form)

    async def quote(self, request: Request) -> Response:
        """Begin to search at the prices of a store's workbook that was dropped on the page."""
        told, content, _ = await _form_with_file(request)
        plans = self.sitting.plans
        if not content or plans.chosen is None or plans.chosen.report is None:
            return await self._in_thread(told, "Choose the workbook that the store has filled in, with a plan found.")
        begun = plans.start(self.sitting.asked("quote", 60.0, content))
        return await self._in_thread(told, "" if begun else "Something is still being worked on; stop it first.")

    async def vary(self, request: Request) -> Response:
        """Begin to work out variants: what was chosen to vary, a table that was typed, or one that was dropped."""
        told, content, _ = await _form_with_file(request)
        if self.sitting.sheet.answers is None:
            return await self._in_thread(told, "The file has errors: mend them first.")
        try:
            table = table_of(told, content)
        except EditError as error:
            return await self._in_thread(told, str(error))
        asked = self.sitting.asked("vary", _seconds(told.get("seconds", "")), options=told)
        begun = self.sitting.plans.start(replace(asked, table=table))
        return await self._in_thread(told, "" if begun else "Something is still being worked on; stop it first.")

    async def prices(self, request: Request) -> Response:
        """Take in a price list that was dropped on the page."""
        told, content, name = await _form_with_file(request)
        try:
            taken = await run_in_threadpool(take_in, self.sitting, name, content, _window(request))
        except (EditError, OSError) as error:
            return await self._in_thread(told, str(error))
        return await self._in_thread(told, f"{taken} is in the folder of the file now, and its prices count.")

    def variants(self, request: Request) -> Response:
        """Answer with a file of the variants that were worked out."""
        study = self.sitting.plans.studies.get("vary")
        return _file(request.path_params["name"], study[1].files if study else {})

    async def progress(self, request: Request) -> Response:
        """Answer with a stream that tells how far a search is, until it has ended or the page is left."""

        async def told() -> AsyncIterator[str]:
            last = ""
            while True:
                html, over = await run_in_threadpool(self.pages.progress)
                if over:
                    yield "event: done\ndata: over\n\n"
                    return
                if html != last:
                    yield "".join(f"data: {line}\n" for line in html.splitlines()) + "\n"
                    last = html
                await asyncio.sleep(_TOLD_EVERY_S)

        return StreamingResponse(told(), media_type="text/event-stream")

    def paper(self, request: Request) -> Response:
        """Answer with one paper of the chosen plan, as a file."""
        chosen = self.sitting.plans.chosen
        return _file(request.path_params["name"], chosen.papers if chosen else {})

    def now(self, request: Request) -> Response:
        """Answer with one paper of the plumbing as it stands, as a file."""
        name, answers = request.path_params["name"], self.sitting.sheet.answers
        card = self.sitting.plans.card_now
        files = dict(card[1]) if card else {}
        if answers is not None and name.endswith(".svg"):
            from optimizer.documents.pictures import system_pictures

            mode = request.query_params.get("mode", "")
            at = answers.mode(mode)[1] if mode else answers.system
            files |= {f"{one.name}.svg": one.svg.encode() for one in system_pictures(at, alone=True)}
        return _file(name, files)

    async def alive(self, request: Request) -> Response:
        """Hear that a page is open, and tell whether it shows what there is."""
        form = await request.form()
        self.sitting.windows.heard(str(form.get("window", ""))[:40])
        return PlainTextResponse(self.pages.stamp())

    async def closed(self, request: Request) -> Response:
        form = await request.form()
        self.sitting.windows.closed(str(form.get("window", ""))[:40])
        return Response(status_code=204)

    def picture_style(self, request: Request) -> Response:
        return Response(PICTURE_STYLE(), media_type="text/css")


def _window(request: Request) -> str:
    """Return the name of the page that a request comes from, nothing where it names none."""
    return request.headers.get("x-window", "")[:40]


def _asked(request: Request) -> dict[str, str]:
    """Return view, mode and handle that an address names; what is too long is none of them."""
    return {key: value for key, value in request.query_params.items() if len(value) <= 100}


async def _form(request: Request) -> dict[str, str]:
    """Return the fields of a form that are text and of a sensible length."""
    async with request.form(max_files=0, max_fields=200) as form:
        whole = {key: value for key, value in form.items() if isinstance(value, str)}
    return {key: value for key, value in whole.items() if len(value) <= (MOST_TEXT if key == "text" else 5_000)}


async def _form_with_file(request: Request) -> tuple[dict[str, str], bytes, str]:
    """Return the fields of a form that are text and of a sensible length; the bytes and the name of its one file."""
    async with request.form(max_files=1, max_fields=50) as form:
        told = {key: value for key, value in form.items() if isinstance(value, str)}
        file = form.get("file")
        content, name = (await file.read(), file.filename or "") if isinstance(file, UploadFile) else (b"", "")
    most = {"table": MOST_TEXT}
    return {key: value for key, value in told.items() if len(value) <= most.get(key, 5_000)}, content, name


def _seconds(words: str) -> float:
    """Return a time limit from a form [s]: a minute where it says nothing that is one."""
    return float(words) if words.isdigit() and 1 <= int(words[:6]) <= 86_400 else 60.0


def _file(name: str, files: Mapping[str, bytes]) -> Response:
    """Return a file to be saved, by its name among those that there are; no name is ever looked up on the disk."""
    if name not in files:
        return PlainTextResponse("There is no such file.", status_code=404)
    kind = _KINDS.get(name.rpartition(".")[2], "application/octet-stream")
    return Response(files[name], media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})


def _templates() -> Environment:
    return Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _shown(value: Any) -> Any:
    """Return a value as a page can hold it: signs that belong into no page, such as ESC, are written out."""
    if isinstance(value, str) and _NO_PAGE_SIGN.search(value):
        return type(value)(_NO_PAGE_SIGN.sub(lambda found: visible(found[0]), value))
    return value
