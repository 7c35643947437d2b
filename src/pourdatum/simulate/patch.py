"""The highest and the lowest 100 mm square of a floor given by formula.

The high point of a floor is that of the patch a straightedge would feel: the
greatest mean height over a square of 100 mm that lies wholly on the floor.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from pourdatum.errors import JobError

PATCH_M: Final = 0.1
"""Side of the square [m]."""

_FINEST_M: Final = 1e-5
_FINER: Final = 0.6
_STILL_TO_GAIN: Final = 2.0 * math.sqrt(2.0) * 0.2 / (1.0 - _FINER)
"""What a climb may still gain, in its reach: all that is left to walk, along the diagonal and once
more to the edge of the room, where a floor rises by 0.2 m per m."""

Height = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

_KNOTS, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True)
class Patch:
    """A square of floor: centre, turn of its sides from the axes, mean height."""

    x_m: float
    y_m: float
    turn_rad: float
    height_m: float


def patch_mean(
    height: Height, x_m: NDArray[np.float64], y_m: NDArray[np.float64], turn_rad: float = 0.0
) -> NDArray[np.float64]:
    """Mean height over 100 mm squares about centres (n,) [m], by an 8 x 8 Gauss rule."""
    a, b = np.meshgrid(_KNOTS * (PATCH_M / 2), _KNOTS * (PATCH_M / 2))
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    dx, dy = (a * cos - b * sin).ravel(), (a * sin + b * cos).ravel()
    values = height(x_m[:, None] + dx, y_m[:, None] + dy)
    share = np.outer(_WEIGHTS, _WEIGHTS).ravel() / 4.0
    return np.asarray(values @ share, np.float64)


def room_for_patch(floor: shapely.Polygon, turn_rad: float = 0.0) -> shapely.Geometry:
    """Where the centre of a square may lie so that the square lies wholly on the floor."""
    half = PATCH_M / 2
    square = affinity.rotate(
        shapely.box(-half, -half, half, half), turn_rad, origin=(0, 0), use_radians=True
    )
    corners = np.asarray(square.exterior.coords)[:4]
    sweeps = []
    for ring in (floor.exterior, *floor.interiors):
        at_ends = np.asarray(ring.coords)[:, None, :] + corners
        # The centres whose square meets an edge: the edge swept by the square.
        swept = np.concatenate([at_ends[:-1], at_ends[1:]], axis=1)
        sweeps.append(shapely.convex_hull(shapely.multipoints(shapely.points(swept))))
    return floor.difference(shapely.union_all(np.concatenate(sweeps)))


def highest_patch(floor: shapely.Polygon, height: Height, turn_rad: float = 0.0) -> Patch:
    """The 100 mm square with the greatest mean height that lies wholly on the floor.

    A net of centres every 40 mm and every 10 mm along the edge, then the best of them
    searched ever finer, to 10 micrometres in plan.

    Parameters
    ----------
    floor : shapely.Polygon
        Local plan [m].
    height : callable
        x, y of any shape -> height [m].
    turn_rad : float
        Turn of the square's sides from the axes.

    Raises
    ------
    JobError
        If no square fits on the floor.
    """
    free = room_for_patch(floor, turn_rad)
    if free.is_empty:
        raise JobError(
            "no square of 100 mm fits on the floor", where="scene", hint="give a larger room"
        )
    x0, y0, x1, y1 = free.bounds
    x, y = (v.ravel() for v in np.meshgrid(np.arange(x0, x1, 0.04), np.arange(y0, y1, 0.04)))
    inside = shapely.contains_xy(free, x, y)
    edge = shapely.get_coordinates(shapely.segmentize(free.boundary, 0.01))
    x, y = np.concatenate([x[inside], edge[:, 0]]), np.concatenate([y[inside], edge[:, 1]])
    # The centre's own height first: a mean over a square differs from it by far less than
    # the margin, and only what is near the top is worth 64 knots.
    rough = height(x, y)
    near = rough >= rough.max() - 0.003
    x, y = x[near], y[near]
    mean = patch_mean(height, x, y, turn_rad)
    shapely.prepare(free)
    best = Patch(0.0, 0.0, turn_rad, -np.inf)
    for k in _separate_tops(x, y, mean):
        found = _climbed(free, height, turn_rad, x[k], y[k], best.height_m)
        best = max(best, found, key=lambda patch: patch.height_m)
    return best


def _separate_tops(
    x: NDArray[np.float64], y: NDArray[np.float64], mean: NDArray[np.float64]
) -> list[int]:
    """Up to eight of the best places, 0.15 m apart."""
    left = np.ones(len(mean), bool)
    tops: list[int] = []
    while left.any() and len(tops) < 8:
        k = int(np.argmax(np.where(left, mean, -np.inf)))
        tops.append(k)
        left &= np.hypot(x - x[k], y - y[k]) > 0.15
    return tops


def _climbed(
    free: shapely.Geometry,
    height: Height,
    turn_rad: float,
    x: float,
    y: float,
    to_beat_m: float,
) -> Patch:
    """The top about a place, given up as soon as it cannot come up to another."""
    steps = np.linspace(-1.0, 1.0, 9)
    a, b = (v.ravel() for v in np.meshgrid(steps, steps))
    reach, best = 0.04, -np.inf
    while reach > _FINEST_M:
        at_x, at_y = x + reach * a, y + reach * b
        out = ~shapely.intersects_xy(free, at_x, at_y)
        if out.any():
            # A top at a wall lies on the edge of the free room, not on a net.
            points = shapely.points(at_x[out], at_y[out])
            edge = shapely.get_coordinates(
                shapely.line_interpolate_point(
                    free.boundary, shapely.line_locate_point(free.boundary, points)
                )
            )
            at_x[out], at_y[out] = edge[:, 0], edge[:, 1]
        mean = patch_mean(height, at_x, at_y, turn_rad)
        k = int(np.argmax(mean))
        if mean[k] > best:
            x, y, best = float(at_x[k]), float(at_y[k]), float(mean[k])
        reach *= _FINER
        if best + reach * _STILL_TO_GAIN <= to_beat_m:
            break
    return Patch(x, y, turn_rad, best)
