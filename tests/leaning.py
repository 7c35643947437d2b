"""A floor of 6 by 6 m as a scan shows it that leans, bends or is right, without any points."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.grid import Grid
from pourdatum.shots import Shot
from pourdatum.surface import Surface
from pourdatum.uncertainty import SENSORS, SharedError

Array = NDArray[np.float64]
SIDE_M = 6.0
SURFACE_M = 0.0003


def scanned(
    height: Callable[[Array, Array], Array],
    *,
    shared: SharedError = SENSORS["mobile"],
    z0_m: float = 0.0,
) -> Surface:
    """A surface of these local heights, in cells of 0.2 m that err by 0.3 mm."""
    n = round(SIDE_M / 0.2) + 4
    grid = Grid(-0.3, -0.3, 0.2, n, n)
    x, y = grid.mesh()
    outline = shapely.box(0.0, 0.0, SIDE_M, SIDE_M)
    inside = shapely.contains_xy(outline, x, y)
    floor: Any = SimpleNamespace(outline=outline)
    smoother: Any = None
    return Surface(
        grid, height(x, y), np.full(grid.shape, SURFACE_M), np.ones(grid.shape), inside,
        np.zeros_like(inside), shared, floor, (0.0, 0.0, z0_m), (), 36.0, 0.0, smoother,
        np.full(grid.shape, 0.005),
    )  # fmt: skip


def shots(places: Array, level: Array) -> list[Shot]:
    """Shots P1, P2, .. of these local levels, right to 0.5 mm."""
    rows = np.column_stack([places, level]).tolist()
    return [Shot(f"P{k}", (x, y), z, 0.0005) for k, (x, y, z) in enumerate(rows, 1)]


def plane_left(surface: Surface, true: Array) -> Array:
    """Plane through what is still wrong: level in the middle [m], slopes [m/m]."""
    x, y = surface.grid.mesh()
    inside = surface.measured
    left = (surface.height_m + surface.origin_m[2] - true)[inside]
    design = np.column_stack([np.ones(left.size), x[inside], y[inside]])
    design[:, 1:] -= design[:, 1:].mean(axis=0)
    return np.asarray(np.linalg.lstsq(design, left, rcond=None)[0], dtype=np.float64)
