"""How large columns come out, against square and round ones of known outline."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from pourdatum.floor import find_floor
from pourdatum.read import read_scan
from pourdatum.simulate import Crate, Round, Scene, Square, place_stations, scan_scene, sensor
from pourdatum.write.scan_files import write_scan

PLACES = ((-2.4, -1.4), (0.0, -1.5), (2.3, -1.3), (-2.2, 1.4), (0.3, 1.3), (2.2, 1.5))


def faces_off_cells(seed: int, folder: Path) -> list[float]:
    """By how much the rim of each of six columns was found too far out, in cells."""
    draw = np.random.default_rng(seed)
    shapes = [
        Round(x, y, draw.uniform(0.1, 0.3))
        if draw.random() < 0.25
        else Square(x, y, *draw.uniform(0.2, 0.6, 2), draw.uniform(0.0, 3.0))
        for x, y in PLACES + draw.uniform(-0.25, 0.25, (6, 2))
    ]
    room = Scene(
        "columns",
        ((-3.6, -2.6), (3.6, -2.6), (3.6, 2.6), (-3.6, 2.6)),
        columns=tuple(shapes),
        ceiling_m=2.6,
    )
    tripod = sensor(
        "tripod",
        place_stations(room, int(draw.integers(3, 5))),
        noise_m=draw.uniform(0.0005, 0.0025),
        top_rad=0.8,
    )
    points = round(math.exp(draw.uniform(math.log(40_000), math.log(300_000))))
    shot = scan_scene(room, tripod, seed, floor_points=points)
    floor = find_floor(read_scan(write_scan(folder / "room.las", shot.points_m, shot.station)))
    east, north, _ = floor.scan.origin_m
    off = []
    for shape in shapes:
        at = (shape.x_m - east, shape.y_m - north)
        found = min(floor.obstructions, key=lambda thing: math.dist(thing.place_m, at))
        assert math.dist(found.place_m, at) < 0.05
        true = shape.outline
        off.append((found.area_m2 - true.area) / true.length / floor.grid.cell_m)
    return off


def test_columns_are_as_large_as_they_are(tmp_path: Path, seed: int) -> None:
    """Rims of fresh columns lie in or out by a fortieth of a cell, and in the mean by nothing.

    Where the cells at corners, which hold points of two faces, counted as places of each, and a
    face that nobody saw lay at the mean of the last cell before it, they lay 0.07 cells too far in.
    """
    first = seed
    off = [each for seed in range(first, first + 3) for each in faces_off_cells(seed, tmp_path)]
    # A known defect: beside a face that is seen grazing a column is up to 0.4 cells too large (the
    # third room of 886744835697): of 18 the three worst are held to half a cell.
    off = sorted(off, key=abs)
    assert abs(off[-1]) < 0.5, first
    off = off[:-3]
    # 48 columns of eight runs had a spread of 0.025, so a mean of 15 one of 0.007.
    assert abs(float(np.mean(off))) < 0.03, first
    assert float(np.sqrt(np.mean(np.square(off)))) < 0.06, first


def test_the_faces_of_a_pier_are_no_walls(tmp_path: Path, seed: int) -> None:
    """A pier before a crate by a wall leaves the floor under the crate whole.

    Only its long faces are lines. Carried on to the wall behind, as the faces of walls are where a
    crate hides their corner, they cut strips of a cell or two out of what the crate hides.
    """
    first = seed
    for seed in range(first, first + 3):
        draw = np.random.default_rng(seed)
        x = draw.uniform(-1.5, 1.5)
        room = Scene(
            "pier",
            ((-3.6, -2.6), (3.6, -2.6), (3.6, 2.6), (-3.6, 2.6)),
            columns=(Square(x, 1.4, 0.16, draw.uniform(0.35, 0.6)),),
            crates=(Crate(x + draw.uniform(-0.2, 0.2), 2.22, 1.0, 0.7, height_m=1.3),),
            ceiling_m=2.6,
        )
        shot = scan_scene(
            room,
            sensor("tripod", place_stations(room, 4), noise_m=0.0015, top_rad=0.8),
            seed,
            floor_points=100_000,
        )
        floor = find_floor(
            read_scan(write_scan(tmp_path / "room.las", shot.points_m, shot.station))
        )
        off_m2 = floor.area_m2 - room.floor.area
        assert abs(off_m2) < 0.03, f"seed {seed}: {off_m2:+.3f} m2"
