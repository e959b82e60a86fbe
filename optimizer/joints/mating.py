"""Which two ends mate, what their joint consumes, and in words why two others never do."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.ends import End, Form


@dataclass(frozen=True, slots=True)
class Mating:
    """How two ends meet.

    `method` is what the joint consumes: "cement", "tape", "washer", "clamp", "push" (compression and push-fit: nothing)
    or "stub" (two sockets on one short piece of pipe, hub to hub: two cemented joints).
    """

    method: str
    separable: bool  # opens again without a saw


_CEMENT = Mating("cement", separable=False)
_STUB = Mating("stub", separable=False)
_TAPE = Mating("tape", separable=True)
_WASHER = Mating("washer", separable=True)
_CLAMP = Mating("clamp", separable=True)
_PUSH = Mating("push", separable=True)

_MATES: dict[frozenset[Form], Mating] = {
    frozenset({Form.SOCKET, Form.SPIGOT}): _CEMENT,
    frozenset({Form.SOCKET}): _STUB,
    frozenset({Form.NPT_MALE, Form.NPT_FEMALE}): _TAPE,
    frozenset({Form.R_MALE, Form.RC_FEMALE}): _TAPE,
    frozenset({Form.R_MALE, Form.RP_FEMALE}): _TAPE,
    frozenset({Form.R_MALE, Form.G_FEMALE}): _TAPE,
    frozenset({Form.G_MALE, Form.G_FEMALE}): _WASHER,
    frozenset({Form.BARB, Form.HOSE}): _CLAMP,
    frozenset({Form.COMPRESSION, Form.TUBE}): _PUSH,
    frozenset({Form.PUSH_FIT, Form.TUBE}): _PUSH,
}
_SAME_PITCH = frozenset({"1/2 in", "3/4 in"})  # both 14 threads per inch: ASME B1.20.1, ISO 7-1


def mating(first: End, second: End) -> Mating | None:
    """Return how two ends meet, or None when they do not.

    The rules are those of the thread standards (ASME B1.20.1, ISO 7-1, ISO 228-1) and of socket and spigot pipe. R male
    into a G female is common practice, no source, and allowed by the trade only with tape on the taper.
    """
    if first.size != second.size or first.system != second.system:
        return None
    return _MATES.get(frozenset({first.form, second.form}))


def refusal(first: End, second: End) -> str:
    """Return in one sentence why two ends do not mate; the first reason that a plumber would give."""
    if first.form.is_thread and second.form.is_thread and first.form.is_npt != second.form.is_npt:
        return _npt_into_bsp(first, second)
    if {first.form, second.form} <= {Form.SOCKET, Form.SPIGOT} and first.system != second.system:
        return f"{first.system} pipe and {second.system} pipe have different outside diameters"
    if {first.form, second.form} == {Form.G_MALE, Form.RC_FEMALE}:
        return "a parallel G male bottoms in a taper Rc female before it seals; G seals on a washer in a G female"
    if {first.form, second.form} == {Form.G_MALE, Form.RP_FEMALE}:
        return "a parallel G male in a parallel Rp female has nothing to seal on; Rp takes an R male"
    if first.form == second.form == Form.SPIGOT:
        return "two plain pipe ends need a coupling"
    if first.form.is_thread and second.form.is_thread and first.form.is_male == second.form.is_male:
        return f"both are {'male' if first.form.is_male else 'female'} threads"
    if first.size != second.size:
        return f"sizes differ: {first.size} and {second.size}"
    return f"a {first.form} end does not join a {second.form} end"


def _npt_into_bsp(first: End, second: End) -> str:
    npt, bsp = (first, second) if first.form.is_npt else (second, first)
    why = "NPT has 60° flanks, BSP 55°, and the diameters differ"
    if npt.size == bsp.size and npt.size in _SAME_PITCH:
        why += "; at this size both have 14 threads per inch, so they start by hand and then weep or crack"
    return f"NPT and BSP never mate: {why}"
