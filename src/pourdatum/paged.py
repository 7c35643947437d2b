"""Exact sums per voxel in pages: memory follows the floor, not the points.

A page holds the voxels of 8 by 8 cells in 4 layers, each with a count and the sums of
three offsets in unsigned 32-bit integers. Pages are made where points fall; a floor fills
the pages around its own level and no others. Before a sum could overflow, all are carried
over to a table of 64-bit integers, so that the result is exact for any number of points.

Threads that add side by side have pages of their own, a few, which they give to the common
ones when those are full: nobody waits while another adds, and memory stays that of the floor.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from threading import Lock
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.block import DEPTH, PAGE_BYTES, QUANTITIES, SIDE, VOXELS, Block, split
from pourdatum.compiled import compiled_loops
from pourdatum.errors import LimitMet
from pourdatum.grid import VoxelStats, merge, pack

Ints = NDArray[np.int64]

_FIRST_PAGES: Final = 1 << 14
_OWN_PAGES: Final = 1 << 16
"""Pages that a thread fills, at the most, before it gives them to the common ones (256 MB)."""
_GIVEN_AT_ONCE: Final = 1 << 10
_GROWTH: Final = 1.25
_MOST_SUM: Final = 2**32 - 1


class PagedSums:
    """Counts and sums over the voxels of a block.

    ``table`` holds for every page of the block its place in ``pool``, or -1; ``pool`` is
    (pages, voxels, quantities), of which ``used`` pages are taken. One thread adds to it;
    any may give pages to those that it is the common ones of.

    Parameters
    ----------
    block : Block
    most_bytes : int
        Memory that the pool may take.
    compiled : bool
        Whether points go through the compiled loop, where it is loaded.
    common : PagedSums, optional
        Where the pages go when they are many, and when ``give`` is called.

    Examples
    --------
    >>> block = Block(0, 0, 0, cols=10, rows=10, layers=4, cell_steps=5, layer_steps=2)
    >>> sums = PagedSums(block, most_bytes=1 << 20)
    >>> sums.add(np.array([[1, 2, 0], [2, 2, 1]]))
    >>> sums.result().count, sums.result().sums.ravel()
    (array([2]), array([3, 4, 1]))
    """

    def __init__(
        self,
        block: Block,
        most_bytes: int,
        *,
        compiled: bool = False,
        common: PagedSums | None = None,
    ) -> None:
        pages = int(np.prod(block.pages))
        if pages > np.iinfo(np.int32).max // 4:
            raise _too_large(block)
        self.block = block
        self.table = np.full(pages, -1, np.int32)
        self._most_pages = max(most_bytes // PAGE_BYTES, 1)
        self._common = common
        self._most_own = self._most_pages
        if common is not None:
            self._most_own = max(min(_OWN_PAGES, self._most_pages // 4), 1)
        self.pool = _empty_pool(min(_FIRST_PAGES, pages, self._most_own))
        self.used = 0
        self.highest = 0
        """Greatest count of any voxel."""
        self._carried: VoxelStats | None = None
        self._count_bound = 0
        self._most_count = _MOST_SUM // max(block.cell_steps, block.layer_steps)
        self._taking = Lock()
        loops = compiled_loops("cellloop", worth=False) if compiled else None
        self._add_some = self._add_plain if loops is None else partial(self._add_loop, loops.add_to)

    def add(self, points: Ints) -> None:
        """Take in lattice points (n, 3); those outside the block are left out."""
        at_once = self._most_count // 2
        for first in range(0, len(points), at_once):
            part = points[first : first + at_once]
            self._ready_for(len(part))
            self._add_some(part)

    def _ready_for(self, points: int) -> None:
        """Make sure that this many more points overflow no sum."""
        if self._count_bound + points > self._most_count:
            self._count_bound = self.highest
            if self._count_bound + points > self._most_count:
                self._carry_over()
        self._count_bound += points

    def _add_loop(self, add_to: Any, points: Ints) -> None:
        done = 0
        while True:
            done, self.used, self.highest = add_to(
                points, done, self.block.numbers, self.table, self.pool, self.used, self.highest
            )
            if done == len(points):
                return
            if self._common is not None and self.used >= self._most_own:
                self.give()
            else:
                self._grow(self.used + 1)

    def _add_plain(self, points: Ints) -> None:
        block = self.block
        (col, row, layer), offsets = split(points, block.cell_steps, block.layer_steps)
        c, r, k = col - block.col, row - block.row, layer - block.layer
        inside = (c >= 0) & (c < block.cols) & (r >= 0) & (r < block.rows)
        inside &= (k >= 0) & (k < block.layers)
        c, r, k = c[inside], r[inside], k[inside]
        _, rows, cols = block.pages
        page = ((k // DEPTH) * rows + r // SIDE) * cols + c // SIDE
        self._make_room(np.unique(page))
        voxel = ((r % SIDE) * SIDE + c % SIDE) * DEPTH + k % DEPTH
        at = self.table[page] * VOXELS + voxel
        flat = self.pool.reshape(-1, QUANTITIES)
        np.add.at(flat[:, 0], at, np.uint32(1))
        self.highest = max(self.highest, int(flat[at, 0].max(initial=0)))
        for quantity, offset in enumerate(offsets, 1):
            np.add.at(flat[:, quantity], at, offset[inside].astype(np.uint32))

    def _make_room(self, pages: Ints) -> None:
        """Take pages of the block into use that are not yet; the pool grows as needed."""
        new = pages[self.table[pages] < 0]
        if self._common is not None and self.used > 0 and self.used + new.size > self._most_own:
            self.give()
            new = pages
        self._grow(self.used + new.size)
        self.table[new] = np.arange(self.used, self.used + new.size, dtype=np.int32)
        self.used += new.size

    def _grow(self, pages: int) -> None:
        """Room in the pool for this many pages.

        Raises
        ------
        LimitMet
            If they take more memory than is allowed.
        """
        have = len(self.pool)
        if pages <= have:
            return
        if pages > self._most_pages:
            raise _too_large(self.block)
        wanted = min(max(pages, int(have * _GROWTH)), self._most_pages, self.table.size)
        # Moved by the system where it can: no second copy in memory.
        self.pool.resize((wanted, VOXELS, QUANTITIES), refcheck=False)

    def give(self) -> None:
        """Hand all that was added to the common sums, and begin anew."""
        assert self._common is not None
        self._common._take(self)

    def _take(self, other: PagedSums) -> None:
        """Take all that another holds; it is empty then. Threads wait for each other here."""
        with self._taking:
            if other._carried is not None:
                held = self._carried
                self._carried = other._carried if held is None else merge(held, other._carried)
                other._carried = None
            # What either holds is bounded by its own fullest voxel.
            if self.highest + other.highest > self._most_count:
                self._carry_over()
            pages = np.flatnonzero(other.table >= 0)
            if self.used == 0:
                self.table, other.table = other.table, self.table
                self.pool, other.pool = other.pool, self.pool
                self.used, self.highest = other.used, other.highest
                self._count_bound = self.highest
                other.used = other.highest = other._count_bound = 0
                return
            self._make_room(pages)
            for first in range(0, pages.size, _GIVEN_AT_ONCE):
                some = pages[first : first + _GIVEN_AT_ONCE]
                to = self.table[some]
                held_there = self.pool[to] + other.pool[other.table[some]]
                self.pool[to] = held_there
                self.highest = max(self.highest, int(held_there[:, :, 0].max()))
            self._count_bound = self.highest
        other.table[pages] = -1
        other.pool[: other.used] = 0
        other.used = other.highest = other._count_bound = 0

    def result(self) -> VoxelStats:
        """Statistics of all points added, in the order of rows, columns, layers."""
        own = self._stats()
        return own if self._carried is None else merge(self._carried, own)

    def state(self) -> dict[str, NDArray[Any]]:
        """All that was summed, as arrays."""
        carried = self._carried or VoxelStats.empty(QUANTITIES - 1)
        return {
            "table": self.table,
            "pool": self.pool[: self.used],
            "key": carried.key,
            "count": carried.count,
            "sums": carried.sums,
            "highest": np.array(self.highest),
        }

    def take_up(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Go on from a state of the same block."""
        pool = state["pool"]
        self._grow(len(pool))
        self.table[:] = state["table"]
        self.pool[: len(pool)] = pool
        self.used = len(pool)
        self.highest = self._count_bound = int(state["highest"])
        if state["key"].size:
            self._carried = VoxelStats(state["key"], state["count"], state["sums"])

    def _carry_over(self) -> None:
        self._carried = self.result()
        self.pool[: self.used] = 0
        self._count_bound = self.highest = 0

    def _stats(self) -> VoxelStats:
        loops = compiled_loops("cellloop", worth=False)
        if loops is None:
            return self._stats_plain()
        # Room for full pages: what is not written to takes no memory.
        most = self.used * VOXELS
        key, count, sums = (
            np.empty(most, np.int64),
            np.empty(most, np.int64),
            np.empty((3, most), np.int64),
        )
        n = loops.voxels(self.block.numbers, self.table, self.pool, key, count, sums)
        return VoxelStats(key[:n], count[:n], sums[:, :n])

    def _stats_plain(self) -> VoxelStats:
        taken = np.flatnonzero(self.table >= 0)
        place = self.table[taken]
        page, voxel = np.nonzero(self.pool[place, :, 0])
        held = self.pool[place[page], voxel]
        _, rows, cols = self.block.pages
        page = taken[page]
        group, page_row, page_col = page // (rows * cols), page // cols % rows, page % cols
        key = pack(
            self.block.col + page_col * SIDE + voxel // DEPTH % SIDE,
            self.block.row + page_row * SIDE + voxel // (SIDE * DEPTH),
            self.block.layer + group * DEPTH + voxel % DEPTH,
        )
        order = np.argsort(key)
        held = held[order]
        return VoxelStats(
            key[order], held[:, 0].astype(np.int64), np.ascontiguousarray(held[:, 1:].T, np.int64)
        )


def _empty_pool(pages: int) -> NDArray[np.uint32]:
    """Pages without a point; they take no memory before they are written to."""
    return np.zeros((pages, VOXELS, QUANTITIES), np.uint32)


def _too_large(block: Block) -> LimitMet:
    return LimitMet(
        f"{block.cols} by {block.rows} cells of {block.cell_steps / 100:g} mm take more memory"
        " than is allowed",
        hint="give a larger --cell, allow more with --memory, or cut far stray points off",
        id="memory",
    )
