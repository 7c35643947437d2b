"""How deep the pour is at a place, or how high the floor stands there, with its 95 % interval.

Pins, thickness and placed volume ask here. What the whole scan may be out by moves a datum that
was tied to the floor together with the floor at the place: of a level that is wrong everywhere
nothing is left in the depth under a high point, of a tilt only what it does between the two. So
datum and place are moved by the same draws (JCGM 101:2008, 5.9; a correlation as of JCGM
100:2008, 5.2), and what the place errs by itself is drawn on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.datum import in_zones
from pourdatum.errors import NoFloor
from pourdatum.evenly import even_places
from pourdatum.shareddraws import DRAWS, draws_for, interval_of
from pourdatum.spread import rise_m
from pourdatum.uncertainty import combined, interval
from pourdatum.zones import part_of

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

_NODES: Final = 500
"""Places to which the plane is fitted that a fitted datum moves by."""
_SEED: Final = 106
_BLOCK: Final = 2000
"""Places whose draws are held at a time."""


@dataclass(frozen=True, eq=False)
class AtPlaces:
    """A depth or a height at places, in the order in which they were asked for.

    Attributes
    ----------
    place_m : (n, 2) array
        Local plan [m].
    value_m : (n,) array
        Depth, positive where material is missing, or local height [m].
    low_m, high_m : (n,) arrays
        Ends of the 95 % interval [m].
    """

    place_m: Array
    value_m: Array
    low_m: Array
    high_m: Array


def depth_at(surface: Surface, datum: Datum, place_m: ArrayLike) -> AtPlaces:
    """Depth of the pour at places.

    Parameters
    ----------
    surface : Surface
    datum : Datum
        Of the same surface. Where it has the floor ground, the depth is that over ground floor.
    place_m : (n, 2) array
        Local plan, on the floor [m].

    Returns
    -------
    AtPlaces
        The upper end reaches as far as floor that was not seen well may lift the datum.

    Raises
    ------
    NoFloor
        If a place is not on the floor.
    """
    place = _on_floor(surface, place_m)
    if datum.zones:
        return _in_zones(surface, datum, place)
    depth = datum.plane.at(*place.T) - surface.grid.at(surface.height_m, place)
    low, high = _ends(surface, datum, place, depth)
    ends = (datum.as_ground(end) for end in (depth, low, high + rise_m(datum)))
    return AtPlaces(place, *ends)


def _in_zones(surface: Surface, datum: Datum, place: Array) -> AtPlaces:
    """Depths of a floor in zones: each place by the datum of its own."""
    ends = np.full((3, len(place)), np.nan)
    outlines = [zone.outline for zone in datum.zones]
    for zone, own in zip(datum.zones, in_zones(outlines, *place.T), strict=True):
        if own.any():
            found = depth_at(part_of(surface, zone.outline), zone.datum, place[own])
            ends[:, own] = found.value_m, found.low_m, found.high_m
    return AtPlaces(place, *ends)


def _draws_in_zones(surface: Surface, datum: Datum, place: Array) -> Array:
    """The same of draws: what the whole scan is out by is one draw in all zones."""
    out = np.full((DRAWS, len(place)), np.nan)
    outlines = [zone.outline for zone in datum.zones]
    for zone, own in zip(datum.zones, in_zones(outlines, *place.T), strict=True):
        if own.any():
            out[:, own] = depth_draws_m(part_of(surface, zone.outline), zone.datum, place[own])
    return out


def height_at(surface: Surface, place_m: ArrayLike) -> AtPlaces:
    """Height of the floor at places, local: its uncertainty is that of the place in the world.

    Parameters
    ----------
    surface : Surface
    place_m : (n, 2) array
        Local plan, on the floor [m].

    Returns
    -------
    AtPlaces

    Raises
    ------
    NoFloor
        If a place is not on the floor.
    """
    place = _on_floor(surface, place_m)
    height = surface.grid.at(surface.height_m, place)
    low, high = _ends(surface, None, place, -height)
    return AtPlaces(place, height, -high, -low)


def depth_draws_m(surface: Surface, datum: Datum, place_m: ArrayLike) -> Array:
    """Depths (draws, n) at places, one row for each floor that agrees with the scan [m].

    For what is made of several depths at once, such as the mean of some pins. Where levels were
    shot singly nothing is drawn, and there is ``depth_at`` alone.

    Parameters
    ----------
    surface : Surface
        Not of single levels.
    datum : Datum
    place_m : (n, 2) array
        Local plan, on the floor [m].

    Raises
    ------
    NoFloor
        If a place is not on the floor.
    ValueError
        For a surface of single levels.
    """
    if surface.between is not None:
        raise ValueError("single levels have no draws in common; ask depth_at for each place")
    place = _on_floor(surface, place_m)
    if datum.zones:
        return _draws_in_zones(surface, datum, place)
    depth = datum.plane.at(*place.T) - surface.grid.at(surface.height_m, place)
    return datum.as_ground(depth + _moves(surface, datum, place, np.random.default_rng(_SEED)))


def shared_error_m(surface: Surface, datum: Datum | None, place_m: ArrayLike) -> Array:
    """Standard uncertainty of a depth at places without what each place errs by itself [m].

    For a map of it: it changes slowly over a floor, and a place's own error is in the surface.

    Parameters
    ----------
    surface : Surface
    datum : Datum, optional
        Not of zones; without it, of the level in the world.
    place_m : (n, 2) array
        Local plan, also beside the floor [m].
    """
    place = np.asarray(place_m, np.float64).reshape(-1, 2)
    if surface.between is None:
        out: Array = _shared_moves(surface, datum, place).std(axis=0)
        return out
    own = surface.grid.at(surface.standard_error_m, place)
    whole = np.array([_of_shots_m(surface, datum, one) for one in place])
    return np.sqrt(np.maximum(whole**2 - own**2, 0.0))


def _on_floor(surface: Surface, place_m: ArrayLike) -> Array:
    """The places, all of them on the floor."""
    import shapely

    place = np.asarray(place_m, np.float64).reshape(-1, 2)
    # A rounding beside a wall is on the floor.
    off = ~shapely.intersects_xy(surface.floor.outline.buffer(1e-6), *place.T)
    if off.any():
        x, y = place[np.flatnonzero(off)[0]]
        raise NoFloor(
            f"the place ({x:.3f}, {y:.3f}) is not on the floor that is poured",
            hint="give a place inside the outline, in local metres",
            id="off-floor",
        )
    return place


def _ends(surface: Surface, datum: Datum | None, place: Array, value: Array) -> tuple[Array, Array]:
    """95 % intervals of depths under a datum, or under a level of the world [m]."""
    if surface.between is not None:
        spread = [_of_shots_m(surface, datum, one) for one in place]
        ends = [interval(at, own) for at, own in zip(value.tolist(), spread, strict=True)]
    else:
        rng = np.random.default_rng(_SEED)
        ends = []
        for first in range(0, len(place), _BLOCK):
            part = slice(first, first + _BLOCK)
            moved = _moves(surface, datum, place[part], rng)
            ends += [
                interval_of(at, at + draws)
                for at, draws in zip(value[part].tolist(), moved.T, strict=True)
            ]
    low, high = np.array(ends, np.float64).reshape(-1, 2).T
    return low, high


def _moves(surface: Surface, datum: Datum | None, place: Array, rng: np.random.Generator) -> Array:
    """By how much the depth would be another on each floor that agrees with the scan (k, n) [m]."""
    moved = _shared_moves(surface, datum, place)
    own = surface.grid.at(np.nan_to_num(surface.standard_error_m, posinf=0.0), place)
    moved += own * rng.standard_normal(moved.shape)
    return moved


def _shared_moves(surface: Surface, datum: Datum | None, place: Array) -> Array:
    """The same of what the whole scan errs by alone (k, n) [m]."""
    moved = draws_for(surface).at(place)
    if datum is not None and datum.kind == "parallel":
        moved -= _plane_follows(surface, place)
    if datum is not None and datum.draws_m is not None:
        moved += datum.draws_m[:, None]
    return moved


def _plane_follows(surface: Surface, place: Array) -> Array:
    """By how much a plane fitted to the floor tilts at the places with each draw (k, n) [m].

    Its mean move stays in the depth: that is what the datum's own draws take out.
    """
    nodes, *_ = even_places(surface.measured | surface.inferred, surface.grid, _NODES)
    fields = draws_for(surface).at(nodes)
    plane = fields @ np.linalg.pinv(np.column_stack([np.ones(len(nodes)), nodes])).T
    out: Array = plane @ np.column_stack([np.ones(len(place)), place]).T
    out -= fields.mean(axis=1, keepdims=True)
    return out


def _of_shots_m(surface: Surface, datum: Datum | None, place: Array) -> float:
    """Standard uncertainty of a depth between single levels [m].

    The place itself, with what the floor may do between shots; the datum; and of what the levels
    share, the tilt between the two.
    """
    shared = surface.shared
    own = float(surface.grid.at(surface.standard_error_m, place[None])[0])
    parts = [own, shared.warp_m]
    tied = datum.high_place_m if datum is not None else None
    if datum is not None:
        parts.append(datum.standard_error_m)
    if datum is None or datum.kind == "level":
        parts.append(shared.datum_m)
    if datum is None or datum.kind != "parallel":
        middle = surface.floor.outline.centroid
        x0, y0 = tied or (middle.x, middle.y)
        parts.append(shared.tilt_rad * float(np.hypot(place[0] - x0, place[1] - y0)))
    return combined(*parts)
