"""Places along and across from a corner that a tape can be held to.

A corner is where two straight pieces of the floor's outline meet. ``along`` runs from it
along one of them, ``across`` at a right angle to that, into the floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]

NEAR_M: Final = 0.5
"""How far the rough place of a corner may lie from it [m]."""
_LEAST_WALL_M: Final = 0.25
_STRAIGHT_M: Final = 0.006
"""Corners of the outline that a piece may leave aside and still be one straight wall [m]."""
_TURN_RAD: Final = math.radians(25.0)
_AIM_RAD: Final = math.radians(20.0)


@dataclass(frozen=True, eq=False)
class Corner:
    """A corner of the floor, with the way along a wall and the way across.

    Attributes
    ----------
    place_m : (2,) array
        Local plan [m].
    along, across : (2,) arrays
        Unit vectors at right angles; ``across`` points into the floor.
    """

    place_m: Array
    along: Array
    across: Array

    def places(self, along_across_m: Array) -> Array:
        """Distances (n, 2) as places (n, 2), local plan [m].

        Examples
        --------
        >>> corner = Corner(np.array([4.0, 1.0]), np.array([-1.0, 0.0]), np.array([0.0, 1.0]))
        >>> corner.places(np.array([[1.5, 0.5]]))
        array([[2.5, 1.5]])
        """
        out: Array = self.place_m + along_across_m @ np.stack([self.along, self.across])
        return out


def find_corner(
    outline: Polygon, near_m: tuple[float, float], toward_m: tuple[float, float]
) -> Corner:
    """The corner of a floor nearest to a rough place.

    Parameters
    ----------
    outline : shapely.Polygon
        Local plan [m].
    near_m : tuple
        Roughly where the corner is [m].
    toward_m : tuple
        A place along the wall that ``along`` runs along [m].

    Raises
    ------
    JobError
        If no corner lies within half a metre, or no wall leads from it that way.

    Examples
    --------
    >>> import shapely
    >>> found = find_corner(shapely.box(0, 0, 5, 4), (4.8, 0.1), (4.9, 3.0))
    >>> found.place_m, found.along, found.across
    (array([5., 0.]), array([0., 1.]), array([-1., 0.]))
    """
    corners = corners_of(outline)
    near = np.array(near_m)
    if not corners:
        raise _refuse("the floor's outline has no corner between two straight walls")
    found = min(corners, key=lambda one: float(np.linalg.norm(one.place_m - near)))
    place, before, after = found.place_m, found.before, found.after
    off = float(np.linalg.norm(place - near))
    if off > NEAR_M:
        raise _refuse(
            f"no corner of the floor lies within {NEAR_M:g} m of the place given, the nearest "
            f"is {off:.2f} m away"
        )
    aim = np.array(toward_m) - place
    length = float(np.linalg.norm(aim))
    if length < _LEAST_WALL_M:
        raise _refuse(f"toward lies {length:.2f} m from the corner, which gives no direction")
    # The outline runs with the floor on its left.
    ways = ((after, np.array([-after[1], after[0]])), (-before, np.array([-before[1], before[0]])))
    along, across = max(ways, key=lambda way: float(way[0] @ aim))
    turn = math.acos(min(1.0, max(-1.0, float(along @ aim) / length)))
    if turn > _AIM_RAD:
        raise _refuse(
            f"no wall leads from the corner towards that place, the nearest runs "
            f"{math.degrees(turn):.0f} degrees aside"
        )
    return Corner(place, along, across)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where two straight pieces of the outline meet, the floor on the left of both.

    Attributes
    ----------
    place_m : (2,) array
        Local plan [m].
    before, after : (2,) arrays
        Unit vectors of the ways in and out.
    before_m, after_m : float
        Lengths of the two pieces [m].
    """

    place_m: Array
    before: Array
    after: Array
    before_m: float
    after_m: float


def corners_of(outline: Polygon) -> list[Meeting]:
    """Corners of the outer ring, inside and outside ones, in its order.

    Examples
    --------
    >>> import shapely
    >>> first = corners_of(shapely.box(0, 0, 5, 4))[0]
    >>> first.place_m, first.after, first.before_m
    (array([5., 0.]), array([0., 1.]), 5.0)
    """
    import shapely

    ring = shapely.simplify(outline.exterior, _STRAIGHT_M)
    if not ring.is_ccw:
        ring = ring.reverse()
    nodes = np.asarray(ring.coords)[:-1]
    # A ring begins anywhere, also in the middle of a wall.
    steps = np.roll(nodes, -1, axis=0) - nodes
    lengths = np.linalg.norm(steps, axis=1)
    ways = steps / lengths[:, None]
    kept = [k for k in range(len(nodes)) if _turn(ways[k - 1], ways[k]) > math.radians(2.0)]
    if len(kept) < 3:
        return []
    nodes = nodes[kept]
    steps = np.roll(nodes, -1, axis=0) - nodes
    lengths = np.linalg.norm(steps, axis=1)
    ways = steps / lengths[:, None]
    return [
        Meeting(nodes[k], ways[k - 1], ways[k], float(lengths[k - 1]), float(lengths[k]))
        for k in range(len(nodes))
        if min(lengths[k - 1], lengths[k]) >= _LEAST_WALL_M
        and _TURN_RAD < _turn(ways[k - 1], ways[k]) < math.pi - _TURN_RAD
    ]


def _turn(first: Array, second: Array) -> float:
    return math.acos(min(1.0, max(-1.0, float(first @ second))))


def _refuse(message: str) -> JobError:
    return JobError(
        message,
        where="[control] corner",
        hint="give corner and toward in the scan's plan coordinates and unit, or the shots' x,y",
        id="control-corner",
    )
