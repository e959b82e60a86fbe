"""A network that does not close names the run, its line in the file, and what is implausible in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.errors import NetworkError
from optimizer.hydraulics import newton
from optimizer.read.places import data_directory

EXAMPLE = data_directory("examples") / "single-return.yaml"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("pipe 6 in", "pipe 900 ft", " of 274.32 m in run 'return line'"),
        ("ball valve", "ball valve 0.1 % open", " 0.1 % open in run 'return line'"),
        ("ball valve", "ball valve", "Look at its valves, pump curve and the heads at its ends"),
    ],
)
def test_what_does_not_close_is_told_with_its_place_and_what_is_odd(
    old: str, new: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "system.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    line = next(n for n, code in enumerate(text.splitlines(), 1) if code.startswith("  return line:"))
    system, _ = pipeline.read(path)
    monkeypatch.setattr(newton, "_MAX_ITERATIONS", 1)
    monkeypatch.setattr(newton, "_RESTARTS", 0)

    with pytest.raises(NetworkError) as caught:
        pipeline.flows(system)

    assert f"run 'return line' ({path}:{line}:3) is off by" in str(caught.value)
    assert words in str(caught.value)
