"""Columns and holes are cut out of the floor, crates only hide it, and none of them is invented."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import affinity

import scenes
from made_scan import NOISE_M, carpet, faces, flat, floor_of, made_scan, walled
from pourdatum.floor import Floor, find_floor
from pourdatum.footprint import footprint
from pourdatum.simulate import Crate, Hit, Hole, Round, Scene, Square

ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)
MIDDLE = (1.73, 1.41)
COLUMNS = {
    "square": shapely.box(1.58, 1.26, 1.88, 1.56),
    "turned": affinity.rotate(shapely.box(1.53, 1.26, 1.93, 1.56), 25.0),
    "round": shapely.Point(MIDDLE).buffer(0.15, quad_segs=32),
    "thick": shapely.Point(MIDDLE).buffer(0.3, quad_segs=32),
}


def scanned(scene: Scene, seed: int, **how: object) -> tuple[NDArray[np.float64], Floor]:
    """Points of a simulated scan and the floor found in them, in the scene's local plan."""
    shot = scenes.shot_of(scene, seed=seed, **how)
    points = shot.points_m - np.asarray(scene.site_m)
    return points, find_floor(made_scan(points))


def kinds(floor: Floor) -> list[str]:
    """Kinds of things found, sorted."""
    return sorted(thing.kind for thing in floor.obstructions)


# --- columns -------------------------------------------------------------------------------------


def with_column(column: shapely.Polygon, ceiling: bool, seed: int = 1) -> np.ndarray:
    """A room with a column that was seen all round, as tall as the walls."""
    rng = np.random.default_rng(seed)
    parts = [
        carpet(ROOM - column, 2500, rng),
        faces(ROOM, 0.0, 2.4, 900, rng),
        faces(column, 0.0, 2.4, 1500, rng),
    ]
    if ceiling:
        parts.append(carpet(ROOM, 700, rng, height=lambda x, y: flat(x, y) + 2.4))
    return np.concatenate(parts)


@pytest.mark.parametrize(("name", "ceiling"), [
    ("square", False), ("turned", True), ("round", True), ("thick", False),
])  # fmt: skip
def test_a_column_is_cut_out(name, ceiling) -> None:
    """A column, square, turned or round, is cut out of the floor with its area to 5 %.

    Faces are means over hundreds of points, but of those a few within noise of a corner belong
    to the next face, and a cell's mean lies on the chord of a round one: 2 mm of the 300 mm.
    """
    column = COLUMNS[name]
    floor = floor_of(with_column(column, ceiling))
    assert kinds(floor) == ["column"]
    found = floor.obstructions[0]
    assert found.area_m2 == pytest.approx(column.area, rel=0.05)
    assert found.outline.symmetric_difference(column).area < 0.1 * column.area
    assert np.hypot(*np.subtract(found.place_m, MIDDLE)) < 0.005
    assert found.height_m == pytest.approx(2.4, abs=0.11)
    assert floor.area_m2 == pytest.approx((ROOM - column).area, rel=0.001)
    assert len(floor.outline.interiors) == 1
    assert not floor.outline.contains(shapely.Point(MIDDLE))
    assert floor.openings == ()


@pytest.mark.parametrize("seed", [61, 62, 63])
def test_a_column_of_which_two_faces_were_seen(seed) -> None:
    """Two set-ups that see two or three faces of a turned square column: its area to 10 %.

    What is not seen is taken as far as the seen faces reach.
    """
    scene = scenes.pit_room()
    _, floor = scanned(scene, seed, setups=2, floor_points=50_000, top_rad=1.2)
    assert kinds(floor) == ["column"]
    assert floor.obstructions[0].area_m2 == pytest.approx(0.3 * 0.3, rel=0.1)


@settings(max_examples=30)
@example(length=0.75, width=0.5625, degrees=52, seed=2740, seen=(0, 1, 2, 3))
@example(length=0.75, width=0.578125, degrees=76, seed=27317, seen=(0, 1, 2, 3))
@given(
    st.floats(0.15, 0.8), st.floats(0.15, 0.8), st.floats(0, 90),
    st.sampled_from([(0, 1, 2, 3), (0, 1, 2), (1, 2, 3)]), st.integers(0, 2**32),
)  # fmt: skip
def test_three_faces_give_the_footprint(length, width, degrees, seen, seed) -> None:
    """From three faces or four, places every 20 mm with noise, the rectangle is known to 2 %.

    2 mm of mean error on the shortest side of 150 mm would be 1.3 %: a face of eight places or
    more of 1.5 mm is known to 0.5 mm, and the ends to the place nearest to them.
    """
    box = shapely.box(0.0, 0.0, length, width)
    corners = np.asarray(box.exterior.coords)
    rng = np.random.default_rng(seed)
    places = []
    for side in seen:
        n = max(round(float(np.hypot(*(corners[side + 1] - corners[side]))) / 0.02), 8)
        t = np.linspace(0.0, 1.0, n)[:, None]
        places.append(corners[side] * (1 - t) + corners[side + 1] * t)
    xy = np.concatenate(places)
    turn = np.radians(degrees)
    xy = xy @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    xy += 0.2 * NOISE_M * rng.standard_normal(xy.shape)
    shape = footprint(xy, np.ones(len(xy)))
    assert shape is not None
    assert len(shape.exterior.coords) == 5
    assert shape.area == pytest.approx(box.area, rel=0.02)


@pytest.mark.parametrize("arc_deg", [360.0, 200.0])
def test_a_round_footprint_is_a_circle(arc_deg) -> None:
    """From all or a little over half of its round a column is a circle, with its area to 2 %."""
    turn = np.radians(np.linspace(0.0, arc_deg, 40, endpoint=False))
    rng = np.random.default_rng(2)
    xy = 0.2 * np.stack([np.cos(turn), np.sin(turn)], axis=1) + [3.0, -1.0]
    xy += 0.2 * NOISE_M * rng.standard_normal(xy.shape)
    shape = footprint(xy, np.ones(40))
    assert shape is not None
    assert shape.area == pytest.approx(np.pi * 0.2**2, rel=0.02)
    assert np.hypot(shape.centroid.x - 3.0, shape.centroid.y + 1.0) < 0.003


def test_a_thing_of_no_plain_shape_has_no_footprint() -> None:
    """Places strewn over a square metre lie on neither a rectangle nor a circle."""
    xy = np.random.default_rng(3).uniform(0.0, 1.0, (60, 2))
    assert footprint(xy, np.ones(60)) is None


def test_dust_below_a_ceiling_is_no_column() -> None:
    """A speck in the air between a crate and the ceiling does not make the crate a column.

    One ray in two thousand is caught by dust: some 150 specks in the room, of which one or two
    hang over a crate's edge.
    """
    scene = scenes.flat_room(
        ceiling_m=2.6, crates=(Crate(1.2, 1.0, 0.8, 0.6, 0.5), Crate(3.8, 2.6, 0.6, 0.6, 0.9, 0.4))
    )
    for seed in (41, 42):
        _, floor = scanned(scene, seed, setups=2, floor_points=50_000, top_rad=1.2)
        assert kinds(floor) == ["loose", "loose"]


# --- loose things --------------------------------------------------------------------------------


def test_a_crate_is_listed_and_its_floor_stays() -> None:
    """A crate amid a room is a loose thing, with place, footprint and height; it cuts nothing.

    Its footprint is that of the cells its faces run through: half a cell more or less all round.
    """
    crate = shapely.box(1.5, 1.0, 2.3, 1.6)
    floor = floor_of(walled(ROOM, np.random.default_rng(4), things=((crate, 0.5),), wall_m=2.4))
    assert kinds(floor) == ["loose"]
    thing = floor.obstructions[0]
    assert abs(thing.area_m2 - crate.area) < 0.6 * floor.cell_m * crate.length
    assert np.hypot(thing.place_m[0] - 1.9, thing.place_m[1] - 1.3) < 0.5 * floor.cell_m
    # Heights are in layers of 0.1 m.
    assert thing.height_m == pytest.approx(0.5, abs=0.11)
    assert floor.area_m2 == pytest.approx(ROOM.area, rel=0.001)
    assert floor.outline.contains(shapely.Point(1.9, 1.3))
    assert floor.openings == ()


@pytest.mark.parametrize("polished", [False, True])
def test_shadows_of_crates_and_a_table_are_no_openings(polished) -> None:
    """Two crates, a table and the shade behind them: three loose things, no opening, whole area.

    From two set-ups; on a polished slab their mirror images lie below the floor as well.
    """
    scene = scenes.flat_room(
        polished=polished,
        crates=(
            Crate(1.2, 1.0, 0.8, 0.6, 0.5),
            Crate(3.8, 2.6, 0.6, 0.6, 0.9, 0.4),
            Crate(2.6, 3.4, 1.0, 0.6, 0.74, legs=True),
        ),
    )
    for seed in (51, 52):
        _, floor = scanned(scene, seed, setups=2, floor_points=50_000)
        assert floor.openings == ()
        assert kinds(floor) == ["loose"] * 3
        assert floor.area_m2 == pytest.approx(20.0, rel=0.003)
        for crate in scene.crates:
            assert any(
                crate.outline.buffer(0.05).contains(shapely.Point(thing.place_m))
                for thing in floor.obstructions
            )


# --- openings ------------------------------------------------------------------------------------


SMALL = shapely.box(0.0, 0.0, 2.2, 1.8)
DENSE_PER_M2 = 12_000.0


def with_hole(hole: shapely.Polygon, bottom_m: float | None, seed: int) -> np.ndarray:
    """A densely seen room with a hole; points on its bottom at a depth, or none in it."""
    rng = np.random.default_rng(seed)
    parts = [carpet(SMALL - hole, DENSE_PER_M2, rng), faces(SMALL, 0.0, 1.2, 900, rng)]
    if bottom_m is not None:
        below = carpet(hole, DENSE_PER_M2 / 3, rng, height=lambda x, y: flat(x, y) - bottom_m)
        parts.append(below)
    return np.concatenate(parts)


def hole_at(x: float, y: float, width_m: float, round_: bool) -> shapely.Polygon:
    """A drain or a pit about a place."""
    half = width_m / 2
    if round_:
        return shapely.Point(x, y).buffer(half, quad_segs=32)
    return shapely.box(x - half, y - half, x + half, y + half)


@pytest.mark.parametrize("bottom_m", [None, 0.15], ids=["unseen", "seen"])
@pytest.mark.parametrize(
    ("width_m", "round_"), [(0.1, True), (0.1, False), (0.15, True), (0.3, False)]
)
def test_a_hole_in_the_floor_is_found(width_m, round_, bottom_m) -> None:
    """A drain or pit from 100 mm across is found wherever it lies, with points in it or none.

    Its area is that of the points that are missing, in cells of 25 mm out to one beyond the
    rim: of 12 000 points per m² their number scatters by its root, and three times that is
    allowed. It is cut out of the floor; depth is stated where points were seen in it only.
    """
    for seed in (1, 2, 3):
        x, y = np.random.default_rng(seed).uniform(0.7, 1.1, 2)
        hole = hole_at(x, y, width_m, round_)
        floor = floor_of(with_hole(hole, bottom_m, seed))
        assert len(floor.openings) == 1, f"at ({x:.3f}, {y:.3f})"
        found = floor.openings[0]
        rim = hole.buffer(floor.cell_m) - hole.buffer(-floor.cell_m)
        assert abs(found.area_m2 - hole.area) < 3 * np.sqrt(rim.area / DENSE_PER_M2)
        assert found.outline.area == pytest.approx(found.area_m2)
        assert np.hypot(*np.subtract(found.place_m, (x, y))) < floor.cell_m
        if bottom_m is None:
            assert (bool(found.seen), found.depth_m) == (False, None)
        else:
            assert found.seen
            assert found.depth_m == pytest.approx(bottom_m, abs=3 * NOISE_M)
        assert floor.area_m2 == pytest.approx(SMALL.area - found.area_m2, rel=0.001)
        assert not floor.outline.contains(shapely.Point(x, y))
        assert floor.obstructions == ()


def test_two_holes_are_two_openings() -> None:
    """A drain and a pit 0.8 m apart are told apart, each where it is to a cell."""
    near, far = hole_at(0.6, 0.7, 0.15, False), hole_at(1.4, 0.9, 0.2, True)
    floor = floor_of(with_hole(near.union(far), 0.2, seed=5))
    places = sorted(opening.place_m for opening in floor.openings)
    assert len(places) == 2
    assert np.allclose(places, [(0.6, 0.7), (1.4, 0.9)], atol=floor.cell_m)


@pytest.mark.parametrize("seed", [81, 82])
def test_holes_are_found_in_simulated_scans(seed) -> None:
    """A pit and a drain of 160 mm, looked into slantwise by three set-ups, are found and no more.

    The slanting look takes some floor beyond the rim for the hole's: 10 mm all round.
    """
    scene = scenes.flat_room(
        holes=(Hole(Square(1.5, 2.5, 0.3, 0.4, 0.2), 0.25), Hole(Round(3.7, 1.1, 0.08), 0.2)),
        polished=True,
    )
    points, floor = scanned(scene, seed, setups=3, floor_points=70_000)
    assert points.shape[0] > 70_000
    found = sorted(floor.openings, key=lambda opening: opening.place_m)
    assert len(found) == 2
    for opening, hole in zip(found, scene.holes, strict=True):
        assert np.hypot(*np.subtract(opening.place_m, (hole.shape.x_m, hole.shape.y_m))) < 0.02
        outline = hole.shape.outline
        assert abs(opening.area_m2 - hole.shape.area_m2) < 0.01 * outline.length
        assert opening.seen
        assert 0.04 < opening.depth_m < hole.depth_m + 3 * NOISE_M
    assert kinds(floor) == []


@pytest.mark.parametrize("setups", [1, 2])
@pytest.mark.parametrize("polished", [False, True])
def test_nothing_is_invented_in_a_plain_room(setups, polished) -> None:
    """In an empty room there is no opening and no thing, over several draws.

    The blind spot below a tripod, 1.4 m across, is unseen and not open; specks and, on a
    polished slab, mirrored walls and ceiling are no things and no depth.
    """
    scene = scenes.flat_room(polished=polished, ceiling_m=2.6)
    for seed in (90, 91):
        shot = scenes.shot_of(scene, seed=seed, setups=setups, floor_points=30_000, top_rad=1.0)
        assert np.any(shot.what == Hit.SPECK)
        floor = find_floor(made_scan(shot.points_m))
        assert (floor.openings, floor.obstructions) == ((), ())
        assert floor.area_m2 == pytest.approx(20.0, rel=0.003)


def test_reflections_in_unseen_floor_are_no_depth() -> None:
    """Mirrored points below a tripod's blind spot and below a crate do not make them openings.

    A slab that mirrors one ray in twenty shows a room upside down: points strewn from 0.1 to
    2 m below all of the floor, seen or not, and the crate's own image straight below it.
    """
    rng = np.random.default_rng(7)
    spot = shapely.Point(1.2, 1.6).buffer(0.5)
    crate = shapely.box(2.6, 1.2, 3.2, 1.8)
    points = walled(ROOM, rng, per_m2=4000.0, things=((crate, 0.5),))
    blind = shapely.contains_xy(spot, points[:, 0], points[:, 1])
    image = carpet(ROOM, 200.0, rng, height=lambda x, y: rng.uniform(-2.0, -0.1, x.size))
    below = faces(crate, -0.5, 0.0, 400.0, rng)
    floor = floor_of(np.concatenate([points[~blind], image, below]))
    assert floor.openings == ()
    assert kinds(floor) == ["loose"]
    assert floor.area_m2 == pytest.approx(ROOM.area, rel=0.003)


@pytest.mark.parametrize("per_m2", [800.0, 3000.0])
def test_chance_opens_no_holes(per_m2) -> None:
    """Where points are strewn by chance, some cells are empty: none of them is an opening."""
    for seed in range(3):
        floor = floor_of(walled(ROOM, np.random.default_rng(seed), per_m2=per_m2))
        assert (floor.openings, floor.obstructions) == ((), ())


@pytest.mark.parametrize("radius_m", [0.15, 0.3, 0.6])
def test_a_dip_in_the_floor_is_no_hole(radius_m) -> None:
    """A hollow 25 mm deep, from a pothole of 0.3 m to a dish of 1.2 m, is floor to be filled."""

    def hollow(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return -0.025 * np.exp(-2.0 * ((x - 2.0) ** 2 + (y - 1.5) ** 2) / radius_m**2)

    floor = floor_of(walled(ROOM, np.random.default_rng(1), per_m2=4000.0, height=hollow))
    assert floor.openings == ()
    assert floor.area_m2 == pytest.approx(ROOM.area, rel=0.001)


def test_between_two_tripods_nothing_opens() -> None:
    """The lens that lies in the blind spots of two set-ups a metre apart is unseen, not open."""
    scene = scenes.flat_room()
    for seed in (2, 3, 4):
        _, floor = scanned(scene, seed, setups=2, floor_points=70_000, top_rad=0.3)
        assert floor.openings == ()
        assert floor.area_m2 == pytest.approx(20.0, rel=0.003)


def test_the_shade_behind_a_bucket_is_no_opening() -> None:
    """Small things, 0.1 to 0.3 m high, and the short shadows that they cast open nothing."""
    scene = scenes.flat_room(
        crates=(Crate(1.2, 1.0, 0.25, 0.25, 0.2), Crate(3.8, 2.6, 0.2, 0.3, 0.12, 0.4),
                Crate(2.2, 3.0, 0.3, 0.3, 0.3, 0.7), Crate(3.2, 0.9, 0.2, 0.2, 0.1)),
    )  # fmt: skip
    for seed in (1, 2):
        _, floor = scanned(scene, seed, setups=1, floor_points=50_000, top_rad=0.3)
        assert floor.openings == ()
        assert kinds(floor) == ["loose"] * 4


def test_a_low_thing_has_its_height() -> None:
    """A pallet 0.15 m high and a bucket of 0.25 m are listed with their heights, to a layer."""
    things = ((shapely.box(0.8, 0.8, 2.0, 1.6), 0.15), (shapely.box(3.0, 1.8, 3.3, 2.1), 0.25))
    floor = floor_of(walled(ROOM, np.random.default_rng(5), things=things))
    heights = [thing.height_m for thing in sorted(floor.obstructions, key=lambda t: t.place_m)]
    assert heights == pytest.approx([0.15, 0.25], abs=0.11)


@pytest.mark.parametrize("cell_m", [0.025, 0.05])
@pytest.mark.parametrize(("high_m", "ceiling_m"), [
    (0.12, 2.6), (0.45, None), (0.9, None), (0.9, 2.6), (1.3, 2.6),
])  # fmt: skip
def test_a_crate_has_its_height_on_any_cells(high_m, ceiling_m, cell_m) -> None:
    """A crate of 0.8 by 0.6 m whose top a tripod sees is listed with its height to 20 mm.

    Its top is scanned to 2 mm a point; what is off is that a cell's highest voxel, of 50 mm,
    holds points of the faces below the top as well, in cells of the rim alone.
    """
    scene = scenes.flat_room(crates=(Crate(1.6, 1.4, 0.8, 0.6, high_m, 0.3),), ceiling_m=ceiling_m)
    for setups in (1, 2):
        floor = _scanned_on(scene, cell_m, seed=setups, setups=setups)
        assert kinds(floor) == ["loose"]
        assert floor.obstructions[0].height_m == pytest.approx(high_m, abs=0.020)


def _scanned_on(scene: Scene, cell_m: float, **how: object) -> Floor:
    shot = scenes.shot_of(scene, floor_points=120_000, top_rad=0.6, **how)
    points = shot.points_m - np.asarray(scene.site_m)
    return find_floor(made_scan(points), cell_m=cell_m)
