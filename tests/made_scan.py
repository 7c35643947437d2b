"""Scans made from arrays, and points put by hand on floors, walls and things.

A simulated sensor sees in angles; here density and noise are what the test says, so
that its truth can be derived. ``made_scan`` turns any points into a ``Scan``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.chunks import PointStore
from pourdatum.floor import Floor, find_floor
from pourdatum.scan import LATTICE_M, ChunkRef, Frame, InputFile, Scan, Station
from pourdatum.surface import Surface, make_surface

Points = NDArray[np.float64]
Height = Callable[[Points, Points], Points]

NOISE_M = 0.0015
"""Scatter of one floor point, that of a tripod scanner [m]."""


def read_kept(path: str, start: int, count: int, details: Any) -> Points:
    """A reader for points kept in memory: ``details`` holds all of them."""
    rows: Points = details[start : start + count]
    return rows


def made_scan(
    points: Points | Sequence[Points],
    *,
    chunk: int | None = None,
    origin_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Scan:
    """A scan of points (n, 3) in site coordinates [m], or of one such array per station.

    Parameters
    ----------
    points : (n, 3) array, or a list of them
    chunk : int, optional
        Points in a chunk; default all of a station in one.
    origin_m : tuple of 3 floats
        Local origin, as a reader would choose it.
    """
    parts = [points] if isinstance(points, np.ndarray) else list(points)
    frame = Frame(origin_m=origin_m)
    stations = tuple(
        Station(
            f"set-up {number}",
            tuple(
                ChunkRef("made", start, min(chunk or len(part), len(part) - start), read_kept,
                         frame, part)
                for start in range(0, len(part), chunk or max(len(part), 1))
            ),
        )
        for number, part in enumerate(parts)
    )  # fmt: skip
    every = np.concatenate(parts) - np.asarray(origin_m)
    low, high = (tuple(map(float, end)) for end in (every.min(axis=0), every.max(axis=0)))
    inputs = (InputFile("made", "", len(every), "made", "m", "z"),)
    return Scan(inputs, stations, frame, low, high)


def store_of(points: Points | Sequence[Points], **how: Any) -> PointStore:
    """The points of a made scan; ``how`` as ``made_scan``."""
    return PointStore(made_scan(points, **how))


def floor_of(points: Points | Sequence[Points], **how: Any) -> Floor:
    """The floor found in points [m]; ``how`` as ``find_floor``."""
    return find_floor(made_scan(points), **how)


def surface_of(points: Points | Sequence[Points], **how: Any) -> Surface:
    """The surface of points [m]; ``how`` as ``find_floor``."""
    floor = floor_of(points, **how)
    return make_surface(floor.scan, floor)


def on_lattice(points: Points) -> Points:
    """Points moved to the campaign's lattice, so that no rounding depends on the origin."""
    return np.rint(points / LATTICE_M) * LATTICE_M


def flat(x: Points, y: Points) -> Points:
    """Height of a level floor at zero."""
    return np.zeros(np.broadcast(x, y).shape)


def carpet(
    where: shapely.Polygon,
    per_m2: float,
    rng: np.random.Generator,
    *,
    height: Height = flat,
    noise_m: float = NOISE_M,
) -> Points:
    """Floor points (n, 3) strewn evenly over a polygon; ``height`` in its coordinates."""
    x0, y0, x1, y1 = where.bounds
    n = round((x1 - x0) * (y1 - y0) * per_m2)
    x, y = rng.uniform(x0, x1, n), rng.uniform(y0, y1, n)
    inside = shapely.contains_xy(where, x, y)
    x, y = x[inside], y[inside]
    return np.column_stack([x, y, height(x, y) + noise_m * rng.standard_normal(x.size)])


def faces(
    where: shapely.Polygon,
    low_m: float,
    high_m: float,
    per_m2: float,
    rng: np.random.Generator,
    *,
    noise_m: float = NOISE_M,
) -> Points:
    """Points (n, 3) on upright faces along a polygon's outer ring, scattered across the face."""
    parts = []
    for start, end in pairwise(np.asarray(where.exterior.coords)):
        along = end - start
        length = float(np.hypot(*along))
        n = round(length * (high_m - low_m) * per_m2)
        across = noise_m * rng.standard_normal(n)
        place = start + rng.random(n)[:, None] * along
        place += across[:, None] * np.array([along[1], -along[0]]) / length
        parts.append(np.column_stack([place, rng.uniform(low_m, high_m, n)]))
    return np.concatenate(parts)


def thirty_waves(rng: np.random.Generator) -> Height:
    """A rough floor by formula: thirty waves of 0.6 to 6 m, each its own way."""
    turn, start, length = rng.uniform((0.0, 0.0, 0.6), (6.28, 6.28, 6.0), (30, 3)).T

    def rough(x: Points, y: Points) -> Points:
        along = np.multiply.outer(x, np.cos(turn)) + np.multiply.outer(y, np.sin(turn))
        waves: Points = np.sin(2.0 * np.pi / length * along + start)
        return waves @ (0.0003 * np.sqrt(length))

    return rough


def walled(
    room: shapely.Polygon,
    rng: np.random.Generator,
    *,
    per_m2: float = 2000.0,
    height: Height = flat,
    noise_m: float = NOISE_M,
    things: Sequence[tuple[shapely.Polygon, float]] = (),
    wall_m: float = 1.2,
    wall_per_m2: float = 1200.0,
) -> Points:
    """A room of floor, walls and things (footprint, height) that hide the floor below them."""
    hidden = shapely.union_all([shape for shape, _ in things])
    parts = [
        carpet(room.difference(hidden), per_m2, rng, height=height, noise_m=noise_m),
        faces(room, 0.0, wall_m, wall_per_m2, rng, noise_m=noise_m),
    ]
    for shape, top_m in things:
        parts.append(faces(shape, 0.0, top_m, wall_per_m2, rng, noise_m=noise_m))
        parts.append(carpet(shape, wall_per_m2, rng, height=lambda x, y, z=top_m: flat(x, y) + z))
    return np.concatenate(parts)
