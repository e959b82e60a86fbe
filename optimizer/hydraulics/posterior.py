"""Readings narrow draws: what the factors of a calibration may be, what the dials may mean, and all else that is drawn.

Every draw has a loss factor, wear of each pump, a height shift and, where the dials' meaning was not known, a meaning
of them, all by their priors, fitted or not, read or not. Where there are readings, each draw is corrected by how far
its own readings are off, in steps that take a part of the readings' weight each, so that what is far from a straight
line is followed (an ensemble smoother with multiple data assimilation). The same steps tell how likely the readings are
under each meaning of the dials: its share of the draws.

References
----------
A. A. Emerick, A. C. Reynolds, Computers & Geosciences 55, 2013, pp. 3-15. G. Evensen, Ocean Dynamics 53, 2003,
pp. 343-367.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.compiled import CompiledNetwork, compile_network
from optimizer.hydraulics.draws import Draws, ensemble_flows_m3_s
from optimizer.hydraulics.factors import FREE_FLOOR, Factor, FactorKind
from optimizer.hydraulics.readings import Readings, with_valves
from optimizer.model.calibration import Calibration, Measurement, pump_sources, with_calibration
from optimizer.model.dial import POWER, RPM, Dial, DialKind

if TYPE_CHECKING:
    from optimizer.hydraulics.conditions import Conditions
    from optimizer.model.network import Network, Pump

Floats = npt.NDArray[np.float64]

_STEPS = (28.0 / 3.0, 7.0, 4.0, 2.0)  # by how much each widens the readings' spread; the inverses add up to 1
_FULL = 0.995  # at and above this setting every kind of dial says the same
_MOST_MEANINGS = 27
_HIGHEST_FLOOR = 0.95
_BY_CHANCE = 1.5  # standard errors of a correlation


@dataclass(frozen=True)
class Hidden:
    """What a calibrated plumbing has that no catalog gives: the fitted factors, and what each dial may mean.

    `dials` has the dial that a pump has in the network, `meanings` what it may be of those that were not known.
    """

    loss_factor: float
    head_factors: Mapping[str, float]
    height_shift_m: float
    sources: frozenset[str]
    dials: Mapping[str, Dial]
    meanings: tuple[Mapping[str, Dial], ...]

    @classmethod
    def of(cls, network: Network, measured: Sequence[Measurement], running: Sequence[Network] = ()) -> Hidden:
        unknown, pumps = unknown_dials((network, *running), measured), _pumps((network, *running))
        choices = list(product((RPM, POWER, FREE_FLOOR), repeat=len(unknown)))[:_MOST_MEANINGS]
        return cls(
            network.loss_factor,
            {name: pump.head_factor for name, pump in pumps.items()},
            network.height_shift_m,
            frozenset(pump_sources(network)),
            {name: pump.dial or RPM for name, pump in pumps.items()},
            tuple(dict(zip(unknown, choice, strict=True)) for choice in choices),
        )


def unknown_dials(networks: Sequence[Network], measured: Sequence[Measurement] = ()) -> list[str]:
    """Return the pumps of whose dials nobody said what they mean, where that matters: below full speed in a network.

    Or where something was measured below full speed.
    """
    return [name for name, pump in _pumps(networks).items() if _is_unknown(pump, networks, measured)]


def _pumps(networks: Sequence[Network]) -> dict[str, Pump]:
    """Return every pump of some networks, as in the first that has it."""
    return {name: pump for network in reversed(networks) for name, pump in network.pumps.items()}


def _is_unknown(pump: Pump, networks: Sequence[Network], measured: Sequence[Measurement]) -> bool:
    if pump.dial is not None and not pump.dial_found:
        return False
    dial = pump.dial or RPM
    run_at = [dial.setting(each.pumps[pump.name].speed) for each in networks if pump.name in each.pumps]
    read_at = [one.settings.get(pump.name, dial.setting(pump.speed)) for one in measured]
    return min((setting for setting in (*run_at, *read_at) if setting > 0.0), default=1.0) < _FULL


class MeantDraws(Draws):
    """Draws under one meaning of the dials: hidden factors by their priors, all normals narrowed step by step."""

    def __init__(self, samples: int, seed: int, hidden: Hidden, meaning: Mapping[str, Dial]) -> None:
        super().__init__(samples, seed)
        self._hidden, self.meaning = hidden, meaning
        self._steps: list[tuple[Floats, Floats]] = []  # spread of the readings, what is still off
        self._narrow: dict[str, Floats] = {}

    @property
    def is_narrowed(self) -> bool:
        return bool(self._steps)

    def normal(self, name: str) -> Floats:
        if name not in self._narrow:
            z = super().normal(name)
            for spread, pull in self._steps:
                z = z + pull @ _gain(spread, z)
            self._narrow[name] = z
        return self._narrow[name]

    def loss(self, name: str, band: tuple[float, float]) -> Floats:
        return self.factor(name, band) * self._ratio(Factor(FactorKind.LOSS), self._hidden.loss_factor)

    def pump_head(self, name: str) -> Floats:
        fitted = self._hidden.head_factors.get(name, 1.0)
        return super().pump_head(name) * self._ratio(Factor(FactorKind.PUMP_HEAD, name), fitted)

    def height_m(self, point: str) -> Floats:
        lies = super().height_m(point)
        if point not in self._hidden.sources:
            return lies
        return lies - (
            self._drawn_factor(Factor(FactorKind.HEIGHT), self._hidden.height_shift_m) - self._hidden.height_shift_m
        )

    def speeds(self, pump: str, speed: float) -> Floats:
        meant = self.meaning.get(pump)
        if meant is None:
            return super().speeds(pump, speed)
        setting = self._hidden.dials[pump].setting(speed)
        if setting <= 0.0 or meant is not FREE_FLOOR:
            return super().speeds(pump, meant.speed(setting))
        found = self._hidden.dials[pump]
        fitted = found.floor if found.kind is DialKind.FLOOR else None
        floor = np.clip(self._drawn_factor(Factor(FactorKind.FLOOR, pump), fitted), 0.0, _HIGHEST_FLOOR)
        return floor + (1.0 - floor) * setting

    def _ratio(self, factor: Factor, fitted: float) -> Floats:
        """Return what a factor multiplies what has its fitted value already."""
        drawn: Floats = np.exp(self._drawn_factor(factor, math.log(fitted))) / fitted
        return drawn

    def _drawn_factor(self, factor: Factor, fitted: float | None) -> Floats:
        """Return a factor in its own scale; the prior is as wide as the fitted value is unusual, if that is more."""
        spread = factor.usual_spread if fitted is None else max(factor.usual_spread, abs(fitted - factor.usual))
        return factor.usual + spread * self.normal(f"{factor.kind} {factor.pump}")

    def narrow(self, off: Callable[[Draws], Floats]) -> float:
        """Narrow the draws to where they meet the readings; return the logarithm of how likely these are.

        Parameters
        ----------
        off
            Returns how far each draw is off the readings, in spreads of these, shape (n_samples, n_readings).
        """
        evidence = 0.0
        for number, widened in enumerate(_STEPS):
            seen = off(self)
            spread = seen - seen.mean(axis=0)
            covariance = spread.T @ spread / (self.samples - 1)
            whole = covariance + widened * np.eye(seen.shape[1])
            centre = seen.mean(axis=0)
            evidence -= 0.5 * float(centre @ np.linalg.solve(whole, centre))
            evidence -= 0.5 * float(np.linalg.slogdet(whole / widened)[1])
            noise = np.column_stack(
                [super(MeantDraws, self).normal(f"reading {i}, step {number}") for i in range(seen.shape[1])]
            )
            pull = np.linalg.solve(whole, (math.sqrt(widened) * noise - seen).T).T
            self._steps.append((spread, pull))
            self._narrow.clear()
        return evidence


def _gain(spread: Floats, z: Floats) -> Floats:
    """Return how a normal goes with the readings, (n_readings,).

    What a sample of this size could show of two that have nothing to do with each other counts as nothing: it would
    narrow what the readings say nothing of.
    """
    off = z - z.mean()
    gain: Floats = spread.T @ off / (len(z) - 1)
    by_chance = _BY_CHANCE / math.sqrt(len(z)) * spread.std(axis=0) * off.std()
    return np.where(np.abs(gain) >= by_chance, gain, 0.0)


class MixedDraws(Draws):
    """Draws of which each is under one of several meanings of the dials, as many as each is likely."""

    def __init__(self, parts: Sequence[MeantDraws], shares: Floats) -> None:
        super().__init__(parts[0].samples, parts[0].seed)
        self.parts, self.shares = tuple(parts), shares
        places = (np.arange(self.samples) + 0.5) / self.samples
        order = np.random.default_rng(self.seed).permutation(self.samples)
        self._which = np.searchsorted(np.cumsum(shares), places * shares.sum())[order].clip(max=len(parts) - 1)

    def share_of(self, kinds: Mapping[str, DialKind]) -> float:
        """Return how likely it is that the dials of these pumps are of these kinds."""
        held = [all(part.meaning[name].kind is kind for name, kind in kinds.items()) for part in self.parts]
        return float(self.shares[held].sum())

    def _picked(self, of: Callable[[MeantDraws], Floats]) -> Floats:
        used = sorted(set(self._which.tolist()))
        if len(used) == 1 or not any(part.is_narrowed for part in self.parts):
            return of(self.parts[used[0]])
        return self._by_meaning(of)

    def _by_meaning(self, of: Callable[[MeantDraws], Floats]) -> Floats:
        out = np.empty(self.samples)
        for index in sorted(set(self._which.tolist())):
            out[self._which == index] = of(self.parts[index])[self._which == index]
        return out

    def normal(self, name: str) -> Floats:
        return self.told(("normal", name), lambda: self._picked(lambda draws: draws.normal(name)))

    def factor(self, name: str, band: tuple[float, float]) -> Floats:
        return self.told(("factor", name, band), lambda: super(MixedDraws, self).factor(name, band))

    def loss(self, name: str, band: tuple[float, float]) -> Floats:
        return self.told(("loss", name, band), lambda: self._picked(lambda draws: draws.loss(name, band)))

    def pump_head(self, name: str) -> Floats:
        return self.told(("head", name), lambda: self._picked(lambda draws: draws.pump_head(name)))

    def height_m(self, point: str) -> Floats:
        return self.told(("height", point), lambda: self._picked(lambda draws: draws.height_m(point)))

    def speeds(self, pump: str, speed: float) -> Floats:
        return self.told(("speed", pump, speed), lambda: self._by_meaning(lambda draws: draws.speeds(pump, speed)))


def draws_after(
    measured: Sequence[Measurement],
    plumbing: Network,
    samples: int,
    seed: int,
    conditions: Conditions | None = None,
    running: Sequence[Network] = (),
) -> Draws:
    """Return draws narrowed by the readings taken on a plumbing that has the factors they gave.

    Without any the same is drawn, as far as nobody knows: each meaning of a dial is as likely as another. A dial counts
    that is below full speed in the plumbing, in what was measured, or in the networks that are `running`.
    """
    hidden = Hidden.of(plumbing, measured, running)
    parts = [MeantDraws(samples, seed, hidden, meaning) for meaning in hidden.meanings]
    if not measured:
        return MixedDraws(parts, np.ones(len(parts)))
    seen = _Seen.of(plumbing, measured, conditions)
    likely = np.array([part.narrow(seen.off) for part in parts])
    shares = np.exp(likely - likely.max())
    return MixedDraws(parts, shares / shares.sum())


@dataclass(frozen=True)
class _Seen:
    """Readings as compiled networks, one for each way that valves stood; water may run back, to show by how much."""

    readings: Readings
    states: tuple[tuple[CompiledNetwork, Mapping[str, float], tuple[int, ...]], ...]

    @classmethod
    def of(cls, plumbing: Network, measured: Sequence[Measurement], conditions: Conditions | None) -> _Seen:
        groups: dict[tuple[object, ...], list[int]] = {}
        for index, one in enumerate(measured):
            key = (tuple(sorted(one.openings.items())), tuple(sorted(one.settings.items())))
            groups.setdefault(key, []).append(index)
        states = []
        for indices in groups.values():
            one = measured[indices[0]]
            compiled = compile_network(with_valves(plumbing, one.openings), conditions)
            both_ways = replace(compiled, direction=np.zeros_like(compiled.direction))
            states.append((both_ways, speeds_of(one, plumbing), tuple(indices)))
        return cls(Readings(with_calibration(plumbing, Calibration()), measured), tuple(states))

    def off(self, draws: Draws) -> Floats:
        flows = np.empty((draws.samples, len(self.readings.measured)))
        for compiled, speeds, indices in self.states:
            found = ensemble_flows_m3_s(compiled, draws, None, speeds)
            for index in indices:
                flows[:, index] = found[:, compiled.run_index[self.readings.measured[index].run]]
        return self.readings.off(flows)


def speeds_of(one: Measurement, plumbing: Network) -> dict[str, float]:
    """Return the speeds of the pumps (fractions of full rpm) that a reading's dial settings mean in a plumbing."""
    return {
        name: (plumbing.pumps[name].dial or RPM).speed(setting)
        for name, setting in one.settings.items()
        if name in plumbing.pumps
    }
