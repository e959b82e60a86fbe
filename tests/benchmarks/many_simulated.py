"""How many systems a second more workers would do than this machine has: a simulation, by what was measured on two.

    python tests/benchmarks/many_simulated.py SECONDS_A_SYSTEM MS_A_TASK MS_A_ROW

One process hands out tasks of so many systems each (`batch`; the program hands out one by one) and waits for a number
of them at a time; a scheduler spends its time on each task, one after the other; each worker takes the next task that
is there; rows come back to the one process that keeps them, one after the other. Seconds a system are drawn so that, as
in what was measured, most are short and a few long. What it prints is no measurement.
"""

from __future__ import annotations

import heapq
import math
import random
import sys
from dataclasses import dataclass

IN_FLIGHT = 16  # tasks for each worker, as `many/workers.py` has it
SYSTEMS_EACH = 200  # systems for each worker in a run, enough for a steady state
SPREAD = 1.0  # of the logarithm of the seconds a system takes


@dataclass(frozen=True)
class Costs:
    """Seconds: of a system for a worker, of a task for the scheduler, of a row for the one that keeps it."""

    system_s: float
    task_s: float
    row_s: float


def rate(costs: Costs, workers: int, batch: int = 1, seed: int = 1) -> float:
    """Return systems a second with so many workers, `batch` systems to a task."""
    chance = random.Random(seed)
    level = math.log(costs.system_s) - SPREAD**2 / 2  # so that the mean is `system_s`
    free = [0.0] * workers  # when each worker will be free
    coming: list[float] = []  # when the tasks that are out come back
    scheduler = keeper = 0.0

    def hand_out() -> None:
        nonlocal scheduler
        scheduler = max(scheduler, keeper) + costs.task_s
        work_s = sum(chance.lognormvariate(level, SPREAD) for _ in range(batch))
        ends = max(free[0], scheduler) + work_s
        heapq.heapreplace(free, ends)
        heapq.heappush(coming, ends)

    tasks = max(3 * IN_FLIGHT * workers, SYSTEMS_EACH * workers // batch)
    for _ in range(IN_FLIGHT * workers):
        hand_out()
    for number in range(tasks):
        keeper = max(keeper, heapq.heappop(coming)) + batch * costs.row_s
        if number + IN_FLIGHT * workers < tasks:
            hand_out()
    return tasks * batch / keeper


def main() -> None:
    system_s, task_ms, row_ms = map(float, sys.argv[1:4])
    costs = Costs(system_s, task_ms / 1000, row_ms / 1000)
    print(
        f"{system_s} s a system, {task_ms} ms a task, {row_ms} ms a row; systems a second (share of what workers could)"
    )
    for workers in (1, 2, 8, 32, 128, 512, 2048):
        told = [f"batch {batch}: {(found := rate(costs, workers, batch)):,.1f} ({found * system_s / workers:.0%})"
                for batch in (1, 4, 16)]  # fmt: skip
        print(f"{workers:>5} workers  " + "  ".join(told))


if __name__ == "__main__":
    main()
