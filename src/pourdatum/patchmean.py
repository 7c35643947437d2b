"""A patch that a straightedge would feel: its mean, where it may lie, and on which cells."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.surface import Surface

Array = NDArray[np.float64]

PATCH_M: Final = 0.1
"""Side of the patch whose mean counts as a height of the floor [m]."""
_UNSUPPORTED: Final = 4.0
_SOUND_M: Final = 0.0003
"""A cell whose standard error exceeds both four typical ones and 0.3 mm sets no extreme."""


def patch_mean(height: Array, cell_m: float) -> Array:
    """Mean over a square of 100 mm about each node; NaN where it meets one.

    Examples
    --------
    >>> x = 0.025 * np.arange(-6, 7)
    >>> bowl = np.tile(x**2, (13, 1))
    >>> bool(np.isclose(patch_mean(bowl, 0.025)[6, 6], 0.1**2 / 12))
    True
    """
    from scipy.ndimage import correlate1d

    kernel = _box(cell_m)
    out = correlate1d(height, kernel, axis=0, mode="nearest")
    mean: Array = correlate1d(out, kernel, axis=1, mode="nearest")
    return mean


def _box(cell_m: float) -> Array:
    """Weights along one axis of node heights for the mean over the patch.

    Shares of the cells, then corrected at the middle so that the second moment is
    that of the patch: a quadratic floor has its exact mean.
    """
    half = 0.5 * PATCH_M / cell_m
    reach = max(int(np.ceil(half - 0.5)), 1)
    edges = np.arange(-reach, reach + 2) - 0.5
    share: Array = np.diff(np.clip(edges, -half, half)) / (2 * half)
    node = np.arange(-reach, reach + 1)
    excess = float(share @ node**2) - half**2 / 3
    share[reach - 1 : reach + 2] -= 0.5 * excess * np.array([1.0, -2.0, 1.0])
    return share


def patch_places(surface: Surface) -> tuple[Array, Array]:
    """Middles of patches that lie inside the floor and stand on seen points: row, col.

    Nodes a patch's half away from the edge, and places along the line that is just that
    far from it: on a sloping floor the highest patch touches a wall.
    """
    rows, cols = _places_inside(surface.grid, surface.floor.outline)
    near = np.rint(rows).astype(np.int64), np.rint(cols).astype(np.int64)
    chosen = sound(surface)[near]
    return rows[chosen], cols[chosen]


@lru_cache(maxsize=1)  # The highest patch and the lowest are looked for in the same places.
def _places_inside(grid: Grid, outline: Polygon) -> tuple[Array, Array]:
    """Middles of all patches that lie inside an outline: row, col."""
    import shapely

    x, y = grid.mesh()
    # Set back by half a patch, so that a patch laid along the wall fits.
    inner = outline.buffer(-0.5 * PATCH_M, join_style="mitre")
    row, col = np.nonzero(shapely.contains_xy(inner, x, y))
    edge = shapely.segmentize(inner.boundary, 0.5 * grid.cell_m)
    xy = shapely.get_coordinates(edge)
    rows = np.concatenate([row, (xy[:, 1] - grid.y0_m) / grid.cell_m])
    cols = np.concatenate([col, (xy[:, 0] - grid.x0_m) / grid.cell_m])
    return rows, cols


def support_error_m(surface: Surface) -> Array:
    """Standard error that the points around each cell would leave, whatever fit was taken [m].

    Over a ridge a narrow fit is, which knows each height less well; whoever took that for poor
    floor would leave out the ridge. It is the widest fit that says how many points there are.
    """
    return surface.standard_error_m if surface.smoother is None else surface.smoother.errors_m[-1]


def sound_error_m(surface: Surface) -> float:
    """That error up to which a cell's fit has not run ahead of its points [m]."""
    known = support_error_m(surface)[surface.measured]
    return max(_UNSUPPORTED * float(np.median(known)), _SOUND_M) if known.size else np.inf


def sound(surface: Surface) -> NDArray[np.bool_]:
    """Cells whose height stands on points enough to set an extreme, (ny, nx)."""
    from scipy.ndimage import uniform_filter

    limit = sound_error_m(surface)
    size = max(3, 2 * round(0.25 * PATCH_M / surface.grid.cell_m) + 1)
    seen = uniform_filter((surface.count > 0).astype(np.float64), size, mode="constant")
    sound: NDArray[np.bool_] = (support_error_m(surface) <= limit) & surface.measured
    return sound & np.isfinite(surface.standard_error_m) & (seen >= 0.5)
