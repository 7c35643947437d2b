"""The floor as the page's script sums it: heights over a plane, whole quads, and cut triangles.

These are the triangles that the exact volume is summed over (``clipping``), with heights rounded
to a thousandth of a millimetre, so that the page and ``result.json`` hold the same fill.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.clipping import Outline, cut_by_outline
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.report.live_pack import packed
from pourdatum.triangles import sorted_corners

STEP_M: Final = 1e-6
"""Of heights in the page."""
_AREA_STEPS: Final = 2**26
"""Of the area of a cut triangle, in a cell."""


def floor_data(
    height_m: NDArray[np.float64], grid: Grid, outline: Outline, plane: Plane
) -> dict[str, Any]:
    """A floor for ``live/integral.js``.

    Parameters
    ----------
    height_m : (ny, nx) array
        Heights of the nodes, local [m]; NaN where nothing needs them.
    grid : Grid
    outline : shapely.Polygon or MultiPolygon
        Local plan [m].
    plane : Plane
        Heights are taken over it.
    """
    cut = cut_by_outline(grid, outline)
    # Nodes that only the map would show are carried along their row: they pack to nothing.
    over = filled(height_m - plane.at(*grid.mesh()))
    corner = np.einsum("cvn,vn->cn", cut.weight, over.ravel()[cut.node])
    # In the order of their areas the numbers pack no better, and the sums would differ.
    corners = np.stack(sorted_corners(corner)) if corner.size else np.zeros((3, 0))
    return {
        "x0_m": grid.x0_m,
        "y0_m": grid.y0_m,
        "cell_m": grid.cell_m,
        "nx": grid.nx,
        "ny": grid.ny,
        "unit_m": STEP_M,
        "plane": [plane.z0_m, plane.slope_x, plane.slope_y],
        "z": packed(np.rint(over / STEP_M)),
        "whole": packed(cut.whole),
        "edges": int(cut.area_m2.size),
        "edge": packed(np.rint(corners / STEP_M)),
        "edge_area": packed(np.rint(cut.area_m2 / grid.cell_m**2 * _AREA_STEPS)),
        "edge_area_m2": grid.cell_m**2 / _AREA_STEPS,
    }


def filled(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values with gaps closed by the last known one of their row, or the next, or nothing.

    Examples
    --------
    >>> filled(np.array([[np.nan, 2.0, np.nan], [np.nan, np.nan, np.nan]]))
    array([[2., 2., 2.], [0., 0., 0.]])
    """
    known = np.isfinite(values)
    column = np.where(known, np.arange(values.shape[1]), 0)
    np.maximum.accumulate(column, axis=1, out=column)
    first = known.argmax(axis=1)
    out: NDArray[np.float64] = np.take_along_axis(values, np.maximum(column, first[:, None]), 1)
    out[~known.any(axis=1)] = 0.0
    return out
