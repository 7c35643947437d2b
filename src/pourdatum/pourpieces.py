"""Batches in one piece: whether what a batch covers lies where it is tipped.

A strip follows a contour of the trickle, and contours of one height may lie in two arms of a room,
or at both ends of a corridor that is left in its middle. A batch that is parted so is tipped at one
place and carried to the other while it sets.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourblocks import Blocks

if TYPE_CHECKING:
    from pourdatum.pourstrips import Laid

Index = NDArray[np.int64]

CARRIED_M: Final = 3.0
DRAGGED_M: Final = 10.0
"""Way over the floor up to which a part of a batch is carried on from the rest, and over which a
hose is dragged in a pass [m]; choices."""
_CRUMB: Final = 0.05
"""Share of a batch that makes no piece of it."""


def parted_batches(blocks: Blocks, laid: Laid, away_m: float = CARRIED_M) -> int:
    """How many batches have a piece that lies further from the rest than it is carried.

    Parameters
    ----------
    blocks : Blocks
        The floor.
    laid : Laid
        Its batches.
    away_m : float
        How far that is [m].

    Returns
    -------
    int
        0 where each batch lies together, but for crumbs and for what a column parts.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    a, b = blocks.link.T
    together = laid.batch[a] == laid.batch[b]
    size = laid.batch.size
    ones = np.ones(int(together.sum()), np.int8)
    graph: Any = coo_array((ones, (a[together], b[together])), shape=(size, size))
    count, found = connected_components(graph, directed=False)
    piece = np.asarray(found, np.int64)
    area_m2 = np.bincount(piece, blocks.area_m2, count).astype(np.float64)
    whose = np.zeros(count, np.int64)
    whose[piece] = laid.batch
    whole_m2 = np.bincount(laid.batch, blocks.area_m2)
    some = area_m2 > _CRUMB * whole_m2[whose]
    several = np.flatnonzero(np.bincount(whose[some], minlength=whole_m2.size) > 1)
    if not several.size:
        return 0
    ends = np.concatenate([a, b])
    order = np.argsort(ends, kind="stable")
    first = np.searchsorted(ends[order], np.arange(size + 1))
    beside = np.concatenate([b, a])[order]
    steps = math.ceil(away_m / blocks.side_m)
    return sum(_far(np.flatnonzero(some & (whose == one)), area_m2, piece, beside, first, steps)
               for one in several.tolist())  # fmt: skip


def _far(
    own: Index, area_m2: NDArray[np.float64], piece: Index, beside: Index, first: Index, steps: int
) -> bool:
    """Whether a piece of a batch is not met within so many blocks from those that hang together.

    From the largest on, piece by piece: a strip that columns cut hangs together.
    """
    start = int(own[np.argmax(area_m2[own])])
    wanted = set(own.tolist()) - {start}
    seen = piece == start
    front = np.flatnonzero(seen)
    away = 0
    while wanted and front.size and away < steps:
        spans = [beside[first[k] : first[k + 1]] for k in front.tolist()]
        front = np.unique(np.concatenate(spans))
        front = front[~seen[front]]
        seen[front] = True
        away += 1
        met = wanted & set(piece[front].tolist())
        if met:
            # From here on its distance counts anew, from all that hangs together.
            wanted -= met
            seen = np.isin(piece, [k for k in own.tolist() if k not in wanted])
            front, away = np.flatnonzero(seen), 0
    return bool(wanted)
