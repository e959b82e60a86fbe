"""The materials of catalog rows: a closed list, with what water each may touch and whether its thread is of metal.

What is not on the list is no material: a rule that must keep metals out of salt water can not work on names that
nobody has judged. Which water a material stands is common practice, no source, but for plumbing metals in sea water:
copper is poison to invertebrates at some tens of micrograms per litre, zinc and plain steel corrode (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Material:
    """One material by its name in the catalogs.

    `salt`: may stand in the salt water of living animals; `drinking`: is sold for drinking water, the piece's own mark
    has the last word; `metal`: a taper male of it splits a plastic female thread. Fresh water of a tank: all but
    those that rust or shed copper, which the same rule keeps out unless the owner allows them.
    """

    name: str
    salt: bool
    drinking: bool
    metal: bool
    also: tuple[str, ...] = ()  # other words for it; case and hyphens do not matter


_LISTED = (
    Material("PVC", True, True, False, ("uPVC", "rigid PVC")),
    Material("PVC-U", True, True, False),
    Material("CPVC", True, True, False, ("PVC-C",)),
    Material("ABS", True, False, False),
    Material("polypropylene", True, True, False, ("PP",)),
    Material("polyethylene", True, True, False, ("PE", "HDPE", "PE-HD", "PE-LD", "PEX")),
    Material("acetal", True, True, False, ("POM",)),
    Material("nylon", True, False, False, ("polyamide", "PA")),
    Material("vinyl", True, False, False, ("soft PVC", "flexible PVC")),
    Material("silicone", True, True, False, ("silicone rubber",)),
    Material("EPDM", True, True, False),
    Material("FKM", True, False, False),
    Material("NBR", True, False, False, ("nitrile rubber",)),
    Material("PTFE", True, True, False),
    Material("PVDF", True, True, False),
    Material("polycarbonate", True, False, False, ("PC",)),
    Material("acrylic", True, False, False, ("PMMA",)),
    Material("glass", True, True, False),
    Material("ceramic", True, True, False),
    Material("plastic", True, False, False),
    Material("PVC cement", True, True, False),
    Material("primer", True, True, False),
    Material("titanium", True, True, True),
    Material("stainless steel", True, True, True, ("316 stainless steel", "316L stainless steel")),
    Material("brass", False, True, True, ("yellow brass", "red brass", "DZR brass", "chromed brass", "nickel brass")),
    Material("bronze", False, True, True, ("gunmetal", "red bronze", "aluminum bronze")),
    Material("copper", False, True, True, ("copper alloy", "cupronickel")),
    Material("steel", False, False, True, ("carbon steel", "black steel", "plain steel", "mild steel")),
    Material("galvanised steel", False, False, True, ("galvanized steel", "zinc plated steel")),
    Material("iron", False, False, True, ("cast iron", "malleable iron", "galvanized iron", "ductile iron")),
    Material("zinc", False, False, True, ("zinc alloy", "pot metal")),
    Material("aluminum", False, False, True, ("aluminium",)),
    Material("lead", False, False, True),
)
MATERIALS: Mapping[str, Material] = {one.name: one for one in _LISTED}


def _flat(words: str) -> str:
    return " ".join(words.lower().replace("-", " ").replace("_", " ").split())


_BY_WORD = {_flat(word): one.name for one in _LISTED for word in (one.name, *one.also)}
WORDS = tuple(dict.fromkeys(word for one in _LISTED for word in (one.name, *one.also)))


def material_named(words: str) -> str | None:
    """Return the name of a material that is written in any of its words; None for one that is not on the list."""
    return _BY_WORD.get(_flat(words))


def stands_salt_water(name: str) -> bool:
    """Return whether a material may stand in salt water; one that is not on the list may not."""
    found = MATERIALS.get(name)
    return found is not None and found.salt


def is_metal(name: str) -> bool:
    """Return whether a thread of this material is of metal; one that is not on the list counts as plastic."""
    found = MATERIALS.get(name)
    return found is not None and found.metal
