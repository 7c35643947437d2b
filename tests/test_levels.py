"""The floor is the large surface that things stand on, whatever else is level in a scan."""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from shapely import affinity

from made_scan import carpet, faces, flat, store_of
from pourdatum.bare import THING_M
from pourdatum.cells import BAND_M
from pourdatum.errors import NoFloor
from pourdatum.layers import COLUMN_M
from pourdatum.levels import Level, find_level
from pourdatum.passing import silent

ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)
PER_M2 = 600.0
SAME_M = 0.002
"""Levels are medians over hundreds of columns of six points of 1.5 mm each, which err by under
0.1 mm; at walls a few columns stand higher. A fifth of a layer of 10 mm is ample."""


def level(
    z_m: float, per_m2: float = PER_M2, where: shapely.Polygon = ROOM, *, seed: int = 1
) -> np.ndarray:
    """Points of a level surface."""
    rng = np.random.default_rng(seed)
    return carpet(where, per_m2, rng, height=lambda x, y: flat(x, y) + z_m)


def walls(
    low_m: float = 0.0, high_m: float = 2.5, per_m2: float = PER_M2, where: shapely.Polygon = ROOM
) -> np.ndarray:
    """Points of upright faces around an outline."""
    return faces(where, low_m, high_m, per_m2, np.random.default_rng(2))


def found(*parts: np.ndarray) -> Level:
    """The level found among points."""
    return find_level(store_of(np.concatenate(parts)), silent)


def assert_floor(got: Level, area: shapely.Polygon, z_m: float = 0.0) -> None:
    """The sheet lies at a level and covers an area.

    A sheet counts whole columns: of those cut by the edge it may have all or none.
    """
    assert abs(got.sheet.level_m - z_m) < SAME_M
    slack = 1.5 * got.sheet.column_m
    assert area.buffer(-slack).area < got.sheet.area_m2 < area.buffer(slack).area


# --- what else is level --------------------------------------------------------------------------


def test_a_bare_room() -> None:
    """Floor and walls: the floor, its area and its density; and nothing else."""
    got = found(level(0.0), walls())
    assert_floor(got, ROOM)
    assert got.others == ()
    # The sparse quarter of columns holds 2/3 of 6 points or more: one standard deviation less.
    assert PER_M2 * (1 - 1 / np.sqrt(6)) * 0.8 < got.density_per_m2 < PER_M2


@pytest.mark.parametrize("denser", [0.5, 1.0, 5.0])
def test_a_ceiling_is_no_floor(denser) -> None:
    """A ceiling of half, the same or five times the floor's density is not the floor."""
    got = found(level(0.0), walls(), level(2.5, denser * PER_M2, seed=3))
    assert_floor(got, ROOM)


@pytest.mark.parametrize("denser", [0.5, 1.0, 2.0, 5.0])
def test_a_ceiling_whose_walls_were_not_seen_is_no_floor(denser) -> None:
    """With a floor below it, a ceiling without walls is still a ceiling, however dense it is."""
    got = found(level(0.0), level(2.5, denser * PER_M2, seed=3))
    assert_floor(got, ROOM)


def test_lamps_under_a_ceiling_are_no_floor() -> None:
    """A raft of lamps close under a ceiling, denser than the floor far below, is no floor."""
    raft = shapely.box(0.5, 0.5, 3.5, 2.5)
    got = found(level(0.0), walls(), level(2.5, seed=3), level(2.1, 4 * PER_M2, raft, seed=4))
    assert_floor(got, ROOM)


@pytest.mark.parametrize("top", [(1.0, 1.0, 2.2, 1.8), (0.8, 0.8, 3.3, 2.3)])
def test_a_table_is_no_floor(top) -> None:
    """A table of ten times the floor's density, which hides the floor below, is no floor."""
    table = shapely.box(*top)
    got = found(level(0.0, where=ROOM - table), walls(), level(0.74, 10 * PER_M2, table, seed=3))
    assert_floor(got, ROOM - table)


@pytest.mark.parametrize("ceiling", [False, True])
@pytest.mark.parametrize("share", [0.03, 0.15])
def test_the_mirror_image_below_a_polished_slab_is_no_floor(ceiling, share) -> None:
    """A thin room upside down below the floor, with its ceiling as a level sheet, is no floor."""
    parts = [level(0.0), walls(), walls(-2.5, 0.0, share * PER_M2)]
    parts.append(level(-2.5, share * PER_M2, seed=3))
    if ceiling:
        parts.append(level(2.5, seed=4))
    assert_floor(found(*parts), ROOM)


def test_a_landing_is_another_level() -> None:
    """A landing a quarter of the room's size is not the floor; its level and area are listed."""
    below, landing = shapely.box(0, 0, 3, 3), shapely.box(3, 0, 4, 3)
    got = found(
        level(0.0, where=below), level(0.9, where=landing, seed=3), walls(),
        walls(0.0, 0.9, where=landing),
    )  # fmt: skip
    assert_floor(got, below)
    assert len(got.others) == 1
    other = got.others[0]
    assert abs(other.level_m - 0.9) < SAME_M
    assert landing.buffer(-0.15).area < other.area_m2 < landing.buffer(0.15).area


def test_what_lies_lower_is_not_for_that_the_floor() -> None:
    """A sunken part a quarter of the room's size is another level, though it lies below."""
    above, sunken = shapely.box(0, 0, 3, 3), shapely.box(3, 0, 4, 3)
    got = found(
        level(0.0, where=above), level(-0.9, where=sunken, seed=3), walls(),
        walls(-0.9, 0.0, where=sunken),
    )  # fmt: skip
    assert_floor(got, above)
    assert [abs(other.level_m + 0.9) < SAME_M for other in got.others] == [True]


def test_a_mirror_image_wider_than_the_seen_floor_is_no_floor() -> None:
    """Crates hide a third of the floor, but not the mirrored ceiling below it: the floor stays.

    The scan is dense, so that the mirror image alone has six points in a column.
    """
    crates = shapely.box(1.0, 0.5, 3.0, 2.5)
    dense = 10 * PER_M2
    got = found(
        level(0.0, dense, ROOM - crates), walls(), walls(0.0, 0.5, where=crates),
        level(-2.5, 0.1 * dense, seed=3),
    )  # fmt: skip
    assert_floor(got, ROOM - crates)


@pytest.mark.parametrize("height_m", [0.35, 1.2])
def test_the_scanners_own_platform_is_no_floor(height_m) -> None:
    """A disc above the floor with a sixth of all points in it is not the floor."""
    disc = shapely.Point(2.0, 1.5).buffer(0.45)
    room = [level(0.0), walls()]
    points = sum(map(len, room))
    got = found(*room, level(height_m, points / 5 / disc.area, disc, seed=3))
    assert_floor(got, ROOM)


@pytest.mark.parametrize("spread_m", [0.02, 2.0])
def test_stray_far_returns_are_no_floor(spread_m) -> None:
    """Returns strewn over 60 by 60 m, at the floor's level or not, do not become the floor.

    They are 3 % of the points. The floor keeps its place and its area, to the columns of stray
    points that touch it.
    """
    rng = np.random.default_rng(5)
    room = [level(0.0), walls()]
    n = round(0.03 * sum(map(len, room)))
    stray = np.column_stack([rng.uniform(-30, 30, (n, 2)), rng.uniform(-spread_m, spread_m, n)])
    got = found(*room, stray)
    assert_floor(got, ROOM)
    assert got.sheet.column_m == found(*room).sheet.column_m


# --- one floor -----------------------------------------------------------------------------------


@pytest.mark.parametrize("slope", [0.0, 0.01])
def test_a_floor_cut_by_shade_is_one_floor(slope) -> None:
    """Two sheets in one plane, 0.6 m of shade between them, are one floor, level or falling."""
    rng = np.random.default_rng(6)
    parts = shapely.box(0, 0, 1.7, 3), shapely.box(2.3, 0, 4, 3)
    got = found(
        *(carpet(part, PER_M2, rng, height=lambda x, y: slope * x) for part in parts), walls()
    )
    assert got.others == ()
    # A plane's median is its level at the middle, to the column that edges cut off or leave.
    column_m = got.sheet.column_m
    assert abs(got.sheet.level_m - 2.0 * slope) < SAME_M + slope * column_m
    slack = 1.5 * column_m
    both = shapely.union_all(parts)
    assert both.buffer(-slack).area < got.sheet.area_m2 < both.buffer(slack).area


def test_a_step_of_a_hand_is_not_one_floor() -> None:
    """Two sheets side by side with a step of 100 mm between them are two levels."""
    rng = np.random.default_rng(6)
    low, high = shapely.box(0, 0, 2.3, 3), shapely.box(2.3, 0, 4, 3)
    got = found(
        carpet(low, PER_M2, rng),
        carpet(high, PER_M2, rng, height=lambda x, y: flat(x, y) + 0.1),
        walls(),
    )
    assert_floor(got, low)
    assert [abs(other.level_m - 0.1) < SAME_M for other in got.others] == [True]


@pytest.mark.parametrize("turn_deg", [0, 30])
@pytest.mark.parametrize("slope", [0.0, 0.02, 0.1])
def test_the_coarse_level_follows_the_floor(slope, turn_deg) -> None:
    """Over a ramp, at walls too, the coarse level is within half of what makes a thing (15 mm).

    Else floor points would be taken for things that stand on it.
    """
    room = affinity.rotate(ROOM, turn_deg, origin=(0, 0))
    rng = np.random.default_rng(7)
    got = found(
        carpet(room, PER_M2, rng, height=lambda x, y: slope * x), walls(-0.2, 2.5, where=room)
    )
    x, y = np.meshgrid(np.arange(-2, 4, 0.04), np.arange(0, 5, 0.04))
    inside = shapely.contains_xy(room, x, y)
    assert np.all(np.abs(got.at(x, y) - slope * x)[inside] < 0.5 * THING_M)


def test_the_coarse_level_is_carried_on_and_ends() -> None:
    """Half a metre beyond the walls the level goes on, to the height of the band that is looked
    at around it; far away there is none.
    """
    got = found(level(0.0), walls())
    around = got.at(np.array([-0.5, 4.5, 2.0]), np.array([1.5, 1.5, 3.5]))
    assert_allclose(around, 0.0, atol=BAND_M)
    assert np.all(np.isnan(got.at(np.array([9.0, 2.0, -3.0]), np.array([1.5, -8.0, 1.5]))))


def test_a_sparse_scan_has_wider_columns() -> None:
    """A floor of 60 points per m², under one in a column of 0.1 m, is found all the same."""
    hall = shapely.box(0.0, 0.0, 12.0, 9.0)
    rng = np.random.default_rng(8)
    got = found(carpet(hall, 60.0, rng), faces(hall, 0.0, 3.0, 60.0, rng))
    assert abs(got.sheet.level_m) < SAME_M
    assert got.sheet.column_m > COLUMN_M
    slack = 1.5 * got.sheet.column_m
    assert hall.buffer(-slack).area < got.sheet.area_m2 < hall.buffer(slack).area


# --- refusals ------------------------------------------------------------------------------------


def refused(*parts: np.ndarray) -> NoFloor:
    """The refusal of points."""
    with pytest.raises(NoFloor) as caught:
        found(*parts)
    assert caught.value.exit_status == 4
    return caught.value


@pytest.mark.parametrize("lamps", [False, True])
def test_a_scan_of_a_ceiling_is_refused(lamps) -> None:
    """A level sheet from which walls hang and on which nothing stands is a ceiling: no floor."""
    parts = [level(2.5), walls(1.5, 2.5)]
    if lamps:
        parts.append(level(2.2, where=shapely.box(1.0, 1.0, 1.8, 2.0), seed=3))
    error = refused(*parts)
    assert error.id == "only-ceiling"
    assert "no floor in the scan, only a ceiling" in str(error)
    area = re.search(r"(\d+) m²", str(error))
    assert area is not None
    # To the columns that its edge of 14 m cuts.
    assert abs(int(area[1]) - ROOM.area) < 0.15 * ROOM.length
    assert "--up" in error.hint


def test_cupboards_below_a_ceiling_are_no_floor_around_it() -> None:
    """Cupboard tops along the walls of a room without floor make no table of its ceiling.

    They cover a fifth of the plan, but not of the metre around the ceiling; rails hang below it.
    """
    shelves = [
        (shapely.box(0.02, 0.2, 0.7, 2.8), 1.1),
        (shapely.box(2.2, 4.2, 4.9, 4.98), 1.4),
        (shapely.box(5.3, 1.0, 5.98, 3.0), 1.25),
        (shapely.box(1.2, 0.02, 4.0, 0.6), 1.2),
    ]
    rng = np.random.default_rng(8)
    room = shapely.box(0.0, 0.0, 6.0, 5.0)
    parts = [level(2.5, 2500.0, room), faces(room, 1.45, 2.5, 800.0, rng)]
    for where, z_m in shelves:
        parts += [level(z_m, 2500.0, where), faces(where, z_m, z_m + 0.3, 400.0, rng)]
    for k in range(14):
        x, y = 1.0 + 0.3 * k, 1.2 + 0.24 * (7 * k % 10)
        parts.append(rng.uniform([x, y, 1.9], [x + 0.3, y + 0.3, 2.3], (300, 3)))
    assert refused(*parts).id == "only-ceiling"


def test_the_same_scan_upside_down_is_a_floor() -> None:
    """Turned over, the ceiling of that scan is a floor with walls on it."""
    assert_floor(found(level(-2.5), walls(-2.5, -1.5)), ROOM, -2.5)


def test_a_scan_with_nothing_level_is_refused() -> None:
    """Walls alone are no floor, and the message asks for the vertical."""
    error = refused(walls())
    assert error.id == "no-floor"
    assert "no horizontal surface of half a square metre" in str(error)
    assert "--up" in error.hint


def test_points_in_the_air_are_no_floor() -> None:
    """A cloud that fills a room evenly holds no surface."""
    assert refused(np.random.default_rng(9).uniform(0.0, 3.0, (20_000, 3))).id == "no-floor"


def test_a_handful_of_points_is_refused() -> None:
    """Fewer than a thousand points are refused, with their number."""
    error = refused(level(0.0)[:999])
    assert error.id == "too-few-points"
    assert "holds 999 usable points, a floor needs 1000" in str(error)


def test_a_thin_scan_is_refused() -> None:
    """A floor of 12 points per m² is refused, with its density and the density that would do."""
    hall = shapely.box(0.0, 0.0, 12.0, 9.0)
    error = refused(carpet(hall, 12.0, np.random.default_rng(8)))
    assert error.id == "too-thin"
    held = re.search(r"holds (\d+) points per m²; 20 are needed", str(error))
    assert held is not None
    # About 12: columns in which hardly a point fell are not counted to the surface.
    assert 10 <= int(held[1]) < 20
