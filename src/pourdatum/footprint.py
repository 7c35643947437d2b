"""The footprint of a column from the faces that were seen: rectangle or circle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

if TYPE_CHECKING:
    from shapely import Polygon

Array = NDArray[np.float64]

_LARGEST_UNSEEN_ARC: Final = np.radians(235.0)
_FITS_M: Final = 0.02
"""Root mean square distance up to which a shape lies on the places [m]."""
_ON_FACE_M: Final = 0.01
_SHORTEST_FACE_M: Final = 0.05
_APART: Final = 0.5
"""Share of a column's extent that two lines lie apart at least, if they are two faces."""
_WEAK: Final = 0.25
"""Share of a face's usual points below which a cell at its end is a stray."""
_FAINT: Final = 0.05
"""Share of the strongest face's points below which a line of places is no face."""
_WIDEST_GAP: Final = 0.7
"""Share of a line's length from which a gap in it says that it only crosses two faces."""
_MOST_POINTS: Final = 50.0
_CORNER_M: Final = 0.005
"""From a cell to a corner of the shape, up to which it may hold points of two faces [m]."""
_ROUNDS: Final = 3
_STRAY: Final = 0.25
"""Share of a face's usual points from which a cell at its end belongs to it."""
_AS_DENSE: Final = 0.3
"""Share of the densest face's points, per metre, from which the end of a face counts."""


def footprint(xy: Array, weight: Array, grid: Grid | None = None) -> Polygon | None:
    """Rectangle or circle through the faces of a column, whichever fits; None if neither.

    Parameters
    ----------
    xy : (n, 2) array
        Mean places of upright cells [m].
    weight : (n,) array
        Points behind each.
    grid : Grid, optional
        The cells whose mean places they are; without it they count as points of the faces.

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

    # A line through all places is made at once, and has the same hull.
    if len(xy) < 3 or shapely.LineString(xy).convex_hull.geom_type != "Polygon":
        return None
    capped = np.minimum(weight, _MOST_POINTS)
    places = shapely.points(xy)
    fits = []
    weight, count = capped, weight
    for shape in (_rectangle(xy, weight, count, grid), _circle(xy, weight, grid)):
        if shape is not None:
            off = np.minimum(shapely.distance(shape.exterior, places), 0.1)
            fits.append((float(np.sqrt(np.average(off**2, weights=weight))), shape))
    if not fits:
        return None
    error, best = min(fits, key=lambda item: item[0])
    return best if error < _FITS_M else None


def _rectangle(xy: Array, weight: Array, count: Array, grid: Grid | None) -> Polygon | None:
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
    limits = np.empty((2, 2))
    for axis in (0, 1):
        seen = [place for place, _, _ in faces[axis]]
        ends = [end for _, first, last in faces[1 - axis] for end in (first, last)]
        limits[axis] = _limits(min(seen), max(seen), min(ends), max(ends))
    if grid is not None:
        turn, limits = _laid_on_faces(xy, count, grid, turn, limits)
    (x0, x1), (y0, y1) = limits
    shape = shapely.Polygon(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ turn)
    return shape if shape.area > 0 else None


def _limits(first: float, last: float, low: float, high: float) -> tuple[float, float]:
    """From where to where a column reaches: its outermost faces, or the ends of those across.

    Examples
    --------
    >>> _limits(0.0, 0.4, -0.03, 0.42), _limits(0.0, 0.01, -0.03, 0.42)
    ((0.0, 0.4), (0.0, 0.42))
    """
    if last - first > _APART * (max(last, high) - min(first, low)):
        return first, last
    # One face was seen: the other lies where those across it end farthest from it.
    return (first, high) if high - last > first - low else (low, last)


def _laid_on_faces(
    xy: Array, count: Array, grid: Grid, turn: Array, limits: Array
) -> tuple[Array, Array]:
    """A rectangle's rows (2, 2) and limits (2, 2) as the cells of each face have them.

    A cell at a corner holds points of two faces, and its mean lies on neither: a face is the mean
    of the cells between. Where a face was not seen, those across it end there; the last cell's mean
    is the middle of the piece from where the face comes in to its end.
    """
    row, col = grid.cell_of(xy[:, 0], xy[:, 1])
    middle = np.column_stack([grid.x_m[0] + col * grid.cell_m, grid.y_m[0] + row * grid.cell_m])
    for _ in range(_ROUNDS):
        local = xy @ turn.T
        found, lean = limits.copy(), np.zeros(2)
        ends: list[list[list[tuple[float, float, float]]]] = [[[], []], [[], []]]
        seen = np.zeros((2, 2), bool)
        for axis in (0, 1):
            across, along = local[:, axis], local[:, 1 - axis]
            for side in (0, 1):
                place = limits[axis, side]
                chord = _chords(middle, 0.5 * grid.cell_m + _CORNER_M, turn, axis, place)
                on = np.abs(across - place) < _ON_FACE_M
                on &= chord[:, 1] > chord[:, 0]
                corner = np.zeros(len(xy), bool)
                for limit in limits[1 - axis]:
                    corner |= (chord[:, 0] <= limit) & (limit <= chord[:, 1])
                beside = (chord[:, 1] < limits[1 - axis, 0]) | (chord[:, 0] > limits[1 - axis, 1])
                own = np.flatnonzero(on & ~corner & ~beside)
                if own.size < 2:
                    continue
                seen[axis, side] = True
                mass = count[own]
                found[axis, side] = np.average(across[own], weights=mass)
                # Both pairs of faces turn together: one way for those across, the other along.
                off = along[own] - np.average(along[own], weights=mass)
                off *= -1.0 if axis == 0 else 1.0
                lean += (off * mass) @ np.column_stack([across[own] - found[axis, side], off])
                on = np.abs(across - found[axis, side]) < _ON_FACE_M
                for far, end in enumerate(_ends(along[on], count[on], chord[on])):
                    ends[1 - axis][far].append(end)
        for axis, far in zip(*np.nonzero(~seen), strict=True):
            if ends[axis][far]:
                found[axis, far] = _end(ends[axis][far], 1.0 if far else -1.0, grid.cell_m)
        limits = found
        if lean[1] > 0.0:
            turn, limits = _turned(turn, limits, float(lean[0] / lean[1]))
    return turn, limits


def _turned(turn: Array, limits: Array, angle: float) -> tuple[Array, Array]:
    """Rows turned by a small angle about the middle of the limits."""
    middle = limits.mean(axis=1)
    centre = middle @ turn
    cos, sin = np.cos(angle), np.sin(angle)
    out = np.array([[cos, sin], [-sin, cos]]) @ turn
    return out, limits + (out @ centre - middle)[:, None]


def _chords(middle: Array, half_m: float, turn: Array, axis: int, place: float) -> Array:
    """From where to where (n, 2), along it, a line at constant ``axis`` runs through squares."""
    normal, way = turn[axis], turn[1 - axis]
    low, high = np.full(len(middle), -np.inf), np.full(len(middle), np.inf)
    for k in (0, 1):
        off = middle[:, k] - place * normal[k]
        if abs(way[k]) < 1e-9:
            out = np.abs(off) > half_m
            low[out], high[out] = np.inf, -np.inf
            continue
        one, two = (off - half_m) / way[k], (off + half_m) / way[k]
        low, high = np.maximum(low, np.minimum(one, two)), np.minimum(high, np.maximum(one, two))
    return np.column_stack([low, high])


def _ends(along: Array, count: Array, chord: Array) -> list[tuple[float, float, float]]:
    """Where a face ends, low and high: place, points of the last cell, points per metre."""
    length = np.maximum(chord[:, 1] - chord[:, 0], 1e-9)
    usual = float(np.median(count / length))
    kept = count >= _STRAY * usual * length
    along, count, chord = along[kept], count[kept], chord[kept]
    found = []
    for far, sign in ((0, -1.0), (1, 1.0)):
        last = int(np.argmax(sign * chord[:, far]))
        entry, exit_ = chord[last, 1 - far] + sign * _CORNER_M, chord[last, far] - sign * _CORNER_M
        place = 2.0 * along[last] - entry
        place = sign * min(max(sign * place, sign * along[last]), sign * exit_)
        found.append((float(place), float(count[last]), usual))
    return found


def _end(ends: list[tuple[float, float, float]], sign: float, cell_m: float) -> float:
    """One end from those of several faces: their mean if they agree, else the farthest.

    Shade makes a face shorter; mixed points at its edge make one longer of which little was seen.
    """
    most = max(usual for _, _, usual in ends)
    sound = [(place, count) for place, count, usual in ends if usual >= _AS_DENSE * most]
    places = [place for place, _ in sound]
    if max(places) - min(places) < 0.5 * cell_m:
        return float(np.average(places, weights=[count for _, count in sound]))
    return sign * max(sign * place for place in places)


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


def _circle(xy: Array, weight: Array, grid: Grid | None) -> Polygon | None:
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
    if grid is not None:
        # A mean lies c² / 24 r inside an arc of chord c. Lines through squares of side a, as likely
        # as they are long, have 3 a² / pi on the mean of c² (Crofton: c³ has 3 (area)² / rim).
        radius += grid.cell_m**2 / (8.0 * np.pi * radius)
    turn = np.linspace(0, 2 * np.pi, 65)[:-1]
    # A polygon of 64 sides has 0.16 % less area than its circle; its radius makes up for it.
    radius *= np.sqrt(np.pi / (32 * np.sin(np.pi / 32)))
    return shapely.Polygon(
        centre + [a, b] + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    )
