"""LandXML read by an XML parser: volume of its triangles, places, units, and a whole mesh."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely

from finished import make_ground_plan, make_plan, make_survey
from pourdatum.results import plan_result
from pourdatum.units import LENGTH_UNITS
from pourdatum.write.landxml import write_landxml
from site_plan import TITLE, plane_floor, planned, surveyed

NAME = "{http://www.landxml.org/schema/LandXML-1.2}"


@dataclass(frozen=True, eq=False)
class Mesh:
    """A surface as another program has it: easting, northing, elevation, and corners of faces."""

    point: np.ndarray
    face: np.ndarray

    @property
    def areas(self) -> np.ndarray:
        """Signed plan areas."""
        a, b, c = (self.point[self.face[:, k], :2] for k in range(3))
        u, v = b - a, c - a
        return 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])

    def over(self, level: float) -> float:
        """Volume between it and a level, each triangle a prism.

        From a level near the floor: prisms down to the sea would show the hundredths of a
        millimetre to which plan coordinates are written.
        """
        return float((self.areas * (self.point[self.face, 2].mean(axis=1) - level)).sum())


def read(outcome: Any, folder: Path) -> tuple[ET.Element, dict[str, Mesh]]:
    """The file written, parsed, and its surfaces by name."""
    path = folder / "surface.xml"
    write_landxml(outcome, path)
    root = ET.parse(path).getroot()
    assert root.tag == f"{NAME}LandXML"
    found = {}
    for surface in root.iter(f"{NAME}Surface"):
        number, rows = {}, []
        for index, point in enumerate(surface.iter(f"{NAME}P")):
            northing, easting, elevation = map(float, (point.text or "").split())
            number[point.get("id")] = index
            rows.append((easting, northing, elevation))
        faces = [
            [number[corner] for corner in (face.text or "").split()]
            for face in surface.iter(f"{NAME}F")
        ]
        found[surface.get("name", "")] = Mesh(np.array(rows), np.array(faces))
    return root, found


@pytest.mark.parametrize("unit", ["m", "us-ft"])
def test_the_volume_between_its_surfaces_is_the_fill(unit: str, tmp_path: Path) -> None:
    """Prisms under the datum less prisms under the floor are the litres, to 0.02 %."""
    plan = planned(unit, "metric" if unit == "m" else "imperial")
    _, found = read(plan, tmp_path)
    assert set(found) == {"floor", "datum"}
    low = float(found["floor"].point[:, 2].min())
    volume = found["datum"].over(low) - found["floor"].over(low)
    volume_l = volume * LENGTH_UNITS[unit] ** 3 * 1000.0
    assert volume_l == pytest.approx(plan_result(plan).fill.volume_l, rel=2e-4)


def test_the_volume_over_a_ground_floor_is_its_fill(tmp_path: Path) -> None:
    """Where humps are ground, the floor as ground is a surface of its own, and bounds the fill."""
    plan = make_ground_plan(make_survey(noise_m=0.0))
    depth_m = plan.depth_m
    inside = plan.surface.measured | plan.surface.inferred
    by_cells_l = float(depth_m[inside].mean()) * plan.floor.outline.area * 1000.0
    _, found = read(plan, tmp_path)
    assert set(found) == {"floor", "floor as ground", "datum"}
    low = float(found["floor"].point[:, 2].min())
    volume_l = (found["datum"].over(low) - found["floor as ground"].over(low)) * 1000.0
    assert volume_l == pytest.approx(by_cells_l, rel=5e-3)
    assert found["floor"].over(low) > found["floor as ground"].over(low)


def test_triangles_lie_side_by_side(tmp_path: Path) -> None:
    """All run anticlockwise, add up to the floor, and only edges of the outline have one side."""
    plan = planned()
    _, found = read(plan, tmp_path)
    for mesh in found.values():
        assert (mesh.areas >= -1e-9).all()
        assert mesh.areas.sum() == pytest.approx(plan.floor.area_m2, rel=1e-5)
        edges = Counter(
            frozenset((int(face[k]), int(face[k - 1]))) for face in mesh.face for k in range(3)
        )
        assert set(edges.values()) <= {1, 2}
        rim = sum(
            float(np.hypot(*(mesh.point[a] - mesh.point[b])[:2]))
            for (a, b), count in edges.items()
            if count == 1
        )
        assert rim == pytest.approx(plan.floor.outline.length, rel=1e-4)


def test_levels_are_those_of_the_formula(tmp_path: Path) -> None:
    """On an even fall every corner lies on it, also where the outline cuts a quad."""
    survey = make_survey(floors=plane_floor, noise_m=0.0)
    _, found = read(survey, tmp_path)
    assert set(found) == {"floor"}
    x, y, z = (found["floor"].point - np.array(survey.origin_m)).T
    assert z == pytest.approx(plane_floor(x, y), abs=2e-5)
    assert shapely.contains_xy(survey.floor.outline.buffer(1e-4), x, y).all()


@pytest.mark.parametrize(
    ("unit", "words"),
    [("m", ("Metric", "meter")), ("us-ft", ("Imperial", "USSurveyFoot"))],
)
def test_the_unit_is_that_of_the_scan(unit: str, words: tuple[str, str], tmp_path: Path) -> None:
    """Units of the schema, and places on the scan's own site coordinates."""
    survey = surveyed(unit, "metric" if unit == "m" else "imperial")
    root, found = read(survey, tmp_path)
    units = root.find(f"{NAME}Units")
    assert units is not None
    assert units[0].tag == NAME + words[0]
    assert units[0].get("linearUnit") == words[1]
    low = found["floor"].point[:, :2].min(axis=0) * LENGTH_UNITS[unit]
    box = np.array(survey.floor.outline.bounds[:2]) + np.array(survey.origin_m[:2])
    assert low == pytest.approx(box, abs=2e-5)


def test_foreign_text_is_text(tmp_path: Path) -> None:
    """A title with brackets and quotes comes back as it was."""
    root, _ = read(surveyed(), tmp_path)
    project = root.find(f"{NAME}Project")
    assert project is not None
    assert project.get("name") == TITLE
    plan = make_plan()
    named = replace(plan, survey=replace(plan.survey, title="a\"<&>'b"))
    assert read(named, tmp_path)[0].find(f"{NAME}Project").get("name") == "a\"<&>'b"  # type: ignore[union-attr]


def test_two_files_are_the_same_bytes(tmp_path: Path) -> None:
    """Nothing in it comes from the clock."""
    for name in ("one.xml", "two.xml"):
        write_landxml(make_plan(), tmp_path / name)
    assert (tmp_path / "one.xml").read_bytes() == (tmp_path / "two.xml").read_bytes()
