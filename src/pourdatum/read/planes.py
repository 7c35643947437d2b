"""The main planes of a sample, and whether they stand oblique to the file's axes.

A sensor that knows no vertical hands over floor and walls in its own tilted frame. Then
the scan is turned so that its floor lies across the third axis: its area and its flatness
can be had, its level cannot, since the turn rests on the floor itself.

Planes are found by consensus: many candidates, each from a small neighbourhood, are held
against all points, and the one that most lie on is fitted to them (the idea of Fischler
and Bolles, 1981, Communications of the ACM 24(6); from memory). The seed is fixed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.read.shape import all_shapes, within
from pourdatum.scan import Rotation

Array = NDArray[np.float64]

_VOXELS: Final = 70
"""Voxels along the longest side; one point of each counts, so that density does not."""
_TREE: Final = 30_000
_SEEDS: Final = 500
_NEAR: Final = 30
_THIN: Final = 0.15
"""Thickness of a neighbourhood, as a share of its width, up to which it is flat."""
_ON: Final = 1.0 / 200.0
"""Distance up to which points are on a plane, as a share of the longest side."""
_MOST: Final = 7
_LEAST_POINTS: Final = 2000
_SHARE: Final = 0.12
"""A plane counts that holds this share of the points of the largest."""
_SQUARE: Final = math.sin(math.radians(4.0))
_ALIGNED: Final = math.cos(math.radians(5.0))
_STEEP: Final = math.cos(math.radians(15.0))
"""No floor and no ramp is as steep as 15 degrees."""
_TOO_STEEP: Final = math.cos(math.radians(60.0))
_CLEARLY: Final = 1.4
_PLAINLY: Final = 0.4
"""Share of the plan that a level layer covers where nothing more need be looked at."""


@dataclass(frozen=True)
class Turned:
    """A turn that lays the floor across the third axis.

    Attributes
    ----------
    rotation : 3 rows of 3
        Plan x, plan y and up as unit vectors in the file's axes.
    tilt_deg : float
        Angle between the floor's upright and the file's axis that comes nearest to it.
    nearest : str
        That axis.
    """

    rotation: Rotation
    tilt_deg: float
    nearest: str


@dataclass(frozen=True, eq=False)
class _Plane:
    normal: Array
    points: int


def oblique_turn(sample: Array, usual: str | None, laid_down: bool) -> Turned | None:
    """The turn that a sample needs, None where one of the file's axes may be upright.

    Parameters
    ----------
    sample : (n, 3) array
        In one unit, any.
    usual : str, optional
        Axis that is upright by the format or the kind of file; z is taken without it.
    laid_down : bool
        Whether the format lays that down: then three planes at right angles must speak
        against it.
    """
    inside = within(sample)
    if len(inside) < _LEAST_POINTS:
        return None
    up = _unit_vector(usual or "z")
    level = next(s for s in all_shapes(inside) if s.axis == int(np.argmax(np.abs(up))))
    if level.area > _PLAINLY * level.long * level.short:
        return None
    planes = main_planes(inside)
    if not planes or _speaks_for(planes, up):
        return None
    families = _square_set(planes)
    steep = max(float(np.abs(p.normal).max()) for p in planes[:1]) < _STEEP
    if len(families) < (2 if steep and not laid_down else 3):
        leans = abs(float(planes[0].normal @ up))
        if len(families) > 1 or laid_down or not _TOO_STEEP < leans < _STEEP:
            return None
        floor = planes[0].normal
    else:
        first, second = families[:2]
        frame = np.stack([first, second, np.cross(first, second)])
        floor = frame[_floor_axis(inside @ frame.T, frame @ up)]
        if np.abs(floor).max() > _ALIGNED:
            return None
    floor = floor if floor @ up > 0 or (floor @ up == 0 and floor.sum() > 0) else -floor
    axis = int(np.argmax(np.abs(floor)))
    name = ("" if floor[axis] > 0 else "-") + "xyz"[axis]
    return Turned(_rows(floor), math.degrees(math.acos(min(1.0, abs(floor[axis])))), name)


def _speaks_for(planes: Sequence[_Plane], up: Array) -> bool:
    """Whether a level plane lies across an axis, or walls of two directions stand along it."""
    if any(abs(float(p.normal @ up)) > _ALIGNED for p in planes):
        return True
    for k, one in enumerate(planes):
        for other in planes[k + 1 :]:
            both = np.cross(one.normal, other.normal)
            length = float(np.linalg.norm(both))
            if length > 0.5 and abs(float(both @ up)) / length > _ALIGNED:
                return True
    return False


def _square_set(planes: Sequence[_Plane]) -> list[Array]:
    """Normals at right angles to one another, of the largest planes first."""
    kept: list[Array] = []
    for plane in planes:
        if all(abs(float(plane.normal @ other)) < _SQUARE for other in kept):
            kept.append(plane.normal)
    if len(kept) >= 2:  # exactly at right angles, the largest as it is
        kept[1] = kept[1] - (kept[1] @ kept[0]) * kept[0]
        kept[1] = kept[1] / np.linalg.norm(kept[1])
    return kept[:3]


def _floor_axis(turned: Array, cosines: Array) -> int:
    """Which of three square directions is upright: the largest layer, else that nearest up."""
    areas = np.array([shape.area for shape in all_shapes(turned)])
    best = np.flatnonzero(areas * _CLEARLY > areas.max())
    return int(best[np.argmax(np.abs(cosines[best]))])


def _rows(up: Array) -> Rotation:
    """Plan x along the file's x as far as it is level, plan y, up; right-handed."""
    along = np.eye(3)[0 if abs(up[0]) < 0.9 else 1]
    x = along - (along @ up) * up
    x /= np.linalg.norm(x)
    rows = np.stack([x, np.cross(up, x), up])
    a, b, c = ((float(r[0]), float(r[1]), float(r[2])) for r in rows)
    return a, b, c


def _unit_vector(name: str) -> Array:
    return np.asarray(np.eye(3)["xyz".index(name[-1])] * (-1.0 if name.startswith("-") else 1.0))


def main_planes(inside: Array) -> list[_Plane]:
    """The largest planes of a sample, largest first.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> floor = rng.uniform(0, 1, (5000, 3)) * [6.0, 4.0, 0.0]
    >>> [np.abs(p.normal).round(3).tolist() for p in main_planes(floor)]
    [[0.0, 0.0, 1.0]]
    """
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(0)
    middle = inside.mean(axis=0)
    points = inside - middle
    side = float(np.ptp(points, axis=0).max())
    if side <= 0.0:
        return []
    key = np.floor(points / (side / _VOXELS)).astype(np.int64) @ np.array([1, 1000, 1_000_000])
    thin = points[np.unique(key, return_index=True)[1]]
    some = points[:: -(-len(points) // _TREE)]
    seeds = thin[rng.permutation(len(thin))[:_SEEDS]]
    _, near = cKDTree(some).query(seeds, k=min(_NEAR, len(some)))
    around = some[near]
    around = around - around.mean(axis=1, keepdims=True)
    values, vectors = np.linalg.eigh(np.einsum("nki,nkj->nij", around, around))
    flat = values[:, 0] < _THIN**2 * np.maximum(values[:, 1], 1e-30)
    normals, offsets = vectors[flat, :, 0], np.einsum("ni,ni->n", seeds[flat], vectors[flat, :, 0])
    found: list[_Plane] = []
    for _ in range(_MOST):
        if len(thin) < 50 or len(normals) == 0:
            break
        score = (np.abs(thin @ normals.T - offsets) < _ON * side).sum(axis=0)
        best = int(np.argmax(score))
        normal, offset = normals[best], float(offsets[best])
        for _ in range(4):
            on = np.abs(thin @ normal - offset) < _ON * side
            if on.sum() < 20:
                break
            centre = thin[on].mean(axis=0)
            normal = np.linalg.svd(thin[on] - centre, full_matrices=False)[2][2]
            offset = float(normal @ centre)
        on = np.abs(thin @ normal - offset) < _ON * side
        count = int(on.sum())
        if count < 20 or (found and count < _SHARE * found[0].points):
            break
        found.append(_Plane(normal, count))
        thin = thin[np.abs(thin @ normal - offset) > 2.0 * _ON * side]
        # What the plane itself proposed is spent.
        left = np.abs(normals @ normal) < math.cos(math.radians(5.0))
        left |= np.abs(offsets - np.sign(normals @ normal) * offset) > 2.0 * _ON * side
        normals, offsets = normals[left], offsets[left]
    return sorted(found, key=lambda plane: -plane.points)
