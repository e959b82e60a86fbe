"""What was searched for in a sitting → the values of the view of plans, and of that of flow meters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.web import edit_views, plan_views
from optimizer.web.answers import Answers
from optimizer.web.forms import Standing
from optimizer.web.plans import STOPS
from optimizer.web.sitting import Sitting
from optimizer.web.varying import FIELDS, KINDS, places, varied_html
from optimizer.web.worker import SOLVERS


def vary_values(sitting: Sitting, system: System, form: Mapping[str, str]) -> dict[str, Any]:
    """Return what may vary, and what came of the last variants; `form` has what was typed just now."""
    content, found = sitting.plans.studies.get("vary", (b"", None))
    job = sitting.plans.jobs.job
    last = job.asked.options if job is not None and job.asked.what == "vary" else found.typed if found else {}
    asked = form if form.keys() & set(FIELDS) else last
    told = None
    if found:
        told = {"told": Markup(varied_html(found)), "svg": Markup(found.svg), "files": sorted(found.files)}
    return {
        "varied": told,
        "varied_stale": found is not None and content != sitting.content,
        "places": places(Standing(sitting.sheet.text, system), system),
        "kinds": KINDS,
        "typed": {name: asked.get(name, "") for name in FIELDS},
        "run": next(iter(system.network.runs), "return line"),
    }


def plan_values(sitting: Sitting, system: System, form: Mapping[str, str]) -> dict[str, Any]:
    """Return the chosen plan with its papers, and all that was studied beside it."""
    plans, content = sitting.plans, sitting.content
    chosen, job = plans.chosen, plans.jobs.job
    report = chosen.report if chosen else None
    drawings = plan_views.plan_drawings(report) if report else ("", "")
    studied = plans.studies.get("frontier")
    chart, frontier_said = plan_views.frontier_html(system, studied[1], report) if studied else ("", "")
    return {
        **vary_values(sitting, system, form),
        "busy": plans.jobs.busy,
        "stop_words": STOPS.get(job.asked.what, "") if job is not None else "",
        "failed": job.failed if job is not None and job.over else "",
        "solvers": SOLVERS,
        "lists": sitting.folder_lists,
        "targets": bool(system.all_targets),
        "budget": system.rules.budget_cents is not None,
        "chosen": chosen,
        "stale": chosen is not None and chosen.content != content,
        "summary": plan_views.summary(report) if report else (),
        "proved": report is None or report.plan.status is Status.OPTIMAL,
        "told": Markup(plan_views.plan_html(report)) if report else "",
        "refusal": Markup(plan_views.no_plan_html(system, chosen)) if chosen and not report else "",
        "ways": plan_views.ways_out(system, chosen.planned.plan.reasons) if chosen and not report else (),
        "after": Markup(drawings[0]),
        "before": Markup(drawings[1]),
        "papers": sorted(chosen.papers) if chosen else [],
        "card_now": sorted(plans.card_now[1]) if plans.card_now else [],
        "frontier": studied is not None,
        "frontier_stale": studied is not None and studied[0] != content,
        "chart": Markup(chart),
        "rows": plan_views.frontier_rows(studied[1], report) if studied else (),
        "frontier_said": Markup(frontier_said),
        "studies": [Markup(one) for one in plan_views.studies_html(system, plans.studies)],
        "beside": [
            (one.words, plan_views.summary(one.report), Markup(plan_views.plan_html(one.report)))
            for one in plans.beside
            if one.report
        ],
    }


def fitting_values(sitting: Sitting, answers: Answers) -> dict[str, Any]:
    """Return what the view of adapters and meters asks for and shows."""
    plans, system = sitting.plans, answers.system
    job = plans.jobs.job
    ours = job is not None and job.asked.what == "meters"
    return {
        "busy": plans.jobs.busy,
        "stop_words": STOPS.get(job.asked.what, "") if job is not None else "",
        "failed": job.failed if job is not None and ours and job.over else "",
        "ends": edit_views.known_ends(answers.catalog),
        "runs": list(system.network.runs),
        "units": system.units,
        "meters": Markup(plan_views.meters_html(system, answers.catalog.currency, plans.studies)),
        "meters_stale": "meters" in plans.studies and plans.studies["meters"][0] != sitting.content,
    }
