"""Signs and labels on the map: high point, humps, openings, contours with their values."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.report import contours, lettering, paint, style
from pourdatum.report.labels import Box, Taken
from pourdatum.report.layout import DPI, SMALL_PT, Layout, Scale
from pourdatum.report.view import Mark, PlanView

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from shapely.geometry.base import BaseGeometry

    from pourdatum.grid import Grid

_REACH_PX: Final = {
    "hump": 23.0,
    "high": 17.0,
    "opening": 15.0,
    "column": 8.0,
    "nib": 9.0,
    "again": 11.0,
    "level": 10.0,
    "shot": 9.0,
    "spot": 5.0,
    "pin": 7.0,
    "corner": 8.0,
    "threshold": 9.0,
}
_TALL_PX: Final = SMALL_PT / 72 * DPI * 1.15
# A word must stand next to its sign; a sign with a line to its place may step further aside.
_NEAR: Final = (1.0, 1.6)
_FAR: Final = (1.0, 1.8, 3.0, 5.0)
_FEW_PINS: Final = 60
"""More pins than this are drawn small, and under the labels."""
_PX_PER_HUMP: Final = 130.0**2
_LABELS_PER_LEVEL: Final = 4
_APART_PX: Final = 260.0
_SHORTEST_PX: Final = 70.0
_TRIES: Final = (0.5, 0.3, 0.7, 0.15, 0.85, 0.4, 0.6, 0.05, 0.95)


def draw_signs(axes: Axes, view: PlanView, layout: Layout, scale: Scale, unit_m: float) -> None:
    """Signs first, since their places are given; then the values of the contours."""
    _, _, wide, tall = layout.map_in
    taken = Taken(Box(2, 2, wide * DPI - 2, tall * DPI - 2))
    # On a small map many signs hide what they point at; the highest come first.
    room = int(wide * tall * DPI**2 / _PX_PER_HUMP)
    marks = [m for m in view.marks if m.kind not in ("hump", "pin", "zone")]
    marks += [m for m in view.marks if m.kind == "hump"][:room]
    # Pins are many, and each is small: what they stand on goes before them.
    pins = [m for m in view.marks if m.kind == "pin"]
    crowd = len(pins) > _FEW_PINS
    clear = _off_the_walls(view, layout)
    placed = [(mark, _sign(axes, mark, layout, taken, crowd)) for mark in marks + pins]
    for mark, at in placed:
        if mark.text and at is not None:
            size = lettering.width_in(mark.text, SMALL_PT) * DPI + 8, _TALL_PX
            reach = _reach(mark, layout) + 3
            # A label across a wall is read as neither; where it must be, that is better than none.
            spot = taken.beside(*at, reach, *size, steps=(*_NEAR, *_FAR), clear=clear)
            if spot is None:
                spot = taken.beside(*at, reach, *size, steps=_NEAR)
            if spot is not None:
                _label(axes, layout.place(spot), mark.text)
    for mark in (one for one in view.marks if one.kind == "zone"):
        size = lettering.width_in(mark.text, SMALL_PT) * DPI + 8, _TALL_PX
        spot = taken.beside(*layout.px(mark.place_m), 4.0, *size, steps=_FAR)
        if spot is not None:
            _label(axes, layout.place(spot), mark.text)
    _contours(axes, view, layout, scale, unit_m, taken)


def _off_the_walls(view: PlanView, layout: Layout) -> Callable[[Box], bool]:
    """Whether a rectangle of pixels crosses no edge of the floor."""
    import shapely

    lines = [
        [layout.px((x, y)) for x, y in ring.coords]
        for part in shapely.get_parts(view.outline)
        for ring in (part.exterior, *part.interiors)
    ]
    edges = shapely.MultiLineString(lines)
    shapely.prepare(edges)

    def clear(box: Box) -> bool:
        return not edges.intersects(shapely.box(box.left, box.low, box.right, box.high))

    return clear


def _sign(
    axes: Axes, mark: Mark, layout: Layout, taken: Taken, crowd: bool
) -> tuple[float, float] | None:
    """Draw the sign of a mark; the pixel where it came to stand, None where it has no room."""
    at = layout.px(mark.place_m)
    reach = _reach(mark, layout)
    if mark.kind == "hump":
        if not taken.free(Box.around(*at, 2 * reach, 2 * reach)):
            # The place is taken, mostly by the high point: step aside, keep a line to it.
            aside = taken.beside(*at, 20.0, 2 * reach, 2 * reach, steps=_FAR)
            if aside is None:
                return None
            line = [mark.place_m, layout.place(aside)]
            paint.strokes(axes, [line], style.INK, 1.0, zorder=5.9)
            at = aside
        x_m, y_m = layout.place(at)
        axes.plot(
            [x_m], [y_m], "o", markersize=15, zorder=6, linestyle="none",
            markerfacecolor=style.PAPER, markeredgecolor=style.INK, markeredgewidth=1.2,
        )  # fmt: skip
        axes.text(
            x_m, y_m, str(mark.number), fontproperties=style.font(SMALL_PT, bold=True),
            color=style.INK, ha="center", va="center_baseline", zorder=6.5, clip_on=True,
        )  # fmt: skip
    elif mark.kind != "column":
        sign, size = style.SIGNS[mark.kind]
        among_many = crowd and mark.kind == "pin"
        part = 0.6 if among_many else 1.0
        axes.plot(
            [mark.place_m[0]], [mark.place_m[1]], sign,
            markersize=part * size,
            zorder=6.1 if mark.kind in ("spot", "pin") else 6.2, clip_on=mark.kind != "corner",
            color=style.INK, markeredgecolor=style.PAPER, markeredgewidth=part,
            linestyle="none",
        )  # fmt: skip
        if among_many:
            return at  # They may not keep every label from the map.
    taken.take(Box.around(*at, 2 * reach, 2 * reach))
    return at


def _reach(mark: Mark, layout: Layout) -> float:
    """Half the size of a sign, or of the thing it names [px]."""
    return max(_REACH_PX[mark.kind], mark.half_m * layout.px_per_m)


def _contours(
    axes: Axes, view: PlanView, layout: Layout, scale: Scale, unit_m: float, taken: Taken
) -> None:
    grid, value = contours.thinned(view.grid, view.value_m / unit_m)
    over_m = max(2 * grid.cell_m, 6 / layout.px_per_m)
    calms = [
        (piece, contours.smoothed(grid, _within(piece, grid, value), over_m))
        for piece in view.pieces
    ] or [(view.outline, contours.smoothed(grid, value, over_m))]
    diverging = view.ramp == "level"
    drawn = []
    for level in scale.levels():
        lines = [
            line
            for piece, calm in calms
            for line in contours.trace(grid, calm, level, piece, _SHORTEST_PX / layout.px_per_m)
        ]
        # In black and white, dashes tell below from above the mean.
        dash: Any = (0, (5, 2)) if diverging and level < 0 else "-"
        paint.strokes(axes, lines, style.INK, 1.4 if diverging and level == 0 else 0.75, 2.0, dash)
        drawn.append((scale.text(level, signed=diverging), lines))
    for text, lines in drawn:
        _contour_labels(axes, text, lines, layout, taken)


def _within(piece: BaseGeometry, grid: Grid, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values in a piece of the plan, NaN beside it."""
    import shapely

    shapely.prepare(piece)
    return np.where(shapely.intersects_xy(piece, *grid.mesh()), value, np.nan)


def _contour_labels(
    axes: Axes, text: str, lines: list[NDArray[np.float64]], layout: Layout, taken: Taken
) -> None:
    size = lettering.width_in(text, SMALL_PT) * DPI + 20, _TALL_PX
    put: list[tuple[float, float]] = []
    for line in lines[:12]:
        pixels = (line - np.array(layout.box_m[:2])) * layout.px_per_m
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(pixels, axis=0).T))])
        # A small ring must stay visible around its label; a line from wall to wall need not.
        ring = bool(np.allclose(line[0], line[-1]))
        if along[-1] < (4.0 if ring else 1.0) * size[0]:
            continue
        for share in _TRIES:
            at = share * along[-1]
            x = float(np.interp(at, along, pixels[:, 0]))
            y = float(np.interp(at, along, pixels[:, 1]))
            box = Box.around(x, y, *size)
            near = any(math.hypot(x - a, y - b) < _APART_PX for a, b in put)
            if not near and taken.free(box):
                taken.take(box)
                put.append((x, y))
                _label(axes, layout.place((x, y)), text)
                break
        if len(put) == _LABELS_PER_LEVEL:
            return


def _label(axes: Axes, at_m: tuple[float, float], text: str) -> None:
    from matplotlib.patheffects import withStroke

    axes.text(
        *at_m,
        text,
        fontproperties=style.font(SMALL_PT),
        parse_math=False,
        color=style.INK,
        ha="center",
        va="center_baseline",
        zorder=7,
        clip_on=True,
        path_effects=[withStroke(linewidth=3.0, foreground=style.PAPER)],
    )
