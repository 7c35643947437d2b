"""Simulated scans obey geometry: what is seen, how densely, and what is hidden."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose, assert_array_equal
from shapely import affinity

import scenes
from pourdatum.errors import JobError
from pourdatum.simulate import (
    Blob,
    Crate,
    Door,
    Hit,
    Hole,
    Hump,
    Ramp,
    Relief,
    Round,
    Scene,
    Sensor,
    Square,
    Wave,
    place_stations,
    scan_scene,
    scene_truth,
    sensor,
)

NOISE_M = 0.0015
CENTRE = ((2.5, 2.0, 1.5),)


def quiet(stations: tuple[tuple[float, float, float], ...], **changes: float) -> Sensor:
    """A tripod without specks, mirrors and mixed points."""
    calm = {"speck_share": 0.0, "mirror_share": 0.0, "mixed_share": 0.0}
    return sensor("tripod", stations, **(calm | changes))


def local(shot, scene):
    """Points of a shot in the scene's local frame."""
    return shot.points_m - np.asarray(scene.site_m)


# --- the floor is the formula -------------------------------------------------------------


@pytest.mark.parametrize(
    "scene",
    [scenes.flat_room(), scenes.hump_room(), scenes.cluttered_room(), scenes.pit_room()],
    ids=lambda scene: scene.name,
)
def test_floor_points_scatter_about_the_formula_without_bias(scene: Scene) -> None:
    """Floor points miss the analytic floor by 0 on the mean, within five standard errors."""
    shot = scenes.shot_of(scene)
    on = shot.what == Hit.FLOOR
    x, y, z = shot.points_m[on].T
    miss = z - scene.height_m(x, y)
    assert on.sum() > 5000
    assert abs(miss.mean()) < 5 * NOISE_M / math.sqrt(on.sum())


def test_without_noise_every_floor_point_lies_on_the_formula() -> None:
    """With a range noise of 0, floor points solve z = f(x, y) to a micrometre, on ramps too."""
    relief = Relief(
        slope_x=0.003,
        humps=(Hump(1.5, 1.5, 0.01, 0.6, "cap"), Hump(3.5, 2.8, 0.008, 0.5, "gaussian")),
        waves=(Wave(0.002, 4.0, 0.7, 0.1),),
        ramps=(Ramp(2.0, 0.0, 0.0, 2.0, 0.15),),
    )
    scene = scenes.rectangle(relief=relief)
    shot = scan_scene(scene, quiet(((0.8, 1.0, 1.5),), noise_m=0.0), 3, points=30_000)
    x, y, z = shot.points_m[shot.what == Hit.FLOOR].T
    assert len(x) > 3000
    assert_allclose(z, scene.height_m(x, y), atol=1e-6, rtol=0)


@pytest.mark.parametrize("growth", [0.0, 1.0])
def test_range_noise_grows_at_grazing_incidence(growth: float) -> None:
    """Scatter in height at incidence i is noise * sqrt(cos² i + growth² sin² i).

    From sigma_range = noise * sqrt(1 + (growth tan i)²), times cos i.
    """
    scene = scenes.rectangle(16.0, 4.0)
    shot = scan_scene(scene, quiet(((1.0, 2.0, 1.5),), grazing=growth), 5, floor_points=40_000)
    x, y, z = shot.points_m[shot.what == Hit.FLOOR].T
    incidence = np.arctan(np.hypot(x - 1.0, y - 2.0) / 1.5)
    for low, high in ((0.4, 0.8), (1.3, 1.45)):
        ring = (incidence >= low) & (incidence < high)
        sigma2 = np.cos(incidence[ring]) ** 2 + growth**2 * np.sin(incidence[ring]) ** 2
        expected = NOISE_M * math.sqrt(sigma2.mean())
        # The standard deviation of n normal values is known to 1/sqrt(2n).
        assert abs(z[ring].std() / expected - 1) < 5 / math.sqrt(2 * ring.sum())


# --- sensors see in angles -----------------------------------------------------------------


def test_density_falls_with_distance_as_the_solid_angle_says() -> None:
    """Points in a ring of floor count what its solid angle holds, to two points.

    A ring from r1 to r2 around an instrument at height h fills
    2 pi (h/sqrt(h²+r1²) - h/sqrt(h²+r2²)) steradian; rays hold equal pieces of the sphere.
    """
    scene = scenes.rectangle(12.0, 12.0)
    h = 1.6
    instrument = quiet(((6.0, 6.0, h),), noise_m=0.0, step_rad=0.008, top_rad=0.3)
    shot = scan_scene(scene, instrument, 1)
    x, y, _ = shot.points_m[shot.what == Hit.FLOOR].T
    away = np.hypot(x - 6.0, y - 6.0)
    per_steradian = 1 / 0.008**2
    density = []
    for r1, r2 in ((1.0, 2.0), (2.0, 3.0), (3.0, 4.0), (4.0, 5.5)):
        angle = 2 * math.pi * (h / math.hypot(h, r1) - h / math.hypot(h, r2))
        found = np.count_nonzero((away >= r1) & (away < r2))
        assert abs(found - angle * per_steradian) <= 2
        density.append(found / (math.pi * (r2**2 - r1**2)))
    assert density == sorted(density, reverse=True)


def test_a_tripod_does_not_see_the_cone_below_itself() -> None:
    """Nothing lies nearer to the foot of the tripod than h tan(blind angle)."""
    scene = scenes.flat_room()
    blind = math.radians(30.0)
    shot = scan_scene(scene, quiet(CENTRE, noise_m=0.0, blind_rad=blind), 1, points=20_000)
    x, y, _ = shot.points_m[shot.what == Hit.FLOOR].T
    nearest = np.hypot(x - 2.5, y - 2.0).min()
    assert 1.5 * math.tan(blind) <= nearest < 1.5 * math.tan(blind) + 0.02


def test_floor_behind_and_beneath_a_crate_has_no_points() -> None:
    """A crate as high as the instrument hides all floor in its shadow, and its own footprint.

    The shadow of the front face x = 2, y from 1.6 to 2.4, seen from (0.5, 2), is the wedge
    |y - 2| < 0.4 (x - 0.5) / 1.5.
    """
    crate = Crate(2.25, 2.0, 0.5, 0.8, 1.6)
    scene = scenes.flat_room(crates=(crate,))
    shot = scan_scene(scene, quiet(((0.5, 2.0, 1.5),), noise_m=0.0), 1, points=40_000)
    x, y, _ = shot.points_m[shot.what == Hit.FLOOR].T
    hidden = (x > 2.0) & (np.abs(y - 2.0) < 0.4 * (x - 0.5) / 1.5)
    beside = (x > 2.6) & ~hidden
    assert not hidden.any()
    assert beside.sum() > 500


def test_floor_beneath_a_table_is_seen_and_its_legs_are_hit() -> None:
    """A table hides only part of the floor beneath it."""
    table = Crate(3.5, 2.0, 1.2, 0.8, 0.74, legs=True)
    scene = scenes.flat_room(crates=(table,))
    shot = scan_scene(scene, quiet(((0.8, 2.0, 1.5),)), 1, points=60_000)
    inside = shapely.contains_xy(table.outline, shot.points_m[:, 0], shot.points_m[:, 1])
    low = inside & (shot.what == Hit.LOOSE) & (shot.points_m[:, 2] < 0.6)
    assert np.count_nonzero(inside & (shot.what == Hit.FLOOR)) > 100
    assert np.count_nonzero(low) > 20


def test_points_lie_on_what_they_were_said_to_hit() -> None:
    """Walls on the outline, ceiling at its height, columns on their circle, without noise."""
    scene = scenes.cluttered_room(polished=False)
    stations = place_stations(scene, 2)
    shot = scan_scene(scene, quiet(stations, noise_m=0.0), 2, points=60_000)
    place = local(shot, scene)
    at = {hit: place[shot.what == hit] for hit in Hit}
    walls = shapely.points(at[Hit.WALL][:, :2])
    assert shapely.distance(scene.room.exterior, walls).max() < 1e-6
    assert_allclose(at[Hit.CEILING][:, 2], 2.7, atol=1e-6)
    column = at[Hit.COLUMN][:, :2] - [2.9, 1.6]
    assert_allclose(np.hypot(*column.T), 0.13, atol=1e-6)
    for crate_points in at[Hit.LOOSE]:
        spot = shapely.Point(crate_points[:2])
        assert min(crate.outline.distance(spot) for crate in scene.crates) < 1e-6
    assert all(len(at[hit]) > 50 for hit in (Hit.WALL, Hit.CEILING, Hit.COLUMN, Hit.LOOSE))


def test_walls_stand_down_to_the_floor() -> None:
    """Wall points reach to within 3 mm of the floor: what pulls a careless edge up exists."""
    scene = scenes.flat_room()
    shot = scan_scene(scene, quiet(CENTRE), 1, points=100_000)
    low = shot.points_m[shot.what == Hit.WALL][:, 2]
    assert np.count_nonzero(low < 0.003) > 10
    assert np.count_nonzero(low < 0.02) > 100


def test_a_door_lets_rays_out_and_the_floor_ends_in_it() -> None:
    """Nothing is met in the gap of a door below its head, nor floor or ceiling beyond it."""
    scene = scenes.flat_room(doors=(Door(0, 2.0, 3.0, 2.05),), ceiling_m=2.4)
    shot = scan_scene(scene, quiet(CENTRE, noise_m=0.0), 1, points=40_000)
    x, y, z = shot.points_m.T
    assert y.min() >= -1e-9
    in_gap = (shot.what == Hit.WALL) & (y < 1e-6) & (x > 2.0) & (x < 3.0)
    assert np.all(z[in_gap] > 2.05)
    assert in_gap.any()


@pytest.mark.parametrize(
    "shape", [Round(1.5, 2.5, 0.12), Square(1.5, 2.5, 0.3, 0.2, 0.3)], ids=["drain", "pit"]
)
def test_openings_are_seen_into(shape: Round | Square) -> None:
    """Rays into an opening end on its side or its bottom, below the rim, none on its lid."""
    scene = scenes.flat_room(holes=(Hole(shape, 0.2),))
    shot = scan_scene(scene, quiet(((1.1, 2.1, 1.5), (2.5, 2.0, 1.5)), noise_m=0.0,
                                    blind_rad=0.1), 1, points=150_000)  # fmt: skip
    x, y, z = shot.points_m[shot.what == Hit.OPENING].T
    outline = shape.outline.buffer(1e-4)
    assert shapely.contains_xy(outline, x, y).all()
    assert z.min() == pytest.approx(-0.2, abs=1e-9)
    assert z.max() <= 0.0
    bottom = z < -0.2 + 1e-9
    side = ~bottom
    assert bottom.sum() > 20
    assert side.sum() > 20
    edge = shapely.distance(shape.outline.exterior, shapely.points(x[side], y[side]))
    assert edge.max() < 2e-4  # a 256-gon stands in for the circle
    floor = shot.points_m[shot.what == Hit.FLOOR]
    inner = shape.outline.buffer(-1e-4)
    assert not shapely.contains_xy(inner, floor[:, 0], floor[:, 1]).any()


def test_nibs_stand_on_the_floor_as_high_and_wide_as_stated() -> None:
    """Points on a blob lie on its half ellipsoid, and enter no level of the truth."""
    blob = Blob(2.0, 3.0, 0.06, 0.02)
    scene = scenes.flat_room(blobs=(blob,))
    shot = scan_scene(scene, quiet(((1.2, 2.2, 1.5),), noise_m=0.0), 1, floor_points=100_000)
    x, y, z = shot.points_m[shot.what == Hit.NIB].T
    form = ((x - 2.0) / 0.03) ** 2 + ((y - 3.0) / 0.03) ** 2 + (z / 0.02) ** 2
    assert len(x) > 20
    assert_allclose(form, 1.0, atol=1e-6)
    truth = scene_truth(scene)
    assert truth.high_z_m == 0.0
    assert truth.nibs[0]["height_mm"] == 20.0


# --- seeds ---------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bits_and_another_seed_other_points() -> None:
    """A scan is a function of scene, sensor, seed and number of points."""
    scene = scenes.cluttered_room()
    one, two, other = (scenes.shot_of(scene, seed=seed, points=20_000) for seed in (1, 1, 2))
    assert_array_equal(one.points_m, two.points_m)
    assert_array_equal(one.station, two.station)
    assert not np.array_equal(one.points_m[:1000], other.points_m[:1000])


def test_the_number_of_points_is_about_what_was_asked_for() -> None:
    """Within 3 %, in all or on the floor."""
    scene = scenes.cluttered_room(polished=False)
    assert abs(len(scenes.shot_of(scene, points=40_000).points_m) / 40_000 - 1) < 0.03
    assert abs(scenes.shot_of(scene, floor_points=20_000).floor_points / 20_000 - 1) < 0.03


# --- refusals ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"seed": -1}, "seed is -1; give 0 or more"),
        ({"points": 0}, "0 points were asked for; ask for 1 or more"),
        ({"points": 5, "floor_points": 5}, "points and floor_points were both given"),
        ({"points": 10**12}, "rays would be needed; ask for fewer points"),
    ],
)
def test_a_scan_that_cannot_be_is_refused(changes: dict[str, int], message: str) -> None:
    """Seeds and numbers of points out of range are named, with what would do."""
    with pytest.raises(JobError, match=message):
        scan_scene(scenes.flat_room(), quiet(CENTRE), **({"seed": 1} | changes))


@pytest.mark.parametrize(
    ("stations", "message"),
    [
        ((), "the sensor has no station"),
        (((9.0, 2.0, 1.5),), r"near \(9.00, 2.00\) leaves the room or stands in a thing"),
        (((4.0, 3.2, 1.5),), r"near \(4.00, 3.20\) leaves the room or stands in a thing"),
    ],
)
def test_a_station_must_stand_in_the_room(stations: tuple, message: str) -> None:
    """No instrument stands outside, or inside a crate."""
    scene = scenes.flat_room(crates=(Crate(4.0, 3.2, 0.6, 0.6, 0.9),))
    with pytest.raises(JobError, match=message):
        scan_scene(scene, quiet(stations), 1, points=1000)


def test_an_unknown_kind_of_sensor_is_refused() -> None:
    """The kinds that there are are listed."""
    with pytest.raises(JobError, match="'sonar' is not known; use tripod, mobile or phone"):
        sensor("sonar", CENTRE)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"outline": ((0, 0), (0, 4), (5, 4), (5, 0))}, "crosses itself or runs clockwise"),
        ({"columns": (Round(0.1, 2, 0.3),)}, r"at \(0.10, 2.00\) leaves the room or meets"),
        (
            {"columns": (Round(2, 2, 0.3),), "holes": (Hole(Round(2.2, 2, 0.1), 0.2),)},
            r"at \(2.20, 2.00\) leaves the room or meets",
        ),
    ],
)
def test_a_scene_whose_truth_would_be_wrong_is_refused(parts: dict, message: str) -> None:
    """Outlines run anticlockwise; cut-outs lie inside and apart."""
    with pytest.raises(JobError, match=message):
        scenes.rectangle(**parts)


# --- surveyors' places ---------------------------------------------------------------------


def test_set_ups_keep_clear_and_each_sees_more() -> None:
    """Found set-ups stand 0.6 m off everything, and the second adds to the first."""
    scene = scenes.cluttered_room()
    setups = place_stations(scene, 3)
    solid = [thing.outline for thing in (*scene.columns, *scene.crates)]
    for x, y, _ in setups:
        spot = shapely.Point(x, y)
        assert scene.room.exterior.distance(spot) >= 0.6
        assert min(outline.distance(spot) for outline in solid) >= 0.6
    assert len(set(setups)) == 3


def test_a_room_with_no_place_to_stand_is_refused() -> None:
    """A closet of 1 by 1 m leaves no place that is clear by 0.6 m."""
    with pytest.raises(JobError, match=r"nowhere in the room is free by 0.6 m"):
        place_stations(scenes.rectangle(1.0, 1.0), 1)


def test_turning_the_whole_scene_turns_the_scan() -> None:
    """Geometry has no favoured axis: a turned room seen from its turned station has as much
    floor, crate and wall, to what another start bearing changes.
    """
    scene = scenes.flat_room(crates=(Crate(3.6, 1.1, 0.7, 0.5, 0.8, 0.2),))
    turn = 0.7
    outline = affinity.rotate(scene.room, turn, origin=(0, 0), use_radians=True)
    cos, sin = math.cos(turn), math.sin(turn)
    at = lambda x, y: (x * cos - y * sin, x * sin + y * cos)  # noqa: E731
    turned = Scene(
        name="turned",
        outline=tuple(outline.exterior.coords)[:-1],
        crates=(Crate(*at(3.6, 1.1), 0.7, 0.5, 0.8, 0.2 + turn),),
    )
    one = scan_scene(scene, quiet(CENTRE, step_rad=0.01), 1)
    two = scan_scene(turned, quiet(((*at(2.5, 2.0), 1.5),), step_rad=0.01), 1)
    for hit in (Hit.FLOOR, Hit.LOOSE, Hit.WALL):
        a, b = (np.count_nonzero(shot.what == hit) for shot in (one, two))
        # Rays evenly spread count no worse than rays sown at random.
        assert abs(a - b) < 3 * math.sqrt(a)
