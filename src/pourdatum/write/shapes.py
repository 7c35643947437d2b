"""Shapes of a plan that files for other programs share: batches cut to the floor, unseen floor."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from pourdatum.edge import cells_polygon
from pourdatum.grid import group_windows

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from pourdatum.outcome import Plan
    from pourdatum.pour import Batch


def batch_shapes(plan: Plan) -> Iterator[tuple[Batch, BaseGeometry]]:
    """Each batch with the floor it covers, local plan [m], in the order of the pour.

    Together they are the floor: a strip at its edge in which no cell has its centre goes to the
    nearest batch.
    """
    import shapely
    from scipy.ndimage import distance_transform_edt

    sheet = plan.pour
    if sheet is None or not sheet.batches:
        return
    grid = plan.surface.grid
    off_m, (row, col) = distance_transform_edt(
        sheet.batch_of == 0, sampling=grid.cell_m, return_indices=True
    )
    batch_of = np.where(off_m < 2.0 * grid.cell_m, sheet.batch_of[row, col], 0)
    windows = group_windows(batch_of)
    outline = plan.floor.outline
    shapely.prepare(outline)
    for batch in sheet.batches:
        if batch.number > len(windows):
            continue
        window = windows[batch.number - 1]
        cells = cells_polygon(grid.window(*window), batch_of[window] == batch.number)
        if not shapely.contains_properly(outline, cells):
            cells = areas_of(shapely.intersection(cells, outline))
        if not cells.is_empty:
            yield batch, cells


def areas_of(shape: BaseGeometry) -> BaseGeometry:
    """The polygons in a shape, without the lines and points that a cut may leave."""
    import shapely

    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def polygons_of(shape: BaseGeometry) -> list[BaseGeometry]:
    """The polygons in a shape, one by one."""
    import shapely

    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
