"""What is bought besides the material: edge strip, stop-ends, blocks for openings, and money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.openends import open_ends_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pourdatum.clipping import Outline
    from pourdatum.openings import Opening
    from pourdatum.surface import Surface

STOP_OVER_M: Final = 0.02
"""How far a stop at an opening stands above the finished level: a thumb's width, our choice."""
_RIM_M: Final = 0.15
_TOUCH_M: Final = 0.001


@dataclass(frozen=True)
class Block:
    """A stop around an opening."""

    place_m: tuple[float, float]
    length_m: float
    """Of the rim that it follows [m]."""
    height_m: float | None
    """Above the slab, the deepest pour beside it and what stands over it [m]; None if unseen."""


@dataclass(frozen=True)
class Besides:
    """Lengths and blocks to buy, and what the pour costs."""

    edge_strip_m: float
    """Along walls and around columns; openings have blocks [m]."""
    stop_ends_m: float
    """Between bays, in open doorways, and where the floor ends at no wall [m]."""
    blocks: tuple[Block, ...]
    cost: float | None
    """Bags, labour and grinding, as far as the job has prices."""
    cost_per_m2: float | None
    open_ends_m: float = 0.0
    """Of the stop-ends: those in doorways and where the floor ends at no wall [m]."""


NOTHING: Final = Besides(0.0, 0.0, (), None, None)


def buy_besides(
    surface: Surface,
    depth_m: NDArray[np.float64],
    *,
    stop_ends_m: float = 0.0,
    cost: float | None = None,
) -> Besides:
    """What a pour takes besides its material.

    Parameters
    ----------
    surface : Surface
    depth_m : (ny, nx) array
        Depth of the pour at its cells [m].
    stop_ends_m : float
        Of the pour sheet [m]; those at open ends come on top.
    cost : float, optional
        Of bags, labour and grinding.
    """
    outline, openings = surface.floor.outline, surface.floor.openings
    at_open_m = open_ends_m(surface.floor)
    return Besides(
        edge_strip_m=max(edge_strip_m(outline, openings) - at_open_m, 0.0),
        stop_ends_m=stop_ends_m + at_open_m,
        open_ends_m=at_open_m,
        blocks=tuple(
            Block(hole.place_m, hole.outline.exterior.length, stop_height_m(surface, depth_m, hole))
            for hole in openings
        ),
        cost=cost,
        cost_per_m2=None if cost is None else cost / outline.area,
    )


def edge_strip_m(outline: Outline, openings: Sequence[Opening]) -> float:
    """Length of the edge along walls and around columns: the outline without its openings [m].

    Examples
    --------
    >>> from shapely import box
    >>> edge_strip_m(box(0, 0, 4, 3).difference(box(1, 1, 1.5, 1.5)), ())
    16.0
    """
    import shapely

    total_m = 0.0
    for part in shapely.get_parts(outline):
        total_m += part.exterior.length
        for ring in part.interiors:
            inside = shapely.Polygon(ring).buffer(_TOUCH_M)
            if not any(inside.contains(shapely.Point(hole.place_m)) for hole in openings):
                total_m += ring.length
    return total_m


def stop_height_m(surface: Surface, depth_m: NDArray[np.float64], hole: Opening) -> float | None:
    """Height of a stop above the slab: it ends above the deepest pour beside the opening [m]."""
    x_m, y_m = surface.grid.mesh()
    left, low, right, high = hole.outline.bounds
    beside = (x_m >= left - _RIM_M) & (x_m <= right + _RIM_M)
    beside &= (y_m >= low - _RIM_M) & (y_m <= high + _RIM_M)
    beside &= np.isfinite(depth_m) & (surface.measured | surface.inferred)
    return max(float(depth_m[beside].max()), 0.0) + STOP_OVER_M if beside.any() else None
