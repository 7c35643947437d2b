"""Surfaces as LandXML 1.2: the floor, the floor as ground, and the datum, each as triangles.

Places are northing, easting, elevation, as the schema lays down, in the scan's own plan, vertical
and unit. Element and attribute names are those of the published schema, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import quoteattr

import numpy as np

from pourdatum import __version__
from pourdatum.report import words
from pourdatum.tin import Tin, plane_tin, surface_tin
from pourdatum.write.ownframe import OwnFrame, own_frame

if TYPE_CHECKING:
    from pourdatum.outcome import Plan, Survey

_UNITS: Final = {
    "m": ("Metric", "meter"),
    "cm": ("Metric", "centimeter"),
    "mm": ("Metric", "millimeter"),
    "ft": ("Imperial", "foot"),
    "us-ft": ("Imperial", "USSurveyFoot"),
    "in": ("Imperial", "inch"),
}
_REST: Final = {
    "Metric": 'areaUnit="squareMeter" volumeUnit="cubicMeter" temperatureUnit="celsius" '
    'pressureUnit="milliBars"',
    "Imperial": 'areaUnit="squareFoot" volumeUnit="cubicFeet" temperatureUnit="fahrenheit" '
    'pressureUnit="inHG"',
}
_WHEN: Final = 'date="2000-01-01" time="00:00:00"'
"""The schema asks for a time; two files of one result must agree, so it says nothing."""
_AT_ONCE: Final = 50_000


def write_landxml(outcome: Survey | Plan, path: str | Path) -> None:
    """Write the surfaces of a survey or a plan.

    Parameters
    ----------
    outcome : Survey or Plan
        Finished result.
    path : str or Path
        File to write; the same result gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    survey = outcome.survey
    own = own_frame(survey.scan.frame, survey.origin_m)
    with Path(path).open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(_head(survey, own))
        for name, told, tin in _surfaces(outcome):
            file.writelines(_surface(name, told, tin, own))
        file.write("  </Surfaces>\n</LandXML>\n")


def _surfaces(outcome: Survey | Plan) -> Iterator[tuple[str, str, Tin]]:
    """Names, what each is, and its triangles, one after the other."""
    from pourdatum.outcome import Plan

    surface, outline = outcome.surface, outcome.floor.outline
    grid = surface.grid
    known = outcome.scan.level_known
    told = "levels of the floor before the pour" + ("" if known else ", in no vertical of gravity")
    yield "floor", told, surface_tin(surface.height_m, grid, outline)
    if not isinstance(outcome, Plan):
        return
    if outcome.zones:
        for number, zone in enumerate(outcome.zones, 1):
            own = zone.plan
            name = words.plain(zone.name, 60)
            said = f"top of the pour in {name}"
            yield f"datum {number}", said, plane_tin(own.datum.plane, own.floor.outline)
        return
    plane = outcome.datum.plane
    if outcome.datum.ground_depth_m is not None:
        as_ground = plane.at(*grid.mesh()) - outcome.depth_m
        yield "floor as ground", f"{told}, as ground", surface_tin(as_ground, grid, outline)
    yield "datum", "top of the pour", plane_tin(plane, outline)


def _head(survey: Survey, own: OwnFrame) -> Iterator[str]:
    kind, unit = _UNITS[own.unit]
    title = words.plain(survey.title) or "floor"
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"'
    yield ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
    yield ' xsi:schemaLocation="http://www.landxml.org/schema/LandXML-1.2'
    yield ' http://www.landxml.org/schema/LandXML-1.2/LandXML-1.2.xsd"'
    yield f' version="1.2" {_WHEN} language="English" readOnly="false">\n'
    yield f'  <Units>\n    <{kind} linearUnit="{unit}" {_REST[kind]}/>\n  </Units>\n'
    if survey.scan.epsg is not None:
        yield f'  <CoordinateSystem epsgCode="{survey.scan.epsg}"/>\n'
    else:
        yield '  <CoordinateSystem desc="plan coordinates and vertical of the scan"/>\n'
    yield f"  <Project name={quoteattr(title)}/>\n"
    yield f'  <Application name="pourdatum" version="{__version__}"/>\n'
    yield "  <Surfaces>\n"


def _surface(name: str, told: str, tin: Tin, own: OwnFrame) -> Iterator[str]:
    # A micrometre of the datum is a litre on 1 000 m²: levels have a decimal more than places.
    digits, fine = own.decimals, own.decimals + 1
    level = np.round((tin.point_m[:, 2] + own.origin_m[2]) / own.unit_m, fine)
    place = own.plan(tin.point_m[:, :2])
    area = float(tin.area_m2.sum()) / own.unit_m**2
    yield f"    <Surface name={quoteattr(name)} desc={quoteattr(told)}>\n"
    yield (
        f'      <Definition surfType="TIN" area2DSurf="{area:.4f}"'
        f' elevMin="{level.min():.{fine}f}" elevMax="{level.max():.{fine}f}">\n'
    )
    yield "        <Pnts>\n"
    for first in range(0, len(place), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        rows = zip(place[part].tolist(), level[part].tolist(), strict=True)
        yield "".join(
            f'<P id="{number}">{y:.{digits}f} {x:.{digits}f} {z:.{fine}f}</P>\n'
            for number, ((x, y), z) in enumerate(rows, first + 1)
        )
    yield "        </Pnts>\n        <Faces>\n"
    for first in range(0, len(tin.face), _AT_ONCE):
        rows_of = (tin.face[first : first + _AT_ONCE] + 1).tolist()
        yield "".join(f"<F>{a} {b} {c}</F>\n" for a, b, c in rows_of)
    yield "        </Faces>\n      </Definition>\n    </Surface>\n"
