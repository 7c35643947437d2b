"""The drawing in DXF: what a CAD program finds in it, read by ezdxf and held to the result."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf import recover

from finished import ORIGIN_M, make_plan, make_survey
from pourdatum.outline_file import outline_to_local, read_outline
from pourdatum.results import plan_result
from pourdatum.units import LENGTH_UNITS
from pourdatum.write.drawing import INSUNITS, write_drawing
from site_plan import TITLE, plane_floor, planned, surveyed

SOURCE = Path(__file__).parents[1] / "src"

UNITS = ("m", "us-ft")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place for drawings."""
    return tmp_path_factory.mktemp("drawings")


def drawn(outcome: Any, folder: Path, name: str) -> Any:
    """A drawing written once and read back by the library's forgiving reader, with its auditor."""
    path = folder / f"{name}.dxf"
    if not path.exists():
        write_drawing(outcome, path)
    doc, auditor = recover.readfile(path)
    assert [*auditor.errors, *auditor.fixes] == []
    assert doc.audit().errors == []
    return doc


@pytest.fixture(params=UNITS)
def both(request: pytest.FixtureRequest, folder: Path) -> tuple[str, Any, Any]:
    """Unit, plan and drawing."""
    unit = request.param
    plan = planned(unit, "metric" if unit == "m" else "imperial")
    return unit, plan, drawn(plan, folder, f"plan-{unit}")


def rings(doc: Any, layer: str) -> list[shapely.Polygon]:
    """Closed lines of a layer."""
    lines = doc.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
    return [shapely.Polygon([(x, y) for x, y, *_ in line]) for line in lines if line.closed]


def test_the_unit_is_that_of_the_scan(both: Any) -> None:
    """$INSUNITS says the scan's unit (6 metres, 21 US survey feet: published DXF reference)."""
    unit, _, doc = both
    assert doc.header["$INSUNITS"] == {"m": 6, "us-ft": 21}[unit] == INSUNITS[unit]
    assert doc.header["$MEASUREMENT"] == {"m": 1, "us-ft": 0}[unit]


def test_the_outline_lies_on_the_scan(both: Any) -> None:
    """Its rings are the floor in the scan's own plan coordinates and unit, to 0.02 mm."""
    unit, plan, doc = both
    unit_m = LENGTH_UNITS[unit]
    outer, *holes = sorted(rings(doc, "OUTLINE"), key=lambda ring: -ring.area)
    found = outer.difference(shapely.union_all(holes)) if holes else outer
    local = shapely.transform(found, lambda xy: xy * unit_m - np.array(plan.origin_m[:2]))
    assert local.hausdorff_distance(plan.floor.outline) < 2e-5
    assert found.area * unit_m**2 == pytest.approx(plan.floor.area_m2, rel=1e-6)
    assert outer.bounds[0] > 100_000.0  # a site on a map, not local


def test_pins_carry_name_level_and_depth(both: Any) -> None:
    """Each pin of the result is a sign with attributes, and a point at its level."""
    unit, plan, doc = both
    unit_m = LENGTH_UNITS[unit]
    space = doc.modelspace()
    signs = {
        sign.get_attrib_text("NAME"): sign for sign in space.query('INSERT[name=="DEPTH-PIN"]')
    }
    points = np.array([point.dxf.location for point in space.query('POINT[layer=="PINS"]')])
    result = plan_result(plan)
    assert set(signs) == {pin.name for pin in result.pins}
    for pin in result.pins:
        sign = signs[pin.name]
        place = np.array(sign.dxf.insert)[:2] * unit_m
        assert place == pytest.approx(pin.place, abs=2e-5)
        nearest = points[np.hypot(*(points[:, :2] * unit_m - place).T).argmin()]
        assert nearest[2] * unit_m == pytest.approx(pin.z_m, abs=2e-5)
        level, depth = (
            float(re.search(r"[0-9.]+", sign.get_attrib_text(tag))[0])  # type: ignore[index]
            for tag in ("LEVEL", "DEPTH")
        )
        shown = (1.0, 1.0) if unit == "m" else (0.3048, 25.4)
        assert level * shown[0] == pytest.approx(pin.z_m, abs=2e-4)
        assert depth * shown[1] == pytest.approx(pin.depth_mm, abs=0.15)


def test_batches_and_humps_are_all_there(both: Any) -> None:
    """Batches add up to the floor and are numbered; every hump has its number and height."""
    unit, plan, doc = both
    texts = [text.dxf.text for text in doc.modelspace().query("TEXT")]
    assert {f"{batch.number}" for batch in plan.pour.batches} <= set(texts)
    parts = shapely.union_all([shapely.make_valid(ring) for ring in rings(doc, "BATCHES")])
    assert parts.area * LENGTH_UNITS[unit] ** 2 == pytest.approx(plan.floor.area_m2, rel=1e-6)
    for number in range(1, len(plan.humps) + 1):
        assert any(text.startswith(f"H{number} ") for text in texts)
    assert len(rings(doc, "HUMPS")) == len(plan.humps)


def test_contours_lie_where_the_formula_has_them(folder: Path) -> None:
    """On an even fall each contour is where depth is its label: z = 0.0015 x - 0.0008 y."""
    plan = make_plan(make_survey(floors=plane_floor, noise_m=0.0))
    doc = drawn(plan, folder, "plane")
    space = doc.modelspace()
    labels = {
        (label.dxf.insert.x, label.dxf.insert.y): float(label.plain_text())
        for label in space.query('MTEXT[layer=="CONTOUR-LABELS"]')
    }
    assert len(labels) >= 4
    for (x, y), shown_mm in labels.items():
        floor_m = float(plane_floor(x - ORIGIN_M[0], y - ORIGIN_M[1]))
        depth_mm = 1000.0 * (plan.datum.plane.z0_m - floor_m)
        # The calm copy for the lines runs out at walls: 0.1 mm is 60 mm along this fall.
        assert depth_mm == pytest.approx(shown_mm, abs=0.1)


def test_lettering_is_legible_at_its_scale(both: Any) -> None:
    """Plotted at the stated scale letters stand 1.8 to 3.5 mm high (ISO 3098, from memory)."""
    unit, _, doc = both
    space = doc.modelspace()
    note = next(text for text in space.query('MTEXT[layer=="NOTE"]')).plain_text()
    if unit == "m":
        ratio = float(re.search(r"at 1:(\d+)", note)[1])  # type: ignore[index]
    else:
        per_foot = re.search(r"at (?:1/(\d+) in|1 in) = (\d+) ft", note)
        ratio = 12.0 * float(per_foot[1] or 1) * float(per_foot[2])  # type: ignore[index]
    heights = [text.dxf.height for text in space.query("TEXT")]
    heights += [text.dxf.char_height for text in space.query("MTEXT")]
    heights += [
        attribute.dxf.height for sign in space.query("INSERT") for attribute in sign.attribs
    ]
    on_paper_mm = np.array(heights) * LENGTH_UNITS[unit] / ratio * 1000.0
    assert on_paper_mm.min() >= 1.79
    assert on_paper_mm.max() <= 3.51


def test_unseen_floor_is_hatched(both: Any) -> None:
    """The hatched area is the inferred floor, in the scan's unit squared."""
    unit, plan, doc = both
    area = 0.0
    for hatch in doc.modelspace().query('HATCH[layer=="UNSEEN"]'):
        assert hatch.has_pattern_fill
        outer, *inner = (shapely.Polygon([(x, y) for x, y, *_ in path.vertices])
                         for path in hatch.paths)  # fmt: skip
        area += outer.area - sum(hole.area for hole in inner)
    assert area * LENGTH_UNITS[unit] ** 2 == pytest.approx(plan.surface.inferred_m2, rel=0.06)


def test_the_note_says_datum_unit_and_input(both: Any) -> None:
    """Datum, unit and the hash of the scan stand in words; a title is text and no command."""
    unit, plan, doc = both
    note = next(iter(doc.modelspace().query('MTEXT[layer=="NOTE"]')))
    said = note.plain_text()
    assert said.splitlines()[0] == TITLE.replace("%%", "% %")
    assert "DATUM " in said
    assert {"m": "Drawn in metres", "us-ft": "Drawn in US survey feet"}[unit] in said
    assert plan.scan.inputs[0].sha256 in said
    assert str(Path.home()) not in said


def test_it_can_be_given_back_as_outline(both: Any, folder: Path) -> None:
    """Read as --outline the floor is the same: humps, batches and contours are not taken."""
    unit, plan, _ = both
    drawn = read_outline(folder / f"plan-{unit}.dxf")
    local = outline_to_local(drawn, plan.scan.frame)
    assert local.symmetric_difference(plan.floor.outline).area < 1e-3
    assert "only its layer OUTLINE is taken" in drawn.note


def test_a_survey_has_its_own_drawing(folder: Path) -> None:
    """Outline, unseen floor and contours of height, and nothing of a pour."""
    doc = drawn(surveyed(), folder, "survey")
    layers = {layer.dxf.name for layer in doc.layers}
    assert {"OUTLINE", "CONTOURS", "CONTOUR-LABELS", "NOTE", "UNSEEN"} <= layers
    assert layers & {"PINS", "BATCHES", "HUMPS", "STOP-ENDS", "EXIT"} == set()


def test_no_colour_is_red_or_green(both: Any) -> None:
    """Indices 1 and 3 are red and green: who cannot tell them apart reads the drawing all the same.

    The numbers are those of the published DXF reference.
    """
    _, _, doc = both
    assert {abs(layer.dxf.color) for layer in doc.layers} & {1, 3} == set()


def test_two_drawings_are_the_same_bytes(folder: Path) -> None:
    """Nothing in it comes from the clock; the library's own setting is left as it was."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    for name in ("one", "two"):
        write_drawing(planned(), folder / f"{name}.dxf")
    assert (folder / "one.dxf").read_bytes() == (folder / "two.dxf").read_bytes()
    assert ezdxf.options.write_fixed_meta_data_for_testing is before


def test_runs_of_the_program_write_the_same_bytes(folder: Path) -> None:
    """Sets of names come in another order in each run: none of them shows."""
    code = (
        "import sys; from finished import make_plan; from pourdatum.write.drawing import *;"
        " write_drawing(make_plan(), sys.argv[1])"
    )
    written = set()
    for seed in ("0", "1", "4", "5", "7"):
        path = folder / f"run-{seed}.dxf"
        known = os.pathsep.join(map(str, (Path(__file__).parent, SOURCE)))
        subprocess.run(
            [sys.executable, "-c", code, str(path)], check=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": known},
        )  # fmt: skip
        written.add(path.read_bytes())
    assert len(written) == 1
