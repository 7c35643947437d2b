"""A gridded surface cut by an outline, as triangles whose signed areas add up to it.

The surface is piecewise linear: each quad between four nodes is two triangles, split
by the same diagonal everywhere. A fixed diagonal keeps every volume linear in the
heights, so that after - before is the difference of two volumes, and gives each inner
node the same weight. (The diagonal with the smaller height jump would follow the noise,
and another surface would come out when the same floor is scanned again.)

Quads wholly inside the outline stay whole. In a quad that the outline crosses, each
triangle is cut by the outline, and every ring of what is left becomes a fan from its
first corner: triangles with signed areas, negative where the fan overlaps itself or
the ring is a hole. A fan lies within its triangle, where the surface is one plane, so
signed sums over it are exact for every integral, and convexity is never needed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.grid import Grid

Diagonal = Literal["rising", "falling"]
"""``rising``: from node [row, col] to [row + 1, col + 1]; ``falling``: the other one."""

Outline: TypeAlias = shapely.Polygon | shapely.MultiPolygon

_BLOCK_QUADS: Final = 32_768
"""Whole quads turned into triangles at a time, which bounds memory."""
_TILE_QUADS: Final = 16
"""Side of a tile: an outline of thousands of corners is cut to tiles first."""
_NEAR: Final = 1e-6
"""A place this near to a grid line, in quads, belongs to both sides."""
_ROUNDING: Final = 1e-9
"""An outline may reach this far beyond the outermost nodes, in quads: 0.1 * 40 is not 4."""
_NOTHING: Final = 1e-12
"""Pieces smaller than this part of a quad are rounding of an outline along a grid line."""

# Nodes of the lower and the upper triangle of a quad, as (row, column) steps, anticlockwise.
_TRIANGLES: Final[dict[Diagonal, tuple[tuple[tuple[int, int], ...], ...]]] = {
    "rising": (((0, 0), (0, 1), (1, 1)), ((0, 0), (1, 1), (1, 0))),
    "falling": (((0, 0), (0, 1), (1, 0)), ((1, 1), (1, 0), (0, 1))),
}


@dataclass(frozen=True, eq=False)
class Facets:
    """Plane triangles of a surface.

    Attributes
    ----------
    x_m, y_m, height_m : (3, n) float arrays
        Corners [m].
    area_m2 : (n,) float array
        Signed plan areas [m2].
    """

    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    area_m2: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Cut:
    """What an outline takes of a grid, whatever the heights.

    Attributes
    ----------
    grid : Grid
    diagonal : str
    whole : (ny - 1, nx - 1) bool array
        Quads wholly inside the outline.
    needed : (ny, nx) bool array
        Nodes whose height matters.
    x_m, y_m : (3, n) float arrays
        Corners of the fan triangles of the cut quads [m].
    area_m2 : (n,) float array
        Their signed areas [m2].
    node : (3, n) int64 array
        Flat indices of the three nodes that span the plane of each.
    weight : (3, 3, n) float array
        Share of each node (second axis) in the height of each corner (first axis).
    """

    grid: Grid
    diagonal: Diagonal
    whole: NDArray[np.bool_]
    needed: NDArray[np.bool_]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    area_m2: NDArray[np.float64]
    node: NDArray[np.int64]
    weight: NDArray[np.float64]

    def facets(self, height_m: NDArray[np.float64]) -> Iterator[Facets]:
        """The surface inside the outline, a bounded block of triangles at a time.

        Parameters
        ----------
        height_m : (ny, nx) float array
            Heights of the nodes [m]; only the needed ones are looked at.

        Raises
        ------
        ValueError
            If the shape is not the grid's, or a needed height is not finite; names
            the place.
        """
        self._check_heights(height_m)
        flat = height_m.ravel()
        if self.area_m2.size:
            spanned = flat[self.node]
            at_corner = np.einsum("cvn,vn->cn", self.weight, spanned)
            yield Facets(self.x_m, self.y_m, at_corner, self.area_m2)
        x, y, nx = self.grid.x_m, self.grid.y_m, self.grid.nx
        half_quad = 0.5 * self.grid.cell_m**2
        quads = np.flatnonzero(self.whole)
        for start in range(0, quads.size, _BLOCK_QUADS):
            row, col = np.divmod(quads[start : start + _BLOCK_QUADS], nx - 1)
            for triangle in _TRIANGLES[self.diagonal]:
                rows = np.stack([row + step for step, _ in triangle])
                cols = np.stack([col + step for _, step in triangle])
                yield Facets(x[cols], y[rows], flat[rows * nx + cols], np.full(row.size, half_quad))

    def _check_heights(self, height_m: NDArray[np.float64]) -> None:
        if height_m.shape != self.grid.shape:
            raise ValueError(
                f"heights have shape {height_m.shape}, the grid {self.grid.shape}; "
                "give one height for each node, as (ny, nx)"
            )
        bad = np.argwhere(self.needed & ~np.isfinite(height_m))
        if bad.size:
            row, col = bad[0]
            raise ValueError(
                f"height of the node at ({self.grid.x_m[col]:.3f}, {self.grid.y_m[row]:.3f}) m is "
                f"{height_m[row, col]} ({len(bad)} such nodes under the outline); "
                "give it a height, or cut the place off the outline"
            )


def cut_by_outline(grid: Grid, outline: Outline, diagonal: Diagonal = "rising") -> Cut:
    """Cut the quads of a grid by an outline. The last few cuts are remembered.

    Parameters
    ----------
    grid : Grid
        Nodes at cell centres.
    outline : shapely.Polygon or MultiPolygon
        Plan area, local metres, holes allowed, within the lattice of nodes.
    diagonal : "rising" or "falling", optional
        How each quad is split.

    Raises
    ------
    ValueError
        If the outline is empty, invalid, or reaches beyond the outermost nodes.

    Examples
    --------
    >>> cut = cut_by_outline(Grid(0.0, 0.0, 1.0, 5, 6), shapely.box(0.5, 0.5, 4.5, 3.5))
    >>> int(cut.whole.sum()), round(float(cut.area_m2.sum()), 9)
    (6, 6.0)
    """
    return _cut(grid, outline, diagonal)


def edge_triangles(
    grid: Grid, outline: Outline, diagonal: Diagonal = "rising"
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """What the outline leaves of the quads it crosses, as triangles that do not overlap.

    The fans of ``Cut`` add up with signs; a mesh that leaves the house needs triangles that lie
    side by side. With the two halves of every whole quad they are the floor, edge to edge.

    Returns
    -------
    x_m, y_m : (3, n) float arrays
        Corners, anticlockwise [m].
    node : (3, n) int64 array
        Flat indices of the nodes that span the plane of each.
    weight : (3, 3, n) float array
        Share of each node (second axis) in the height of each corner (first axis).

    Examples
    --------
    >>> x, _, _, _ = edge_triangles(Grid(0.0, 0.0, 1.0, 3, 3), shapely.box(0.0, 0.0, 1.5, 2.0))
    >>> float(x.max())
    1.5
    """
    start, end = _edges_in_quads(grid, outline)
    crossed = _crossed_quads(start, end, grid)
    row, col, half, piece = _cut_triangles(grid, outline, diagonal, crossed)
    part, owner = shapely.get_parts(
        shapely.constrained_delaunay_triangles(piece), return_index=True
    )
    part = shapely.orient_polygons(part)
    corner = shapely.get_coordinates(part).reshape(-1, 4, 2)[:, :3]
    x, y = corner[..., 0].T, corner[..., 1].T
    node, weight = _plane_of_corners(
        grid, row[owner], col[owner], np.array(_TRIANGLES[diagonal])[half[owner]], x, y
    )
    return x, y, node, weight


@lru_cache(maxsize=4)  # One floor meets many datums, and a cut costs more than a fill.
def _cut(grid: Grid, outline: Outline, diagonal: Diagonal) -> Cut:
    _check_outline(grid, outline)
    start, end = _edges_in_quads(grid, outline)
    crossed = _crossed_quads(start, end, grid)
    whole = _quads_with_centre_inside(start, end, grid) & ~crossed
    row, col, half, piece = _cut_triangles(grid, outline, diagonal, crossed)
    owner, x, y = _fans(piece)
    area = 0.5 * ((x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0]))
    node, weight = _plane_of_corners(
        grid, row[owner], col[owner], np.array(_TRIANGLES[diagonal])[half[owner]], x, y
    )
    needed = np.zeros(grid.shape, np.bool_)
    for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
        needed[down : grid.ny - 1 + down, right : grid.nx - 1 + right] |= whole
    needed.ravel()[node] = True
    return Cut(grid, diagonal, whole, needed, x, y, area, node, weight)


def _check_outline(grid: Grid, outline: Outline) -> None:
    if not isinstance(outline, shapely.Polygon | shapely.MultiPolygon):
        raise ValueError(f"outline is a {type(outline).__name__}; give a Polygon or MultiPolygon")
    if outline.is_empty:
        raise ValueError("outline is empty; give one with an area")
    if not outline.is_valid:
        raise ValueError(
            f"outline is not valid ({shapely.is_valid_reason(outline)}); repair it first"
        )
    low = (grid.x0_m, grid.y0_m)
    high = (float(grid.x_m[-1]), float(grid.y_m[-1]))
    beyond = _ROUNDING * grid.cell_m
    west, south, east, north = outline.bounds
    if min(west - low[0], south - low[1], high[0] - east, high[1] - north) < -beyond:
        raise ValueError(
            f"outline from ({west:.4f}, {south:.4f}) to ({east:.4f}, {north:.4f}) m reaches beyond "
            f"the nodes, which lie from ({low[0]:.4f}, {low[1]:.4f}) to ({high[0]:.4f}, "
            f"{high[1]:.4f}) m; give a grid with a row of nodes outside the outline"
        )


def _edges_in_quads(
    grid: Grid, outline: Outline
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both ends of every edge of every ring, (2, n) each, counted in quads from node [0, 0]."""
    rings = shapely.get_rings(shapely.get_parts(outline))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    place = ((xy - (grid.x0_m, grid.y0_m)) / grid.cell_m).T
    same = ring[1:] == ring[:-1]
    return place[:, :-1][:, same], place[:, 1:][:, same]


def _crossings(
    start: NDArray[np.float64], end: NDArray[np.float64], along: int, offset: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where edges cross the lines ``coordinate[along] == k + offset``: k and the other coordinate.

    Half-open, so that a corner on a line is counted once for the two edges that pass it.
    """
    one, two = start[along] - offset, end[along] - offset
    first = np.ceil(np.minimum(one, two)).astype(np.int64)
    count = np.ceil(np.maximum(one, two)).astype(np.int64) - first
    edge = np.repeat(np.arange(count.size), count)
    line = np.arange(edge.size) - np.repeat(np.cumsum(count) - count, count) + first[edge]
    share = (line - one[edge]) / (two[edge] - one[edge])
    return line, start[1 - along, edge] + share * (end[1 - along, edge] - start[1 - along, edge])


def _crossed_quads(
    start: NDArray[np.float64], end: NDArray[np.float64], grid: Grid
) -> NDArray[np.bool_]:
    """Quads that the outline enters, and perhaps a neighbour too many where it is near."""
    column_line, v = _crossings(start, end, along=0, offset=0.0)
    row_line, u = _crossings(start, end, along=1, offset=0.0)
    # An edge enters a quad through its border or begins in it.
    us = np.concatenate([column_line, u, start[0], end[0]])
    vs = np.concatenate([v, row_line, start[1], end[1]])
    crossed = np.zeros((grid.ny - 1, grid.nx - 1), np.bool_)
    for near_u in (-_NEAR, _NEAR):
        for near_v in (-_NEAR, _NEAR):
            col = np.floor(us + near_u).astype(np.int64)
            row = np.floor(vs + near_v).astype(np.int64)
            within = (col >= 0) & (col < grid.nx - 1) & (row >= 0) & (row < grid.ny - 1)
            crossed[row[within], col[within]] = True
    return crossed


def _quads_with_centre_inside(
    start: NDArray[np.float64], end: NDArray[np.float64], grid: Grid
) -> NDArray[np.bool_]:
    """Even-odd rule along the line through the centres of each row of quads."""
    row, u = _crossings(start, end, along=1, offset=0.5)
    # One column more than quads, for crossings to the right of the last centre.
    passed = np.zeros((grid.ny - 1, grid.nx), np.int64)
    col = np.clip(np.ceil(u - 0.5).astype(np.int64), 0, grid.nx - 1)
    within = (row >= 0) & (row < grid.ny - 1)
    np.add.at(passed, (row[within], col[within]), 1)
    return (np.cumsum(passed, axis=1)[:, :-1] & 1).astype(np.bool_)


def _cut_triangles(
    grid: Grid, outline: Outline, diagonal: Diagonal, crossed: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.object_]]:
    """Row, column and half (0 lower, 1 upper) of what is left of each triangle, as polygons."""
    row, col = np.nonzero(crossed)
    row, col = np.repeat(row, 2), np.repeat(col, 2)
    half = np.tile(np.array([0, 1]), row.size // 2)
    steps = np.array(_TRIANGLES[diagonal])[half][:, (0, 1, 2, 0)]
    rows, cols = row[:, None] + steps[..., 0], col[:, None] + steps[..., 1]
    triangle = shapely.polygons(np.stack([grid.x_m[cols], grid.y_m[rows]], axis=-1))

    tile = np.stack([row // _TILE_QUADS, col // _TILE_QUADS])
    tiles, of_triangle = np.unique(tile, axis=1, return_inverse=True)
    # Half a quad of margin keeps the tile's own border out of every triangle.
    low = tiles * _TILE_QUADS - 0.5
    high = low + _TILE_QUADS + 1.0
    box = shapely.box(
        grid.x0_m + grid.cell_m * low[1], grid.y0_m + grid.cell_m * low[0],
        grid.x0_m + grid.cell_m * high[1], grid.y0_m + grid.cell_m * high[0],
    )  # fmt: skip
    local = shapely.intersection(box, shapely.force_2d(outline))
    left = shapely.intersection(triangle, local[of_triangle.ravel()])

    # Parts of parts: a collection may hold a multipolygon.
    part, owner = shapely.get_parts(left, return_index=True)
    part, inner = shapely.get_parts(part, return_index=True)
    owner = owner[inner]
    keep = shapely.area(part) > _NOTHING * grid.cell_m**2
    owner = owner[keep]
    return row[owner], col[owner], half[owner], part[keep]


def _fans(
    polygon: NDArray[np.object_],
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Which polygon each fan triangle belongs to, and the x and y of its corners, (3, n) each."""
    rings, of_polygon = shapely.get_rings(shapely.orient_polygons(polygon), return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    first = np.searchsorted(ring, ring)  # The ring's first corner, from which its fan spreads.
    last = np.searchsorted(ring, ring, side="right") - 1  # A ring ends where it began.
    this = np.arange(ring.size)
    this = this[(this > first) & (this < last - 1)]
    corner = np.stack([first[this], this, this + 1])
    return of_polygon[ring[corner[0]]], xy[corner, 0], xy[corner, 1]


def _plane_of_corners(
    grid: Grid,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    steps: NDArray[np.int64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Nodes (3, n) of each fan's triangle, and their shares (3 corners, 3 nodes, n)."""
    node = (row[:, None] + steps[..., 0]) * grid.nx + col[:, None] + steps[..., 1]
    v0, u0 = steps[:, 0].T
    (v1, u1), (v2, u2) = (steps[:, 1] - steps[:, 0]).T, (steps[:, 2] - steps[:, 0]).T
    u = (x - grid.x_m[col]) / grid.cell_m - u0
    v = (y - grid.y_m[row]) / grid.cell_m - v0
    # Barycentric; twice the triangle's area is one quad.
    second, third = u * v2 - v * u2, u1 * v - v1 * u
    return node.T, np.stack([1.0 - second - third, second, third], axis=1)
