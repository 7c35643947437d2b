"""The plan of batches: shades and lines that a black-and-white printer keeps, numbers, the exit."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.pour import Crew
from pourdatum.report import canvas, lettering, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pourdatum.grid import Grid
    from pourdatum.outcome import Plan
    from pourdatum.pour import Batch, PourSheet

_WIDE_IN: Final = 6.4
_TALLEST_IN: Final = 9.0
_DPI: Final = 170
MOST_NUMBERS: Final = 140
"""Batches whose numbers are legible on the plan; of more, strips are named."""
_SHADES: Final = ("#ffffff", "#e4e1d8", "#c9c6bc", "#f1efe8")
"""Light greys that a black-and-white printer tells apart; batches side by side differ."""
_LEAST_PT: Final = 6.2
"""Size of numbers of which many would else stand on others [pt]."""
_ALL: Final = 0.95
NOT_TO_POUR: Final = "Not buildable as it stands: do not pour by this drawing"
"""Stands over a drawing of batches that may lie at the mixer without its page."""
_NOTICE_PT: Final = 11.0
_NOTICE_IN: Final = 2.4
"""Least width that the notice needs, also over a corridor."""
Place = tuple[float, float]


def strips(sheet: PourSheet) -> list[list[Batch]]:
    """Batches by strip, in the order of the pour."""
    found: list[list[Batch]] = []
    for batch in sheet.batches:
        last = found[-1][-1] if found else None
        if last is not None and (last.bay, last.strip) == (batch.bay, batch.strip):
            found[-1].append(batch)
        else:
            found.append([batch])
    return found


def strip_name(sheet: PourSheet, batch: Batch) -> str:
    """Bay and strip, or the strip alone where there is one bay."""
    return f"{batch.bay}.{batch.strip}" if sheet.bays > 1 else f"{batch.strip}"


def draw_batches(plan: Plan, sheet: PourSheet) -> bytes:
    """The plan of batches as PNG, for a black-and-white printer; the same plan, the same bytes."""
    west, south, east, north = plan.floor.outline.bounds
    margin = 0.045 * max(east - west, north - south)
    wide, tall = east - west + 2 * margin, north - south + 2 * margin
    across_in = min(_WIDE_IN, _TALLEST_IN * wide / tall)
    down_in = across_in * tall / wide
    with style.drawing():
        notice = _notice(plan, across_in)
        line_in = 1.4 * _NOTICE_PT / 72.0
        sheet_in = max(across_in, _NOTICE_IN) if notice else across_in
        head_in = line_in * (len(notice) + 0.5) if notice else 0.0
        figure = canvas.blank(sheet_in, down_in + head_in, _DPI)
        for number, line in enumerate(notice, 1):
            figure.text(
                0.5, 1.0 - number * line_in / (down_in + head_in), line, ha="center",
                color=style.INK, fontproperties=style.font(_NOTICE_PT, bold=True),
                parse_math=False,
            )  # fmt: skip
        across = across_in / sheet_in
        frame = (0.5 * (1.0 - across), 0.0, across, down_in / (down_in + head_in))
        axes = figure.add_axes(frame, label="batches")
        paint_batches(axes, plan, sheet, across_in / wide, margin)
        axes.set_xlim(west - margin, east + margin)
        axes.set_ylim(south - margin, north + margin)
        axes.set_axis_off()
        return canvas.png_of(figure, "level")


def _notice(plan: Plan, across_in: float) -> list[str]:
    """Lines over the drawing of a plan that cannot be built."""
    if plan.buildable:
        return []
    room_in = 0.96 * max(across_in, _NOTICE_IN)
    return lettering.wrapped(NOT_TO_POUR, _NOTICE_PT, room_in, bold=True, most=4)


def paint_batches(
    axes: Any, plan: Plan, sheet: PourSheet, in_per_m: float, margin_m: float
) -> None:
    """Batches in shades of grey with their numbers, stop-ends and the exit.

    Parameters
    ----------
    axes : Axes
        In local plan metres.
    plan : Plan
    sheet : PourSheet
    in_per_m : float
        Inches on the picture for a metre of floor.
    margin_m : float
        Length that the arrow at the exit reaches beyond the floor [m].
    """
    from matplotlib.collections import LineCollection
    from matplotlib.colors import ListedColormap

    grid = plan.surface.grid
    half = 0.5 * grid.cell_m
    extent = (grid.x_m[0] - half, grid.x_m[-1] + half, grid.y_m[0] - half, grid.y_m[-1] + half)
    number = sheet.batch_of
    shade = np.where(number > 0, _shades(number, len(sheet.batches)), np.nan)
    axes.imshow(
        shade, origin="lower", extent=extent, interpolation="none", aspect="auto",
        cmap=ListedColormap(list(_SHADES)), vmin=0, vmax=len(_SHADES) - 1,
    )  # fmt: skip
    # Two shades may be one on a poor printer: a line parts batches that touch.
    axes.add_collection(LineCollection(batch_edges(number, grid), colors=style.INK, linewidths=0.5))
    for ring in (plan.floor.outline.exterior, *plan.floor.outline.interiors):
        axes.plot(*ring.xy, color=style.INK, linewidth=1.2)
    for line in sheet.stop_ends:
        # White beside it parts it from the line of a wall or a joint that it runs along.
        axes.plot(*line.xy, color="#ffffff", linewidth=6.5, solid_capstyle="butt")
        axes.plot(*line.xy, color=style.INK, linewidth=4.5, solid_capstyle="butt")
    _write_numbers(axes, plan, sheet, in_per_m)
    _draw_exit(axes, plan, sheet, margin_m)


def batch_edges(number: Any, grid: Grid) -> Any:
    """Where batches touch each other, as straight pieces (n, 2, 2), local plan [m].

    Parameters
    ----------
    number : (ny, nx) int array
        Batch of each cell; 0 off the floor.
    grid : Grid

    Examples
    --------
    >>> from pourdatum.grid import Grid
    >>> two = np.array([[1, 1, 2, 2], [1, 1, 2, 2]])
    >>> batch_edges(two, Grid(0.5, 0.5, 1.0, 2, 4)).tolist()
    [[[2.0, 0.0], [2.0, 2.0]]]
    """
    half = 0.5 * grid.cell_m
    found = []
    for axis in (0, 1):
        cells = number if axis == 0 else number.T
        meets = (cells[:, 1:] != cells[:, :-1]) & (cells[:, 1:] > 0) & (cells[:, :-1] > 0)
        # Runs along a line of cell edges are one piece.
        step = np.diff(np.pad(meets.astype(np.int8), ((1, 1), (0, 0))), axis=0)
        line, first = np.nonzero(step.T > 0)
        _, last = np.nonzero(step.T < 0)
        across, along = (grid.x_m, grid.y_m) if axis == 0 else (grid.y_m, grid.x_m)
        at = across[line] + half
        ends = along[0] - half + grid.cell_m * np.stack([first, last])
        pieces = np.stack([np.stack([at, at]), ends], axis=2)
        found.append(np.swapaxes(pieces if axis == 0 else pieces[:, :, ::-1], 0, 1))
    return np.concatenate(found)


def _shades(number: Any, count: int) -> Any:
    """A shade for every cell's batch, so that batches that touch differ where that is possible."""
    touching: list[set[int]] = [set() for _ in range(count + 1)]
    for one, other in ((number[:, 1:], number[:, :-1]), (number[1:], number[:-1])):
        meets = (one != other) & (one > 0) & (other > 0)
        for a, b in np.unique(np.stack([one[meets], other[meets]], axis=1), axis=0).tolist():
            touching[a].add(b)
            touching[b].add(a)
    shade = np.zeros(count + 1)
    for batch in range(1, count + 1):
        used = {int(shade[other]) for other in touching[batch] if other < batch}
        free = [k for k in range(len(_SHADES)) if k not in used]
        shade[batch] = free[0] if free else batch % len(_SHADES)
    return shade[number]


def _write_numbers(axes: Any, plan: Plan, sheet: PourSheet, in_per_m: float) -> None:
    """Numbers of batches, or of strips where there are too many."""
    import shapely

    named: list[tuple[Place, str, float, tuple[Batch, ...]]]
    if len(sheet.batches) <= MOST_NUMBERS and isinstance(sheet.crew, Crew):
        named = [
            (batch.place_m, f"{batch.number}", batch.area_m2, (batch,)) for batch in sheet.batches
        ]
    else:
        named = [
            (
                own[len(own) // 2].place_m,
                strip_name(sheet, own[0]),
                sum(b.area_m2 for b in own),
                tuple(own),
            )
            for own in strips(sheet)
        ]
    wanted = [
        float(np.clip(math.sqrt(area_m2) * in_per_m * 72 * 0.4, 7.0, 15.0))
        for _, _, area_m2, _ in named
    ]
    gaps = shapely.union_all([shapely.Polygon(ring) for ring in plan.floor.outline.interiors])
    shapely.prepare(gaps)
    texts = [lettering.drawable(text, True) for _, text, _, _ in named]
    places = [place_m for place_m, _, _, _ in named]
    sizes = [_size_m(text, size, in_per_m) for text, size in zip(texts, wanted, strict=True)]
    on_gaps = shapely.intersects(gaps, _box(*np.array(places).T, *np.array(sizes).T))
    own_places = _OwnPlaces(sheet.batch_of, plan.surface.grid)
    for k in np.flatnonzero(on_gaps).tolist():
        own_m = own_places.of([batch.number for batch in named[k][3]])
        places[k] = clear_place(places[k], sizes[k], gaps, own_m)
    shown = list(zip(places, texts, strict=True))
    if len(_with_room(shown, wanted, in_per_m)) < _ALL * len(shown):
        # Where many would stand on others all are small, so that none seems to matter more.
        wanted = [_LEAST_PT] * len(shown)
    for k in _with_room(shown, wanted, in_per_m):
        (x_m, y_m), text = shown[k]
        axes.text(
            x_m, y_m, text, ha="center", va="center", color=style.INK,
            fontproperties=style.font(wanted[k], bold=True), parse_math=False,
        )  # fmt: skip


def _size_m(text: str, size_pt: float, in_per_m: float) -> Place:
    """Width and height of a number on the floor [m]."""
    return size_pt * sum(map(_digit_in, text)) / in_per_m, size_pt / 72 / in_per_m


class _OwnPlaces:
    """Cells of each batch, row by row: sorted once, since hundreds of batches ask for theirs."""

    def __init__(self, batch_of: Any, grid: Grid) -> None:
        self._grid = grid
        flat = batch_of.ravel()
        self._order = np.argsort(flat, kind="stable")
        self._first = np.concatenate([[0], np.cumsum(np.bincount(flat))])

    def of(self, numbers: Sequence[int]) -> Any:
        """Middles of the cells of some batches (n, 2), local plan [m]."""
        spans = [self._order[self._first[one] : self._first[one + 1]] for one in numbers]
        row, col = np.divmod(np.sort(np.concatenate(spans)), self._grid.nx)
        return np.column_stack([self._grid.x_m[col], self._grid.y_m[row]])


def clear_place(place_m: Place, size_m: Place, gaps: Any, own_m: Any) -> Place:
    """The nearest place for a number that lies on no column or opening.

    Parameters
    ----------
    place_m : tuple of 2 floats
        Where it is wanted, local plan [m].
    size_m : tuple of 2 floats
        Its width and height [m].
    gaps : shapely geometry
        Columns and openings.
    own_m : (n, 2) array
        Places that may be taken: floor of its own batch [m].

    Returns
    -------
    tuple of 2 floats
        As wanted where that is free, or where nothing else is.

    Examples
    --------
    >>> import shapely
    >>> clear_place((0.0, 0.0), (1.0, 0.5), shapely.box(0.2, -1, 1, 1), np.array([[-0.5, 0.0]]))
    (-0.5, 0.0)
    """
    import shapely

    # Gaps come first: of two shapes it is the first that may be prepared.
    if not shapely.intersects(gaps, _box(*place_m, *size_m)):
        return place_m
    own = own_m[~shapely.intersects(gaps, _box(own_m[:, 0], own_m[:, 1], *size_m))]
    if not len(own):
        return place_m
    x_m, y_m = own[np.argmin(np.hypot(own[:, 0] - place_m[0], own[:, 1] - place_m[1]))]
    return float(x_m), float(y_m)


def _box(x_m: Any, y_m: Any, wide_m: Any, tall_m: Any) -> Any:
    import shapely

    half, rise = wide_m / 2, tall_m / 2
    return shapely.box(x_m - half, y_m - rise, x_m + half, y_m + rise)


def _with_room(
    shown: list[tuple[tuple[float, float], str]], size_pt: list[float], in_per_m: float
) -> list[int]:
    """Which of some words in their order stand on none before them."""
    put = np.empty((4, len(shown)))
    kept: list[int] = []
    for k, (((x, y), text), size) in enumerate(zip(shown, size_pt, strict=True)):
        wide, tall = _size_m(text, size, in_per_m)
        a, b, w, t = put[:, : len(kept)]
        apart = (abs(x - a) > 0.52 * (wide + w)) | (abs(y - b) > 0.6 * (tall + t))
        if apart.all():
            put[:, len(kept)] = x, y, wide, tall
            kept.append(k)
    return kept


@lru_cache(maxsize=64)
def _digit_in(letter: str) -> float:
    """Width of a digit of a point's height [in]: numbers are set without kerning."""
    return lettering.width_in(letter, 10.0, bold=True) / 10.0


def _draw_exit(axes: Any, plan: Plan, sheet: PourSheet, margin: float) -> None:
    """An arrow that leaves the floor at the exit, clear of the number of the last batch."""
    import shapely

    outline = plan.floor.outline
    door = outline.exterior.interpolate(outline.exterior.project(shapely.Point(sheet.leave_m)))
    inside = np.array(sheet.batches[-1].place_m)
    away = np.array([door.x, door.y])
    way = away - inside
    length = float(np.hypot(*way))
    way = way / length if length > 0.0 else np.array([0.0, 1.0])
    axes.annotate(
        "", xy=tuple(away + 0.9 * margin * way), xytext=tuple(away - 0.2 * margin * way),
        arrowprops={"arrowstyle": "-|>", "color": style.INK, "linewidth": 2.2,
                    "mutation_scale": 16},
    )  # fmt: skip
