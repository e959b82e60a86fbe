"""The pieces of a page: escaped text, tables, figures, the frame with its style. None asks for anything outside."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from optimizer.documents.drawing.palette import FAINT, INK, MUTED, NEW, OLD, PAPER, WATER, picture_style
from optimizer.documents.words import clean

_PAPERS = ("A4", "letter")
SHEET_MARGIN_MM, SHEET_CAPTION_MM = 8.0, 12.0  # of a picture that fills a sheet of paper
_NOTHING_FROM_OUTSIDE = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


@dataclass(frozen=True, slots=True)
class PrintSheet:
    """What one sheet of paper shows of a picture, how wide it prints, and whether the paper lies on its long side."""

    svg: str
    caption: str
    wide_mm: float
    turned: bool


class Html(str):
    """A cell of a table that is HTML already."""

    __slots__ = ()


def text(words: str) -> str:
    """Return words as they stand in HTML, on one line."""
    return escape(clean(words))


def paragraph(words: str, kind: str = "") -> str:
    return f"<p{_class(kind)}>{text(words)}</p>\n"


def items(lines: Iterable[str], kind: str = "") -> str:
    """Return a list of sentences, or nothing."""
    rows = "".join(f"<li>{text(line)}</li>\n" for line in lines)
    return f"<ul{_class(kind)}>\n{rows}</ul>\n" if rows else ""


def heading(words: str, level: int = 3) -> str:
    return f"<h{level}>{text(words)}</h{level}>\n"


def table(caption: str, titles: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Return a table whose first column names its rows; `right` are the columns of numbers. Nothing without rows.

    On a narrow screen each row becomes a block, in which every cell has the title of its column before it.
    """
    head = "".join(f'<th scope="col"{_right(place, right)}>{text(title)}</th>' for place, title in enumerate(titles))
    body = "".join(f'<tr role="row">{_cells(row, titles, right)}</tr>\n' for row in rows)
    if not body:
        return ""
    return (
        f'<table role="table">\n<caption>{text(caption)}</caption>\n<thead role="rowgroup"><tr role="row">{head}</tr>'
        f'</thead>\n<tbody role="rowgroup">\n{body}</tbody>\n</table>\n'
    )


def _cells(row: Sequence[str], titles: Sequence[str], right: Sequence[int]) -> str:
    first = f'<th scope="row" role="rowheader"{_right(0, right)}>{_inside(row[0])}</th>'
    return first + "".join(
        f'<td role="cell" data-title="{text(titles[place])}"{_looks(cell, place, right)}>{_inside(cell)}</td>'
        for place, cell in enumerate(row[1:], 1)
    )


def _inside(cell: str) -> str:
    return cell if isinstance(cell, Html) else text(cell)


def _looks(cell: str, place: int, right: Sequence[int]) -> str:
    """Return the class of a cell: a number, a word of a few letters that needs no room, or nothing."""
    looks = ["right"] if place in right else ["short"] if len(cell) <= 16 else []
    looks += ["blank"] if not cell else []
    return _class(" ".join(looks))


def _right(place: int, right: Sequence[int]) -> str:
    return ' class="right"' if place in right else ""


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


def figure(svg: str, caption: str) -> str:
    """Return a picture that fits the column, with its caption."""
    return f'<figure class="chart">\n{svg}<figcaption>{text(caption)}</figcaption>\n</figure>\n'


def picture(svg: str) -> Html:
    """Return a small picture as the inside of a cell."""
    return Html(f'<span class="bar">{svg}</span>')


def facts_list(rows: Iterable[tuple[str, str]]) -> str:
    """Return (name, words) pairs as a list of definitions, the names on the left where there is room."""
    told = "".join(f"<div><dt>{text(name)}</dt>\n<dd>{text(words)}</dd></div>\n" for name, words in rows)
    return f'<dl class="facts">\n{told}</dl>\n' if told else ""


def large(body: str) -> str:
    """Return what is left out on a phone: a picture that cannot be read there, and that is told in words beside it."""
    return f'<div class="large">\n{body}</div>\n' if body else ""


def beside(left: str, right: str) -> str:
    """Return two things beside each other where there is room."""
    return f'<div class="beside">\n<div>{left}</div>\n<div>{right}</div>\n</div>\n' if left else right


def screen(body: str) -> str:
    """Return what is for the screen alone: it would take many sheets of paper."""
    return f'<div class="screen">\n{body}</div>\n'


def part(key: str, title: str, body: str) -> str:
    """Return a part of a section with a heading of its own."""
    return f'<div id="{key}" class="part">\n{heading(title)}{body}</div>\n'


def plan_figure(svg: str, caption: str, printed: Iterable[PrintSheet]) -> str:
    """Return a large picture: on the screen it keeps its size and scrolls, on paper it has sheets of its own."""
    scrolling = f'<div class="scroll" role="group" tabindex="0" aria-label="{text(caption)}">\n{svg}</div>\n'
    sheets = "".join(
        f'<div class="sheet {"wide" if one.turned else "tall"}">\n<p>{text(one.caption)}</p>\n'
        f'<div style="width:{one.wide_mm:.1f}mm">\n{one.svg}</div>\n</div>\n'
        for one in printed
    )
    return f'<figure class="plan">\n{scrolling}<figcaption>{text(caption)}</figcaption>\n{sheets}</figure>\n'


def charts(figures: Iterable[str]) -> str:
    """Return small figures side by side where there is room."""
    inside = "".join(figures)
    return f'<div class="charts">\n{inside}</div>\n' if inside else ""


def section(key: str, title: str, body: str) -> str:
    titled = f'<h2 id="{key}-heading">{text(title)}</h2>'
    return f'<section id="{key}" aria-labelledby="{key}-heading">\n{titled}\n{body}</section>\n'


def page(title: str, head: str, links: Sequence[tuple[str, str]], body: str, paper: str) -> str:
    """Return the whole page.

    Parameters
    ----------
    title
        Of the page; also its only first-level heading.
    head
        What stands under it, before the links.
    links
        (section key, words) of the sections below.
    body
        The sections.
    paper
        "A4" or "letter".
    """
    if paper not in _PAPERS:
        raise ValueError(f"paper {paper!r}: allowed are {', '.join(_PAPERS)}")
    nav = "".join(f'<li><a href="#{key}">{text(words)}</a></li>\n' for key, words in links)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_NOTHING_FROM_OUTSIDE}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f'<link rel="icon" href="data:,">\n<title>{text(title)}</title>\n'
        f"<style>\n{_style(paper)}{picture_style()}</style>\n"
        f"</head>\n<body>\n<header>\n<h1>{text(title)}</h1>\n{head}</header>\n"
        f'<nav aria-label="Contents">\n<ul>\n{nav}</ul>\n</nav>\n<main>\n{body}</main>\n</body>\n</html>\n'
    )


_COLOURS = {"paper": PAPER, "ink": INK, "muted": MUTED, "faint": FAINT, "water": WATER, "new": NEW, "old": OLD}

_RULES = """\
*{box-sizing:border-box}
html{background:var(--paper);color:var(--ink);font:16px/1.5 Arial,'Liberation Sans',Helvetica,sans-serif}
body{margin:0 auto;max-width:72rem;padding:1rem}
h1{font-size:1.7rem;line-height:1.2;margin:.5rem 0}
h2{font-size:1.35rem;margin:2.2rem 0 .6rem;padding-top:.6rem;border-top:2px solid var(--faint)}
h3{font-size:1.1rem;margin:1.4rem 0 .4rem}
p,li{max-width:46rem}
a{color:var(--new)}
.answer{font-size:1.35rem;font-weight:bold;margin:.4rem 0}
.aside{color:var(--muted)}
nav ul{display:flex;flex-wrap:wrap;gap:.3rem 1.2rem;list-style:none;margin:1rem 0;padding:0}
nav a{display:inline-block;padding:.25rem 0}
.scroll{overflow-x:auto;margin:.8rem 0}
table{border-collapse:collapse;font-size:.94rem;margin:.8rem 0}
.strong{font-weight:bold}
.alarm{border-left:.3rem solid var(--old);padding-left:.7rem}
ul.alarm{padding-left:1.9rem}
ul.steps{list-style:none;padding:0}
ul.steps li{margin:.3rem 0;padding-left:1.4rem;text-indent:-1.4rem}
.beside{display:grid;grid-template-columns:minmax(0,24rem) minmax(0,1fr);gap:0 1.5rem}
.bar svg{display:block}
dl.facts > div{display:grid;grid-template-columns:8rem minmax(0,1fr);gap:.2rem 1rem}
caption{text-align:left;font-weight:bold;padding:.3rem 0}
.short{white-space:nowrap}
th,td{text-align:left;vertical-align:top;padding:.3rem .7rem .3rem 0;border-bottom:1px solid var(--faint)}
thead th{border-bottom:2px solid var(--muted);vertical-align:bottom}
tbody th{font-weight:normal;min-width:6.5rem}
td:not(.right):not(.short){min-width:5.5rem}
.right{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
figure{margin:1rem 0}
figcaption{color:var(--muted);font-size:.94rem;max-width:46rem}
.chart svg{display:block;width:100%;max-width:44rem;height:auto}
.charts .chart svg{max-width:36rem}
.plan svg{display:block;max-width:none}
.plan .sheet{display:none}
.charts{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,26rem),1fr));gap:0 2rem}
dt{font-weight:bold}
dd{margin:0 0 .5rem;max-width:46rem}
"""
_PHONE = """\
.beside{grid-template-columns:minmax(0,1fr)}
table,caption,thead,tbody,tr,th,td{display:block}
thead{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
tr{border-bottom:2px solid var(--muted);padding:.4rem 0}
th,td{border:0;padding:.1rem 0}
tbody th{font-weight:bold}
td:not(.right):not(.short){min-width:0}
td{display:grid;grid-template-columns:9rem minmax(0,1fr);gap:.6rem;text-align:left;overflow-wrap:anywhere}
td.right{white-space:normal;text-align:left}
dl.facts > div{grid-template-columns:minmax(0,1fr)}
.large{display:none}
td::before{content:attr(data-title);color:var(--muted)}
td.blank{display:none}
"""
_PRINT = """\
html{font-size:8pt;line-height:1.3}
table{font-size:7.2pt;margin:.3rem 0}
th,td{padding:.1rem .6rem .1rem 0}
p,ul{margin:.4rem 0}
h1{font-size:1.5rem;margin:.2rem 0}
h2{font-size:1.2rem;margin:.9rem 0 .3rem;padding-top:.3rem}
h3{font-size:1.05rem;margin:.6rem 0 .2rem}
.answer{font-size:1.15rem}
figure{margin:.4rem 0}
figcaption{font-size:7.5pt}
.bar svg{height:16px}
#card .bar svg{height:24px}
ul.steps li{margin:.1rem 0}
tbody th,td:not(.right):not(.short){min-width:0}
body{max-width:none;padding:0}
nav{display:none}
.scroll{overflow:visible}
h2,h3,h3 + p,dt,caption{break-after:avoid}
tr,li,figure,dd{break-inside:avoid}
tbody tr:first-child{break-before:avoid}
#plumbing > h3{display:none}
.plan{margin:0}
.plan .scroll,.plan figcaption{display:none}
.plan .sheet{display:block;break-before:page;break-inside:avoid}
.plan .sheet p{margin:0 0 2mm;max-width:none}
.plan .sheet svg{width:100%;height:auto}
.wide{page:wide}
.tall{page:tall}
.charts{grid-template-columns:1fr 1fr;gap:0 1rem}
.screen,.plan:not(:has(.sheet)){display:none}
#order table,#build table,#appendix table{width:100%}
.chart svg{max-height:58mm}
.beside .chart svg{max-height:none;width:66mm}
.beside figcaption,.part > h3 + table > caption{display:none}
section > h2,.part > h3{break-after:avoid}
.beside{grid-template-columns:68mm minmax(0,1fr);gap:0 3mm}
p,li,dd{max-width:none}
dl:not(.facts){columns:3;column-gap:5mm;font-size:7.5pt}
dl > div{break-inside:avoid}
dl.facts dd{margin:0 0 .15rem}
a{color:inherit;text-decoration:none}
"""


def _style(paper: str) -> str:
    margin = f"margin:{SHEET_MARGIN_MM:g}mm"
    pages = f"@page wide{{size:{paper} landscape;{margin}}}@page tall{{size:{paper} portrait;{margin}}}\n"
    return (
        f":root{{{_variables('light')}}}\n"
        f"@media (prefers-color-scheme:dark){{:root{{{_variables('dark')}}}}}\n"
        f"{_RULES}@media screen and (max-width:72rem){{.short{{white-space:normal}}}}\n"
        f"@media screen and (max-width:44rem){{\n{_PHONE}}}\n@page{{size:{paper};margin:11mm}}\n{pages}"
        f"@media print{{\n:root{{{_variables('ink')}}}\n{_PRINT}}}\n"
    )


def _variables(surroundings: str) -> str:
    return ";".join(f"--{name}:{getattr(colour, surroundings)}" for name, colour in _COLOURS.items())
