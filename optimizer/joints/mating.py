"""Which two ends mate, what their joint consumes, and in words why two others never do."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.joints.threads import BSP_FLANKS_DEG, NPT_FLANKS_DEG, thread_of
from optimizer.model.catalog import CatalogItem
from optimizer.model.ends import End, Form
from optimizer.model.materials import is_metal

UNBOLTING = frozenset({"clamp", "push"})  # joints that come off while both neighbours stay where they are


@dataclass(frozen=True, slots=True)
class Mating:
    """How two ends meet.

    `method` is what the joint consumes: "cement", "tape", "washer", "clamp", "push" (compression and push-fit: nothing)
    or "stub" (two sockets on one short piece of pipe, hub to hub: two cemented joints).
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
_TAPER_MALES = frozenset({Form.NPT_MALE, Form.R_MALE})
TAPER_REASON = "a taper male of"  # how the refusal of a metal thread begins


def mating(first: End, second: End) -> Mating | None:
    """Return how two ends meet, or None when they do not.

    The rules are those of the thread standards (ASME B1.20.1, ISO 7-1, ISO 228-1) and of socket and spigot pipe. R male
    into a G female is common practice, no source, and allowed by the trade only with tape on the taper.
    """
    if first.size != second.size or first.system != second.system:
        return None
    return _MATES.get(frozenset({first.form, second.form}))


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
    if frozenset(forms) in _MATES:
        return _other_size(first, second)
    if len(forms) == 1:
        return f"two {first.form} ends do not join each other"
    return f"{_article(first.form)} {first.form} end does not join {_article(second.form)} {second.form} end"


def _thread_refusal(first: End, second: End) -> str:
    forms = {first.form, second.form}
    if first.form.is_npt != second.form.is_npt:
        return _npt_into_bsp(first, second)
    if first.form.is_male == second.form.is_male:
        return f"both are {'male' if first.form.is_male else 'female'} threads"
    if forms == {Form.G_MALE, Form.RC_FEMALE}:
        return "a parallel G male bottoms in a taper Rc female before it seals; G seals on a washer in a G female"
    if forms == {Form.G_MALE, Form.RP_FEMALE}:
        return "a parallel G male in a parallel Rp female has nothing to seal on; Rp takes an R male"
    return _other_size(first, second)


def _other_size(first: End, second: End) -> str:
    if first.size == second.size:
        return f"sizes are of two tables: {first.size} {first.system} and {second.size} {second.system}"
    return f"sizes differ: {first.size} and {second.size}"


def _npt_into_bsp(first: End, second: End) -> str:
    npt, bsp = (first, second) if first.form.is_npt else (second, first)
    why = f"NPT has {NPT_FLANKS_DEG}° flanks, BSP {BSP_FLANKS_DEG}°, and the diameters differ"
    mine, other = thread_of(npt.form, npt.size), thread_of(bsp.form, bsp.size)
    if npt.size == bsp.size and mine is not None and other is not None:
        why += _pitch_words(mine.threads_per_inch, other.threads_per_inch)
    return f"NPT and BSP never mate: {why}"


def _pitch_words(npt_per_inch: float, bsp_per_inch: float) -> str:
    if npt_per_inch == bsp_per_inch:
        same = f"{npt_per_inch:g} threads per inch"
        return f"; at this size both have {same}, so they start by hand and then weep or crack"
    return f"; {npt_per_inch:g} against {bsp_per_inch:g} threads per inch, so they bind after a few turns"


def _article(form: Form) -> str:
    """Return the article as the word is spoken: an NPT, an Rp, a BSPP."""
    return "an" if form.is_npt or form is Form.RP_FEMALE else "a"


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
