"""Exact sums per voxel in pages: memory follows the floor, not the points.

A page holds the voxels of 8 by 8 cells in 4 layers, each with a count and the sums of
three offsets in unsigned 32-bit integers. Pages are made where points fall; a floor fills
the pages around its own level and no others. Before a sum could overflow, all are carried
over to a table of 64-bit integers, so that the result is exact for any number of points.
"""

from __future__ import annotations

from collections.abc import Mapping
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
_GROWTH: Final = 1.25
_MOST_SUM: Final = 2**32 - 1


class PagedSums:
    """Counts and sums over the voxels of a block.

    ``table`` holds for every page of the block its place in ``pool``, or -1; ``pool`` is
    (pages, voxels, quantities), of which ``used`` pages are taken. Threads may add at the
    same time: one waits for the other.

    Parameters
    ----------
    block : Block
    most_bytes : int
        Memory that the pool may take.
    compiled : bool
        Whether points go through the compiled loop, where it is loaded.

    Examples
    --------
    >>> block = Block(0, 0, 0, cols=10, rows=10, layers=4, cell_steps=5, layer_steps=2)
    >>> sums = PagedSums(block, most_bytes=1 << 20)
    >>> sums.add(np.array([[1, 2, 0], [2, 2, 1]]))
    >>> sums.result().count, sums.result().sums.ravel()
    (array([2]), array([3, 4, 1]))
    """

    def __init__(self, block: Block, most_bytes: int, *, compiled: bool = False) -> None:
        pages = int(np.prod(block.pages))
        if pages > np.iinfo(np.int32).max // 4:
            raise _too_large(block)
        self.block = block
        self.table = np.full(pages, -1, np.int32)
        self._most_pages = max(most_bytes // PAGE_BYTES, 1)
        first = min(_FIRST_PAGES, pages, self._most_pages)
        self.pool = np.zeros((first, VOXELS, QUANTITIES), np.uint32)
        self.used = 0
        self.highest = 0
        """Greatest count of any voxel."""
        self._carried: VoxelStats | None = None
        self._count_bound = 0
        self._most_count = _MOST_SUM // max(block.cell_steps, block.layer_steps)
        self._adding = Lock()
        loops = compiled_loops("cellloop", worth=False) if compiled else None
        self._add_to: Any = None if loops is None else loops.add_to

    def add(self, points: Ints) -> None:
        """Take in lattice points (n, 3); those outside the block are left out."""
        at_once = self._most_count // 2
        for first in range(0, len(points), at_once):
            part = points[first : first + at_once]
            with self._adding:
                self._ready_for(len(part))
                # A method kept in a field would hold the pool until the next collection of cycles.
                if self._add_to is None:
                    self._add_plain(part)
                else:
                    self._add_loop(part)

    def _ready_for(self, points: int) -> None:
        """Make sure that this many more points overflow no sum."""
        if self._count_bound + points > self._most_count:
            self._count_bound = self.highest
            if self._count_bound + points > self._most_count:
                self._carry_over()
        self._count_bound += points

    def _add_loop(self, points: Ints) -> None:
        done = 0
        while True:
            done, self.used, self.highest = self._add_to(
                points, done, self.block.numbers, self.table, self.pool, self.used, self.highest
            )
            if done == len(points):
                return
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


def _too_large(block: Block) -> LimitMet:
    return LimitMet(
        f"{block.cols} by {block.rows} cells of {block.cell_steps / 100:g} mm take more memory"
        " than is allowed",
        hint="give a larger --cell, allow more with --memory, or cut far stray points off",
        id="memory",
    )
