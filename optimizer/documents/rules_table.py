"""The table of rules → the table of them in the README."""

from __future__ import annotations

from optimizer.model.rules import RULES


def rules_markdown() -> str:
    """Return all rules as a Markdown table: key with an example, what holds without it, what it means."""
    rows = (f"| `{row.key}: {row.example}` | {row.default} | {row.meaning.strip(' .:')} |" for row in RULES.values())
    return "\n".join(("| rule, with an example | if left out | meaning |", "|---|---|---|", *rows)) + "\n"
