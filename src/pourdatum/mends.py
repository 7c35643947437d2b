"""The straightedge at a worst place: its profile, and what would mend it.

A gap is mended from either side: the hollow is filled up to the straightedge, or what the
straightedge rests on is ground down until the gap keeps its limit. Both are reckoned about one
plane: along the straightedge the line it rests on, across it the fall of the floor around. They
say which is the smaller work, and are no order of material.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.geometry import fit_plane

if TYPE_CHECKING:
    from pourdatum.grid import Grid
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

_STEP_M: Final = 0.02


@dataclass(frozen=True, eq=False)
class Profile:
    """A straightedge on the floor, seen from its side.

    Attributes
    ----------
    along_m : (n,) array
        Along the straightedge, from its middle [m].
    height_m : (n,) array
        Of the floor, local [m]; NaN where none was seen.
    edge_m : (n,) array
        Of the straightedge [m].
    contacts_m : tuple of 2 floats
        Where it rests, along [m].
    """

    along_m: Array
    height_m: Array
    edge_m: Array
    contacts_m: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Mend:
    """What would mend a worst place.

    Attributes
    ----------
    profile : Profile
    fill_m3, fill_m2 : float
        Of the hollow, up to the straightedge.
    grind_m3, grind_m2 : float
        Of what it rests on, until the gap keeps its limit.
    """

    profile: Profile
    fill_m3: float
    fill_m2: float
    grind_m3: float
    grind_m2: float


def profile_at(
    height_m: Array, grid: Grid, place_m: tuple[float, float], bearing_rad: float, length_m: float
) -> Profile:
    """Lay a straightedge on a floor.

    Parameters
    ----------
    height_m : (ny, nx) array
        NaN where there is no floor [m].
    grid : Grid
    place_m : tuple
        Middle of the straightedge, local plan [m].
    bearing_rad : float
        Clockwise from +y.
    length_m : float

    Returns
    -------
    Profile

    Examples
    --------
    A hollow of 4 mm between two ridges 1 m apart:

    >>> from pourdatum.grid import Grid
    >>> grid = Grid(-1.5, -0.5, 0.05, 21, 61)
    >>> x, y = grid.mesh()
    >>> bowl = np.where(abs(x) < 0.5, 0.004 * (2 * x) ** 2, 0.004 - 0.01 * (abs(x) - 0.5))
    >>> laid = profile_at(bowl, grid, (0.0, 0.0), np.pi / 2, 2.0)
    >>> within = abs(laid.along_m) < 0.5
    >>> gap = laid.edge_m[within] - laid.height_m[within]
    >>> [round(end, 2) for end in laid.contacts_m], round(float(gap.max()), 4)
    ([-0.5, 0.5], 0.004)
    """
    steps = max(round(0.5 * length_m / _STEP_M), 2)
    along = np.linspace(-0.5 * length_m, 0.5 * length_m, 2 * steps + 1)
    way = np.array([math.sin(bearing_rad), math.cos(bearing_rad)])
    height = grid.at(height_m, np.asarray(place_m) + along[:, None] * way)
    known = np.isfinite(height)
    left, right = np.flatnonzero(known & (along < 0.0)), np.flatnonzero(known & (along > 0.0))
    if not left.size or not right.size:
        return Profile(along, height, np.full_like(along, np.nan), (math.nan, math.nan))
    # Of all chords across the middle it lies on the one that is highest there.
    u, v = along[left][:, None], along[right][None, :]
    a, b = height[left][:, None], height[right][None, :]
    i, j = np.unravel_index(np.argmax((a * v - b * u) / (v - u)), (left.size, right.size))
    first, second = int(left[i]), int(right[j])
    slope = (height[second] - height[first]) / (along[second] - along[first])
    edge = height[first] + slope * (along - along[first])
    return Profile(along, height, edge, (float(along[first]), float(along[second])))


def mend_at(
    surface: Surface,
    place_m: tuple[float, float],
    bearing_rad: float,
    length_m: float,
    limit_m: float,
) -> Mend | None:
    """What would mend the gap under a straightedge; None where none can be laid there.

    Parameters
    ----------
    surface : Surface
    place_m, bearing_rad, length_m
        As of ``profile_at``.
    limit_m : float
        Gap that is allowed [m].
    """
    seen = surface.measured | surface.inferred
    height = np.where(seen, surface.height_m, np.nan)
    profile = profile_at(height, surface.grid, place_m, bearing_rad, length_m)
    first, second = profile.contacts_m
    if not math.isfinite(first):
        return None
    x, y = surface.grid.mesh()
    way = np.array([math.sin(bearing_rad), math.cos(bearing_rad)])
    off_x, off_y = x - place_m[0], y - place_m[1]
    along = off_x * way[0] + off_y * way[1]
    across = off_x * way[1] - off_y * way[0]
    middle, reach = 0.5 * (first + second), 0.5 * (second - first)
    near = seen & (np.hypot(along - middle, across) <= max(reach, 2 * surface.grid.cell_m))
    if near.sum() < 6:
        return None
    around, _ = fit_plane(x[near], y[near], surface.height_m[near])
    rise = float(np.interp(0.0, profile.along_m, profile.edge_m))
    slope = (profile.edge_m[-1] - profile.edge_m[0]) / (profile.along_m[-1] - profile.along_m[0])
    fall_across = around.slope_x * way[1] - around.slope_y * way[0]
    lack = rise + slope * along + fall_across * across - surface.height_m
    gap_m = float(np.nanmax(_between(profile)))
    cell_m2 = surface.grid.cell_m**2
    hollow = near & (lack > 0.0)
    held = np.hypot(along - first, across) <= reach
    held |= np.hypot(along - second, across) <= reach
    above = (gap_m - limit_m) - lack
    ground = seen & held & (above > 0.0) if gap_m > limit_m else np.zeros_like(seen)
    return Mend(
        profile=profile,
        fill_m3=float(lack[hollow].sum()) * cell_m2,
        fill_m2=float(hollow.sum()) * cell_m2,
        grind_m3=float(above[ground].sum()) * cell_m2,
        grind_m2=float(ground.sum()) * cell_m2,
    )


def _between(profile: Profile) -> Array:
    """Gap between the contacts (n,) [m]; NaN beyond them."""
    first, second = profile.contacts_m
    inside = (profile.along_m >= first) & (profile.along_m <= second)
    return np.where(inside, profile.edge_m - profile.height_m, np.nan)
