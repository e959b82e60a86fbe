"""The table of rules: nothing left open, and reader, starter file, README and ways out all go by it."""

import dataclasses
import re
import sys
from pathlib import Path

import pytest

from optimizer.documents.rules_table import rules_markdown
from optimizer.model.rules import RULES, RuleRow, Rules, Sold, Written, limits_in_words
from optimizer.pipeline import read

ROOT = Path(__file__).parent.parent
STARTER = ROOT / "examples" / "starter.yaml"
ROWS = pytest.mark.parametrize("row", RULES.values(), ids=lambda row: row.key)

sys.path.insert(0, str(Path(__file__).parent / "cli"))
from readme import rules_table  # noqa: E402


def with_rules(rules: str) -> str:
    """Return the starter file with these rules in place of its own."""
    text = STARTER.read_text(encoding="utf-8")
    return re.sub(r"^rules:\n(  .*\n)*", f"rules: {{{rules}}}\n", text, flags=re.MULTILINE)


@ROWS
def test_no_cell_of_a_row_is_left_open(row: RuleRow) -> None:
    assert row.key and row.example and row.default and row.meaning  # noqa: PT018 - one row, one look
    assert (ROOT / "optimizer" / row.home).is_file()
    assert bool(row.relaxed) == (row.relax is not None)
    assert row.attribute in {field.name for field in dataclasses.fields(Rules)} or row.written is Written.SECOND_PUMP


def test_every_field_of_the_rules_has_one_row() -> None:
    told = [row.attribute for row in RULES.values() if row.attribute]
    assert sorted(told) == sorted(field.name for field in dataclasses.fields(Rules))


@ROWS
def test_the_example_of_a_rule_is_read_and_sets_its_field(row: RuleRow, tmp_path: Path) -> None:
    file = tmp_path / "tank.yaml"
    file.write_text(with_rules(f"{row.key}: {row.example}"), encoding="utf-8")
    system, _ = read(file)

    if row.written is Written.SECOND_PUMP:
        assert system.second_pump is not None
        return
    changed = {
        field.name
        for field in dataclasses.fields(Rules)
        if getattr(system.rules, field.name) != getattr(Rules(), field.name)
    }
    assert changed == ({row.attribute} if row.example != row.default else set())


@ROWS
def test_a_rule_that_can_be_relaxed_allows_more_once_and_then_no_more(row: RuleRow) -> None:
    if row.relax is None:
        return
    strict = Rules(
        sizes=("1 in",),
        resize=row.attribute != "resize",
        margin=0.1,
        certainty=0.9,
        most_cuts=1,
        budget_cents=5000,
        own_lists_only=True,
        velocity_limit_m_s=2.0,
        new_pipe_velocity_limit_m_s=1.0,
    )
    sold = Sold(("3/4 in", "1 in"), pumps=True, held=True)
    freed = row.relax(strict, sold)

    assert freed is not None
    assert {f.name for f in dataclasses.fields(Rules) if getattr(freed, f.name) != getattr(strict, f.name)} == {
        row.attribute
    }
    assert row.relax(freed, sold) is None


def test_what_a_rule_forbids_is_said_only_where_it_forbids() -> None:
    assert limits_in_words(Rules(), "USD") == []
    assert limits_in_words(Rules(most_cuts=0, budget_cents=6050, own_lists_only=True), "USD") == [
        "no saw cut",
        "parts for at most 60.50 USD",
        "nothing but what your own lists price",
    ]


@ROWS
def test_the_starter_file_explains_a_rule_in_the_words_of_the_table(row: RuleRow) -> None:
    lines = STARTER.read_text(encoding="utf-8").splitlines()
    told = [line for line in lines if re.match(rf"  (# )?{re.escape(row.key)}: ", line)]

    assert told
    assert any(row.example in line for line in told)
    if row.key not in ("sizes", "velocity limit for new pipe"):  # those two explain themselves
        assert any(line.endswith(f"# {row.meaning}") for line in told)


def test_the_readme_has_the_table_as_it_is() -> None:
    assert rules_table() == rules_markdown()
