"""The truth of a scene is what formulas say, and no scan enters it."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from shapely import affinity

import scenes
from pourdatum.errors import JobError
from pourdatum.simulate import (
    Hole,
    Hump,
    Ramp,
    Relief,
    Round,
    Scene,
    Square,
    Wave,
    highest_patch,
    patch_mean,
    random_room,
    scene_truth,
    truth_json,
)
from pourdatum.simulate.quadrature import integrate

PLANE_AND_CUTS = scenes.rectangle(
    8.0,
    6.0,
    relief=Relief(level_m=0.01, slope_x=0.001, slope_y=-0.0005),
    columns=(Round(6, 4, 0.2), Square(6, 1, 0.3, 0.3, 0.3)),
    holes=(Hole(Round(1, 5, 0.08), 0.3),),
)


def integral_of_plane(scene: Scene) -> tuple[float, float]:
    """Area and integral of the plane: each piece has its mean at its centre."""
    pieces = [(48.0, 4.0, 3.0)] + [(-cut.area_m2, cut.x_m, cut.y_m) for cut in scene.cuts]
    relief = scene.relief
    return (
        sum(area for area, _, _ in pieces),
        sum(a * (relief.level_m + relief.slope_x * x + relief.slope_y * y) for a, x, y in pieces),
    )


def hump_volume(hump: Hump) -> float:
    """Volume of a hump by Simpson's rule over its radius, independent of its closed form."""
    reach = hump.radius_m * (3 if hump.shape == "gaussian" else 1)
    r = np.linspace(0.0, reach, 20_001)
    z, _ = hump.profile(r * r)
    weights = np.ones_like(r)
    weights[1:-1:2], weights[2:-1:2] = 4.0, 2.0
    return float(np.sum(weights * 2 * math.pi * r * z) * (r[1] / 3))


def test_area_is_the_outline_without_columns_and_openings() -> None:
    """48 m² less two circles and a square, to the last bits; circles are no polygons."""
    area, _ = integral_of_plane(PLANE_AND_CUTS)
    assert area == pytest.approx(48 - math.pi * 0.04 - 0.09 - math.pi * 0.0064, rel=1e-12)
    assert scene_truth(PLANE_AND_CUTS).area_m2 == pytest.approx(area, rel=1e-11)


@pytest.mark.parametrize("shape", ["gaussian", "cosine", "cap"])
def test_volume_over_a_plane_with_a_hump_is_the_closed_form(shape: str) -> None:
    """Fill to d is d A - (plane) - (hump), the hump whole and clear of cut-outs.

    cosine: pi h R² (1/2 - 2/pi²); cap: pi h (3R² + h²)/6; gaussian: pi h R²/2, whose tail
    beyond 2.4 m, 10 standard deviations and more, is below 1e-20.
    """
    hump = Hump(3.0, 2.6, 0.008, 0.45, shape)  # type: ignore[arg-type]
    scene = replace(PLANE_AND_CUTS, relief=replace(PLANE_AND_CUTS.relief, humps=(hump,)))
    area, plane = integral_of_plane(scene)
    level = 0.05
    truth = scene_truth(scene, levels=[level])
    assert truth.levels[0].volume_l == pytest.approx(
        1000 * (level * area - plane - hump.volume_m3), rel=1e-6
    )
    assert truth.mean_z_m == pytest.approx((plane + hump.volume_m3) / area, rel=1e-6)


@pytest.mark.parametrize("shape", ["gaussian", "cosine", "cap"])
def test_a_humps_closed_form_is_its_profile_turned_about_its_axis(shape: str) -> None:
    """The volume property equals Simpson's rule over the profile."""
    hump = Hump(0.0, 0.0, 0.011, 0.6, shape)  # type: ignore[arg-type]
    assert hump.volume_m3 == pytest.approx(hump_volume(hump), rel=1e-6)


def test_a_level_that_cuts_a_hump_leaves_the_part_above_it_out() -> None:
    """To a level L within a spherical cap the fill is L A - V + V_above.

    The part above is a cap of the same ball: pi k² (3 ball - k)/3 with k = h - L and
    ball = (R² + h²)/(2h).
    """
    h, radius, level = 0.02, 0.9, 0.008
    hump = Hump(2.4, 2.0, h, radius, "cap")
    scene = scenes.rectangle(relief=Relief(humps=(hump,)))
    ball = (radius**2 + h**2) / (2 * h)
    k = h - level
    above = math.pi * k**2 * (3 * ball - k) / 3
    expected = level * 20.0 - hump.volume_m3 + above
    assert scene_truth(scene, levels=[level]).levels[0].volume_l == pytest.approx(
        1000 * expected, rel=1e-6
    )


def test_a_ramps_volume_is_its_prism() -> None:
    """A room with a ramp fills to the upper level by rise x width x (flat + half the ramp)."""
    scene = scenes.rectangle(10.0, 3.0, relief=Relief(ramps=(Ramp(3.0, 0.0, 0.0, 4.0, 0.2),)))
    expected = 0.2 * 3.0 * (3.0 + 4.0 / 2)
    assert scene_truth(scene, levels=[0.2]).levels[0].volume_l == pytest.approx(
        1000 * expected, rel=1e-6
    )


def test_raising_a_datum_over_a_low_floor_adds_area_times_rise() -> None:
    """10 mm more over 22 m² is 220 l more, whatever the floor's shape."""
    scene = scenes.cluttered_room()
    high = scenes.truth_of(scene).high_z_m
    truth = scene_truth(scene, levels=[high + 0.01, high + 0.02])
    low, top = (level.volume_l for level in truth.levels)
    assert top - low == pytest.approx(10.0 * truth.area_m2, rel=1e-6)


def test_slope_and_bearing_are_those_of_the_plane() -> None:
    """2 mm/m up towards +x falls towards -x: bearing 270; up towards -y falls to +y: 0."""
    east = scene_truth(scenes.rectangle(relief=Relief(slope_x=0.002)))
    north = scene_truth(scenes.rectangle(relief=Relief(slope_y=-0.003)))
    assert (east.slope_mm_per_m, east.slope_bearing_deg) == pytest.approx((2.0, 270.0))
    assert north.slope_mm_per_m == pytest.approx(3.0)
    assert math.cos(math.radians(north.slope_bearing_deg)) == pytest.approx(1.0)


# --- the high point -----------------------------------------------------------------------


def test_on_a_plane_the_high_square_lies_in_the_high_corner() -> None:
    """Its centre is 50 mm off both walls, its mean the plane there."""
    truth = scene_truth(scenes.falling_room(0.002, -0.001))
    assert_allclose(truth.high_place, (4.95, 0.05), atol=2e-5)
    assert truth.high_z_m == pytest.approx(0.002 * 4.95 - 0.001 * 0.05, abs=1e-8)
    assert truth.low_z_m == pytest.approx(0.002 * 0.05 - 0.001 * 3.95, abs=1e-8)
    assert truth.range_mm == pytest.approx(1000 * (truth.high_z_m - truth.low_z_m))


def test_the_mean_over_a_square_on_a_gaussian_hump_is_a_product_of_error_functions() -> None:
    """h (R sqrt(pi/2) erf(sqrt(2) a/R) / (2a))² over a square of side 2a about the centre."""
    h, radius, a = 0.01, 0.4, 0.05
    scene = scenes.rectangle(relief=Relief(humps=(Hump(2.0, 2.0, h, radius, "gaussian"),)))
    side = radius * math.sqrt(math.pi / 2) * math.erf(math.sqrt(2) * a / radius) / (2 * a)
    truth = scene_truth(scene)
    assert truth.high_z_m == pytest.approx(h * side**2, abs=1e-9)
    assert_allclose(truth.high_place, (2.0, 2.0), atol=1e-3)
    assert truth.datum.z_m == pytest.approx(h * side**2 + 0.002, abs=1e-9)


@pytest.mark.parametrize("seed", [3, 5, 7])
def test_no_square_on_the_floor_lies_higher_than_the_high_one(seed: int) -> None:
    """Of 3 000 squares wholly on the floor none has a higher mean; the high one is on it."""
    room = random_room(seed)
    best = highest_patch(room.floor, room.relief.height)
    rng = np.random.default_rng(seed)
    low, high = room.room.bounds[:2], room.room.bounds[2:]
    wide = rng.uniform(low, high, (2500, 2))
    close = np.array([best.x_m, best.y_m]) + rng.normal(0.0, 0.05, (500, 2))
    places = np.concatenate([wide, close])
    squares = shapely.box(*(places - 0.05).T, *(places + 0.05).T)
    on = shapely.contains(room.floor, squares)
    assert on.sum() > 1000
    mean = patch_mean(room.relief.height, places[on, 0], places[on, 1])
    assert mean.max() <= best.height_m + 1e-9
    own = shapely.box(best.x_m - 0.05, best.y_m - 0.05, best.x_m + 0.05, best.y_m + 0.05)
    assert own.difference(room.floor).area < 1e-7


def test_a_square_may_lie_along_a_skew_wall() -> None:
    """In a room turned by 45 degrees a wall-parallel square gets 21 mm nearer to the wall.

    The axis-parallel one keeps its half diagonal (70.7 mm) off the wall, the turned one half
    its side (50 mm); on a plane of 4 mm/m rising to the wall that is 0.083 mm.
    """
    turned = affinity.rotate(shapely.box(-3, -2, 3, 2), 45, origin=(0, 0))
    up = (math.cos(math.pi / 4), math.sin(math.pi / 4))
    scene = Scene(
        "skew",
        tuple(shapely.orient_polygons(turned).exterior.coords)[:-1],
        Relief(slope_x=0.004 * up[0], slope_y=0.004 * up[1]),
    )  # fmt: skip
    truth = scene_truth(scene)
    assert truth.high_turned_z_m == pytest.approx(0.004 * 2.95, abs=1e-8)
    assert truth.high_z_m == pytest.approx(0.004 * (3 - 0.05 * math.sqrt(2)), abs=1e-8)


def test_a_room_too_narrow_for_a_square_is_refused() -> None:
    """90 mm between walls hold no square of 100 mm."""
    with pytest.raises(JobError, match="no square of 100 mm fits on the floor"):
        scene_truth(scenes.rectangle(5.0, 0.09))


def test_a_negative_least_depth_is_refused() -> None:
    """A datum lies over its high point, or on it."""
    with pytest.raises(JobError, match=r"least depth is -1.0 mm; give 0 or more"):
        scene_truth(scenes.flat_room(), least_m=-0.001)


# --- truth stands apart from scans ---------------------------------------------------------


def test_the_truth_moves_with_the_site_and_not_with_points() -> None:
    """On another site places and levels shift by the site, and nothing else changes; a crate
    or a mirror on the floor changes no level, area or volume.
    """
    here = scenes.truth_of(scenes.cluttered_room(site_m=(0.0, 0.0, 0.0)))
    there = scenes.truth_of(scenes.cluttered_room(crates=(), polished=False, ceiling_m=None))
    x, y, z = scenes.SITE_M
    assert_allclose(np.subtract(there.high_place, (x, y)), here.high_place, atol=1e-6)
    assert there.high_z_m - z == pytest.approx(here.high_z_m, abs=1e-9)
    assert there.area_m2 == here.area_m2
    assert there.datum.volume_l == pytest.approx(here.datum.volume_l, rel=1e-12)


def test_a_truth_is_strict_json_with_units_in_its_keys() -> None:
    """It survives a round trip, and NaN is nowhere."""
    truth = scenes.truth_of(scenes.cluttered_room())
    read = json.loads(truth_json(truth, scan={"seed": 1}))
    assert read["schema"] == "pourdatum.truth/1"
    assert read["area_m2"] == truth.area_m2
    assert read["datum"]["volume_l"] == truth.datum.volume_l
    assert read["openings"][0]["depth_mm"] == pytest.approx(200.0)
    assert read["scan"] == {"seed": 1}


# --- integrals -----------------------------------------------------------------------------


@given(
    st.lists(st.floats(-1, 1), min_size=6, max_size=6),
    st.tuples(st.floats(0.5, 3), st.floats(0.5, 3)),
)
@settings(max_examples=25, deadline=None)
def test_polynomials_over_a_rectangle_are_exact(terms: list[float], sides: tuple) -> None:
    """Terms a_ij x^i y^j integrate to a_ij A^(i+1) B^(j+1) / ((i+1)(j+1))."""
    powers = [(0, 0), (1, 0), (0, 2), (3, 1), (2, 3), (5, 0)]
    a, b = sides
    expected = [
        t * a ** (i + 1) * b ** (j + 1) / ((i + 1) * (j + 1))
        for t, (i, j) in zip(terms, powers, strict=True)
    ]
    found = integrate(
        shapely.box(0, 0, a, b), (),
        lambda x, y: np.stack([t * x**i * y**j for t, (i, j) in zip(terms, powers, strict=True)]),
    )  # fmt: skip
    assert_allclose(found, expected, rtol=1e-11, atol=1e-13)


def test_a_kink_across_triangles_is_followed_down() -> None:
    """|x - 1/3| over the unit square is 5/18: (1/3)²/2 + (2/3)²/2."""
    found = integrate(shapely.box(0, 0, 1, 1), (), lambda x, y: np.abs(x - 1 / 3)[None])
    assert found[0] == pytest.approx(5 / 18, rel=1e-6)


def test_halves_of_a_room_add_up_to_the_whole() -> None:
    """A floor cut along a slanted line has the volume of its two parts."""
    room = scenes.cluttered_room().room
    relief = scenes.cluttered_room().relief
    knife = shapely.Polygon([(-1, -1), (2.1, -1), (3.0, 6), (-1, 6)])
    height = lambda x, y: relief.height(x, y)[None]  # noqa: E731
    parts = [room.intersection(knife), room.difference(knife)]
    total = sum(integrate(part, (), height)[0] for part in parts)
    assert total == pytest.approx(integrate(room, (), height)[0], rel=1e-6)


def test_slopes_are_the_derivative_of_the_height() -> None:
    """Central differences of 1 µm agree with the analytic slopes of every kind of part."""
    relief = Relief(
        slope_x=0.002, slope_y=-0.001,
        humps=tuple(Hump(0.1, 0.2, 0.01, 0.9, shape) for shape in ("gaussian", "cosine", "cap")),
        waves=(Wave(0.002, 3.0, 0.6, 0.4),),
        ramps=(Ramp(-1.0, 0.0, 0.3, 2.0, 0.1),),
    )  # fmt: skip
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-0.5, 0.5, (2, 200))
    _, slope_x, slope_y = relief.height_and_slope(x, y)
    d = 1e-6
    assert_allclose(slope_x, (relief.height(x + d, y) - relief.height(x - d, y)) / (2 * d),
                    atol=1e-8)  # fmt: skip
    assert_allclose(slope_y, (relief.height(x, y + d) - relief.height(x, y - d)) / (2 * d),
                    atol=1e-8)  # fmt: skip


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Hump(0, 0, 0.01, 0.0), "radius of a hump is 0.0 m; give more than 0"),
        (lambda: Hump(0, 0, 0.6, 0.5, "cap"), "a cap 0.6 m high does not fit on a radius of 0.5"),
        (lambda: Wave(0.001, 0.0), "length of a wave is 0.0 m; give more than 0"),
    ],
)
def test_parts_of_a_floor_that_cannot_be_are_refused(make, message: str) -> None:
    """Radii and lengths are positive; a cap is no taller than its radius."""
    with pytest.raises(JobError, match=message):
        make()
