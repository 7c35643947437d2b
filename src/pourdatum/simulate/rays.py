"""Where a ray from an instrument first meets a scene.

Walls are upright segments, loose things turned blocks, round columns cylinders,
mortar blobs half ellipsoids, the ceiling a plane; the floor is its formula, met by
Newton steps from the hit on its plane. Work is done in pieces that fit the
processor's cache.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.simulate.scene import Blob, Block, Hole, Round, Scene

_PIECE: Final = 1 << 16
_NEWTON_STEPS: Final = 3
_CLOSE_M: Final = 1e-9

Floats = NDArray[np.float64]


class Hit(IntEnum):
    """What a ray met."""

    NOTHING = 0
    FLOOR = 1
    WALL = 2
    CEILING = 3
    LOOSE = 4
    COLUMN = 5
    OPENING = 6
    NIB = 7
    MIRRORED = 8
    SPECK = 9
    MIXED = 10


@dataclass(frozen=True, eq=False)
class Met:
    """First hits of n rays.

    Attributes
    ----------
    range_m : (n,) float64
        Distance from the origin; inf where nothing is met [m].
    what : (n,) uint8
        ``Hit`` values.
    cosine : (n,) float64
        Cosine of the angle between ray and surface normal.
    """

    range_m: Floats
    what: NDArray[np.uint8]
    cosine: Floats


class _Nearest:
    """The nearest hit so far of each ray of one piece."""

    def __init__(self, origin: Floats, way: Floats) -> None:
        self.ox, self.oy, self.oz = np.ascontiguousarray(origin.T)
        self.dx, self.dy, self.dz = np.ascontiguousarray(way.T)
        self.range_m = np.full(len(way), np.inf)
        self.what = np.zeros(len(way), np.uint8)
        self.cosine = np.ones(len(way))

    def offer(self, rays: NDArray[np.intp], range_m: Floats, cosine: Floats, what: Hit) -> None:
        """Take hits of the given rays where they are nearer."""
        nearer = (range_m > 1e-6) & (range_m < self.range_m[rays])
        rays = rays[nearer]
        self.range_m[rays] = range_m[nearer]
        self.cosine[rays] = np.broadcast_to(cosine, nearer.shape)[nearer]
        self.what[rays] = what

    def near(self, x: float, y: float, reach_m: float) -> NDArray[np.intp]:
        """Rays that pass a place in plan within a reach, ahead of their origin."""
        rx, ry = x - self.ox, y - self.oy
        flat2 = self.dx * self.dx + self.dy * self.dy
        aside = rx * self.dy - ry * self.dx
        ahead = rx * self.dx + ry * self.dy
        flat = np.sqrt(flat2)
        return np.flatnonzero(
            (np.abs(aside) <= reach_m * flat + 1e-12) & (ahead >= -reach_m * flat - 1e-12)
        )


def cast(scene: Scene, origin_m: Floats, way: Floats) -> Met:
    """Follow rays to what they meet first.

    Parameters
    ----------
    scene : Scene
    origin_m : (n, 3) float64
        Starts, local frame of the scene [m].
    way : (n, 3) float64
        Unit vectors.

    Returns
    -------
    Met
    """
    n = len(way)
    range_m, cosine = np.empty(n), np.empty(n)
    what = np.empty(n, np.uint8)
    for start in range(0, n, _PIECE):
        piece = slice(start, min(start + _PIECE, n))
        near = _Nearest(origin_m[piece], way[piece])
        _walls(near, scene)
        _ceiling(near, scene)
        for crate in scene.crates:
            floor_m = float(scene.relief.height(crate.x_m, crate.y_m))
            for block in crate.blocks(floor_m):
                _block(near, block, Hit.LOOSE)
        for column in scene.columns:
            if isinstance(column, Round):
                _cylinder(near, column)
            else:
                top = _top(scene)
                size = (column.length_m, column.width_m, column.turn_rad)
                _block(near, Block(column.x_m, column.y_m, *size, -math.inf, top), Hit.COLUMN)
        for blob in scene.blobs:
            _blob(near, blob, float(scene.relief.height(blob.x_m, blob.y_m)))
        _floor(near, scene)
        range_m[piece], what[piece], cosine[piece] = near.range_m, near.what, near.cosine
    return Met(range_m, what, cosine)


def _top(scene: Scene) -> float:
    return scene.wall_m if scene.ceiling_m is None else scene.ceiling_m


def _walls(near: _Nearest, scene: Scene) -> None:
    top = _top(scene)
    corners = scene.outline
    for number, (ax, ay) in enumerate(corners):
        bx, by = corners[(number + 1) % len(corners)]
        length = math.hypot(bx - ax, by - ay)
        ux, uy = (bx - ax) / length, (by - ay) / length
        # The room lies to the left of an anticlockwise wall: only rays leaving it can hit.
        across = near.dx * uy - near.dy * ux
        rays = np.flatnonzero(across > 1e-12)
        out = across[rays]
        rx, ry = ax - near.ox[rays], ay - near.oy[rays]
        t = (rx * uy - ry * ux) / out
        along = (near.ox[rays] + t * near.dx[rays] - ax) * ux
        along += (near.oy[rays] + t * near.dy[rays] - ay) * uy
        z = near.oz[rays] + t * near.dz[rays]
        good = (along >= 0.0) & (along <= length) & (z <= top)
        for door in scene.doors:
            if door.wall == number:
                x = ax + ux * (door.start_m + door.end_m) / 2
                y = ay + uy * (door.start_m + door.end_m) / 2
                head = float(scene.relief.height(x, y)) + door.head_m
                good &= (along < door.start_m) | (along > door.end_m) | (z > head)
        near.offer(rays[good], t[good], out[good], Hit.WALL)


def _ceiling(near: _Nearest, scene: Scene) -> None:
    if scene.ceiling_m is not None:
        rays = np.flatnonzero(near.dz > 1e-9)
        t = (scene.ceiling_m - near.oz[rays]) / near.dz[rays]
        inside = _in_room(near, scene, rays, t)
        near.offer(rays[inside], t[inside], near.dz[rays[inside]], Hit.CEILING)


def _block(near: _Nearest, block: Block, what: Hit) -> None:
    rays = near.near(block.x_m, block.y_m, math.hypot(block.length_m, block.width_m) / 2)
    cos, sin = math.cos(block.turn_rad), math.sin(block.turn_rad)
    ox, oy = near.ox[rays] - block.x_m, near.oy[rays] - block.y_m
    dx, dy = near.dx[rays], near.dy[rays]
    starts = (ox * cos + oy * sin, oy * cos - ox * sin, near.oz[rays])
    ways = (dx * cos + dy * sin, dy * cos - dx * sin, near.dz[rays])
    half = (block.length_m / 2, block.width_m / 2)
    bounds = ((-half[0], half[0]), (-half[1], half[1]), (block.low_m, block.high_m))
    enter, leave = np.full(rays.size, -np.inf), np.full(rays.size, np.inf)
    cosine = np.ones(rays.size)
    for start, way, (low, high) in zip(starts, ways, bounds, strict=True):
        # A ray along a face counts as just not along it: no division by nothing.
        safe = np.where(np.abs(way) < 1e-12, 1e-12, way)
        a, b = (low - start) / safe, (high - start) / safe
        first, last = np.minimum(a, b), np.maximum(a, b)
        later = first > enter
        enter = np.where(later, first, enter)
        cosine = np.where(later, np.abs(way), cosine)
        leave = np.minimum(leave, last)
    good = (enter <= leave) & (enter > 0.0)
    near.offer(rays[good], enter[good], cosine[good], what)


def _cylinder(near: _Nearest, column: Round) -> None:
    rays = near.near(column.x_m, column.y_m, column.radius_m)
    t, _, good = _circle_roots(near, rays, column.x_m, column.y_m, column.radius_m)
    nx = near.ox[rays] + t * near.dx[rays] - column.x_m
    ny = near.oy[rays] + t * near.dy[rays] - column.y_m
    cosine = np.abs(nx * near.dx[rays] + ny * near.dy[rays]) / column.radius_m
    near.offer(rays[good], t[good], cosine[good], Hit.COLUMN)


def _circle_roots(
    near: _Nearest, rays: NDArray[np.intp], x: float, y: float, radius: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Where rays enter and leave an upright cylinder, and whether they meet it."""
    ox, oy = near.ox[rays] - x, near.oy[rays] - y
    dx, dy = near.dx[rays], near.dy[rays]
    a = np.maximum(dx * dx + dy * dy, 1e-24)
    b = ox * dx + oy * dy
    square = b * b - a * (ox * ox + oy * oy - radius * radius)
    root = np.sqrt(np.maximum(square, 0.0))
    return (-b - root) / a, (-b + root) / a, square > 0.0


def _blob(near: _Nearest, blob: Blob, floor_m: float) -> None:
    half = blob.width_m / 2
    rays = near.near(blob.x_m, blob.y_m, half)
    scale = np.array([half, half, blob.height_m])
    o = (np.stack([near.ox[rays], near.oy[rays], near.oz[rays]], axis=1)
         - [blob.x_m, blob.y_m, floor_m]) / scale  # fmt: skip
    d = np.stack([near.dx[rays], near.dy[rays], near.dz[rays]], axis=1) / scale
    a, b = np.sum(d * d, axis=1), np.sum(o * d, axis=1)
    square = b * b - a * (np.sum(o * o, axis=1) - 1.0)
    t = (-b - np.sqrt(np.maximum(square, 0.0))) / a
    normal = (o + t[:, None] * d) / scale
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    cosine = np.abs(np.sum(normal * d * scale, axis=1))
    good = square > 0.0
    near.offer(rays[good], t[good], cosine[good], Hit.NIB)


def _floor(near: _Nearest, scene: Scene) -> None:
    relief = scene.relief
    fall = near.dz - relief.slope_x * near.dx - relief.slope_y * near.dy
    rays = np.flatnonzero(fall < -1e-4)
    over = near.oz[rays] - (
        relief.level_m + relief.slope_x * near.ox[rays] + relief.slope_y * near.oy[rays]
    )
    t = -over / fall[rays]
    # Only where the plane lies near or before the nearest hit can floor be met first.
    near_enough = t < near.range_m[rays] + 0.5 + _slack(scene) / -fall[rays]
    rays, t = rays[near_enough], t[near_enough]
    t, cosine, met = _newton(near, scene, rays, t)
    rays, t, cosine = rays[met], t[met], cosine[met]
    inside = _in_room(near, scene, rays, t)
    rays, t, cosine = rays[inside], t[inside], cosine[inside]
    first = rays[t < near.range_m[rays]]
    near.offer(rays, t, cosine, Hit.FLOOR)
    for hole in scene.holes:
        _into(near, hole, first)


def _in_room(near: _Nearest, scene: Scene, rays: NDArray[np.intp], t: Floats) -> NDArray[np.bool_]:
    """Whether places on rays lie within the outline: what left by a door does not come back."""
    if not scene.doors:
        return np.ones(rays.size, bool)
    x, y = near.ox[rays] + t * near.dx[rays], near.oy[rays] + t * near.dy[rays]
    return np.asarray(shapely.contains_xy(scene.room, x, y), bool)


def _slack(scene: Scene) -> float:
    """How far the floor may lie below or above its plane [m]."""
    relief = scene.relief
    return float(
        sum(abs(hump.height_m) for hump in relief.humps)
        + sum(abs(wave.amplitude_m) for wave in relief.waves)
        + sum(abs(ramp.rise_m) for ramp in relief.ramps)
    )


def _newton(
    near: _Nearest, scene: Scene, rays: NDArray[np.intp], t: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    ox, oy, oz = near.ox[rays], near.oy[rays], near.oz[rays]
    dx, dy, dz = near.dx[rays], near.dy[rays], near.dz[rays]
    left = np.arange(rays.size)
    zx, zy = np.zeros(rays.size), np.zeros(rays.size)
    met = np.zeros(rays.size, bool)
    for _ in range(_NEWTON_STEPS + 5):
        x, y = ox[left] + t[left] * dx[left], oy[left] + t[left] * dy[left]
        z, zx[left], zy[left] = scene.relief.height_and_slope(x, y)
        over = oz[left] + t[left] * dz[left] - z
        slope = dz[left] - zx[left] * dx[left] - zy[left] * dy[left]
        met[left] = np.abs(over) < _CLOSE_M
        # A ray that runs along a slope has no clear hit: it is left as not returned.
        going = ~met[left] & (slope < -1e-4)
        left = left[going]
        t[left] -= over[going] / slope[going]
        if left.size == 0:
            break
    cosine = np.abs(dz - zx * dx - zy * dy) / np.sqrt(1.0 + zx * zx + zy * zy)
    return t, cosine, met


def _into(near: _Nearest, hole: Hole, rays: NDArray[np.intp]) -> None:
    """Rays that met the floor where an opening is go on to its side or its bottom."""
    shape = hole.shape
    t = near.range_m[rays]
    x = near.ox[rays] + t * near.dx[rays] - shape.x_m
    y = near.oy[rays] + t * near.dy[rays] - shape.y_m
    if isinstance(shape, Round):
        inside = x * x + y * y < shape.radius_m**2
    else:
        cos, sin = math.cos(shape.turn_rad), math.sin(shape.turn_rad)
        inside = (np.abs(x * cos + y * sin) < shape.length_m / 2) & (
            np.abs(y * cos - x * sin) < shape.width_m / 2
        )
    rays = rays[inside & (near.what[rays] == Hit.FLOOR)]
    t = near.range_m[rays]
    bottom = hole.depth_m / -near.dz[rays] + t
    if isinstance(shape, Round):
        _, side, _ = _circle_roots(near, rays, shape.x_m, shape.y_m, shape.radius_m)
    else:
        side = np.full(rays.size, np.inf)
        for turn, half in ((0.0, shape.length_m / 2), (math.pi / 2, shape.width_m / 2)):
            cos, sin = math.cos(shape.turn_rad + turn), math.sin(shape.turn_rad + turn)
            start = (near.ox[rays] - shape.x_m) * cos + (near.oy[rays] - shape.y_m) * sin
            way = near.dx[rays] * cos + near.dy[rays] * sin
            way = np.where(np.abs(way) < 1e-12, 1e-12, way)
            side = np.minimum(side, (np.copysign(half, way) - start) / way)
    near.range_m[rays] = np.minimum(bottom, side)
    near.cosine[rays] = np.where(bottom < side, -near.dz[rays], np.sqrt(1.0 - near.dz[rays] ** 2))
    near.what[rays] = Hit.OPENING
