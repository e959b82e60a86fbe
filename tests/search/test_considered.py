"""What is said to be considered is told from the rules themselves, in one place."""

from __future__ import annotations

from pathlib import Path

from optimizer.choices.considered import considered, considered_table

README = Path(__file__).parents[2] / "README.md"


def test_the_readme_has_the_table_of_what_is_considered() -> None:
    _, _, behind = README.read_text(encoding="utf-8").partition("<!-- considered -->\n")
    table, _, _ = behind.partition("\n<!-- /considered -->")

    assert table == considered_table()


def test_every_row_says_something() -> None:
    assert all(row.what and row.considered for row in considered())
    assert any("1/8 of its length" in row.considered for row in considered())
