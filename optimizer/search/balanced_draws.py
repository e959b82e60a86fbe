"""Many draws by how hard they are, and plans → few of them that tell how often each plan works as the many do.

One draw is taken from each class of draws about as hard (stratified sampling), and which one, so that of every plan
looked at as large a share works in the few as in the many (balanced sampling). So a plan that only happens to suit the
few is not taken for the cheapest.

References
----------
W. G. Cochran, Sampling Techniques, 3rd ed., 1977, chapter 5; J.-C. Deville, Y. Tillé, Efficient balanced sampling: the
cube method, Biometrika 91, 2004, pp. 893-912 (the aim; here by exchange within the classes).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_PASSES = 4
_STAYS = 1e-9  # a draw is exchanged for a better one only


def spread(hardest_m: Floats, count: int) -> Ints:
    """Return so many classes of draws by their hardness, (count, draws of a class); the middle of each comes first."""
    order = np.argsort(hardest_m, kind="stable")
    classes = order[: len(order) // count * count].reshape(count, -1)
    middle = classes.shape[1] // 2
    return np.roll(classes, -middle, axis=1)


def balanced(classes: Ints, works: Sequence[npt.NDArray[np.bool_]], counts: Sequence[float]) -> Ints:
    """Return one draw of each class, (n_classes,), so that each plan works in about so many of them.

    Parameters
    ----------
    classes
        As of `spread`; the first draw of each is taken where nothing speaks against it.
    works, counts
        Of every plan in which of all draws it works, and in how many of these it should.
    """
    picked = classes[:, 0].copy()
    if not works:
        return picked
    table = np.array(works, dtype=np.float64)
    aims = np.asarray(counts, dtype=np.float64)
    now = table[:, picked].sum(axis=1)
    for _ in range(_PASSES):
        before = picked.copy()
        for k, some in enumerate(classes):
            rest = now - table[:, picked[k]] - aims
            miss = ((rest[:, None] + table[:, some]) ** 2).sum(axis=0)
            miss[some == picked[k]] -= _STAYS
            picked[k] = some[int(miss.argmin())]
            now = rest + aims + table[:, picked[k]]
        if (picked == before).all():
            break
    return picked
