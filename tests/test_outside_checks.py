"""Published and closed-form numbers that this project must meet.

The numbers lie in ``shared/``, each with its source and how far it may be trusted.
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
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from shapely import box

from pourdatum.clipping import Diagonal
from pourdatum.fillcurve import level_curve
from pourdatum.geometry import Plane, fit_plane
from pourdatum.grid import Grid
from pourdatum.material import bags_needed, powder_mass_kg
from pourdatum.units import FOOT_M
from pourdatum.volume import Volume, fill_volume, surface_moments, volume_above

SHARED = Path(__file__).parent.parent / "shared"
YARD3_M3 = (3 * FOOT_M) ** 3


def shared(name: str) -> Any:
    """A table of reference values."""
    return json.loads((SHARED / name).read_text(encoding="utf-8"))


VOLUMES = {case["id"]: case for case in shared("exact_volumes.json")["cases"]}
PIT = shared("borrow_pit_example.json")
FITS = shared("plane_fit_reference.json")
BAGS = shared("bag_arithmetic.json")

Depth = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def pour(
    depth: Depth,
    outline: shapely.Geometry,
    cell_m: float,
    origin_m: tuple[float, float] = (0.0, 0.0),
    diagonal: Diagonal = "rising",
) -> Volume:
    """Fill to level 0 of a floor given by its depth, on a grid through ``origin_m``."""
    west, south, east, north = outline.bounds
    left = math.floor((west - origin_m[0]) / cell_m + 1e-9)
    low = math.floor((south - origin_m[1]) / cell_m + 1e-9)
    grid = Grid(
        origin_m[0] + left * cell_m,
        origin_m[1] + low * cell_m,
        cell_m,
        math.ceil((north - origin_m[1]) / cell_m - 1e-9) - low + 1,
        math.ceil((east - origin_m[0]) / cell_m - 1e-9) - left + 1,
    )
    return fill_volume(-depth(*grid.mesh()), grid, outline, Plane(0.0), diagonal=diagonal)


# Closed-form volumes (calculus; prismoidal formula)


@pytest.mark.parametrize("cell_m", [0.5, 0.3, 0.07])
@pytest.mark.parametrize("origin_m", [(0.0, 0.0), (0.0317, -0.0113)])
def test_plane_shapes_are_exact_on_any_grid(cell_m: float, origin_m: tuple[float, float]) -> None:
    """Uniform depth, a wedge and a tilted floor: to the last digits, aligned with the grid or not.

    Source: VOL-FLAT, VOL-WEDGE, VOL-TILT-CUTFILL of exact_volumes.json (calculus).
    """
    flat = pour(lambda x, y: np.full_like(x, 0.005), box(0, 0, 5, 4), cell_m, origin_m)
    assert_allclose(flat.volume_m3, VOLUMES["VOL-FLAT"]["volume_m3"], rtol=1e-12)
    wedge = pour(lambda x, y: 0.005 * x, box(0, 0, 4, 3), cell_m, origin_m)
    assert_allclose(wedge.volume_m3, VOLUMES["VOL-WEDGE"]["volume_m3"], rtol=1e-12)
    tilt = pour(lambda x, y: -0.005 * (x - 3), box(0, 0, 6, 4), cell_m, origin_m)
    expected = VOLUMES["VOL-TILT-CUTFILL"]
    assert_allclose(tilt.volume_m3, expected["fill_m3"], rtol=1e-12)
    assert_allclose(tilt.cut_m3, expected["cut_m3"], rtol=1e-12)
    assert_allclose(tilt.volume_m3 - tilt.cut_m3, expected["net_m3"], atol=1e-13)
    assert_allclose(tilt.area_m2, 12.0, rtol=1e-12)


@pytest.mark.parametrize("turn_deg", [0.0, 27.0])
def test_prismoid_is_exact(turn_deg: float) -> None:
    """A pour whose section grows as a quadratic has the prismoidal volume, not the end areas'.

    Source: VOL-PRISMOID of exact_volumes.json (V = L (A1 + 4 Am + A2) / 6). The section
    2 + x/6 + x^2/18 is a strip 1 wide and 2 + x/6 deep, and a triangle x/3 wide and x/6
    deep: it passes through A1, Am and A2.
    """
    case = VOLUMES["VOL-PRISMOID"]
    length = case["L"]
    section = [2 + x / 6 + x**2 / 18 for x in (0.0, length / 2, length)]
    assert_allclose(section, [case["A1"], case["Am"], case["A2"]])
    cosine, sine = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))

    def along(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        return cosine * x + sine * y

    def turned(*corners: tuple[float, float]) -> shapely.Polygon:
        return shapely.Polygon([(cosine * x - sine * y, sine * x + cosine * y) for x, y in corners])

    strip = turned((0, 0), (length, 0), (length, 1), (0, 1))
    triangle = turned((0, 0), (length, 0), (length, length / 3))
    volume = (
        pour(lambda x, y: 2 + along(x, y) / 6, strip, 0.37).volume_m3
        + pour(lambda x, y: along(x, y) / 6, triangle, 0.37).volume_m3
    )
    assert_allclose(volume, case["volume"], rtol=1e-12)


def test_pyramid_is_exact_where_its_ridges_are_edges() -> None:
    """A square dip is exact on a grid whose nodes and diagonals follow its four ridges.

    Source: VOL-PYRAMID of exact_volumes.json (calculus). The half on each rising ridge is
    split by rising diagonals, the other by falling ones.
    """

    def depth(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        return 0.015 * (1 - 2 * np.maximum(abs(x), abs(y)))

    quarters: list[tuple[shapely.Polygon, Diagonal]] = [
        (box(0, 0, 0.5, 0.5), "rising"),
        (box(-0.5, -0.5, 0, 0), "rising"),
        (box(-0.5, 0, 0, 0.5), "falling"),
        (box(0, -0.5, 0.5, 0), "falling"),
    ]
    volume = sum(pour(depth, part, 0.125, diagonal=way).volume_m3 for part, way in quarters)
    assert_allclose(volume, VOLUMES["VOL-PYRAMID"]["volume_m3"], rtol=1e-12)


@pytest.mark.parametrize("corner", range(4))
def test_one_cell_is_two_triangles(corner: int) -> None:
    """A cell with one deep corner holds 4/3 or 2/3 litre, by the diagonal; their mean is bilinear.

    Source: VOL-BILINEAR-CELL of exact_volumes.json.
    """
    height = np.zeros(4)
    height[corner] = -0.004
    grid = Grid(0.0, 0.0, 1.0, 2, 2)
    rising, falling = (
        fill_volume(height.reshape(2, 2), grid, box(0, 0, 1, 1), Plane(0.0), diagonal=way).volume_m3
        for way in ("rising", "falling")
    )
    through, beside = (rising, falling) if corner in (0, 3) else (falling, rising)
    expected = VOLUMES["VOL-BILINEAR-CELL"]
    assert_allclose(through, expected["tin_two_triangles_m3"]["diagonal_through_peak"], rtol=1e-12)
    assert_allclose(beside, expected["tin_two_triangles_m3"]["diagonal_off_peak"], rtol=1e-12)
    assert_allclose((through + beside) / 2, expected["bilinear_m3"], rtol=1e-12)


@pytest.mark.parametrize("cells", [4, 10, 20, 40])
@pytest.mark.parametrize("diagonal", ["rising", "falling"])
def test_sine_dish_is_the_trapezoid_rule(cells: int, diagonal: Diagonal) -> None:
    """With one diagonal everywhere each inner node weighs one cell: the trapezoid rule.

    Source: VOL-SINE-DISH of exact_volumes.json, a L W (cot(pi/2n)/n)^2 with n cells each
    way. Taken on 4 m by 4 m, as cells are square; the volume grows with the width.
    """
    dish = pour(
        lambda x, y: 0.01 * np.sin(np.pi * x / 4) * np.sin(np.pi * y / 4),
        box(0, 0, 4, 4), 4 / cells, diagonal=diagonal,
    )  # fmt: skip
    expected = VOLUMES["VOL-SINE-DISH"]["trapezoid_grid_volume_m3"][str(cells)]
    assert_allclose(dish.volume_m3 * 3 / 4, expected, rtol=1e-12)


@pytest.mark.parametrize("cell_m", [0.5, 0.25, 0.05])
def test_parabolic_dish_misses_by_the_square_of_the_cell(cell_m: float) -> None:
    """The chords of a parabola miss (h/L)^2 of it along each side, exactly.

    Source: VOL-PARABOLIC-DISH of exact_volumes.json; the trapezoid rule on 1 - (2x/L)^2
    gives 2L/3 (1 - (h/L)^2).
    """
    dish = pour(
        lambda x, y: 0.01 * (1 - x**2 / 4) * (1 - (2 * y / 3) ** 2), box(-2, -1.5, 2, 1.5), cell_m
    )
    exact = VOLUMES["VOL-PARABOLIC-DISH"]["volume_m3"]
    assert_allclose(
        dish.volume_m3, exact * (1 - (cell_m / 4) ** 2) * (1 - (cell_m / 3) ** 2), rtol=1e-12
    )


def cone(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """A cone 12 mm high over a base of 0.5 m radius, going on below it."""
    return 0.012 * (1 - np.hypot(x, y) / 0.5)


def cap(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """A spherical cap 9 mm high over a base of 0.6 m radius, going on below it."""
    radius = (0.6**2 + 0.009**2) / (2 * 0.009)
    return np.sqrt(radius**2 - x**2 - y**2) - (radius - 0.009)


@pytest.mark.parametrize(("case", "shape"), [("VOL-CONE", cone), ("VOL-SPHCAP", cap)])
def test_curved_shapes_converge_with_the_square_of_the_cell(case: str, shape: Depth) -> None:
    """Half the cell, a quarter of the error, where the shape ends at a zero line inside cells.

    Source: VOL-CONE, VOL-SPHCAP of exact_volumes.json (calculus).
    """
    exact = VOLUMES[case]["volume_m3"]
    place = (0.0123, -0.0071)
    errors = [
        exact - pour(shape, box(-0.7, -0.69, 0.71, 0.7), cell_m, place).volume_m3
        for cell_m in (0.08, 0.04, 0.02, 0.01)
    ]
    ratios = np.array(errors[:-1]) / errors[1:]
    assert_allclose(ratios, 4.0, rtol=0.15)
    assert abs(errors[-1]) < 1e-3 * exact


def test_hump_and_hollow_are_alike() -> None:
    """A hump above a plane is cut by as much as the hollow below it is filled.

    Source: VOL-SPHCAP of exact_volumes.json (calculus), at a millimetre of cell error.
    """
    grid = Grid(-0.7, -0.7, 0.01, 141, 141)
    outline = box(-0.7, -0.7, 0.7, 0.7)
    hump = volume_above(cap(*grid.mesh()), grid, outline, Plane(0.0))
    hollow = level_curve(-cap(*grid.mesh()), grid, outline).volume_m3(0.0)
    assert_allclose([hump, hollow], VOLUMES["VOL-SPHCAP"]["volume_m3"], rtol=1e-3)
    assert_allclose(hump, hollow, rtol=1e-12)


# Borrow pit (surveying textbook)


def borrow_pit() -> tuple[NDArray[np.float64], Grid, shapely.Polygon]:
    """Elevations [m], grid and the L-shaped outline of the lot; corners that miss are NaN."""
    height = np.full((5, 5), np.nan)
    for point in PIT["points"]:
        height[int(point["id"][1]), "ABCDE".index(point["id"][0])] = point["elevation_ft"] * FOOT_M
    cell = PIT["grid_ft"] * FOOT_M
    seen = np.isfinite(height)
    row, col = np.nonzero(seen[:-1, :-1] & seen[1:, :-1] & seen[:-1, 1:] & seen[1:, 1:])
    lot = shapely.union_all(shapely.box(col * cell, row * cell, (col + 1) * cell, (row + 1) * cell))
    assert len(row) == PIT["cells"]
    return height, Grid(0.0, 0.0, cell, 5, 5), lot


def test_borrow_pit_has_the_published_volume() -> None:
    """Mean corner cut times cell area is the mean over both diagonals: 337 cubic yards.

    Source: borrow_pit_example.json (Wolf and Ghilani, Elementary Surveying, Plate B.2).
    """
    height, grid, lot = borrow_pit()
    datum = Plane(PIT["datum_ft"] * FOOT_M)
    both = [volume_above(height, grid, lot, datum, diagonal=way) for way in ("rising", "falling")]
    assert_allclose(np.mean(both) / FOOT_M**3, PIT["exact_volume_ft3"], rtol=1e-9)
    assert round(np.mean(both) / YARD3_M3) == PIT["published_volume_yd3"]
    # No elevation is under the datum, so nothing is filled whatever the diagonal.
    assert fill_volume(height, grid, lot, datum).volume_m3 == 0.0


def test_borrow_pit_elevations_follow_from_the_rod() -> None:
    """Bench mark plus backsight less rod reading is the elevation, less datum the cut.

    Source: borrow_pit_example.json.
    """
    instrument = PIT["bench_mark_ft"] + PIT["backsight_ft"]
    assert_allclose(instrument, PIT["height_of_instrument_ft"])
    for point in PIT["points"]:
        assert_allclose(instrument - point["rod_ft"], point["elevation_ft"], atol=1e-9)
        assert_allclose(point["elevation_ft"] - PIT["datum_ft"], point["cut_ft"], atol=1e-9)


@pytest.mark.parametrize("case", PIT["single_cell_examples"], ids=lambda case: case["id"])
def test_single_cells_have_the_published_fill(case: dict[str, Any]) -> None:
    """One square lot under a level datum, by its four corner elevations.

    Source: single_cell_examples of borrow_pit_example.json.
    """
    side = case["cell_ft"] if "cell_ft" in case else math.sqrt(case["area_ft2"])
    height = np.array(case["corners_ft"]).reshape(2, 2) * FOOT_M
    grid = Grid(0.0, 0.0, side * FOOT_M, 2, 2)
    lot = box(0, 0, side * FOOT_M, side * FOOT_M)
    datum = Plane(case["datum_ft"] * FOOT_M)
    both = [
        fill_volume(height, grid, lot, datum, diagonal=way).volume_m3
        for way in ("rising", "falling")
    ]
    exact = case.get("exact_yd3", case.get("exact_fill_yd3"))
    assert_allclose(np.mean(both) / YARD3_M3, exact, rtol=1e-8)
    if "published_fill_yd3" in case:
        assert round(np.mean(both) / YARD3_M3) == case["published_fill_yd3"]
    if "published_average_ft" in case:
        means = [
            surface_moments(height, grid, lot, diagonal=way).mean_m for way in ("rising", "falling")
        ]
        assert_allclose(np.mean(means) / FOOT_M, case["published_average_ft"], rtol=1e-12)


# Plane fits


def test_line_fit_meets_the_certified_values() -> None:
    """Norris' line, as a plane with each point on both sides of the x axis.

    Source: nist_strd_norris of plane_fit_reference.json (NIST StRD, certified to 15
    digits). Doubling doubles the residual sum and leaves 2n - 3 degrees of freedom for n - 2.
    """
    data = FITS["nist_strd_norris"]
    certified = data["certified"]
    x, z = np.tile(data["x"], 2), np.tile(data["y"], 2)
    n = len(data["x"])
    y = np.repeat([1.0, -1.0], n)
    plane, covariance = fit_plane(x, y, z)
    assert_allclose(plane.z0_m, certified["intercept"], rtol=1e-10)
    assert_allclose(plane.slope_x, certified["slope"], rtol=1e-13)
    assert_allclose(plane.slope_y, 0.0, atol=1e-12)
    residual = z - plane.at(x, y)
    assert_allclose(residual @ residual / 2, certified["residual_ss"], rtol=1e-10)
    sd = np.sqrt(np.diag(covariance) * (2 * n - 3) / (n - 2))
    assert_allclose(sd[:2], [certified["sd_intercept"], certified["sd_slope"]], rtol=1e-10)


def test_two_predictor_plane_meets_the_published_fit() -> None:
    """Coefficients and mean square of a published regression on two predictors.

    Source: two_predictor_plane of plane_fit_reference.json (Montgomery, Peck and Vining,
    Example 3.1), as printed and as recomputed.
    """
    data = FITS["two_predictor_plane"]
    z, x, y = np.array(data["rows"]).T
    plane, _ = fit_plane(x, y, z)
    residual = z - plane.at(x, y)
    mean_square = residual @ residual / (len(z) - 3)
    found = [plane.z0_m, plane.slope_x, plane.slope_y]
    assert_allclose(found, [data["published"][key] for key in "abc"], atol=5.001e-6)
    assert_allclose(mean_square, data["published"]["mse"], atol=5e-4)
    assert_allclose(found, [data["recomputed"][key] for key in "abc"], rtol=1e-12)
    assert_allclose(mean_square, data["recomputed"]["mse"], rtol=1e-12)


@pytest.mark.parametrize("case", FITS["computed_cases"], ids=lambda case: case["id"])
def test_floor_fits_meet_sixty_digit_arithmetic(case: dict[str, Any]) -> None:
    """A floor, the same floor at map coordinates of 5 700 000 m, and a steep plane.

    Source: computed_cases of plane_fit_reference.json (vertical least squares, 60 digits).
    """
    x, y, z = np.array(case["points"]).T
    plane, _ = fit_plane(x, y, z)
    expected = {key: float(value) for key, value in case["vertical_ls"].items()}
    # Heights near 100 m are stored to 1.4e-14 m, and slopes come from differences of them.
    assert_allclose([plane.slope_x, plane.slope_y], [expected["b"], expected["c"]], atol=1e-14)
    # At map coordinates a rounding of a slope weighs 5.7e6 m in the height at the origin.
    far = max(1.0, np.abs([x, y]).max())
    assert_allclose(plane.z0_m, expected["a"], atol=1e-14 * far + 1e-13)
    centred = z - z.mean() - plane.slope_x * (x - x.mean()) - plane.slope_y * (y - y.mean())
    assert_allclose(centred @ centred, expected["sum_sq"], rtol=1e-9)


# Bags


@pytest.mark.parametrize("case", BAGS["cases"], ids=lambda case: case["id"])
def test_bag_arithmetic(case: dict[str, Any]) -> None:
    """Powder is area times depth times coverage; bags are whole, and exact twos stay two.

    Source: bag_arithmetic.json (bags = ceil(mass (1 + waste) / bag)).
    """
    volume_m3 = case["area_m2"] * case["depth_mm"] / 1000
    powder_kg = powder_mass_kg(volume_m3, case["coverage_kg_m2_mm"])
    assert_allclose(powder_kg, case["mass_kg"], rtol=1e-12)
    assert_allclose(powder_kg * (1 + case["waste"]), case["mass_with_waste_kg"], rtol=1e-12)
    assert bags_needed(powder_kg, case["bag_kg"], case["waste"]) == case["bags"]


def test_common_practice_of_bags() -> None:
    """A 25 kg bag at 1.6 covers about 2 m2 at 8 mm; 37 m2 at 6 mm from 20 kg at 1.7 take 19.

    Source: none published, common practice; common_practice of bag_arithmetic.json.
    """
    cover, order = BAGS["common_practice"]
    per_m2 = powder_mass_kg(cover["depth_mm"] / 1000, cover["coverage_kg_m2_mm"])
    assert round(cover["bag_kg"] / per_m2) == cover["area_m2"]
    volume_m3 = order["area_m2"] * order["depth_mm"] / 1000
    powder_kg = powder_mass_kg(volume_m3, order["coverage_kg_m2_mm"])
    assert bags_needed(powder_kg, order["bag_kg"], order["waste"]) == order["bags"]
