"""Pieces of batches: whether what a batch covers lies where it is tipped, and who is shut in.

A strip follows a contour of the trickle, and contours of one height may lie in two arms of a room,
or at both ends of a corridor that is left in its middle. A batch that is parted so is tipped at one
place and carried to the other while it sets. And floor beside a batch that is poured later is no
way out where it is such a piece, with floor poured already all around.
"""

from __future__ import annotations

import itertools
import math
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourblocks import Blocks

if TYPE_CHECKING:
    from pourdatum.pourstrips import Laid

Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

CARRIED_M: Final = 3.0
DRAGGED_M: Final = 10.0
"""Way over the floor up to which a part of a batch is carried on from the rest, and over which a
hose is dragged in a pass [m]; choices."""
_CRUMB: Final = 0.05
"""Share of a batch that makes no piece of it."""
_STRIDE_M: Final = 0.5
"""From floor that is not poured yet out of the door, over what is [m]; a choice."""


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
    a, b = blocks.link.T
    size = laid.batch.size
    piece, whose = _pieces(blocks, laid.batch)
    area_m2 = np.bincount(piece, blocks.area_m2, whose.size).astype(np.float64)
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


def leads_out(blocks: Blocks, laid: Laid) -> bool:
    """Whether from each batch floor that is not poured yet leads to the exit.

    Floor that is cut off from the exit is left where it is nearest to it.

    Parameters
    ----------
    blocks : Blocks
        The floor.
    laid : Laid
        Its batches.

    Returns
    -------
    bool
        Also where the way ends a stride short of the exit.
    """
    piece, whose = _pieces(blocks, laid.batch)
    # Pairs of pieces that touch: for each those that are poured after it.
    one, other = piece[blocks.link].T
    first = whose[one] < whose[other]
    low, high = np.where(first, one, other), np.where(first, other, one)
    met = np.unique(np.stack([low, high])[:, whose[low] != whose[high]], axis=1)
    beside: list[list[int]] = [[] for _ in range(whose.size)]
    for earlier, later in met.T.tolist():
        beside[earlier].append(later)
    free = np.zeros(whose.size, bool)
    free[piece[_at_exit(blocks)]] = True
    out, group = free.tolist(), list(range(whose.size))

    def head(one: int) -> int:
        """One piece that stands for all that hang together with this one."""
        while group[one] != one:
            group[one] = group[group[one]]
            one = group[one]
        return one

    # From the last batch back: floor that is not poured yet grows, and pieces of it join.
    order = np.argsort(-whose, kind="stable").tolist()
    for _, pieces in itertools.groupby(order, key=whose.tolist().__getitem__):
        own = list(pieces)
        if not any(out[one] or any(out[head(k)] for k in beside[one]) for one in own):
            return False
        for one in own:
            for joined in {head(k) for k in beside[one]} - {head(one)}:
                out[head(one)] |= out[joined]
                group[joined] = head(one)
    return True


@lru_cache(maxsize=2)  # Of one floor many ways are tried.
def _at_exit(blocks: Blocks) -> Mask:
    """Blocks within a stride of where their part of the floor is left (n,)."""
    away_m = np.hypot(*(blocks.place_m - blocks.place_m[blocks.exit_block]).T)
    part, _ = _pieces(blocks, np.zeros(away_m.size, np.int64))
    nearest_m = np.full(int(part.max()) + 1, np.inf)
    np.minimum.at(nearest_m, part, away_m)
    near: Mask = away_m <= nearest_m[part] + _STRIDE_M
    return near


def _pieces(blocks: Blocks, batch: Index) -> tuple[Index, Index]:
    """Piece of each block (n,), which hangs together in one batch, and batch of each piece."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    a, b = blocks.link[batch[blocks.link[:, 0]] == batch[blocks.link[:, 1]]].T
    graph: Any = coo_array((np.ones(a.size, np.int8), (a, b)), shape=(batch.size, batch.size))
    count, found = connected_components(graph, directed=False)
    piece = np.asarray(found, np.int64)
    whose = np.zeros(count, np.int64)
    whose[piece] = batch
    return piece, whose


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
