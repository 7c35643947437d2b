"""Paints areas of the plan: cells, hatches, columns, openings, dashed edges."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.report import style
from pourdatum.report.layout import DPI, Scale
from pourdatum.report.view import Area, PlanView

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.path import Path
    from shapely.geometry.base import BaseGeometry

# Angle [deg], spacing [pt], colour, width of line [pt].
_HATCH: Final[dict[str, tuple[float, float, str, float]]] = {
    "inferred": (45.0, 7.0, style.INK, 0.7),
    "unsure": (0.0, 7.0, style.INK, 0.7),
    "thin": (135.0, 5.5, style.ALERT, 0.9),
    "deep": (90.0, 5.5, style.ALERT_ON_DARK, 1.2),
}
_DASH: Final = (0.0, (4.0, 2.0))
_JOINT: Final[dict[str, Any]] = {
    "joint": (0.0, (8.0, 2.0, 1.5, 2.0)),
    "crack": (0.0, (1.5, 2.0)),
    "edge": "-",
}


def paint_values(axes: Axes, view: PlanView, scale: Scale, unit_m: float) -> None:
    """Every cell in its colour, none between them, cut by the outline."""
    from matplotlib.colors import Normalize
    from matplotlib.patches import PathPatch

    grid = view.grid
    half = grid.cell_m / 2
    image = axes.imshow(
        np.ma.masked_invalid(view.value_m / unit_m),
        cmap=style.colour_map(view.ramp),
        norm=Normalize(scale.low, scale.high),
        origin="lower",
        interpolation="none",
        extent=(grid.x0_m - half, grid.x_m[-1] + half, grid.y0_m - half, grid.y_m[-1] + half),
        aspect="auto",
        zorder=1,
    )
    outline = path_of(view.outline)
    image.set_clip_path(outline, axes.transData)
    axes.add_artist(
        PathPatch(outline, facecolor="none", edgecolor=style.INK, linewidth=1.4, zorder=4)
    )


def paint_area(axes: Axes, area: Area, px_per_m: float) -> None:
    """One area in the way of its kind."""
    import shapely
    from matplotlib.patches import PathPatch

    if area.shape.is_empty:
        return
    if area.kind in _JOINT:
        parts = [shapely.get_coordinates(part) for part in shapely.get_parts(area.shape)]
        lines = [part for part in parts if len(part) > 1]
        strokes(axes, lines, style.PAPER, 3.2, zorder=3.3)
        strokes(axes, lines, style.INK, 1.5, 3.4, _JOINT[area.kind])
        return
    path = path_of(area.shape)
    if area.kind in ("opening", "column"):
        face = style.SOLID if area.kind == "column" else style.PAPER
        edge: dict[str, Any] = {"facecolor": face, "edgecolor": style.INK, "zorder": 3.5}
        axes.add_artist(PathPatch(path, linewidth=1.0, **edge))
        if area.kind == "opening":
            cross_out(axes, area.shape)
    elif area.kind == "hump":
        axes.add_artist(
            PathPatch(path, facecolor="none", edgecolor=style.INK, linewidth=1.1,
                      linestyle=_DASH, zorder=3.2)
        )  # fmt: skip
    else:
        angle, spacing_pt, colour, wide = _HATCH[area.kind]
        style_of_edge = "-" if area.kind in ("thin", "deep") else _DASH
        axes.add_artist(
            PathPatch(path, facecolor="none", edgecolor=colour, linewidth=0.9,
                      linestyle=style_of_edge, zorder=3.1)
        )  # fmt: skip
        lines = hatching(area.shape, angle, spacing_pt / 72 * DPI / px_per_m)
        if colour == style.INK:
            # A light line under a dark one is seen on any tone.
            strokes(axes, lines, style.PAPER, 2.3 * wide, zorder=2.9)
        strokes(axes, lines, colour, wide, zorder=3.0)


def paint_swatch(axes: Axes, kind: str, ramp: style.Ramp) -> None:
    """A small piece of an area of this kind, for the key; axes in inches."""
    import shapely

    right, high = axes.get_xlim()[1], axes.get_ylim()[1]
    framed = kind in ("opening", "column")
    for spine in axes.spines.values():
        spine.set_color(style.INK if framed else style.HAIR)
        spine.set_linewidth(0.8)
    box = shapely.box(0, 0, right, high)
    if framed:
        axes.set_facecolor(style.SOLID if kind == "column" else style.PAPER)
        if kind == "opening":
            cross_out(axes, box)
        return
    if kind in style.SIGNS:
        sign, size = style.SIGNS[kind]
        axes.plot([right / 2], [high / 2], sign, markersize=size, color=style.INK, linestyle="none")
        return
    # What is too deep is dark on the map, what is too thin is light.
    share = {"deep": 0.85, "thin": 0.1}.get(kind, 0.25) if ramp == "depth" else 0.5
    axes.set_facecolor(tuple(style.tones(ramp)[round(share * (style.TONES - 1))]))
    if kind in _JOINT:
        line = [(0.04, high / 2), (right - 0.04, high / 2)]
        strokes(axes, [line], style.PAPER, 3.2, 1.9)
        strokes(axes, [line], style.INK, 1.5, 2.0, _JOINT[kind])
        return
    if kind == "hump":
        strokes(axes, [[(0.04, high / 2), (right - 0.04, high / 2)]], style.INK, 1.1, 2.0, _DASH)
        return
    angle, spacing_pt, colour, wide = _HATCH[kind]
    strokes(axes, hatching(box, angle, spacing_pt / 72), colour, wide, zorder=2.0)


def cross_out(axes: Axes, shape: BaseGeometry) -> None:
    """The diagonals of a void, as on any builder's drawing."""
    import shapely

    for part in shapely.get_parts(shape):
        left, low, right, high = part.bounds
        both = shapely.MultiLineString([[(left, low), (right, high)], [(left, high), (right, low)]])
        cut = shapely.get_parts(shapely.intersection(both, part))
        lines = [shapely.get_coordinates(piece) for piece in cut]
        strokes(axes, [line for line in lines if len(line) > 1], style.INK, 0.8, zorder=3.6)


def strokes(
    axes: Axes,
    lines: Sequence[Any],
    colour: str,
    wide_pt: float,
    zorder: float,
    dash: Any = "-",
) -> None:
    """Lines of one look, each (n, 2) in the coordinates of the axes."""
    from matplotlib.collections import LineCollection

    axes.add_collection(
        LineCollection(
            lines, colors=colour, linewidths=wide_pt, linestyles=dash, zorder=zorder,
            capstyle="butt",
        ),
        autolim=False,
    )  # fmt: skip


def path_of(shape: BaseGeometry) -> Path:
    """A polygon or several, holes included, as one path."""
    import shapely
    from matplotlib.path import Path

    rings: list[Path] = []
    for polygon in shapely.get_parts(shape):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        # Holes must turn the other way, or the rule of filling would paint them.
        turned = shapely.geometry.polygon.orient(polygon)
        rings.extend(
            Path(np.asarray(ring.coords)[:, :2], closed=True)
            for ring in (turned.exterior, *turned.interiors)
        )
    return Path.make_compound_path(*rings)


def hatching(shape: BaseGeometry, angle_deg: float, spacing: float) -> list[NDArray[np.float64]]:
    """Parallel lines inside an area, all on one lattice, so that neighbours match.

    Parameters
    ----------
    shape : shapely geometry
        Area to hatch.
    angle_deg : float
        Direction of the lines from +x, anticlockwise.
    spacing : float
        Distance between lines, in the unit of the area.

    Returns
    -------
    list of (2, 2) float64 arrays

    Examples
    --------
    >>> import shapely
    >>> len(hatching(shapely.box(0, 0.5, 4, 4.5), 0.0, 1.0))
    4
    """
    import shapely

    turn = math.radians(angle_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-math.sin(turn), math.cos(turn)])
    left, low, right, high = shape.bounds
    corners = np.array([(left, low), (left, high), (right, low), (right, high)])
    reach, offset = corners @ along, corners @ across
    first, last = math.ceil(offset.min() / spacing), math.floor(offset.max() / spacing)
    at = (spacing * np.arange(first, last + 1))[:, np.newaxis] * across
    ends = np.stack(
        [at + (reach.min() - spacing) * along, at + (reach.max() + spacing) * along], axis=1
    )
    # Two rounds of parts: a line cut by several islands comes as a line of lines.
    cut = shapely.intersection(shapely.linestrings(ends), shape)
    cut = shapely.get_parts(shapely.get_parts(cut))
    return [shapely.get_coordinates(p) for p in cut if p.geom_type == "LineString" and p.length > 0]
