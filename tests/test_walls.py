"""Faces of walls are found where they stand, and upright things are told by their height."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from made_scan import NOISE_M, carpet, faces, flat, store_of, walled
from pourdatum.bare import THING_M
from pourdatum.cells import Cells, gather_cells
from pourdatum.levels import find_level
from pourdatum.passing import silent
from pourdatum.walls import (
    Upright,
    WallLine,
    face_points,
    foot_points,
    tall_from_m,
    upright_structure,
    wall_height_m,
    wall_lines,
)

CELL_M = 0.04
ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)


def along_line(
    turn: float, offset_m: float, low_m: float, high_m: float, seed: int = 1
) -> np.ndarray:
    """Places strewn along a line whose normal is turned from x by an angle, one per cell or so."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(low_m, high_m, round((high_m - low_m) / CELL_M)))
    t[[0, -1]] = low_m, high_m
    normal = np.array([np.cos(turn), np.sin(turn)])
    return offset_m * normal + t[:, None] * np.array([-normal[1], normal[0]])


def sides(line: WallLine, turn: float) -> float:
    """1 where the line's normal points along a bearing, -1 where against; the rest is no match."""
    cosine = float(line.normal @ [np.cos(turn), np.sin(turn)])
    assert abs(abs(cosine) - 1.0) < 1e-3
    return np.sign(cosine)


# --- lines -------------------------------------------------------------------------------------


@settings(max_examples=30)
@given(st.floats(0, np.pi), st.floats(-20, 20), st.floats(-10, 10), st.floats(0.6, 8.0))
def test_a_face_is_found_where_it_stands(turn, offset, low, length) -> None:
    """Places on a line give that line and its ends, turned by any angle, to a micrometre.

    Squares of 30 m and of 0.1 m together keep eleven of sixteen digits.
    """
    xy = along_line(turn, offset, low, low + length)
    (line,) = wall_lines(xy, np.full(len(xy), 9.0), CELL_M)
    sign = sides(line, turn)
    assert_allclose(sign * line.offset_m, offset, atol=1e-6)
    assert_allclose(line.distance(xy), 0.0, atol=1e-6)
    assert line.residual_m < 1e-6
    assert_allclose(np.sort(sign * line.along_m, axis=None), [low, low + length], atol=1e-6)


@pytest.mark.parametrize("turn", [0.0, 0.4, 2.0])
def test_a_noisy_face_is_found_as_well_as_its_points_allow(turn) -> None:
    """Over 20 draws the offset at the face's middle errs as the mean of its places does.

    100 places of 1.5 mm: 0.15 mm standard error, which the 20 draws' own scatter confirms to
    16 %; their mean is within three standard errors of zero and none is off by five.
    """
    middle = np.array([np.cos(turn), np.sin(turn)]) * 3.0
    errors = []
    for seed in range(20):
        xy = along_line(turn, 3.0, -2.0, 2.0, seed)
        rng = np.random.default_rng(seed)
        xy += NOISE_M * rng.standard_normal((len(xy), 2))
        line = wall_lines(xy, np.ones(len(xy)), CELL_M)[0]
        errors.append(float(line.distance(middle[None])[0] * sides(line, turn)))
        assert_allclose(line.residual_m, NOISE_M, rtol=5 / np.sqrt(2 * len(xy)))
    stated = NOISE_M / np.sqrt(len(xy))
    assert np.std(errors) < stated * (1 + 3 / np.sqrt(2 * 20))
    assert abs(np.mean(errors)) < 3 * stated / np.sqrt(20)
    assert np.max(np.abs(errors)) < 5 * stated


def test_places_with_more_points_weigh_more() -> None:
    """Two rows 4 mm apart, one with three times the other's points: the face lies at 1 mm."""
    heavy, light = (along_line(0.0, offset, -2.0, 2.0) for offset in (0.0, 0.004))
    weight = np.repeat([30.0, 10.0], len(heavy))
    line = wall_lines(np.concatenate([heavy, light]), weight, CELL_M)[0]
    assert_allclose(line.offset_m * sides(line, 0.0), 0.001, atol=1e-6)


def test_a_gap_ends_a_stretch() -> None:
    """A gap of half a metre parts a face in two stretches, one of a quarter metre does not."""
    parts = [along_line(0.0, 0.0, *ends) for ends in ((-3.0, -1.0), (-0.75, 1.0), (1.5, 2.5))]
    xy = np.concatenate(parts)
    (line,) = wall_lines(xy, np.ones(len(xy)), CELL_M)
    ends = np.sort(line.along_m * sides(line, 0.0), axis=None)
    assert_allclose(ends, [-3.0, 1.0, 1.5, 2.5], atol=1e-9)


@pytest.mark.parametrize("thick_m", [0.06, 0.1, 0.2])
def test_both_faces_of_a_thin_wall_are_found(thick_m) -> None:
    """The two faces of a partition are two lines, each where it stands; noise of 1.5 mm.

    Each of 75 places: 0.17 mm standard error, five of them.
    """
    xy = np.concatenate([along_line(0.3, offset, -1.5, 1.5) for offset in (0.0, thick_m)])
    xy += NOISE_M * np.random.default_rng(4).standard_normal(xy.shape)
    lines = wall_lines(xy, np.ones(len(xy)), CELL_M)
    assert len(lines) == 2
    offsets = sorted(line.offset_m * sides(line, 0.3) for line in lines)
    assert_allclose(offsets, [0.0, thick_m], atol=5 * NOISE_M / np.sqrt(75))


def test_longer_faces_come_first() -> None:
    """The four faces of a room come in the order of their length."""
    room = shapely.box(0.0, 0.0, 5.0, 3.5)
    xy = faces(room, 0.0, 0.1, 300.0, np.random.default_rng(3), noise_m=0.0)[:, :2]
    lines = wall_lines(xy, np.ones(len(xy)), CELL_M)
    lengths = [float(np.ptp(line.along_m)) for line in lines]
    assert len(lines) == 4
    assert min(lengths[:2]) > 4.5
    assert max(lengths[2:]) < 3.6


def test_a_heap_of_places_is_no_face() -> None:
    """A few places, places all over, or a short edge of 0.2 m make no line."""
    rng = np.random.default_rng(5)
    for xy in (
        along_line(0.0, 0.0, 0.0, 0.2),
        rng.uniform(0, 4, (60, 2)),
        rng.uniform(0, 1, (4, 2)),
    ):
        assert wall_lines(xy, np.ones(len(xy)), CELL_M) == []


@given(st.floats(0, 2 * np.pi), st.floats(-9, 9), st.lists(st.floats(-9, 9), min_size=1))
def test_a_line_is_a_ruler(turn, offset, along) -> None:
    """Places at given positions along a line lie on it, at those positions; to 1e-9 m."""
    line = WallLine(np.array([np.cos(turn), np.sin(turn)]), offset, np.empty((0, 2)), 0.0)
    xy = line.at(np.array(along))
    assert_allclose(line.distance(xy), 0.0, atol=1e-9)
    assert_allclose(line.along(xy), along, atol=1e-9)
    assert_allclose(line.distance(xy + 0.25 * line.normal), 0.25, atol=1e-9)


# --- upright structure -------------------------------------------------------------------------


def structure_of(points: np.ndarray) -> tuple[Cells, Upright]:
    """Cells of points, and what stands upright in them."""
    store = store_of(points)
    cells = gather_cells(store, find_level(store, silent), CELL_M, silent)
    return cells, upright_structure(cells, THING_M)


def at(cells: Cells, x_m: float, y_m: float) -> tuple[int, int]:
    """Row and column of a place."""
    row, col = cells.grid.cell_of(np.array([x_m]), np.array([y_m]))
    return int(row[0]), int(col[0])


def top_along(cells: Cells, structure: Upright, places: shapely.LineString) -> np.ndarray:
    """Tops of the upright cells that a line runs through [m]."""
    xy = shapely.get_coordinates(shapely.segmentize(places, 0.5 * CELL_M))
    row, col = cells.grid.cell_of(xy[:, 0], xy[:, 1])
    tops = structure.top_m[row, col][structure.upright[row, col]]
    assert tops.size > 0.8 * len(xy)
    return tops


def ceiling(z_m: float, per_m2: float = 800.0) -> np.ndarray:
    """Points of a ceiling over the room."""
    rng = np.random.default_rng(9)
    return carpet(ROOM, per_m2, rng, height=lambda x, y: flat(x, y) + z_m)


CRATE = shapely.box(1.5, 1.0, 2.3, 1.6)


@pytest.mark.parametrize("with_ceiling", [False, True])
def test_walls_reach_up_and_crates_do_not(with_ceiling) -> None:
    """Walls of 2.4 m are upright to that height, a crate of 0.6 m to its own, ceiling or not.

    Tops are in layers of 0.1 m, reached from below: at most one layer more than the truth, and
    no less than one less for want of a point near the top.
    """
    room = walled(ROOM, np.random.default_rng(6), things=((CRATE, 0.6),), wall_m=2.4)
    cells, structure = structure_of(np.concatenate([room, ceiling(2.4)]) if with_ceiling else room)
    wall = top_along(cells, structure, shapely.LineString([(0.3, 0.0), (3.7, 0.0)]))
    crate = top_along(cells, structure, shapely.LineString([(1.6, 1.0), (2.2, 1.0)]))
    assert np.quantile(wall, 0.5) == pytest.approx(2.4, abs=0.11)
    assert np.min(crate) > 0.49
    assert np.max(crate) < 0.71
    assert structure.tall(2.0)[at(cells, 2.0, 0.0)]
    assert not structure.tall(0.8)[at(cells, 1.9, 1.0)]
    assert structure.things[at(cells, 1.9, 1.0)] > 0
    assert structure.things[at(cells, 3.0, 2.0)] == 0


@pytest.mark.parametrize("height_m", [2.4, 2.9])
def test_the_ceiling_is_found_at_its_height(height_m) -> None:
    """The ceiling's height over the floor, to half a layer of 50 mm and what noise adds."""
    points = walled(ROOM, np.random.default_rng(7), wall_m=height_m)
    _, structure = structure_of(np.concatenate([points, ceiling(height_m)]))
    assert structure.ceiling_m is not None
    assert abs(structure.ceiling_m - height_m) <= 0.025 + 3 * NOISE_M


def test_no_ceiling_is_no_height() -> None:
    """Without one, or with a beam over a tenth of the room only, there is no ceiling."""
    points = walled(ROOM, np.random.default_rng(7), wall_m=2.4)
    beam = carpet(shapely.box(0, 1, 4, 1.3), 800, np.random.default_rng(1),
                  height=lambda x, y: flat(x, y) + 2.3)  # fmt: skip
    for scan in (points, np.concatenate([points, beam])):
        assert structure_of(scan)[1].ceiling_m is None


def test_specks_in_the_air_do_not_stand() -> None:
    """Dust, one point in a hundred strewn through the room's air, makes nothing upright."""
    rng = np.random.default_rng(8)
    points = walled(ROOM, rng, wall_m=2.4)
    dust = rng.uniform([0.2, 0.2, 0.05], [3.8, 2.8, 2.3], (len(points) // 100, 3))
    cells, structure = structure_of(np.concatenate([points, dust]))
    x, y = cells.grid.mesh()
    inner = shapely.contains_xy(ROOM.buffer(-0.15), x, y)
    assert not structure.upright[inner].any()


def test_a_wall_hit_only_high_up_is_no_face_of_what_stands_before_it() -> None:
    """A crate's back edge under a wall seen above it does not become as tall as the wall."""
    crate = shapely.box(3.2, 1.0, 4.0, 1.8)
    rng = np.random.default_rng(6)
    points = walled(ROOM, rng, things=((crate, 0.6),), wall_m=2.4)
    cells, structure = structure_of(points)
    front = top_along(cells, structure, shapely.LineString([(3.2, 1.1), (3.2, 1.7)]))
    assert np.max(front) < 0.71


def test_what_is_tall_depends_on_what_bounds_the_room() -> None:
    """Half a metre below the ceiling; without one 2 m, or most of walls of which the foot is seen.

    The 2 m and the 85 % are choices, stated where they are made.
    """
    none = np.zeros((2, 2))
    under = Upright(none.astype(int), none, none.astype(int), 2.6)
    open_ = Upright(none.astype(int), none, none.astype(int), None)
    assert tall_from_m(under, 1.0) == pytest.approx(2.1)
    assert tall_from_m(open_, None) == 2.0
    assert tall_from_m(open_, 1.0) == pytest.approx(0.85)
    assert tall_from_m(open_, 5.0) == 2.0


def test_the_height_of_walls_is_that_of_most_of_the_edge() -> None:
    """Around a room with walls of 1.2 m that height is found, to a layer; with none, none is.

    A fifth of the south wall, a low parapet of 0.7 m, does not make the walls lower.
    """
    points = walled(ROOM, np.random.default_rng(6), wall_m=1.2)
    x, y, z = points.T
    points = points[~((np.abs(y) < 0.02) & (x > 1.0) & (x < 1.8) & (z > 0.7))]
    cells, structure = structure_of(points)
    x, y = cells.grid.mesh()
    edge = shapely.contains_xy(ROOM.buffer(0.1) - ROOM.buffer(-0.1), x, y)
    assert wall_height_m(structure, edge) == pytest.approx(1.2, abs=0.11)
    inner = shapely.contains_xy(ROOM.buffer(-0.5) - ROOM.buffer(-1.0), x, y)
    assert wall_height_m(structure, inner) is None


# --- places on faces ---------------------------------------------------------------------------


def test_face_points_lie_on_the_faces() -> None:
    """Every place given for a room's walls lies on them, within five standard errors of one.

    A mean of four points or more of 1.5 mm, at corners of two walls: 12 mm of a cell's half.
    """
    cells, structure = structure_of(walled(ROOM, np.random.default_rng(6), wall_m=1.2))
    xy, count = face_points(cells, structure.tall(0.9))
    assert count.min() >= 3
    off = shapely.distance(ROOM.exterior, shapely.points(xy))
    corner = shapely.distance(shapely.MultiPoint(ROOM.exterior.coords), shapely.points(xy)) < CELL_M
    assert off[~corner].max() < 5 * NOISE_M / 2
    assert off[corner].max() < 0.5 * CELL_M
    assert len(xy) > 0.8 * ROOM.length / CELL_M


def test_foot_points_lie_on_the_skirting() -> None:
    """Points just above the floor are those of a skirting 18 mm before the wall, not the wall's.

    Within five standard errors of a mean of two points, corners aside.
    """
    rng = np.random.default_rng(6)
    inner = ROOM.buffer(-0.018, join_style="mitre")
    points = np.concatenate(
        [
            carpet(inner, 2000, rng),
            faces(inner, 0.0, 0.08, 3000, rng),
            faces(ROOM, 0.08, 1.2, 1500, rng),
        ]
    )
    cells, structure = structure_of(points)
    xy, _ = foot_points(cells, structure.tall(0.9))
    away = shapely.distance(shapely.MultiPoint(ROOM.exterior.coords), shapely.points(xy)) > 0.08
    off = shapely.distance(inner.exterior, shapely.points(xy[away]))
    assert len(off) > 0.6 * ROOM.length / CELL_M
    assert off.max() < 5 * NOISE_M / np.sqrt(2)
