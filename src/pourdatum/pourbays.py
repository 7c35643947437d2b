"""Parting a floor into bays: at joints, into arms, into lanes; and the order to pour them in."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourblocks import Blocks
from pourdatum.pourfronts import Fronts
from pourdatum.poursweeps import ways_of

if TYPE_CHECKING:
    from shapely import LineString

    from pourdatum.grid import Grid

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_LEAST_ARM_M2: Final = 3.0
"""Floor from which an arm of a room is poured for itself [m²]; a choice."""
_LEAST_BAY_M2: Final = 3.0
_SLIVER_M: Final = 0.7
"""Floor and width under which a bay is none for itself: a few batches, and two of the narrowest
strips. Choices."""
_SIDES: Final = 4


def in_pieces(blocks: Blocks) -> Index:
    """The pieces into which joints part a floor (n,), numbered from 0."""
    return _connected(blocks, ~blocks.crossed)


def in_arms(blocks: Blocks) -> Index:
    """A floor parted where arms of it meet (n,): an arm is swept for itself, then the rest.

    Where two sweeps meet, both end if each has a good piece of floor behind it.
    """
    bay = np.full(blocks.level.size, -1, np.int64)
    fronts = Fronts(blocks.level, blocks.area_m2, blocks.link[~blocks.crossed])
    count = 0
    for _, met in fronts.meetings():
        large = [one for one in met if fronts.area_m2(one) >= _LEAST_ARM_M2]
        if len(large) > 1:
            for one in large:
                bay[fronts.end(one)] = count
                count += 1
    for left in map(fronts.blocks, fronts.left()):
        if left.size:
            bay[left] = count
            count += 1
    return bay


def calmed(blocks: Blocks, bays: Index) -> Array:
    """Heights of the trickle without small peaks of their own in a bay (n,) [m²].

    A nook behind a corner, or the corner of a lane, would begin a sweep of its own in the middle
    of another. Its blocks are lowered to where it meets the rest, in their order: they are poured
    when the sweep comes by.
    """
    a, b = blocks.link.T
    level = blocks.level.copy()
    together = ~blocks.crossed & (bays[a] == bays[b])
    fronts = Fronts(blocks.level, blocks.area_m2, blocks.link[together])
    for at, met in fronts.meetings():
        for one in met[1:]:
            if fronts.area_m2(one) < _LEAST_ARM_M2:
                own = fronts.blocks(one)
                level[own] = blocks.level[at] + 1e-6 * (level[own] - blocks.level[at])
    return level


def in_lanes(
    blocks: Blocks, pieces: Index, lanes: int, *, turned: bool = False
) -> tuple[Index, float]:
    """Each piece parted into lanes along its sweep (n,), and the width of the narrowest [m].

    Along that side of the piece along which the sweep falls; ``turned`` across it.
    """
    bay = np.full(pieces.size, -1, np.int64)
    narrowest = math.inf
    count = 0
    for piece in range(int(pieces.max()) + 1):
        own = np.flatnonzero(pieces == piece)
        # The side across the sweep.
        way = ways_of(blocks, own, turned=not turned)[0]
        across = blocks.place_m[own] @ way
        low, high = across.min(), across.max()
        width = (high - low + blocks.side_m) / lanes
        narrowest = min(narrowest, float(width))
        lane = np.minimum(((across - low + 0.5 * blocks.side_m) / width).astype(np.int64),
                          lanes - 1)  # fmt: skip
        bay[own] = count + lane
        count += lanes
    a, b = blocks.link.T
    return _connected(blocks, ~blocks.crossed & (bay[a] == bay[b])), narrowest


def stop_ends_m(blocks: Blocks, bays: Index) -> float:
    """Length of the borders between bays (n,) that no joint and no zone's border is [m]."""
    a, b = blocks.link.T
    apart = (bays[a] != bays[b]) & ~blocks.crossed
    return float(blocks.open_share[apart].sum()) * blocks.side_m


def without_slivers(blocks: Blocks, bays: Index) -> Index:
    """Bays (n,) too small or too narrow to be poured for themselves given to a neighbour.

    To the one with the longest border that no joint and no zone's border is; where there is none,
    the sliver stays. Numbers are new, from 0.
    """
    a, b = blocks.link[~blocks.crossed].T
    share = blocks.open_share[~blocks.crossed]
    bays = np.unique(bays, return_inverse=True)[1]
    while True:
        count = int(bays.max()) + 1
        area_m2 = np.bincount(bays, blocks.area_m2, count)
        thin = (area_m2 < _LEAST_BAY_M2) | (_width_m(blocks, bays) < _SLIVER_M)
        apart = bays[a] != bays[b]
        pairs = np.concatenate([bays[[a[apart], b[apart]]], bays[[b[apart], a[apart]]]], axis=1)
        border = np.bincount(pairs[0] * count + pairs[1], np.tile(share[apart], 2), count**2)
        border = border.reshape(count, count)
        slivers = np.flatnonzero(thin & (border.sum(axis=1) > 0.0))
        if not slivers.size:
            return bays
        # The smallest first; what it joins may be none any more, so all is looked at again.
        least = slivers[np.argmin(area_m2[slivers])]
        bays = np.where(bays == least, int(np.argmax(border[least])), bays)
        bays = np.unique(bays, return_inverse=True)[1]


def narrow_bays(blocks: Blocks, bays: Index) -> tuple[tuple[int, float], ...]:
    """Bays (numbered from 0) too narrow to be poured for themselves, with their width [m].

    Those that ``without_slivers`` left: joints and borders of zones lie all around them.
    """
    wide_m = _width_m(blocks, bays)
    if wide_m.size == 1:
        return ()
    return tuple((k, float(wide_m[k])) for k in np.flatnonzero(wide_m < _SLIVER_M).tolist())


def _width_m(blocks: Blocks, bays: Index) -> Array:
    """Width of each bay [m]: four times what its floor lies from its edge in the mean.

    So it is in a strip; the corner of a narrow bay around a corner counts for what it is. Blocks
    are taken off from the edge inwards: one is taken when it has no longer its own on four sides.
    """
    a, b = blocks.link.T
    own = bays[a] == bays[b]
    one, other = np.concatenate([a[own], b[own]]), np.concatenate([b[own], a[own]])
    away_m = np.full(bays.size, 0.5 * blocks.side_m)
    inner = np.bincount(one, minlength=bays.size) >= _SIDES
    # What is further in than a sliver is wide makes no sliver, however far it is.
    for _ in range(math.ceil(_SLIVER_M / blocks.side_m)):
        away_m += blocks.side_m * inner
        inner = inner & (np.bincount(one, ~inner[other], bays.size) == 0.0)
    return 4.0 * np.bincount(bays, away_m * blocks.area_m2) / np.bincount(bays, blocks.area_m2)


def in_turn(blocks: Blocks, bays: Index) -> list[int]:
    """Bays in an order in which the crew can always leave: far ones first, the exit's last.

    A bay may be poured when those left still hang together with the exit's.
    """
    graph = bay_graph(blocks, bays)
    last = int(bays[blocks.exit_block])
    count = int(bays.max()) + 1
    far = np.full(count, -np.inf)
    np.maximum.at(far, bays, blocks.level)
    left = set(range(count))
    order: list[int] = []
    while len(left) > 1:
        by_distance = sorted(left - {last}, key=lambda k: (-far[k], k))
        chosen = next((k for k in by_distance if _hangs_together(graph, left - {k}, last)),
                      by_distance[0])  # fmt: skip
        order.append(chosen)
        left.remove(chosen)
    return [*order, last]


def bay_graph(blocks: Blocks, bays: Index) -> dict[int, set[int]]:
    """Which bays touch which; joints between them may be walked over."""
    found: dict[int, set[int]] = {k: set() for k in range(int(bays.max()) + 1)}
    a, b = bays[blocks.link].T
    for one, other in np.unique(np.stack([a, b], axis=1)[a != b], axis=0).tolist():
        found[one].add(other)
        found[other].add(one)
    return found


def stop_ends(blocks: Blocks, bay_of: Index, grid: Grid) -> tuple[LineString, ...]:
    """Lines between bays, along the edges of blocks, local plan [m]."""
    import shapely

    bay = np.where(blocks.block_of >= 0, bay_of[blocks.block_of], -1)
    edges = []
    for along in (0, 1):
        one, other = (bay[:-1], bay[1:]) if along == 0 else (bay[:, :-1], bay[:, 1:])
        row, col = np.nonzero((one >= 0) & (other >= 0) & (one != other))
        # Corners of cells are counted first, so that the edges of neighbours meet to the last bit.
        ends = [(col, row + 1), (col + 1, row + 1)] if along == 0 else [
            (col + 1, row), (col + 1, row + 1)
        ]  # fmt: skip
        edges.append(np.stack([np.stack(end, axis=1) for end in ends], axis=1))
    corner = np.array([grid.x_m[0], grid.y_m[0]]) - 0.5 * grid.cell_m
    lines = shapely.linestrings(corner + grid.cell_m * np.concatenate(edges))
    if not len(lines):
        return ()
    merged = shapely.line_merge(shapely.union_all(lines))
    straight = shapely.get_parts(shapely.simplify(merged, 1.5 * blocks.side_m))
    return tuple(straight.tolist())


def _hangs_together(graph: dict[int, set[int]], left: set[int], last: int) -> bool:
    """Whether the exit's bay is reached from all that are left."""
    seen, edge = {last}, [last]
    while edge:
        edge = [j for k in edge for j in graph[k] if j in left and j not in seen]
        seen.update(edge)
    return seen >= left


def _connected(blocks: Blocks, chosen: NDArray[np.bool_]) -> Index:
    """Blocks that hang together by the chosen links (n,)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    a, b = blocks.link[chosen].T
    size = blocks.level.size
    graph: Any = coo_array((np.ones(a.size), (a, b)), shape=(size, size))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)
