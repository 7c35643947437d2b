"""Floors among ceilings, tables, reflections, landings, docks and storeys: the right one, whole.

Scenes and their truth come from ``hard_scenes``: plane faces, rays, closed form.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations

import numpy as np
import pytest
import shapely

from hard_scenes import HardScene, hard_scene
from made_scan import carpet, faces, flat, floor_of, made_scan, store_of
from pourdatum.elsewhere import bays_at_edge
from pourdatum.errors import JobError
from pourdatum.floor import Floor, find_floor
from pourdatum.levels import Level, find_level
from pourdatum.passing import silent
from pourdatum.pipeline.floor_words import floor_found, floor_taken
from pourdatum.surface import make_surface
from pourdatum.walls import WallLine

RAYS = 70_000
SAME_M = 0.03
"""Levels in a scene are 0.12 m apart or more; a wrong one is not within 30 mm."""
AREA = 0.02
"""The issue's bound on the area of noisy scans."""

FOUR = ("ceiling", "table", "polished", "landing")
MIXES = [
    mix for size in (1, 2, 3, 4) for mix in combinations(FOUR, size)
]  # 15 of them, all but the bare room


@cache
def scene(seed: int, parts: tuple[str, ...]) -> HardScene:
    """A scene of few rays."""
    return hard_scene(seed, parts, RAYS)


@cache
def floor_in(seed: int, parts: tuple[str, ...]) -> Floor:
    """The floor found in a scene."""
    return find_floor(made_scan(scene(seed, parts).points))


def off_m(level: Level, truth: HardScene) -> float:
    """Median distance of a coarse floor from the true one [m]."""
    x, y = level.sheet.x_m, level.sheet.y_m
    return float(np.median(level.sheet.z_m - truth.height(x, y)))


# --- which level ---------------------------------------------------------------------------------


@pytest.mark.parametrize("block", range(8))
def test_the_floor_among_ceiling_table_mirror_and_landing(block) -> None:
    """The right level in 40 rooms with every mix of ceiling, table, reflections and landing.

    Tables are larger than the floor seen around them.
    """
    for number in range(5 * block, 5 * block + 5):
        parts = MIXES[number % len(MIXES)]
        truth = scene(700 + number, parts)
        level = find_level(store_of(truth.points), silent)
        assert abs(off_m(level, truth)) < SAME_M, (number, parts)


@pytest.mark.parametrize(
    ("seed", "parts"),
    [
        (1, ("dock",)),
        (2, ("ceiling", "storeys")),
        (3, ("ramp", "ghosts")),
        (4, ("ceiling", "falls")),
        (5, ("pallet", "polished")),
        (6, ("landing", "rough")),
        (7, ("table", "sparse")),
        (8, ("pit", "door", "columns", "hand-held")),
    ],
)
def test_the_floor_among_other_things(seed, parts) -> None:
    """Docks, storeys, ramps, falls, pallets, ghosts, pits: the largest level that one walks on."""
    truth = scene(seed, parts)
    level = find_level(store_of(truth.points), silent)
    assert abs(off_m(level, truth)) < SAME_M
    for place, z_m in truth.others:
        assert any(
            abs(other.level_m - z_m) < SAME_M + 0.01 * place.length for other in level.others
        ), f"the level at {z_m:.2f} m is not listed"


def test_other_levels_are_listed_with_a_place_on_them() -> None:
    """A landing is listed by level and area, with a place that lies on it."""
    truth, floor = scene(21, ("landing",)), floor_in(21, ("landing",))
    (landing, z_m), *_ = truth.others
    level_m, area_m2, x, y = floor.other_levels_m[0]
    assert abs(level_m - z_m) < SAME_M
    assert landing.contains(shapely.Point(x, y))
    # Whole columns of 0.1 m along its edge, and thinly seen corners.
    assert area_m2 == pytest.approx(landing.area, rel=0.25)


# --- to choose -----------------------------------------------------------------------------------


def test_a_place_on_the_landing_chooses_the_landing() -> None:
    """With a place on it the landing is the floor, and what was the floor is another level."""
    truth = scene(21, ("landing",))
    (landing, z_m), *_ = truth.others
    place = landing.centroid
    floor = find_floor(made_scan(truth.points), at_m=(place.x, place.y))
    assert floor.level_chosen
    assert abs(floor.level.sheet.level_m - z_m) < SAME_M
    assert floor.area_m2 == pytest.approx(landing.area, rel=2 * AREA)
    assert abs(floor.other_levels_m[0][0] - float(truth.height(place.x, place.y))) < SAME_M


def test_an_outline_on_the_landing_chooses_the_landing() -> None:
    """An outline drawn within the landing is taken, at the landing's level."""
    truth = scene(21, ("landing",))
    (landing, z_m), *_ = truth.others
    drawn = landing.buffer(-0.25, join_style="mitre")
    floor = find_floor(made_scan(truth.points), outline=drawn)
    assert floor.outline.equals(drawn)
    assert abs(floor.level.sheet.level_m - z_m) < SAME_M


def test_a_height_tells_storeys_apart() -> None:
    """At one place in plan the height given chooses the storey: the floor below that height."""
    truth = scene(2, ("ceiling", "storeys"))
    (other, other_m), *_ = truth.others
    place = truth.floor.intersection(other).representative_point()
    main_m = float(truth.height(np.array(place.x), np.array(place.y)))
    for z_m in (main_m, other_m):
        for above in (0.0, 1.2):
            level = find_floor(made_scan(truth.points), at_m=(place.x, place.y, z_m + above)).level
            assert abs(level.sheet.level_m - z_m) < SAME_M


def test_a_place_off_every_level_is_refused() -> None:
    """A place 20 m beside the scan is no place on a floor; the message asks for its unit."""
    truth = scene(21, ("landing",))
    east = float(truth.points[:, 0].max()) + 20.0
    with pytest.raises(JobError, match="no level one can walk on lies within 3 m") as caught:
        find_floor(made_scan(truth.points), at_m=(east, float(truth.points[0, 1])))
    assert caught.value.exit_status == 2
    assert "unit" in caught.value.hint


# --- where it ends -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seed", "parts"),
    [
        (31, ("landing",)),
        (32, ("landing", "ceiling")),
        (33, ("dock",)),
        (34, ("pallet",)),
        (35, ("table", "ceiling")),
        (36, ("pit",)),
        (37, ("polished", "ceiling")),
    ],
)
def test_the_floor_is_whole_and_no_more(seed, parts) -> None:
    """The area to pour is right to 2 %: under tables, up to landings, docks, pits and walls."""
    truth, floor = scene(seed, parts), floor_in(seed, parts)
    assert floor.area_m2 == pytest.approx(truth.floor.area, rel=AREA)
    both = floor.outline.intersection(truth.floor).area
    assert both > (1 - 1.5 * AREA) * truth.floor.area
    assert len(floor.openings) == len(truth.openings)


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_noise_of_a_hand_held_scan_invents_nothing(seed) -> None:
    """10 mm of noise, two passes 8 mm apart, 3 mm of warp: no opening, no nib, area to 2 %.

    The level is that of the two passes' middle, 4 mm over the first, to 2 mm.
    """
    truth, floor = scene(seed, ("rough",)), floor_in(seed, ("rough",))
    assert floor.openings == ()
    assert floor.obstructions == ()
    assert floor.area_m2 == pytest.approx(truth.floor.area, rel=AREA)
    surface = make_surface(floor.scan, floor)
    assert surface.nibs == ()
    x, y = surface.grid.mesh()
    seen = surface.measured
    off = (surface.height_m - truth.height(x, y))[seen]
    assert abs(np.mean(off) - truth.doubled_m / 2) < 0.002


def test_where_the_scan_ends_amid_the_floor_it_is_said() -> None:
    """Half the floor unseen: no more area than was seen, and the open edge is told in metres."""
    truth, floor = scene(52, ("unseen",)), floor_in(52, ("unseen",))
    x0, y0, x1, y1 = truth.floor.bounds
    assert 0.4 * truth.floor.area < floor.area_m2 < 0.6 * truth.floor.area
    del x0, y0, x1, y1
    corners = np.asarray(truth.floor.exterior.coords)[:-1]
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    # The cut runs along the width of the room: one of the two lengths of its sides.
    assert min(abs(floor.open_edge_m - side) for side in sides) < 1.0
    codes = [warned.code for warned in floor_found(make_surface(floor.scan, floor))]
    assert "open-edge" in codes


def beside_an_edge(floor: shapely.Polygon, turn_rad: float) -> tuple[float, float]:
    """Area of a floor's bays, and of those below its edge at y = 0 [m²].

    The floor lies in cells of 50 mm, turned; lower ground was seen from 0.5 m below y = 0
    on, and a wall at y = 3 m.
    """
    cell_m = 0.05
    y, x = np.mgrid[-3.0:5.0:cell_m, -5.0:5.0:cell_m]
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    u, v = cos * x + sin * y, -sin * x + cos * y
    seen = shapely.contains_xy(floor, u, v)
    normal = np.array([-sin, cos])
    wall = WallLine(normal, 3.0, np.array([[-3.0, 3.0]]), 0.001)
    bays = bays_at_edge(v < -0.5, seen, cell_m, [wall]) & ~seen
    outside = bays & (v < -cell_m)
    bays &= np.abs(u) < 1.0  # along the rest of its edge cells are rounded off
    return float(bays.sum() * cell_m**2), float(outside.sum() * cell_m**2)


@pytest.mark.parametrize("turn_rad", [0.0, 0.4])
def test_a_blind_spot_at_the_edge_is_filled_to_a_straight_edge(turn_rad) -> None:
    """A half disc of 0.95 m in the edge of a floor is floor, and nothing below the edge is.

    Its area is pi 0.95² / 2; its arc and its chord are known to half a cell.
    """
    blind = shapely.Point(0, 0).buffer(0.95, 64)
    floor = shapely.box(-3, 0, 3, 2).difference(blind)
    filled_m2, outside_m2 = beside_an_edge(floor, turn_rad)
    assert filled_m2 == pytest.approx(np.pi * 0.95**2 / 2, abs=0.025 * (np.pi + 2) * 0.95)
    assert outside_m2 == 0.0


def test_an_inner_corner_is_no_bay() -> None:
    """The inner corner of a floor is rounded by a disc of 0.8 m at the most: (1 - pi / 4) 0.8².

    Half a cell comes to it along that arc and the two sides it meets.
    """
    floor = shapely.union(shapely.box(-3, 1, 3, 2), shapely.box(-3, -0.4, 0, 2))
    filled_m2, _ = beside_an_edge(floor, 0.0)
    assert filled_m2 < (1 - np.pi / 4) * 0.8**2 + 0.025 * 0.8 * (np.pi / 2 + 2)


# --- doorways ------------------------------------------------------------------------------------


def with_next_room(seed: int = 1) -> np.ndarray:
    """A room of 4 by 3 m, a doorway of 0.9 m, and thinly a part of the next room."""
    rng = np.random.default_rng(seed)
    room, wall = shapely.box(0, 0, 4, 3), shapely.box(3.9, 1.0, 4.2, 1.9)
    beyond = shapely.Polygon([(4.0, 1.0), (6.0, 0.4), (6.0, 2.6), (4.0, 1.9)])
    upright = faces(room, 0.0, 2.2, 1200, rng)
    upright = upright[~shapely.contains_xy(wall, upright[:, 0], upright[:, 1])]
    return np.concatenate([carpet(room, 2500, rng), carpet(beyond, 400, rng), upright])


@pytest.mark.parametrize(("wish", "area_m2"), [(None, 12.0), (False, 12.0), (True, 15.1)])
def test_what_lies_behind_a_doorway_is_the_users_choice(wish, area_m2) -> None:
    """Left out and told without a word, taken in and told on demand; the doorway is in or out once.

    The part of the next room is a trapezium of 2 m by 0.9 and 2.2 m: 3.1 m². Its free edge is
    known to half a cell of its 6.5 m.
    """
    floor = floor_of(with_next_room(), through_doors=wish)
    assert floor.area_m2 == pytest.approx(area_m2, abs=0.2)
    surface = make_surface(floor.scan, floor)
    if wish:
        assert floor.beyond_doors_m == ()
        assert [round(item[2]) for item in floor.taken_doors_m] == [3]
        assert any("doorways" in text and "taken" in text for text in floor_taken(surface))
    else:
        assert [round(item[2]) for item in floor.beyond_doors_m] == [3]
        (warned,) = [item for item in floor_found(surface) if item.code == "beyond-doorway"]
        assert "--through-doors" in warned.text
        assert "doorways: the floor ends at them" in floor_taken(surface)


# --- two layers ----------------------------------------------------------------------------------


@pytest.mark.parametrize("apart_m", [0.008, 0.02])
def test_two_layers_are_noticed(apart_m) -> None:
    """Two passes of 1.5 mm noise, 8 or 20 mm apart, are told with that distance to 10 %."""
    rng = np.random.default_rng(3)
    room = shapely.box(0, 0, 4, 3)
    second = carpet(room, 1500, rng, height=lambda x, y: flat(x, y) + apart_m)
    floor = floor_of(np.concatenate([carpet(room, 1500, rng), second]))
    assert floor.doubled_m == pytest.approx(apart_m, rel=0.1)
    warned = [item.text for item in floor_found(make_surface(floor.scan, floor))]
    assert any(f"two layers {apart_m * 1000:.0f} mm apart" in text for text in warned)


@pytest.mark.parametrize("noise_m", [0.0005, 0.0015, 0.004, 0.010])
def test_one_layer_is_not_two(noise_m) -> None:
    """One layer is told as one, whatever its noise."""
    rng = np.random.default_rng(4)
    floor = floor_of(carpet(shapely.box(0, 0, 4, 3), 2500, rng, noise_m=noise_m))
    assert floor.doubled_m is None
