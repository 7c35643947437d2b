"""Places of a fill that are out of a material's range: deep pockets to fill first, thin places.

A pocket is filled first to a level below the datum, over all of it that is deeper than what the
pour leaves on top. Its litres are those of the exact surface below that level, so that pocket and
pour add up to the fill of one lift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import widened
from pourdatum.material import SMALL_LEAST_M2
from pourdatum.overlevel import pieces_of, sums_above

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RIM_M: Final = 0.3
"""Width beside the rim of a filling in which it may run out to nothing: as far as it is drawn out
or cut by hand [m]. A choice."""
_LOOK_M: Final = 0.05


@dataclass(frozen=True)
class Pocket:
    """A deep place that is filled before the pour."""

    place_m: tuple[float, float]
    """Where it is deepest, local [m]."""
    area_m2: float
    """Of what is filled first."""
    volume_m3: float
    """Of what is filled first."""
    depth_m: float
    """From the datum to its deepest place [m]."""


@dataclass(frozen=True)
class Pockets:
    """All pockets of a fill, the deepest first, and the rest of the floor."""

    each: tuple[Pocket, ...] = ()
    stays_m2: float = 0.0
    """Too deep, in specks that are no pocket [m²]."""
    elsewhere_m: float = 0.0
    """Deepest place outside the pockets [m]."""
    feather_m2: float = 0.0
    """Thinner than the filling's least depth, and further than a hand's reach from its rim [m²]."""
    stop_ends_m: float = 0.0
    """Where the filling ends at its least depth, along the rims of the pockets [m]."""


@dataclass(frozen=True)
class Thin:
    """A place where the pour would be too thin, or the floor stands above the datum."""

    place_m: tuple[float, float]
    area_m2: float
    depth_m: float
    """The least; negative where the floor stands above the datum [m]."""


def find_pockets(
    surface: Surface,
    depth_m: Array,
    *,
    greatest_m: float,
    left_m: float,
    whole: tuple[float, float],
    filling_least_m: float = 0.0,
) -> Pockets:
    """Pockets of a fill: pieces deeper than what is left on top that hold a place too deep.

    Pieces share the exact volume and area of all of them by their cells: one piece alone has
    both exactly, and together they always add up.

    Parameters
    ----------
    surface : Surface
    depth_m : (ny, nx) array
        Depth at its cells [m].
    greatest_m : float
        Depth from which a place is too deep [m].
    left_m : float
        What is left for the pour over a pocket that is filled, no more than ``greatest_m`` [m].
    whole : tuple of 2 floats
        Fill up to ``left_m`` below the datum [m³], and its area [m²], over the whole floor.
    filling_least_m : float
        Least depth of what fills the pockets [m].
    """
    if not 0.0 <= left_m <= greatest_m:
        raise ValueError(f"{left_m} m left over a pocket is not from 0 to {greatest_m} m")
    from scipy.ndimage import find_objects

    known = surface.measured | surface.inferred
    labels, count = pieces_of(known & (depth_m > left_m))
    if not count:
        return Pockets(elsewhere_m=_deepest(depth_m, known))
    cells = np.flatnonzero(labels)
    each, own_m = labels.ravel()[cells], depth_m.ravel()[cells]
    deep_m2 = np.bincount(each, own_m > greatest_m, count + 1) * surface.grid.cell_m**2
    chosen = deep_m2 >= SMALL_LEAST_M2
    chosen[0] = False
    share = (np.bincount(each, own_m - left_m, count + 1), np.bincount(each, minlength=count + 1))
    windows = find_objects(labels)
    found = []
    for number in np.flatnonzero(chosen).tolist():
        rows, cols = windows[number - 1]
        own = np.where(labels[rows, cols] == number, depth_m[rows, cols], -np.inf)
        row, col = np.unravel_index(int(own.argmax()), own.shape)
        volume_m3, area_m2 = (
            all_of_it * float(part[number] / part.sum())
            for all_of_it, part in zip(whole, share, strict=True)
        )
        at = (row + rows.start, col + cols.start)
        found.append(Pocket(_place(surface, at), area_m2, volume_m3, float(own.max())))
    found.sort(key=lambda pocket: -pocket.depth_m)
    outside = known & ~chosen[labels]
    return Pockets(
        tuple(found),
        float(deep_m2[~chosen].sum()),
        _deepest(depth_m, outside),
        math.fsum(
            _feather_m2(surface, depth_m, outside, labels, number, windows[number - 1],
                        left_m + filling_least_m)
            for number in np.flatnonzero(chosen).tolist()
        ),
    )  # fmt: skip


def find_stopped(
    surface: Surface,
    depth_m: Array,
    *,
    greatest_m: float,
    left_m: float,
    whole: tuple[float, float],
    filling_least_m: float,
) -> Pockets:
    """Pockets whose filling ends at stop-ends where it would be thinner than its least depth.

    The pour goes on beyond them, no deeper than ``left_m`` and that least depth together.

    Parameters
    ----------
    surface, depth_m, greatest_m, left_m, filling_least_m
        As of ``find_pockets``.
    whole : tuple of 2 floats
        Fill [m³] up to ``left_m`` below the datum, and its area [m²], where it is not thinner.
    """
    stop_m = left_m + filling_least_m
    found = find_pockets(surface, depth_m, greatest_m=greatest_m, left_m=stop_m, whole=whole)
    return replace(found, stop_ends_m=_rims_m(surface, depth_m, stop_m, greatest_m))


def _rims_m(surface: Surface, depth_m: Array, level_m: float, greatest_m: float) -> float:
    """Length of the rims at a depth of the pieces that hold a place too deep [m]."""
    from contourpy import contour_generator

    known = surface.measured | surface.inferred
    labels, count = pieces_of(known & (depth_m > level_m))
    deep_m2 = np.bincount(labels[known], depth_m[known] > greatest_m, count + 1)
    chosen = deep_m2 * surface.grid.cell_m**2 >= SMALL_LEAST_M2
    chosen[0] = False
    # Other pieces are left out; where the floor ends, a wall holds the filling.
    other = ~known | ((labels > 0) & ~chosen[labels])
    lines: Any = contour_generator(
        surface.grid.x_m, surface.grid.y_m, np.ma.masked_array(depth_m, other)
    ).lines(level_m)
    return math.fsum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines)


def _feather_m2(
    surface: Surface, depth_m: Array, outside: Mask, labels: NDArray[np.int64], number: int,
    window: tuple[Any, ...], thin_m: float,
) -> float:  # fmt: skip
    """Thin floor of a pocket further from its rim than is cut or drawn out by hand [m²]."""
    grid = surface.grid
    rows, cols = widened((window[0], window[1]), math.ceil(RIM_M / grid.cell_m) + 1, grid.shape)
    # Every 50 mm: a reach of 300 mm needs no finer look.
    step = max(1, round(_LOOK_M / grid.cell_m))
    # Windows begin at looks of the whole floor, so that a place is looked at or not in all alike.
    rows, cols = (slice(side.start // step * step, side.stop, step) for side in (rows, cols))
    thin = (labels[rows, cols] == number) & (depth_m[rows, cols] < thin_m)
    if not thin.any():
        return 0.0
    cell_m = step * grid.cell_m
    return float(np.count_nonzero(thin & ~near_to(outside[rows, cols], RIM_M, cell_m))) * cell_m**2


def near_to(where: Mask, reach_m: float, cell_m: float) -> Mask:
    """Cells no further than a reach from some cells (ny, nx): what a few rows of a disc cover.

    As a distance of every cell says, in a third of its time where the reach is a few cells.

    Examples
    --------
    >>> near_to(np.array([[True, False, False, False]]), 0.2, 0.1).tolist()
    [[True, True, True, False]]
    """
    from scipy.ndimage import maximum_filter1d

    out = np.zeros(where.shape, bool)
    steps = np.arange(int(reach_m / cell_m) + 2)
    rows = where.shape[0]
    for down in steps[: rows + 1].tolist():
        covered = int(np.count_nonzero(cell_m * np.sqrt(down**2 + steps**2) <= reach_m))
        if not covered or down >= rows:
            break
        wide: Mask = maximum_filter1d(where, 2 * covered - 1, mode="constant")
        out[down:] |= wide[: rows - down]
        out[: rows - down] |= wide[down:]
    return out


def _deepest(depth_m: Array, where: Mask) -> float:
    return float(np.max(depth_m, where=where, initial=-np.inf))


def find_thin(surface: Surface, depth_m: Array, *, least_m: float) -> tuple[Thin, ...]:
    """Places thinner than a depth, the largest first; smaller than a patch is no place.

    Parameters
    ----------
    surface : Surface
    depth_m : (ny, nx) array
        Depth at its cells [m].
    least_m : float
        The material's least depth, less what is noise [m].
    """
    from scipy.ndimage import minimum, minimum_position

    known = surface.measured | surface.inferred
    labels, count = pieces_of(known & (depth_m < least_m))
    if not count:
        return ()
    numbers = np.arange(1, count + 1)
    _, area_m2 = sums_above(surface, -depth_m, -least_m, labels, count)
    least = np.asarray(minimum(depth_m, labels, numbers))
    at = minimum_position(depth_m, labels, numbers)
    found = [
        Thin(_place(surface, at[k]), float(area_m2[k + 1]), float(least[k]))
        for k in range(count)
        if area_m2[k + 1] >= SMALL_LEAST_M2
    ]
    return tuple(sorted(found, key=lambda thin: -thin.area_m2))


def _place(surface: Surface, at: tuple[Any, ...]) -> tuple[float, float]:
    row, col = at
    return float(surface.grid.x_m[col]), float(surface.grid.y_m[row])
