"""Reads the area to pour from a file, in the scan's plan coordinates: GeoJSON, or DXF.

GeoJSON is RFC 7946; a drawing in DXF, told by its content, goes to its own reader. Only
the shapes are taken: coordinates are the scan's own plan axes and unit, not degrees.
Faults that a person draws by hand are mended where that changes nothing (an open ring,
a needle), and refused where it would.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pourdatum.errors import JobError, LimitMet
from pourdatum.outline_dxf import Drawn, is_dxf, read_dxf
from pourdatum.units import LENGTH_UNITS

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.scan import Frame

SIZE_CAP: Final = 20_000_000
CORNER_CAP: Final = 4_000
"""Corners that an outline may have."""
HEAD_BYTES: Final = 16_384
EXPORT: Final = "export it as GeoJSON or DXF"
MEND_SHARE: Final = 0.001
"""Share of the area that mending a crossed ring may change."""


_MISSES: Final = 0.1
"""Share of an outline on the scan's box up to which it misses the scan."""
_FITS: Final = 0.9
_FILLS: Final = 0.1
"""Share of the scan's box that an outline in the right unit covers at least."""
_THIN_M: Final = 0.001
"""What an outline of very many corners may lose: nobody knows a floor's edge so well [m]."""
_DEGREES: Final = 0.02
"""Greatest side of a floor in degrees: 2 km."""


def read_outline(path: str | Path) -> Drawn:
    """The one area of a GeoJSON or DXF file, in the file's coordinates.

    Raises
    ------
    JobError
        If the file is missing or neither, or holds no polygon, separate ones, or one that
        cannot be mended.
    MissingExtra
        If it is a drawing in DXF and the package for that is not installed.
    """
    import shapely

    where = str(path)
    if _is_drawing(Path(path)):
        return read_dxf(Path(path))
    polygons = list(_polygons(_load(Path(path)), where))
    if not polygons:
        raise _refuse(
            "outline holds no polygon", where, "draw the floor's edge as a closed polygon"
        )
    whole = shapely.union_all([_mended(part, where) for part in polygons])
    if whole.geom_type not in ("Polygon", "MultiPolygon") or not 0.0 < whole.area < math.inf:
        raise _refuse(
            "outline encloses no area", where, "give at least three corners, not in a line"
        )
    parts = sorted((part.area for part in shapely.get_parts(whole)), reverse=True)
    if len(parts) > 1:
        listed = ", ".join(f"{area:.6g}" for area in parts[:5])
        more = f" and {len(parts) - 5} more" if len(parts) > 5 else ""
        raise _refuse(
            f"outline has {len(parts)} separate areas ({listed}{more}, in its unit squared)",
            where,
            "plan each area by itself",
        )
    return Drawn(whole)


def outline_to_local(drawn: Drawn, frame: Frame) -> Polygon:
    """An outline in the scan's plan coordinates, in its own unit or the scan's, as local metres.

    Raises
    ------
    LimitMet
        If it has more corners than are taken, those left out that stand within 1 mm of a line:
        work and memory grow with the square of corners so near to each other.
    """
    import shapely

    origin = frame.origin_m[:2]
    unit_m = frame.unit_m if drawn.unit_m is None else drawn.unit_m
    local: Polygon = shapely.transform(drawn.shape, lambda place: place * unit_m - origin)
    if shapely.get_num_coordinates(local) > CORNER_CAP:
        local = local.simplify(_THIN_M)
    if (corners := int(shapely.get_num_coordinates(local))) > CORNER_CAP:
        raise LimitMet(
            f"the outline has {corners} corners that are more than 1 mm off a straight line;"
            f" {CORNER_CAP} are taken",
            where="--outline",
            hint="draw the floor's edge with fewer",
            id="outline-corners",
        )
    return local


def check_outline_unit(drawn: Drawn, frame: Frame, box_m: tuple[float, ...], where: str) -> None:
    """Refuse an outline that misses the scan and would lie on it in another unit.

    Parameters
    ----------
    drawn : Drawn
    frame : Frame
        Of the scan.
    box_m : tuple of 4 floats
        West, south, east and north of the scan, local [m].
    where : str
        The file, for errors.

    Raises
    ------
    JobError
        If it fits in another unit, or its coordinates look like degrees.
    """
    import shapely

    scan = shapely.box(*box_m)
    origin = frame.origin_m[:2]

    def on_scan(unit_m: float) -> float:
        local = shapely.transform(drawn.shape, lambda place: place * unit_m - origin)
        return float(shapely.intersection(local, scan).area / local.area)

    unit_m = frame.unit_m if drawn.unit_m is None else drawn.unit_m
    if on_scan(unit_m) > _MISSES:
        return
    fits = [
        name
        for name, factor in LENGTH_UNITS.items()
        if on_scan(factor) > _FITS and drawn.shape.area * factor**2 > _FILLS * scan.area
    ]
    if fits:
        raise _refuse(
            # In a smaller unit it may be a corner of the floor: the largest is the floor.
            f"outline misses the scan; taken in {max(fits, key=LENGTH_UNITS.__getitem__)} it lies"
            " on it",
            where,
            "give it in the scan's own coordinates and unit",
        )
    west, south, east, north = drawn.shape.bounds
    world = -180.0 <= west <= east <= 180.0 and -90.0 <= south <= north <= 90.0
    if world and max(east - west, north - south) < _DEGREES:
        raise _refuse(
            f"outline misses the scan, and its coordinates ({west:.6g}, {south:.6g}) look like"
            " degrees",
            where,
            "project it to the scan's own plan coordinates",
        )


def place_to_local(place: tuple[float, ...], frame: Frame) -> tuple[float, ...]:
    """A place (x, y) or (x, y, z) in the scan's coordinates and unit as local metres.

    Examples
    --------
    >>> from pourdatum.scan import Frame
    >>> place_to_local((1500.0, 200.0), Frame(unit_m=0.001, origin_m=(1.0, 0.0, 5.0)))
    (0.5, 0.2)
    """
    units = (frame.unit_m, frame.unit_m, frame.upright_unit_m)
    return tuple(
        value * unit - origin
        for value, unit, origin in zip(place, units, frame.origin_m, strict=False)
    )


def place_from_local(place_m: tuple[float, ...], frame: Frame) -> tuple[float, ...]:
    """Local metres in the scan's coordinates and unit, as ``--at`` and ``--datum`` are read.

    Examples
    --------
    >>> from pourdatum.scan import Frame
    >>> place_from_local((0.5, 0.2), Frame(unit_m=0.001, origin_m=(1.0, 0.0, 5.0)))
    (1500.0, 200.0)
    """
    units = (frame.unit_m, frame.unit_m, frame.upright_unit_m)
    return tuple(
        (value + origin) / unit
        for value, unit, origin in zip(place_m, units, frame.origin_m, strict=False)
    )


def _is_drawing(path: Path) -> bool:
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return is_dxf(file.read(HEAD_BYTES))
    except OSError:
        return False  # The other reader meets it again, and says so.


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
    except json.JSONDecodeError as reason:
        raise _refuse(
            f"outline is not GeoJSON (line {reason.lineno}, column {reason.colno})",
            where,
            EXPORT,
        ) from None
    except RecursionError:
        raise _refuse("outline is not GeoJSON (nested too deep)", where, EXPORT) from None
    except ValueError:
        raise _refuse("outline is not GeoJSON (no text in UTF-8)", where, EXPORT) from None


def _polygons(node: Any, where: str) -> Any:
    import shapely

    if not isinstance(node, dict):
        raise _refuse("outline is not GeoJSON: an object is needed", where, EXPORT)
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
            except (TypeError, ValueError, IndexError, KeyError, OverflowError):
                raise _refuse(
                    "a polygon of the outline is malformed: it needs rings of at least three "
                    "corners [x, y], both numbers",
                    where,
                    EXPORT,
                ) from None
            return
        case "Point" | "MultiPoint" | "LineString" | "MultiLineString":
            return
        case other:
            known = isinstance(other, str) and len(other) <= 40 and other.isprintable()
            kind = f"of type '{other}'" if known else "without a known type"
            raise _refuse(f"outline has an object {kind}", where, EXPORT)
    if not isinstance(inner, list):
        raise _refuse("outline is not GeoJSON: a list of shapes is missing", where, "")
    for item in inner:
        yield from _polygons(item, where)


def _corner(pair: Any, where: str) -> tuple[float, float]:
    if not all(type(value) in (int, float) for value in pair[:2]):
        raise TypeError  # Text such as "1,5" is for its writer to settle.
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
