"""A surface inside an outline as triangles that lie side by side, for files that leave the house.

The same triangles that the exact volume is summed over: both halves of each quad inside the
outline, and what the outline leaves of the quads it crosses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.clipping import Outline, cut_by_outline, edge_triangles
from pourdatum.geometry import Plane
from pourdatum.grid import Grid

Array = NDArray[np.float64]

STEP_M: Final = 1e-5
"""Corners nearer than this are one: the step of every coordinate of a campaign [m]."""


@dataclass(frozen=True, eq=False)
class Tin:
    """A mesh over the plan.

    Attributes
    ----------
    point_m : (n, 3) float array
        Corners, each once: local plan and level [m].
    face : (m, 3) int64 array
        Indices of the corners of each triangle, anticlockwise seen from above.
    """

    point_m: Array
    face: NDArray[np.int64]

    @property
    def area_m2(self) -> Array:
        """Plan area of each triangle (m,) [m²]."""
        a, b, c = (self.point_m[self.face[:, k], :2] for k in range(3))
        u, v = b - a, c - a
        out: Array = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        return out


def surface_tin(height_m: Array, grid: Grid, outline: Outline) -> Tin:
    """The piecewise linear surface between nodes, inside an outline.

    Parameters
    ----------
    height_m : (ny, nx) float array
        Heights of the nodes [m].
    grid : Grid
    outline : shapely.Polygon or MultiPolygon
        Local plan [m].

    Raises
    ------
    ValueError
        As ``cut_by_outline``.

    Examples
    --------
    >>> grid = Grid(0.0, 0.0, 1.0, 4, 4)
    >>> tin = surface_tin(grid.mesh()[0], grid, shapely.box(0.5, 0.5, 2.5, 2.5))
    >>> round(float(tin.area_m2.sum()), 9), float(tin.point_m[:, 2].max())
    (4.0, 2.5)
    """
    cut = cut_by_outline(grid, outline)
    x, y, node, weight = edge_triangles(grid, outline)
    at_edge = np.einsum("cvn,vn->cn", weight, height_m.ravel()[node])
    parts = [np.stack([x, y, at_edge], axis=-1)]
    row, col = np.nonzero(cut.whole)
    for triangle in (((0, 0), (0, 1), (1, 1)), ((0, 0), (1, 1), (1, 0))):
        rows = np.stack([row + step for step, _ in triangle])
        cols = np.stack([col + step for _, step in triangle])
        parts.append(np.stack([grid.x_m[cols], grid.y_m[rows], height_m[rows, cols]], axis=-1))
    return _joined(np.concatenate(parts, axis=1))


def plane_tin(plane: Plane, outline: Outline) -> Tin:
    """A plane inside an outline, in as few triangles as its corners allow.

    Examples
    --------
    >>> tin = plane_tin(Plane(2.0), shapely.box(0.0, 0.0, 3.0, 2.0))
    >>> tin.face.shape, float(tin.area_m2.sum())
    ((2, 3), 6.0)
    """
    part = shapely.get_parts(shapely.constrained_delaunay_triangles(outline))
    corner = shapely.get_coordinates(shapely.orient_polygons(part)).reshape(-1, 4, 2)[:, :3]
    x, y = corner[..., 0].T, corner[..., 1].T
    return _joined(np.stack([x, y, plane.at(x, y)], axis=-1))


def _joined(corner: Array) -> Tin:
    """Triangles (3, n, 3) with their corners numbered, each place once; slivers left out."""
    key = np.rint(corner[..., :2] / STEP_M).astype(np.int64).reshape(-1, 2)
    # One number for both: a floor is far less than 20 km wide.
    low = key.min(axis=0)
    packed = (key[:, 0] - low[0]) << 32 | (key[:, 1] - low[1])
    _, first, index = np.unique(packed, return_index=True, return_inverse=True)
    face = index.reshape(corner.shape[:2]).T
    a, b, c = face.T
    face = face[(a != b) & (b != c) & (c != a)]
    return Tin(corner.reshape(-1, 3)[first], face.astype(np.int64))
