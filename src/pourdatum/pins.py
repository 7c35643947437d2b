"""Depth pins: where each stands, by tape; what the staff reads on it; how deep the pour is there.

The top of a pin is the datum. A laser at the height mark reads on a staff that stands on it the
height of the mark over the datum. The depth checks the slab beside the pin, with its own doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.evenly import even_places
from pourdatum.joints import CARRIED, Joint, JointKind
from pourdatum.pinplaces import PinKind, PinPlace, place_pins, spacing_m
from pourdatum.placedepth import depth_at
from pourdatum.settingout import Baseline, find_baselines, set_out
from pourdatum.thresholds import AtThreshold, Threshold, at_thresholds

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from pourdatum.datum import Datum
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

MARK_M: Final = 1.0
"""Height mark over the datum where none is given [m]; common practice, no source."""
MOST_ASKED: Final = 2000
"""Pins that a stated reach may ask for."""
_TALL_M: Final = 5.0
"""No staff reads a laser that stands higher over the floor than this [m]."""
_GROUND_M: Final = 1e-5
"""Less than that off the floor is rounding [m]."""
_NODES: Final = 200
"""Places over the floor by which the wall is found that its rows run along."""
_FACE_M: Final = 0.06
"""How far the outline may run beside a wall that was seen [m]."""


@dataclass(frozen=True, eq=False)
class PinRequest:
    """What the job says of pins; places and levels local.

    Attributes
    ----------
    reach_m : float, optional
        From pin to pin, where stated [m].
    mark_m : float, optional
        Level of the height mark, where given [m].
    mark_above_m : float
        Height of the mark over the datum, where its level is not given [m].
    mark_given : bool
        Whether either was stated.
    exit_m : tuple, optional
        Where the pour ends [m].
    joints : tuple of Joint
    thresholds : tuple of Threshold
    build_up_m : float
        On top of the pour [m].
    borders : tuple of Joint
        Between zones of different datums, as lines.
    """

    reach_m: float | None = None
    mark_m: float | None = None
    mark_above_m: float = MARK_M
    mark_given: bool = False
    exit_m: tuple[float, float] | None = None
    joints: tuple[Joint, ...] = ()
    thresholds: tuple[Threshold, ...] = ()
    build_up_m: float = 0.0
    borders: tuple[Joint, ...] = ()


@dataclass(frozen=True)
class Pin:
    """A depth pin.

    Attributes
    ----------
    name : str
    kind : str
        "high", "low", "joint", "border", "threshold" or "row".
    of : int
        Number, from 1, of the joint, border of zones, or threshold; 0 without.
    row : int
        Row of the pour, from 1 at the far end.
    place_m : tuple
        Local plan [m].
    z_m : float
        Its top, which is the datum; local [m].
    depth_m, low_m, high_m : float
        Of the pour there, and its 95 % interval [m].
    ground_m : float
        Concrete that comes off there before: the depth is that over ground floor [m].
    staff_m : float or None
        Reading on its top from a laser at the height mark; None where nothing is level [m].
    base : int or None
        Which baseline it is set out from.
    along_across_m : tuple or None
        From that corner [m].
    diagonal_m, from_end_m : float or None
        Checks, from the corner and from the far end of its wall; None where the way is barred [m].
    """

    name: str
    kind: PinKind
    of: int
    row: int
    place_m: tuple[float, float]
    z_m: float
    depth_m: float
    low_m: float
    high_m: float
    staff_m: float | None = None
    base: int | None = None
    along_across_m: tuple[float, float] | None = None
    diagonal_m: float | None = None
    from_end_m: float | None = None
    ground_m: float = 0.0


@dataclass(frozen=True, eq=False)
class JointHere:
    """A joint or crack of the job, its number there, and the length of it on this floor [m]."""

    joint: Joint
    number: int
    length_m: float

    @property
    def kind(self) -> JointKind:
        """As the job names it."""
        return self.joint.kind

    @property
    def carried(self) -> bool:
        """Whether it is carried through the pour."""
        return self.kind in CARRIED


@dataclass(frozen=True, eq=False)
class PinPlan:
    """The pins of a floor, and what they are set out and levelled from.

    Attributes
    ----------
    pins : tuple of Pin
        In the order of the rows.
    bases : tuple of Baseline
    spacing_m : float
        From pin to pin [m].
    reach_given : bool
        Whether the job stated it.
    mark_m : float or None
        Level of the height mark, local [m].
    mark_given : bool
    exit_given : bool
        Whether rows are numbered towards a stated exit.
    joints : tuple of JointHere
    thresholds : tuple of AtThreshold
    build_up_m : float
    """

    pins: tuple[Pin, ...] = ()
    bases: tuple[Baseline, ...] = ()
    spacing_m: float = 0.0
    reach_given: bool = False
    mark_m: float | None = None
    mark_given: bool = False
    exit_given: bool = False
    joints: tuple[JointHere, ...] = ()
    thresholds: tuple[AtThreshold, ...] = ()
    build_up_m: float = 0.0


NO_PINS: Final = PinPlan()


def plan_pins(
    surface: Surface,
    datum: Datum,
    request: PinRequest = PinRequest(),
    *,
    levelled: bool = True,
) -> PinPlan:
    """Pins of a floor.

    Parameters
    ----------
    surface : Surface
        The floor that is poured on.
    datum : Datum
        Of the same floor.
    request : PinRequest, optional
    levelled : bool
        Whether the scan has a vertical; without one no staff reads anything.

    Raises
    ------
    JobError
        If the height mark lies under the datum or out of a staff's reach, or the stated reach
        asks for more pins than anybody sets.
    """
    floor = surface.floor
    outline = floor.outline
    joints = tuple(
        JointHere(one, number, _on_floor_m(one, outline))
        for number, one in enumerate(request.joints, 1)
    )
    spacing = _spacing(request, outline, joints)
    doors = at_thresholds(request.thresholds, datum, request.build_up_m, outline)
    inside = surface.measured | surface.inferred
    start = request.exit_m or stated_at(datum, outline)
    blocks = [one.outline for one in floor.obstructions if one.kind != "loose"]
    walls = _walls(surface)
    nodes, *_ = even_places(inside, surface.grid, _NODES)
    bases = find_baselines(outline, nodes, near_m=start, blocks=blocks, walls=walls)
    places = place_pins(
        datum.depth_m(*surface.grid.mesh(), surface.height_m)
        if datum.zones
        else datum.at(*surface.grid.mesh()) - surface.height_m,
        surface.measured,
        inside,
        surface.grid,
        along=bases[0].corner.along if bases else _long_side(outline),
        spacing_m=spacing,
        from_m=request.exit_m or (tuple(bases[0].corner.place_m.tolist()) if bases else start),
        high_m=_seen_high(surface, datum),
        joints=request.joints,
        borders=request.borders,
        thresholds=[one.threshold.place_m for one in doors if one.of_this_floor],
        outline=outline,
    )
    if not places:
        return PinPlan(spacing_m=spacing, joints=joints, thresholds=doors)
    place = np.array([one.place_m for one in places])
    bases = find_baselines(outline, place, near_m=start, blocks=blocks, walls=walls)
    mark = _mark_m(request, datum, place, surface) if levelled else None
    return PinPlan(
        pins=_read(surface, datum, places, bases, blocks, mark),
        bases=bases,
        spacing_m=spacing,
        reach_given=request.reach_m is not None,
        mark_m=mark,
        mark_given=request.mark_given,
        exit_given=request.exit_m is not None,
        joints=joints,
        thresholds=doors,
        build_up_m=request.build_up_m,
    )


def stated_at(datum: Datum, outline: Polygon) -> tuple[float, float]:
    """Where the level of a datum is stated: its high point, or the middle of the floor [m]."""
    if datum.high_place_m is not None:
        return datum.high_place_m
    middle = outline.centroid
    return float(middle.x), float(middle.y)


def _read(
    surface: Surface,
    datum: Datum,
    places: list[PinPlace],
    bases: tuple[Baseline, ...],
    blocks: list[Polygon],
    mark_m: float | None,
) -> tuple[Pin, ...]:
    """Levels, staff readings, depths and tape of the pins."""
    place = np.array([one.place_m for one in places])
    found = depth_at(surface, datum, place)
    top = datum.at(*place.T)
    standing = top - surface.grid.at(surface.height_m, place)
    ground = np.where(found.value_m > standing + _GROUND_M, found.value_m - standing, 0.0)
    tape = set_out(surface.floor.outline, bases, place, blocks=blocks)

    def known(value: float) -> float | None:
        return float(value) if math.isfinite(value) else None

    pins = []
    for k, one in enumerate(places):
        base = int(tape.base[k])
        along, across = tape.along_across_m[k].tolist()
        pins.append(
            Pin(
                f"P{k + 1}",
                one.kind,
                one.of,
                one.row,
                one.place_m,
                float(top[k]),
                float(found.value_m[k]),
                float(found.low_m[k]),
                float(found.high_m[k]),
                None if mark_m is None else mark_m - float(top[k]),
                base if base >= 0 else None,
                (along, across) if base >= 0 else None,
                known(tape.diagonal_m[k]),
                known(tape.from_end_m[k]),
                float(ground[k]),
            )
        )
    return tuple(pins)


def _spacing(request: PinRequest, outline: Polygon, joints: tuple[JointHere, ...]) -> float:
    area_m2 = float(outline.area)
    joints_m = sum(one.length_m for one in joints if one.carried)
    spacing = spacing_m(area_m2, joints_m, request.reach_m)
    count = area_m2 / spacing**2 + 2.0 * joints_m / spacing
    if count > MOST_ASKED:
        raise JobError(
            f"a reach of {spacing:g} m asks for about {count:.0f} pins on {area_m2:.0f} m²,"
            f" {MOST_ASKED} are the most",
            where="pins.reach_m",
            hint="give a longer reach, or plan the floor in parts by --outline",
            id="pins-too-many",
        )
    return spacing


def _mark_m(request: PinRequest, datum: Datum, place: Array, surface: Surface) -> float:
    """Level of the height mark, within reach of a staff on every pin [m]."""
    mark = request.mark_m
    if mark is None and datum.zones:
        mark = float(datum.at(*place.T).max()) + request.mark_above_m
    elif mark is None:
        at = stated_at(datum, surface.floor.outline)
        mark = float(datum.at(*at)) + request.mark_above_m
    over = mark - datum.at(*place.T)
    if over.min() < 0.0 or over.max() > _TALL_M:
        low, z0_m = over.min() < 0.0, surface.origin_m[2]
        raise JobError(
            f"the height mark at {mark + z0_m:.3f} m lies"
            f" {abs(over.min()) if low else over.max():.3f} m"
            f" {'under' if low else 'over'} the datum at a pin",
            where="pins.mark_z_m" if request.mark_m is not None else "pins.mark_above_datum_mm",
            hint="give a mark over the datum and within reach of a staff, in metres and in the"
            " vertical of the scan",
            id="mark-low" if low else "mark-far",
        )
    return mark


def _on_floor_m(joint: Joint, outline: Polygon) -> float:
    import shapely

    line = shapely.LineString(joint.points_m)
    # An isolation joint runs in the edge of the floor itself; others are drawn over it at the ends.
    slack_m = 0.05 if joint.kind == "isolation" else 0.001
    return float(line.intersection(outline.buffer(slack_m)).length)


def _seen_high(surface: Surface, datum: Datum) -> tuple[float, float] | None:
    """The patch that sets the datum, where it is floor that was seen."""
    import shapely

    if datum.high_place_m is None:
        return None
    if surface.between is not None:
        # The highest of levels that were shot singly may be an outermost one, on the edge itself.
        edge = surface.floor.outline.buffer(1e-6)
        return datum.high_place_m if edge.covers(shapely.Point(datum.high_place_m)) else None
    seen = surface.grid.marked(surface.measured, np.array([datum.high_place_m]))
    return datum.high_place_m if seen[0] else None


def _walls(surface: Surface) -> BaseGeometry:
    """Where wall faces were seen in plan; empty where the scan knows of none."""
    import shapely

    lines = [
        shapely.LineString(face.at(stretch))
        for face in surface.floor.faces
        for stretch in face.along_m
    ]
    return shapely.union_all(lines).buffer(_FACE_M)


def _long_side(outline: Polygon) -> Array:
    """Direction of the long side of the narrowest box around a floor (2,)."""
    corners = np.asarray(outline.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    longest = sides[int(np.argmax(np.hypot(*sides.T)))]
    out: Array = longest / np.hypot(*longest)
    return out
