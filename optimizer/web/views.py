"""What is known of a system → the parts of the page: each view a function from values to HTML."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from optimizer.documents import flows_text
from optimizer.documents.balance_text import balance_blocks
from optimizer.documents.cautions import CODES
from optimizer.documents.drawing.drains import capacity_words, end_of
from optimizer.documents.drawing.levels import elevation_m
from optimizer.documents.floor_text import (
    LEAK_BASIS,
    LEAK_TITLES,
    MISHAP_TITLES,
    leak_rows,
    mishap_notes,
    mishap_rows,
    probe_words,
)
from optimizer.documents.safety_text import safety_blocks, today_blocks
from optimizer.documents.tables import Block, Heading, Lines, Table, table
from optimizer.documents.targets import target_words, targets_of, targets_on_sums
from optimizer.documents.words import flow_span, flow_words, in_mode, pump_setting
from optimizer.errors import NetworkError
from optimizer.model.catalog import THROTTLES
from optimizer.model.dial import RPM
from optimizer.model.network import Condition, Point, Run
from optimizer.model.system import System, Target
from optimizer.model.tanks import Drain
from optimizer.units import show_flow, show_head, show_length, show_velocity
from optimizer.web.answers import Answers
from optimizer.web.markup import blocks_html
from optimizer.web.plumbing import point_name
from optimizer.wording.amounts import percent
from optimizer.wording.notes import notes_words

if TYPE_CHECKING:
    from optimizer.documents.pictures import Picture
    from optimizer.documents.report_facts import Solved
    from optimizer.hydraulics import NetworkSolution


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run of the table beside the drawing; `at` is the id of its handle, `mark` says in words how it does."""

    at: str
    name: str
    flow: str
    band: str
    loss: str
    velocity: str
    target: str
    mark: str
    good: bool | None  # None: nothing was asked of it


@dataclass(frozen=True, slots=True)
class PumpRow:
    name: str
    setting: str
    flow: str
    head: str


@dataclass(frozen=True, slots=True)
class DrainRow:
    """One drain of the table beside the drawing; `at` is the id of its handle, nothing where it cannot be drawn."""

    at: str
    name: str
    tank: str
    end: str
    mode: str
    carries: str


def run_rows(system: System, state: Solved, band: Mapping[str, tuple[float, float]] | None) -> tuple[RunRow, ...]:
    """Return flow, head lost, velocity and target of every run; `band` where it was worked out."""
    losses_m, units, solution = state.losses_m(), system.units, state.solution
    rows = []
    for place, name in enumerate(system.network.runs):
        flow, fast = (told.get(name, math.nan) for told in (solution.flows_m3_s, solution.velocities_m_s))
        mark, good = _mark(targets_of(system.targets, name), solution, units)
        rows.append(
            RunRow(
                f"run-{place}",
                name,
                solution.doubt.words(name, _finite(flow, flow_words, units)),
                flow_span(*band[name], units) if band and name in band else "",
                _finite(losses_m.get(name, math.nan), show_head, units),
                _finite(fast, show_velocity, units),
                target_words(system.targets, name, units),
                mark,
                good,
            )
        )
    return tuple(rows)


def sum_rows(system: System, state: Solved) -> tuple[RunRow, ...]:
    """Return what runs carry together of which that is asked."""
    rows, units = [], system.units
    for target in targets_on_sums(system.targets):
        told = flows_text.sum_words(target, state.solution, units)
        wanted = target_words([target], target.run, units)
        rows.append(RunRow("", target.run, told, "", "", "", wanted, *_mark([target], state.solution, units)))
    return tuple(rows)


def _finite(value: float, words: Callable[[float, str], str], units: str) -> str:
    return words(value, units) if math.isfinite(value) else "–"


def _mark(targets: Sequence[Target], solution: NetworkSolution, units: str) -> tuple[str, bool | None]:
    """Return how flows stand to what was asked: `on target`, `40 gph short`; nothing where nothing was, or is known."""
    flows, known = solution.flows_m3_s, solution.doubt.known
    told = [one for one in targets if all(map(known, one.summed)) and math.isfinite(one.amount_m3_s(flows))]
    for miss_m3_s in (one.miss_m3_s(flows) for one in told):
        if miss_m3_s:
            return f"{show_flow(abs(miss_m3_s), units)} {'too much' if miss_m3_s > 0.0 else 'short'}", False
    return ("on target", True) if told else ("", None)


def pump_rows(system: System, state: Solved) -> tuple[PumpRow, ...]:
    """Return where every pump works."""
    doubt, units = state.solution.doubt, system.units
    return tuple(
        PumpRow(
            pump.name,
            pump_setting(pump),
            doubt.words(flows_text.pump_run(system.network, pump.name), _finite(flow, flow_words, units)),
            "not known" if pump.name in doubt.pumps else _finite(head, show_head, units),
        )
        for pump, flow, head in flows_text.pump_points(system.network, state.solution)
    )


def drain_rows(system: System) -> tuple[DrainRow, ...]:
    """Return what every drain takes, with its valves open."""
    network, rows = system.network, []
    for place, drain in enumerate(system.drains):
        end, words = end_of(drain, network), capacity_words(drain, network, system.units)
        rows.append(DrainRow(f"drain-{place}" if end else "", drain.name, drain.tank, end, str(drain.mode), words))
    return tuple(rows)


def losses_html(answers: Answers, mode: str) -> str:
    """Return the loss of every part, the largest first, with what its run would gain without it."""
    name, at = answers.mode(mode)
    state = answers.solved(name, gains=True)
    warnings = notes_words(state.solution.warnings, at.units) if state.solution.doubt.pumps else ()
    return blocks_html(flows_text.loss_blocks(at, state.losses, None, warnings, name), 2)


def pictures_of(answers: Answers, mode: str) -> tuple[Picture, ...]:
    """Return head lines, pump curves and the largest losses in a mode, as the command draws them."""
    from optimizer.documents.pictures import system_pictures

    return system_pictures(answers.mode(mode)[1])[1:]


def pump_curve(answers: Answers, mode: str, name: str) -> str:
    """Return a pump's curve with what the plumbing takes; nothing of one that is off or whose plumbing has no flows."""
    from optimizer.documents.drawing.curves import curves_chart, pump_picture

    system = answers.mode(mode)[1]
    pump = system.network.pumps.get(name)
    if pump is None or pump.speed <= 0.0:
        return ""
    state = answers.solved(mode)
    picture = pump_picture(state.network, state.solution, pump)
    return curves_chart(picture, None, system.units, title=f"Pump {name} and its plumbing", key="panel-curve")


def safety_html(answers: Answers, mode: str) -> str:
    """Return what could flood, burst or run dry, what may fail, and which joints are weak."""
    name, at = answers.mode(mode)
    safe, units = answers.safety(), at.units
    blocks: list[Block] = [*today_blocks(safe, units), *_checks(safety_blocks(safe, units))]
    flows = answers.solved(name).solution.flows_m3_s
    blocks += balance_blocks(at, at.network, flows, name)
    floor = answers.floor(name)
    if at.tanks or at.drains:
        blocks.append(Heading(in_mode("If something fails", name)))
        blocks.append(table(MISHAP_TITLES, mishap_rows(floor.mishaps, units), right=(1, 2)))
        blocks.append(Lines(tuple(mishap_notes(floor.mishaps, units))))
    else:
        blocks.append(
            "The file describes no tanks and no drains: overflow, power-off drain-back and clogged drains are not "
            "checked. That does not mean that they are safe."
        )
    blocks.append(CODES)
    return blocks_html(blocks, 2)


def leaks_html(answers: Answers, mode: str) -> str:
    """Return which joints are weak, and where a leak probe belongs."""
    leaks = answers.floor(mode).leaks
    known = [one for one in leaks if one.water_m3 is not None]
    said = (probe_words(known), LEAK_BASIS if known else "", CODES)
    blocks: list[Block] = [
        Heading("Weak joints, the worst first"),
        table(LEAK_TITLES, leak_rows(leaks, answers.system.units), right=(2, 3)),
        Lines(tuple(words for words in said if words)),
    ]
    return blocks_html(blocks, 2)


def _checks(blocks: Sequence[Block]) -> list[Block]:
    """Return the table of checks without its column for after the work: nothing is planned here."""
    told: list[Block] = []
    for block in blocks:
        if isinstance(block, Table) and "after" in block.columns:
            keep = [place for place, title in enumerate(block.columns) if title != "after"]
            rows = [[row[place] for place in keep] for row in block.rows]
            told.append(table([block.columns[place] for place in keep], rows, right=(1, 2, 3)))
        else:
            told.append(block)
    return told


def trouble_words(error: NetworkError) -> str:
    return f"The flows cannot be calculated: {error}"


@dataclass(frozen=True, slots=True)
class Facts:
    """What is told of one handle: a title and pairs of name and words."""

    title: str
    pairs: tuple[tuple[str, str], ...]


def handle_facts(system: System, state: Solved, at: str) -> Facts | None:
    """Return what is known of a run, a part or a point by the id of its handle; None where there is no such one."""
    kind, _, rest = at.partition("-")
    numbers = rest.split("-")
    if not all(number.isdigit() and len(number) < 6 for number in numbers):
        return None
    places = [int(number) for number in numbers]
    runs, points = list(system.network.runs.values()), list(system.network.points.values())
    if kind == "run" and len(places) == 1 and places[0] < len(runs):
        return _run_facts(system, state, runs[places[0]])
    if kind == "part" and len(places) == 2 and places[0] < len(runs) and places[1] < len(runs[places[0]].parts):
        return _part_facts(system, state, runs[places[0]], places[1])
    if kind == "point" and len(places) == 1 and places[0] < len(points):
        return _point_facts(system, points[places[0]])
    if kind == "drain" and len(places) == 1 and places[0] < len(system.drains):
        return _drain_facts(system, system.drains[places[0]])
    return None


def _run_facts(system: System, state: Solved, run: Run) -> Facts:
    row = next(one for one in run_rows(system, state, None) if one.name == run.name)
    pairs = (
        ("From", run.start.point),
        ("To", run.end.point),
        ("Pipe", f"{run.size} {run.family}"),
        ("Flow", row.flow),
        ("Head lost", row.loss),
        ("Highest velocity", row.velocity),
        ("Target", row.target),
        ("So far", row.mark),
    )
    return Facts(f"Run {run.name}", tuple((name, words) for name, words in pairs if words))


def _part_facts(system: System, state: Solved, run: Run, index: int) -> Facts:
    part, units = run.parts[index], system.units
    loss = next((one for one in state.losses if one.run == run.name and one.index == index), None)
    pairs = (
        ("Run", f"{run.name}, position {index + 1} of {len(run.parts)}"),
        ("Ends", ", ".join(str(end) for end in part.ends)),
        ("Length", show_length(part.length_m, units) if part.length_m > 0.0 else ""),
        ("Open", f"{100 * part.opening:.0f} %" if part.kind in THROTTLES else ""),
        ("Head lost", "" if loss is None else _finite(loss.head_loss_m, show_head, units)),
        ("Share of all losses", "" if loss is None or not math.isfinite(loss.share) else percent(loss.share, 1)),
        ("Stays", {Condition.KEEP: "must stay", Condition.MUST_GO: "must go"}.get(part.condition, "")),
    )
    return Facts(part.words, tuple((name, words) for name, words in pairs if words))


def _point_facts(system: System, point: Point) -> Facts:
    height = elevation_m(point) if point.is_fixed else None
    ends = ", ".join(dict.fromkeys(run.name for run, _, _ in system.network.runs_at(point.name)))
    tee = system.network.tees.get(point.name)
    fitting = "not connected yet" if tee and tee.item is None else tee.item.description if tee and tee.item else ""
    pairs = (
        ("Height", "" if height is None else show_length(height, system.units)),
        ("Fitting", fitting),
        ("Runs", ends),
    )
    return Facts(point_name(point), tuple((name, words) for name, words in pairs if words))


def _drain_facts(system: System, drain: Drain) -> Facts:
    pairs = (
        ("From", drain.tank),
        ("To", end_of(drain, system.network)),
        ("How it runs", str(drain.mode)),
        ("Capacity", capacity_words(drain, system.network, system.units)),
    )
    title = drain.name if "drain" in drain.name.lower() else f"Drain {drain.name}"
    return Facts(title, tuple((name, words) for name, words in pairs if words))


def set_to(system: System, settings: Mapping[str, str]) -> System:
    """Return a system with valves and pumps at these percent of their travel or setting; what is none is passed over.

    The fields are named as `edit_views.sliders` names them: `pump 0`, `valve 3 1`.
    """
    pumps, runs = list(system.network.pumps.values()), list(system.network.runs.values())
    changed_pumps, changed_runs = dict(system.network.pumps), dict(system.network.runs)
    for field, words in settings.items():
        what, *numbers = field.split(" ")
        if not all(one.isdigit() and len(one) < 6 for one in (*numbers, words)) or int(words) > 100:
            continue
        share, places = int(words) / 100, [int(one) for one in numbers]
        if what == "pump" and len(places) == 1 and places[0] < len(pumps):
            pump = pumps[places[0]]
            changed_pumps[pump.name] = replace(pump, speed=(pump.dial or RPM).speed(share))
        elif what == "valve" and len(places) == 2 and places[0] < len(runs):
            run = changed_runs[runs[places[0]].name]
            if places[1] < len(run.parts) and run.parts[places[1]].kind in THROTTLES:
                parts = list(run.parts)
                parts[places[1]] = replace(parts[places[1]], opening=share)
                changed_runs[run.name] = replace(run, parts=tuple(parts))
    return replace(system, network=replace(system.network, pumps=changed_pumps, runs=changed_runs))


def readings_html(answers: Answers) -> str:
    """Return what the readings say: the factors that explain them, what else would, and what to measure next."""
    from optimizer.documents.calibration_text import calibration_blocks

    if not answers.system.measured:
        return ""
    return blocks_html(calibration_blocks(answers.system, answers.calibration()), 2)
