"""What an open end offers to the next part, and what opening an existing joint leaves behind.

Solvent-cemented joints are for ever: a pipe is cut off at the fitting's face, a fitting keeps a stub of the old pipe
in its socket, and two fittings on one stub go or stay together. Threads, unions, barbs and push joints open again.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.joints.mating import mating
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.ends import End, Form
from optimizer.model.network import Part


@dataclass(frozen=True, slots=True)
class Front:
    """An end that waits for its neighbour.

    `cut` marks an existing pipe end that was sawn off and is now too short to reach the bottom of a new socket;
    `pipe` is set on the end of a new pipe (two of the same pipe are one piece); `long` on a new fitting whose
    take-out exceeds the old one's by the depth of a socket and a saw cut, so that it reaches a cut pipe without a
    coupling; `sawn` marks an existing pipe that is sawn through and long enough there, not at the face of a fitting.
    """

    end: End
    cut: bool = False
    pipe: CatalogItem | None = None
    long: bool = False
    stepped: bool = False
    sawn: bool = False

    @property
    def key(self) -> tuple[End, bool, str, bool, bool, bool]:
        return (self.end, self.cut, self.pipe.item_id if self.pipe else "", self.long, self.stepped, self.sawn)


def is_step(left: Front, right: Front) -> bool:
    """Return whether a joint changes the size of plain pipe."""
    threaded = left.end.form.is_thread or right.end.form.is_thread
    return not threaded and left.end.size != right.end.size


def spigot_of(end: End) -> End:
    """Return the plain pipe end that goes into a socket."""
    return End(Form.SPIGOT, end.size, end.system)


def opened(mine: End, my_part: Part | None, neighbour_end: End | None, neighbour: Part | None) -> Front | None:
    """Return what a kept part or tee offers when its joint to a neighbour is opened; None when it can not be opened.

    Parameters
    ----------
    mine, my_part
        The end at the joint and the part that keeps it (None: a tee).
    neighbour_end, neighbour
        The other side as it stands (neighbour None: a tee; neighbour_end None: nothing is plumbed there yet).
    """
    if neighbour_end is None:
        return Front(mine)
    if my_part is not None and neighbour is not None and {my_part.kind, neighbour.kind} <= PIPES:
        return Front(mine, sawn=True)  # one pipe, told as its two pieces
    joint = mating(mine, neighbour_end)
    if joint is None or joint.separable:
        return Front(mine)
    if joint.method == "stub":
        return None
    if mine.form is Form.SPIGOT:
        return Front(mine, cut=True) if my_part is not None and my_part.kind in PIPES else None
    if neighbour is not None and neighbour.kind in PIPES:
        return Front(spigot_of(mine), cut=True)
    return None
