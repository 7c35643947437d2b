"""Lines of levels for F-numbers and for free movement, read off a surface with their errors.

Lines for F-numbers run 4 ft apart, with a level every foot, and keep 2 ft away from whatever ends
the slab (walls, columns, openings) and from joints that do; each is at least 11 ft long. Where
that would leave out more than a quarter of a section, they need not keep away (ASTM E1155, clause
7, from memory; the lines of the worksheet in ``shared/e1155_worked_example.json`` reach the edges
of a pad of 3.36 m). In a section narrower than 25 ft they run at 45° to its longer side, else
along and across it (clause 8.2.3; as that worksheet quotes it, to 7.5 m).

Levels a foot apart share points where the floor was smoothed widely. The kernel of a local
quadratic of Gaussian weights of width w is a Gaussian times 2 - r²/2w² (Fan and Gijbels 1996,
from memory); two of them at a distance d overlap by (1 - 0.8 p + 0.1 p²) exp(-p), p = d²/4w²,
by transforming its square.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.driftguess import LENGTHS_M
from pourdatum.floorsections import ENDS_A_SLAB, FloorSection, main_way_rad, short_side_m
from pourdatum.fnumbers import SPACING_M, Line
from pourdatum.grid import filled_from_nearest
from pourdatum.joints import Joint
from pourdatum.judgedfloor import judged
from pourdatum.uncertainty import combined
from pourdatum.units import FOOT_M

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from pourdatum.surface import Surface

Array = NDArray[np.float64]

CLEAR_M: Final = 2.0 * FOOT_M
"""From walls, columns, openings and joints [m]."""
APART_M: Final = 4.0 * FOOT_M
"""From line to line [m]."""
LEAST_M: Final = 11.0 * FOOT_M
"""Length of a line, at least [m]."""
NARROW_M: Final = 7.5
"""Sections narrower than that have their lines at 45° to the longer side [m]."""
_MOST_LEFT_OUT: Final = 0.25
"""Share of a section beyond which lines need not keep away from its edges."""
_BETWEEN: Final = (1.0 / 12.0, 10.0 / 12.0, 1.0 / 12.0)
"""Weights of neighbouring nodes that flatten a wave by what reading between nodes does on average:
a triangle of one cell either way has a variance of a sixth of its square."""
ELSEWHERE: Final = tuple((k * 5 % 12 / 12.0, k / 12.0) for k in range(1, 12))
"""Shares of a step by which all lines are laid elsewhere, to see how much that matters; even over
both, each but once."""
_NEAR_M: Final = 0.15
"""How far they then keep, for a scan sees the foot of a wall poorly [m]; a choice."""


@dataclass(frozen=True, eq=False)
class FloorLine:
    """A line of levels and where it lies.

    Attributes
    ----------
    line : Line
        Levels with their errors.
    place_m : (n, 2) array
        Where each was taken, local plan [m].
    bearing_rad : float
        Clockwise from +y.
    """

    line: Line
    place_m: Array
    bearing_rad: float


@dataclass(frozen=True)
class Lay:
    """How lines are laid over a floor, in metres.

    From level to level, from line to line, clear of what ends the slab, the least length; and by
    which share of a step they are moved along and across.
    """

    spacing_m: float = SPACING_M
    apart_m: float = APART_M
    clear_m: float = CLEAR_M
    least_m: float = LEAST_M
    moved: tuple[float, float] = (0.0, 0.0)


def floor_lines(
    surface: Surface, joints: Sequence[Joint] = (), lay: Lay | None = None
) -> list[FloorLine]:
    """The lines of a floor; none where no line fits.

    Parameters
    ----------
    surface : Surface
        Of a scan, not of single levels.
    joints : sequence of Joint
        As given; those that end a slab are kept clear of.
    lay : Lay, optional
        Default as for F-numbers.
    """
    lay = lay or Lay()
    outline = surface.floor.outline
    first = main_way_rad(outline)
    return _laid(surface, _clear(outline, joints, lay.clear_m), first, lay)


def section_lines(
    surface: Surface,
    section: FloorSection,
    joints: Sequence[Joint] = (),
    moved: tuple[float, float] = (0.0, 0.0),
) -> list[FloorLine]:
    """The lines for F-numbers in one test section; none where no line fits.

    Parameters
    ----------
    surface : Surface
        Of a scan, not of single levels.
    section : FloorSection
    joints : sequence of Joint
    moved : tuple
        By which share of a step all lines lie elsewhere, along and across.
    """
    own = section.outline
    lay = Lay(moved=moved)
    room = _clear(surface.floor.outline, joints, lay.clear_m).intersection(own)
    if room.area < (1.0 - _MOST_LEFT_OUT) * own.area:
        lay = Lay(clear_m=_NEAR_M, moved=moved)
        room = _clear(surface.floor.outline, joints, lay.clear_m).intersection(own)
    first = main_way_rad(own)
    if short_side_m(own) < NARROW_M:
        first = (first + 0.25 * math.pi) % (0.5 * math.pi)
    return _laid(surface, room, first, lay)


def _clear(outline: Polygon, joints: Sequence[Joint], clear_m: float) -> BaseGeometry:
    """What is far enough from all that ends the slab."""
    import shapely

    inner = outline.buffer(-clear_m)
    for joint in joints:
        if joint.kind in ENDS_A_SLAB:
            path = shapely.LineString(joint.points_m)
            inner = inner.difference(path.buffer(max(clear_m, 1e-6)))
    return inner


def _laid(surface: Surface, room: BaseGeometry, first: float, lay: Lay) -> list[FloorLine]:
    """Lines in two directions, one at right angles to the other, wherever they fit in a room."""
    import shapely

    if room.is_empty:
        return []
    inner = room.buffer(1e-6)
    shapely.prepare(inner)
    seen = _fields(surface).seen
    corners = shapely.get_coordinates(room)
    found = []
    for bearing in (first, first + 0.5 * math.pi):
        along = np.array([math.sin(bearing), math.cos(bearing)])
        across = np.array([-along[1], along[0]])
        u, v = corners @ along, corners @ across
        s = _even(u, lay.spacing_m, lay.moved[0])
        for t in _even(v, lay.apart_m, lay.moved[1]):
            place = s[:, None] * along + t * across
            on = shapely.intersects_xy(inner, place[:, 0], place[:, 1])
            on &= surface.grid.at(seen, place) > 1.0 - 1e-9
            for run in np.split(np.arange(s.size), np.flatnonzero(np.diff(on)) + 1):
                if run.size and on[run[0]] and (run.size - 1) * lay.spacing_m >= lay.least_m - 1e-9:
                    line = line_at(surface, place[run])
                    found.append(FloorLine(line, place[run], bearing % math.pi))
    return found


def _even(reach: Array, step_m: float, moved: float) -> Array:
    """Steps that lie even between two ends, or moved from there by a share of a step.

    Examples
    --------
    >>> ends = np.array([0.0, 2.5])
    >>> _even(ends, 1.0, 0.0).tolist(), _even(ends, 1.0, 0.5).tolist()
    ([0.25, 1.25, 2.25], [0.75, 1.75])
    """
    room = float(np.ptp(reach))
    first = 0.5 * (room - math.floor(room / step_m + 1e-9) * step_m)
    if moved:
        first = (first + moved * step_m) % step_m
    count = math.floor((room - first) / step_m + 1e-9)
    out: Array = float(reach.min()) + first + step_m * np.arange(count + 1, dtype=np.float64)
    return out


@lru_cache(maxsize=3)  # F-numbers and free movement ask for the same.
def smoothed_again(surface: Surface) -> Surface:
    """The floor without what one more smoothing, and reading between nodes, takes from it."""
    from scipy.ndimage import convolve1d

    assert surface.smoother is not None
    known = np.isfinite(surface.height_m)
    if not known.any():
        return surface
    height = filled_from_nearest(np.where(known, surface.height_m, np.nan))
    again = surface.smoother.height(height)
    again = np.where(np.isfinite(again), again, height)
    for axis in (0, 1):
        again = convolve1d(again, _BETWEEN, axis=axis, mode="nearest")
    return replace(surface, height_m=np.where(known, again, np.nan))


def line_at(surface: Surface, place_m: Array) -> Line:
    """Levels at places along a line, with what they err by each and together.

    Parameters
    ----------
    surface : Surface
        Of a scan.
    place_m : (n, 2) array
        On floor that was seen [m].
    """
    fields = _fields(surface)
    error = surface.grid.at(fields.error_m, place_m)
    wide = np.maximum(surface.grid.at(fields.width_m, place_m), 1e-3)
    square = ((place_m[:, None] - place_m[None]) ** 2).sum(axis=2)
    near = square / (2.0 * np.add.outer(wide**2, wide**2))
    together: Array = np.multiply.outer(error, error)
    covariance: Array = together * overlap(near)
    warp_m = combined(surface.shared.warp_m, surface.floor.stations.bend_m)
    if warp_m:
        for length in LENGTHS_M:
            covariance += warp_m**2 / len(LENGTHS_M) * np.exp(-0.5 * square / length**2)
    return Line(surface.grid.at(fields.height_m, place_m), 0.0, covariance)


@dataclass(frozen=True, eq=False)
class _Fields:
    """What every line of a surface reads, node by node: where floor may be read, with what error.

    Widths are those of the fits [m].
    """

    seen: Array
    height_m: Array
    error_m: Array
    width_m: Array


@lru_cache(maxsize=4)  # Hundreds of lines are read off one large floor.
def _fields(surface: Surface) -> _Fields:
    assert surface.smoother is not None
    width = np.zeros(surface.grid.shape)
    for share, fit in zip(surface.smoother.shares, surface.smoother.fits, strict=True):
        width += share * (fit.bandwidth * surface.grid.cell_m)
    return _Fields(
        judged(surface).astype(np.float64),
        np.nan_to_num(surface.height_m),
        np.nan_to_num(surface.standard_error_m, posinf=0.0),
        width,
    )


def overlap(near: Array) -> Array:
    """Correlation of two local quadratics at the distance d, of p = d²/4w².

    Examples
    --------
    >>> overlap(np.array([0.0, 0.907])).round(3).tolist()
    [1.0, 0.144]
    """
    out: Array = (1.0 - 0.8 * near + 0.1 * near**2) * np.exp(-near)
    return out
