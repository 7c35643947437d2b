"""How large openings come out, against pits and drains of known outline."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from pourdatum.floor import find_floor
from pourdatum.lacking import whole_around
from pourdatum.read import read_scan
from pourdatum.simulate import Hole, Round, Scene, Square, place_stations, scan_scene, sensor
from pourdatum.write.scan_files import write_scan

PLACES = ((-1.6, -1.0), (0.1, -1.1), (1.5, -0.8), (-1.2, 1.0), (0.4, 0.9), (1.7, 1.1))


def rims_off_cells(seed: int, folder: Path) -> list[float]:
    """By how much the rim of each of six openings was found too far out, in cells."""
    draw = np.random.default_rng(seed)
    shapes = [
        Round(x, y, draw.uniform(0.055, 0.2))
        if draw.random() < 0.5
        else Square(x, y, *draw.uniform(0.12, 0.4, 2), draw.uniform(0.0, 3.0))
        for x, y in PLACES + draw.uniform(-0.2, 0.2, (6, 2))
    ]
    room = Scene(
        "pits",
        ((-2.5, -2.0), (2.5, -2.0), (2.5, 2.0), (-2.5, 2.0)),
        holes=tuple(Hole(shape, draw.uniform(0.06, 0.4)) for shape in shapes),
        ceiling_m=2.5,
    )
    tripod = sensor(
        "tripod",
        place_stations(room, int(draw.integers(2, 5))),
        noise_m=draw.uniform(0.0005, 0.0025),
    )
    points = int(draw.uniform(60_000, 200_000))
    shot = scan_scene(room, tripod, seed, floor_points=points)
    floor = find_floor(read_scan(write_scan(folder / "pits.las", shot.points_m, shot.station)))
    east, north, _ = floor.scan.origin_m
    off = []
    for shape in shapes:
        at = (shape.x_m - east, shape.y_m - north)
        found = min(floor.openings, key=lambda hole: math.dist(hole.place_m, at))
        assert math.dist(found.place_m, at) < 0.05
        true = shape.outline
        off.append((found.area_m2 - true.area) / true.length / floor.grid.cell_m)
    return off


def test_openings_are_as_large_as_they_are(tmp_path: Path, seed: int) -> None:
    """Rims of 36 fresh pits lie a twentieth of a cell too far in, in the mean, and no more.

    Where cells on the rim counted as whole floor, and the top of a pit's face as floor, they lay
    0.14 cells too far in, all of them. Noise of 2 mm and more still leaves some of the face.
    """
    first = seed
    off = [each for seed in range(first, first + 6) for each in rims_off_cells(seed, tmp_path)]
    # 240 pits of 40 scenes (seeds from 812345): mean -0.052, spread 0.083, means of scenes 0.043:
    # so a mean of six scenes has one of 0.018, and bounds are four of them off.
    assert -0.125 < float(np.mean(off)) < 0.02, first
    assert float(np.sqrt(np.mean(np.square(off)))) < 0.15, first


def test_a_shade_beside_a_pit_does_not_pass_for_its_floor() -> None:
    """Twelve points a cell on one side, three in a shade on the other: each side tells its own.

    The mean of both, 8, made a pit of 0.040 m² in full light 0.025.
    """
    floor_points = np.full((30, 30), 12)
    floor_points[:, 17:] = 3
    own = np.zeros((30, 30), bool)
    own[13:16, 13:16] = True
    window = (slice(10, 19), slice(10, 19))
    whole = ~own
    usual = whole_around(floor_points, window, own[window], whole, floor_points.astype(np.float64))
    assert np.all(np.abs(usual[:, :4] / 12 - 1) < 0.1)
    assert np.all(np.abs(usual[2:7, 8] / 3 - 1) < 0.25)


def test_even_floor_is_told_by_the_whole_ring(seed: int) -> None:
    """On even floor what is usual around a pit is known as well as its whole ring tells it."""
    own = np.zeros((30, 30), bool)
    own[13:16, 13:16] = True
    window = (slice(10, 19), slice(10, 19))
    rng = np.random.default_rng(seed)
    off = []
    for _ in range(200):
        floor_points = rng.poisson(8.0, (30, 30))
        usual = whole_around(
            floor_points, window, own[window], ~own, floor_points.astype(np.float64)
        )
        off.append(usual / 8 - 1)
    assert abs(float(np.mean(off))) < 0.01  # 200 rings of 200 cells: a standard error of 0.0018
    assert float(np.std(off)) < 0.06  # the nearest cells alone: 0.09
