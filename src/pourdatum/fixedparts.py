"""What stands over a floor and stays when the floor is poured: walls, columns, ceiling, heads.

The floor is what changed, so nothing near it may pull when two scans are brought together. What is
kept are means of points in small cubes, each with the normal of the face it lies on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.block import split
from pourdatum.errors import NoFloor
from pourdatum.geometry import Plane, fit_plane
from pourdatum.grid import VoxelStats, merge, pack
from pourdatum.headedges import lower_edges
from pourdatum.optional import need
from pourdatum.passing import Progress, silent
from pourdatum.scan import LATTICE_M

if TYPE_CHECKING:
    from types import ModuleType

    from pourdatum.chunks import PointStore
    from pourdatum.levels import Level

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MARKS: Final = (
    "give three marks that both scans show (marks, under [registration] in the job, or --marks)"
)
"""What helps where nothing fixed holds two scans together."""
STAGE: Final = "walls and ceiling"
CLEAR_M: Final = 0.25
"""Height over the floor from which things are taken: thicker than a pour, and a skirting [m]."""
HEAD_M: Final = 1.8
"""Height over the floor from which level faces count: what lies lower may stand on the floor that
rises with the pour, a bench or a crate [m]; a choice."""
_HIGHEST_M: Final = 15.0
_CUBE_M: Final = (0.04, 0.25)
"""Least and greatest side of a cube [m]."""
_CUBES: Final = 250_000
"""Cubes, about, that a room is taken in."""
_AROUND: Final = 3.0
"""Cubes around each from which its normal is taken, in sides."""
_NEAREST: Final = 24
"""Cubes around each, at the most, that say where its face lies."""
_ON_FACE: Final = 0.5
"""Distance from a face within which a cube lies on it, in sides."""
_LEAST_CUBES: Final = 500
_UPRIGHT: Final = 0.2
"""Greatest part of a normal along the vertical by which a face is upright."""
_LEVEL: Final = 0.9


@dataclass(frozen=True, eq=False)
class FixedParts:
    """Means of points in cubes, with the normals of their faces.

    Attributes
    ----------
    place_m : (n, 3) array
        Local place [m].
    normal : (n, 3) array
        Unit normal of the face around it; its sign means nothing.
    cube_m : float
        Side of a cube [m].
    floor : Plane
        The coarse floor, local.
    middle_m : tuple of 3 floats
        Middle of that floor, on it [m].
    head_m : (k, 4) array
        Where upright faces end from below, over head height, with the standard error of that [m].
    """

    place_m: Array
    normal: Array
    cube_m: float
    floor: Plane
    middle_m: tuple[float, float, float]
    head_m: Array = field(default_factory=lambda: np.empty((0, 4)))

    @property
    def upright(self) -> Mask:
        """Cubes on upright faces (n,)."""
        out: Mask = np.abs(self.normal[:, 2]) < _UPRIGHT
        return out

    @property
    def level(self) -> Mask:
        """Cubes on level faces (n,): ceilings, heads, sills."""
        out: Mask = np.abs(self.normal[:, 2]) > _LEVEL
        return out

    @property
    def height_m(self) -> Array:
        """Height over the coarse floor (n,) [m]."""
        x, y, z = self.place_m.T
        out: Array = z - self.floor.at(x, y)
        return out


def fixed_parts(
    store: PointStore, level: Level, progress: Progress = silent, *, which: str = "the scan"
) -> FixedParts:
    """What stands over a floor.

    Parameters
    ----------
    store : PointStore
        Of a large scan a sample is enough: a face is the mean of thousands of points.
    level : Level
        Its coarse floor.
    progress : callable
    which : str
        What the scan is called in an error.

    Raises
    ------
    NoFloor
        If nothing to speak of stands over the floor.
    MissingExtra
        Without Open3D, which finds the normals.
    """
    o3d = need("open3d", purpose="bringing two scans together", extra="registration")
    sheet = level.sheet
    floor, _ = fit_plane(sheet.x_m, sheet.y_m, sheet.z_m)
    cube_m = _cube_m(level.area_m2)
    stats = store.sample().fold(
        partial(_summed, floor=floor, steps=round(cube_m / LATTICE_M)),
        merge,
        stage=STAGE,
        progress=progress,
    )
    if stats.key.size < _LEAST_CUBES:
        raise NoFloor(
            f"{which} shows nothing to speak of over the floor: {stats.key.size} cubes of"
            f" {cube_m * 100:.0f} cm, {_LEAST_CUBES} are needed",
            hint=f"scan walls, columns and ceiling as well, or {MARKS}",
            id="nothing-fixed",
        )
    place = _means(stats, round(cube_m / LATTICE_M))
    normal = _normals(place, cube_m, o3d)
    mean_above = place[:, 2] - floor.at(place[:, 0], place[:, 1])
    upright = np.abs(normal[:, 2]) < _UPRIGHT
    cube = np.stack(stats.indices(), axis=1)
    heads = lower_edges(cube, stats.count, place, upright, mean_above > HEAD_M, cube_m)
    place = _onto_faces(place, normal, stats.count, cube_m)
    above = place[:, 2] - floor.at(place[:, 0], place[:, 1])
    fixed = upright | (above > HEAD_M)
    place, normal = place[fixed], normal[fixed]
    x, y = float(np.median(sheet.x_m)), float(np.median(sheet.y_m))
    return FixedParts(place, normal, cube_m, floor, (x, y, float(floor.at(x, y))), heads)


def _cube_m(area_m2: float) -> float:
    """Side of a cube for a room of this size, on the lattice [m]."""
    # Floor and ceiling once each, and walls of 3 m around a square.
    faces_m2 = 2.0 * area_m2 + 12.0 * np.sqrt(area_m2)
    side = float(np.clip(np.sqrt(faces_m2 / _CUBES), *_CUBE_M))
    return round(side, 2)


def _summed(points: NDArray[np.int64], floor: Plane, steps: int) -> VoxelStats:
    x, y, z = points.T * LATTICE_M
    above = z - floor.at(x, y)
    (col, row, layer), offsets = split(
        points[(above > CLEAR_M) & (above < _HIGHEST_M)], steps, steps
    )
    return VoxelStats.of_points(pack(col, row, layer), offsets)


def _means(stats: VoxelStats, steps: int) -> Array:
    """Mean place of the points in each cube (n, 3) [m]."""
    corner = np.stack(stats.indices(), axis=1) * steps
    out: Array = (corner + (stats.sums / stats.count).T) * LATTICE_M
    return out


def _normals(place: Array, cube_m: float, o3d: ModuleType) -> Array:
    """Unit normals of the faces around each place (n, 3)."""
    cloud = as_cloud(place, o3d)
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(_AROUND * cube_m, 30))
    return np.asarray(cloud.normals, np.float64)


def _onto_faces(place: Array, normal: Array, count: NDArray[np.int64], cube_m: float) -> Array:
    """Places laid onto the face around each (n, 3) [m]: along its normal, weighted by points.

    A face that runs along the border of two layers of cubes is cut by it: the few points beyond
    have a mean of their own, which lies off the face, and as many cubes as the rest.
    """
    from scipy.spatial import cKDTree

    away, near = cKDTree(place).query(place, _NEAREST, distance_upper_bound=_AROUND * cube_m)
    there = np.isfinite(away)
    near = np.where(there, near, 0)
    alike = there & (np.abs(np.einsum("nkc,nc->nk", normal[near], normal)) > _LEVEL)
    off = np.einsum("nkc,nc->nk", place[near] - place[:, None], normal)
    weight = count[near] * (alike & (np.abs(off) < _ON_FACE * cube_m))
    mean = (weight * off).sum(axis=1) / np.maximum(weight.sum(axis=1), 1)
    out: Array = place + mean[:, None] * normal
    return out


def as_cloud(place: Array, o3d: ModuleType, normal: Array | None = None) -> Any:
    """Places (n, 3), with normals where given, as Open3D wants them."""
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.ascontiguousarray(place)))
    if normal is not None:
        cloud.normals = o3d.utility.Vector3dVector(np.ascontiguousarray(normal))
    return cloud
