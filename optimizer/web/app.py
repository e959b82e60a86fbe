"""The addresses of the page: what the browser asks → a view of what the sitting holds, or a change of it."""

from __future__ import annotations

import secrets
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from optimizer.web.pages import PICTURE_STYLE, Pages
from optimizer.web.sitting import Sitting

HERE = Path(__file__).parent


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
            Route("/alive", self.alive, methods=["POST"]),
            Route("/closed", self.closed, methods=["POST"]),
            Route("/pictures.css", self.picture_style),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]

    def page(self, request: Request) -> Response:
        """Answer the whole page, or only what of it changes where the page itself asks."""
        window = secrets.token_urlsafe(8)
        return HTMLResponse(self.pages.whole(_asked(request), window))

    def choose(self, request: Request) -> Response:
        return HTMLResponse(self.pages.panel(_asked(request), request.query_params.get("at", "")))

    def runs(self, request: Request) -> Response:
        return HTMLResponse(self.pages.runs(_asked(request), with_band=True))

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


def _asked(request: Request) -> dict[str, str]:
    """Return view, mode and handle that an address names; what is too long is none of them."""
    return {key: value for key, value in request.query_params.items() if len(value) <= 100}


def _templates() -> Environment:
    return Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
