"""The volume is the exact integral of the piecewise-linear surface inside the outline."""

from __future__ import annotations

import math
import tracemalloc
from fractions import Fraction

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from shapely import affinity, box

from pourdatum import fillcurve
from pourdatum.clipping import cut_by_outline
from pourdatum.fillcurve import level_curve
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.triangles import mean_positive, share_positive, sorted_corners
from pourdatum.volume import Volume, fill_volume, surface_moments, volume_above
from solid import pour_solid

GRID = Grid(x0_m=-1.0, y0_m=-0.75, cell_m=0.25, ny=7, nx=9)
"""Nodes from (-1, -0.75) to (1, 0.75) m."""

WEDGE = shapely.Polygon([(-0.9, -0.7), (0.9, -0.6), (0.1, 0.7)])
"""An outline with whole quads in its middle and far corners of GRID outside it."""


@st.composite
def surfaces(draw: st.DrawFn) -> NDArray[np.float64]:
    """Heights on GRID in steps of 0.1 mm, so that ties, level quads and zero depths are common."""
    tenths = draw(
        st.lists(st.integers(-30, 30), min_size=GRID.ny * GRID.nx, max_size=GRID.ny * GRID.nx)
    )
    return np.array(tenths).reshape(GRID.shape) * 1e-4


@st.composite
def outlines(draw: st.DrawFn) -> shapely.Polygon:
    """Stars within GRID, some with a hole, half of them with corners on nodes and grid lines."""
    count = draw(st.integers(4, 11))
    reach = draw(st.lists(st.floats(0.35, 0.74), min_size=count, max_size=count))
    turn = draw(st.floats(0.0, 1.0))
    angle = 2 * np.pi * (np.arange(count) + turn) / count
    xy = np.array(reach)[:, None] * np.column_stack([1.3 * np.cos(angle), np.sin(angle)])
    if draw(st.booleans()):
        xy = np.round(xy / 0.125) * 0.125
    outline = shapely.Polygon(xy)
    if draw(st.booleans()):
        outline = outline - affinity.scale(shapely.Point(0.03, 0.02).buffer(0.2, 3), 1.0, 0.6)
    assume(isinstance(outline, shapely.Polygon) and outline.is_valid and outline.area > 0.05)
    return outline


levels = st.one_of(st.integers(-30, 30).map(lambda n: n * 1e-4), st.floats(-0.004, 0.004))
planes = st.builds(Plane, levels, st.floats(-0.005, 0.005), st.floats(-0.005, 0.005))


def parts(volume: Volume) -> NDArray[np.float64]:
    """The additive parts of a volume."""
    return np.array(
        [volume.volume_m3, volume.cut_m3, volume.area_m2, volume.outline_m2, volume.short_m2,
         volume.deep_m2]
    )  # fmt: skip


# The closed form over one triangle


@given(
    st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=3),
    st.integers(-40, 0).map(lambda power: 10.0**power),
    st.integers(0, 2),
)
def test_mean_over_a_triangle_keeps_its_digits(
    corners: list[float], tiny: float, which: int
) -> None:
    """The mean of the positive part is right to 15 digits, however small one corner is."""
    corners[which] *= tiny
    low, mid, high = sorted_corners(np.array(corners)[:, None])
    a, b, c = sorted(map(Fraction, corners))
    if a >= 0:
        exact = (a + b + c) / 3
    elif c <= 0:
        exact = Fraction(0)
    elif b <= 0:
        exact = c**3 / (3 * (c - a) * (c - b))
    else:
        exact = (a + b + c) / 3 - a**3 / (3 * (b - a) * (c - a))
    assert_allclose(mean_positive(low, mid, high)[0], float(exact), rtol=2e-15, atol=1e-300)


def test_share_of_a_triangle_level_at_zero_is_none() -> None:
    """What lies in the plane is neither above nor below it."""
    flat = np.array([0.102 - 0.1 - 0.002])  # Rounding, not depth.
    assert flat[0] != 0.0
    assert share_positive(flat, flat, flat)[0] == 0.0
    assert share_positive(-flat, -flat, -flat)[0] == 0.0


# Truths of every fill


@given(surfaces(), outlines(), planes, st.floats(-1.0, 1.0), st.floats(0.0, math.pi))
def test_halves_add_up(
    height: NDArray[np.float64], outline: shapely.Polygon, datum: Plane, offset: float, turn: float
) -> None:
    """An outline cut in two by any line has the volume and the areas of its two halves."""
    half = affinity.rotate(box(-3, offset * 0.5, 3, 3), turn, origin=(0, 0), use_radians=True)
    whole = fill_volume(height, GRID, outline, datum, least_m=0.001, greatest_m=0.003)
    halves = [
        fill_volume(height, GRID, polygon, datum, least_m=0.001, greatest_m=0.003)
        for piece in (outline & half, outline - half)
        for polygon in shapely.get_parts(piece)
        if polygon.area > 0.0
    ]
    assert_allclose(sum(map(parts, halves)), parts(whole), rtol=1e-9, atol=1e-14)
    assert_allclose(max(half.max_depth_m for half in halves), whole.max_depth_m, atol=1e-12)
    assert_allclose(min(half.min_depth_m for half in halves), whole.min_depth_m, atol=1e-12)


@given(surfaces(), outlines(), st.floats(0.0, 0.1))
def test_raising_the_datum_over_a_low_floor_adds_area_times_height(
    height: NDArray[np.float64], outline: shapely.Polygon, rise: float
) -> None:
    """With the floor wholly under the datum, 1 mm more over 1 m2 is 1 litre."""
    low = Plane(0.0031, 1e-4, -1e-4)
    first = fill_volume(height, GRID, outline, low)
    second = fill_volume(height, GRID, outline, low.raised(rise))
    assert_allclose(first.area_m2, outline.area, rtol=1e-12)
    assert_allclose(second.volume_m3 - first.volume_m3, outline.area * rise, rtol=1e-9, atol=1e-15)


@given(surfaces(), outlines(), planes)
def test_fill_less_cut_is_area_times_mean_depth(
    height: NDArray[np.float64], outline: shapely.Polygon, datum: Plane
) -> None:
    """F - G = A (d - mean): what is filled and what is cut differ by the plain integral."""
    volume = fill_volume(height, GRID, outline, datum)
    moments = surface_moments(height, GRID, outline)
    mean_datum = datum.at(*moments.centroid_m)
    assert_allclose(
        volume.volume_m3 - volume.cut_m3,
        outline.area * (mean_datum - moments.mean_m),
        rtol=1e-9, atol=1e-15,
    )  # fmt: skip


@given(surfaces(), outlines(), planes)
def test_a_quarter_turn_changes_nothing(
    height: NDArray[np.float64], outline: shapely.Polygon, datum: Plane
) -> None:
    """Floor, outline, datum and diagonals turned together by 90 degrees hold as much."""
    turned = Grid(x0_m=-0.75, y0_m=-1.0, cell_m=0.25, ny=9, nx=7)
    # (x, y) goes to (-y, x).
    volume = fill_volume(
        height.T[:, ::-1],
        turned,
        affinity.rotate(outline, 90, origin=(0, 0)),
        Plane(datum.z0_m, -datum.slope_y, datum.slope_x),
        least_m=0.0011,
        diagonal="falling",
    )
    straight = fill_volume(height, GRID, outline, datum, least_m=0.0011)
    assert_allclose(parts(volume), parts(straight), rtol=1e-9, atol=1e-14)


@given(surfaces(), outlines(), planes, st.floats(-80.0, 80.0), st.floats(-80.0, 80.0))
def test_a_shift_changes_nothing(
    height: NDArray[np.float64], outline: shapely.Polygon, datum: Plane, dx: float, dy: float
) -> None:
    """Floor, outline and datum moved together hold as much."""
    moved = Grid(GRID.x0_m + dx, GRID.y0_m + dy, GRID.cell_m, GRID.ny, GRID.nx)
    raised = datum.raised(-float(datum.at(dx, dy) - datum.z0_m))
    there = fill_volume(height, moved, affinity.translate(outline, dx, dy), raised)
    here = fill_volume(height, GRID, outline, datum)
    assert_allclose(there.volume_m3, here.volume_m3, rtol=1e-9, atol=1e-13)
    assert_allclose(there.cut_m3, here.cut_m3, rtol=1e-9, atol=1e-13)


@given(surfaces(), surfaces(), outlines())
def test_volumes_are_linear_in_the_heights(
    before: NDArray[np.float64], placed: NDArray[np.float64], outline: shapely.Polygon
) -> None:
    """Under a high datum the fill before less the fill after is the volume of what was placed."""
    datum = Plane(0.01)
    placed = placed + 0.003
    difference = (
        fill_volume(before, GRID, outline, datum).volume_m3
        - fill_volume(before + placed, GRID, outline, datum).volume_m3
    )
    assert_allclose(
        difference, volume_above(placed, GRID, outline, Plane(0.0)), rtol=1e-9, atol=1e-15
    )


@given(surfaces(), outlines(), planes)
def test_cut_is_the_fill_upside_down(
    height: NDArray[np.float64], outline: shapely.Polygon, datum: Plane
) -> None:
    """Mirrored in the level plane, what stood above the datum hangs below it."""
    mirrored = Plane(-datum.z0_m, -datum.slope_x, -datum.slope_y)
    assert_allclose(
        volume_above(height, GRID, outline, datum),
        fill_volume(-height, GRID, outline, mirrored).volume_m3,
        rtol=1e-12, atol=1e-18,
    )  # fmt: skip


@given(surfaces(), outlines(), st.lists(levels, min_size=1, max_size=9))
def test_curve_gives_the_volume_of_every_level(
    height: NDArray[np.float64], outline: shapely.Polygon, asked: list[float]
) -> None:
    """One reading of the surface answers for each level what the plane does, in any order."""
    curve = level_curve(height, GRID, outline)
    single = [fill_volume(height, GRID, outline, Plane(level)) for level in asked]
    for of_curve, name in (
        (curve.volume_m3, "volume_m3"),
        (curve.area_m2, "area_m2"),
        (curve.cut_m3, "cut_m3"),
    ):
        assert_allclose(
            of_curve(asked), [getattr(one, name) for one in single], rtol=1e-9, atol=1e-14
        )
    level_ground = curve.outline_m2 - curve.area_m2(asked) - curve.cut_area_m2(asked)
    assert level_ground.min() > -1e-12


@given(surfaces(), outlines())
def test_curve_beyond_the_surface_is_straight(
    height: NDArray[np.float64], outline: shapely.Polygon
) -> None:
    """Under the lowest place nothing is filled; over the highest, area times height above mean."""
    curve = level_curve(height, GRID, outline)
    assert curve.volume_m3(curve.low_m) == 0.0
    assert curve.area_m2(curve.low_m - 1e-6) == 0.0
    assert curve.cut_m3(curve.high_m) == 0.0
    above = curve.high_m + np.array([[0.0, 0.5], [1.0, 2.0]])
    assert_allclose(
        curve.volume_m3(above), curve.outline_m2 * (above - curve.mean_m), rtol=1e-12, atol=1e-15
    )


@given(surfaces(), outlines())
def test_moments_find_the_extremes_where_they_are(
    height: NDArray[np.float64], outline: shapely.Polygon
) -> None:
    """The area and its centre are the outline's; no other corner of the surface is more extreme."""
    moments = surface_moments(height, GRID, outline)
    volume = fill_volume(height, GRID, outline, Plane(0.0))
    assert_allclose(moments.area_m2, outline.area, rtol=1e-12)
    assert_allclose(moments.centroid_m, outline.centroid.coords[0], atol=1e-12)
    assert_allclose([-volume.max_depth_m, -volume.min_depth_m], [moments.low_m, moments.high_m])
    for place, level in (
        (moments.low_place_m, moments.low_m),
        (moments.high_place_m, moments.high_m),
    ):
        assert outline.distance(shapely.Point(place)) < 1e-12
        # A thumbnail of the outline there holds that level.
        around = shapely.Point(place).buffer(1e-6) & outline
        near = surface_moments(height, GRID, around)
        assert_allclose([near.low_m, near.high_m], level, atol=1e-7)


# The closed solid


@pytest.mark.parametrize("seed", range(12))
def test_closed_solid_holds_the_same(seed: int) -> None:
    """A watertight mesh between datum and surface, built another way, has the same volume."""
    rng = np.random.default_rng(seed)
    x0, y0 = rng.uniform(-5, 5, 2)
    grid = Grid(x0, y0, cell_m=rng.uniform(0.1, 0.4), ny=9, nx=11)
    height = rng.normal(0.0, 0.004, grid.shape)
    middle = (grid.x_m.mean(), grid.y_m.mean())
    angle = np.sort(rng.uniform(0, 2 * np.pi, 13))
    spokes = rng.uniform(2.0, 3.99, 13) * grid.cell_m
    star = shapely.Polygon(
        np.column_stack([middle[0] + spokes * np.cos(angle), middle[1] + spokes * np.sin(angle)])
    )
    column = box(-0.7, -0.4, 0.5, 0.6)
    column = affinity.translate(
        affinity.rotate(affinity.scale(column, grid.cell_m, grid.cell_m, origin=(0, 0)), 31),
        middle[0] + 0.3 * grid.cell_m, middle[1],
    )  # fmt: skip
    outline = max(shapely.get_parts(star - column), key=lambda part: part.area)
    datum = Plane(rng.normal(0, 0.001), *rng.normal(0, 0.003, 2))
    datum = datum.raised(-float(datum.at(*middle) - datum.z0_m))

    solid = pour_solid(height, grid, outline, lambda x, y: float(datum.at(x, y)))
    assert solid.is_watertight
    assert solid.is_winding_consistent
    volume = fill_volume(height, grid, outline, datum)
    assert 0.01 * volume.outline_m2 < volume.area_m2 < 0.99 * volume.outline_m2
    assert_allclose(volume.volume_m3, solid.volume, rtol=1e-9)


def test_closed_solid_of_a_whole_room_holds_the_same() -> None:
    """So it does for a room with a column, an oblique wall and a datum above the whole floor."""
    grid = Grid(-0.1, -0.1, 0.1, 34, 45)
    x, y = grid.mesh()
    height = 0.004 * np.sin(2 * x) * np.cos(3 * y) + 0.001 * x
    outline = shapely.Polygon([(0.013, 0.02), (4.2, 0.01), (4.17, 2.1), (3.1, 3.07), (0, 3.0)])
    outline -= shapely.Point(1.43, 1.21).buffer(0.15)
    datum = Plane(0.011)
    solid = pour_solid(height, grid, outline, lambda x, y: datum.z0_m)
    assert solid.is_watertight
    volume = fill_volume(height, grid, outline, datum)
    assert_allclose(volume.volume_m3, solid.volume, rtol=1e-9)
    assert_allclose(volume.area_m2, outline.area, rtol=1e-12)


# Short, deep, nothing


def test_short_and_deep_areas_of_a_ramp() -> None:
    """On a ramp from 0 to 20 mm depth, 2 to 12 mm leave 1.2 m2 short and 4.8 m2 deep of 12."""
    grid = Grid(0.0, 0.0, 0.3, 12, 15)
    x, _ = grid.mesh()
    volume = fill_volume(
        0.1 - 0.005 * x, grid, box(0, 0, 4, 3), Plane(0.1), least_m=0.002, greatest_m=0.012
    )
    # Depth is 5 mm per m, so 2 mm is at 0.4 m and 12 mm at 2.4 m of 4 m, 3 m wide.
    assert_allclose([volume.short_m2, volume.deep_m2], [0.4 * 3, 1.6 * 3], rtol=1e-9)
    assert_allclose([volume.min_depth_m, volume.max_depth_m], [0.0, 0.02], atol=1e-12)
    assert_allclose(volume.mean_depth_m, 0.01, rtol=1e-12)


def test_level_floor_at_the_least_depth_is_not_short() -> None:
    """0.102 - 0.1 is less than 0.002 in floats; the floor is not short for that."""
    volume = fill_volume(
        np.full(GRID.shape, 0.1), GRID, box(-1, -0.7, 1, 0.7), Plane(0.102),
        least_m=0.002, greatest_m=0.002,
    )  # fmt: skip
    assert (volume.short_m2, volume.deep_m2) == (0.0, 0.0)
    assert_allclose(volume.volume_m3, 2 * 1.4 * 0.002, rtol=1e-12)


def test_datum_under_the_floor_fills_nothing() -> None:
    """No negative fill: all is short, the depth is reported as it is."""
    volume = fill_volume(np.zeros(GRID.shape), GRID, box(-1, -0.7, 1, 0.7), Plane(-0.003))
    assert (volume.volume_m3, volume.area_m2, volume.mean_depth_m) == (0.0, 0.0, 0.0)
    assert_allclose([volume.min_depth_m, volume.max_depth_m], -0.003)
    assert_allclose([volume.short_m2, volume.cut_m3], [2.8, 2.8 * 0.003], rtol=1e-12)


# Outlines and nodes


def test_parts_and_holes_add_up() -> None:
    """A floor of two rooms, one with a column smaller than a cell, is the sum of its parts."""
    rng = np.random.default_rng(7)
    height = rng.normal(0, 0.002, GRID.shape)
    column = shapely.Point(-0.53, 0.21).buffer(0.04)
    west, east = box(-1, -0.75, -0.1, 0.75), box(0.0, -0.5, 0.9, 0.7)
    floor = shapely.MultiPolygon([west - column, east])
    datum = Plane(0.001, 0.001)
    volumes = [fill_volume(height, GRID, part, datum) for part in (floor, west, east, column)]
    both, *single = map(parts, volumes)
    assert_allclose(both, single[0] + single[1] - single[2], rtol=1e-9, atol=1e-14)


@pytest.mark.parametrize("nudge", [0.0, 1e-15, 1e-13, 1e-9, -1e-13, -1e-9])
def test_outline_along_grid_lines_loses_nothing(nudge: float) -> None:
    """A wall on a grid line, or a hair beside it, leaves the area of the outline."""
    outline = box(-0.75 + nudge, -0.5 - nudge, 0.5 + nudge, 0.25 + nudge)
    height = np.full(GRID.shape, np.nan)
    rows, cols = (slice(0, 6), slice(0, 8)) if abs(nudge) > 1e-10 else (slice(1, 5), slice(1, 7))
    height[rows, cols] = -0.004
    volume = fill_volume(height, GRID, outline, Plane(0.0))
    assert_allclose(volume.volume_m3, 0.004 * outline.area, rtol=1e-11)


def test_nodes_away_from_the_outline_may_be_unseen() -> None:
    """Only the corners of triangles under the outline are looked at, and those are marked."""
    needed = cut_by_outline(GRID, WEDGE).needed
    height = np.where(needed, -0.001, np.nan)
    assert np.isnan(height).sum() > 10
    volume = fill_volume(height, GRID, WEDGE, Plane(0.0))
    assert_allclose(volume.volume_m3, 0.001 * WEDGE.area, rtol=1e-12)


def test_unseen_node_under_the_outline_is_named() -> None:
    """Each needed node that is NaN stops the volume, and the message says where."""
    for row, col in np.argwhere(cut_by_outline(GRID, WEDGE).needed):
        height = np.zeros(GRID.shape)
        height[row, col] = np.nan
        place = rf"\({GRID.x_m[col]:.3f}, {GRID.y_m[row]:.3f}\) m is nan \(1 such"
        with pytest.raises(ValueError, match=place):
            fill_volume(height, GRID, WEDGE, Plane(0.0))


@pytest.mark.parametrize(
    ("outline", "message"),
    [
        (box(-1, -0.75, 1.01, 0.75), r"reaches beyond the nodes"),
        (shapely.Polygon(), r"outline is empty"),
        (shapely.Polygon([(0, 0), (0.5, 0.5), (0.5, 0), (0, 0.5)]), r"not valid \(Self-inter"),
        (shapely.Point(0, 0), r"outline is a Point; give a Polygon"),
    ],
)
def test_bad_outlines_are_refused(outline: shapely.Geometry, message: str) -> None:
    """An outline must be a valid area within the nodes."""
    with pytest.raises(ValueError, match=message):
        fill_volume(np.zeros(GRID.shape), GRID, outline, Plane(0.0))


def test_other_bad_words_are_refused() -> None:
    """Heights of another shape, a depth range upside down, a datum or level that is none."""
    height, outline = np.zeros(GRID.shape), box(-0.5, -0.5, 0.5, 0.5)
    with pytest.raises(ValueError, match=r"heights have shape \(9, 7\), the grid \(7, 9\)"):
        fill_volume(height.T, GRID, outline, Plane(0.0))
    with pytest.raises(ValueError, match=r"least depth 0.012 m is more than the greatest 0.002"):
        fill_volume(height, GRID, outline, Plane(0.0), least_m=0.012, greatest_m=0.002)
    with pytest.raises(ValueError, match=r"datum .*nan.* is not finite"):
        fill_volume(height, GRID, outline, Plane(math.nan))
    with pytest.raises(ValueError, match=r"level inf is not finite"):
        level_curve(height, GRID, outline).volume_m3([0.0, math.inf])


# Size


def test_a_hall_of_a_million_nodes_stays_in_memory_bounds() -> None:
    """2400 m2 at 50 mm is filled within 100 MB over the heights, and right."""
    grid = Grid(-0.05, -0.05, 0.05, 803, 1203)
    x, y = grid.mesh()
    height = 1e-4 * x - 2e-4 * y
    outline = box(0.01, 0.02, 59.97, 39.96).segmentize(1.0)
    tracemalloc.start()
    volume = fill_volume(height, grid, outline, Plane(0.02))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    middle = outline.centroid
    assert_allclose(
        volume.volume_m3, outline.area * (0.02 - 1e-4 * middle.x + 2e-4 * middle.y), rtol=1e-11
    )
    assert peak < 100e6


def test_curve_is_the_same_in_blocks_of_any_size(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many levels over a rough floor, a few pairs at a time or all at once: one curve."""
    rng = np.random.default_rng(3)
    grid = Grid(0.0, 0.0, 0.1, 31, 31)
    curve = level_curve(rng.normal(0, 0.003, grid.shape), grid, box(0.05, 0.0, 2.9, 3.0))
    asked = rng.uniform(-0.01, 0.01, (4, 50))
    at_once = curve.volume_m3(asked), curve.cut_area_m2(asked)
    monkeypatch.setattr(fillcurve, "_BLOCK_PAIRS", 77)
    assert_allclose((curve.volume_m3(asked), curve.cut_area_m2(asked)), at_once, rtol=1e-12)
