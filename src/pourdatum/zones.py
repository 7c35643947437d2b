"""A floor in zones, each filled to a datum of its own: where they lie, and their borders.

A large floor is not lifted to its one highest point. Zones step at walls, doors or joints, or
where a stop-end is set. No place may belong to two of them; floor that belongs to none is not
poured, and is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.datum import in_zones
from pourdatum.errors import JobError
from pourdatum.shareddraws import middle_and_reach_m

if TYPE_CHECKING:
    from shapely import MultiLineString, Polygon
    from shapely.geometry.base import BaseGeometry

    from pourdatum.datum import Datum, ZoneDatum
    from pourdatum.surface import Surface
    from pourdatum.walls import WallLine

Array = NDArray[np.float64]

OVERLAP_M: Final = 0.02
"""Width up to which zones may lie over one another: they were drawn so, and the first keeps it
[m]; our choice."""
_LEAST_M2: Final = 0.01
"""One patch of 100 mm: less floor is no place."""
_PIECE_M2: Final = 0.25
"""A second piece of a zone from which it is two zones [m²]; our choice."""
_SLIVER_M2: Final = 1e-5
"""Less is rounding of the cut [m²]."""
_MOST_OFF: Final = 0.75
"""Share of a zone that may lie off the floor before its coordinates are doubted."""
_APART_M: Final = 0.05
"""Zones drawn as far from one another still share a border [m]."""
_ON_EDGE_M: Final = 1e-6
_FACE_M: Final = 0.1
_ALONG: Final = 21


@dataclass(frozen=True, eq=False)
class ZoneShape:
    """Where a zone lies on the floor.

    Attributes
    ----------
    name : str
        As the job has it; foreign text.
    outline : shapely.Polygon
        Its floor, local plan [m].
    drawn_m2, off_m2 : float
        Area as drawn, and how much of it lies off the floor, columns and openings with it.
    """

    name: str
    outline: Polygon
    drawn_m2: float
    off_m2: float


@dataclass(frozen=True, eq=False)
class Border:
    """Where two zones meet.

    Attributes
    ----------
    first, second : int
        Which zones, from 0.
    line : shapely.MultiLineString
        Local plan [m].
    length_m : float
    step_m : tuple of 2 floats
        Least and greatest height of the second's datum over the first's along it [m].
    """

    first: int
    second: int
    line: MultiLineString
    length_m: float
    step_m: tuple[float, float]


def cut_zones(drawn: Sequence[tuple[str, Polygon]], floor: Polygon) -> tuple[ZoneShape, ...]:
    """Zones as drawn, cut to the floor.

    Parameters
    ----------
    drawn : sequence of (str, shapely.Polygon)
        Name and outline, local plan [m].
    floor : shapely.Polygon
        The floor to pour [m].

    Raises
    ------
    JobError
        If one crosses itself, lies off the floor by three quarters, falls into pieces, or lies
        over another.

    Examples
    --------
    >>> from shapely import box
    >>> north, south = cut_zones([("a", box(-1, 2, 5, 4)), ("b", box(0, 0, 4, 2))], box(0, 0, 4, 4))
    >>> north.outline.area, north.off_m2, south.outline.area
    (8.0, 4.0, 8.0)
    """
    found: list[ZoneShape] = []
    for number, (name, shape) in enumerate(drawn, 1):
        where = f"zone[{number}].points"
        if not shape.is_valid or shape.area <= 0.0:
            raise JobError(
                f"zone {number}, {name}, crosses itself or has no area",
                where=where,
                hint="give its corners in their order around it",
                id="zone-shape",
            )
        for before in range(number - 1):
            _check_apart(drawn, before, number - 1)
        own = shape.intersection(floor)
        off_m2 = shape.area - own.area
        if own.area < _LEAST_M2 or off_m2 > _MOST_OFF * shape.area:
            raise JobError(
                f"{off_m2:.2f} of the {shape.area:.2f} m² of zone {number}, {name}, lie off the"
                " floor",
                where=where,
                hint="give its corners in the scan's plan coordinates and unit, up to the walls",
                id="zone-off-floor",
            )
        for other in found:
            own = own.difference(other.outline)
        found.append(ZoneShape(name, _one_piece(own, number, name), shape.area, off_m2))
    return _without_slivers(found)


def _without_slivers(zones: list[ZoneShape]) -> tuple[ZoneShape, ...]:
    """Zones whose slivers along a wall are their neighbour's: a line drawn in the wall itself.

    A hair beyond the corner from which the wall runs on it leaves one, over the wall's length.
    """
    shapes = [zone.outline for zone in zones]
    for k, whole in enumerate(shapes):
        wide = whole.buffer(-0.5 * OVERLAP_M, join_style="mitre")
        wide = wide.buffer(0.5 * OVERLAP_M, join_style="mitre")
        for sliver in _parts(whole.difference(wide)):
            if sliver.area < _SLIVER_M2:
                continue
            near = sliver.buffer(_ON_EDGE_M)
            beside = [
                0.0 if other == k else float(near.intersection(shape.boundary).length)
                for other, shape in enumerate(shapes)
            ]
            heir = int(np.argmax(beside))
            # Corners of a sliver's width stay where they are.
            if sliver.length < 4.0 * OVERLAP_M or beside[heir] < 0.25 * sliver.length:
                continue
            rest, more = _parts(shapes[k].difference(sliver)), _parts(shapes[heir].union(sliver))
            if len(rest) == len(more) == 1:
                shapes[k], shapes[heir] = rest[0], more[0]
    return tuple(replace(zone, outline=own) for zone, own in zip(zones, shapes, strict=True))


def _parts(shape: BaseGeometry) -> list[Polygon]:
    """The polygons that a shape is made of."""
    import shapely

    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]


def uncovered(zones: Sequence[ZoneShape], floor: Polygon) -> BaseGeometry:
    """The floor that lies in no zone."""
    import shapely

    return floor.difference(shapely.union_all([zone.outline for zone in zones]))


def borders_of(zones: Sequence[ZoneDatum], floor: Polygon) -> tuple[Border, ...]:
    """Where zones meet within a floor, and by how much the datum steps there.

    Examples
    --------
    >>> from shapely import box
    >>> from pourdatum.datum import Datum, ZoneDatum
    >>> from pourdatum.geometry import Plane
    >>> low, high = (Datum("level", Plane(z), (z, z), None, 0.002) for z in (0.010, 0.035))
    >>> zones = ZoneDatum(box(0, 0, 2, 3), low), ZoneDatum(box(2, 0, 4, 3), high)
    >>> (one,) = borders_of(zones, box(0, 0, 4, 3))
    >>> round(one.length_m, 3), [round(end, 3) for end in one.step_m]
    (3.0, [0.025, 0.025])
    """
    import shapely

    edge = floor.boundary.buffer(_ON_EDGE_M)
    found = []
    for second, zone in enumerate(zones):
        for first, other in enumerate(zones[:second]):
            inner = zone.outline.boundary.difference(edge)
            shared = inner.intersection(other.outline.buffer(_APART_M, join_style="mitre"))
            parts = [
                part for part in shapely.get_parts(shapely.line_merge(shared))
                if part.geom_type == "LineString" and part.length > 2.0 * _APART_M
            ]  # fmt: skip
            if not parts:
                continue
            step = _steps_m(parts, other.datum, zone.datum)
            line = shapely.MultiLineString(parts)
            found.append(Border(first, second, line, line.length, step))
    return tuple(found)


def part_of(surface: Surface, outline: Polygon) -> Surface:
    """The part of a surface within an outline, as a floor of its own.

    Heights stay known beyond it, as they are in the room. What the whole scan may be out by
    stays that of the whole floor.
    """
    import shapely

    x_m, y_m = surface.grid.mesh()
    (inside,) = in_zones([outline], x_m, y_m)
    measured, inferred = surface.measured & inside, surface.inferred & inside
    seen, hidden = int(measured.sum()), int(inferred.sum())
    share = hidden / max(seen + hidden, 1)
    middle_m, reach_m = middle_and_reach_m(surface)
    floor = surface.floor
    filled = shapely.Polygon(outline.exterior)
    rim = floor.outline.exterior.intersection(outline.buffer(_FACE_M)).length
    return replace(
        surface,
        measured=measured,
        inferred=inferred,
        measured_m2=outline.area * (1.0 - share),
        inferred_m2=outline.area * share,
        shared=replace(surface.shared, middle_m=middle_m, reach_m=reach_m),
        nibs=tuple(nib for nib in surface.nibs if filled.covers(shapely.Point(nib.place_m))),
        floor=replace(
            floor,
            outline=outline,
            openings=tuple(one for one in floor.openings if filled.intersects(one.outline)),
            obstructions=tuple(one for one in floor.obstructions if filled.intersects(one.outline)),
            faces=tuple(_faces_in(floor.faces, outline)),
            open_edge_m=floor.open_edge_m * rim / floor.outline.exterior.length,
        ),
    )


def _check_apart(drawn: Sequence[tuple[str, Polygon]], first: int, second: int) -> None:
    (name, one), (other_name, other) = drawn[first], drawn[second]
    both = one.intersection(other)
    if both.buffer(-0.5 * OVERLAP_M).is_empty:
        return
    raise JobError(
        f"zones {first + 1}, {name}, and {second + 1}, {other_name}, lie over one another on"
        f" {both.area:.2f} m²",
        where=f"zone[{second + 1}].points",
        hint="no place has two datums: let them meet along one line",
        id="zones-overlap",
    )


def _one_piece(shape: BaseGeometry, number: int, name: str) -> Polygon:
    """The largest piece; the others are crumbs beside columns, or it is no zone."""
    import shapely

    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    parts.sort(key=lambda part: -part.area)
    if len(parts) > 1 and parts[1].area > _PIECE_M2:
        areas = " and ".join(f"{part.area:.2f}" for part in parts[:2])
        raise JobError(
            f"zone {number}, {name}, is {len(parts)} pieces of floor, of {areas} m²",
            where=f"zone[{number}].points",
            hint="give each piece a zone of its own; they may have the same level",
            id="zone-in-pieces",
        )
    out: Polygon = parts[0]
    return out


def _steps_m(parts: Sequence[BaseGeometry], low: Datum, high: Datum) -> tuple[float, float]:
    import shapely

    at = np.concatenate(
        [
            shapely.get_coordinates(
                shapely.line_interpolate_point(part, np.linspace(0.0, 1.0, _ALONG), normalized=True)
            )
            for part in parts
        ]
    )
    step = [high.level_beside(x, y) - low.level_beside(x, y) for x, y in at.tolist()]
    return min(step), max(step)


def _faces_in(faces: Sequence[WallLine], outline: Polygon) -> list[WallLine]:
    """Wall faces as far as they bound a zone."""
    import shapely

    near = outline.buffer(_FACE_M)
    found = []
    for face in faces:
        stretches = []
        for stretch in face.along_m:
            cut = shapely.LineString(face.at(stretch)).intersection(near)
            for part in shapely.get_parts(cut):
                if part.geom_type == "LineString" and part.length > 0.0:
                    ends = np.sort(face.along(shapely.get_coordinates(part)))
                    stretches.append((float(ends[0]), float(ends[-1])))
        if stretches:
            found.append(replace(face, along_m=np.array(stretches)))
    return found


__all__ = [
    "OVERLAP_M",
    "Border",
    "ZoneShape",
    "borders_of",
    "cut_zones",
    "part_of",
    "uncovered",
]
