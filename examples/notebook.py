"""What one does in a notebook, cell by cell: read a system, plot what is lost where, vary a target, plan.

    python examples/notebook.py FOLDER        the two pictures go into FOLDER

It needs matplotlib (`python -m pip install matplotlib`). The system is invented.
"""

import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")  # pictures go into files; a notebook leaves this line out
import matplotlib.pyplot as plt

from optimizer import pipeline, tables

folder = Path(sys.argv[1] if len(sys.argv) > 1 else ".")
system, catalog = pipeline.read(Path(__file__).parent / "single-return.yaml")

# What every part loses, as a table: the ten largest, then by kind of part.
losses = tables.losses(system)
largest = losses.nlargest(10, "head_loss_m").iloc[::-1]
print(losses.groupby("kind", observed=True)["head_loss_m"].sum().sort_values(ascending=False))
fig, axes = plt.subplots(figsize=(8, 4), layout="constrained")
axes.barh(
    largest["part"] + largest["position"].map(lambda place: f" ({place})", na_action="ignore").fillna(""),
    largest["head_loss_m"],
)
axes.set_xlabel("head loss, m")
fig.savefig(folder / "losses.png")

# What more money buys.
frontier = tables.frontier(pipeline.frontier(system, catalog))
fig, axes = plt.subplots(figsize=(6, 4), layout="constrained")
axes.step(frontier["cost_cents"] / 100, 100 * frontier["reach"], where="post", marker="o")
axes.axhline(100, linestyle="--")
axes.set_xlabel(f"cost, {catalog.currency}")
axes.set_ylabel("share of target, %")
fig.savefig(folder / "reach.png")

# The cheapest plan, as the command prints it, and its parts as a table.
report = pipeline.plan(system, catalog)
print(tables.show(report))
print(tables.parts_list(report)[["quantity", "description", "cost_cents"]])
