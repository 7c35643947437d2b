"""A plan on a sheet, drawn to a true scale: map, grid, scale bar, axes, key.

What is shown comes as a ``PlanView``; here it gets its place in millimetres. The frame of the map
holds exactly its millimetres times the scale, so a ruler on the print measures the floor.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.report import lettering, paint, signs, style, words
from pourdatum.report.contours import rounds
from pourdatum.report.layout import DPI, Layout, colour_scale, plan_unit_m
from pourdatum.report.pdf_paper import (
    BLOCK_MM,
    HEAD_PT,
    MARGIN_MM,
    MM_IN,
    SMALL_PT,
    About,
    Paper,
    Sheet,
    fitted,
    usual_paper,
)
from pourdatum.report.truescale import PaperScale, fitting_scale, unit_of_grid

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from pourdatum.report.view import PlanView

_LABEL_MM: Final = 8.0
"""Room beside and under the map for the coordinates of its grid."""
_KEY_ROW_MM: Final = 5.0
_BARS_MM: Final = 15.0
_NOTICE_MM: Final = 8.0
_LARGE: Final = 100
"""Scale beyond which a floor goes on the larger sheet: at 1:100 a hump of 0.5 m is 5 mm."""
_MARGIN_M: Final = 0.3

Extra = Callable[[Any, PaperScale], None]
"""Draws more on the map: axes in local metres, and the scale."""


@dataclass(frozen=True)
class PlanSheet:
    """A plan with its sheet and scale chosen.

    Attributes
    ----------
    what : str
        Name of the drawing, for the title block.
    view : PlanView
    paper : Paper
    scale : PaperScale
    coloured : bool
        Whether values are painted and a colour bar stands below.
    more : callable, optional
        Draws on the map before the signs.
    told : str
        One line under the key.
    notice : str
        What must be read first: stands over the map.
    """

    what: str
    view: PlanView
    paper: Paper
    scale: PaperScale
    coloured: bool = True
    more: Extra | None = None
    told: str = ""
    notice: str = ""

    @property
    def scale_words(self) -> str:
        """Scale and sheet: a print on another sheet has another scale."""
        return f"{self.scale.words} on {self.paper.name}"


def key_of(view: PlanView) -> list[tuple[str, str]]:
    """Rows of the key: kind and words, each once."""
    rows: dict[tuple[str, str], None] = {
        (area.kind, area.key): None for area in view.areas if area.key and not _none(area)
    }
    rows |= {(mark.kind, mark.key): None for mark in view.marks if mark.key}
    return list(rows)


def _none(area: Any) -> bool:
    return bool(area.shape.is_empty)


def plan_sheet(what: str, view: PlanView, *, coloured: bool = True, more: Extra | None = None,
               told: str = "", notice: str = "") -> PlanSheet:  # fmt: skip
    """The sheet on which a plan is largest: the usual one, upright or lying, else the larger."""
    west, south, east, north = view.outline.bounds
    wide, tall = east - west + _MARGIN_M, north - south + _MARGIN_M
    usual, large = usual_paper(view.system)
    rows = math.ceil(len(key_of(view)) / 2)
    best = None
    for paper in (usual, usual.turned(), large, large.turned()):
        scale = fitting_scale(wide, tall, _room_mm(paper, rows, coloured, notice), view.system)
        larger = paper.name == large.name
        if larger and best is not None and best.scale.ratio <= _LARGE:
            break
        if best is None or scale.ratio < best.scale.ratio:
            best = PlanSheet(what, view, paper, scale, coloured, more, told, notice)
    assert best is not None
    return best


def _room_mm(paper: Paper, key_rows: int, coloured: bool, notice: str) -> tuple[float, float]:
    """Width and height of the map's frame."""
    below = _LABEL_MM + _BARS_MM + (10.0 if coloured else 0.0) + _KEY_ROW_MM * key_rows + 5.0
    return (
        paper.wide_mm - 2 * MARGIN_MM - _LABEL_MM,
        paper.tall_mm - 2 * MARGIN_MM - BLOCK_MM - below - _NOTICE_MM * bool(notice),
    )


def draw_plan(plan: PlanSheet, about: About, page: tuple[int, int]) -> Sheet:
    """The finished sheet, within ``style.drawing``."""
    sheet, view = Sheet(plan.paper), plan.view
    key = key_of(view)
    wide, tall = _room_mm(plan.paper, math.ceil(len(key) / 2), plan.coloured, plan.notice)
    layout = _layout(plan, wide, tall)
    left, top = MARGIN_MM + _LABEL_MM, MARGIN_MM
    if plan.notice:
        top += _NOTICE_MM
        shown = fitted(plan.notice, HEAD_PT, wide, bold=True)
        sheet.write(left, top - 3.0, shown, HEAD_PT, bold=True)
    axes = sheet.axes(left, top, wide, tall, "map")
    axes.set_xlim(layout.box_m[0], layout.box_m[2])
    axes.set_ylim(layout.box_m[1], layout.box_m[3])
    for spine in axes.spines.values():
        spine.set_color(style.INK)
        spine.set_linewidth(0.6)
    _, unit_m = words.height_unit(view.system)
    scale = colour_scale(view)
    if plan.coloured:
        paint.paint_values(axes, view, scale, unit_m)
    else:
        _outline(axes, view)
    _grid(axes, plan, sheet, layout, (left, top, wide, tall))
    for area in view.areas:
        paint.paint_area(axes, area, layout.px_per_m)
    if plan.more is not None:
        plan.more(axes, plan.scale)
    signs.draw_signs(axes, view, layout, scale, unit_m)
    _floor_on_top(axes, layout)
    down = top + tall + _LABEL_MM + 4.0
    _bar(sheet, plan, left, down)
    _compass(sheet, plan, left + wide - 14.0, down)
    down += _BARS_MM - 5.0
    if plan.coloured:
        _colours(sheet, plan, left, down, wide, scale)
        down += 10.0
    _key(sheet, plan, key, left, down, wide)
    if plan.told:
        foot = plan.paper.tall_mm - MARGIN_MM - BLOCK_MM - 2.0
        sheet.write(left, foot, fitted(plan.told, SMALL_PT, wide), SMALL_PT)
    sheet.title_block(about, plan.what, plan.scale_words, page)
    return sheet


def _layout(plan: PlanSheet, wide_mm: float, tall_mm: float) -> Layout:
    """The frame in the terms in which signs are placed; the floor stands in its middle."""
    west, south, east, north = plan.view.outline.bounds
    half_x, half_y = (0.5 * mm / 1000 * plan.scale.ratio for mm in (wide_mm, tall_mm))
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    return Layout(
        title=(),
        lines=(),
        key=(),
        box_m=(x - half_x, y - half_y, x + half_x, y + half_y),
        px_per_m=DPI * 1000 / MM_IN / plan.scale.ratio,
        map_in=(0.0, 0.0, wide_mm / MM_IN, tall_mm / MM_IN),
        scale_top_in=0.0,
        bar_top_in=0.0,
        key_top_in=0.0,
        height_in=tall_mm / MM_IN,
    )


def _outline(axes: Axes, view: PlanView) -> None:
    from matplotlib.patches import PathPatch

    axes.add_artist(
        PathPatch(paint.path_of(view.outline), facecolor="none", edgecolor=style.INK,
                  linewidth=1.4, zorder=4)
    )  # fmt: skip


def _floor_on_top(axes: Axes, layout: Layout) -> None:
    """Nothing that was drawn may have moved the frame: its scale is a promise."""
    axes.set_xlim(layout.box_m[0], layout.box_m[2])
    axes.set_ylim(layout.box_m[1], layout.box_m[3])
    axes.set_aspect("auto")


def _grid(
    axes: Axes,
    plan: PlanSheet,
    sheet: Sheet,
    layout: Layout,
    frame_mm: tuple[float, float, float, float],
) -> None:
    """Lines at whole metres or feet of the scan's own plan, with their coordinates."""
    step_m = unit_of_grid(plan.scale, plan.view.system)
    unit_m = plan_unit_m(plan.view)
    left, top, wide, tall = frame_mm
    axes.set_xticks([])
    axes.set_yticks([])
    for axis, origin, (low, high) in (
        ("x", plan.view.origin_m[0], (layout.box_m[0], layout.box_m[2])),
        ("y", plan.view.origin_m[1], (layout.box_m[1], layout.box_m[3])),
    ):
        places = rounds((low + origin) / unit_m, (high + origin) / unit_m, step_m / unit_m)
        for place in places:
            at = place * unit_m - origin
            share = (at - low) / (high - low)
            line = axes.axvline if axis == "x" else axes.axhline
            line(at, color=style.SOFT_INK, linewidth=0.25, zorder=2.0, alpha=0.7)
            shown = words.minus(f"{place:.0f}")
            if axis == "x":
                x = left + share * wide
                if lettering.width_in(shown, SMALL_PT) * MM_IN > 0.9 * plan.scale.on_paper_mm(
                    step_m
                ):
                    continue
                sheet.write(x, top + tall + 3.4, shown, SMALL_PT, ha="center")
            else:
                y = top + (1.0 - share) * tall
                sheet.write(left - 1.6, y, shown, SMALL_PT, rotation=90, ha="right", va="center")
    unit = words.plan_unit(plan.view.system)
    own = f"x and y in the plan coordinates of the scan, {unit}; grid of {step_m / unit_m:g} {unit}"
    sheet.write(left, top + tall + 7.2, own, SMALL_PT, color=style.SOFT_INK)


def _bar(sheet: Sheet, plan: PlanSheet, left: float, down: float) -> None:
    """Scale bar in whole metres or feet, black and white by turns."""
    unit_m = plan_unit_m(plan.view)
    count = next(
        (n for n in (1, 2, 5, 10, 20, 50, 100, 200) if plan.scale.on_paper_mm(n * unit_m) >= 12.0),
        500,
    )
    part = plan.scale.on_paper_mm(count * unit_m)
    parts = 5 if 5 * part <= 110.0 else 2 if 2 * part <= 110.0 else 1
    for k in range(parts):
        ends = left + k * part, left + (k + 1) * part
        sheet.rule(ends[0], down + 2.0, (ends[1], down + 2.0), 4.0)
        if k % 2:
            sheet.rule(ends[0] + 0.2, down + 2.0, (ends[1] - 0.2, down + 2.0), 2.8, style.PAPER)
    unit = words.plan_unit(plan.view.system)
    for k in range(parts + 1):
        shown = f"{k * count}" + (f" {unit}" if k == parts else "")
        sheet.write(left + k * part, down + 6.0, shown, SMALL_PT, ha="center" if k else "left")
    sheet.write(left + parts * part + 9.0, down + 2.9, plan.scale_words, SMALL_PT, bold=True)


def _compass(sheet: Sheet, plan: PlanSheet, left: float, down: float) -> None:
    """The axes of the scan's plan: nobody said where north lies."""
    long = 7.0
    origin = left, down + 5.0
    for to, name in (((left + long, origin[1]), "x"), ((left, origin[1] - long), "y")):
        sheet.rule(*origin, to, 1.2)
        step = 1.3
        for side in (-1, 1):
            back = (to[0] - step, to[1] + side * 0.7) if name == "x" else (
                to[0] + side * 0.7, to[1] + step)  # fmt: skip
            sheet.rule(*to, back, 1.2)
        at = (to[0] + 1.2, to[1] + 0.9) if name == "x" else (to[0] + 1.4, to[1] + 1.6)
        sheet.write(*at, name, SMALL_PT, bold=True)


def _colours(
    sheet: Sheet, plan: PlanSheet, left: float, down: float, wide: float, scale: Any
) -> None:
    """The colour bar with the values of the contours."""
    long = min(wide - 60.0, 110.0)
    axes = sheet.axes(left, down, long, 3.6, "colours")
    axes.imshow(
        style.tones(plan.view.ramp)[np.newaxis], extent=(scale.low, scale.high, 0, 1),
        aspect="auto", interpolation="none",
    )  # fmt: skip
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_linewidth(0.5)
    for value in scale.levels():
        at = left + (value - scale.low) / (scale.high - scale.low) * long
        axes.axvline(value, color=style.INK, linewidth=0.4)
        shown = scale.text(value, signed=plan.view.ramp == "level")
        sheet.write(at, down + 7.0, shown, SMALL_PT, ha="center")
    unit, _ = words.height_unit(plan.view.system)
    sheet.write(left + long + 3.0, down + 2.9, f"{plan.view.scale_words}, {unit}", SMALL_PT)


def _key(sheet: Sheet, plan: PlanSheet, key: list[tuple[str, str]], left: float, down: float,
         wide: float) -> None:  # fmt: skip
    """Two columns of signs and hatches with what they mean."""
    for number, (kind, text) in enumerate(key):
        x = left + (number % 2) * 0.5 * wide
        y = down + (number // 2) * _KEY_ROW_MM
        axes = sheet.axes(x, y, 8.0, 3.8, f"key {number}")
        axes.set_xlim(0, 8.0 / MM_IN)
        axes.set_ylim(0, 3.8 / MM_IN)
        axes.set_xticks([])
        axes.set_yticks([])
        paint.paint_swatch(axes, kind, plan.view.ramp)
        sheet.write(x + 10.0, y + 2.9, fitted(text, SMALL_PT, 0.5 * wide - 12.0), SMALL_PT)
