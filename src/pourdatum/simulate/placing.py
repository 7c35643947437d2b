"""Where a careful surveyor would set up in a room, or walk through it."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.simulate.rays import cast
from pourdatum.simulate.scene import Scene
from pourdatum.simulate.sensor import Setup

Floats = NDArray[np.float64]

_WEIGHT_OF_HUMP: Final = 20.0


def free_to_stand(scene: Scene, clearance_m: float) -> shapely.Geometry:
    """The part of a room that keeps clear of walls and of all that stands in it."""
    solid = [thing.outline for thing in (*scene.columns, *scene.crates)]
    holes = [hole.shape.outline for hole in scene.holes]
    taken = shapely.union_all([outline.buffer(clearance_m) for outline in (*solid, *holes)])
    return scene.room.buffer(-clearance_m).difference(taken)


def place_stations(
    scene: Scene, count: int = 3, *, height_m: float = 1.5, clearance_m: float = 0.6
) -> tuple[Setup, ...]:
    """Set-ups that see as much of the floor as that many can, found one after another.

    Each next place is the one that lessens most the sum over the floor of
    1 / (0.1 + points received), the variance that heights will have, humps counting
    more; so far corners and shadows of crates get filled.

    Parameters
    ----------
    scene : Scene
    count : int
        Number of set-ups.
    height_m : float
        Height of the instrument over the floor.
    clearance_m : float
        Distance kept from walls and things.

    Raises
    ------
    JobError
        If nowhere is free.

    Notes
    -----
    Points received on a patch of floor at range r and incidence i go with cos(i)/r².
    """
    free = free_to_stand(scene, clearance_m)
    x, y = _net(free, max(0.5, np.sqrt(free.area) / 12))
    if x.size == 0:
        raise JobError(
            f"nowhere in the room is free by {clearance_m} m", where=scene.name,
            hint="give stations, or a smaller clearance",
        )  # fmt: skip
    tx, ty = _net(scene.floor, max(0.3, np.sqrt(scene.floor.area) / 24))
    weight = np.concatenate([np.ones(tx.size), np.full(len(scene.relief.humps), _WEIGHT_OF_HUMP)])
    tx = np.concatenate([tx, [hump.x_m for hump in scene.relief.humps]])
    ty = np.concatenate([ty, [hump.y_m for hump in scene.relief.humps]])
    target = np.stack([tx, ty, scene.relief.height(tx, ty)], axis=1)
    start = np.stack([x, y, scene.relief.height(x, y) + height_m], axis=1)
    way = (target[None] - start[:, None]).reshape(-1, 3)
    range_m = np.linalg.norm(way, axis=1)
    way /= range_m[:, None]
    met = cast(scene, np.repeat(start, len(target), axis=0), way)
    density = np.where(met.range_m > range_m - 0.02, -way[:, 2] / range_m**2, 0.0)
    density = density.reshape(len(start), len(target))
    density *= 1.0 / np.median(density[density > 0.0])
    received = np.zeros(len(target))
    chosen: list[Setup] = []
    for _ in range(count):
        best = int(np.argmin((1.0 / (0.1 + received + density)) @ weight))
        received = received + density[best]
        chosen.append((float(x[best]), float(y[best]), height_m))
    return tuple(chosen)


def walk_path(
    scene: Scene, *, height_m: float = 1.4, clearance_m: float = 0.7
) -> tuple[Setup, ...]:
    """Corners of a closed path once around a room, clear of walls and things.

    Raises
    ------
    JobError
        If no room is left to walk in.
    """
    free = free_to_stand(scene, clearance_m).buffer(-0.1).buffer(0.1)
    parts = [part for part in getattr(free, "geoms", [free]) if part.area > 0.5]
    if not parts:
        raise JobError(
            f"no path through the room is clear by {clearance_m} m", where=scene.name,
            hint="give the path, or a smaller clearance",
        )  # fmt: skip
    ring = max(parts, key=lambda part: part.area).exterior.simplify(0.05)
    return tuple((float(x), float(y), height_m) for x, y in list(ring.coords)[:-1])


def _net(area: shapely.Geometry, step_m: float) -> tuple[Floats, Floats]:
    if area.is_empty:
        return np.empty(0), np.empty(0)
    x0, y0, x1, y1 = area.bounds
    x, y = (
        v.ravel()
        for v in np.meshgrid(
            np.arange(x0 + step_m / 2, x1, step_m), np.arange(y0 + step_m / 2, y1, step_m)
        )
    )
    inside = shapely.contains_xy(area, x, y)
    return x[inside], y[inside]
