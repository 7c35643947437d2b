"""The page's script integrates as the tool does: both against the exact volumes in shared/.

The vectors are closed forms of calculus (``shared/exact_volumes.json`` says so itself). What lies
between the tool's arrays and the page, packing and all, is between the two here as well.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from live_js import in_node
from pourdatum.clipping import cut_by_outline
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.material import bags_needed, powder_mass_kg
from pourdatum.report.live_floor import STEP_M, floor_data
from pourdatum.report.live_pack import packed, unpacked
from pourdatum.triangles import sorted_corners
from pourdatum.volume import fill_volume

VECTORS = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parent.parent / "shared" / "exact_volumes.json").read_text("utf-8")
    )["cases"]
}
Heights = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
NO_LIMITS = {"least_m": 0.0, "greatest_m": 1.0, "ground_m": None}
BODY = (
    "const made = (one) => one.packed ? floorOf(one.floor) : prepared(one.floor);"
    "return Promise.all(input.map("
    "async (one) => pourAt(await made(one), one.raised, one.limits)));"
)


def scene(
    height: Heights, long_m: float, wide_m: float, cell_m: float
) -> tuple[NDArray[np.float64], Grid, shapely.Polygon]:
    """A rectangle from the origin, its walls off the grid lines by a third of a cell."""
    grid = Grid(
        -cell_m / 3, -cell_m / 3, cell_m, math.ceil(wide_m / cell_m) + 2,
        math.ceil(long_m / cell_m) + 2,
    )  # fmt: skip
    return height(*grid.mesh()), grid, shapely.box(0, 0, long_m, wide_m)


def cone(x: Any, y: Any) -> Any:
    """A cone of 12 mm on 0.5 m."""
    return 0.012 * np.maximum(0.0, 1.0 - np.hypot(x - 1.0, y - 1.0) / 0.5)


def cap(x: Any, y: Any) -> Any:
    """A spherical cap of 9 mm on 0.6 m."""
    radius = (0.6**2 + 0.009**2) / (2 * 0.009)
    square = (x - 1.0) ** 2 + (y - 1.0) ** 2
    return np.maximum(0.0, np.sqrt(np.maximum(radius**2 - square, 0.0)) - (radius - 0.009))


def plain(height: NDArray[np.float64], grid: Grid, outline: shapely.Polygon) -> dict[str, Any]:
    """A floor in metres as the script sums it, nothing rounded or packed."""
    cut = cut_by_outline(grid, outline)
    corner = np.einsum("cvn,vn->cn", cut.weight, height.ravel()[cut.node])
    low, mid, high = sorted_corners(corner)
    edge = {"low": low, "mid": mid, "high": high, "area_m2": cut.area_m2}
    return {
        "nx": grid.nx, "ny": grid.ny, "cell_m": grid.cell_m, "unit_m": 1.0,
        "z": height.ravel().tolist(), "whole": cut.whole.ravel().astype(int).tolist(),
        "edge": {name: values.tolist() for name, values in edge.items()},
    }  # fmt: skip


def half_a_step(outline: shapely.Polygon) -> float:
    """What rounding of all heights the same way could do to a volume [m3]."""
    return 0.5 * STEP_M * float(outline.area)


# Name, heights, size [m], cell [m], share by which triangles may miss a curved floor.
SCENES: list[tuple[str, Heights, float, float, float, float]] = [
    ("VOL-FLAT", lambda x, y: 0 * x - 0.005, 5.0, 4.0, 0.3, 1e-9),
    ("VOL-WEDGE", lambda x, y: -0.005 * x, 4.0, 3.0, 0.3, 1e-9),
    (
        "VOL-PARABOLIC-DISH",
        lambda x, y: -0.010 * (1 - (x / 2 - 1) ** 2) * (1 - (y / 1.5 - 1) ** 2),
        4.0, 3.0, 0.02, 2e-4,
    ),
    (
        "VOL-SINE-DISH",
        lambda x, y: -0.010 * np.sin(np.pi * x / 4) * np.sin(np.pi * y / 3),
        4.0, 3.0, 0.02, 2e-4,
    ),
    ("VOL-CONE", lambda x, y: -cone(x, y), 2.0, 2.0, 0.01, 5e-4),
    ("VOL-SPHCAP", lambda x, y: -cap(x, y), 2.0, 2.0, 0.01, 5e-4),
]  # fmt: skip


def pours(floors: list[Any], limits: dict[str, Any] | None = None) -> list[dict[str, float]]:
    """What the script says of floors, packed for the page or plain, at their datum."""
    asked = [
        {"floor": one, "packed": "edges" in one, "raised": 0.0, "limits": limits or NO_LIMITS}
        for one in floors
    ]
    found: list[dict[str, float]] = in_node(BODY, asked)
    return found


def test_script_and_tool_meet_the_exact_volumes() -> None:
    """Fills and stands of closed forms, by the tool and by the page's script alike."""
    made = [scene(height, *size) for _, height, *size, _ in SCENES]
    plainly = pours([plain(*one) for one in made])
    in_page = pours([floor_data(*one, Plane(0.0)) for one in made])
    for (name, *_, near), one, exactly, pour in zip(SCENES, made, plainly, in_page, strict=True):
        exact = VECTORS[name]["volume_m3"]
        tool = fill_volume(*one, Plane(0.0))
        assert tool.volume_m3 == pytest.approx(exact, rel=near), name
        assert exactly["volume_m3"] == pytest.approx(exact, rel=near), name
        assert exactly["volume_m3"] == pytest.approx(tool.volume_m3, rel=1e-12), name
        assert pour["volume_m3"] == pytest.approx(tool.volume_m3, abs=half_a_step(one[2])), name
        assert pour["greatest_m"] == pytest.approx(tool.max_depth_m, abs=1e-6), name


def test_a_floor_half_over_its_datum() -> None:
    """A tilted floor fills and stands over by the same 90 litres (VOL-TILT-CUTFILL)."""
    one = scene(lambda x, y: 0.005 * (x - 3.0), 6.0, 4.0, 0.25)
    case = VECTORS["VOL-TILT-CUTFILL"]
    exactly, pour = pours([plain(*one), floor_data(*one, Plane(0.0))])
    for found, off in ((exactly, 1e-12), (pour, half_a_step(one[2]))):
        assert found["volume_m3"] == pytest.approx(case["fill_m3"], abs=off)
        assert found["ground_m3"] == pytest.approx(case["cut_m3"], abs=off)
    assert exactly["area_m2"] == pytest.approx(12.0, rel=1e-12)


def test_a_pyramid_and_a_single_cell() -> None:
    """A pyramid on the grid's own lines, and one cell, by which way it is split."""
    side = Grid(0.0, 0.0, 0.5, 3, 3)
    pit = np.zeros(side.shape)
    pit[1, 1] = -0.015
    cell = Grid(0.0, 0.0, 1.0, 2, 2)
    on_split, off_split = np.zeros((2, 2)), np.zeros((2, 2))
    on_split[0, 0] = off_split[0, 1] = -0.004
    room = shapely.box(0, 0, 1, 1)
    floors = [(pit, side, room), (on_split, cell, room), (off_split, cell, room)]
    found = pours([floor_data(*one, Plane(0.0)) for one in floors])
    # On four quads two lie split along the pyramid's own edges, and two across them: a pyramid
    # over a node is the hat of that node, whose volume is its depth over one cell.
    assert found[0]["volume_m3"] == pytest.approx(0.015 * 0.5**2, rel=1e-6)
    tins = VECTORS["VOL-BILINEAR-CELL"]["tin_two_triangles_m3"]
    assert found[1]["volume_m3"] == pytest.approx(tins["diagonal_through_peak"], rel=1e-6)
    assert found[2]["volume_m3"] == pytest.approx(tins["diagonal_off_peak"], rel=1e-6)


def test_the_pyramid_of_the_book() -> None:
    """A square pyramid of 15 mm on 1 m in cells of 10 mm is a third of its box (VOL-PYRAMID)."""
    one = scene(
        lambda x, y: -0.015 * np.maximum(0.0, 1 - 2 * np.maximum(abs(x - 1), abs(y - 1))),
        2.0, 2.0, 0.01,
    )  # fmt: skip
    (pour,) = pours([floor_data(*one, Plane(0.0))])
    assert pour["volume_m3"] == pytest.approx(VECTORS["VOL-PYRAMID"]["volume_m3"], rel=1e-3)


def test_a_sine_dish_on_its_own_lines_is_the_trapezoid_rule() -> None:
    """With its zeros on grid lines each node counts for one cell: the rule's exact sums."""
    for number, exact in VECTORS["VOL-SINE-DISH"]["trapezoid_grid_volume_m3"].items():
        cells = int(number)
        # Cells are square here: the dish is measured in a square of 4 m and scaled to 3.
        grid = Grid(0.0, 0.0, 4.0 / cells, cells + 1, cells + 1)
        x, y = grid.mesh()
        height = -0.010 * np.sin(np.pi * x / 4) * np.sin(np.pi * y / 4)
        room = shapely.box(0, 0, 4, 4)
        exactly, pour = pours([plain(height, grid, room), floor_data(height, grid, room, Plane(0))])
        assert exactly["volume_m3"] * 3 / 4 == pytest.approx(exact, rel=1e-9)
        assert pour["volume_m3"] * 3 / 4 == pytest.approx(exact, abs=half_a_step(room))


@pytest.mark.parametrize("ground_m", [None, 0.002])
def test_any_datum_over_a_rough_floor(ground_m: float | None) -> None:
    """At fifty data over a floor with a slanting wall and a column: every figure of the tool."""
    rng = np.random.default_rng(11)
    grid = Grid(-0.1, -0.1, 0.05, 66, 86)
    x, y = grid.mesh()
    height = 0.004 * np.sin(2 * x) * np.cos(3 * y) + 0.001 * x + rng.normal(0, 0.0002, x.shape)
    outline = shapely.Polygon([(0.013, 0.02), (4.1, 0.01), (4.07, 2.1), (3.0, 3.07), (0, 3.0)])
    outline -= shapely.Point(1.43, 1.21).buffer(0.15)
    height[~shapely.contains_xy(outline.buffer(0.1), x, y)] = np.nan
    datum, least_m, greatest_m = Plane(0.006, 0.0007, -0.0004), 0.002, 0.012
    limits = {"least_m": least_m, "greatest_m": greatest_m, "ground_m": ground_m}
    data = floor_data(height, grid, outline, datum)
    steps = np.linspace(-0.008, 0.012, 50)
    found = in_node(
        "const floor = await floorOf(input.floor);"
        "return input.steps.map((raised) => pourAt(floor, raised, input.limits));",
        {"floor": data, "steps": steps.tolist(), "limits": limits},
    )
    for step, pour in zip(steps, found, strict=True):
        over_m = 0.0 if ground_m is None else ground_m
        tool = fill_volume(
            height, grid, outline, datum.raised(step - over_m),
            least_m=max(least_m - over_m, 0.0), greatest_m=greatest_m - over_m,
        )  # fmt: skip
        volume_m3 = tool.volume_m3 + over_m * tool.outline_m2
        assert_allclose(pour["volume_m3"], volume_m3, rtol=1e-3, atol=1e-7)
        assert_allclose(pour["deep_m2"], tool.deep_m2, rtol=1e-3, atol=2e-3)
        ground = fill_volume(height, grid, outline, datum.raised(step - least_m))
        assert_allclose(pour["ground_m3"], ground.cut_m3, rtol=1e-3, atol=1e-7)
        if ground_m is None:
            assert_allclose(pour["short_m2"], tool.short_m2, rtol=1e-3, atol=2e-3)
            assert_allclose(pour["area_m2"], tool.area_m2, rtol=1e-3, atol=2e-3)


def test_level_floor_at_the_least_depth_is_not_short() -> None:
    """A floor as deep as the material allows is neither thin nor deep, to the last bit."""
    one = scene(lambda x, y: 0 * x - 0.002, 3.0, 2.0, 0.3)
    limits = {"least_m": 0.002, "greatest_m": 0.002, "ground_m": None}
    (pour,) = pours([floor_data(*one, Plane(0.0))], limits)
    assert (pour["short_m2"], pour["deep_m2"]) == (0.0, 0.0)
    assert pour["ground_m3"] == pytest.approx(0.0, abs=1e-15)


def test_bags_are_counted_alike() -> None:
    """Crumbs of rounding open no bag, in the script as in the tool."""
    rng = np.random.default_rng(5)
    volumes = [*rng.uniform(0.0, 2.0, 200), *(k * 20 / 1700 / 1.05 for k in range(40))]
    material = {"powder_kg_per_m2_mm": 1.7, "bag_kg": 20.0, "waste": 0.05}
    found = in_node(
        "return input.volumes.map((one) => bagsFor(one, input.material));",
        {"volumes": volumes, "material": material},
    )
    assert found == [bags_needed(powder_mass_kg(one, 1.7), 20.0, 0.05) for one in volumes]


@settings(max_examples=60)
@given(
    st.integers(1, 5), st.integers(1, 7),
    st.lists(st.integers(-(2**28), 2**28), min_size=35, max_size=35),
)  # fmt: skip
def test_numbers_come_back_as_they_were(rows: int, columns: int, values: list[int]) -> None:
    """Packing loses nothing, of small and of large numbers."""
    grid = np.array(values[: rows * columns]).reshape(rows, columns)
    np.testing.assert_array_equal(unpacked(packed(grid), rows, columns), grid)


def test_script_unpacks_what_was_packed() -> None:
    """The page reads the numbers that the tool wrote, large ones and masks too."""
    rng = np.random.default_rng(3)
    grids = [
        rng.integers(-(2**28), 2**28, (7, 5)), rng.integers(-300, 300, (4, 9)),
        rng.random((6, 8)) > 0.5, np.zeros((1, 3), int), np.zeros((3, 0), int),
    ]  # fmt: skip
    found = in_node(
        "return Promise.all(input.map(async ([text, rows, columns]) => "
        "[...await unpacked(text, rows, columns)]));",
        [[packed(grid), *grid.shape] for grid in grids],
    )
    for grid, back in zip(grids, found, strict=True):
        np.testing.assert_array_equal(np.array(back).reshape(grid.shape), grid)


def test_numbers_too_large_are_refused() -> None:
    """A height of 270 m over the datum is a fault before it, and is no page."""
    with pytest.raises(ValueError, match="268435456 is most"):
        packed(np.array([2**28 + 1]))
