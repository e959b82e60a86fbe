"""The page of a report → a PDF, with its own letters, by an optional library.

That library takes style rules of a picture only from inside the picture, and letters without a halo. So each picture
gets the rules of black-and-white print, what it takes from another picture of the page, and halos drawn beneath.
"""

from __future__ import annotations

import importlib.util
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from optimizer.documents.drawing.palette import print_style
from optimizer.documents.raster import LETTERS
from optimizer.errors import DocumentError

_BODY = re.compile(r'<g id="([^"]*-body)" class="pic">\n(.*?)\n</g>\n</svg>', re.DOTALL)
_USE = re.compile(r'<use href="#([^"]*)"/>')
_PICTURE = re.compile(r'<svg class="pic"([^>]*)>')
_HALO = re.compile(r'<text class="([^"]*) halo([^"]*)"(.*?)</text>')
_FACES = (("normal", "LiberationSans-Regular.ttf"), ("bold", "LiberationSans-Bold.ttf"))
_NO_LIBRARY = (
    "a PDF needs the optional library WeasyPrint: python -m pip install 'retrofit-optimizer[pdf]', or '.[pdf]' in a "
    "copy of the repository; the page itself prints from any browser"
)
_NO_SYSTEM = (
    "a PDF needs the library Pango of the operating system, which WeasyPrint did not find (libpango-1.0-0 on Debian, "
    "brew install pango on macOS); the page itself prints from any browser"
)


def require_pdf() -> None:
    """Raise DocumentError where PDF files cannot be made; quick, so that nobody waits for a plan first."""
    if importlib.util.find_spec("weasyprint") is None:
        raise DocumentError(_NO_LIBRARY)


def pdf_of(page: str) -> bytes:
    """Return a page of this program as a PDF; the same page gives the same bytes.

    Raises
    ------
    DocumentError
        When the library or what it needs is not there.
    """
    require_pdf()
    try:
        from weasyprint import CSS, HTML
        from weasyprint.text.fonts import FontConfiguration
    except OSError as error:  # a shared library of the system is missing
        raise DocumentError(_NO_SYSTEM) from error
    fonts = FontConfiguration()
    sheet = CSS(string=_faces(LETTERS), font_config=fonts)
    document = HTML(string=with_own_style(page), url_fetcher=_only_letters)
    with _letters_of_no_date():
        return bytes(document.write_pdf(stylesheets=[sheet], font_config=fonts, pdf_tags=True))


@contextmanager
def _letters_of_no_date() -> Iterator[None]:
    """Hold the date that is written into the letters of a PDF; by the clock no two files would be the same bytes.

    The variable is that of the reproducible-builds specification SOURCE_DATE_EPOCH; one that is set already stays.
    """
    held = "SOURCE_DATE_EPOCH" not in os.environ
    if held:
        os.environ["SOURCE_DATE_EPOCH"] = "0"
    try:
        yield
    finally:
        if held:
            os.environ.pop("SOURCE_DATE_EPOCH", None)


def _faces(folder: Path) -> str:
    rules = "".join(
        f"@font-face{{font-family:Arial;font-weight:{weight};src:url({(folder / name).as_uri()})}}\n"
        for weight, name in _FACES
    )
    return f"{rules}html{{font-family:Arial}}"


def _only_letters(url: str, *arguments: object, **options: object) -> dict[str, object]:
    """Fetch the letters and nothing else."""
    path = LETTERS / url.rpartition("/")[2]
    if not url.startswith("file:") or path.as_uri() != url:
        raise ValueError(f"{url}: a page asks for nothing from outside")
    return {"string": path.read_bytes(), "mime_type": "font/ttf"}


def with_own_style(page: str) -> str:
    """Return the page with every picture complete in itself."""
    bodies = dict(_BODY.findall(page))
    whole = _USE.sub(lambda use: bodies[use[1]], page)
    haloed = _HALO.sub(r'<text class="\1 halo\2"\3</text><text class="\1\2"\3</text>', whole)
    style = f"<style>\n{print_style()}</style>"
    return _PICTURE.sub(rf'<svg xmlns="http://www.w3.org/2000/svg" class="pic"\1>{style}', haloed)
