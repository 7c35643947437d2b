"""What is true of a scene: integrated from its formula, never from points.

Areas, volumes and levels are integrals refined to a millionth; high and low
points are those of 100 mm squares that lie wholly on the floor. Places and levels
are in site coordinates, in the true vertical.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.simulate.patch import Patch, highest_patch
from pourdatum.simulate.quadrature import integrate
from pourdatum.simulate.scene import Place, Round, Scene
from pourdatum.units import MM

TRUTH_SCHEMA: Final = "pourdatum.truth/1"


@dataclass(frozen=True)
class LevelTruth:
    """Fill up to one level plane: where floor lies above it nothing counts."""

    z_m: float
    volume_l: float
    """Volume between the level and the floor below it [l]."""
    mean_depth_mm: float
    """Volume over the whole area [mm]."""


@dataclass(frozen=True)
class Truth:
    """The answers for one scene; keys carry their unit, as in ``result.json``.

    Attributes
    ----------
    area_m2 : float
        Outline without columns and openings; floor beneath loose things included.
    high_z_m, high_place
        Greatest mean level of an axis-parallel 100 mm square, and its centre.
    high_turned_z_m : float
        The same where the square may also lie along any of the walls.
    low_z_m, mean_z_m, range_mm
        Least square, mean over the area, and high less low.
    slope_mm_per_m, slope_bearing_deg
        Of the least-squares plane over the area; downhill, clockwise from +y.
    least_mm : float
        Least depth over the high point that ``datum`` is stated for.
    datum : LevelTruth
        The high-point datum.
    levels : tuple of LevelTruth
        The levels asked for.
    openings, columns, humps, crates, nibs : tuple of dict
        What there is, with places, sizes and heights.
    scan : dict
        How it was scanned: ``Shot.record``; empty until then.
    """

    name: str
    description: str
    area_m2: float
    outline: tuple[Place, ...]
    high_z_m: float
    high_place: Place
    high_turned_z_m: float
    low_z_m: float
    low_place: Place
    mean_z_m: float
    range_mm: float
    slope_mm_per_m: float
    slope_bearing_deg: float
    least_mm: float
    datum: LevelTruth
    levels: tuple[LevelTruth, ...]
    openings: tuple[dict[str, Any], ...]
    columns: tuple[dict[str, Any], ...]
    humps: tuple[dict[str, Any], ...]
    crates: tuple[dict[str, Any], ...]
    nibs: tuple[dict[str, Any], ...]
    ceiling_z_m: float | None
    polished: bool
    scan: dict[str, Any] = field(default_factory=dict)


def scene_truth(
    scene: Scene,
    levels: Iterable[float] = (),
    *,
    least_m: float = 0.002,
    relative: float = 1e-6,
) -> Truth:
    """Work out what is true of a scene.

    Parameters
    ----------
    scene : Scene
    levels : iterable of float
        Levels on the site, in the true vertical, to integrate the fill to [m].
    least_m : float
        Least depth over the high point for the high-point datum [m].
    relative : float
        Error allowed in each integral, as a share of it.

    Returns
    -------
    Truth

    Raises
    ------
    JobError
        If the least depth is negative or no 100 mm square fits.
    """
    if not least_m >= 0.0:
        raise JobError(
            f"least depth is {least_m * MM} mm", where="scene_truth", hint="give 0 or more"
        )
    x_site, y_site, z_site = scene.site_m
    high, turned_m = _tops(scene)
    low = highest_patch(scene.floor, lambda x, y: -scene.relief.height(x, y))
    datum_m = high.height_m + least_m
    local_levels = np.array([datum_m, *(float(level) - z_site for level in levels)])
    area, moments, volumes = _integrals(scene, local_levels, relative)
    mean_m, slope_x, slope_y = _plane(area, moments)
    fills = _fills(scene, local_levels, area, volumes)
    return Truth(
        name=scene.name,
        description=scene.description,
        area_m2=area,
        outline=tuple((x + x_site, y + y_site) for x, y in scene.outline),
        high_z_m=high.height_m + z_site,
        high_place=(high.x_m + x_site, high.y_m + y_site),
        high_turned_z_m=turned_m + z_site,
        low_z_m=-low.height_m + z_site,
        low_place=(low.x_m + x_site, low.y_m + y_site),
        mean_z_m=mean_m + z_site,
        range_mm=(high.height_m + low.height_m) * MM,
        slope_mm_per_m=math.hypot(slope_x, slope_y) * MM,
        slope_bearing_deg=math.degrees(math.atan2(-slope_x, -slope_y)) % 360.0,
        least_mm=least_m * MM,
        datum=fills[0],
        levels=fills[1:],
        ceiling_z_m=None if scene.ceiling_m is None else scene.ceiling_m + z_site,
        polished=scene.polished,
        **_things(scene),
    )


@dataclass(frozen=True)
class Top:
    """The highest floor of a scene, as in ``Truth``, and nothing else of it."""

    high_z_m: float
    high_place: Place
    high_turned_z_m: float


def highest_floor(scene: Scene) -> Top:
    """Where a scene is highest: a fifth of the work of ``scene_truth``."""
    x_site, y_site, z_site = scene.site_m
    high, turned_m = _tops(scene)
    place = high.x_m + x_site, high.y_m + y_site
    return Top(high.height_m + z_site, place, turned_m + z_site)


def true_fills(
    scene: Scene, levels: Iterable[float], *, relative: float = 1e-6
) -> tuple[float, tuple[LevelTruth, ...]]:
    """Area [m²] and the fill to levels, as in ``Truth``, without its high and low places."""
    local_levels = np.array([float(level) - scene.site_m[2] for level in levels])
    area, _, volumes = _integrals(scene, local_levels, relative)
    return area, _fills(scene, local_levels, area, volumes)


def _tops(scene: Scene) -> tuple[Patch, float]:
    """The highest axis-parallel square, and the level of the highest along any wall, local."""
    high = highest_patch(scene.floor, scene.relief.height)
    return high, max(patch.height_m for patch in (high, *_along_walls(scene)))


def _fills(
    scene: Scene, levels_m: NDArray[np.float64], area_m2: float, volumes: NDArray[np.float64]
) -> tuple[LevelTruth, ...]:
    return tuple(
        LevelTruth(float(z) + scene.site_m[2], float(v) * MM, float(v) / area_m2 * MM)
        for z, v in zip(levels_m, volumes, strict=True)
    )


def truth_json(truth: Truth, **more: Any) -> str:
    """A truth as JSON text, numbers in full, with further keys where given."""
    whole = {"schema": TRUTH_SCHEMA, **asdict(truth), **more}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _integrals(
    scene: Scene, levels_m: NDArray[np.float64], relative: float
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Area, moments (x, y, xx, xy, yy, z, xz, yz about the middle) and volumes to levels."""
    cx, cy = scene.room.centroid.coords[0]

    def integrand(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        z = scene.relief.height(x, y)
        u, v = x - cx, y - cy
        moments = [np.ones_like(x), u, v, u * u, u * v, v * v, z, u * z, v * z]
        return np.stack([*moments, *(np.maximum(level - z, 0.0) for level in levels_m)])

    room = scene.room
    circles = []
    for cut in scene.cuts:
        if isinstance(cut, Round):
            circles.append((cut.x_m, cut.y_m, cut.radius_m))
        else:
            room = room.difference(cut.outline)
    least = min([hump.radius_m for hump in scene.relief.humps], default=1.0)
    values = integrate(
        room, circles, integrand, relative=relative, start_m=max(0.05, min(0.25, least / 2))
    )
    moments = values[1:9].copy()
    return float(values[0]), moments, values[9:]


def _plane(area: float, moments: NDArray[np.float64]) -> tuple[float, float, float]:
    """Mean height and the slopes of the least-squares plane over the area."""
    sx, sy, sxx, sxy, syy, sz, sxz, syz = moments
    normal = np.array([[area, sx, sy], [sx, sxx, sxy], [sy, sxy, syy]])
    _, slope_x, slope_y = np.linalg.solve(normal, np.array([sz, sxz, syz]))
    return float(sz / area), float(slope_x), float(slope_y)


def _along_walls(scene: Scene) -> list[Patch]:
    corners = np.asarray(scene.outline)
    sides = np.roll(corners, -1, axis=0) - corners
    turns = np.arctan2(sides[:, 1], sides[:, 0]) % (math.pi / 2)
    # A square turned by a right angle is the same square; near-equal walls count once.
    different = sorted({round(float(turn), 6) for turn in turns} - {0.0, round(math.pi / 2, 6)})
    return [highest_patch(scene.floor, scene.relief.height, turn) for turn in different]


def _things(scene: Scene) -> dict[str, Any]:
    x0, y0, _ = scene.site_m

    def at(x: float, y: float) -> list[float]:
        return [x + x0, y + y0]

    return {
        "openings": tuple(
            {
                "place": at(hole.shape.x_m, hole.shape.y_m),
                "area_m2": hole.shape.area_m2,
                "depth_mm": hole.depth_m * MM,
                "shape": "round" if isinstance(hole.shape, Round) else "square",
            }
            for hole in scene.holes
        ),
        "columns": tuple(
            {
                "place": at(column.x_m, column.y_m),
                "area_m2": column.area_m2,
                "shape": "round" if isinstance(column, Round) else "square",
            }
            for column in scene.columns
        ),
        "humps": tuple(
            {
                "place": at(hump.x_m, hump.y_m),
                "height_mm": hump.height_m * MM,
                "radius_m": hump.radius_m,
                "shape": hump.shape,
                "volume_l": hump.volume_m3 * MM,
            }
            for hump in scene.relief.humps
        ),
        "crates": tuple(
            {
                "place": at(crate.x_m, crate.y_m),
                "area_m2": crate.outline.intersection(scene.room).area,
                "height_mm": crate.height_m * MM,
                "legs": crate.legs,
            }
            for crate in scene.crates
        ),
        "nibs": tuple(
            {
                "place": at(blob.x_m, blob.y_m),
                "width_mm": blob.width_m * MM,
                "height_mm": blob.height_m * MM,
            }
            for blob in scene.blobs
        ),
    }
