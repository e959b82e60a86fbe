"""A system of one run, and what is wrong with its parts."""

from __future__ import annotations

import pytest

from optimizer.errors import InputError

SYSTEM = """\
system: For a test
units: {units}
surfaces: {{sump: 0, display: 2 m}}
{more}
runs:
  line:
    from: sump
    to: display
    size: {size}
    parts: [{parts}]
"""


def fault_of(read_line, parts: str, **words: str) -> str:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError) as caught:
        read_line(parts, **words)
    return str(caught.value)
