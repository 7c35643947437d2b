"""Sums the points around a coarse floor: the one loop that every point goes through.

A point is held against the coarse level at its place. Near it, it is summed in thin layers;
farther off in layers of 50 mm, where walls and things stand. The loop exists twice: compiled,
where the extra ``fast`` is installed, and in NumPy; both give the same bits.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from threading import Lock
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.block import Block, lot
from pourdatum.compiled import compiled_loops
from pourdatum.grid import Grid, VoxelStats, merge
from pourdatum.paged import PagedSums
from pourdatum.scan import LATTICE_M

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_LAYOUT: Final = "sums in pages, 1"
_AT_ONCE: Final = 200_000
"""Points that the loop takes at a time."""


@dataclass(frozen=True, eq=False)
class Place:
    """What the loop must know of the floor; small enough to be sent to a worker.

    Attributes
    ----------
    coarse : Grid
        Nodes of the coarse level.
    level_m : (ny, nx) array
        Coarse level at them [m].
    near : Block
        Thin layers within ``band_steps`` of the coarse level.
    far : Block
        Layers of 50 mm, from ``low_steps`` to ``high_steps`` above it.
    band_steps, low_steps, high_steps : int
        Heights above the coarse level, in steps of the lattice.
    keep : (ny, nx) bool array
        Nodes of the coarse level around which points near the floor are kept as they are.
    keep_one_in : int
        Of how many such points one is kept.
    most_bytes : int
        Memory that the sums may take.
    """

    coarse: Grid
    level_m: NDArray[np.float64]
    near: Block
    far: Block
    band_steps: int
    low_steps: int
    high_steps: int
    keep: Mask
    keep_one_in: int = 1
    most_bytes: int = 1 << 40


@dataclass(frozen=True, eq=False)
class Summed:
    """Points near the floor and farther off in voxels, and those kept as they are.

    Attributes
    ----------
    near, far : VoxelStats
        Sums are of the offsets from the voxel's corner.
    kept : (n, 3) int32 array
        Lattice points, in no order.
    points : int
        Points that were held against the level.
    """

    near: VoxelStats
    far: VoxelStats
    kept: NDArray[np.int32]
    points: int

    def merged(self, other: Summed) -> Summed:
        """Both together, to the last bit."""
        return Summed(
            merge(self.near, other.near),
            merge(self.far, other.far),
            np.concatenate([self.kept, other.kept]),
            self.points + other.points,
        )


@dataclass(eq=False)
class CellSums:
    """Takes points in, in any order, any pieces and from any thread; ``result`` is asked once.

    Parameters
    ----------
    place : Place
    compiled : bool
        Whether the compiled loop is worth loading, where it is installed.
    """

    place: Place
    compiled: bool = False
    _kept: list[NDArray[np.int32]] = field(default_factory=list)
    _points: int = 0

    def __post_init__(self) -> None:
        loops = compiled_loops("cellloop") if self.compiled else None
        self._near, self._far = (
            PagedSums(block, self.place.most_bytes, compiled=self.compiled)
            for block in (self.place.near, self.place.far)
        )
        self._sort_out = _sorted_out if loops is None else partial(_with_loop, loops.sort_out)
        self._noting = Lock()

    def add(self, points: Ints) -> None:
        """Take in lattice points (n, 3)."""
        for first in range(0, len(points), _AT_ONCE):
            near, far, kept = self._sort_out(points[first : first + _AT_ONCE], self.place)
            self._near.add(near)
            self._far.add(far)
            with self._noting:
                self._kept.append(kept)
        with self._noting:
            self._points += len(points)

    def mark(self) -> str:
        """Fingerprint of what is summed: another floor or cell has another."""
        place = self.place
        digest = hashlib.sha256()
        for part in (place.level_m, place.keep):
            digest.update(np.ascontiguousarray(part).tobytes())
        told = (_LAYOUT, place.coarse, place.near, place.far, place.band_steps, place.low_steps,
                place.high_steps, place.keep_one_in)  # fmt: skip
        digest.update(repr(told).encode())
        return digest.hexdigest()

    def state(self) -> dict[str, NDArray[Any]]:
        """All that was summed, as arrays."""
        out: dict[str, NDArray[Any]] = {"points": np.array(self._points)}
        out["kept"] = np.concatenate(self._kept) if self._kept else np.empty((0, 3), np.int32)
        for word, sums in (("near", self._near), ("far", self._far)):
            out |= {f"{word}_{name}": array for name, array in sums.state().items()}
        return out

    def take_up(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Go on from a state of the same mark."""
        self._points = int(state["points"])
        self._kept = [state["kept"]]
        for word, sums in (("near", self._near), ("far", self._far)):
            own = {
                name.removeprefix(f"{word}_"): array
                for name, array in state.items()
                if name.startswith(f"{word}_")
            }
            sums.take_up(own)

    def result(self) -> Summed:
        """The sums; pages are given free."""
        near, self._near = self._near.result(), PagedSums(self.place.near, 0)
        far, self._far = self._far.result(), PagedSums(self.place.far, 0)
        kept = np.concatenate(self._kept) if self._kept else np.empty((0, 3), np.int32)
        return Summed(near, far, kept, self._points)


def level_at(x_m: Array, y_m: Array, coarse: Grid, level_m: Array) -> Array:
    """Coarse level at places [m], bilinear between its nodes; NaN outside them."""
    loops = compiled_loops("cellloop", worth=False)
    if loops is None:
        return _level_plain(x_m, y_m, coarse, level_m)[0]
    x_m, y_m = np.broadcast_arrays(x_m, y_m)
    out = np.empty(x_m.shape)
    loops.heights(x_m.ravel(), y_m.ravel(), coarse.x0_m, coarse.y0_m, coarse.cell_m, level_m,
                  out.reshape(-1))  # fmt: skip
    return out


def _level_plain(x_m: Array, y_m: Array, coarse: Grid, level_m: Array) -> tuple[Array, Ints, Ints]:
    """Level, and row and column of the nearest node."""
    u = (x_m - coarse.x0_m) / coarse.cell_m
    v = (y_m - coarse.y0_m) / coarse.cell_m
    inside = (u >= 0) & (v >= 0) & (u <= coarse.nx - 1) & (v <= coarse.ny - 1)
    i = np.clip(u.astype(np.int64), 0, coarse.nx - 2)
    j = np.clip(v.astype(np.int64), 0, coarse.ny - 2)
    du, dv = u - i, v - j
    low = level_m[j, i] * (1 - du) + level_m[j, i + 1] * du
    high = level_m[j + 1, i] * (1 - du) + level_m[j + 1, i + 1] * du
    level = np.where(inside, low * (1 - dv) + high * dv, np.nan)
    return level, j + (dv >= 0.5), i + (du >= 0.5)


def _sorted_out(points: Ints, place: Place) -> tuple[Ints, Ints, NDArray[np.int32]]:
    """Points near the level, points farther off, and those kept as they are."""
    x, y, _ = points.T
    level, row, col = _level_plain(x * LATTICE_M, y * LATTICE_M, place.coarse, place.level_m)
    over = np.isfinite(level)
    points, level, row, col = points[over], level[over], row[over], col[over]
    rise = points[:, 2] - np.rint(level / LATTICE_M).astype(np.int64)
    within = np.abs(rise) <= place.band_steps
    beyond = ~within & (rise > place.low_steps) & (rise < place.high_steps)
    kept = points[within & place.keep[row, col]]
    if place.keep_one_in > 1:
        kept = kept[lot(*kept.T) % place.keep_one_in == 0]
    return points[within], points[beyond], kept.astype(np.int32)


def _with_loop(sort_out: Any, points: Ints, place: Place) -> tuple[Ints, Ints, NDArray[np.int32]]:
    near, far = np.empty((2, len(points), 3), np.int64)
    kept = np.empty((len(points), 3), np.int32)
    in_near, in_far, count = sort_out(
        points, place.coarse.x0_m, place.coarse.y0_m, place.coarse.cell_m, place.level_m,
        place.band_steps, place.low_steps, place.high_steps, place.keep, place.keep_one_in,
        near, far, kept,
    )  # fmt: skip
    return near[:in_near], far[:in_far], kept[:count].copy()
