"""Small scenes with known answers, for the tests of every stage.

Each function gives a ``Scene`` of at most 30 m², scanned in a fraction of a second;
``shot_of`` scans one, ``written`` leaves it in a file. Truths come from
``pourdatum.simulate.scene_truth`` or, where the docstring says so, from a formula.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from pourdatum.simulate import (
    Crate,
    Door,
    Hole,
    Hump,
    Relief,
    Round,
    Scene,
    Shot,
    Square,
    Truth,
    Wave,
    place_stations,
    scan_scene,
    scene_truth,
    sensor,
    walk_path,
)
from pourdatum.write.scan_files import write_scan

SITE_M = (431_000.0, 5_400_000.0, 212.0)
"""A site with map coordinates, where a careless float32 costs half a metre."""


def rectangle(
    length_m: float = 5.0, width_m: float = 4.0, relief: Relief | None = None, **parts: Any
) -> Scene:
    """A rectangle with a corner at the local zero point; ``parts`` are fields of ``Scene``."""
    outline = ((0.0, 0.0), (length_m, 0.0), (length_m, width_m), (0.0, width_m))
    return Scene(
        **({"name": "rectangle", "outline": outline, "relief": relief or Relief()} | parts)
    )


def flat_room(**parts: Any) -> Scene:
    """5 by 4 m, level and flat at 0: area 20 m², 20 l to each mm of datum."""
    return rectangle(**({"name": "flat"} | parts))


def falling_room(slope_x: float = 0.002, slope_y: float = -0.001, **parts: Any) -> Scene:
    """5 by 4 m plane; mean level 2.5 slope_x + 2 slope_y."""
    return rectangle(relief=Relief(slope_x=slope_x, slope_y=slope_y), **({"name": "fall"} | parts))


def hump_room(height_m: float = 0.006, radius_m: float = 0.7, **parts: Any) -> Scene:
    """5 by 4 m, level at 0 save one cosine hump at (2, 2.5), volume pi h R² (1/2 - 2/pi²)."""
    hump = Hump(2.0, 2.5, height_m, radius_m, "cosine")
    return rectangle(relief=Relief(humps=(hump,)), **({"name": "hump"} | parts))


def wall_high_room(**parts: Any) -> Scene:
    """5 by 4 m rising to the wall x = 5, highest beside (5, 1.5)."""
    relief = Relief(slope_x=0.0015, humps=(Hump(5.0, 1.5, 0.004, 0.8, "cosine"),))
    return rectangle(relief=relief, **({"name": "wall-high"} | parts))


def corner_high_room(**parts: Any) -> Scene:
    """5 by 4 m, curled up at the corner (5, 4)."""
    relief = Relief(slope_x=0.0005, humps=(Hump(5.0, 4.0, 0.006, 1.2, "gaussian"),))
    return rectangle(relief=relief, **({"name": "corner-high"} | parts))


def cluttered_room(**parts: Any) -> Scene:
    """An L of 22 m² on a map site: two crates, a table, a column, a drain, polished, ceiling."""
    fields: dict[str, Any] = {
        "name": "cluttered",
        "outline": ((0, 0), (6.0, 0), (6.0, 2.8), (3.2, 2.8), (3.2, 4.9), (0, 4.9)),
        "relief": Relief(
            slope_x=0.0006,
            humps=(Hump(1.6, 3.6, 0.007, 0.6, "gaussian"), Hump(4.4, 1.9, 0.005, 0.5, "cosine")),
            waves=(Wave(0.0005, 5.0, 0.5, 0.2),),
        ),
        "columns": (Round(2.9, 1.6, 0.13),),
        "holes": (Hole(Round(1.0, 1.8, 0.08), 0.2),),
        "crates": (
            Crate(5.55, 0.45, 0.8, 0.8, 0.9),
            Crate(0.45, 4.5, 0.7, 0.6, 0.6),
            Crate(3.6, 0.5, 1.0, 0.6, 0.74, legs=True),
        ),
        "doors": (Door(5, 2.6, 3.5),),
        "ceiling_m": 2.7,
        "polished": True,
        "site_m": SITE_M,
    }
    return Scene(**(fields | parts))


def pit_room(**parts: Any) -> Scene:
    """5 by 4 m, level, with a square pit of 0.3 by 0.4 m and a square column of 0.3 m."""
    return rectangle(
        columns=(Square(3.6, 1.2, 0.3, 0.3, 0.4),),
        holes=(Hole(Square(1.5, 2.5, 0.3, 0.4, 0.2), 0.25),),
        **({"name": "pit"} | parts),
    )


def shot_of(
    scene: Scene,
    *,
    seed: int = 1,
    kind: Any = "tripod",
    setups: int = 2,
    points: int | None = 60_000,
    floor_points: int | None = None,
    **changes: Any,
) -> Shot:
    """A scan of a scene from places a surveyor would choose; ``changes`` to the sensor."""
    stations = place_stations(scene, setups) if kind == "tripod" else walk_path(scene)
    if floor_points is not None:
        points = None
    # Few rays go up: a test needs floor, and of a ceiling only that it is there.
    changes = {"top_rad": 0.4} | changes
    return scan_scene(
        scene, sensor(kind, stations, **changes), seed, points=points, floor_points=floor_points
    )


@cache
def truth_of(scene: Scene, *levels: float) -> Truth:
    """The truth of a scene, worked out once for all tests."""
    return scene_truth(scene, levels)


def written(scene: Scene, path: Path, **how: Any) -> Path:
    """A scan of a scene in a file, in the format of its extension; ``how`` as ``shot_of``."""
    shot = shot_of(scene, **how)
    return write_scan(path, shot.points_m, shot.station)
