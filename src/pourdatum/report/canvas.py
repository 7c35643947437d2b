"""Draws a plan view as PNG: words above, the map, its bars and key below."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from pourdatum.optional import need
from pourdatum.report import contours, lettering, paint, signs, style, words
from pourdatum.report.layout import (
    BAR_IN,
    DPI,
    EDGE_IN,
    KEY_IN,
    LEFT_IN,
    LINE_IN,
    SMALL_PT,
    SWATCH_IN,
    TEXT_PT,
    TITLE_LINE_IN,
    TITLE_PT,
    WIDTH_IN,
    Layout,
    Scale,
    colour_scale,
    lay_out,
    plan_unit_m,
)
from pourdatum.report.view import PlanView

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw(view: PlanView, path: str | Path | IO[bytes]) -> None:
    """Draw a plan view.

    Parameters
    ----------
    view : PlanView
        What to show.
    path : str, Path or binary file
        Where the PNG goes. The same view gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    MissingExtra
        If matplotlib does not load.
    """
    with style.drawing():
        layout, scale = lay_out(view), colour_scale(view)
        unit, unit_m = words.height_unit(view.system)
        figure = blank(WIDTH_IN, layout.height_in, DPI)
        _head(figure, layout)
        axes = figure.add_axes(layout.rect(*layout.map_in), label="map")
        _frame(axes, view, layout)
        paint.paint_values(axes, view, scale, unit_m)
        for area in view.areas:
            paint.paint_area(axes, area, layout.px_per_m)
        signs.draw_signs(axes, view, layout, scale, unit_m)
        _axis_names(figure, view, layout)
        _scale_bar(figure, view, layout)
        _colour_bar(figure, view, layout, scale, unit)
        _key(figure, view, layout)
        data = png_of(figure, view.ramp)
    if isinstance(path, str | Path):
        Path(path).write_bytes(data)
    else:
        path.write(data)


def load() -> None:
    """Load what ``draw`` needs, for a caller who has time to spare before it."""
    style.provide_config_folder()
    for module in ("matplotlib.backends.backend_agg", "matplotlib.figure", "PIL.PngImagePlugin"):
        need(module, purpose="drawing a map", extra="base")


def blank(wide_in: float, tall_in: float, dpi: float) -> Figure:
    """An empty sheet to draw on, within ``style.drawing``."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide_in, tall_in), dpi=dpi, facecolor=style.PAPER)
    FigureCanvasAgg(figure)
    return figure


def png_of(figure: Figure, ramp: style.Ramp) -> bytes:
    """A finished sheet as PNG in the colours of a ramp; the same sheet gives the same bytes."""
    sheet: Any = figure.canvas
    sheet.draw()
    return _packed(np.asarray(sheet.buffer_rgba())[:, :, :3], ramp)


def _packed(rgb: Any, ramp: style.Ramp) -> bytes:
    """PNG with a palette of the ramp's own colours: a third of the size of full colour."""
    image = need("PIL.Image", purpose="packing a picture", extra="base")
    palette = style.palette(ramp)
    code = rgb[:, :, 0].astype(np.uint32) << 16 | rgb[:, :, 1].astype(np.uint32) << 8 | rgb[:, :, 2]
    present = np.zeros(1 << 24, bool)
    present[code] = True
    found = np.flatnonzero(present)
    parts = np.stack([found >> 16, found >> 8 & 255, found & 255], axis=1).astype(np.float32)
    inks = palette.astype(np.float32)
    # |a - b|² without its a² part, which does not change which ink is nearest.
    nearest = np.argmin((inks**2).sum(axis=1) - 2.0 * parts @ inks.T, axis=1)
    table = np.zeros(1 << 24, np.uint8)
    table[found] = nearest
    packed = image.fromarray(table[code])
    packed.putpalette(palette.tobytes())
    out = io.BytesIO()
    packed.save(out, format="png", optimize=True, dpi=(DPI, DPI))
    return out.getvalue()


def _write(
    figure: Figure, layout: Layout, x_in: float, top_in: float, text: str, size_pt: float,
    **more: Any,
) -> None:  # fmt: skip
    bold = bool(more.pop("bold", False))
    figure.text(
        x_in / WIDTH_IN,
        1.0 - top_in / layout.height_in,
        lettering.drawable(text, bold),
        fontproperties=style.font(size_pt, bold=bold),
        parse_math=False,
        **({"color": style.INK, "va": "baseline"} | more),
    )


def _head(figure: Figure, layout: Layout) -> None:
    at = EDGE_IN
    for row in layout.title:
        at += TITLE_LINE_IN
        _write(figure, layout, EDGE_IN, at - 0.1, row, TITLE_PT, bold=True)
    for row in layout.lines:
        at += LINE_IN
        _write(figure, layout, EDGE_IN, at - 0.06, row, TEXT_PT, color=style.SOFT_INK)


def _frame(axes: Axes, view: PlanView, layout: Layout) -> None:
    """The frame of the map with few ticks, in the scan's own plan coordinates."""
    left, low, right, high = layout.box_m
    axes.set_xlim(left, right)
    axes.set_ylim(low, high)
    for spine in axes.spines.values():
        spine.set_color(style.HAIR)
        spine.set_linewidth(0.8)
    unit_m = plan_unit_m(view)
    for axis, origin, ends, size_in in (
        (axes.xaxis, view.origin_m[0], (left, right), layout.map_in[2]),
        (axes.yaxis, view.origin_m[1], (low, high), layout.map_in[3]),
    ):
        first, last = ((end + origin) / unit_m for end in ends)
        digits = len(f"{max(abs(first), abs(last)):.0f}")
        step = contours.interval(first, last, max(1, min(5, int(size_in / (0.5 + 0.13 * digits)))))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        ticks = contours.rounds(first, last, step)
        axis.set_ticks(
            [tick * unit_m - origin for tick in ticks],
            labels=[words.minus(f"{tick:.{decimals}f}") for tick in ticks],
        )
    axes.tick_params(length=4, width=0.8, color=style.HAIR, pad=3)
    for text in [*axes.get_xticklabels(), *axes.get_yticklabels()]:
        text.set_fontproperties(style.font(SMALL_PT))
        text.set_color(style.SOFT_INK)
    _keep_on_sheet(axes, layout)
    for at, text in zip(axes.get_yticks(), axes.get_yticklabels(), strict=True):
        text.set_rotation(90)
        # Long northings would reach into the labels of x, or over the name of the axis.
        half_m = lettering.width_in(text.get_text(), SMALL_PT) / 2 * DPI / layout.px_per_m
        low_end, high_end = at - low < half_m, high - at < half_m
        text.set_verticalalignment("bottom" if low_end else "top" if high_end else "center")


def _keep_on_sheet(axes: Axes, layout: Layout) -> None:
    """The last label under an axis ends at the axis where it would run off the sheet."""
    left, right = axes.get_xlim()
    in_per_unit = layout.map_in[2] / (right - left)
    for at, text in zip(axes.get_xticks(), axes.get_xticklabels(), strict=True):
        over = lettering.width_in(text.get_text(), SMALL_PT) / 2 - (right - at) * in_per_unit
        if over > EDGE_IN - 0.04:
            text.set_horizontalalignment("right")


def _axis_names(figure: Figure, view: PlanView, layout: Layout) -> None:
    unit = words.plan_unit(view.system)
    left, top, wide, tall = layout.map_in
    soft: dict[str, Any] = {"color": style.SOFT_INK}
    at = left + wide, top + tall + 0.4
    _write(figure, layout, *at, f"x, {unit}", SMALL_PT, ha="right", **soft)
    upright: dict[str, Any] = {"rotation": 90, "va": "top"}
    _write(figure, layout, 0.1, top + 0.02, f"y, {unit}", SMALL_PT, **(soft | upright))


def _scale_bar(figure: Figure, view: PlanView, layout: Layout) -> None:
    from matplotlib.lines import Line2D

    unit_m = plan_unit_m(view)
    long_units = contours.interval(0.0, layout.map_in[2] * DPI / layout.px_per_m / unit_m, most=6)
    long_in = long_units * unit_m * layout.px_per_m / DPI
    height = 1.0 - layout.scale_top_in / layout.height_in
    for share, colour, wide_pt in ((1.0, style.INK, 4.0), (0.5, style.PAPER, 2.0)):
        ends = [LEFT_IN / WIDTH_IN, (LEFT_IN + share * long_in) / WIDTH_IN]
        figure.add_artist(
            Line2D(ends, [height] * 2, color=colour, linewidth=wide_pt, solid_capstyle="butt")
        )
    shown = f"{long_units:g} {words.plan_unit(view.system)}"
    _write(figure, layout, LEFT_IN + long_in + 0.08, layout.scale_top_in + 0.055, shown, SMALL_PT)


def _colour_bar(figure: Figure, view: PlanView, layout: Layout, scale: Scale, unit: str) -> None:
    top = layout.bar_top_in
    axes = figure.add_axes(layout.rect(LEFT_IN, top, layout.map_in[2], BAR_IN), label="bar")
    axes.imshow(
        style.tones(view.ramp)[np.newaxis],
        extent=(scale.low, scale.high, 0, 1),
        aspect="auto",
        interpolation="none",
    )
    values = scale.levels()
    shown = [scale.text(value, signed=view.ramp == "level") for value in values]
    axes.set_xticks(values, labels=shown)
    axes.set_yticks([])
    axes.tick_params(length=3, width=0.8, color=style.INK, pad=2)
    for text in axes.get_xticklabels():
        text.set_fontproperties(style.font(SMALL_PT))
        text.set_color(style.INK)
    _keep_on_sheet(axes, layout)
    for value in values[1:-1]:
        axes.axvline(value, color=style.INK, linewidth=0.6)
    for spine in axes.spines.values():
        spine.set_color(style.INK)
        spine.set_linewidth(0.8)
    label = f"{view.scale_words}, {unit}"
    beyond = [word for word, there in (("less", scale.less), ("more", scale.more)) if there]
    if beyond:
        label += f" (in spots {' and '.join(beyond)})"
    _write(figure, layout, LEFT_IN, top + BAR_IN + 0.42, label, TEXT_PT)


def _key(figure: Figure, view: PlanView, layout: Layout) -> None:
    wide, tall = SWATCH_IN
    for number, (kind, text) in enumerate(layout.key):
        top = layout.key_top_in + number * KEY_IN
        axes = figure.add_axes(layout.rect(LEFT_IN, top + 0.03, wide, tall), label=f"key {number}")
        axes.set_xlim(0, wide)
        axes.set_ylim(0, tall)
        axes.set_xticks([])
        axes.set_yticks([])
        paint.paint_swatch(axes, kind, view.ramp)
        _write(figure, layout, LEFT_IN + wide + 0.12, top + 0.175, text, TEXT_PT)
