"""Which handbook holds is not known, and it is one and the same for bends of every kind."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from fluids import ft_Crane
from fluids.fittings import bend_rounded
from fluids.friction import friction_factor
from networks import FRESH, network, run, supply

from optimizer.hydraulics.draws import Draws, family_of
from optimizer.hydraulics.uncertainty import uncertainty
from optimizer.joints.chains import new_part
from optimizer.model.catalog import Kind
from optimizer.model.network import Part
from optimizer.read.catalogs import load_catalog

BANDS = (0.6, 1.6)
SIZES = {"3/4 in": (0.75, 0.0205), "1 in": (1.0, 0.0261), "1-1/4 in": (1.25, 0.0345), "1-1/2 in": (1.5, 0.0403)}
TABLE = Path(__file__).parents[1] / "reference" / "fitting-losses.csv"
# kind: (Darby's K1, Ki, Kd; Hooper's K1, K∞; Crane's L/D; degrees and r/d for Rennels; words of the size table)
KINDS = {
    Kind.ELBOW: ((800, 0.14, 4.0), (800, 0.4), 30, (90, 1.0), "elbow 90 regular screwed"),
    Kind.SWEEP_ELBOW: ((800, 0.071, 4.2), (800, 0.25), 16, (90, 1.5), "elbow 90 long-radius screwed"),
    Kind.ELBOW_45: ((500, 0.071, 4.2), (500, 0.2), 16, (45, 1.0), "elbow 45 regular screwed"),
}


def by_size(words: str, size: str) -> float:
    """Return K of Rishel, HVAC Pump Handbook, tables 3.8 to 3.12 (tests/reference)."""
    with TABLE.open(encoding="utf-8") as file:
        (row,) = (row for row in csv.reader(file) if row[:2] == ["handbook_size_table", f"{words}, {size}"])
    return next(float(cell) for cell in row[2:] if cell)


def families(kind: Kind, reynolds: float) -> list[float]:
    """Return ln K by 3-K, 2-K, Crane, Rennels and the size table, as a mean over sizes of what each says beside 3-K."""
    (a, b, c), (d, e), ld, (degrees, bend), words = KINDS[kind]
    found = []
    for size, (nps, bore) in SIZES.items():
        f = friction_factor(reynolds, 1.5e-6 / bore)
        of = [
            a / reynolds + b * (1 + c / nps**0.3),
            d / reynolds + e * (1 + 1 / nps),
            ld * ft_Crane(bore),
            bend_rounded(bore, degrees, fd=f, bend_diameters=bend, Re=reynolds),
            by_size(words, size),
        ]
        found.append(np.log(np.array(of) / of[0]))
    return np.mean(found, axis=0).tolist()


def drawn(kind: Kind) -> np.ndarray:
    part = bend(kind)
    assert part.item is not None
    return np.log(Draws(4000, 20).loss(family_of(part, part.item), BANDS))


def bend(kind: Kind) -> Part:
    row = {Kind.ELBOW: "sch40-elbow-100", Kind.SWEEP_ELBOW: "sch40-sweep-elbow-100", Kind.ELBOW_45: "sch40-elbow45-100"}
    rows = load_catalog().items
    return new_part(rows.get(row[kind]) or next(i for i in rows.values() if i.kind is kind))


@pytest.mark.parametrize(("one", "other"), [(Kind.ELBOW, Kind.SWEEP_ELBOW), (Kind.ELBOW, Kind.ELBOW_45)])
def test_bends_of_two_kinds_err_together_as_published_families_do(one: Kind, other: Kind) -> None:
    # over the range of Re of this plumbing; 0.92 to 0.98 for sweeps, 0.2 to 0.75 for 45s
    published = [np.corrcoef(families(one, re), families(other, re))[0, 1] for re in (1e4, 3e4, 1e5)]

    found = np.corrcoef(drawn(one), drawn(other))[0, 1]

    assert min(published) - 0.03 < found < max(published) + 0.03


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_band_of_each_kind_stays_as_wide(kind: Kind) -> None:
    inside = np.mean((drawn(kind) > math.log(BANDS[0])) & (drawn(kind) < math.log(BANDS[1])))

    assert inside == pytest.approx(0.90, abs=0.015)


def test_a_line_of_two_kinds_of_bends_is_hardly_surer_than_one_of_one_kind() -> None:
    # by hand: halves of one spread, correlated by 0.95, add to 0.987 of it; two draws apart would leave 0.71
    def spread(*kinds: Kind) -> float:
        ends = [supply("high", 1.0), supply("low", 0.0)]
        line = run("line", "high", "low", *(bend(kind) for kind in kinds for _ in range(8)))
        flows = uncertainty(network(ends, [line], water=FRESH), samples=2000).flows_m3_s
        return float(np.log(flows).std())

    one = spread(Kind.ELBOW, Kind.ELBOW)
    assert spread(Kind.ELBOW, Kind.SWEEP_ELBOW) == pytest.approx(one, rel=0.05)
