"""Points for a total station, and areas as GeoJSON: places, levels, and what may be read back."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import shapely

from finished import HUMPS, ORIGIN_M, height_m, make_plan, make_survey
from pourdatum.outline_file import outline_to_local, read_outline
from pourdatum.results import plan_result
from pourdatum.units import LENGTH_UNITS
from pourdatum.write.drawing import write_drawing
from pourdatum.write.geojson import _feature, write_areas
from pourdatum.write.landxml import write_landxml
from pourdatum.write.ownframe import OwnFrame
from pourdatum.write.points import write_points
from site_plan import planned, surveyed


@pytest.fixture(params=["m", "us-ft"])
def both(request: pytest.FixtureRequest) -> tuple[str, Any]:
    """Unit and plan."""
    return request.param, planned(request.param, "metric" if request.param == "m" else "imperial")


def test_points_are_what_a_station_takes(both: tuple[str, Any], tmp_path: Path) -> None:
    """Number, easting, northing, level, description; every pin of the result, to 0.02 mm."""
    unit, plan = both
    write_points(plan, tmp_path / "points.csv")
    with (tmp_path / "points.csv").open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    name = unit.replace("-", "_")
    assert head == ["point", f"easting_{name}", f"northing_{name}", f"level_{name}", "description"]
    assert [row[0] for row in rows] == [str(k) for k in range(1, len(rows) + 1)]
    unit_m = LENGTH_UNITS[unit]
    pins = {row[4].split()[1]: row for row in rows if row[4].startswith("pin ")}
    result = plan_result(plan)
    assert set(pins) == {pin.name for pin in result.pins}
    for pin in result.pins:
        placed = np.array([float(value) for value in pins[pin.name][1:4]]) * unit_m
        assert placed == pytest.approx((*pin.place, pin.z_m), abs=2e-5)
        assert f"depth {pin.depth_mm:.1f} mm" in pins[pin.name][4]
    assert all(row[3] == "" for row in rows if row[4].startswith("corner "))
    assert not any("," in row[4] for row in rows)


def test_a_hump_has_the_level_of_its_top(tmp_path: Path) -> None:
    """The floor at each top of the formula, in the scan's vertical."""
    survey = make_survey(noise_m=0.0)
    plan = make_plan(survey)
    write_points(plan, tmp_path / "points.csv")
    rows = list(csv.reader((tmp_path / "points.csv").open(newline="", encoding="utf-8")))
    humps = [row for row in rows if row[4].startswith("hump ")]
    assert len(humps) == len(plan.humps) == 3
    for row, (x, y, *_) in zip(humps, HUMPS, strict=True):
        level = float(height_m(np.array(x), np.array(y))) + ORIGIN_M[2]
        assert float(row[3]) == pytest.approx(level, abs=2e-5)
        assert [float(row[1]), float(row[2])] == [x + ORIGIN_M[0], y + ORIGIN_M[1]]


def test_levels_are_those_that_control_gave(tmp_path: Path) -> None:
    """Control shots move the level of a result: points, mesh and drawing follow, places stay."""
    survey = make_survey(noise_m=0.0)
    x, y, z = survey.origin_m
    survey.surface.origin_m = (x, y, z + 0.05)  # type: ignore[misc]
    plan = make_plan(survey)
    write_points(plan, tmp_path / "points.csv")
    write_landxml(plan, tmp_path / "surface.xml")
    rows = list(csv.reader((tmp_path / "points.csv").open(newline="", encoding="utf-8")))
    hump = next(row for row in rows if row[4].startswith("hump H1"))
    top = float(height_m(np.array(HUMPS[0][0]), np.array(HUMPS[0][1])))
    assert float(hump[3]) == pytest.approx(top + z + 0.05, abs=2e-5)
    assert float(hump[1]) == x + HUMPS[0][0]
    result = plan_result(plan)
    surface = (tmp_path / "surface.xml").read_text("utf-8")
    named = re.findall(r'elevMin="([0-9.]+)" elevMax="([0-9.]+)"', surface)
    assert float(named[1][0]) == pytest.approx(result.datum.z_m, abs=2e-6)


def test_a_scan_without_a_vertical_has_no_levels(tmp_path: Path) -> None:
    """Nothing that could be set out by a staff is written where no level is known."""
    plan = planned()
    turned = replace(plan.scan, level_known=False)
    plan = replace(plan, survey=replace(plan.survey, scan=turned))
    write_points(plan, tmp_path / "points.csv")
    _, *rows = csv.reader((tmp_path / "points.csv").open(newline="", encoding="utf-8"))
    assert {row[3] for row in rows} == {""}
    write_drawing(plan, tmp_path / "drawing.dxf")
    space = ezdxf.readfile(tmp_path / "drawing.dxf").modelspace()
    assert {sign.get_attrib_text("LEVEL") for sign in space.query("INSERT")} == {""}
    assert {point.dxf.location.z for point in space.query("POINT")} == {0.0}


def areas(path: Path) -> dict[str, list[tuple[dict[str, Any], Any]]]:
    """Figures and shape of each area, by kind."""
    found: dict[str, list[tuple[dict[str, Any], Any]]] = {}
    data = json.loads(path.read_text("utf-8"))
    assert data["type"] == "FeatureCollection"
    for feature in data["features"]:
        about = feature["properties"]
        shape = shapely.geometry.shape(feature["geometry"])
        assert shape.is_valid
        found.setdefault(about["kind"], []).append((about, shape))
    return found


def test_areas_are_those_of_the_result(both: tuple[str, Any], tmp_path: Path) -> None:
    """Outline, humps and batches, with their figures; batches tile the floor."""
    unit, plan = both
    write_areas(plan, tmp_path / "areas.geojson")
    found = areas(tmp_path / "areas.geojson")
    unit_m, result = LENGTH_UNITS[unit], plan_result(plan)
    ((_, outline),) = found["outline"]
    assert outline.area * unit_m**2 == pytest.approx(result.floor.area_m2, abs=1e-3)
    assert len(found["hump"]) == len(result.grind.humps)
    batches = found["batch"]
    assert [about["volume_l"] for about, _ in batches] == [
        batch.volume_l for batch in result.pour.batches
    ]
    whole = sum(shape.area for _, shape in batches)
    assert whole == pytest.approx(outline.area, rel=1e-5)
    for (_, shape), batch in zip(batches, result.pour.batches, strict=True):
        assert shape.distance(shapely.Point(np.array(batch.place) / unit_m)) * unit_m < 0.05


def test_every_area_is_a_valid_one(tmp_path: Path, seed: int) -> None:
    """Slivers of a floor that is cut by its cells cross themselves on the lattice of the file.

    Two squares with a neck between them, narrower than the lattice is wide: its sides fold over
    when they are rounded. What is written is simple (OGC 06-103r4, 6.1.11; from memory), and no
    less than the floor.
    """
    rng = np.random.default_rng(seed)
    frame = OwnFrame("m", 1.0, (2510.0, 1843.0, 0.0))
    crossed = 0
    for _ in range(200):
        way = rng.uniform(0.0, 2.0 * np.pi)
        # Two squares and a neck between them, a few thousandths of a millimetre wide.
        along = np.sort(rng.uniform(1.0, 2.0, (2, 6)), axis=1)
        low, high = (
            np.stack([one, np.full(6, side)], axis=1)
            for one, side in zip(along, (0.5, 0.5 + 4e-6), strict=True)
        )
        spike = np.concatenate(
            [[[0, 0], [1, 0]], low, [[2, 0], [3, 0], [3, 1], [2, 1]], high[::-1], [[1, 1], [0, 1]]]
        )
        turn = np.array([[np.cos(way), -np.sin(way)], [np.sin(way), np.cos(way)]])
        shape = shapely.Polygon(spike @ turn)
        crossed += not shapely.transform(shape, frame.plan).is_valid
        told = _feature(shape, {}, frame)
        again = shapely.geometry.shape(json.loads(json.dumps(told["geometry"])))
        assert again.is_valid
        assert again.area == pytest.approx(shape.area, abs=1e-4)
    assert crossed > 0


def test_the_file_says_that_it_holds_no_degrees(both: tuple[str, Any], tmp_path: Path) -> None:
    """A member names the plan and the unit, since RFC 7946 would have degrees."""
    unit, plan = both
    write_areas(plan, tmp_path / "areas.geojson")
    told = json.loads((tmp_path / "areas.geojson").read_text("utf-8"))["pourdatum"]
    assert told["unit"] == unit
    assert told["metres_per_unit"] == LENGTH_UNITS[unit]
    assert "not longitude and latitude" in told["note"]


def test_outer_rings_run_anticlockwise(tmp_path: Path) -> None:
    """RFC 7946, 3.1.6: outer rings anticlockwise, holes clockwise, each closed."""
    write_areas(planned(), tmp_path / "areas.geojson")
    data = json.loads((tmp_path / "areas.geojson").read_text("utf-8"))
    for feature in data["features"]:
        shape = feature["geometry"]
        parts = [shape["coordinates"]] if shape["type"] == "Polygon" else shape["coordinates"]
        for outer, *holes in parts:
            assert outer[0] == outer[-1]
            assert shapely.LinearRing(outer).is_ccw
            assert not any(shapely.LinearRing(hole).is_ccw for hole in holes)


def test_it_can_be_given_back_as_outline(both: tuple[str, Any], tmp_path: Path) -> None:
    """Read as --outline, the areas together are the same floor to 0.1 mm."""
    _, plan = both
    write_areas(plan, tmp_path / "areas.geojson")
    local = outline_to_local(read_outline(tmp_path / "areas.geojson"), plan.scan.frame)
    assert local.symmetric_difference(plan.floor.outline).area < 1e-3
    assert local.area == pytest.approx(plan.floor.area_m2, abs=1e-3)


def test_a_survey_has_its_outline(tmp_path: Path) -> None:
    """One area, and nothing of a pour."""
    write_areas(surveyed(), tmp_path / "areas.geojson")
    assert set(areas(tmp_path / "areas.geojson")) == {"outline"}
