"""What an owner may want of the flows, as it is written: windows, devices, sums, splits, several settings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from textwrap import dedent

import pytest

from optimizer.errors import InputError
from optimizer.model.catalog import Catalog
from optimizer.model.system import Share, System
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

UNIT = 231 * 0.0254**3 / 3600  # a gallon is 231 cubic inches (NIST Handbook 44, appendix C)
PLUMBING = """\
system: Two outlets and a lamp
units: US
surfaces: {sump: 0 ft, display: 4 ft}
pumps: {return: {curve: [[0, 15], [1500, 0]], speeds: [60 %, 80 %, 100 %], ports: 1 in socket, dial: floor 20 %}}
devices: {uv: {loss: 2 ft at 300 gal/h, ports: 3/4 in socket}}
runs:
  riser: {from: sump, to: tee 1, size: 1 in sch 40 PVC, parts: [pump return, pipe 4 ft]}
  uv line: {from: tee 1 branch, to: sump, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, device uv, pipe 1 ft]}
  link: {from: tee 1, to: tee 2, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}
  left: {from: tee 2 branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft]}
  right: {from: tee 2, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}
"""


def read(more: str, catalog: Catalog, tmp_path: Path) -> System:
    path = tmp_path / "system.yaml"
    path.write_text(PLUMBING + dedent(more), encoding="utf-8")
    return load_system(path, catalog)


def test_a_target_on_a_device_is_one_on_the_run_that_it_stands_in(catalog: Catalog, tmp_path: Path) -> None:
    (target,) = read("targets: {uv: at least 200 gal/h}", catalog, tmp_path).targets

    assert target.run == "uv"
    assert target.summed == ("uv line",)
    assert not target.is_plain
    assert target.low_m3_s == pytest.approx(200 * UNIT)


def test_flows_may_be_wanted_as_a_sum(catalog: Catalog, tmp_path: Path) -> None:
    (target,) = read("targets: {left + right: at least 800 gal/h}", catalog, tmp_path).targets

    assert target.summed == ("left", "right")
    assert target.low_m3_s == pytest.approx(800 * UNIT)


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("25 % of riser", 0.2375, 0.2625),
        ("25 % of riser within 20 %", 0.20, 0.30),
        ("20 to 30 % of riser", 0.2, 0.3),
        ("at least 25 % of riser", 0.25, None),
        ("at most 25 % of riser", 0.0, 0.25),
    ],
)
def test_a_split_is_a_share_of_what_another_run_carries(
    text: str, low: float, high: float | None, catalog: Catalog, tmp_path: Path
) -> None:
    (target,) = read(f"targets: {{uv line: {text}}}", catalog, tmp_path).targets

    assert target.share is not None
    assert target.share.of == ("riser",)
    assert target.share.low == pytest.approx(low)
    assert target.share.high == (None if high is None else pytest.approx(high))
    assert (target.low_m3_s, target.high_m3_s) == (0.0, None)


def test_a_split_may_be_of_a_sum(catalog: Catalog, tmp_path: Path) -> None:
    (target,) = read("targets: {uv: at least 30 % of left + right}", catalog, tmp_path).targets

    assert target.share == Share(("left", "right"), 0.3, None)


def test_exactly_may_have_a_tolerance(catalog: Catalog, tmp_path: Path) -> None:
    (target,) = read("targets: {left: exactly 300 gal/h within 5 %}", catalog, tmp_path).targets

    assert target.low_m3_s == pytest.approx(285 * UNIT)
    assert target.high_m3_s == pytest.approx(315 * UNIT)


def test_each_setting_has_its_speed_by_the_dial_and_the_common_targets_beside_its_own(
    catalog: Catalog, tmp_path: Path
) -> None:
    day, night = read(
        """\
        targets: {left: at least 300 gal/h, uv: at least 100 gal/h}
        settings:
          day: {return: 100 %}
          night: {return: 60 %, targets: {left: at least 150 gal/h}}
        """,
        catalog,
        tmp_path,
    ).settings

    assert day.speeds == {"return": pytest.approx(1.0)}
    assert night.speeds == {"return": pytest.approx(0.2 + 0.8 * 0.6)}
    assert {target.run: target.low_m3_s / UNIT for target in day.targets} == pytest.approx({"left": 300, "uv": 100})
    assert {target.run: target.low_m3_s / UNIT for target in night.targets} == pytest.approx({"left": 150, "uv": 100})


def test_a_system_at_a_setting_runs_its_pumps_so_and_leaves_no_speed_to_choose(
    catalog: Catalog, tmp_path: Path
) -> None:
    system = read("settings: {night: {return: 50 %, targets: {left: any}}}", catalog, tmp_path)

    night = system.at(system.settings[0])

    assert night.network.pumps["return"].speed == pytest.approx(0.6)
    assert night.network.pumps["return"].speeds == ()
    assert [target.run for target in night.targets] == ["left"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("targets: {left + rihgt: at least 1 gal/h}", ["unknown run 'rihgt'", "did you mean 'right'"]),
        ("targets: {left + left: at least 1 gal/h}", ["each run once in a sum"]),
        ("targets: {uv: 25 % of rise}", ["unknown run 'rise'", "'riser'"]),
        ("targets: {uv: 125 % of riser}", ["a share from 0 % to 100 %"]),
        ("targets: {uv: at least 20 to 30 % of riser}", ["20 to 30 % of riser"]),
        ("targets: {uv: at least 20 gal/h within 5 %}", ["a tolerance only where"]),
        ("targets: {left: 700 gph min}", ["'700 gph min'", "did you mean 'at least 700 gph'"]),
        ("targets: {left: minimum 700 gph}", ["did you mean 'at least 700 gph'"]),
        ("targets: {left: <= 700 gph}", ["did you mean 'at most 700 gph'"]),
        ("targets: {left: ≥700 gph}", ["did you mean 'at least 700 gph'"]),
        ("targets: {left: max. 12 L/min}", ["did you mean 'at most 12 L/min'"]),
        ("targets: {left: >= 700 gph}", ["text that is not YAML", "did you mean 'at least' in place of '>'"]),
        ("targets:\n  left: >= 700 gph", ["text that is not YAML", "did you mean 'at least' in place of '>'"]),
        ("settings: {day: {retrun: 100 %}}", ["unknown key 'retrun'", "'return'"]),
        ("settings: {day: {return: stopped}}", ["'stopped'", "off"]),
        (
            "modes: {feeding: {return: off, targets: {left: at least 9 gph}}}",
            ["pumps that move the water are off", "any"],
        ),
    ],
)
def test_what_can_not_be_meant_is_said_with_what_can(
    more: str, words: list[str], catalog: Catalog, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as caught:
        read(more, catalog, tmp_path)

    for word in words:
        assert word in str(caught.value)


def test_a_word_that_only_begins_like_least_is_not_taken_for_it(catalog: Catalog, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read("targets: {left: minus 3 gph}", catalog, tmp_path)

    assert "did you mean" not in str(caught.value)


def test_a_mode_asks_for_no_flow_where_the_pumps_that_move_the_water_are_off(catalog: Catalog, tmp_path: Path) -> None:
    more = """
    targets: {left + right: at least 800 gph, uv: 20 % of riser, left: at most 700 gph}
    modes: {day: {}, feeding: {return: off}}
    """
    system = read(more, catalog, tmp_path)
    day, feeding = system.settings

    assert [target.run for target in day.targets] == ["left + right", "uv", "left"]
    assert [target.run for target in feeding.targets] == ["left"]  # what is at the most so much holds at rest
    (remark,) = system.remarks
    assert (
        "mode 'feeding' asks for no flow in 'left + right', 'uv': the pumps that move the water there are off" in remark
    )


@pytest.mark.parametrize(
    ("common", "own", "names"),
    [
        ("left: at least 400 gph, right: at least 400 gph", "left + right: at least 500 gph", ["left", "right"]),
        ("left: at least 400 gph, right: at least 400 gph", "left + right: any", ["left", "right"]),
        ("left: at least 400 gph, right: at least 400 gph", "left + right: at least 900 gph", []),
        ("left: at least 400 gph, right: at most 400 gph", "left + right: at least 500 gph", []),
        ("left + right: at least 800 gph", "left: at least 200 gph", ["left + right"]),
        ("left + right: at least 800 gph", "left: at least 500 gph, right: at least 300 gph", []),
        ("left: at least 400 gph", "left: at least 100 gph", []),
    ],
)
def test_a_mode_that_asks_less_of_a_sum_than_of_its_parts_is_told_what_still_holds(
    common: str, own: str, names: list[str], catalog: Catalog, tmp_path: Path
) -> None:
    modes = f"modes: {{day: {{return: 100 %}}, night: {{return: 60 %, targets: {{{own}}}}}}}"
    remarks = read(f"targets: {{{common}}}\n{modes}", catalog, tmp_path).remarks

    quoted, said = (", ".join(each) for each in ([f"'{n}'" for n in names], [f"{n}: any" for n in names]))
    told = f"in mode 'night' what `targets` asks of {quoted} holds too; write `{said}` there where it should not"
    assert [told in remark for remark in remarks] == ([True] if names else [])


def test_nor_in_lines_out_of_tanks_that_get_nothing_then(catalog: Catalog, tmp_path: Path) -> None:
    plumbing = PLUMBING.replace("display: 4 ft", "display: 4 ft, nursery: 2 ft")
    plumbing = plumbing.replace("  uv line: {from: tee 1 branch, to: sump", "  uv line: {from: nursery, to: sump")
    plumbing += "  seed: {from: tee 1 branch, to: nursery, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft]}\n"
    path = tmp_path / "system.yaml"
    path.write_text(plumbing + "targets: {uv: at least 80 gph}\nmodes: {day: {}, feeding: {return: off}}\n")
    day, feeding = load_system(path, catalog).settings

    assert [target.run for target in day.targets] == ["uv"]
    assert not feeding.targets


def test_what_the_house_brings_is_asked_for_in_every_mode(catalog: Catalog, tmp_path: Path) -> None:
    plumbing = PLUMBING.replace("devices:", "supplies: {house: {pressure: 40 psi, elevation: 1 ft}}\ndevices:")
    plumbing += "  top off: {from: house, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 3 ft]}\n"
    path = tmp_path / "system.yaml"
    path.write_text(plumbing + "targets: {top off: at least 8 gph}\nmodes: {feeding: {return: off}}\n")

    assert [target.run for target in load_system(path, catalog).settings[0].targets] == ["top off"]


def test_modes_and_settings_mean_the_same(catalog: Catalog, tmp_path: Path) -> None:
    modes = read("modes: {night: {return: 50 %}}", catalog, tmp_path).settings

    assert [replace(one, place="") for one in modes] == [
        replace(one, place="") for one in read("settings: {night: {return: 50 %}}", catalog, tmp_path).settings
    ]
    with pytest.raises(InputError, match="'modes' for the second time"):
        read("modes: {night: {return: 50 %}}\nsettings: {day: {return: 100 %}}", catalog, tmp_path)


def test_tanks_and_drains_may_be_told_in_the_words_of_the_output(catalog: Catalog, tmp_path: Path) -> None:
    shipped, new = data_directory("examples") / "cellar-sump.yaml", tmp_path / "words.yaml"
    old = shipped.read_text(encoding="utf-8")
    for key, word in (
        ("overflow edge", "weir length"),
        ("rim above edge", "freeboard"),
        ("pump reserve", "usable water"),
        ("drop", "fall"),
        ("head over lip", "water depth over the standpipe"),
    ):
        assert f"{key}: " in old
        old = old.replace(f"{key}: ", f"{word}: ")
    new.write_text(old, encoding="utf-8")

    told, plain = (load_system(path, catalog) for path in (new, shipped))

    assert [replace(tank, place="") for tank in told.tanks] == [replace(tank, place="") for tank in plain.tanks]
    assert [drain.drop_m for drain in told.drains] == [drain.drop_m for drain in plain.drains]
    assert [drain.lip_head_m for drain in told.drains] == [drain.lip_head_m for drain in plain.drains]
