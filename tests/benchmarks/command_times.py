"""Print how long each command takes on each example, start-up included, as the table of the README.

    python tests/benchmarks/command_times.py

The wall time of the best of five runs of the installed `retrofit`, [s].
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path

EXAMPLES = Path(__file__).parent.parent.parent / "examples"
COMMANDS = [
    "retrofit --help",
    *(
        f"retrofit {command} examples/{name}.yaml"
        for name in ("cellar-sump", "single-return", "metric-unions")
        for command in ("check", "flow", "losses", "plan")
    ),
]


def best_s(words: list[str], runs: int = 5) -> float:
    """Return the shortest wall time [s] of a command that must succeed."""
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        subprocess.run(words, cwd=EXAMPLES.parent, check=True, capture_output=True)
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> None:
    beside = Path(sys.executable).with_name("retrofit")
    program = str(beside) if beside.exists() else shutil.which("retrofit")
    if program is None:
        sys.exit("install it first: python -m pip install .")
    print("| command | seconds |\n|---|---:|")
    for command in COMMANDS:
        print(f"| `{command}` | {best_s([program, *command.split()[1:]]):.2f} |")


if __name__ == "__main__":
    main()
