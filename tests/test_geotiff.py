"""GeoTIFF read back by rasterio (GDAL): values, places, systems, and what is no floor."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from finished import ORIGIN_M, make_plan, make_survey
from pourdatum.results import plan_result
from pourdatum.scan import Frame
from pourdatum.units import LENGTH_UNITS
from pourdatum.write.geotiff import write_geotiff
from site_plan import plane_floor, planned, surveyed

rasterio = pytest.importorskip("rasterio")


def with_scan(plan: Any, **changes: Any) -> Any:
    """The plan of a scan that says something else of itself."""
    return replace(plan, survey=replace(plan.survey, scan=replace(plan.scan, **changes)))


@pytest.fixture(scope="module")
def plane() -> Any:
    """A plan of a floor that falls evenly: depth and level are known everywhere."""
    return make_plan(make_survey(floors=plane_floor, noise_m=0.0))


def opened(outcome: Any, folder: Path) -> Any:
    """It written and opened by GDAL."""
    write_geotiff(outcome, folder / "depth.tif")
    return rasterio.open(folder / "depth.tif")


def test_values_are_those_of_the_formula(plane: Any, tmp_path: Path, seed: int) -> None:
    """At fresh places depth [mm] and level [m] are the formula's at the pixel's middle."""
    rng = np.random.default_rng(seed)
    west, south, east, north = plane.floor.outline.buffer(-0.1).bounds
    place = rng.uniform((west, south), (east, north), (400, 2))
    place = place[shapely.contains_xy(plane.floor.outline.buffer(-0.1), *place.T)]
    with opened(plane, tmp_path) as found:
        assert found.count == 2
        assert found.units == ("mm", "m")
        world = place + np.array(ORIGIN_M[:2])
        row, col = rasterio.transform.rowcol(found.transform, *world.T)
        middle = np.array(rasterio.transform.xy(found.transform, row, col)).T
        # Half a cell of 50 mm at the most: a picture shifted by half a pixel would show.
        assert np.abs(middle - world).max() <= 0.025 + 1e-9
        depth_mm, level_m = (found.read(band)[row, col] for band in (1, 2))
    floor_m = plane_floor(*(middle - np.array(ORIGIN_M[:2])).T)
    assert level_m == pytest.approx(floor_m + ORIGIN_M[2], abs=1e-6), seed
    expected = 1000.0 * (plane.datum.plane.z0_m - floor_m)
    assert depth_mm == pytest.approx(expected, abs=1e-3), seed


def test_north_is_up_and_pixels_are_areas(plane: Any, tmp_path: Path) -> None:
    """The first row lies north, the corner of the first pixel half a cell from its node."""
    grid = plane.surface.grid
    with opened(plane, tmp_path) as found:
        assert found.transform.e == pytest.approx(-grid.cell_m)
        assert found.transform.a == pytest.approx(grid.cell_m)
        assert found.tags()["AREA_OR_POINT"] == "Area"
        corner = np.array([found.transform.c, found.transform.f]) - np.array(ORIGIN_M[:2])
        assert corner == pytest.approx((grid.x_m[0] - 0.025, grid.y_m[-1] + 0.025), abs=1e-5)


def test_what_is_no_floor_has_no_value(plane: Any, tmp_path: Path) -> None:
    """Outside the outline, in the column and in the drain both bands are no-data."""
    with opened(plane, tmp_path) as found:
        assert np.isnan(found.nodata)
        x, y = plane.surface.grid.mesh()
        inside = shapely.contains_xy(plane.floor.outline, x, y)[::-1]
        for band in (1, 2):
            np.testing.assert_array_equal(found.read_masks(band) > 0, inside)


def test_the_sum_of_its_depths_is_the_fill(tmp_path: Path) -> None:
    """Cells times depth are the litres of result.json to 1 %: only cells at the edge differ."""
    plan = planned()
    with opened(plan, tmp_path) as found:
        depth_mm = found.read(1)
        cell_m2 = found.transform.a**2
    fill = plan_result(plan).fill
    mean_mm = float(np.nanmean(np.clip(depth_mm, 0.0, None)))
    assert mean_mm * plan.floor.area_m2 == pytest.approx(fill.volume_l, rel=0.01)
    assert np.isfinite(depth_mm).sum() * cell_m2 == pytest.approx(plan.floor.area_m2, rel=0.02)


@pytest.mark.parametrize("unit", ["m", "ft", "us-ft", "mm"])
def test_places_are_in_the_scans_unit(plane: Any, tmp_path: Path, unit: str) -> None:
    """Corner, pixel and system are in the unit of the scan, whatever it is."""
    unit_m = LENGTH_UNITS[unit]
    plan = with_scan(plane, frame=Frame(unit_m=unit_m, origin_m=ORIGIN_M))
    with opened(plan, tmp_path) as found:
        grid = plan.surface.grid
        assert found.transform.a * unit_m == pytest.approx(grid.cell_m)
        assert found.bounds.left * unit_m == pytest.approx(
            ORIGIN_M[0] + grid.x_m[0] - 0.025, abs=1e-5
        )
        stated = re.fullmatch(r'LOCAL_CS\[.*UNIT\["[^"]*",([0-9.]+)[],].*', found.crs.to_wkt())
        assert stated is not None
        assert float(stated[1]) == pytest.approx(unit_m, rel=1e-9)


def test_a_known_system_travels(plane: Any, tmp_path: Path) -> None:
    """A number of the EPSG register that the scan states is the raster's system."""
    with opened(with_scan(plane, epsg=2193), tmp_path) as found:
        assert found.crs.to_epsg() == 2193


def test_a_survey_has_levels_alone(tmp_path: Path) -> None:
    """One band, in metres; depth is a matter of a plan."""
    survey = surveyed()
    with opened(survey, tmp_path) as found:
        assert found.count == 1
        assert found.units == ("m",)
        assert "level" in found.descriptions[0]
        assert np.nanmean(found.read(1)) == pytest.approx(
            survey.figures.mean_m + survey.origin_m[2], abs=2e-4
        )


def test_levels_that_nobody_knows_are_not_written(tmp_path: Path) -> None:
    """Of a scan without a vertical the shape is written, over its own plane, and said to be."""
    survey = make_survey(floors=plane_floor)
    survey = replace(survey, scan=replace(survey.scan, level_known=False))
    survey = replace(survey, surface=_with_shape(survey.surface))
    with opened(survey, tmp_path) as found:
        assert "best-fit plane" in found.descriptions[0]
        assert abs(np.nanmean(found.read(1))) < 1e-4


def _with_shape(surface: Any) -> Any:
    """The made-up surface with the methods that a real one has."""
    from pourdatum.surface import Surface

    surface.best_plane = lambda: Surface.best_plane(surface)
    surface.above_plane_m = lambda: Surface.above_plane_m(surface)
    return surface


def test_two_rasters_are_the_same_bytes(plane: Any, tmp_path: Path) -> None:
    """Nothing in it comes from the clock."""
    for name in ("one.tif", "two.tif"):
        write_geotiff(plane, tmp_path / name)
    assert (tmp_path / "one.tif").read_bytes() == (tmp_path / "two.tif").read_bytes()
