"""Connected pieces of a surface over a level, and what each of them holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.clipping import cut_by_outline
from pourdatum.triangles import mean_positive, share_positive, sorted_corners

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Labels = NDArray[np.int64]

# Neighbours that share an edge of a triangle: quads are split by their rising diagonal.
_TOUCHING: Final = np.array([[1, 1, 0], [1, 1, 1], [0, 1, 1]])


def pieces_of(mask: Mask) -> tuple[Labels, int]:
    """Connected pieces of a surface over marked nodes, numbered from 1, and how many.

    Parameters
    ----------
    mask : (ny, nx) bool array

    Returns
    -------
    tuple of (ny, nx) int array and int
        0 where nothing is marked.

    Examples
    --------
    Nodes across the falling diagonal of a quad share no triangle; across the rising one they do.

    >>> falling, rising = np.array([[[False, True], [True, False]], [[True, False], [False, True]]])
    >>> pieces_of(falling)[1], pieces_of(rising)[1]
    (2, 1)
    """
    from scipy.ndimage import label

    labels, count = label(mask, _TOUCHING)
    return labels.astype(np.int64), int(count)


def sums_above(
    surface: Surface, floor_m: Array, level_m: float, labels: Labels, count: int
) -> tuple[Array, Array]:
    """Volume and area above a level of each numbered piece, exact.

    Parameters
    ----------
    surface : Surface
        Grid and outline.
    floor_m : (ny, nx) array
        Heights [m].
    level_m : float
        What counts lies over it [m].
    labels, count : (ny, nx) int array, int
        As ``pieces_of`` gives them.

    Returns
    -------
    tuple of two (count + 1,) arrays
        Volume [m³] and area [m²], by number; what belongs to none stands at 0.
    """
    from scipy.ndimage import distance_transform_edt

    grid = surface.grid
    # A triangle at the edge has corners beside the nodes: the nearest piece is its own.
    near = distance_transform_edt(labels == 0, return_distances=False, return_indices=True)
    whose = labels[tuple(near)]
    volume, area = np.zeros(count + 1), np.zeros(count + 1)
    for facets in cut_by_outline(grid, surface.floor.outline, "rising").facets(floor_m):
        some = facets.height_m.max(axis=0) > level_m
        x, y, z = (part[:, some] for part in (facets.x_m, facets.y_m, facets.height_m))
        top = z.argmax(axis=0), np.arange(z.shape[1])
        row = np.clip(np.rint((y[top] - grid.y0_m) / grid.cell_m), 0, grid.ny - 1).astype(np.int64)
        col = np.clip(np.rint((x[top] - grid.x0_m) / grid.cell_m), 0, grid.nx - 1).astype(np.int64)
        low, mid, high = sorted_corners(z - level_m)
        own = whose[row, col]
        volume += np.bincount(own, facets.area_m2[some] * mean_positive(low, mid, high), count + 1)
        area += np.bincount(own, facets.area_m2[some] * share_positive(low, mid, high), count + 1)
    return volume, area
