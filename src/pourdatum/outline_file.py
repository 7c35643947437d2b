"""Reads the area to pour from a GeoJSON file (RFC 7946) in the scan's plan coordinates.

Only the shapes are taken: coordinates are the scan's own plan axes and unit, not
degrees. Faults that a person draws by hand are mended where that changes nothing
(an open ring, a needle), and refused where it would.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pourdatum.errors import JobError

if TYPE_CHECKING:
    from shapely import MultiPolygon, Polygon

    from pourdatum.scan import Frame

SIZE_CAP: Final = 20_000_000
MEND_SHARE: Final = 0.001
"""Share of the area that mending a crossed ring may change."""


def read_outline(path: str | Path) -> Polygon | MultiPolygon:
    """All polygons of a GeoJSON file as one shape, in the file's coordinates.

    Raises
    ------
    JobError
        If the file is missing, no GeoJSON, holds no polygon, or one that cannot be mended.
    """
    import shapely

    where = str(path)
    polygons = list(_polygons(_load(Path(path)), where))
    if not polygons:
        raise _refuse(
            "outline holds no polygon", where, "draw the floor's edge as a closed polygon"
        )
    whole: Polygon | MultiPolygon = shapely.union_all([_mended(part, where) for part in polygons])
    if whole.geom_type not in ("Polygon", "MultiPolygon") or not whole.area > 0.0:
        raise _refuse(
            "outline encloses no area", where, "give at least three corners, not in a line"
        )
    return whole


def outline_to_local(outline: Polygon | MultiPolygon, frame: Frame) -> Polygon | MultiPolygon:
    """An outline in the scan's plan coordinates and unit as local metres."""
    import shapely

    origin = frame.origin_m[:2]
    local: Polygon | MultiPolygon = shapely.transform(
        outline, lambda place: place * frame.unit_m - origin
    )
    return local


def place_to_local(place: tuple[float, ...], frame: Frame) -> tuple[float, ...]:
    """A place (x, y) or (x, y, z) in the scan's coordinates and unit as local metres.

    Examples
    --------
    >>> from pourdatum.scan import Frame
    >>> place_to_local((1500.0, 200.0), Frame(unit_m=0.001, origin_m=(1.0, 0.0, 5.0)))
    (0.5, 0.2)
    """
    height_m = frame.unit_m if frame.height_unit_m is None else frame.height_unit_m
    units = (frame.unit_m, frame.unit_m, height_m)
    return tuple(
        value * unit - origin
        for value, unit, origin in zip(place, units, frame.origin_m, strict=False)
    )


def _load(path: Path) -> Any:
    where = str(path)
    try:
        if not path.is_file():
            raise _refuse("outline is missing or no regular file", where, "check the path")
        if path.stat().st_size > SIZE_CAP:
            raise _refuse(f"outline has over {SIZE_CAP} bytes", where, "thin out its corners")
        return json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as reason:
        raise _refuse(f"outline cannot be read ({reason.strerror})", where, "") from None
    except (ValueError, RecursionError) as reason:
        raise _refuse(
            f"outline is not GeoJSON ({str(reason)[:80]})", where, "export it as GeoJSON"
        ) from None


def _polygons(node: Any, where: str) -> Any:
    import shapely

    if not isinstance(node, dict):
        raise _refuse("outline is not GeoJSON: an object is needed", where, "export it as GeoJSON")
    match node.get("type"):
        case "FeatureCollection":
            inner = node.get("features")
        case "GeometryCollection":
            inner = node.get("geometries")
        case "Feature":
            inner = [node.get("geometry")] if node.get("geometry") else []
        case "Polygon" | "MultiPolygon" as kind:
            rings: Any = node.get("coordinates")
            try:
                for shape in [rings] if kind == "Polygon" else rings:
                    outer, *holes = [[_corner(c, where) for c in ring] for ring in shape]
                    yield shapely.Polygon(outer, holes)
            except (TypeError, ValueError, IndexError, KeyError, OverflowError) as reason:
                raise _refuse(
                    f"a polygon of the outline is malformed ({reason})", where, ""
                ) from None
            return
        case "Point" | "MultiPoint" | "LineString" | "MultiLineString":
            return
        case other:
            raise _refuse(
                f"outline has an object of type '{str(other)[:40]}'", where, "export it as GeoJSON"
            )
    if not isinstance(inner, list):
        raise _refuse("outline is not GeoJSON: a list of shapes is missing", where, "")
    for item in inner:
        yield from _polygons(item, where)


def _corner(pair: Any, where: str) -> tuple[float, float]:
    x, y = float(pair[0]), float(pair[1])
    if not (math.isfinite(x) and math.isfinite(y)):
        raise _refuse("outline has a coordinate that is not a finite number", where, "")
    return x, y


def _mended(part: Polygon, where: str) -> Any:
    import shapely

    if part.is_valid:
        return part
    mended = shapely.make_valid(part)
    polygons = [g for g in shapely.get_parts(mended) if g.geom_type in ("Polygon", "MultiPolygon")]
    whole = shapely.union_all(polygons)
    if not whole.area > 0.0:
        raise _refuse(
            "outline encloses no area", where, "give at least three corners, not in a line"
        )
    if (
        abs(whole.area - part.area) > MEND_SHARE * max(whole.area, part.area)
        or not whole.area > 0.0
    ):
        reason = shapely.is_valid_reason(part)
        raise _refuse(f"outline crosses itself ({reason})", where, "draw its corners in order")
    return whole


def _refuse(message: str, where: str, hint: str) -> JobError:
    return JobError(message, where=where, hint=hint, id="outline")
