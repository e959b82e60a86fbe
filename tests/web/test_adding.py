"""What a file takes only together is added by one form: a tank with its run, a pump or a device with its place."""

from __future__ import annotations

import pytest
from web.conftest import Open
from web.test_edits import text_of
from web.test_section_forms import send

RUN = {"run": "side line", "size": "3/4 in sch 40 PVC", "parts": "pipe 2 ft, elbow, pipe 6 in"}


@pytest.mark.parametrize(
    ("form", "point"),
    [
        ({"section": "surfaces", "name": "refugium", "value": "3 ft", "way": "from", "other": "sump"}, "refugium"),
        ({"section": "outlets", "name": "jet", "value": "5 ft", "other": "display"}, "jet"),
        ({"section": "supplies", "name": "house", "key pressure": "60 psi", "other": "display"}, "house"),
    ],
)
def test_a_water_comes_with_the_run_that_joins_it_to_the_rest(
    open_page: Open, form: dict[str, str], point: str
) -> None:
    page = open_page()

    told = send(page, "add water", **RUN, **form)

    assert "Not done" not in told
    network = page.sitting.sheet.answers.system.network
    assert point in network.points
    assert point in {network.runs["side line"].start.point, network.runs["side line"].end.point}


def test_a_device_is_put_after_a_part_and_what_joins_it_is_left_open(open_page: Open) -> None:
    page = open_page()

    form = {"section": "devices", "name": "uv", "loss": "2 ft at 300 gph", "ports": "3/4 in BSPP male"}
    told = send(page, "add machine", place="part-0-6", **form)

    assert "Not done" not in told
    kinds = [str(part.kind) for part in page.sitting.sheet.answers.system.network.runs["return line"].parts]
    assert kinds[6:10] == ["pipe", "open joint", "device", "open joint"]
    send(page, "undo", "/step")
    assert "uv" not in text_of(page)


def test_a_pump_may_be_put_at_the_end_of_a_run(open_page: Open) -> None:
    page = open_page()
    last = len(page.sitting.sheet.answers.system.network.runs["return line"].parts) - 1

    form = {"section": "pumps", "name": "second", "curve": "0 gph at 9 ft\n900 gph at 0 ft", "ports": "3/4 in NPT male"}
    told = send(page, "add machine", place=f"part-0-{last}", **form)

    assert "Not done" not in told
    parts = page.sitting.sheet.answers.system.network.runs["return line"].parts
    assert [str(part.kind) for part in parts[-2:]] == ["open joint", "pump"]


def test_what_is_missing_is_said_and_nothing_is_done(open_page: Open) -> None:
    page = open_page()
    before = text_of(page)

    assert "Still missing" in send(page, "add water", section="surfaces", name="refugium", value="3 ft")
    assert "something unknown" in send(page, "add water", section="runs", name="x", **RUN)
    assert "something unknown" in send(page, "add machine", section="runs", name="x")
    assert "no longer there" in send(
        page, "add machine", section="devices", name="uv", loss="1 ft at 1 gph", ports="3/4 in socket", place="part-9-9"
    )
    assert text_of(page) == before
