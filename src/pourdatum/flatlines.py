"""Lines of levels for F-numbers and for free movement, read off a surface with their errors.

Lines run along the two main directions of the floor, 4 ft apart, with a level every foot, and
keep 2 ft away from whatever ends the slab (walls, columns, openings) and from the joints given;
each is at least 11 ft long (ASTM E1155, clause 7, from memory).

Levels a foot apart share points where the floor was smoothed widely. The kernel of a local
quadratic of Gaussian weights of width w is a Gaussian times 2 - r²/2w² (Fan and Gijbels 1996,
from memory); two of them at a distance d overlap by (1 - 0.8 p + 0.1 p²) exp(-p), p = d²/4w²,
by transforming its square.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.drift import LENGTHS_M
from pourdatum.fnumbers import SPACING_M, Line
from pourdatum.joints import Joint
from pourdatum.uncertainty import combined
from pourdatum.units import FOOT_M
from pourdatum.worstgap import judged

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

CLEAR_M: Final = 2.0 * FOOT_M
"""From walls, columns, openings and joints [m]."""
APART_M: Final = 4.0 * FOOT_M
"""From line to line [m]."""
LEAST_M: Final = 11.0 * FOOT_M
"""Length of a line, at least [m]."""
_ENDS: Final = frozenset({"movement", "isolation", "day"})
"""Joints that end a slab; saw-cuts and cracks do not."""


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

    From level to level, from line to line, clear of what ends the slab, and the least length.
    """

    spacing_m: float = SPACING_M
    apart_m: float = APART_M
    clear_m: float = CLEAR_M
    least_m: float = LEAST_M


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
    import shapely

    lay = lay or Lay()
    outline = surface.floor.outline
    inner = outline.buffer(-lay.clear_m)
    for joint in joints:
        if joint.kind in _ENDS:
            path = shapely.LineString(joint.points_m)
            inner = inner.difference(path.buffer(max(lay.clear_m, 1e-6)))
    if inner.is_empty:
        return []
    inner = inner.buffer(1e-6)
    shapely.prepare(inner)
    seen = judged(surface).astype(np.float64)
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))
    side = box[1] - box[0]
    first = math.atan2(side[0], side[1]) % (0.5 * math.pi)
    found = []
    for bearing in (first, first + 0.5 * math.pi):
        along = np.array([math.sin(bearing), math.cos(bearing)])
        across = np.array([-along[1], along[0]])
        u, v = box[:4] @ along, box[:4] @ across
        s = _even(u, lay.clear_m, lay.spacing_m)
        for t in _even(v, lay.clear_m, lay.apart_m):
            place = s[:, None] * along + t * across
            on = shapely.intersects_xy(inner, place[:, 0], place[:, 1])
            on &= surface.grid.at(seen, place) > 1.0 - 1e-9
            for run in np.split(np.arange(s.size), np.flatnonzero(np.diff(on)) + 1):
                if on[run[0]] and (run.size - 1) * lay.spacing_m >= lay.least_m - 1e-9:
                    line = line_at(surface, place[run])
                    found.append(FloorLine(line, place[run], bearing % math.pi))
    return found


def _even(reach: Array, clear_m: float, step_m: float) -> Array:
    """Steps that lie even between two ends, clear of both; none where there is no room."""
    room = float(np.ptp(reach)) - 2.0 * clear_m
    count = math.floor(room / step_m + 1e-9) if room >= 0.0 else -1
    first = float(reach.min()) + clear_m + 0.5 * (room - count * step_m)
    out: Array = first + step_m * np.arange(count + 1, dtype=np.float64)
    return out


def line_at(surface: Surface, place_m: Array) -> Line:
    """Levels at places along a line, with what they err by each and together.

    Parameters
    ----------
    surface : Surface
        Of a scan.
    place_m : (n, 2) array
        On floor that was seen [m].
    """
    assert surface.smoother is not None
    shares = surface.smoother.shares
    width = sum(
        share * (fit.bandwidth * surface.grid.cell_m)
        for share, fit in zip(shares, surface.smoother.fits, strict=True)
    )
    error = surface.grid.at(np.nan_to_num(surface.standard_error_m, posinf=0.0), place_m)
    wide = np.maximum(surface.grid.at(np.asarray(width), place_m), 1e-3)
    square = ((place_m[:, None] - place_m[None]) ** 2).sum(axis=2)
    near = square / (2.0 * np.add.outer(wide**2, wide**2))
    together: Array = np.multiply.outer(error, error)
    covariance: Array = together * overlap(near)
    warp_m = combined(surface.shared.warp_m, surface.floor.stations.bend_m)
    if warp_m:
        for length in LENGTHS_M:
            covariance += warp_m**2 / len(LENGTHS_M) * np.exp(-0.5 * square / length**2)
    return Line(surface.grid.at(np.nan_to_num(surface.height_m), place_m), 0.0, covariance)


def overlap(near: Array) -> Array:
    """Correlation of two local quadratics at the distance d, of p = d²/4w².

    Examples
    --------
    >>> overlap(np.array([0.0, 0.907])).round(3).tolist()
    [1.0, 0.144]
    """
    out: Array = (1.0 - 0.8 * near + 0.1 * near**2) * np.exp(-near)
    return out
