"""Ridges and grooves narrower than the fits: looked for along lines, for no cell shows them alone.

A ridge of 20 mm in cells of 30 mm lifts the mean of each cell that it runs through by less than
the noise allows, or its points are left out as none of the floor; smoothing takes the rest. But it
runs on: means along a line of half a metre, less those beside it, leave a fifth of the noise. Every
place is asked in 48 directions. How high such a line stands is told from its points, of which a
share p stands h out: their mean excess is p h, that of their squares p h².
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import summed
from pourdatum.grid import Grid, group_windows

if TYPE_CHECKING:
    from pourdatum.bare import BareFloor

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LONG_M: Final = 0.5
"""Of a line that is looked along, and twice that [m]."""
_SHORTEST_M: Final = 0.3
"""Of a line that is told; shorter ones are spots [m]."""
_BEARINGS: Final = 48
_BESIDE_CELLS: Final = 3
"""Cells between a line and those that it is held against."""
_SIGMAS: Final = 6.0
"""Of a line that is no chance: of ten million places and directions one is so by noise."""
_CLIPPED: Final = 3.0
"""Standard errors to which one cell counts: a nib is no line."""
_LOBE: Final = 0.6
"""Share of the strongest line near by from which another is one of its own: beside a line the
floor reads half as much the other way."""
_GOES_ON: Final = 0.6
"""Share of the strongest near by down to which cells belong to a line."""
_ENOUGH: Final = 0.3
"""Share of the points that a line holds from which one beside it is as well seen."""
_LEAST_M: Final = 0.001
"""Height from which a line is told [m]; a choice."""
_MOST_NOISE: Final = 5.0
"""Times the mean excess that a line is told to stand out by, at the most."""
_JOINT_M: Final = 0.02
"""How far off a drawn joint what was sawn may lie [m]; a choice."""
_SQUARE: Final = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class CellSpread:
    """All points near the floor in each cell, those left out as none of it as well.

    Attributes
    ----------
    count : (ny, nx) array
        Points clear of things.
    mean_m, square_m2 : (ny, nx) arrays
        Mean and mean square of their heights above the coarse level; 0 where there is none.
    """

    count: Array
    mean_m: Array
    square_m2: Array


@dataclass(frozen=True)
class NarrowLine:
    """A ridge, or a groove, that is narrower than what heights resolve.

    Attributes
    ----------
    place_m : tuple
        Its middle, local plan [m].
    bearing_rad : float
        Along it, clockwise from +y.
    length_m : float
        As far as it was found [m].
    height_m : float
        By how much it stands out of the floor's heights, a groove below 0 [m].
    """

    place_m: tuple[float, float]
    bearing_rad: float
    length_m: float
    height_m: float


@dataclass(frozen=True, eq=False)
class Narrow:
    """What is narrower than the heights of a floor resolve.

    Attributes
    ----------
    lines : tuple of NarrowLine
        The longest first.
    rise_m : (ny, nx) array or None
        What they add to the heights of the cells that they run through; None where there is none.
    left_out : (ny, nx) bool array or None
        Cells that were seen and of whose points most count as none of the floor.
    """

    lines: tuple[NarrowLine, ...] = ()
    rise_m: Array | None = None
    left_out: Mask | None = None

    def clear_of(self, paths_m: Sequence[Array], grid: Grid) -> Narrow:
        """The same without what lies along given lines, such as saw cuts.

        Parameters
        ----------
        paths_m : sequence of lines
            Local plan [m].
        grid : Grid
            Of the floor.
        """
        import shapely

        if self.rise_m is None or not paths_m:
            return self
        near = shapely.union_all([shapely.LineString(one) for one in paths_m])
        reach_m = 2.0 * grid.cell_m + _JOINT_M
        kept = tuple(
            line for line in self.lines if near.distance(shapely.Point(line.place_m)) > reach_m
        )
        if len(kept) == len(self.lines):
            return self
        x, y = grid.mesh()
        along = shapely.dwithin(near, shapely.points(x, y), reach_m)
        return replace(self, lines=kept, rise_m=np.where(along, 0.0, self.rise_m))


NOTHING: Final = Narrow()


class NarrowLater:
    """The same, looked for when it is first asked for: most plans ask for none of it.

    Parameters
    ----------
    spread, bare, height_m, inside
        As ``find_narrow``.
    """

    def __init__(self, spread: CellSpread, bare: BareFloor, height_m: Array, inside: Mask) -> None:
        self._of = (spread, bare, height_m, inside)

    @cached_property
    def found(self) -> Narrow:
        """What was found."""
        return find_narrow(*self._of)

    @property
    def lines(self) -> tuple[NarrowLine, ...]:
        """As ``Narrow``."""
        return self.found.lines

    @property
    def rise_m(self) -> Array | None:
        """As ``Narrow``."""
        return self.found.rise_m

    @property
    def left_out(self) -> Mask | None:
        """As ``Narrow``."""
        return self.found.left_out

    def clear_of(self, paths_m: Sequence[Array], grid: Grid) -> Narrow:
        """As ``Narrow``."""
        return self.found.clear_of(paths_m, grid)


def spread_of(bare: BareFloor) -> CellSpread:
    """All points near the floor, summed per cell; asked for while there are single voxels.

    Parameters
    ----------
    bare : BareFloor
        With its voxels.
    """
    band, grid = bare.cells.band, bare.cells.grid
    near = ~bare.occupied.ravel()[band.cell] & (np.abs(band.height_m) < bare.thing_m)
    count = bare.cells.total(band, near).astype(np.float64)
    safe = np.maximum(count, 1.0)
    mean, square = (summed(band, band.height_m**power, near, grid) / safe for power in (1, 2))
    return CellSpread(count, mean, square)


def find_narrow(spread: CellSpread, bare: BareFloor, height_m: Array, inside: Mask) -> Narrow:
    """Ridges and grooves of a floor that its heights do not show.

    Parameters
    ----------
    spread : CellSpread
    bare : BareFloor
        Its floor points.
    height_m : (ny, nx) array
        Heights of the floor, local [m].
    inside : (ny, nx) bool array
        Cells within its outline.
    """
    from scipy.ndimage import binary_dilation

    clear = inside & ~binary_dilation(bare.occupied, _SQUARE) & np.isfinite(height_m)
    seen = clear & (spread.count > 0)
    off = np.where(seen, spread.mean_m + bare.cells.reference_m - height_m, 0.0)
    left_out = seen & (spread.count >= 3) & (bare.count < 0.5 * spread.count)
    lines, rise = _lines(spread, bare, off, seen)
    return Narrow(lines, rise, left_out)


def _lines(
    spread: CellSpread, bare: BareFloor, off: Array, seen: Mask
) -> tuple[tuple[NarrowLine, ...], Array | None]:
    """The lines and what they add to heights (ny, nx)."""
    from scipy.ndimage import label, maximum_filter

    grid = bare.cells.grid
    count = np.where(seen, spread.count, 0.0)
    noise = np.where(bare.local_noise_m > 0.0, bare.local_noise_m, max(bare.noise_m, 1e-5))
    strong = _strongest(count, off, noise, grid.cell_m)
    if not (np.abs(strong) >= _SIGMAS).any():
        return (), None
    square = np.where(seen, _about(spread, bare, off) - noise**2, 0.0)
    rise = np.zeros(grid.shape)
    found = []
    for sign in (1.0, -1.0):
        own_way, other_way = (np.maximum(way * strong, 0.0) for way in (sign, -sign))
        least = np.maximum(
            _GOES_ON * maximum_filter(own_way, 2 * _BESIDE_CELLS + 1),
            _LOBE * maximum_filter(other_way, 4 * _BESIDE_CELLS + 1),
        )
        groups, _ = label(seen & (own_way >= np.maximum(_GOES_ON * _SIGMAS, least)), _SQUARE)
        for k, window in enumerate(group_windows(groups), 1):
            own = groups[window] == k
            if own_way[window][own].max(initial=0.0) < _SIGMAS:
                continue
            row, col = (at[own] for at in np.mgrid[window])
            axis = _axis(row, col, own_way[row, col], grid)
            if axis.length_m < _SHORTEST_M:
                continue
            share, high_m = _profile(
                axis.across, count[row, col], sign * off[row, col], square[row, col]
            )
            high_m = min(high_m, bare.thing_m)
            if high_m < _LEAST_M:
                continue
            line = NarrowLine(axis.place_m, axis.bearing_rad, axis.length_m, sign * high_m)
            found.append(line)
            rise[row, col] += sign * high_m * share
    lines = tuple(sorted(found, key=lambda line: -line.length_m))
    return lines, rise if lines else None


def _about(spread: CellSpread, bare: BareFloor, off: Array) -> Array:
    """Mean squares about the floor's heights, of those about the coarse level (ny, nx) [m²]."""
    moved = off - spread.mean_m
    out: Array = spread.square_m2 + 2.0 * moved * spread.mean_m + moved**2
    return out


@dataclass(frozen=True, eq=False)
class _Axis:
    """The straight line through the cells of a group, and how many cells each lies across it."""

    place_m: tuple[float, float]
    bearing_rad: float
    length_m: float
    across: NDArray[np.int64]


def _axis(row: NDArray[np.int64], col: NDArray[np.int64], weight: Array, grid: Grid) -> _Axis:
    """The axis of the cells of one line: that along which they scatter the most."""
    place = np.column_stack([grid.x_m[col], grid.y_m[row]])
    off = place - np.average(place, axis=0, weights=weight)
    along = np.linalg.eigh((off.T * weight) @ off)[1][:, -1]
    on, aside = off @ along, off @ np.array([along[1], -along[0]])
    at = int(np.hypot(on - 0.5 * (on.min() + on.max()), aside).argmin())
    x, y = place[at].tolist()
    return _Axis(
        place_m=(x, y),
        bearing_rad=math.atan2(along[0], along[1]) % math.pi,
        length_m=float(np.ptp(on)) + grid.cell_m,
        across=np.rint(aside / grid.cell_m).astype(np.int64),
    )


def _profile(
    across: NDArray[np.int64], count: Array, off: Array, square: Array
) -> tuple[Array, float]:
    """How much of a line's height each of its cells has, and that height [m].

    Cells at one distance from the axis are read together; the height is that of the distance
    where their mean excess is the most, of the share of its points that stand out.
    """
    bins = across - across.min()
    weight = np.bincount(bins, count)
    mean = np.bincount(bins, count * off) / np.maximum(weight, 1.0)
    second = np.bincount(bins, count * square) / np.maximum(weight, 1.0)
    best = int(np.where(weight >= _ENOUGH * weight.max(), mean, -np.inf).argmax())
    if mean[best] <= 0.0:
        return np.zeros(off.shape), 0.0
    high = float(np.clip(second[best] / mean[best], mean[best], _MOST_NOISE * mean[best]))
    share: Array = np.clip(mean / mean[best], 0.0, 1.0)[bins]
    return share, high


def _strongest(count: Array, off: Array, noise: Array, cell_m: float) -> Array:
    """The strongest line through each cell, in standard errors (ny, nx)."""
    error = noise / np.sqrt(np.maximum(count, 1.0))
    clipped = count * np.clip(off, -_CLIPPED * error, _CLIPPED * error)
    half = max(round(0.5 * _LONG_M / cell_m), 2)
    strong = np.zeros(count.shape)
    for k in range(_BEARINGS):
        turn = k * math.pi / _BEARINGS
        across = round(_BESIDE_CELLS * math.sin(turn)), -round(_BESIDE_CELLS * math.cos(turn))
        on = round(half * math.cos(turn)), round(half * math.sin(turn))
        steps = np.arange(-half, half + 1)
        rows = np.rint(steps * math.cos(turn)).astype(int)
        cols = np.rint(steps * math.sin(turn)).astype(int)
        weight, total = (_along(field, rows, cols) for field in (count, clipped))
        for twice in (False, True):
            if twice:  # Of two such lines, one behind the other.
                weight, total = (
                    _moved(field, *on) + _moved(field, -on[0], -on[1]) for field in (weight, total)
                )
            z = _held_against_beside(weight, total, noise, across)
            better = np.abs(z) > np.abs(strong)
            strong[better] = z[better]
    return strong


def _held_against_beside(
    weight: Array, total: Array, noise: Array, across: tuple[int, int]
) -> Array:
    """Means along lines less those of lines beside them, in standard errors (ny, nx)."""
    safe = np.maximum(weight, 1.0)
    mean, square = total / safe, 1.0 / safe
    other, doubt, many = (np.zeros(weight.shape) for _ in range(3))
    for side in (1, -1):
        step = side * across[0], side * across[1]
        sure = _moved(weight, *step) >= _ENOUGH * weight
        other += np.where(sure, _moved(mean, *step), 0.0)
        doubt += np.where(sure, _moved(square, *step), 0.0)
        many += sure
    sides = np.maximum(many, 1.0)
    z = (mean - other / sides) / (noise * np.sqrt(square + doubt / sides**2))
    known = (many > 0) & (weight >= _ENOUGH * _usual(weight)) & (weight > 0)
    if not known.any():
        return np.zeros(weight.shape)
    # Sweeps of a scanner and ripples of the floor lie along one way all over it.
    scale = max(1.4826 * float(np.median(np.abs(z[known]))), 1.0)
    return np.where(known, z / scale, 0.0)


def _usual(weight: Array) -> float:
    some = weight[weight > 0]
    return float(np.median(some)) if some.size else 0.0


def _along(field: Array, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> Array:
    """Sums of a field over places at these steps from each cell."""
    reach = int(max(np.abs(rows).max(), np.abs(cols).max()))
    ny, nx = field.shape
    padded = np.pad(field, reach)
    out = np.zeros(field.shape)
    for row, col in zip(rows + reach, cols + reach, strict=True):
        out += padded[row : row + ny, col : col + nx]
    return out


def _moved(field: Array, rows: int, cols: int) -> Array:
    """The field as seen so many cells on; zero beyond its ends.

    Examples
    --------
    >>> _moved(np.array([[1.0, 2.0, 3.0]]), 0, 1).tolist()
    [[2.0, 3.0, 0.0]]
    """
    ny, nx = field.shape
    out = np.zeros(field.shape)
    if abs(rows) >= ny or abs(cols) >= nx:
        return out
    out[max(-rows, 0) : ny - max(rows, 0), max(-cols, 0) : nx - max(cols, 0)] = field[
        max(rows, 0) : ny - max(-rows, 0), max(cols, 0) : nx - max(-cols, 0)
    ]
    return out
