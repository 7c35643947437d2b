"""Outlines from drawings in DXF: areas against closed forms, units, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

import scenes
from pourdatum.errors import JobError
from pourdatum.job import read_job
from pourdatum.outline_file import outline_to_local, read_outline
from pourdatum.pipeline import survey_scan
from pourdatum.scan import Frame

ezdxf = pytest.importorskip("ezdxf")

X, Y = 2_431_000.0, 5_400_000.0
"""Coordinates of a site on a map."""


def box(x: float, y: float, length: float, width: float) -> list[tuple[float, float]]:
    """Corners of a rectangle."""
    return [(x, y), (x + length, y), (x + length, y + width), (x, y + width)]


def drawing(units: int = 6, version: str = "R2010") -> Any:
    """An empty drawing that states a unit."""
    doc = ezdxf.new(version)
    doc.header["$INSUNITS"] = units
    return doc


def saved(doc: Any, folder: Path, fmt: str = "asc", name: str = "plan.txt") -> Path:
    """The drawing in a file; its name says nothing of its format."""
    path = folder / name
    doc.saveas(path, fmt=fmt)
    return path


def refusal(path: Path) -> str:
    """What is said of a drawing that is refused, in one line."""
    with pytest.raises(JobError) as refused:
        read_outline(path)
    assert refused.value.id == "outline"
    assert refused.value.exit_status == 2
    said = str(refused.value)
    assert "\n" not in said
    assert said.startswith(str(path))
    return said


@pytest.mark.parametrize("fmt", ["asc", "bin"])
@pytest.mark.parametrize("version", ["R12", "R2010"])
def test_an_arc_at_site_coordinates(tmp_path: Path, fmt: str, version: str) -> None:
    """6 by 4 m with a half circle of radius 2 m for an end: 24 + 2 pi m², within 0.1 mm of arc."""
    doc = drawing(version=version)
    corners = [(X, Y, 0), (X + 6, Y, 1), (X + 6, Y + 4, 0), (X, Y + 4, 0)]
    if version == "R12":
        doc.modelspace().add_polyline2d(corners, format="xyb", close=True)
    else:
        doc.modelspace().add_lwpolyline(corners, format="xyb", close=True)
    shape = read_outline(saved(doc, tmp_path, fmt)).shape
    truth = 24.0 + 2.0 * math.pi
    # Chords lie inside the arc of 2 pi m, at most 0.1 mm off.
    assert truth - 2.0 * math.pi * 1e-4 <= shape.area <= truth + 1e-6
    assert shape.bounds == pytest.approx((X, Y, X + 8, Y + 4), abs=2e-4)


def test_a_bulge_to_the_right_takes_away(tmp_path: Path) -> None:
    """A quarter arc bent inwards, bulge -tan(pi/8): 36 less the segment r²/2 (pi/2 - 1)."""
    doc = drawing()
    bulge = -math.tan(math.pi / 8)
    corners = [(0, 0, 0), (6, 0, bulge), (6, 6, 0), (0, 6, 0)]
    doc.modelspace().add_lwpolyline(corners, format="xyb", close=True)
    radius = 6 / math.sqrt(2)
    truth = 36 - 0.5 * radius**2 * (math.pi / 2 - 1)
    assert read_outline(saved(doc, tmp_path)).shape.area == pytest.approx(truth, abs=7e-4)


@pytest.mark.parametrize(
    ("code", "one_m"),
    # From the DXF reference's list of $INSUNITS (from memory); lengths by definition.
    [(1, 0.0254), (2, 0.3048), (4, 0.001), (5, 0.01), (6, 1.0), (10, 0.9144), (21, 1200 / 3937)],
)
def test_a_stated_unit_is_used(tmp_path: Path, code: int, one_m: float) -> None:
    """A room of 5 by 4 m drawn in any unit is 20 m² beside a scan in feet, and at its place."""
    doc = drawing(code)
    corners = [(x / one_m, y / one_m) for x, y in box(1000, 2000, 5, 4)]
    doc.modelspace().add_lwpolyline(corners, close=True)
    drawn = read_outline(saved(doc, tmp_path))
    local = outline_to_local(drawn, Frame(unit_m=0.3048, origin_m=(999.0, 1998.0, 0.0)))
    assert local.bounds == pytest.approx((1.0, 2.0, 6.0, 6.0), abs=1e-6)
    assert "the drawing states" in drawn.note


def test_without_a_unit_it_is_the_scans(tmp_path: Path) -> None:
    """$INSUNITS 0, or none in the file: a square of 10 is one of 3.048 m in a scan in feet."""
    doc = drawing(0)
    doc.modelspace().add_lwpolyline(box(0, 0, 10, 10), close=True)
    bare = tmp_path / "bare.dxf"
    corners = "".join(f"0\nVERTEX\n8\nA\n10\n{x}\n20\n{y}\n" for x, y in box(0, 0, 10, 10))
    bare.write_text(
        "999\nby hand\n0\nSECTION\n2\nENTITIES\n0\nPOLYLINE\n8\nA\n66\n1\n70\n1\n"
        + corners
        + "0\nSEQEND\n0\nENDSEC\n0\nEOF\n"
    )
    for path in (saved(doc, tmp_path), bare):
        drawn = read_outline(path)
        assert drawn.unit_m is None
        assert "taken in the scan's unit" in drawn.note
        local = outline_to_local(drawn, Frame(unit_m=0.3048, origin_m=(0.0, 0.0, 0.0)))
        assert local.area == pytest.approx(3.048**2)


def test_a_unit_no_floor_is_drawn_in(tmp_path: Path) -> None:
    """Light years are refused by number."""
    doc = drawing(19)
    doc.modelspace().add_lwpolyline(box(0, 0, 5, 4), close=True)
    assert "$INSUNITS 19" in refusal(saved(doc, tmp_path))


def test_rings_inside_are_holes(tmp_path: Path) -> None:
    """20 m² less a shaft of 1 m² and a round column of radius 0.2 m; a ring drawn twice is one."""
    doc = drawing()
    space = doc.modelspace()
    space.add_circle((X + 4, Y + 3), 0.2)
    space.add_lwpolyline(box(X + 1, Y + 1, 1, 1), close=True)
    for _ in range(2):
        space.add_lwpolyline(box(X, Y, 5, 4), close=True)
    space.add_line((X, Y), (X + 1, Y))
    drawn = read_outline(saved(doc, tmp_path))
    truth = 19.0 - math.pi * 0.04
    assert truth <= drawn.shape.area <= truth + 0.4 * math.pi * 1e-4 + 1e-6
    assert len(drawn.shape.interiors) == 2
    assert "not taken from it: 1 LINE" in drawn.note


def test_a_mirrored_line_is_where_it_is_seen(tmp_path: Path) -> None:
    """With the extrusion (0, 0, -1) x of the entity runs backwards: 1..6 stands at -6..-1."""
    doc = drawing()
    corners = box(1, 0, 5, 4)
    doc.modelspace().add_lwpolyline(corners, close=True, dxfattribs={"extrusion": (0, 0, -1)})
    assert read_outline(saved(doc, tmp_path)).shape.bounds == pytest.approx((-6, 0, -1, 4))


def test_separate_areas_are_named(tmp_path: Path) -> None:
    """Two rooms in millimetres are refused, each with its m² and layer."""
    doc = drawing(4)
    for name, shift in (("HALL", 0), ("STORE", 9000)):
        corners = box(shift, 0, 5000 - shift / 3, 4000)
        doc.modelspace().add_lwpolyline(corners, close=True, dxfattribs={"layer": name})
    said = refusal(saved(doc, tmp_path))
    assert "2 separate areas (m²: 20 on layer 'HALL', 8 on layer 'STORE')" in said
    assert "give one" in said


def test_lines_that_cross_and_rings_in_holes(tmp_path: Path) -> None:
    """What containment cannot settle is refused."""
    for inner, said in ((box(4, 1, 3, 1), "cross"), (box(1.2, 1.2, 0.2, 0.2), "lies in a hole")):
        doc = drawing()
        for corners in (box(0, 0, 5, 4), box(1, 1, 1, 1), inner):
            doc.modelspace().add_lwpolyline(corners, close=True)
        assert said in refusal(saved(doc, tmp_path))


def test_ends_that_meet_close_a_line(tmp_path: Path) -> None:
    """Open by 0.5 mm counts as closed, by 30 mm it is refused with layer and gap."""
    for gap, meets in ((0.5, True), (30.0, False)):
        doc = drawing(4)
        corners = [*box(0, 0, 5000, 4000), (0, gap)]
        doc.modelspace().add_lwpolyline(corners, dxfattribs={"layer": "EDGE"})
        path = saved(doc, tmp_path)
        if meets:
            assert read_outline(path).shape.area == pytest.approx(20e6, rel=1e-6)
        else:
            said = refusal(path)
            assert "layer 'EDGE' is open" in said
            assert "30 apart" in said


def test_nothing_closed(tmp_path: Path) -> None:
    """Lines alone are counted; where there are blocks, they may hold the edge."""
    doc = drawing()
    doc.modelspace().add_line((0, 0), (5, 0))
    said = refusal(saved(doc, tmp_path))
    assert "no closed polyline and no circle (found: 1 LINE)" in said
    assert "explode" not in said
    doc.blocks.new("ROOM").add_lwpolyline(box(0, 0, 5, 4), close=True)
    doc.modelspace().add_blockref("ROOM", (0, 0))
    assert "explode the blocks" in refusal(saved(doc, tmp_path))


def test_a_line_across_itself(tmp_path: Path) -> None:
    """A bow tie of two unlike halves is no edge of a floor."""
    doc = drawing()
    doc.modelspace().add_lwpolyline([(0, 0), (4, 3), (4, 0), (0, 2)], close=True)
    assert "crosses itself" in refusal(saved(doc, tmp_path))


@pytest.mark.parametrize("fmt", ["asc", "bin"])
def test_broken_files(tmp_path: Path, fmt: str) -> None:
    """A drawing cut off at its start or near its end, and one of noise, are refused in words."""
    doc = drawing()
    doc.modelspace().add_lwpolyline(box(0, 0, 5, 4), close=True)
    whole = saved(doc, tmp_path, fmt).read_bytes()
    path = tmp_path / "cut.dxf"
    for content in (whole[:60], whole[:-40], whole[:40] + b"\xff\x00\x13\n" * 500):
        path.write_bytes(content)
        refusal(path)


def test_survey_of_a_part(tmp_path: Path) -> None:
    """3 by 2 m drawn in millimetres in a flat room of 5 by 4 m: 6 m², and the unit is told."""
    scan = scenes.written(scenes.flat_room(site_m=scenes.SITE_M), tmp_path / "room.ply")
    x, y, _ = scenes.SITE_M
    doc = drawing(4)
    corners = [(a * 1000, b * 1000) for a, b in box(x + 1, y + 1, 3, 2)]
    doc.modelspace().add_lwpolyline(corners, close=True)
    path = saved(doc, tmp_path)
    job = tmp_path / "job.toml"
    job.write_text(f"[scan]\noutline = '{path.name}'\n")
    survey = survey_scan([scan], read_job(job))
    assert survey.figures.area_m2 == pytest.approx(6.0, abs=0.01)
    assert any("states millimetres" in said for said in survey.assumptions)


def test_a_layer_named_outline_goes_before_others(tmp_path: Path) -> None:
    """Closed lines of other layers, open ones and separate ones, are left alone then."""
    doc = drawing()
    space = doc.modelspace()
    space.add_lwpolyline(box(0.0, 0.0, 6.0, 4.0), close=True, dxfattribs={"layer": "outline"})
    space.add_lwpolyline(box(1.0, 1.0, 1.0, 1.0), close=True, dxfattribs={"layer": "HUMPS"})
    space.add_lwpolyline(box(9.0, 9.0, 1.0, 1.0), close=True, dxfattribs={"layer": "TABLE"})
    space.add_lwpolyline([(0, 0), (1, 2), (3, 3)], dxfattribs={"layer": "CONTOURS"})
    found = read_outline(saved(doc, tmp_path))
    assert found.shape.area == pytest.approx(24.0)
    assert "only its layer OUTLINE is taken" in found.note
    # A layer of that name without lines is none.
    bare = drawing()
    bare.modelspace().add_text("edge", dxfattribs={"layer": "OUTLINE"})
    bare.modelspace().add_lwpolyline(box(0.0, 0.0, 2.0, 2.0), close=True)
    assert read_outline(saved(bare, tmp_path)).shape.area == pytest.approx(4.0)
