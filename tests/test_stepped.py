"""Pockets, patches and two levels with steep sides: their fill is that of the drawing."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely

import pourdatum as pdm
from made_scan import Height, carpet, faces, surface_of
from pourdatum.datum import Datum, DatumRequest, choose_datum
from pourdatum.errors import JobError
from pourdatum.floor import find_floor
from pourdatum.grind import find_humps
from pourdatum.read import read_scan
from pourdatum.simulate import Hole, Round, Scene, Square, place_stations, scan_scene, sensor
from pourdatum.surface import Surface, make_surface
from pourdatum.uncertainty import SensorKind
from pourdatum.write.scan_files import write_scan

ROOM = ((0.0, 0.0), (6.0, 0.0), (6.0, 5.0), (0.0, 5.0))


def scanned(folder: Path, holes: tuple[Hole, ...], seed: int) -> Surface:
    """A level room of 30 m² with holes that have a floor of their own, by a tripod."""
    draw = np.random.default_rng(seed)
    room = Scene("pockets", ROOM, holes=holes, ceiling_m=2.6)
    tripod = sensor(
        "tripod",
        place_stations(room, int(draw.integers(2, 5))),
        noise_m=draw.uniform(0.0005, 0.002),
        warp_m=0.0,
    )
    shot = scan_scene(room, tripod, seed, floor_points=int(draw.uniform(80_000, 200_000)))
    scan = read_scan(write_scan(folder / "pockets.las", shot.points_m, shot.station))
    return make_surface(scan, find_floor(scan))


def level_datum(surface: Surface) -> Datum:
    """Level, over the high point by the least depth of a sheet."""
    return choose_datum(surface, DatumRequest("high-point"), 0.002)


def below_m3(surface: Surface) -> float:
    """Volume from the floor's own level 0 down to the surface."""
    known = surface.measured | surface.inferred
    level = surface.height_m[known] + surface.origin_m[2]
    return -float(level.mean()) * surface.floor.area_m2


def test_wide_pockets_are_floor_and_their_fill_counts(tmp_path: Path, seed: int) -> None:
    """Pockets of 15 to 65 mm with upright sides: litres within 2 %, and no hump beside them.

    From 40 mm on they passed for openings, and nothing was ordered for them; shallower ones
    showed a lip of 13 mm around them that was called a hump, and one of 31 mm to chip off.
    """
    first = seed
    for seed in range(first, first + 4):
        draw = np.random.default_rng(seed)
        depth = draw.uniform(0.015, 0.065)
        wide = draw.uniform(max(0.6, 10.0 * depth), 2.4, 2)
        shape = (
            Square(3.0, 2.5, wide[0], wide[1], draw.uniform(0.0, 3.0))
            if draw.random() < 0.6
            else Round(3.0, 2.5, 0.5 * wide[0])
        )
        surface = scanned(tmp_path, (Hole(shape, depth),), seed)
        true = shape.outline.area * depth
        assert not surface.floor.openings, seed
        assert surface.nibs == (), seed
        assert below_m3(surface) == pytest.approx(true, rel=0.02, abs=0.0015), seed
        assert find_humps(surface, level_datum(surface)) == (), seed
        (piece,) = surface.floor.pieces
        assert piece.rise_m == pytest.approx(-depth, abs=0.0005), seed
        assert piece.area_m2 == pytest.approx(shape.outline.area, rel=0.04), seed


@pytest.mark.parametrize("kind", ["phone", "mobile"])
def test_hand_held_scans_show_pockets_too(tmp_path: Path, kind: SensorKind, seed: int) -> None:
    """Points scatter by 5 and 8 mm, more than from cell to cell would show: blocks of cells do.

    A pocket of 40 mm lost half of its fill.
    """
    draw = np.random.default_rng(seed)
    pocket = Hole(Square(3.0, 2.5, 1.2, 1.6, draw.uniform(0.0, 3.0)), draw.uniform(0.025, 0.06))
    room = Scene("pockets", ROOM, holes=(pocket,), ceiling_m=2.6)
    path = ((1.0, 1.0, 1.4), (5.0, 1.0, 1.4), (5.0, 4.0, 1.4), (1.0, 4.0, 1.4))
    shot = scan_scene(room, sensor(kind, path), seed, floor_points=100_000)
    floor = find_floor(read_scan(write_scan(tmp_path / "held.las", shot.points_m, shot.station)))
    # In one of 50 such scans a spot of the rim, of a few cells, passes for an opening.
    assert sum(hole.area_m2 for hole in floor.openings) < 0.03, seed
    (piece,) = floor.pieces
    assert piece.rise_m == pytest.approx(-pocket.depth_m, abs=0.0025), seed
    assert piece.area_m2 == pytest.approx(pocket.shape.outline.area, rel=0.05), seed


@pytest.mark.parametrize(
    "hole",
    [
        Hole(Square(2.2, 2.4, 0.3, 0.3, 0.2), 0.06),  # a sump, narrow for its depth
        Hole(Square(2.5, 2.5, 1.0, 1.0, 0.1), 0.09),  # a pit
        Hole(Round(2.0, 3.0, 0.25), 0.3),
    ],
)
def test_pits_and_sumps_stay_openings(tmp_path: Path, hole: Hole, seed: int) -> None:
    """What is narrow for its depth, or deep, the pour must not run into."""
    surface = scanned(tmp_path, (hole,), seed)
    (found,) = surface.floor.openings
    assert found.area_m2 == pytest.approx(hole.shape.outline.area, rel=0.1), seed
    assert surface.floor.pieces == (), seed
    assert abs(below_m3(surface)) < 0.0015, seed


def made(
    seed: int, height: Height, room: shapely.Polygon | None = None, per_m2: float = 8000.0
) -> Surface:
    """A fresh scan of the same room, or of another, its heights told by a formula."""
    rng = np.random.default_rng(seed)
    room = room or shapely.Polygon(ROOM)
    return surface_of(
        np.concatenate(
            [carpet(room, per_m2, rng, height=height), faces(room, 0.0, 2.5, 1500.0, rng)]
        )
    )


@pytest.mark.parametrize("high_m", [0.009, 0.018, 0.027])
@pytest.mark.parametrize("radius_m", [0.12, 0.3])
def test_an_old_patch_is_a_hump_as_high_as_it_is(high_m: float, radius_m: float, seed: int) -> None:
    """A patch with steep sides on the floor: one hump of its height, and no opening.

    Blobs of 180 mm and 18 mm were called openings.
    """
    surface = made(seed, lambda x, y: np.where(np.hypot(x - 2.3, y - 2.2) < radius_m, high_m, 0.0))
    assert surface.floor.openings == ()
    humps = find_humps(surface, level_datum(surface))
    on_it = [hump for hump in humps if math.dist(hump.place_m, (2.3, 2.2)) < radius_m]
    assert max(hump.height_m for hump in on_it) == pytest.approx(high_m, abs=0.0012)
    # Noise of 1.5 mm may make a hump of 2 mm elsewhere, and two tops of one patch.
    assert len(on_it) <= 2
    assert all(hump.height_m < 0.003 for hump in humps if hump not in on_it)
    true = math.pi * radius_m**2 * high_m
    assert -below_m3(surface) == pytest.approx(true, rel=0.06, abs=0.0004)


@pytest.mark.parametrize("step_m", [0.012, 0.022])
def test_two_levels_are_a_step_and_no_hump(step_m: float, seed: int) -> None:
    """Halves of a room at two levels: each is level to its edge, and neither is a hump."""
    surface = made(seed, lambda x, y: np.where(x + 0.3 * y < 3.61, 0.0, -step_m))
    x, y = surface.grid.mesh()
    off = (x + 0.3 * y - 3.61) / math.hypot(1.0, 0.3)
    clear = surface.measured & (np.abs(off) > 1.6 * surface.grid.cell_m)
    level = np.where(off < 0.0, 0.0, -step_m)
    assert float(np.abs(surface.height_m - level)[clear].max()) < 0.0022
    assert find_humps(surface, level_datum(surface)) == ()
    assert surface.nibs == ()


def test_a_corridor_that_steps_down_is_two_levels(seed: int) -> None:
    """9 m of corridor, 1.6 m wide, with a step of 15 mm two thirds along: walls beside both."""
    surface = made(
        seed, lambda x, y: np.where(x < 6.013, 0.0, -0.015), shapely.box(0.0, 0.0, 9.0, 1.6)
    )
    (piece,) = surface.floor.pieces
    assert piece.rise_m == pytest.approx(-0.015, abs=0.001)
    x, _ = surface.grid.mesh()
    clear = surface.measured & (np.abs(x - 6.013) > 1.6 * surface.grid.cell_m)
    off = surface.height_m - np.where(x < 6.013, 0.0, -0.015)
    assert float(np.abs(off)[clear].max()) < 0.0022


def test_ground_beyond_a_door_is_no_pocket(seed: int) -> None:
    """A yard 55 mm below the floor, seen through a door: it meets the floor along the sill only."""
    rng = np.random.default_rng(seed)
    room, yard = shapely.box(0.0, 0.0, 5.0, 4.0), shapely.box(5.2, 0.0, 8.0, 4.0)
    sill = shapely.box(5.0, 1.5, 5.2, 2.4)
    walls = faces(room, 0.0, 2.5, 2500.0, rng)
    open_ = (np.abs(walls[:, 0] - 5.0) < 0.02) & (walls[:, 1] > 1.5) & (walls[:, 1] < 2.4)
    points = [
        carpet(room, 8000.0, rng),
        carpet(sill, 8000.0, rng),
        carpet(yard, 5000.0, rng, height=lambda x, y: np.full(x.shape, -0.055)),
        walls[~open_ | (walls[:, 2] > 2.1)],
    ]
    surface = surface_of(np.concatenate(points))
    assert surface.floor.pieces == ()
    assert surface.floor.area_m2 == pytest.approx(20.0, abs=0.25)


def test_a_floor_without_steps_has_none(seed: int) -> None:
    """Undulations of 10 mm over 1.5 m are steep for a floor, and no step."""
    surface = made(
        seed, lambda x, y: 0.01 * np.sin(2 * np.pi * x / 1.5) * np.cos(2 * np.pi * y / 1.7)
    )
    assert surface.floor.pieces == ()
    assert surface.smoother is not None
    assert surface.smoother.rise_m is None


def test_a_pocket_stays_open_where_the_job_says_so(tmp_path: Path, seed: int) -> None:
    """A tray of 0.9 by 1.2 m, 55 mm deep: filled, unless it is named; a wrong place is refused."""
    tray = Hole(Square(2.2, 2.4, 0.9, 1.2, 0.3), 0.055)
    filled = pdm.plan_pour(scanned(tmp_path, (tray,), seed))
    scan = read_scan(tmp_path / "pockets.las")
    east, north, _ = scan.origin_m
    open_ = pdm.plan_pour(make_surface(scan, find_floor(scan, open_m=((2.2 - east, 2.4 - north),))))
    # Both datums are over a high point of their own estimate, tenths of a millimetre apart.
    lift_m = filled.datum.plane.z0_m - open_.datum.plane.z0_m
    spared = filled.volume.volume_m3 - open_.volume.volume_m3 - lift_m * open_.volume.area_m2
    # The tray with what would lie over it, up to the datum.
    wanted = tray.shape.outline.area * (0.055 + open_.volume.mean_depth_m)
    assert spared == pytest.approx(wanted, rel=0.05), seed
    assert open_.volume.max_depth_m < 0.006, seed
    assert any(warned.code == "pocket" for warned in filled.warnings), seed
    assert all(warned.code != "pocket" for warned in open_.warnings), seed
    with pytest.raises(JobError, match="no pocket and no opening"):
        find_floor(scan, open_m=((4.9 - east, 4.0 - north),))


def test_a_flat_floor_is_not_too_thin(tmp_path: Path, seed: int) -> None:
    """A datum over the estimated high point clears a flat floor by the least depth, as known.

    With the estimate 0.1 mm low, 1.8 m² of 30 were called thinner than 2 mm, and no way worked.
    """
    first = seed
    for seed in range(first, first + 4):
        plan = pdm.plan_pour(scanned(tmp_path, (), seed))
        assert plan.buildable, (seed, plan.obstacles)
