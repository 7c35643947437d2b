"""The floor ends at its walls, or where its points end, however the room is turned or cluttered."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from shapely import affinity

import scenes
from made_scan import (
    NOISE_M,
    carpet,
    faces,
    flat,
    floor_of,
    made_scan,
    on_lattice,
    surface_of,
    walled,
)
from pourdatum.edge import cells_polygon
from pourdatum.errors import JobError, NoFloor
from pourdatum.floor import Floor, find_floor
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.job import Job
from pourdatum.openends import doorways
from pourdatum.pipeline import plan_pour
from pourdatum.simulate import Wave
from pourdatum.simulate.relief import Relief
from pourdatum.surface import make_surface
from pourdatum.volume import fill_volume

RECTANGLE = shapely.box(0.0, 0.0, 4.0, 3.0)
ELL = shapely.Polygon([(0, 0), (4, 0), (4, 1.6), (2, 1.6), (2, 3), (0, 3)])
TEE = shapely.Polygon(
    [(0, 0), (4, 0), (4, 1.5), (2.9, 1.5), (2.9, 3), (1.3, 3), (1.3, 1.5), (0, 1.5)]
)
SKEW = shapely.Polygon([(0, 0), (4.2, 0.3), (3.9, 2.9), (-0.3, 3.1)])
ROOMS = {"rectangle": RECTANGLE, "ell": ELL, "tee": TEE, "skew": SKEW}

AREA_SHARE = 0.003
"""0.3 % of a room of 12 m² is 36 litres in a metre of depth, or 2.6 mm all round its 14 m."""


def turned(shape: shapely.Polygon, degrees: float) -> shapely.Polygon:
    """A shape turned about the local zero point."""
    return affinity.rotate(shape, degrees, origin=(0, 0))


def apart_m(floor: Floor, room: shapely.Polygon) -> float:
    """Mean distance between an outline and the true one: area between them over the perimeter."""
    return float(floor.outline.symmetric_difference(room).area / room.length)


# --- walls ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ROOMS)
@pytest.mark.parametrize("noise_m", [0.0, 0.0015, 0.004])
def test_a_room_ends_at_its_walls(name, noise_m) -> None:
    """A walled room's area is right to 0.3 %, and nowhere does its edge lie 10 mm off the walls.

    At 3000 points per m² cells are 35 mm; noise is none, a tripod's or a hand-held mapper's.
    """
    room = ROOMS[name]
    floor = floor_of(walled(room, np.random.default_rng(1), per_m2=3000.0, noise_m=noise_m))
    assert floor.walls_seen
    assert floor.area_m2 == pytest.approx(room.area, rel=AREA_SHARE)
    assert floor.outline.hausdorff_distance(room) < 0.010
    assert (floor.openings, floor.obstructions) == ((), ())


@settings(max_examples=12)
@given(st.sampled_from(sorted(ROOMS)), st.floats(0, 180), st.floats(-3, 3), st.floats(-3, 3))
@example("rectangle", 45.0, 0.0, 0.0)
@example("ell", 90.0, 0.0125, -0.0125)
def test_a_room_may_be_turned_and_lie_anywhere(name, degrees, east, north) -> None:
    """Any room turned by any angle and moved anywhere has its area to 0.3 %.

    The mean distance between outlines stays under 2 mm, a little more than the noise.
    """
    room = affinity.translate(turned(ROOMS[name], degrees), east, north)
    floor = floor_of(walled(room, np.random.default_rng(2)))
    assert floor.area_m2 == pytest.approx(room.area, rel=AREA_SHARE)
    assert apart_m(floor, room) < 0.002


@pytest.mark.parametrize("cell_m", [0.025, 0.05, 0.1])
def test_the_cell_asked_for_does_not_move_the_walls(cell_m) -> None:
    """Cells of 25 to 100 mm give the same room to 0.3 %, for faces are lines and not cells."""
    room = turned(ELL, 12.0)
    floor = floor_of(walled(room, np.random.default_rng(3), per_m2=3000.0), cell_m=cell_m)
    assert floor.cell_m == cell_m
    assert floor.area_m2 == pytest.approx(room.area, rel=AREA_SHARE)


@pytest.mark.parametrize("high_m", [0.06, 0.1])
@pytest.mark.parametrize("before_m", [0.01, 0.02])
def test_the_pour_ends_at_the_skirting(high_m, before_m) -> None:
    """Where a skirting stands before the walls, the floor ends at the skirting."""
    rng = np.random.default_rng(4)
    inner = RECTANGLE.buffer(-before_m, join_style="mitre")
    points = np.concatenate(
        [
            carpet(inner, 2500, rng),
            faces(inner, 0.0, high_m, 2000, rng),
            faces(RECTANGLE, high_m, 1.5, 1200, rng),
        ]
    )
    floor = floor_of(points)
    assert floor.area_m2 == pytest.approx(inner.area, rel=AREA_SHARE)
    assert apart_m(floor, inner) < 0.002


def test_points_beyond_a_thin_wall_are_another_room() -> None:
    """A smaller room seen behind a wall of 100 mm does not join the larger one."""
    rng = np.random.default_rng(5)
    other = shapely.box(4.1, 0.0, 6.0, 3.0)
    points = np.concatenate([walled(RECTANGLE, rng), walled(other, rng, per_m2=1000.0)])
    assert floor_of(points).area_m2 == pytest.approx(RECTANGLE.area, rel=AREA_SHARE)


def test_a_door_ends_the_floor() -> None:
    """Floor seen through a doorway of 0.9 m ends in the wall's line; what is left out is listed.

    The wedge behind it, 0.4 m² with no wall around, would be 3 % of the area.
    """
    rng = np.random.default_rng(6)
    wedge = shapely.Polygon([(4.0, 1.0), (4.4, 0.9), (4.4, 2.0), (4.0, 1.9)])
    gap = shapely.box(3.9, 1.0, 4.1, 1.9)
    wall = faces(RECTANGLE, 0.0, 1.5, 1200, rng)
    wall = wall[~shapely.contains_xy(gap, wall[:, 0], wall[:, 1])]
    points = np.concatenate([carpet(RECTANGLE.union(wedge), 2500, rng), wall])
    floor = floor_of(points)
    assert floor.area_m2 == pytest.approx(RECTANGLE.area, rel=AREA_SHARE)
    ((x, y, area),) = floor.beyond_doors_m
    assert wedge.contains(shapely.Point(x, y))
    # Cells cut by the wedge's edge of 2.9 m, and by the wall's line.
    assert area == pytest.approx(wedge.area, abs=0.5 * floor.cell_m * wedge.length)


def test_an_open_doorway_is_left_by_its_middle_and_held_by_a_stop_end(seed: int) -> None:
    """A wedge seen slantwise through a doorway from 1.0 to 1.9 m: its middle lies before the jamb.

    The doorway is 0.9 m of stop-end, and as much less of the room's 14 m of edge strip. Cells of
    25 mm at both jambs.
    """
    rng = np.random.default_rng(seed)
    wedge = shapely.Polygon([(4.0, 1.0), (5.6, -0.4), (5.6, 0.7), (4.0, 1.9)])
    gap = shapely.box(3.9, 1.0, 4.1, 1.9)
    wall = faces(RECTANGLE, 0.0, 1.5, 1200, rng)
    wall = wall[~shapely.contains_xy(gap, wall[:, 0], wall[:, 1])]
    points = np.concatenate([carpet(RECTANGLE.union(wedge), 2500, rng), wall])
    floor = floor_of(points)
    ((_, y, _),) = floor.beyond_doors_m
    assert y < 1.0
    (door,) = doorways(floor)
    assert door.length == pytest.approx(0.9, abs=0.06)
    assert door.centroid.coords[0] == pytest.approx((4.0, 1.45), abs=0.05)
    surface = surface_of(points)
    plan = plan_pour(surface, Job())
    assert plan.pour is not None
    assert plan.pour.leave_m == pytest.approx((4.0, 1.45), abs=0.05)
    bought = plan.besides
    assert bought.open_ends_m == pytest.approx(0.9, abs=0.06)
    assert bought.edge_strip_m == pytest.approx(RECTANGLE.length - 0.9, abs=0.15)
    between_m = sum(line.length for line in plan.pour.stop_ends)
    assert bought.stop_ends_m == pytest.approx(between_m + 0.9, abs=0.06)


# --- what stands in the room ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("crate", "high_m"),
    [
        (shapely.box(3.2, 1.0, 4.0, 1.8), 0.9),
        (shapely.box(3.2, 2.2, 4.0, 3.0), 0.9),
        (shapely.box(1.0, 0.0, 3.2, 0.6), 1.2),
        (shapely.box(3.15, 1.0, 3.97, 1.8), 0.6),
    ],
    ids=["wall", "corner", "bench", "gap"],
)
@pytest.mark.parametrize("degrees", [0.0, 31.0])
@pytest.mark.parametrize("ceiling", [False, True])
def test_a_crate_against_the_wall_does_not_cut_the_room(crate, high_m, degrees, ceiling) -> None:
    """A crate at a wall, in a corner, a bench along a wall: the floor goes on below it.

    The wall behind is seen above it, the floor below is not.
    """
    room, crate = turned(RECTANGLE, degrees), turned(crate, degrees)
    rng = np.random.default_rng(7)
    points = walled(room, rng, things=((crate, high_m),), wall_m=2.4)
    hidden = shapely.contains_xy(crate.buffer(0.02), *points[:, :2].T) & (points[:, 2] < high_m)
    behind = shapely.distance(room.exterior, shapely.points(points[:, :2])) < 0.04
    points = points[~(hidden & behind)]
    if ceiling:
        points = np.concatenate(
            [points, carpet(room, 700, rng, height=lambda x, y: flat(x, y) + 2.4)]
        )
    floor = floor_of(points)
    assert floor.area_m2 == pytest.approx(room.area, rel=AREA_SHARE)
    assert [thing.kind for thing in floor.obstructions] == ["loose"]


def test_a_crate_in_the_middle_leaves_the_outline_alone() -> None:
    """A crate amid the room hides floor and changes neither area nor edge."""
    crate = (shapely.box(1.5, 1.0, 2.5, 1.8), 0.7)
    floor = floor_of(walled(RECTANGLE, np.random.default_rng(8), things=(crate,)))
    assert floor.area_m2 == pytest.approx(RECTANGLE.area, rel=AREA_SHARE)
    assert len(floor.outline.interiors) == 0


@pytest.mark.parametrize("degrees", [0.0, 12.0, 31.0])
def test_a_slit_in_a_wall_lets_nothing_in(degrees) -> None:
    """Behind a column lies a strip of unseen floor, up to a wall with a slit of 150 mm in it.

    The strip of 0.66 m² is floor all the same: the wall was seen on both sides of the slit.
    """
    rng = np.random.default_rng(7)
    column = shapely.box(1.5, 1.3, 1.8, 1.6)
    shade = shapely.box(1.5, 1.3, 4.0, 1.6)
    slit = shapely.box(3.9, 1.375, 4.1, 1.525)
    front = faces(column, 0.0, 2.4, 1500, rng)
    front = front[front[:, 0] < 1.75]
    wall = faces(RECTANGLE, 0.0, 2.4, 1200, rng)
    wall = wall[~shapely.contains_xy(slit, wall[:, 0], wall[:, 1])]
    points = np.concatenate([carpet(RECTANGLE.difference(shade), 2500, rng), wall, front])
    angle = np.radians(degrees)
    cos, sin = np.cos(angle), np.sin(angle)
    points[:, :2] = points[:, :2] @ np.array([[cos, sin], [-sin, cos]])
    floor = floor_of(points)
    # What a column seen from one side takes is known to half of it.
    assert floor.area_m2 == pytest.approx(RECTANGLE.area - 0.5 * column.area, abs=0.08)


def test_a_pier_of_the_wall_is_no_floor() -> None:
    """A pier of 0.4 by 0.3 m that stands out of a wall, as tall as it, is cut out."""
    room = RECTANGLE - shapely.box(1.8, 0.0, 2.2, 0.3)
    floor = floor_of(walled(room, np.random.default_rng(9), wall_m=2.4))
    assert floor.area_m2 == pytest.approx(room.area, rel=AREA_SHARE)
    assert apart_m(floor, room) < 0.003


# --- no walls ------------------------------------------------------------------------------------


@pytest.mark.parametrize("per_m2", [1500.0, 4000.0])
@pytest.mark.parametrize("shape", [RECTANGLE, ELL], ids=["rectangle", "ell"])
def test_without_walls_the_floor_ends_where_its_points_end(shape, per_m2) -> None:
    """On average over six scans the edge lies within 4 mm of where the points end.

    Points are 26 mm apart, or 16. Counting those in a strip two cells wide along the edge
    places it to sqrt(width / (perimeter * density)), 2 mm at worst; the mean of six is known
    to 1 mm, and 4 mm is 0.4 % of a room of 12 m².
    """
    off = []
    for number, degrees in enumerate((0.0, 17.0, 45.0) * 2):
        area = turned(shape, degrees)
        floor = floor_of(carpet(area, per_m2, np.random.default_rng(number)))
        assert not floor.walls_seen
        off.append((floor.area_m2 - area.area) / area.length)
    assert abs(np.mean(off)) < 0.004


def test_without_walls_an_edge_may_be_round() -> None:
    """A disc of points of 2 m radius is found with its edge 5 mm off at most, on average."""
    disc = shapely.Point(0.3, -0.2).buffer(2.0, quad_segs=64)
    floor = floor_of(carpet(disc, 5000.0, np.random.default_rng(3)))
    assert abs(floor.area_m2 - disc.area) / disc.length < 0.005


# --- the same floor seen otherwise ---------------------------------------------------------------


WAVY = Relief(slope_x=0.001, waves=(Wave(0.0015, 3.0, 0.6, 0.4),))
GIVEN_M = 0.010
"""A level above the highest floor: every part of it is filled."""


def figures(points: np.ndarray, **how: object) -> tuple[float, float]:
    """Area [m²] and volume to the given level [m³] of points."""
    scan = made_scan(points, **how)
    floor = find_floor(scan)
    surface = make_surface(scan, floor)
    fill = fill_volume(surface.height_m, surface.grid, floor.outline, Plane(GIVEN_M))
    return floor.area_m2, fill.volume_m3


def wavy_points(seed: int = 10) -> np.ndarray:
    """A walled, wavy L, on the lattice."""
    points = walled(ELL, np.random.default_rng(seed), per_m2=2500.0, height=WAVY.height)
    return on_lattice(points)


def moves() -> Iterator[tuple[float, float, float]]:
    """Turns in degrees, and moves east and north in metres that are no whole cells."""
    yield from ((7.0, 0.0, 0.0), (90.0, 0.0, 0.0), (0.0, 0.0131, 0.0217), (133.0, 1.007, -2.003))


def test_turning_or_moving_the_scan_changes_next_to_nothing() -> None:
    """Turned about the vertical or moved by parts of a cell, area and volume stay the same.

    Cells then hold other points. Each wall face is a mean over 70 places of 1.5 mm or more
    (0.2 mm), corners are simplified by up to 0.5 mm: 1 mm along 14 m of perimeter is allowed
    for the area. Heights are means of the same 23 000 points by other weights, which err by
    0.1 mm in a cell and 0.01 mm in the mean: 0.03 mm over the area, and the area's own change
    times the depth.
    """
    points = wavy_points()
    area, volume = figures(points)
    depth = volume / area
    for degrees, east, north in moves():
        cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        other = points @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]]) + [east, north, 0]
        area_there, volume_there = figures(other)
        allowed = 0.001 * ELL.length
        assert abs(area_there - area) < allowed
        assert abs(volume_there - volume) < 0.00003 * ELL.area + allowed * depth


def test_site_coordinates_change_nothing() -> None:
    """The same scan at 5 400 km north, its origin moved along in whole metres, is the same scan.

    Coordinates of 5.4e6 m have steps of 1e-9 m, a ten-thousandth of the lattice: the lattice
    points are the same, and so is every bit that follows.
    """
    points = wavy_points()
    assert figures(points + scenes.SITE_M, origin_m=scenes.SITE_M) == figures(points)


def test_a_move_by_whole_cells_moves_the_outline() -> None:
    """Moved by a metre, which is whole cells of 50 mm and columns of 100 mm, the outline moves so.

    Its sums are exact; places are then multiples of the cell in floating point, to 1e-9 m.
    """
    points, step = wavy_points(), np.array([1.0, -2.0, 0.0])
    here, there = (floor_of(part, cell_m=0.05) for part in (points, points + step))
    moved = affinity.translate(here.outline, 1.0, -2.0)
    assert_allclose(
        shapely.get_coordinates(there.outline), shapely.get_coordinates(moved), atol=1e-9
    )


# --- an outline given ----------------------------------------------------------------------------


def test_an_outline_given_is_taken() -> None:
    """The user's outline is the floor, whatever the walls say, and is marked as given."""
    part = shapely.box(0.5, 0.5, 3.0, 2.5)
    floor = floor_of(walled(RECTANGLE, np.random.default_rng(1)), outline=part)
    assert floor.outline.equals(part)
    assert floor.outline_given


def test_an_outline_that_crosses_itself_is_refused() -> None:
    """A figure of eight has no inside: refused, with where it came from."""
    eight = shapely.Polygon([(0.5, 0.5), (3, 2.5), (3, 0.5), (0.5, 2.5)])
    with pytest.raises(JobError, match="--outline: the outline crosses itself or has no area"):
        floor_of(walled(RECTANGLE, np.random.default_rng(1)), outline=eight)


def test_an_outline_beside_the_floor_is_refused() -> None:
    """An outline of which less than half was seen as floor is refused, with both areas."""
    aside = shapely.box(2.5, 0.0, 6.5, 3.0)
    with pytest.raises(NoFloor, match=r"the outline of 12\.0 m² holds only 4\.\d m²") as caught:
        floor_of(walled(RECTANGLE, np.random.default_rng(1)), outline=aside)
    assert caught.value.id == "outline-misses"
    assert "unit" in caught.value.hint


# --- cells as polygons ---------------------------------------------------------------------------


@given(st.integers(1, 6), st.integers(1, 7), st.integers(0, 2**32), st.sampled_from([0.025, 0.1]))
def test_a_union_of_cells_has_their_area_and_holds_their_centres(ny, nx, seed, cell_m) -> None:
    """The polygon of chosen cells has their area, and holds their centres and no others."""
    chosen = np.random.default_rng(seed).random((ny, nx)) < 0.5
    grid = Grid(-0.3, 0.7, cell_m, ny, nx)
    shape = cells_polygon(grid, chosen)
    assert shape.area == pytest.approx(chosen.sum() * cell_m**2, abs=1e-9)
    assert_array_equal(shapely.contains_xy(shape, *grid.mesh()), chosen)


def test_noise_of_walls_does_not_bias_the_area() -> None:
    """Over 12 noisy rooms the area is on average right to three standard errors.

    Each face is a mean over 2000 points and more of 1.5 mm, of which one near a corner belongs
    to two: an outline is out by some 0.05 mm, and 0.5 mm of simplification by chance. The
    scatter found between the rooms is the measure; it must itself stay under 0.5 mm.
    """
    off = []
    for seed in range(12):
        floor = floor_of(walled(turned(RECTANGLE, 9.0), np.random.default_rng(seed)))
        off.append((floor.area_m2 - RECTANGLE.area) / RECTANGLE.length)
    assert np.std(off) < 0.0005
    assert abs(np.mean(off)) < 3 * np.std(off, ddof=1) / np.sqrt(len(off)) + NOISE_M / 50
