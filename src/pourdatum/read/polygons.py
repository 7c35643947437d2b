"""Polygons and strips of a mesh become triangles, and no area is counted twice.

A fan from one corner is right for a convex polygon and wrong for an L: its triangles then
reach over the edge. The sum of their areas shows it, for no cut of a flat polygon has less
than its own area. Such polygons are fanned from a better corner, or cut ear by ear.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Corners = NDArray[np.int64]
Points = NDArray[np.float64]

_BLOCK: Final = 1 << 19
_EXCESS: Final = 1e-6
"""Share by which the triangles may exceed the polygon before another cut is tried."""
_MOST_APEXES: Final = 8
_TESTS_PER_CORNER: Final = 10
_MOST_WORK: Final = 100_000_000
"""Steps, about ten seconds, after which the concave polygons of a file are too many."""
_WORK_OF_A_TEST: Final = 200


def cut_polygons(groups: list[tuple[Corners, Corners]], vertices: Points) -> NDArray[np.int32]:
    """Triangles (t, 3) of polygons, in the order of the polygons in the file.

    Parameters
    ----------
    groups : list of (number, corners)
        Polygons with the same number n >= 3 of corners: number of each in the file (m,),
        and its corners (m, n), indices of vertices.
    vertices : (n, 3) float64 array

    Raises
    ------
    ValueError
        If concave polygons are too many, or too large, to be cut in decent time.

    Examples
    --------
    An L of six corners and 3 unit squares keeps its area:

    >>> ell = np.array([[0, 0, 0], [2, 0, 0], [2, 1, 0], [1, 1, 0], [1, 2, 0], [0, 2, 0.0]])
    >>> cut = cut_polygons([(np.array([0]), np.arange(6)[None])], ell)
    >>> a, b, c = (ell[cut[:, i]] for i in range(3))
    >>> float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
    3.0
    """
    cut: list[NDArray[np.int32]] = []
    order: list[Corners] = []
    work = _Work()
    for number, corners in groups:
        n = corners.shape[1]
        rows = max(1, _BLOCK // n)
        cut.extend(
            _cut(corners[at : at + rows], vertices, work).reshape(-1, 3)
            for at in range(0, len(corners), rows)
        )
        order.append(np.repeat(number, n - 2))
    if not cut:
        return np.empty((0, 3), np.int32)
    triangles = np.concatenate(cut)
    if len(groups) > 1:
        triangles = triangles[np.argsort(np.concatenate(order), kind="stable")]
    return triangles


def cut_strip(strip: NDArray[np.int64], restart: int | None = None) -> NDArray[np.int32]:
    """Triangles (t, 3) of a strip of corners; at ``restart`` a new strip begins.

    Examples
    --------
    >>> cut_strip(np.array([0, 1, 2, 3, -1, 4, 5, 6]), restart=-1).tolist()
    [[0, 1, 2], [2, 1, 3], [4, 5, 6]]
    """
    triangles = np.stack([strip[:-2], strip[1:-1], strip[2:]], axis=1)
    place = np.arange(len(strip))
    if restart is not None:
        ends = np.where(strip == restart, place, -1)
        place = place - np.maximum.accumulate(ends) - 1
    turned = place[: len(triangles)] % 2 == 1
    triangles[turned] = triangles[turned][:, [1, 0, 2]]
    if restart is not None:
        triangles = triangles[(triangles != restart).all(axis=1)]
    return triangles.astype(np.int32)


def _fan(n: int, apex: int) -> NDArray[np.int64]:
    """Places of the corners of the n - 2 triangles of a fan, (n - 2, 3)."""
    step = np.arange(1, n - 1)
    return np.asarray((apex + np.stack([0 * step, step, step + 1], axis=1)) % n)


class _Work:
    """What is left of the time that cutting may take, counted in steps to be the same anywhere."""

    def __init__(self) -> None:
        self._left = _MOST_WORK

    def spend(self, corners: int) -> None:
        """One test of an ear against so many corners."""
        self._left -= _WORK_OF_A_TEST + corners
        if self._left < 0:
            raise ValueError("its concave polygons are too many or too large to be cut")


def _cut(corners: Corners, vertices: Points, work: _Work) -> NDArray[np.int32]:
    """Triangles of polygons with the same number of corners, (m, n - 2, 3)."""
    n = corners.shape[1]
    best = corners[:, _fan(n, 0)].astype(np.int32)
    if n == 3:
        return best
    with np.errstate(invalid="ignore", over="ignore"):
        area, own = _areas(vertices, best)
        for apex in range(1, n if n <= _MOST_APEXES else 1):
            doubt = np.flatnonzero(area > own * (1 + _EXCESS))
            if doubt.size == 0:
                break
            other = corners[doubt][:, _fan(n, apex)].astype(np.int32)
            less = _areas(vertices, other)[0]
            better = less < area[doubt] * (1 - 1e-12)
            best[doubt[better]] = other[better]
            area[doubt[better]] = less[better]
        # A quad has no other cuts than its two fans.
        for row in np.flatnonzero(area > own * (1 + _EXCESS)) if n > 4 else ():
            ears = _ears(vertices[corners[row]], work)
            if ears is not None:
                other = corners[row][ears].astype(np.int32)
                if _areas(vertices, other[None])[0][0] < area[row]:
                    best[row] = other
    return best


def _areas(vertices: Points, triangles: NDArray[np.int32]) -> tuple[Points, Points]:
    """Twice the sum of the triangles' areas, and of the area they enclose, both (m,)."""
    first = vertices[triangles[:, :, 0]]
    across = np.cross(vertices[triangles[:, :, 1]] - first, vertices[triangles[:, :, 2]] - first)
    sum_ = np.sqrt((across**2).sum(axis=2)).sum(axis=1)
    return sum_, np.sqrt((across.sum(axis=1) ** 2).sum(axis=1))


def _ears(polygon: Points, work: _Work) -> NDArray[np.int64] | None:
    """Corners (n - 2, 3) of the triangles cut off one by one; ``None`` where none will go.

    A corner is an ear if it turns outwards and no other corner lies in its triangle
    (G. H. Meisters, "Polygons have ears", 1975; from memory).
    """
    flat = _flattened(polygon)
    if flat is None:
        return None
    left = list(range(len(flat)))
    found: list[tuple[int, int, int]] = []
    tests = _TESTS_PER_CORNER * len(flat)
    at = 0
    passed = 0
    while len(left) > 3:
        if passed >= len(left) or tests == 0:
            return None
        tests -= 1
        n = len(left)
        work.spend(n)
        a, b, c = left[at - 1], left[at % n], left[(at + 1) % n]
        if _is_ear(flat, a, b, c, left):
            found.append((a, b, c))
            del left[at % n]
            at = max(at - 1, 0)
            passed = 0
        else:
            at = (at + 1) % n
            passed += 1
    found.append((left[0], left[1], left[2]))
    return np.array(found, np.int64)


def _is_ear(flat: Points, a: int, b: int, c: int, left: list[int]) -> bool:
    corner = flat[[a, b, c]]
    if _turn(corner[0], corner[1], corner[2]) < 0.0:
        return False
    others = flat[left]
    # Corners that stand on the ear's own (a slit to a hole) do not lie in it.
    apart = (others[:, None, :] != corner[None]).any(axis=2).all(axis=1)
    others = others[apart]
    inside = np.ones(len(others), bool)
    for i in range(3):
        inside &= _turn(corner[i], corner[(i + 1) % 3], others) >= 0.0
    return not inside.any()


def _turn(a: Points, b: Points, c: Points) -> Points:
    """Twice the area of a, b, c: positive where they turn to the left."""
    return np.asarray((b[0] - a[0]) * (c[..., 1] - a[1]) - (b[1] - a[1]) * (c[..., 0] - a[0]))


def _flattened(polygon: Points) -> Points | None:
    """The polygon seen against its normal, (n, 2), turning to the left."""
    local = polygon - polygon[0]
    normal = np.cross(local, np.roll(local, -1, axis=0)).sum(axis=0)
    length = float(np.sqrt((normal**2).sum()))
    if not np.isfinite(length) or length == 0.0:
        return None
    normal = normal / length
    along = np.eye(3)[int(np.argmin(np.abs(normal)))]
    first = np.cross(along, normal)
    first /= np.sqrt((first**2).sum())
    return np.stack([local @ first, local @ np.cross(normal, first)], axis=1)
