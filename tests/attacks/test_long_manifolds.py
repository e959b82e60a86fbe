"""Very many tees in a row: no deep recursion, no quadratic wait, an answer or a bound in time. Invented manifolds."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-c", "import sys; from optimizer.cli import main; sys.exit(main())"]
SIZE = "2 in sch 40 PVC"


def manifold(tees: int, least_l_h: float) -> str:
    """Return a system file of a 2 in. manifold with that many 1 in. outlets, and the same least flow for each."""
    outlet = "parts: [pipe 300 mm, ball valve, elbow]"
    curve = f"[[0 L/h, 6 m], [{60 * tees} L/h, 5 m], [{200 * tees} L/h, 0 m]]"
    first = "parts: [pump p, adapter 2 in NPT female x 2 in socket, pipe 1 m]"
    lines = [
        "system: many tees",
        "units: metric",
        "surfaces: {sump: 0 m, display: 1.2 m}",
        f"pumps: {{p: {{curve: {curve}, ports: 2 in NPT male}}}}",
        "runs:",
        f"  riser: {{from: sump, to: tee 1, size: {SIZE}, {first}}}",
        f"  end: {{from: tee {tees}, to: display, size: {SIZE}, {outlet}}}",
    ]
    for n in range(1, tees + 1):
        lines.append(f"  out {n}: {{from: tee {n} branch, to: display, size: 1 in sch 40 PVC, {outlet}}}")
    for n in range(1, tees):
        lines.append(f"  main {n}: {{from: tee {n}, to: tee {n + 1}, size: {SIZE}, parts: [pipe 200 mm]}}")
    targets = [f"  {name}: at least {least_l_h} L/h" for name in ["end", *(f"out {n}" for n in range(1, tees + 1))]]
    return "\n".join([*lines, "targets:", *targets, ""])


def run(tmp_path: Path, text: str, *words: str) -> tuple[int, str, float]:
    """Return the exit code, what was printed, and the processor time [s] of a command on a system file."""
    resource = pytest.importorskip("resource", reason="processor time of a child is told by POSIX alone")
    path = tmp_path / "manifold.yaml"
    path.write_text(text, encoding="utf-8")
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    ran = subprocess.run([*COMMAND, words[0], str(path), *words[1:]], capture_output=True, text=True, env=os.environ)
    return ran.returncode, ran.stdout + ran.stderr, resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before


@pytest.mark.long
def test_the_bands_of_fifty_tees_take_no_longer_than_their_arithmetic(tmp_path: Path) -> None:
    code, told, taken_s = run(tmp_path, manifold(50, 40), "flow")
    assert code == 0, told
    assert taken_s < 3.0


@pytest.mark.slow
def test_four_hundred_tees_that_serve_are_proved_to_need_nothing(tmp_path: Path) -> None:
    code, told, taken_s = run(tmp_path, manifold(400, 40), "plan")
    assert code == 0, told
    assert "$0.00. Proven cheapest" in told
    assert taken_s < 30.0


@pytest.mark.slow
def test_four_hundred_tees_that_do_not_serve_end_with_a_plan_or_a_bound(tmp_path: Path) -> None:
    code, told, taken_s = run(tmp_path, manifold(400, 130), "plan", "--time-limit", "25")
    assert code in (0, 1, 3), told
    assert "Traceback" not in told
    assert taken_s < 30.0
