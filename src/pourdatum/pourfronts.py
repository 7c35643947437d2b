"""Fronts of a floor that is taken block by block from its far ends on, and where they meet.

Blocks that touch are one front. Between two meetings a front only grows down the slope from its
peaks, so peaks and meetings are all that has to be gone through one by one: each block is given to
the peak above it at once, and the meetings are the edges of a minimum spanning tree between peaks
(Kruskal's argument: two peaks are joined when the highest way between them is taken).
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]


class Fronts:
    """Fronts of blocks taken in the order of their level, the highest first.

    Parameters
    ----------
    level, area_m2 : (n,) array
        Of each block; of equal levels the first counts as higher.
    link : (k, 2) int array
        Pairs of blocks that touch.

    Examples
    --------
    Two peaks with a saddle, block 2, between them:

    >>> import numpy as np
    >>> level = np.array([5.0, 4.0, 1.0, 2.0])
    >>> fronts = Fronts(level, np.ones(4), np.array([[0, 1], [1, 2], [2, 3]]))
    >>> [(block, [fronts.area_m2(one) for one in met]) for block, met in fronts.meetings()]
    [(2, [2.0, 1.0])]
    """

    def __init__(self, level: Array, area_m2: Array, link: Index) -> None:
        size = level.size
        self._turn = np.empty(size, np.int64)
        self._turn[np.argsort(-level, kind="stable")] = np.arange(size)
        by_turn = np.argsort(self._turn[link], axis=1)
        self._above, self._below = np.take_along_axis(link, by_turn, axis=1).T
        self._peak = self._peaks()
        # Blocks of a peak lie side by side, in the order in which they are taken.
        self._order = np.lexsort((self._turn, self._peak))
        self._taken = self._turn[self._order]
        self._ends = np.searchsorted(self._peak[self._order], np.arange(size + 1))
        self._upto_m2 = np.concatenate([[0.0], np.cumsum(area_m2[self._order])])
        self._free = np.ones(size, bool)
        self._gone_m2: dict[int, float] = {}
        self._peaks_of = {int(one): [int(one)] for one in np.unique(self._peak)}
        self._now = -1

    def meetings(self) -> Iterator[tuple[int, list[int]]]:
        """Blocks at which fronts meet, with the fronts (by number), the largest first.

        The block itself is in none of them yet; when the next meeting is asked for, it and all
        that met are one front.
        """
        root = {peak: peak for peak in self._peaks_of}

        def front_of(peak: int) -> int:
            while root[peak] != peak:
                root[peak] = root[root[peak]]
                peak = root[peak]
            return peak

        for turn, edges in groupby(self._meetings(), key=lambda edge: edge[0]):
            self._now = turn
            met = {front_of(peak) for _, one, other in edges for peak in (one, other)}
            ordered = sorted(met, key=lambda one: (-self.area_m2(one), one))
            yield self._block_of_turn(turn), ordered
            into, *others = ordered
            for other in others:
                root[other] = into
                self._peaks_of[into] += self._peaks_of.pop(other)
                self._gone_m2[into] = self._gone_m2.get(into, 0.0) + self._gone_m2.pop(other, 0.0)
        self._now = self._turn.size

    def area_m2(self, front: int) -> float:
        """Floor of a front as far as it is taken and not ended [m²]."""
        held = sum(
            float(self._upto_m2[last] - self._upto_m2[first])
            for first, last in map(self._spell, self._peaks_of[front])
        )
        return held - self._gone_m2.get(front, 0.0)

    def blocks(self, front: int) -> Index:
        """Blocks of a front as far as it is taken and not ended."""
        own = [self._order[slice(*self._spell(peak))] for peak in self._peaks_of[front]]
        found = np.concatenate(own)
        return found[self._free[found]]

    def end(self, front: int) -> Index:
        """The blocks of a front, which no longer count as its own."""
        gone_m2 = self.area_m2(front)
        found = self.blocks(front)
        self._free[found] = False
        self._gone_m2[front] = self._gone_m2.get(front, 0.0) + gone_m2
        return found

    def left(self) -> list[int]:
        """The fronts there are."""
        return list(self._peaks_of)

    def _spell(self, peak: int) -> tuple[int, int]:
        """Where the blocks of a peak that are taken stand in the order."""
        first, last = int(self._ends[peak]), int(self._ends[peak + 1])
        return first, first + int(np.searchsorted(self._taken[first:last], self._now))

    def _peaks(self) -> Index:
        """The peak above each block: up to the highest that it touches, and so on."""
        up = np.arange(self._turn.size)
        order = np.lexsort((self._turn[self._above], self._below))
        lower, first = np.unique(self._below[order], return_index=True)
        up[lower] = self._above[order][first]
        while not np.array_equal(up, up[up]):
            up = up[up]
        return up

    def _block_of_turn(self, turn: int) -> int:
        return int(np.flatnonzero(self._turn == turn)[0])

    def _meetings(self) -> list[tuple[int, int, int]]:
        """Turn and two peaks of each meeting, in order."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import minimum_spanning_tree

        pair = np.sort(np.stack([self._peak[self._above], self._peak[self._below]], axis=1), axis=1)
        apart = pair[:, 0] != pair[:, 1]
        pair, turn = pair[apart], self._turn[self._below[apart]]
        # Of the ways between two peaks the highest alone.
        order = np.lexsort((turn, pair[:, 1], pair[:, 0]))
        pair, turn = pair[order], turn[order]
        first = np.ones(turn.size, bool)
        first[1:] = (np.diff(pair, axis=0) != 0).any(axis=1)
        pair, turn = pair[first], turn[first]
        size = self._turn.size
        # No weight may be nought: it would be no edge.
        graph: Any = coo_array((turn + 1.0, (pair[:, 0], pair[:, 1])), shape=(size, size))
        tree: Any = minimum_spanning_tree(graph.tocsr()).tocoo()
        found = zip((tree.data - 1.0).astype(int).tolist(), tree.row.tolist(), tree.col.tolist(),
                    strict=True)  # fmt: skip
        return sorted(found)
