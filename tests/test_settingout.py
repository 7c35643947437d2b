"""Places by tape: along and across from a corner that can be found, with check diagonals.

Expected values are plain Pythagoras on rooms of whole and half metres.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from shapely import affinity

from pourdatum.settingout import find_baselines, set_out

ROOM = shapely.box(0.0, 0.0, 8.0, 5.0)
ELL = shapely.Polygon([(0, 0), (8, 0), (8, 3), (5, 3), (5, 7), (0, 7)])
PLACES = np.array([[2.0, 1.5], [6.5, 2.0], [3.0, 4.0]])


def test_a_rectangle_by_hand() -> None:
    """From the corner nearest the place to start from, along its long wall; diagonals are 3-4-5."""
    bases = find_baselines(ROOM, PLACES, near_m=(1.0, 1.0))
    assert len(bases) == 1
    assert_allclose(bases[0].corner.place_m, (0.0, 0.0), atol=1e-12)
    assert (bases[0].wall_m, bases[0].other_m) == pytest.approx((8.0, 5.0))
    found = set_out(ROOM, bases, np.array([[4.0, 3.0], [2.0, 2.5], [5.0, 4.0]]))
    assert_allclose(found.along_across_m, [[4.0, 3.0], [2.0, 2.5], [5.0, 4.0]], atol=1e-12)
    assert_allclose(found.diagonal_m, [5.0, math.hypot(2, 2.5), math.hypot(5, 4)], atol=1e-12)
    assert_allclose(found.from_end_m, [5.0, math.hypot(6, 2.5), 5.0], atol=1e-12)
    assert found.base.tolist() == [0, 0, 0]


def moved(shape: Any, angle: float, mirror: bool, dx: float, dy: float) -> Any:
    """A shape mirrored, turned about the origin and pushed."""
    if mirror:
        shape = affinity.scale(shape, -1.0, 1.0, origin=(0, 0))
    return affinity.translate(affinity.rotate(shape, angle, origin=(0, 0)), dx, dy)


@pytest.mark.parametrize("room", [ROOM, ELL])
@pytest.mark.parametrize("seed", range(6))
def test_turned_and_mirrored_rooms_are_set_out_alike(room: shapely.Polygon, seed: int) -> None:
    """Along and across belong to the walls: a turned or mirrored room, far away, has the same."""
    rng = np.random.default_rng(910 + seed)
    angle, mirror = float(rng.uniform(0, 360)), bool(rng.integers(2))
    dx, dy = rng.uniform(-2000, 2000, 2)
    places = np.column_stack([rng.uniform(0.3, 4.7, 12), rng.uniform(0.3, 2.8, 12)])
    near = (1.0, 1.3)
    there = moved(shapely.MultiPoint([*places, near]), angle, mirror, dx, dy)
    coordinates = shapely.get_coordinates(there)
    turned = moved(room, angle, mirror, dx, dy)
    one = set_out(room, find_baselines(room, places, near_m=near), places)
    two = set_out(
        turned,
        find_baselines(turned, coordinates[:-1], near_m=tuple(coordinates[-1])),
        coordinates[:-1],
    )
    assert_allclose(one.along_across_m, two.along_across_m, atol=1e-9)
    assert_allclose(one.from_end_m, two.from_end_m, atol=1e-9)


def test_an_ell_is_reached_from_its_outer_corner() -> None:
    """Only from the corner where both long walls meet does the tape reach both arms of an L."""
    places = np.array([[7.0, 2.0], [1.0, 6.0], [4.5, 6.5], [6.0, 1.0]])
    bases = find_baselines(ELL, places, near_m=(7.5, 2.5))
    assert len(bases) == 1
    assert_allclose(bases[0].corner.place_m, (0.0, 0.0), atol=1e-12)
    found = set_out(ELL, bases, places)
    assert_allclose(found.along_across_m, places, atol=1e-12)
    # From the wall's far end (8, 0) the tape meets the inner corner (5, 3) before (4.5, 6.5).
    assert np.isnan(found.from_end_m[2])
    assert np.isfinite(found.from_end_m[[0, 3]]).all()


def test_no_tape_passes_a_column_and_any_passes_a_drain() -> None:
    """A place in the shade of a column is taken from another wall, or its check from elsewhere."""
    column, drain = shapely.box(3.5, 1.0, 4.5, 2.0), shapely.box(1.5, 1.0, 2.0, 1.5)
    room = ROOM.difference(column).difference(drain)
    places = np.array([[4.0, 3.0], [1.75, 2.5]])
    bases = find_baselines(room, places, near_m=(0.5, 0.5), blocks=[column])
    found = set_out(room, bases, places, blocks=[column])
    assert (found.base >= 0).all()
    for k, base in enumerate(found.base):
        corner = bases[base].corner
        foot = corner.place_m + found.along_across_m[k, 0] * corner.along
        assert not shapely.LineString([foot, places[k]]).intersects(column.buffer(-0.01))


def test_a_reflex_corner_is_none_to_measure_from() -> None:
    """The tape is held into an inside corner, so the edge at (5, 3) never serves.

    The others are cut off aslant, so that it would be the best there is.
    """
    cut = ELL
    for x, y in ((0, 0), (8, 0), (8, 3), (5, 7), (0, 7)):
        cut = cut.difference(affinity.rotate(shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5), 45))
    places = np.array([[4.5, 4.0], [4.0, 5.0]])
    bases = find_baselines(cut, places, near_m=(4.9, 3.1))
    assert bases
    assert all(np.linalg.norm(base.corner.place_m - (5.0, 3.0)) > 0.1 for base in bases)


def test_a_square_is_measured_along_the_wall_that_the_start_lies_along() -> None:
    """Of two equal walls at one corner, so that a room and its mirror image are set out alike."""
    square, place = shapely.box(0, 0, 5, 5), np.array([[2.0, 1.0]])
    for near, there in (((1.0, 0.4), place), ((0.4, 1.0), place[:, ::-1])):
        found = set_out(square, find_baselines(square, there, near_m=near), there)
        assert_allclose(found.along_across_m, [[2.0, 1.0]], atol=1e-12)


def test_two_rooms_take_two_corners() -> None:
    """Behind a door the tape starts anew; each place says from which corner."""
    rooms = shapely.union_all(
        [shapely.box(0, 0, 5, 4), shapely.box(5, 1.5, 5.2, 2.4), shapely.box(5.2, 0, 9, 4)]
    )
    places = np.array([[1.0, 3.0], [2.0, 0.5], [3.0, 3.5], [8.0, 3.5], [8.0, 0.5]])
    bases = find_baselines(rooms, places, near_m=(0.0, 0.0))
    found = set_out(rooms, bases, places)
    assert len(bases) == 2
    assert found.base[:3].tolist() == [0, 0, 0]
    assert found.base[3:].tolist() == [1, 1]


def test_a_place_at_the_foot_of_the_wall_and_in_the_corner() -> None:
    """Across may be nothing, and so may along."""
    places = np.array([[3.0, 0.0], [0.0, 2.0], [0.0, 0.0]])
    found = set_out(ROOM, find_baselines(ROOM, places, near_m=(1.0, 0.5)), places)
    assert_allclose(found.along_across_m, places, atol=1e-12)
    assert_allclose(found.diagonal_m, [3.0, 2.0, 0.0], atol=1e-5)


def test_a_corner_of_walls_goes_before_one_of_the_outline_alone() -> None:
    """A corner that was drawn and not built is found by nobody; else it is said."""
    walls = shapely.LineString([(8, 0), (8, 5), (0, 5)]).buffer(0.05)
    one = find_baselines(ROOM, PLACES, near_m=(0.0, 0.0), walls=walls)
    assert_allclose(one[0].corner.place_m, (8.0, 5.0), atol=1e-12)
    assert one[0].on_walls
    nowhere = find_baselines(ROOM, PLACES, near_m=(0.0, 0.0), walls=shapely.Polygon())
    assert not nowhere[0].on_walls


def test_a_round_floor_has_no_corner() -> None:
    """Nothing can be named where two straight walls never meet."""
    round_floor = shapely.Point(0, 0).buffer(3.0, quad_segs=64)
    assert find_baselines(round_floor, np.zeros((1, 2)), near_m=(0, 0)) == ()
    found = set_out(round_floor, (), np.zeros((1, 2)))
    assert found.base.tolist() == [-1]
    assert np.isnan(found.along_across_m).all()


def test_a_hall_is_set_out_from_the_corner_at_hand() -> None:
    """60 by 40 m: no tape over 30 m, half of the long wall; from one corner they were 59 m.

    Corners have letters of their own, so no two are at one place.
    """
    hall = shapely.box(0.0, 0.0, 60.0, 40.0)
    x, y = np.meshgrid(np.arange(1.0, 60.0, 4.0), np.arange(1.0, 40.0, 4.0))
    places = np.column_stack([x.ravel(), y.ravel()])
    bases = find_baselines(hall, places, near_m=(0.0, 20.0))
    found = set_out(hall, bases, places)
    assert (found.base >= 0).all()
    assert found.along_across_m.max() <= 30.0 + 1e-9
    corners = {tuple(base.corner.place_m.round(3)) for base in bases}
    assert len(corners) == len(bases) == 4


def test_two_letters_are_two_places() -> None:
    """A room with a column before its corner: what that hides is measured from another corner."""
    room = shapely.box(0.0, 0.0, 9.0, 6.0)
    column = shapely.box(3.0, 0.0, 3.4, 2.0)
    places = np.array([[1.0, 1.0], [5.0, 1.0], [8.0, 1.5], [2.0, 5.0], [6.0, 5.0]])
    bases = find_baselines(room, places, near_m=(0.0, 0.0), blocks=(column,))
    found = set_out(room, bases, places, blocks=(column,))
    assert (found.base >= 0).all()
    corners = {tuple(base.corner.place_m.round(3)) for base in bases}
    assert len(corners) == len(bases)
