"""The footprint of a column from the faces that were seen: rectangle or circle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]

_LARGEST_UNSEEN_ARC: Final = np.radians(235.0)
_FITS_M: Final = 0.02
"""Root mean square distance up to which a shape lies on the places [m]."""
_ON_FACE_M: Final = 0.01
_SHORTEST_FACE_M: Final = 0.05
_SAME_LINE_M: Final = 0.03
_WEAK: Final = 0.25
"""Share of a face's usual points below which a cell at its end is a stray."""
_FAINT: Final = 0.05
"""Share of the strongest face's points below which a line of places is no face."""
_WIDEST_GAP: Final = 0.7
"""Share of a line's length from which a gap in it says that it only crosses two faces."""
_MOST_POINTS: Final = 50.0


def footprint(xy: Array, weight: Array) -> Polygon | None:
    """Rectangle or circle through the faces of a column, whichever fits; None if neither.

    Parameters
    ----------
    xy : (n, 2) array
        Mean places of upright cells [m].
    weight : (n,) array
        Points behind each.

    Examples
    --------
    Three faces of a column of 0.4 by 0.3 m, the fourth unseen:

    >>> t = np.linspace(0, 1, 20)
    >>> sides = np.c_[0.4 * t, 0 * t], np.c_[0 * t, 0.3 * t], np.c_[0.4 + 0 * t, 0.3 * t]
    >>> xy = np.concatenate(sides)
    >>> round(footprint(xy, np.ones(60)).area, 2)
    0.12
    """
    import shapely

    if shapely.MultiPoint(xy).convex_hull.geom_type != "Polygon":
        return None
    weight = np.minimum(weight, _MOST_POINTS)
    places = shapely.points(xy)
    fits = []
    for shape in (_rectangle(xy, weight), _circle(xy, weight)):
        if shape is not None:
            off = np.minimum(shapely.distance(shape.exterior, places), 0.1)
            fits.append((float(np.sqrt(np.average(off**2, weights=weight))), shape))
    if not fits:
        return None
    error, best = min(fits, key=lambda item: item[0])
    return best if error < _FITS_M else None


def _rectangle(xy: Array, weight: Array) -> Polygon | None:
    """Rectangle along the strongest face; a face not seen lies where those across it end.

    The box around two faces is turned towards their diagonal, and a stray cell moves any
    box: so direction and limits come from dense lines of places.
    """
    import shapely

    turn = _direction(xy, weight)
    if turn is None:
        return None
    local = xy @ turn.T
    faces = [_faces(local[:, axis], local[:, 1 - axis], weight) for axis in (0, 1)]
    if not faces[0] or not faces[1]:
        return None
    limits = []
    for axis in (0, 1):
        seen = [place for place, _, _ in faces[axis]]
        ends = [end for _, first, last in faces[1 - axis] for end in (first, last)]
        low, high = min(seen + ends), max(seen + ends)
        # A face says better where it is than the ends of those across it.
        for place in seen:
            low = place if abs(place - low) < _SAME_LINE_M else low
            high = place if abs(place - high) < _SAME_LINE_M else high
        limits.append((low, high))
    (x0, x1), (y0, y1) = limits
    shape = shapely.Polygon(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ turn)
    return shape if shape.area > 0 else None


def _direction(xy: Array, weight: Array) -> Array | None:
    """Rows along and across the line that holds most points, (2, 2)."""
    most, chosen = 0.0, np.empty(0, np.int64)
    for angle in np.radians(np.arange(0.0, 180.0, 1.0)):
        across = xy @ np.array([-np.sin(angle), np.cos(angle)])
        own, total = _densest(across, weight, _ON_FACE_M)
        if total > most:
            most, chosen = total, own
    if chosen.size < 4:
        return None
    d = xy[chosen] - np.average(xy[chosen], axis=0, weights=weight[chosen])
    _, vectors = np.linalg.eigh((d * weight[chosen, None]).T @ d)
    u = vectors[:, 1]
    return np.stack([u, [-u[1], u[0]]])


def _faces(across: Array, along: Array, weight: Array) -> list[tuple[float, float, float]]:
    """Dense lines at constant ``across``: place, and first and last place along."""
    found = []
    left = np.ones(across.size, bool)
    for _ in range(4):
        index = np.flatnonzero(left)
        if index.size < 3:
            break
        near, _ = _densest(across[index], weight[index], 2 * _ON_FACE_M)
        own = index[near]
        left[own] = False
        if own.size < 3 or np.ptp(along[own]) < _SHORTEST_FACE_M:
            continue
        place = float(np.average(across[own], weights=weight[own]))
        own = own[np.argsort(along[own])]
        strong = np.flatnonzero(weight[own] >= _WEAK * np.median(weight[own]))
        own = own[strong[0] : strong[-1] + 1]
        # A line across two faces meets each in a spot or two, and holds nothing between.
        if np.diff(along[own]).max(initial=0.0) > _WIDEST_GAP * np.ptp(along[own]):
            continue
        ends = float(along[own[0]]), float(along[own[-1]])
        found.append((place, *ends, float(weight[own].sum())))
    top = max((face[3] for face in found), default=0.0)
    return [(place, low, high) for place, low, high, mass in found if mass > _FAINT * top]


def _densest(value: Array, weight: Array, width: float) -> tuple[NDArray[np.int64], float]:
    """Members of the window of given width that holds most weight, and that weight."""
    order = np.argsort(value, kind="stable")
    ordered = value[order]
    total = np.concatenate([[0.0], np.cumsum(weight[order])])
    upto = np.searchsorted(ordered, ordered + width, side="right")
    held = total[upto] - total[:-1]
    k = int(np.argmax(held))
    return order[k : upto[k]], float(held[k])


def _circle(xy: Array, weight: Array) -> Polygon | None:
    import shapely

    # Kasa's algebraic fit: x² + y² = 2 a x + 2 b y + c is linear in a, b, c.
    centre = np.average(xy, axis=0, weights=weight)
    d = xy - centre
    root = np.sqrt(weight)
    matrix = np.column_stack([2 * d, np.ones(len(d))]) * root[:, None]
    (a, b, c), *_ = np.linalg.lstsq(matrix, (d**2).sum(axis=1) * root, rcond=None)
    radius = np.sqrt(max(c + a**2 + b**2, 0.0))
    if not 0.03 < radius < 1.5:
        return None
    bearing = np.sort(np.arctan2(d[:, 1] - b, d[:, 0] - a))
    if np.diff(bearing, append=bearing[0] + 2 * np.pi).max() > _LARGEST_UNSEEN_ARC:
        return None  # two faces of a square column lie near a large circle too
    turn = np.linspace(0, 2 * np.pi, 65)[:-1]
    # A polygon of 64 sides has 0.16 % less area than its circle; its radius makes up for it.
    radius *= np.sqrt(np.pi / (32 * np.sin(np.pi / 32)))
    return shapely.Polygon(
        centre + [a, b] + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    )
