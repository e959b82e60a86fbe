"""What a sitting holds → the pages and the parts of pages that the browser is sent."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from jinja2 import Environment
from markupsafe import Markup

from optimizer import __version__
from optimizer.documents.drawing.drains import shown_drains
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.palette import picture_style
from optimizer.documents.report_facts import solved
from optimizer.errors import EditError, Fault, InputError, NetworkError, OptimizerError
from optimizer.web import edit_views, fault_views, tank_views, views
from optimizer.web.adding import places_of
from optimizer.web.examples import example_for
from optimizer.web.forms import Standing, part_of
from optimizer.web.markup import blocks_html
from optimizer.web.overlays import NOTHING, Overlay
from optimizer.web.plumbing import drawn_plumbing
from optimizer.web.sitting import Sheet, Sitting

if TYPE_CHECKING:
    from optimizer.documents.drawing.lanes import Order
    from optimizer.documents.report_facts import Solved
    from optimizer.model.system import System
    from optimizer.web.answers import Answers

PICTURE_STYLE: Callable[[], str] = picture_style
VIEWS = (
    ("plumbing", "Plumbing"),
    ("wishes", "Targets and rules"),
    ("tanks", "Tanks and modes"),
    ("readings", "Readings"),
    ("fittings", "Adapters and meters"),
    ("plan", "Plan"),
    ("file", "File"),
)
LAID = (  # what the drawing shows, each a view of its own
    ("plumbing", "Flows"),
    ("losses", "Losses"),
    ("heads", "Head lines"),
    ("safety", "Safety"),
    ("leaks", "Leaks"),
)
Asked = Mapping[str, str]
Refusal = tuple[Sequence[Fault], Mapping[str, str]]  # what a change would leave wrong, and the form that asked for it


class Pages:
    """Makes pages of a sitting. `asked` names the view, the mode and the handle that is chosen."""

    def __init__(self, sitting: Sitting, templates: Environment) -> None:
        self.sitting = sitting
        self.templates = templates
        templates.globals["eg"] = lambda words: example_for(words, sitting.last_read)
        self._orders: dict[object, Order] = {}
        self._drawn: dict[object, fault_views.Drawable | None] = {}  # of the last text with errors

    def whole(self, asked: Asked, window: str) -> str:
        """Return the whole page."""
        return self._fill("page.html", window=window, **self._frame(asked))

    def sheet(self, asked: Asked, said: str = "", refused: Refusal | None = None) -> str:
        """Return what of the page changes with each change of the file.

        `said` is told at its top; `refused` are the errors that a change would leave, with the form that asked for it.
        """
        return self._fill("sheet.html", **self._frame(asked, said, refused))

    def runs(self, asked: Asked, with_band: bool) -> str:
        """Return the table of runs; with the band of each flow, which takes longer than the flows themselves."""
        sheet = self.sitting.sheet
        if sheet.answers is None:
            return ""
        name, at = sheet.answers.mode(asked.get("mode", ""))
        try:
            return self._fill("runs.html", **self._runs(sheet.answers, name, at, with_band))
        except NetworkError as error:
            return self._fill("trouble.html", words=views.trouble_words(error))

    def panel(self, asked: Asked, at: str) -> str:
        """Return what is told of a handle that was chosen."""
        answers = self.sitting.sheet.answers
        return "" if answers is None else self._fill("panel.html", **self._panel(answers, asked, at))

    def stamp(self) -> str:
        """Return what changes whenever an open page no longer shows what there is."""
        sheet = self.sitting.sheet
        disk = "changed" if sheet.changed_on_disk else "same"
        return f"{sheet.revision} {self.sitting.plans.jobs.turns} {disk}"

    def _fill(self, template: str, **values: Any) -> str:
        return self.templates.get_template(template).render(**values)

    def _frame(self, asked: Asked, said: str = "", refused: Refusal | None = None) -> dict[str, Any]:
        """Return the values of a page's frame and of its view."""
        sheet, path = self.sitting.sheet, self.sitting.path
        view = asked.get("view", "")
        view = view if view in dict((*VIEWS, *LAID)) else VIEWS[0][0]
        answers = sheet.answers
        mode, modes = "", list[str]()
        if answers is not None:
            mode = answers.mode(asked.get("mode", ""))[0]
            modes = [name for name, _ in answers.system.ways_to_run if name]
        frame: dict[str, Any] = {
            "title": answers.system.name if answers else path.name,
            "note": answers.system.note if answers else "",
            "file": str(path),
            "version": __version__,
            "sheet": sheet,
            "stamp": self.stamp(),
            "views": VIEWS,
            "laid": LAID if answers is not None and view in dict(LAID) else (),
            "view": view,
            "mode": mode,
            "modes": modes,
            "at": asked.get("at", ""),
            "said": said,
            "unsaved": "" if sheet.saved else fault_views.shown_text(sheet.text),
            "left_over": self.sitting.left_over,
            "refused": [f"found {one.found}; allowed: {one.allowed}" for one in refused[0]] if refused else [],
            "again": dict(refused[1]) if refused else {},
        }
        return {**frame, "body": Markup(self._body(sheet, view, mode, asked))}

    def _body(self, sheet: Sheet, view: str, mode: str, asked: Asked) -> str:
        """Return the inside of a view; where the file has faults, its lines with them."""
        if not sheet.text.strip():
            pumps = edit_views.shelf_pumps(self.sitting.shelf)
            return self._fill("begin.html", pumps=pumps, typed=asked)
        if sheet.answers is None:
            return self._faults(sheet)
        try:
            return self._view(sheet.answers, view, mode, asked)
        except NetworkError as error:
            return self._fill("trouble.html", words=views.trouble_words(error))

    def _drawable(self, sheet: Sheet) -> fault_views.Drawable | None:
        """Return what can be drawn of a file with errors: told once for a text, as each error takes a reading of it."""
        key = (sheet.text, tuple(sheet.faults), id(self.sitting.last_read))
        if key not in self._drawn:
            told = fault_views.drawable(sheet.text, sheet.faults, self.sitting.read_as, self.sitting.last_read)
            self._drawn = {key: told}
        return self._drawn[key]

    def _faults(self, sheet: Sheet) -> str:
        """Return the errors of a file at their parts and at their lines."""
        told = self._drawable(sheet)
        drawing = ""
        if told is not None:
            with suppress(NetworkError):
                at = told.system.ways_to_run[0][1]
                drawing = self.drawing(told.system, solved(at.network, False), "", told.laid, living=False)
        faults = fault_views.faults_at(sheet.text, sheet.faults)
        words = told.words if told is not None else ""
        values = {
            "faults": faults,
            "lines": fault_views.lines_of(sheet.text, sheet.faults),
            "text": fault_views.shown_text(sheet.text),
            "sound": False,
        }
        return self._fill("faults.html", drawing=Markup(drawing), words=words, **values)

    def _view(self, answers: Answers, view: str, mode: str, asked: Asked) -> str:
        match view:
            case "losses" | "heads" | "safety" | "leaks":
                return self._laid(answers, view, mode, asked)
            case "plan":
                return self._plan(answers.system, asked)
            case "wishes":
                return self._wishes(answers, mode)
            case "tanks":
                return self._tanks(answers, asked.get("at", ""))
            case "readings":
                return self._readings(answers, mode)
            case "fittings":
                return self._fittings(answers)
            case "file":
                return self._file()
            case _:
                return self._plumbing(answers, mode, asked)

    def _plumbing(self, answers: Answers, mode: str, asked: Asked) -> str:
        name, at = answers.mode(mode)
        told = self._runs(answers, name, at, with_band=False)
        drawing = Markup(self.drawing(answers.system, answers.solved(name), asked.get("at", "")))
        panel = Markup(self._fill("panel.html", **self._panel(answers, asked, asked.get("at", ""))))
        told |= {"drawing": drawing, "panel": panel, "sliders": edit_views.sliders(at)}
        told |= {"points": edit_views.points_of(at.network), "sizes": edit_views.pipe_sizes(answers.catalog)}
        told |= {"places": places_of(self.shown()), "new_drain": tank_views.new_drain()}
        return self._fill("plumbing.html", shelf=edit_views.shelf_pumps(answers.catalog), **told)

    def _laid(self, answers: Answers, view: str, mode: str, asked: Asked) -> str:
        """Return the drawing with something laid over it, and what is to be said of that below."""
        from optimizer.web.overlays import OVERLAYS

        name, at = answers.mode(mode)
        laid = OVERLAYS[view](answers, name)
        drawing = Markup(self.drawing(answers.system, answers.solved(name), asked.get("at", ""), laid))
        panel = Markup(self._fill("panel.html", **self._panel(answers, asked, asked.get("at", ""))))
        told = {"losses": views.losses_html, "safety": views.safety_html, "leaks": views.leaks_html}
        return self._fill(
            "laid.html",
            drawing=drawing,
            panel=panel,
            words=laid.words,
            view=view,
            mode=name,
            runs=list(at.network.runs),
            pictures=_figures(answers, name) if view == "heads" else [],
            told=Markup(told[view](answers, name)) if view in told else "",
        )

    def tried(self, asked: Asked, settings: Mapping[str, str]) -> str:
        """Return drawing and flows with valves and pumps at these percent, as a try: nothing is kept of it.

        Raises
        ------
        NetworkError
            The plumbing has no solution so.
        """
        answers = self.sitting.sheet.answers
        if answers is None:
            return ""
        name, at = answers.mode(asked.get("mode", ""))
        tried = views.set_to(at, settings)
        state = solved(tried.network, False)
        drawing = self.drawing(tried, state, asked.get("at", ""))
        rows = {
            "rows": (*views.run_rows(tried, state, None), *views.sum_rows(tried, state)),
            "pumps": views.pump_rows(tried, state),
            "drains": views.drain_rows(tried),
        }
        told = {"notes": (), "with_band": True, "mode": name, "unsafe": (), "trying": True}
        return self._fill("tried.html", drawing=Markup(drawing), **rows, **told)

    def trouble(self, words: str) -> str:
        return self._fill("trouble.html", words=words)

    def fitting(self, asked: Asked, at: str) -> str:
        """Return the kinds of part for the place of one, those greyed that cannot stand there, with the reasons."""
        from optimizer.web import fits

        shown = self.shown()
        try:
            choices = fits.choices_at(shown, at, self.sitting.read_as)
            kind = part_of(shown, at)[2].kind.value
        except EditError as error:
            return self._fill("trouble.html", words=str(error))
        return self._fill("kinds.html", choices=choices, kind=kind, judged=True, at=at)

    def more(self, what: str, asked: Asked) -> str:
        """Return what is told of the system only when it is asked for; in words what the form has wrong."""
        from optimizer.web.more import TOLD

        answers = self.sitting.sheet.answers
        if answers is None or what not in TOLD:
            return ""
        try:
            return blocks_html(TOLD[what](answers, answers.mode(asked.get("mode", ""))[1], asked), 3)
        except InputError as error:
            said = "; ".join(f"found {one.found}; allowed: {one.allowed}" for one in error.faults)
            return self._fill("trouble.html", words=said)
        except OptimizerError as error:
            return self._fill("trouble.html", words=str(error))

    def shown(self) -> Standing:
        """Return what the page shows, for a form."""
        sheet = self.sitting.sheet
        answers = sheet.answers
        return Standing(sheet.text, answers.system, answers.catalog) if answers else Standing(sheet.text)

    def _wishes(self, answers: Answers, mode: str) -> str:
        shown = self.shown()
        return self._fill(
            "wishes.html",
            targets=edit_views.target_fields(shown, answers.system, mode),
            rules=edit_views.rule_fields(shown),
            head=edit_views.head_fields(shown),
            second=tank_views.second_pump_form(shown),
            prices=tank_views.price_rows(shown),
            lists=self.sitting.folder_lists,
            by_mode=bool(mode),
            mode=mode,
            units=answers.system.units,
        )

    def _tanks(self, answers: Answers, at: str) -> str:
        system, shown = answers.system, self.shown()
        names = list(system.network.points)
        place = at.removeprefix("point-")
        opened = names[int(place)] if place.isdigit() and int(place[:6]) < len(names) else ""
        points, sizes = edit_views.points_of(system.network), edit_views.pipe_sizes(answers.catalog)
        return self._fill(
            "tanks.html", **tank_views.tank_forms(shown, system), opened=opened, points=points, sizes=sizes
        )

    def _readings(self, answers: Answers, mode: str) -> str:
        system = answers.system
        name, at = answers.mode(mode)
        return self._fill(
            "readings.html",
            rows=edit_views.reading_rows(self.shown()),
            runs=list(system.network.runs),
            pumps=list(system.network.pumps),
            calculated=[(row.name, row.flow) for row in views.run_rows(at, answers.solved(name), None)],
            in_mode=edit_views.settings_in(at) if name else (),
            mode=name,
            told=Markup(views.readings_html(answers)),
            calibrated=system.calibration is not None,
            factors=tank_views.calibration_rows(self.shown()),
        )

    def _fittings(self, answers: Answers) -> str:
        from optimizer.web.plan_page import fitting_values

        return self._fill("fittings.html", progress=self.progress()[0], **fitting_values(self.sitting, answers))

    def _file(self) -> str:
        return self._fill("file.html", text=fault_views.shown_text(self.sitting.sheet.text), sound=True)

    def drawing(self, system: System, state: Solved, chosen: str, laid: Overlay = NOTHING, living: bool = True) -> str:
        """Return the plumbing drawn; its columns stay where they were as long as the runs are the same."""
        network = state.network
        drains = shown_drains(system.drains, network, system.units)
        shown = Shown(network, system.units, state.solution.flows_m3_s, state.losses_m(), drains=drains)
        key = tuple((run.name, run.start.point, run.end.point) for run in shown.drawn.runs.values())
        name = f"{system.name}: runs and their parts"
        drawn = drawn_plumbing(shown, name, self._orders.get(key, ()), chosen, living, laid)
        self._orders = {key: drawn.order}
        return drawn.html

    def _runs(self, answers: Answers, mode: str, at: System, with_band: bool) -> dict[str, Any]:
        state = answers.solved(mode)
        band = answers.band(mode) if with_band else None
        return {
            "rows": (*views.run_rows(at, state, band), *views.sum_rows(at, state)),
            "pumps": views.pump_rows(at, state),
            "drains": views.drain_rows(at),
            "notes": answers.notes(mode) if with_band else (),
            "with_band": with_band,
            "mode": mode,
            "unsafe": answers.unsafe() if with_band and (at.tanks or at.drains) else (),
        }

    def progress(self) -> tuple[str, bool]:
        """Return how far the work is that goes on, and whether it has ended."""
        from optimizer.web import plan_views

        job = self.sitting.plans.jobs.job
        if job is None or job.over:
            return "", True
        answers = self.sitting.sheet.answers
        currency = answers.system.currency if answers else "USD"
        return self._fill("progress.html", progress=plan_views.progress_of(job, currency)), False

    def _plan(self, system: System, asked: Asked) -> str:
        """Return what was searched for, or how to begin."""
        from optimizer.web.plan_page import plan_values  # what few pages need is loaded when one does

        return self._fill("plan.html", progress=self.progress()[0], **plan_values(self.sitting, system, asked))

    def _panel(self, answers: Answers, asked: Asked, at: str) -> dict[str, Any]:
        name, system = answers.mode(asked.get("mode", ""))
        facts = views.handle_facts(system, answers.solved(name), at)
        told: dict[str, Any] = {"told": facts, "at": at, "form": None, "what": at.partition("-")[0], "curve": ""}
        if facts is None:
            return told
        shown = self.shown()
        told |= {"choices": edit_views.kind_choices(), "judged": False}
        told |= {"points": edit_views.points_of(system.network), "sizes": edit_views.pipe_sizes(answers.catalog)}
        try:
            if told["what"] == "part":
                told["form"] = edit_views.part_form(shown, at, system)
                if told["form"]["section"] == "pumps":
                    told["curve"] = Markup(views.pump_curve(answers, name, told["form"]["name"]))
                if asked.get("view", "plumbing") not in ("", "plumbing"):  # only there the flows follow a slider
                    told["form"]["slider"] = None
            elif told["what"] == "run":
                told["form"] = edit_views.run_form(shown, at)
            elif told["what"] == "drain":
                told["form"] = tank_views.drain_form(shown, system, at)
            else:
                name = list(system.network.points)[int(at.partition("-")[2])]
                told["form"] = edit_views.point_form(shown, name, system.network)
        except EditError as error:
            told["trouble"] = str(error)
        return told


def _figures(answers: Answers, mode: str) -> list[dict[str, Any]]:
    return [
        {"svg": Markup(one.svg), "caption": one.caption, "name": one.name} for one in views.pictures_of(answers, mode)
    ]
