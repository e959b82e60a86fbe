"""The sheets for the workbench: what to saw from which length, then run by run the sketch with its steps beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.documents.build_words import SIGN, before_words, closing_words, step_words, tools_words
from optimizer.documents.drawing.stick_strips import WIDTH as STRIP_PX
from optimizer.documents.drawing.stick_strips import piece_words, strip_canvas, told
from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.drawing.work_sketch import SKETCH_PX, sketch_canvas
from optimizer.documents.report_facts import ReportFacts
from optimizer.documents.sheet_kit import TIGHT_MARGINS, Book, Cell, Place, Sheet, unbroken
from optimizer.documents.type_width import text_height_points
from optimizer.documents.work_pictures import sketch_words, sketches
from optimizer.takeoff.cut_list import CutList
from optimizer.takeoff.take_off import TakeOff
from optimizer.takeoff.work_order import RunWork
from optimizer.units import show_length
from optimizer.wording.notes import note_words
from optimizer.wording.work import MEASURE

BUILD_SHEET = "Build"
MOST_RUNS = 3  # on a page
_SKETCH_SHOWN = 345.0  # pixels: viewers differ by some percent in how wide a column is
_WIDTHS = (53.0, 3.5, 50.0)
_LEAST_SCALE = 0.72  # a page is printed no smaller than this for the sake of one run more
_POINTS_PER_PX = 72.0 / 96.0
_HEADING_POINTS, _GAP_POINTS = 27.0, 11.25
_FULL_POINTS = 715.0  # of rows on a page of either paper at full size


@dataclass(frozen=True)
class _Block:
    """A run on the page: its steps, and its sketch where there is one."""

    work: RunWork
    units: str
    sketch: Canvas | None
    told: str

    @property
    def points(self) -> float:
        steps = sum(text_height_points(step_words(step, self.units), _WIDTHS[-1], {}) for step in self.work.steps)
        drawn = self.sketch.height * _POINTS_PER_PX * _SKETCH_SHOWN / SKETCH_PX if self.sketch is not None else 0.0
        return _HEADING_POINTS + max(steps, drawn) + _GAP_POINTS


def build_sheets(book: Book, taken: TakeOff, facts: ReportFacts | None) -> None:
    """Write the sheets, each on one printed page; none where nothing is cut and nothing is joined."""
    if not taken.work and not taken.cuts.pieces:
        return
    pages = _pages(_blocks(taken, facts, book.units), _first_points(taken.cuts))
    for place, blocks in enumerate(pages):
        name = BUILD_SHEET if len(pages) == 1 else f"{BUILD_SHEET} {place + 1}"
        sheet = book.sheet(name, _WIDTHS, landscape=False, margins=TIGHT_MARGINS, pages=1)
        if place == 0:
            for place_of, words in enumerate(before_words(taken, book.units)):
                sheet.paragraph(words, "strong" if place_of == 0 else "text")
            sheet.paragraph(tools_words(taken))
            _cuts(sheet, taken.cuts)
        for block in blocks:
            _run(sheet, block)
        if place == len(pages) - 1:
            _closing(sheet, taken)


def _blocks(taken: TakeOff, facts: ReportFacts | None, units: str) -> list[_Block]:
    drawn = {} if facts is None else {one.run: one for one in sketches(facts, taken.cuts)}
    return [
        _Block(
            work,
            units,
            sketch_canvas(drawn[work.run]) if work.run in drawn else None,
            sketch_words([drawn[work.run]]) if work.run in drawn else "",
        )
        for work in taken.work
    ]


def _first_points(cuts: CutList) -> float:
    """Return about how high what stands before the runs is [points]."""
    strips = sum(len(pipes.plan.sticks) for pipes in cuts.pipes)
    return 90.0 + 38.0 * strips


def _pages(blocks: Sequence[_Block], first_points: float) -> list[list[_Block]]:
    """Return the runs page by page, three on one at the most, no more than print large enough."""
    pages: list[list[_Block]] = [[]]
    used = first_points
    for block in blocks:
        full = used + block.points > _FULL_POINTS / _LEAST_SCALE
        if pages[-1] and (full or len(pages[-1]) == MOST_RUNS):
            pages.append([])
            used = 0.0
        pages[-1].append(block)
        used += block.points
    return pages


def _cuts(sheet: Sheet, cuts: CutList) -> None:
    """Write the strips of all lengths to scale, and under them every piece with its mark."""
    if not cuts.pieces:
        return
    units = sheet.book.units
    sheet.heading(f"Saw first (a saw cut takes {show_length(cuts.kerf_m, units)})")
    canvas = strip_canvas(cuts, units)
    if canvas is not None:
        words = told(cuts, units)
        place = Place(sheet.row, 0, STRIP_PX, 6.0, 2.0)
        sheet.skip(canvas.height * _POINTS_PER_PX + 6.0)
        sheet.picture(
            canvas.svg("Lengths of pipe with their cuts", words, "strips", alone=True), STRIP_PX, place, words
        )
    in_strips = {piece.mark for pipes in cuts.pipes for piece in pipes.pieces}
    for piece in cuts.pieces:
        if piece.mark not in in_strips:
            length = piece_words(piece.cut_m, units)
            sheet.paragraph(f"Mark {piece.mark}: {length} of {piece.item.description}, off the coil, for {piece.run}.")
    notes = [*(f"Note: {note_words(note, units)}." for note in cuts.notes)]
    sheet.paragraph(" ".join((MEASURE, *notes)), "small")


def _run(sheet: Sheet, block: _Block) -> None:
    """Write a run: the sketch on the left, the steps with a box each beside it."""
    sheet.heading(block.work.run)
    first, start = sheet.row, sheet.height_points
    for step in block.work.steps:
        sheet.write([Cell(None, "plain"), Cell("☐", "center"), Cell(unbroken(step_words(step, block.units)))])
    if block.sketch is None:
        return
    sheet.skip(block.sketch.height * _POINTS_PER_PX * _SKETCH_SHOWN / SKETCH_PX - (sheet.height_points - start))
    svg = block.sketch.svg(f"{block.work.run}, now and after", block.told, f"sketch-{first}", alone=True)
    sheet.picture(svg, block.sketch.width, Place(first, 0, _SKETCH_SHOWN, 2.0, 2.0), block.told)


def _closing(sheet: Sheet, taken: TakeOff) -> None:
    """Write what is done when the last run is together, with a line to sign."""
    steps = closing_words(taken)
    if steps:
        sheet.heading("When the last joint is made")
        for words in steps:
            sheet.paragraph(f"☐  {words}", "text")
    sheet.write([Cell(SIGN, "plain", span=len(_WIDTHS))], 24.0)
