"""Measured flows become the fewest factors that explain them, and what the readings can not tell apart.

Each explanation is a meaning of the pumps' dials and a few free factors, fitted by least squares with bounds; the
readings weigh by their accuracy, and a weak prior draws each factor towards what is usual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from optimizer.errors import NetworkError
from optimizer.hydraulics.factors import FREE_FLOOR, Factor, factors_of
from optimizer.hydraulics.next_reading import NextReading, best_next_reading
from optimizer.hydraulics.posterior import MixedDraws, draws_after
from optimizer.hydraulics.readings import Floats, Readings
from optimizer.model.calibration import Calibration, Measurement, with_calibration
from optimizer.model.dial import POWER, RPM, Dial
from optimizer.model.network import Network

_MOST_FACTORS = 3
_WITHIN = 2.0  # a reading is explained within this multiple of its accuracy ...
_TYPICAL = 1.3  # ... and all together within this one (root mean square)
_CLEARLY = 6.0  # in score: some twenty times less likely
_FULL = 0.995  # at and above this setting every kind of dial says the same
_EVALUATIONS = 60
_STEP = 0.05  # of a factor's usual spread, to see how flows follow it
_SURE = 0.99  # a meaning of the dials that is as likely is settled
_DRAWS, _SEED = 256, 20


@dataclass(frozen=True)
class Explanation:
    """One way to account for the readings.

    `free` names the factors that were fitted, with the spread (one standard deviation, in the factor's own unit) left
    by the readings and, where these are met, by what was not fitted; `oddities` says in words what would be hard to
    believe, of the factors `odd`; `misfit` is the sum of squares of what it is off by, in spreads of the readings;
    `score` adds how unusual the factors are, and 1 for each.
    """

    calibration: Calibration
    free: tuple[Factor, ...]
    spreads: tuple[float, ...]
    expected_m3_s: tuple[float, ...]
    fits: bool
    oddities: tuple[str, ...]
    misfit: float
    score: float
    odd: tuple[Factor, ...] = ()

    @property
    def believable(self) -> bool:
        return self.fits and not self.oddities


@dataclass(frozen=True)
class CalibrationReport:
    """What the readings say. `best` is None when nothing believable explains them.

    `explanations` holds those that fit, the likeliest first, hard ones after believable ones; `failing` the best of
    each meaning of the dials for which nothing fits. `settled` says that no other believable one comes near the best,
    that there were more readings than it has factors, so that one of them could have refuted it, and that the dials
    mean what it says in 99 of 100 cases, all that is not known drawn by chance.
    """

    measured: tuple[Measurement, ...]
    best: Explanation | None
    explanations: tuple[Explanation, ...]
    failing: tuple[Explanation, ...]
    settled: bool
    next_reading: NextReading | None


def calibrate(described: Network, measured: Sequence[Measurement]) -> CalibrationReport:
    """Return the fewest factors that explain measured flows, and what else would.

    Parameters
    ----------
    described
        The plumbing without factors (see `without_calibration`). A pump whose `dial` is None may have any kind.
    measured
        One reading or more; as many factors are fitted at most as there are different readings.

    Raises
    ------
    NetworkError
        When there is no reading, one names what is not there, or the plumbing can not be solved.
    """
    if not measured:
        raise NetworkError("nothing was measured; a reading needs a run, its flow and what the pump's dial showed")
    readings = Readings(described, measured)
    explanations, failing = _explanations(readings)
    believable = [one for one in explanations if one.believable]
    best = believable[0] if believable else None
    advice = best_next_reading(readings, [one.calibration for one in explanations])
    return CalibrationReport(
        measured=tuple(measured),
        best=best,
        explanations=tuple(explanations),
        failing=tuple(failing),
        settled=best is not None and _is_settled(readings, best, believable[1:]),
        next_reading=advice,
    )


def _is_settled(readings: Readings, best: Explanation, others: Sequence[Explanation]) -> bool:
    spare = readings.distinct - len(best.free) - (1 if best.calibration.dials else 0)
    clear = spare > 0 and all(other.score > best.score + _CLEARLY for other in others)
    return clear and _share_of_meaning(readings, best) >= _SURE


def _share_of_meaning(readings: Readings, best: Explanation) -> float:
    """Return how likely what the dials mean is as an explanation has it, with all that readings leave open drawn."""
    if not best.calibration.dials:
        return 1.0
    fitted = with_calibration(readings.network, best.calibration)
    draws = draws_after(readings.measured, fitted, _DRAWS, _SEED)
    assert isinstance(draws, MixedDraws)
    return draws.share_of({name: dial.kind for name, dial in best.calibration.dials.items()})


def _explanations(readings: Readings) -> tuple[list[Explanation], list[Explanation]]:
    fitting: list[Explanation] = []
    failing: list[Explanation] = []
    for dials in _dial_choices(readings):
        found, nearest = _fewest(readings, dials)
        fitting += found
        if not found and nearest is not None:
            failing.append(nearest)
    fitting.sort(key=lambda one: (not one.believable, one.score))
    return fitting, sorted(failing, key=lambda one: one.score)


def _dial_choices(readings: Readings) -> list[dict[str, Dial]]:
    """Return every combination of what the dials of the pumps may mean; where it cannot matter, they are left out."""
    unknown = [
        name
        for name, pump in readings.network.pumps.items()
        if pump.dial is None and any(_setting(readings, one, name) < _FULL for one in readings.measured)
    ]
    kinds = (RPM, POWER, FREE_FLOOR)
    return [dict(zip(unknown, choice, strict=True)) for choice in product(kinds, repeat=len(unknown))]


def _setting(readings: Readings, one: Measurement, pump: str) -> float:
    return one.settings.get(pump, readings.network.pumps[pump].speed)


def _fewest(readings: Readings, dials: dict[str, Dial]) -> tuple[list[Explanation], Explanation | None]:
    """Return the explanations that fit and hold no smaller one that does, and the nearest that does not fit.

    Those that are hard to believe are kept only where no believable one fits: the likeliest for each thing in them
    that is absurd.
    """
    forced, optional = factors_of(readings, dials)
    room = readings.distinct - len(forced)
    fitting: list[Explanation] = []
    nearest: Explanation | None = None
    for count in range(min(room, _MOST_FACTORS, len(optional)) + 1):
        for chosen in combinations(optional, count):
            if any(one.believable and set(one.free) <= {*forced, *chosen} for one in fitting):
                continue
            one = _fit(readings, dials, (*forced, *chosen), tuple(each for each in optional if each not in chosen))
            if one.fits:
                fitting.append(one)
            elif nearest is None or one.score < nearest.score:
                nearest = one
    believable = [one for one in fitting if one.believable]
    return believable or _one_of_each(fitting), nearest


def _one_of_each(absurd: list[Explanation]) -> list[Explanation]:
    found: dict[tuple[Factor, ...], Explanation] = {}
    for one in sorted(absurd, key=lambda one: (len(one.oddities), len(one.free), one.score)):
        if not any(set(other) <= set(one.odd) for other in found):
            found[one.odd] = one
    return list(found.values())


def _fit(
    readings: Readings, dials: dict[str, Dial], free: tuple[Factor, ...], unfitted: tuple[Factor, ...]
) -> Explanation:
    x = np.array([factor.usual for factor in free])
    slopes = np.zeros((0, 0))
    if free:
        x, slopes = _least_squares(readings, dials, free)
    calibration = _calibration(dials, free, x)
    expected = readings.expected_m3_s(calibration)
    off = readings.off(expected)
    misfit = float(off @ off)
    unusual = float((_unusual(free, x) ** 2).sum())
    fits = bool(np.abs(off).max() <= _WITHIN and misfit <= len(off) * _TYPICAL**2)
    spreads = _spreads(readings, dials, free, x, slopes, unfitted if fits else ()) if free else ()
    odd = [(factor, text) for factor, value in zip(free, x.tolist(), strict=True) if (text := factor.oddity(value))]
    return Explanation(
        calibration=calibration,
        free=free,
        spreads=spreads,
        expected_m3_s=tuple(expected.tolist()),
        fits=fits,
        oddities=tuple(text for _, text in odd),
        misfit=misfit,
        score=misfit + unusual + len(free),
        odd=tuple(factor for factor, _ in odd),
    )


def _unusual(free: tuple[Factor, ...], x: Floats) -> Floats:
    """Return how far factors are from what is usual, in their usual spreads.

    Past a spread or so it grows ever more slowly (as a logarithm), so that readings which call for something absurd get
    it, and are told to be so, instead of being half met.
    """
    distances = [(value - factor.usual) / factor.usual_spread for factor, value in zip(free, x.tolist(), strict=True)]
    slowed: Floats = np.arcsinh(np.array(distances, dtype=np.float64))
    return slowed


def _calibration(dials: dict[str, Dial], free: tuple[Factor, ...], x: Floats) -> Calibration:
    calibration = Calibration(dials={name: RPM if dial is FREE_FLOOR else dial for name, dial in dials.items()})
    for factor, value in zip(free, x.tolist(), strict=True):
        calibration = factor.put(calibration, value)
    return calibration


def _least_squares(readings: Readings, dials: dict[str, Dial], free: tuple[Factor, ...]) -> tuple[Floats, Floats]:
    """Return the factors in their own scales, and how what is off moves with them: readings first, then the prior."""
    from scipy.optimize import least_squares

    usual = np.array([factor.usual for factor in free])
    prior = np.array([factor.usual_spread for factor in free])

    def residuals(x: Floats) -> Floats:
        data = readings.off(readings.expected_m3_s(_calibration(dials, free, x), both_ways=True))
        return np.concatenate((data, _unusual(free, x)))

    bounds = ([factor.least for factor in free], [factor.most for factor in free])
    result = least_squares(
        residuals,
        usual,
        bounds=bounds,
        x_scale=prior,
        diff_step=np.full(len(free), 1e-5),
        max_nfev=_EVALUATIONS,
        xtol=1e-9,
        ftol=1e-10,
    )
    return np.asarray(result.x, dtype=np.float64), np.asarray(result.jac, dtype=np.float64)


def _spreads(
    readings: Readings,
    dials: dict[str, Dial],
    free: tuple[Factor, ...],
    x: Floats,
    slopes: Floats,
    unfitted: tuple[Factor, ...],
) -> tuple[float, ...]:
    """Return how far fitted factors may be off, one standard deviation each, in the units that people read.

    What was not fitted may be off by its prior too, and a fitted factor has taken up that.
    """
    count, more = len(readings.measured), len(unfitted)
    at = readings.off(readings.expected_m3_s(_calibration(dials, free, x), both_ways=True))
    whole = np.zeros((len(slopes) + more, len(free) + more))
    whole[: len(slopes), : len(free)] = slopes
    for column, factor in enumerate(unfitted, len(free)):
        step = _STEP * factor.usual_spread
        moved = factor.put(_calibration(dials, free, x), factor.usual + step)
        whole[:count, column] = (readings.off(readings.expected_m3_s(moved, both_ways=True)) - at) / step
        whole[len(slopes) + column - len(free), column] = 1.0 / factor.usual_spread
    covariance = np.linalg.pinv(whole.T @ whole)
    deviations = np.sqrt(np.maximum(np.diag(covariance)[: len(free)], 0.0))
    return tuple(f.readable_spread(v, s) for f, v, s in zip(free, x.tolist(), deviations.tolist(), strict=True))
