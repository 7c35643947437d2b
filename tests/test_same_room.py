"""One room in many files: the same floor, whatever the format, frame and unit.

Every file holds the same room in its own way. Areas must agree within 0.2 %, volumes to
a given level within 0.5 %.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from e57_files import seen_from, write_e57
from mesh_files import room_mesh, write_mesh
from pourdatum.job import Job
from pourdatum.pipeline import plan_scan
from pourdatum.simulate import Hump, Relief, Scene, Wave
from pourdatum.write.scan_files import write_scan
from scenes import rectangle, shot_of, truth_of

Points = NDArray[np.float64]

FAR_M = (2_612_000.0, 1_267_000.0, 431.0)
LEVEL_M = 0.020
"""Datum over the scene's zero level: over all of the floor."""


def room(seed: int) -> Scene:
    """6.2 by 4.4 m with a hump, a fall and a wave; a ceiling."""
    rng = np.random.default_rng(seed)
    hump = Hump(*(rng.uniform(1.2, 3.2, 2)), rng.uniform(0.004, 0.008), rng.uniform(0.6, 1.0),
                "cosine")  # fmt: skip
    slope = rng.uniform(-0.001, 0.001, 2)
    relief = Relief(
        slope_x=slope[0], slope_y=slope[1], humps=(hump,), waves=(Wave(0.0008, 4.0, 0.3, 0.1),)
    )
    return rectangle(6.2, 4.4, relief, name="same", ceiling_m=2.6)


def turned_y_up(points: Points) -> Points:
    """Plan x, plan y, level as a y-up file has them: x, level, -plan y."""
    return np.stack([points[:, 0], points[:, 2], -points[:, 1]], axis=1)


def write_ply_text(path: Path, points: Points, kind: str, decimals: int) -> Path:
    """PLY in text or in float32, as phone apps write it."""
    head = f"ply\nformat {kind} 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
    if kind == "ascii":
        rows = "\n".join(" ".join(f"{v:.{decimals}f}" for v in row) for row in points)
        path.write_text(head + rows + "\n")
    else:
        path.write_bytes(head.encode() + points.astype("<f4").tobytes())
    return path


def write_pts(path: Path, points: Points) -> Path:
    """PTS: the count, then x y z, intensity and colours."""
    rows = "\n".join(f"{x:.4f} {y:.4f} {z:.4f} -1200 90 90 90" for x, y, z in points)
    path.write_text(f"{len(points)}\n{rows}\n")
    return path


def las(path: Path, points: Points, _: Scene) -> tuple[Path, float]:
    """LAS in metres."""
    return write_scan(path / "room.las", points), 0.0


def far_ply(path: Path, points: Points, _: Scene) -> tuple[Path, float]:
    """PLY in double, 2 600 km from the origin."""
    return write_scan(path / "far.ply", points + np.array(FAR_M)), FAR_M[2]


def ply_in_mm(path: Path, points: Points, _: Scene) -> tuple[Path, float]:
    """PLY y up in millimetres, in float32, untold."""
    file = write_ply_text(path / "mm.ply", 1000 * turned_y_up(points), "binary_little_endian", 2)
    return file, 0.0


def ply_y_up(path: Path, points: Points, _: Scene) -> tuple[Path, float]:
    """PLY y up in metres, in text, untold."""
    return write_ply_text(path / "yup.ply", turned_y_up(points), "ascii", 5), 0.0


def e57(path: Path, points: Points, _: Scene) -> tuple[Path, float]:
    """E57 in two scans with poses of their own, one of them turned over an odd axis."""
    pytest.importorskip("pye57")
    poses = [
        ((np.cos(0.4), 0.0, 0.0, np.sin(0.4)), (1.0, 1.0, 1.5)),
        ((0.5, 0.5, -0.5, 0.5), (-20.0, 4.0, 0.3)),
    ]
    half = [points[::2], points[1::2]]
    scans = [(seen_from(p, q, t), q, t) for p, (q, t) in zip(half, poses, strict=True)]
    return write_e57(path / "room.e57", scans, stored="scaled"), 0.0


def glb(path: Path, _: Points, scene: Scene) -> tuple[Path, float]:
    """GLB: the room as a mesh with a vertex every 50 mm and more."""
    x, y = np.linspace(0, 6.2, 125), np.linspace(0, 4.4, 89)
    return write_mesh(path / "room.glb", *room_mesh(scene.relief.height, x, y)), 0.0


def pts(path: Path, points: Points, _: Scene) -> tuple[Path, float]:
    """PTS."""
    return write_pts(path / "room.pts", points), 0.0


WRITERS: list[Callable[[Path, Points, Scene], tuple[Path, float]]] = [
    las, far_ply, ply_in_mm, ply_y_up, e57, glb, pts,
]  # fmt: skip


@pytest.fixture(scope="module")
def scanned(module_seed: int) -> tuple[Scene, Points, int]:
    """A room drawn afresh and its scan."""
    scene = room(module_seed)
    shot = shot_of(scene, seed=module_seed, points=None, floor_points=100_000, top_rad=1.2)
    return scene, shot.points_m, module_seed


@pytest.mark.parametrize("write", WRITERS, ids=lambda w: w.__name__)
def test_the_same_room_in_every_file(
    tmp_path: Path, scanned: tuple[Scene, Points, int], write: Any
) -> None:
    """Area within 0.2 % of the room's, volume to a given level within 0.5 % of the integral's."""
    scene, points, seed = scanned
    path, zero_m = write(tmp_path, points, scene)
    level = {"kind": "level", "z_m": zero_m + LEVEL_M}
    plan = plan_scan([path], Job.model_validate({"datum": level}))
    truth = truth_of(scene, LEVEL_M)
    assert plan.floor.area_m2 == pytest.approx(truth.area_m2, rel=0.002), f"room {seed}"
    (wanted,) = truth.levels
    assert plan.volume.volume_m3 == pytest.approx(wanted.volume_l / 1000, rel=0.005), f"room {seed}"
