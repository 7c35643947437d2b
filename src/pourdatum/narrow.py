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

from pourdatum.alonglines import BESIDE_CELLS, ENOUGH, strongest
from pourdatum.bare import summed
from pourdatum.grid import Grid, group_windows
from pourdatum.shortwaves import ShortWaves, short_waves
from pourdatum.straight import Straight

if TYPE_CHECKING:
    from pourdatum.bare import BareFloor

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SHORTEST_M: Final = 0.3
"""Of a line that is told; shorter ones are spots [m]."""
_SIGMAS: Final = 6.0
"""Of a line that is no chance: of ten million places and directions one is so by noise."""
_LOBE: Final = 0.6
"""Share of the strongest line near by from which another is one of its own: beside a line the
floor reads half as much the other way."""
_GOES_ON: Final = 0.6
"""Share of the strongest near by down to which cells belong to a line."""
_LEAST_M: Final = 0.001
"""Of what heights leave out of a line, from which it is told [m]; a choice."""
_MOST_NOISE: Final = 5.0
"""Times the mean excess that a line is told to stand out by, at the most."""
_OFF_M: Final = 0.15
"""Off a line, and twice that, where heights are those of the floor beside [m]."""
_STEP_M: Final = 0.0015
"""Between both sides of a line from which it is the edge of a step [m]."""
_SURE: Final = 0.05
"""Share of its height to which a line is known at the best: its cells, and the floor beside."""
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


@dataclass(frozen=True, eq=False)
class Narrow:
    """What is narrower than the heights of a floor resolve.

    Attributes
    ----------
    lines : tuple of Straight
        The longest first.
    rise_m : (ny, nx) array or None
        What they add to the heights of the cells that they run through; None where there is none.
    left_out : (ny, nx) bool array or None
        Cells that were seen and of whose points most count as none of the floor.
    every : tuple of Straight
        The same lines, those that heights show as well, and edges of steps.
    waves : ShortWaves or None
        A ripple that heights leave out.
    error_m : float
        Standard error of the height of a line, of the one known least well [m].
    """

    lines: tuple[Straight, ...] = ()
    rise_m: Array | None = None
    left_out: Mask | None = None
    every: tuple[Straight, ...] = ()
    waves: ShortWaves | None = None
    error_m: float = 0.0

    @property
    def nothing(self) -> bool:
        """Whether nothing was found that heights leave out."""
        return not self.lines and self.waves is None

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
    spread, bare, height_m, inside, striped
        As ``find_narrow``.
    """

    def __init__(
        self, spread: CellSpread, bare: BareFloor, height_m: Array, inside: Mask, *, striped: bool
    ) -> None:
        self._of = (spread, bare, height_m, inside, striped)

    @cached_property
    def found(self) -> Narrow:
        """What was found."""
        return find_narrow(*self._of)

    @property
    def lines(self) -> tuple[Straight, ...]:
        """As ``Narrow``."""
        return self.found.lines

    @property
    def every(self) -> tuple[Straight, ...]:
        """As ``Narrow``."""
        return self.found.every

    @property
    def waves(self) -> ShortWaves | None:
        """As ``Narrow``."""
        return self.found.waves

    @property
    def error_m(self) -> float:
        """As ``Narrow``."""
        return self.found.error_m

    @property
    def nothing(self) -> bool:
        """As ``Narrow``."""
        return self.found.nothing

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


def find_narrow(
    spread: CellSpread, bare: BareFloor, height_m: Array, inside: Mask, striped: bool = False
) -> Narrow:
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
    striped : bool
        Whether the scan has stripes of its own, which come at one distance as a ripple does.
    """
    from scipy.ndimage import binary_dilation

    clear = inside & ~binary_dilation(bare.occupied, _SQUARE) & np.isfinite(height_m)
    seen = clear & (spread.count > 0)
    off = np.where(seen, spread.mean_m + bare.cells.reference_m - height_m, 0.0)
    left_out = seen & (spread.count >= 3) & (bare.count < 0.5 * spread.count)
    noise = np.where(bare.local_noise_m > 0.0, bare.local_noise_m, max(bare.noise_m, 1e-5))
    found = replace(_lines(spread, bare, height_m, off, noise, seen), left_out=left_out)
    if striped:
        return found
    count = np.where(seen, spread.count, 0.0)
    return replace(found, waves=short_waves(count, off, noise, bare.cells.grid))


def _lines(
    spread: CellSpread, bare: BareFloor, height_m: Array, off: Array, noise: Array, seen: Mask
) -> Narrow:
    """The lines and what they add to heights (ny, nx)."""
    from scipy.ndimage import label, maximum_filter

    grid = bare.cells.grid
    count = np.where(seen, spread.count, 0.0)
    strong = strongest(count, off, noise, grid.cell_m)
    if not (np.abs(strong) >= _SIGMAS).any():
        return NOTHING
    known_m = np.where(seen, height_m, np.nan)
    rise = np.zeros(grid.shape)
    found, every, least_sure_m = [], [], 0.0
    for sign in (1.0, -1.0):
        own_way, other_way = (np.maximum(way * strong, 0.0) for way in (sign, -sign))
        least = np.maximum(
            _GOES_ON * maximum_filter(own_way, 2 * BESIDE_CELLS + 1),
            _LOBE * maximum_filter(other_way, 4 * BESIDE_CELLS + 1),
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
            beside_m = _beside(axis, known_m, grid, sign)
            known = np.isfinite(beside_m)
            if not known.any():
                continue
            row, col, beside_m = row[known], col[known], beside_m[known]
            shown_m = sign * (height_m[row, col] - beside_m)
            cells = _Cells(
                axis.across[known], count[row, col], off[row, col],
                _square_about(spread, bare, off, noise, row, col), noise[row, col],
            )  # fmt: skip
            share, high_m, error_m = cells.profile(sign, shown_m)
            # What stands out of the heights themselves is no more than their points show.
            most, most_m, _ = cells.profile(sign, np.zeros(row.size))
            high_m, most_m = (min(one, bare.thing_m) for one in (high_m, most_m))
            left_out = np.clip(high_m * share - np.maximum(shown_m, 0.0), 0.0, most_m * most)
            told = left_out.max() >= _LEAST_M
            whole_m = high_m if told else most_m
            line = Straight(axis.place_m, axis.bearing_rad, axis.length_m, sign * whole_m)
            every.append(line)
            if not told:
                continue
            found.append(line)
            least_sure_m = max(least_sure_m, error_m)
            rise[row, col] += sign * left_out
    lines = tuple(sorted(found, key=lambda line: -line.length_m))
    return Narrow(lines, rise if lines else None, every=tuple(every), error_m=least_sure_m)


def _square_about(
    spread: CellSpread,
    bare: BareFloor,
    off: Array,
    noise: Array,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
) -> Array:
    """Mean squares about the floor's heights less noise, of those about the coarse level [m²]."""
    mean = spread.mean_m[row, col]
    moved = off[row, col] - mean
    out: Array = spread.square_m2[row, col] + 2.0 * moved * mean + moved**2 - noise[row, col] ** 2
    return out


@dataclass(frozen=True, eq=False)
class _Cells:
    """The cells of a line: how many each lies across it, its points, and what they stand off.

    Mean and mean square about the floor's heights, noise taken off the square.
    """

    across: NDArray[np.int64]
    count: Array
    off: Array
    square: Array
    noise: Array

    def profile(self, sign: float, shown_m: Array) -> tuple[Array, float, float]:
        """How much of a line's height each of its cells has, that height and its error [m].

        Cells at one distance from the axis are read together; the height is that of the distance
        where their mean excess is the most, of the share of its points that stand out. Both count
        from the floor beside, ``shown_m`` below the heights: what heights show of a line already
        would else count twice, as mean and as spread.
        """
        mean_m = sign * self.off + shown_m
        square = self.square + 2.0 * sign * self.off * shown_m + shown_m**2
        bins = self.across - self.across.min()
        weight = np.bincount(bins, self.count)
        mean = np.bincount(bins, self.count * mean_m) / np.maximum(weight, 1.0)
        second = np.bincount(bins, self.count * square) / np.maximum(weight, 1.0)
        best = int(np.where(weight >= ENOUGH * weight.max(), mean, -np.inf).argmax())
        if mean[best] <= 0.0:
            return np.zeros(bins.size), 0.0, 0.0
        high = float(np.clip(second[best] / mean[best], mean[best], _MOST_NOISE * mean[best]))
        share: Array = np.clip(mean / mean[best], 0.0, 1.0)[bins]
        # How many points lie on the line is in both of its sums; the noise of the points is not.
        noise2 = float(self.noise.mean()) ** 2
        one = noise2 / mean[best] ** 2
        # Less the noise, a mean square of few points may come out below nothing.
        spread = high * mean[best]
        two = (2.0 * noise2**2 + 4.0 * noise2 * spread) / spread**2
        error = high * math.sqrt((one + two) / max(weight[best], 1.0) + _SURE**2)
        return share, high, error


def _beside(axis: _Axis, height_m: Array, grid: Grid, sign: float) -> Array:
    """The floor that a line stands on, under each of its cells (k,) [m]; NaN where not known.

    A cubic through heights to either side. Where those of one side, carried on, meet those of the
    other at another level there is a step: a ridge stands out of its higher level, a groove of
    its lower one.
    """
    normal = np.array([math.cos(axis.bearing_rad), -math.sin(axis.bearing_rad)])
    near, far = (
        [grid.at(height_m, axis.foot_m + side * times * _OFF_M * normal) for side in (1.0, -1.0)]
        for times in (1.0, 2.0)
    )
    out: Array
    a, b = (2.0 * one - other for one, other in zip(near, far, strict=True))
    both = np.isfinite(a) & np.isfinite(b)
    if both.any() and abs(float(np.median((a - b)[both]))) > _STEP_M:
        # Fits blur the step, and what is near it may lie between its levels.
        furthest = np.fmax if sign > 0.0 else np.fmin
        return np.where(both, furthest.reduce([a, b, *far]), np.nan)
    through = (4.0 * (near[0] + near[1]) - (far[0] + far[1])) / 6.0
    out = np.where(both, through, np.where(np.isfinite(a), a, b))
    return out


@dataclass(frozen=True, eq=False)
class _Axis:
    """The straight line through the cells of a group, and how many cells each lies across it.

    ``foot_m`` is where each cell lies along it, local plan (k, 2) [m].
    """

    place_m: tuple[float, float]
    bearing_rad: float
    length_m: float
    across: NDArray[np.int64]
    foot_m: Array


def _axis(row: NDArray[np.int64], col: NDArray[np.int64], weight: Array, grid: Grid) -> _Axis:
    """The axis of the cells of one line: that along which they scatter the most."""
    place = np.column_stack([grid.x_m[col], grid.y_m[row]])
    middle = np.average(place, axis=0, weights=weight)
    off = place - middle
    along = np.linalg.eigh((off.T * weight) @ off)[1][:, -1]
    on, aside = off @ along, off @ np.array([along[1], -along[0]])
    at = int(np.hypot(on - 0.5 * (on.min() + on.max()), aside).argmin())
    x, y = place[at].tolist()
    return _Axis(
        place_m=(x, y),
        bearing_rad=math.atan2(along[0], along[1]) % math.pi,
        length_m=float(np.ptp(on)) + grid.cell_m,
        across=np.rint(aside / grid.cell_m).astype(np.int64),
        foot_m=middle + on[:, None] * along,
    )
