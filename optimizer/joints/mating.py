"""Which two ends mate, what their joint consumes, and in words why two others never do."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from optimizer.joints.threads import flanks_deg, thread_of
from optimizer.model.catalog import CatalogItem
from optimizer.model.ends import End, Form, SizeSystem, ThreadFamily
from optimizer.model.materials import is_metal

UNBOLTING = frozenset(
    {"clamp", "push", "swivel", "sleeve"}
)  # joints that come off while both neighbours stay where they are


@dataclass(frozen=True, slots=True)
class Mating:
    """How two ends meet.

    `method` is what the joint consumes: "cement", "tape", "washer", "clamp", "swivel" (a nut that has its own washer:
    nothing), "push" (compression and push-fit: nothing), "sleeve" (clamped around plain pipe: nothing) or "stub" (two
    sockets on one short piece of pipe, hub to hub: two cemented joints).
    """

    method: str
    separable: bool  # opens again without a saw

    @property
    def joints(self) -> int:
        """How many joints that can leak this is."""
        return 2 if self.method == "stub" else 1

    @property
    def unbolts(self) -> bool:
        """Whether it comes off while both neighbours stay where they are."""
        return self.method in UNBOLTING


_CEMENT = Mating("cement", separable=False)
_STUB = Mating("stub", separable=False)
_TAPE = Mating("tape", separable=True)
_WASHER = Mating("washer", separable=True)
_SWIVEL = Mating("swivel", separable=True)
_CLAMP = Mating("clamp", separable=True)
_PUSH = Mating("push", separable=True)
_SLEEVE = Mating("sleeve", separable=True)

_MATES: dict[frozenset[Form], Mating] = {
    frozenset({Form.SOCKET, Form.SPIGOT}): _CEMENT,
    frozenset({Form.SOCKET}): _STUB,
    frozenset({Form.NPT_MALE, Form.NPT_FEMALE}): _TAPE,
    frozenset({Form.R_MALE, Form.RC_FEMALE}): _TAPE,
    frozenset({Form.R_MALE, Form.RP_FEMALE}): _TAPE,
    frozenset({Form.R_MALE, Form.G_FEMALE}): _TAPE,
    frozenset({Form.G_MALE, Form.G_FEMALE}): _WASHER,
    frozenset({Form.NPSM_MALE, Form.NPSM_FEMALE}): _SWIVEL,
    frozenset({Form.GHT_MALE, Form.GHT_FEMALE}): _SWIVEL,
    frozenset({Form.BARB, Form.HOSE}): _CLAMP,
    frozenset({Form.COMPRESSION, Form.TUBE}): _PUSH,
    frozenset({Form.PUSH_FIT, Form.TUBE}): _PUSH,
    frozenset({Form.SLEEVE, Form.SPIGOT}): _SLEEVE,
}
_TAPER_MALES = frozenset({Form.NPT_MALE, Form.R_MALE})
TAPER_REASON = "a taper male of"  # how the refusal of a metal thread begins


def comes_off(port: End) -> bool:
    """Return whether what sits in a port unscrews or pulls off: it is no socket and no plain pipe to be cemented."""
    return port.form not in (Form.SOCKET, Form.SPIGOT)


def mating(first: End, second: End) -> Mating | None:
    """Return how two ends meet, or None when they do not.

    The rules are those of the thread standards (ASME B1.20.1 and B1.20.7, ISO 7-1, ISO 228-1) and of socket and spigot
    pipe. R male into a G female is common practice, no source, and allowed by the trade only with tape on the taper.
    """
    if first.size != second.size or first.system != second.system:
        return None
    return _MATES.get(frozenset({first.form, second.form}))


@cache
def mates(end: End) -> tuple[tuple[End, Mating], ...]:
    """Return every end that mates with this one, and how."""
    others = (End(form, end.size, end.system) for form in Form)
    return tuple((other, joint) for other in others if (joint := mating(end, other)) is not None)


def refusal(first: End, second: End) -> str:
    """Return in one sentence why two ends do not mate, the first reason that a plumber would give; empty if they do."""
    if mating(first, second) is not None:
        return ""
    forms = {first.form, second.form}
    if first.form.is_thread and second.form.is_thread:
        return _thread_refusal(first, second)
    if forms <= {Form.SOCKET, Form.SPIGOT} and first.system != second.system:
        return f"{first.system} pipe and {second.system} pipe have different outside diameters"
    if forms == {Form.SPIGOT}:
        return "two plain pipe ends need a coupling"
    if Form.OPEN in forms:
        return "an open end stands in the water: nothing joins it"
    if frozenset(forms) in _MATES:
        return _other_size(first, second)
    if len(forms) == 1:
        return f"two {first.form} ends do not join each other"
    return f"{_article(first.form)} {first.form} end does not join {_article(second.form)} {second.form} end"


def _thread_refusal(first: End, second: End) -> str:
    families = {first.form.thread, second.form.thread}
    if ThreadFamily.GHT in families and len(families) == 2:
        return _garden_hose(first, second)
    if first.form.is_bsp != second.form.is_bsp:
        return _npt_into_bsp(first, second)
    if first.form.is_male == second.form.is_male:
        return f"both are {'male' if first.form.is_male else 'female'} threads"
    if families == {ThreadFamily.NPT, ThreadFamily.NPSM}:
        return (
            "a taper NPT thread wedges in a straight NPSM thread before anything seals; NPSM seals on a gasket, "
            "straight on straight"
        )
    forms = {first.form, second.form}
    if forms == {Form.G_MALE, Form.RC_FEMALE}:
        return "a parallel G male bottoms in a taper Rc female before it seals; G seals on a washer in a G female"
    if forms == {Form.G_MALE, Form.RP_FEMALE}:
        return "a parallel G male in a parallel Rp female has nothing to seal on; Rp takes an R male"
    return _other_size(first, second)


def _other_size(first: End, second: End) -> str:
    if first.size == second.size:
        return f"sizes are of two tables: {first.size} {first.system} and {second.size} {second.system}"
    if first.system is SizeSystem.TUBE and first.size.endswith("mm") != second.size.endswith("mm"):
        return f"inch tube and metric tube have different outside diameters: {first.size} and {second.size}"
    return f"sizes differ: {first.size} and {second.size}"


def _garden_hose(first: End, second: End) -> str:
    """Return why garden hose thread takes nothing but itself."""
    other = second if first.form.thread is ThreadFamily.GHT else first
    hose = thread_of(Form.GHT_MALE, "3/4 in")
    theirs = thread_of(other.form, other.size)
    assert hose is not None
    why = f"it is straight, {hose.threads_per_inch:g} threads per inch on {1000 * hose.diameter_m:.0f} mm"
    if theirs is not None:
        name = f"{other.size} {other.form.thread}"
        why += f"; {name} has {theirs.threads_per_inch:g} on {1000 * theirs.diameter_m:.1f} mm"
    return f"garden hose thread mates with nothing but itself: {why}"


def _npt_into_bsp(first: End, second: End) -> str:
    npt, bsp = (second, first) if first.form.is_bsp else (first, second)
    name = npt.form.thread
    why = f"{name} has {flanks_deg(npt.form)}° flanks, BSP {flanks_deg(bsp.form)}°, and the diameters differ"
    mine, other = thread_of(npt.form, npt.size), thread_of(bsp.form, bsp.size)
    if npt.size == bsp.size and mine is not None and other is not None:
        why += _pitch_words(mine.threads_per_inch, other.threads_per_inch)
    return f"{name} and BSP never mate: {why}"


def _pitch_words(npt_per_inch: float, bsp_per_inch: float) -> str:
    if npt_per_inch == bsp_per_inch:
        same = f"{npt_per_inch:g} threads per inch"
        return f"; at this size both have {same}, so they start by hand and then weep or crack"
    return f"; {npt_per_inch:g} against {bsp_per_inch:g} threads per inch, so they bind after a few turns"


def _article(form: Form) -> str:
    """Return the article as the word is spoken: an NPT, an Rp, a BSPP."""
    return "an" if form.value[:2] in ("NP", "Rp") else "a"


def material_refusal(first: End, first_material: str, second: End, second_material: str) -> str:
    """Return why the materials of two ends that mate must not meet; empty when they may.

    A metal taper thread wedges a plastic female open (common practice, no source). An unknown material, an empty name,
    counts as plastic, which is the safe side for a female thread.
    """
    for male, male_of, female_of in (
        (first, first_material, second_material),
        (second, second_material, first_material),
    ):
        if male.form in _TAPER_MALES and is_metal(male_of) and not is_metal(female_of):
            return (
                f"a taper male of {male_of} splits a plastic female thread; use a plastic male, or metal on both sides"
            )
    return ""


def piece_refusals(
    item: CatalogItem, *, allow_unsafe_metals: bool = False, pressure_pa: float = 0.0
) -> tuple[str, ...]:
    """Return why a catalog piece must not stand in this water and at this pressure [Pa, gauge]; none when it may.

    A rating of 0 means that the catalog states none: then the pressure is not held against the piece.
    """
    found = []
    if not item.reef_safe and not allow_unsafe_metals:
        found.append(f"{item.material} in salt water: copper alloys, zinc and plain steel poison or rust")
    if 0.0 < item.pressure_rating_pa < pressure_pa:
        found.append("its pressure rating is too low for the duty")
    return tuple(found)
