"""The drawing for CAD: DXF in the scan's plan coordinates and unit, one layer for each thing.

Layer names are plain words of the trade. Lettering, signs, dashes and hatches have their size on
paper at a usual scale of the floor, so that a plot at that scale reads well. The same result
gives the same bytes: no time and no random number is in the file.
"""

from __future__ import annotations

import contextlib
import io
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.optional import need
from pourdatum.report import contours, words
from pourdatum.report.layout import colour_scale
from pourdatum.report.picture import depth_view, levels_view
from pourdatum.report.truescale import LETTER_M, PaperScale, fitting_scale
from pourdatum.settingout import corner_name
from pourdatum.units import show_height
from pourdatum.write.drawing_note import note_lines, safe_text
from pourdatum.write.ownframe import OwnFrame, own_frame
from pourdatum.write.shapes import batch_shapes, polygons_of

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from pourdatum.outcome import Plan, Survey
    from pourdatum.report.view import PlanView

INSUNITS: Final = {"in": 1, "ft": 2, "mm": 4, "cm": 5, "m": 6, "us-ft": 21}
"""Numbers of ``$INSUNITS`` in the published DXF reference."""
_SHEET_MM: Final = (380.0, 250.0)
"""Room for the floor on A3, at whose scale lettering has its size."""

# Colour by index (7 is black on paper), line weight [0.01 mm], dashes.
_LAYERS: Final[dict[str, tuple[int, int, str]]] = {
    "OUTLINE": (7, 50, ""),
    "COLUMNS": (7, 35, ""),
    "OPENINGS": (7, 35, ""),
    "UNSEEN": (8, 13, ""),
    "CONTOURS": (5, 13, ""),
    "CONTOUR-LABELS": (5, 18, ""),
    "HUMPS": (30, 25, ""),
    "NIBS": (30, 25, ""),
    "TOO-THIN": (30, 35, "DASHES"),
    "TOO-DEEP": (5, 35, "DASHES"),
    "HIGH-POINT": (7, 35, ""),
    "PINS": (7, 25, ""),
    "CORNERS": (7, 35, ""),
    "THRESHOLDS": (7, 35, ""),
    "CONTROL-SHOTS": (7, 25, ""),
    "BATCHES": (8, 18, ""),
    "BATCH-NUMBERS": (8, 25, ""),
    "STOP-ENDS": (7, 70, ""),
    "EXIT": (7, 35, ""),
    "SAMPLE-LINES": (8, 13, "DOTS"),
    "JOINTS": (7, 35, "DASHES"),
    "CRACKS": (7, 25, "DOTS"),
    "NOTE": (7, 25, ""),
}
_AREA_LAYER: Final = {
    "inferred": "UNSEEN",
    "unsure": "UNSEEN",
    "thin": "TOO-THIN",
    "deep": "TOO-DEEP",
    "opening": "OPENINGS",
    "column": "COLUMNS",
    "joint": "JOINTS",
    "crack": "CRACKS",
}
_MARK_LAYER: Final = {
    "high": "HIGH-POINT",
    "opening": "OPENINGS",
    "column": "COLUMNS",
    "nib": "NIBS",
    "shot": "CONTROL-SHOTS",
    "spot": "CONTROL-SHOTS",
    "corner": "CORNERS",
    "threshold": "THRESHOLDS",
}
_PIN: Final = "DEPTH-PIN"
_APART_MM: Final = 14.0
"""Labels of contours keep so far from each other on paper."""
_LONG_MM: Final = 20.0
"""Contours shorter than this on paper are drawn without a label."""
_LABEL_EVERY_MM: Final = 130.0


def write_drawing(outcome: Survey | Plan, path: str | Path) -> None:
    """Write a plan or a survey as DXF (R2010).

    Parameters
    ----------
    outcome : Survey or Plan
        Finished result.
    path : str or Path
        File to write.

    Raises
    ------
    OSError
        If it cannot be written.
    MissingExtra
        If ezdxf does not load.
    """
    from pourdatum.outcome import Plan

    plan = outcome if isinstance(outcome, Plan) else None
    survey = outcome.survey
    view = levels_view(survey) if plan is None else depth_view(plan)
    drawing = _Drawing(view, own_frame(survey.scan.frame, survey.origin_m))
    drawing.ring_of("OUTLINE", view.outline)
    _areas(drawing, view)
    _contours(drawing, view)
    _marks(drawing, view)
    _sample_lines(drawing, survey)
    if plan is not None:
        _humps(drawing, plan)
        _batches(drawing, plan)
        _pins(drawing, plan)
    drawing.note(note_lines(outcome, view, drawing.own, drawing.scale))
    Path(path).write_bytes(drawing.data())


class _Drawing:
    """A drawing being made: places come in local metres, sizes in metres on paper."""

    def __init__(self, view: PlanView, own: OwnFrame) -> None:
        ezdxf = need("ezdxf", purpose="writing a drawing", extra="base")
        west, south, east, north = view.outline.bounds
        self.own = own
        self.scale: PaperScale = fitting_scale(east - west, north - south, _SHEET_MM, view.system)
        with _without_clock(ezdxf):
            self._doc = ezdxf.new("R2010", units=INSUNITS[own.unit])
        self._doc.header["$MEASUREMENT"] = 0 if own.unit in ("ft", "us-ft", "in") else 1
        self._doc.header["$LUNITS"] = 2
        self._doc.header["$LUPREC"] = min(own.decimals, 4)
        self._space = self._doc.modelspace()
        corners = own.plan(np.array([[west, south], [east, north]]))
        self._low, self._high = corners
        wide, tall = (self._high - self._low).tolist()
        middle = tuple((0.5 * (self._low + self._high)).tolist())
        self._doc.set_modelspace_vport(height=1.4 * max(tall, 0.6 * wide), center=middle)
        for name, dashes in (("DASHES", (4.0, -2.0)), ("DOTS", (0.7, -1.6))):
            lengths = [self.paper(abs(part) / 1000) * math.copysign(1, part) for part in dashes]
            total = sum(abs(part) for part in lengths)
            self._doc.linetypes.add(name, [total, *lengths], description=name.lower())
        self._pin_block()

    def paper(self, size_m: float) -> float:
        """A size on paper [m] in the drawing's unit, at its scale."""
        return self.own.length(size_m * self.scale.ratio)

    def on(self, layer: str) -> dict[str, Any]:
        """Attributes of what lies on a layer, which is made when it is first used."""
        if layer not in self._doc.layers:
            colour, weight, dashes = _LAYERS[layer]
            made = self._doc.layers.add(layer, color=colour, lineweight=weight)
            if dashes:
                made.dxf.linetype = dashes
        return {"layer": layer}

    def line(self, layer: str, place_m: NDArray[np.float64], *, closed: bool = False) -> None:
        """A line through places (n, 2)."""
        points = self.own.plan(place_m)
        if closed and len(points) > 1 and np.array_equal(points[0], points[-1]):
            points = points[:-1]
        if len(points) > 1:
            self._space.add_lwpolyline(points.tolist(), close=closed, dxfattribs=self.on(layer))

    def ring_of(self, layer: str, shape: BaseGeometry) -> None:
        """The rings of an area, or the parts of a line."""
        import shapely

        for part in shapely.get_parts(shape):
            if part.geom_type == "Polygon":
                for ring in (part.exterior, *part.interiors):
                    self.line(layer, shapely.get_coordinates(ring), closed=True)
            elif part.geom_type == "LineString":
                self.line(layer, shapely.get_coordinates(part))

    def hatch(self, layer: str, shape: BaseGeometry, angle_deg: float) -> None:
        """Slanting lines over an area, begun near it: far from their start they would fray."""
        across = self.paper(0.003)
        turn = math.radians(angle_deg)
        step = (-across * math.sin(turn), across * math.cos(turn))
        for part in polygons_of(shape):
            hatch = self._space.add_hatch(dxfattribs=self.on(layer))
            start = self.own.plan(np.array([part.exterior.coords[0][:2]]))[0].tolist()
            hatch.set_pattern_fill("SLANTED", scale=1.0, definition=[[angle_deg, start, step, []]])
            for ring, outer in ((part.exterior, 1), *((hole, 0) for hole in part.interiors)):
                points = self.own.plan(np.array(ring.coords)[:-1, :2]).tolist()
                hatch.paths.add_polyline_path(points, is_closed=True, flags=16 if not outer else 1)

    def text(self, layer: str, place_m: tuple[float, float], text: str, *, align: str = "LEFT",
             size: float = 1.0, aside: float = 0.0) -> None:  # fmt: skip
        """One line of lettering; ``aside`` in heights to the right and above its place."""
        enums = need("ezdxf.enums", purpose="writing a drawing", extra="base")
        tall = self.paper(size * LETTER_M)
        x, y = (self.own.plan(np.array([place_m]))[0] + aside * tall).tolist()
        entity = self._space.add_text(safe_text(text), height=tall, dxfattribs=self.on(layer))
        entity.set_placement((x, y), align=enums.TextEntityAlignment[align])

    def label(self, layer: str, place_m: tuple[float, float], text: str, turn_deg: float) -> None:
        """A value over a line, on a ground of its own."""
        x, y = self.own.plan(np.array([place_m]))[0].tolist()
        about = {
            "char_height": self.paper(0.8 * LETTER_M),
            "attachment_point": 5,
            "insert": (x, y),
            "rotation": round(turn_deg, 3),
        }
        shown = self._space.add_mtext(safe_text(text), dxfattribs=self.on(layer) | about)
        shown.set_bg_color("canvas", scale=1.2)

    def sign(self, layer: str, place_m: tuple[float, float], reach_mm: float) -> None:
        """A cross in a circle."""
        x, y = self.own.plan(np.array([place_m]))[0].tolist()
        reach = self.paper(reach_mm / 1000)
        on = self.on(layer)
        self._space.add_circle((x, y), reach, dxfattribs=on)
        self._space.add_line((x - reach, y), (x + reach, y), dxfattribs=on)
        self._space.add_line((x, y - reach), (x, y + reach), dxfattribs=on)

    def _pin_block(self) -> None:
        """The sign of a depth pin with its name, level, depth and staff reading as attributes."""
        block = self._doc.blocks.new(_PIN)
        reach, tall = self.paper(0.0012), self.paper(LETTER_M)
        block.add_circle((0, 0), reach)
        block.add_line((-reach, 0), (reach, 0))
        block.add_line((0, -reach), (0, reach))
        rows = (("NAME", 0.55, 1.0, 0), ("LEVEL", -0.45, 0.72, 0), ("DEPTH", -1.35, 0.72, 0),
                ("STAFF", -2.25, 0.72, 1))  # fmt: skip
        for tag, up, size, hidden in rows:
            about = {"height": size * tall, "flags": hidden}
            block.add_attdef(tag, (1.5 * reach, up * tall), dxfattribs=about)

    def pin(self, place_m: tuple[float, float], z_m: float | None, told: dict[str, str]) -> None:
        """A depth pin: its sign flat on the plan, and a point at its level, where it has one."""
        x, y = self.own.plan(np.array([place_m]))[0].tolist()
        on = self.on("PINS")
        sign = self._space.add_blockref(_PIN, (x, y), dxfattribs=on)
        sign.add_auto_attribs({tag: safe_text(value) for tag, value in told.items()})
        for attribute in sign.attribs:
            attribute.dxf.layer = "PINS"
        up = 0.0 if z_m is None else self.own.level(z_m)
        self._space.add_point((x, y, up), dxfattribs=on)

    def note(self, lines: list[str]) -> None:
        """What the drawing shows, under the floor."""
        tall = self.paper(LETTER_M)
        x, y = self._low[0], self._low[1] - 6 * tall
        about = {"char_height": tall, "attachment_point": 1, "insert": (float(x), float(y)),
                 "width": self.paper(0.25)}  # fmt: skip
        text = "\\P".join(safe_text(line, paragraph=True) for line in lines)
        self._space.add_mtext(text, dxfattribs=self.on("NOTE") | about)

    def data(self) -> bytes:
        """The file."""
        out = io.StringIO(newline="")
        with _without_clock(need("ezdxf", purpose="writing a drawing", extra="base")):
            # The library would list classes in an order that changes from run to run.
            for kind in sorted(self._doc.entitydb.dxf_types_in_use()):
                self._doc.classes.add_class(kind)
            self._doc.write(out)
        return out.getvalue().encode(self._doc.output_encoding, "dxfreplace")


@contextlib.contextmanager
def _without_clock(ezdxf: Any) -> Iterator[None]:
    """Times and random marks of the library would make two files of one result differ."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _areas(drawing: _Drawing, view: PlanView) -> None:
    """Unseen floor hatched, columns, openings, joints and what is out of range as lines."""
    for area in view.areas:
        layer = _AREA_LAYER.get(area.kind)
        if layer is None or area.shape.is_empty:
            continue
        if area.kind in ("inferred", "unsure"):
            shape = area.shape.simplify(0.2 * view.grid.cell_m)
            drawing.hatch(layer, shape, 45.0 if area.kind == "inferred" else 0.0)
            drawing.ring_of(layer, shape)
        else:
            drawing.ring_of(layer, area.shape)


def _contours(drawing: _Drawing, view: PlanView) -> None:
    """Contours as flat lines with their value on them."""
    _, unit_m = words.height_unit(view.system)
    per_mm = drawing.scale.ratio / 1000
    scale = colour_scale(view)
    grid, value = contours.thinned(view.grid, view.value_m / unit_m)
    calm = contours.smoothed(grid, value, max(2 * grid.cell_m, 1.0 * per_mm))
    taken: list[tuple[float, float]] = []
    for level in scale.levels():
        text = scale.text(level, signed=view.ramp == "level")
        for line in contours.trace(grid, calm, level, view.outline, 5.0 * per_mm):
            drawing.line("CONTOURS", line)
            for place, turn_deg in _on_line(line, per_mm, taken):
                drawing.label("CONTOUR-LABELS", place, text, turn_deg)


def _sample_lines(drawing: _Drawing, survey: Survey) -> None:
    """The lines of levels on which F-numbers were taken, each but once."""
    laid = {line for one in survey.flatness for line in one.lines}
    for line in sorted(laid, key=lambda one: (one.section, one.bearing_rad, one.start_m)):
        drawing.line("SAMPLE-LINES", np.array([line.start_m, line.end_m]))


def _on_line(
    line: NDArray[np.float64], per_mm: float, taken: list[tuple[float, float]]
) -> list[tuple[tuple[float, float], float]]:
    """Places for a contour's value, with the slant of the line there, kept readable."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    length = float(along[-1])
    if length < _LONG_MM * per_mm:
        return []
    count = max(1, round(length / (_LABEL_EVERY_MM * per_mm)))
    found = []
    for share in (np.arange(count) + 0.5) / count:
        for shift in (0.0, 0.08, -0.08, 0.16, -0.16):
            at = (share + shift / count) * length
            reach = 3.0 * per_mm
            x, y = (np.interp([at, at - reach, at + reach], along, line[:, k]) for k in (0, 1))
            place = (float(x[0]), float(y[0]))
            if all(math.dist(place, other) > _APART_MM * per_mm for other in taken):
                taken.append(place)
                turn = math.degrees(math.atan2(y[2] - y[1], x[2] - x[1]))
                found.append((place, (turn + 90.0) % 180.0 - 90.0))
                break
    return found


def _marks(drawing: _Drawing, view: PlanView) -> None:
    """High point, openings, columns, nibs, shots, corners and thresholds with their names."""
    for mark in view.marks:
        layer = _MARK_LAYER.get(mark.kind)
        if layer is None:
            continue
        if mark.kind not in ("opening", "column"):
            drawing.sign(layer, mark.place_m, 1.0 if mark.kind in ("nib", "spot") else 1.8)
        if mark.kind == "high":
            # To the left: a pin mostly stands on it, with its lettering to the right.
            drawing.text(layer, mark.place_m, mark.text, align="RIGHT", size=0.8, aside=-1.4)
        elif mark.text:
            drawing.text(layer, mark.place_m, mark.text, size=0.8, aside=0.9)


def _humps(drawing: _Drawing, plan: Plan) -> None:
    """Every hump with its number in the tables and its height."""
    for number, hump in enumerate(plan.humps, 1):
        drawing.ring_of("HUMPS", contours.rounded(hump.outline, plan.surface.grid.cell_m))
        told = f"H{number} {show_height(hump.height_m, plan.system)}"
        drawing.text("HUMPS", hump.place_m, told, align="MIDDLE_CENTER", size=0.8)


def _batches(drawing: _Drawing, plan: Plan) -> None:
    """Batches with their numbers, stop-ends between bays, and the exit."""
    sheet = plan.pour
    if sheet is None:
        return
    for batch, shape in batch_shapes(plan):
        drawing.ring_of("BATCHES", shape)
        # Three digits in what is narrow; in a hall they would stand on their neighbours.
        side = math.sqrt(batch.area_m2) / drawing.scale.ratio / LETTER_M
        size = min(max(0.3 * side, 0.72), 1.4)
        drawing.text(
            "BATCH-NUMBERS", batch.place_m, f"{batch.number}", align="MIDDLE_CENTER", size=size
        )
    for line in sheet.stop_ends:
        drawing.ring_of("STOP-ENDS", line)
    drawing.sign("EXIT", sheet.leave_m, 2.5)
    drawing.text("EXIT", sheet.leave_m, "exit", aside=1.2)


def _pins(drawing: _Drawing, plan: Plan) -> None:
    """Depth pins with name, level, depth and staff reading; corners they are measured from."""
    # A scan that stands oblique has a plane to pour to, and no levels.
    system, known = plan.system, plan.scan.level_known
    for pin in plan.pins.pins:
        told = {
            "NAME": pin.name,
            "LEVEL": words.level(pin.z_m + plan.origin_m[2], system) if known else "",
            "DEPTH": f"depth {words.minus(show_height(pin.depth_m, system))}",
            "STAFF": "" if pin.staff_m is None else f"staff {show_height(pin.staff_m, system)}",
        }
        drawing.pin(pin.place_m, pin.z_m if known else None, told)
    for number, base in enumerate(plan.pins.bases):
        ends = np.stack([base.corner.place_m, base.end_m])
        drawing.line("CORNERS", ends)
        middle = tuple((0.5 * ends.sum(axis=0)).tolist())
        drawing.text("CORNERS", middle, f"along from {corner_name(number)}", size=0.72, aside=0.4)
