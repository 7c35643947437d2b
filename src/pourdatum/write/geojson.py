"""Areas as GeoJSON: the outline, and of a plan humps and batches, with their figures.

RFC 7946 knows degrees of WGS 84 alone. A floor is not drawn in degrees: coordinates are the
scan's own plan and unit, and a member of the file says so. The file can be given back as
``--outline``: its areas together are the floor.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pourdatum import __version__
from pourdatum.units import MM
from pourdatum.write.ownframe import OwnFrame, own_frame
from pourdatum.write.shapes import areas_of, batch_shapes

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from pourdatum.outcome import Plan, Survey


def write_areas(outcome: Survey | Plan, path: str | Path) -> None:
    """Write the areas of a survey or a plan.

    Parameters
    ----------
    outcome : Survey or Plan
        Finished result.
    path : str or Path
        File to write; the same result gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    survey = outcome.survey
    own = own_frame(survey.scan.frame, survey.origin_m)
    about: dict[str, Any] = {
        "note": "coordinates are plan x, plan y of the scan, not longitude and latitude",
        "unit": own.unit,
        "metres_per_unit": own.unit_m,
        "epsg": survey.scan.epsg,
        "version": __version__,
    }
    data = {
        "type": "FeatureCollection",
        "pourdatum": about,
        "features": [_feature(shape, told, own) for shape, told in _areas(outcome)],
    }
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    Path(path).write_bytes(text.replace('{"type":"Feature",', '\n{"type":"Feature",').encode())


def _areas(outcome: Survey | Plan) -> Iterator[tuple[BaseGeometry, dict[str, Any]]]:
    from pourdatum.outcome import Plan

    outline = outcome.floor.outline
    yield outline, {"kind": "outline", "area_m2": round(outline.area, 4)}
    if not isinstance(outcome, Plan):
        return
    for number, hump in enumerate(outcome.humps, 1):
        told = {
            "kind": "hump",
            "number": number,
            "height_mm": round(hump.height_m * MM, 3),
            "grind_l": round(hump.grind_m3 * MM, 3),
            "worth": hump.worth,
        }
        shape = areas_of(hump.outline.intersection(outline))
        if not shape.is_empty:
            yield shape, told
    for batch, shape in batch_shapes(outcome):
        yield (
            shape,
            {
                "kind": "batch",
                "number": batch.number,
                "bay": batch.bay,
                "strip": batch.strip,
                "volume_l": round(batch.volume_m3 * MM, 3),
                "bags": batch.bags,
                "start_min": round(batch.start_min, 2),
            },
        )


def _feature(shape: BaseGeometry, told: dict[str, Any], own: OwnFrame) -> dict[str, Any]:
    import shapely

    placed = shapely.transform(shape, own.plan)
    if not placed.is_valid:
        # Where edges of a batch meet the edge of the floor at a hair's breadth, rounding crosses
        # them; areas are mended on the lattice of the file, where they are next.
        exact = shapely.transform(shape, own.unrounded)
        placed = areas_of(shapely.set_precision(exact, 10.0**-own.decimals))
    # The outer ring anticlockwise and holes clockwise, as the RFC has it.
    turned = shapely.orient_polygons(placed)
    return {"type": "Feature", "properties": told, "geometry": shapely.geometry.mapping(turned)}
