"""The bare floor: which points are floor, cell by cell, and how noisy they are.

A cell in which anything stands is left out, for points of a wall or a crate a few
millimetres above the floor cannot be told from floor by height. What is left is
held against a smooth fit of itself; points off it by more than the noise allows
are not floor (specks, reflections, nibs).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cellheights import cell_medians, occupied_cells
from pourdatum.cells import Cells, Column
from pourdatum.compiled import compiled_loops
from pourdatum.errors import NoFloor
from pourdatum.grid import Grid, block_means, filled_from_nearest, group_windows, widened
from pourdatum.localfit import local_heights
from pourdatum.sharp import sharp_cells
from pourdatum.stepped import Stepped

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

THING_M: Final = 0.03
"""Height from which a point belongs to something that stands on the floor [m]."""
_NIB_FIT_M: Final = 0.2
_NIB_FOOT: Final = 0.25
_NIB_M: Final = 0.004
NIB_STEPS: Final = 1.5
"""Steps of storage that a nib stands out by: floor between two steps stands out by one."""
_NIB_POINTS: Final = 6
_NIB_WIDTH_M: Final = 0.1
_FIRST_BANDWIDTH_M: Final = 0.1
_WIDER_M: Final = (0.2, 0.4, 0.8)
"""Widths of the fits that tell floor where points are few [m]."""
_WIDER_CELL_M: Final = 0.1
_FLATTENED_M: Final = 0.006
"""What such a fit may take off a hump, which is floor all the same [m]; a choice."""
_MOST_BINS: Final = 10_000


@dataclass(frozen=True, eq=False)
class BareFloor:
    """Floor points summed per cell.

    Attributes
    ----------
    count : (ny, nx) array
        Floor points in each cell, 0 where something stands or nothing was seen.
    height_m : (ny, nx) array
        Their mean level, brought to the cell's centre, local [m].
    fitted_m : (ny, nx) array
        Smooth fit of their heights above the coarse level [m]; NaN without support.
    noise_m : float
        Standard deviation of one floor point about the floor [m].
    local_noise_m : (ny, nx) array
        The same around each cell [m].
    gate_m : float
        Greatest distance of a floor point from the fit [m].
    occupied : (ny, nx) bool array
        Something stands in the cell.
    thing_m : float
        Height from which a point belongs to something that stands [m].
    nibs : (ny, nx) bool array
        Cells of small spots that stand steeply out of the floor.
    sharp : (ny, nx) bool array
        Cells of ridges, grooves and edges, which the fit does not follow.
    stepped : Stepped, optional
        Pieces that steep sides part from the floor around.
    """

    cells: Cells
    count: Array
    height_m: Array
    fitted_m: Array
    noise_m: float
    local_noise_m: Array
    gate_m: float
    occupied: Mask
    thing_m: float
    nibs: Mask
    sharp: Mask
    stepped: Stepped | None = None

    @property
    def level_m(self) -> Array:
        """The mean levels (ny, nx), those of each piece brought to the floor around it [m]."""
        return self.height_m if self.stepped is None else self.height_m - self.stepped.rise_m

    @property
    def rise_m(self) -> Array | None:
        """By how much pieces lie off the floor around (ny, nx) [m]; None where there are none."""
        return None if self.stepped is None else self.stepped.rise_m

    @property
    def fit_over_coarse_m(self) -> Array:
        """The fit above the coarse level (ny, nx) [m], of pieces too, carried on everywhere."""
        fitted = filled_from_nearest(self.fitted_m)
        return fitted if self.stepped is None else fitted + self.stepped.taken_m

    def with_what_stands_out(self) -> BareFloor:
        """The same with those single voxels alone that may be a nib: over the floor, beside it.

        What walls, things and openings were found from is let go before heights are fitted.
        """
        band = self.cells.band
        over = ~(band.height_m <= self.fitted_m.ravel()[band.cell])
        none = band.chosen(np.zeros(0, np.int64))
        return replace(
            self,
            cells=replace(self.cells, band=band.chosen(over), structure=none, near_walls=None),
        )

    def without_points(self) -> BareFloor:
        """The same without the sums of single voxels, most of a large floor's memory.

        Nobody asks for them once heights, nibs and walls are known.
        """
        none = self.cells.band.chosen(np.zeros(0, np.int64))
        return replace(self, cells=replace(self.cells, band=none, structure=none, near_walls=None))


def bare_floor(cells: Cells, step_m: float = 0.0, stepped: Stepped | None = None) -> BareFloor:
    """Tells floor points from all others.

    Parameters
    ----------
    cells : Cells
        Their heights are counted from each piece's own level.
    step_m : float
        Step in which heights are stored [m]: a point one step off its neighbours is floor.
    stepped : Stepped, optional
        Pieces of the floor that steep sides part.

    Raises
    ------
    NoFloor
        If less than half a square metre of clear floor was seen, or most of it too thinly.
    """
    grid = cells.grid
    shape = grid.shape
    band = cells.band
    cell_m = grid.cell_m
    bandwidth = first_bandwidth(cell_m)
    thing = THING_M
    noise = 0.0
    for _ in range(2):
        occupied = occupied_cells(cells, thing)
        clear = ~occupied.ravel()[band.cell] & (np.abs(band.height_m) < thing)
        median, seen = cell_medians(band, clear, shape)
        if seen.sum() * cell_m**2 < 0.5:
            raise NoFloor(
                f"only {seen.sum() * cell_m**2:.2f} m² of clear floor was seen",
                hint="clear the floor and scan again",
                id="no-floor",
            )
        weight = np.where(seen, cells.total(band, clear), 0)
        fitted = _robust_fit(median, weight, bandwidth)
        residual = band.height_m - fitted.ravel()[band.cell]
        usable = clear & np.isfinite(residual)
        if not usable.any():
            raise _too_thin(band, clear, seen, cell_m)
        noise = _spread_of(residual[usable], band.count[usable])
        if 6.0 * noise <= thing:
            break
        thing = min(6.0 * noise, 0.07)  # noisy scans need a higher step before a thing is one
    gate = max(3.5 * noise, 0.0015, step_m) + 0.0005
    least_m = max(_NIB_M, 4.0 * noise, NIB_STEPS * step_m)
    nibs = _nib_cells(median, np.where(seen, cells.total(band, clear), 0), least_m, cell_m)
    if nibs.any():
        # Beside a wall and in a corner the first fit may have followed a nib: once more without.
        clear &= ~nibs.ravel()[band.cell]
        median, seen = cell_medians(band, clear, shape)
        fitted = _robust_fit(median, np.where(seen, cells.total(band, clear), 0), bandwidth)
        residual = band.height_m - fitted.ravel()[band.cell]
        usable = clear & np.isfinite(residual)
    for _ in range(2):
        chosen = usable & (np.abs(residual) <= gate)
        count = cells.total(band, chosen).astype(np.float64)
        rise, _, _ = cell_means(band, band.height_m, chosen, cells, count)
        fitted = local_heights(count, rise, bandwidth)[0]
        residual = band.height_m - fitted.ravel()[band.cell]
        usable = clear & np.isfinite(residual)
    if 2 * band.count[usable].sum() < band.count[clear].sum():
        raise _too_thin(band, clear, seen, cell_m)
    chosen = usable & (np.abs(residual) <= gate)
    count = cells.total(band, chosen).astype(np.float64)
    # Few points are few, not none: where the fit above has no support, a wider one tells floor.
    wide = _wider_fit(fitted, median, np.where(seen, cells.total(band, clear), 0), cell_m)
    thin = np.where(np.isfinite(fitted), np.nan, wide)
    off = band.height_m - thin.ravel()[band.cell]
    few = clear & (np.abs(off) <= gate + _FLATTENED_M)
    if few.any():
        chosen |= few
        residual = np.where(few, off, residual)
        count = cells.total(band, chosen).astype(np.float64)
    noise, local = _noise(cells, band, chosen, residual, count)
    sharp = sharp_cells(cells, clear, residual, gate, occupied, nibs)
    if stepped is not None:
        sharp &= ~stepped.edge  # there points off the fit are the other side's, or the side's own
    if sharp.any():
        # What fills a cell is its floor, however far from the fit; the mean is the cell's own.
        chosen |= clear & sharp.ravel()[band.cell]
        count = cells.total(band, chosen).astype(np.float64)
        rise, _, _ = cell_means(band, band.height_m, chosen, cells, count)
        fitted = np.where(sharp, rise, fitted)
    level, dx, dy = cell_means(band, band.z_m, chosen, cells, count)
    even = level if stepped is None else level - stepped.rise_m
    _, slope_x, slope_y = local_heights(count, even, bandwidth, with_slope=True)
    # A fit across an edge has a slope that no cell on either side has.
    flat = _reached(sharp, bandwidth)
    slope_x, slope_y = (np.where(flat, 0.0, np.nan_to_num(slope)) for slope in (slope_x, slope_y))
    centred = level - slope_x * dx - slope_y * dy
    if stepped is not None:
        sharp = sharp | stepped.edge
    return BareFloor(
        cells, count, centred, fitted, noise, local, gate, occupied, thing, nibs, sharp, stepped
    )


def _reached(sharp: Mask, bandwidth: float) -> Mask:
    """Cells whose fit has a sharp feature in reach."""
    from scipy.ndimage import binary_dilation

    if not sharp.any():
        return sharp
    reached: Mask = binary_dilation(sharp, np.ones((3, 3), bool), iterations=round(2 * bandwidth))
    return reached


def _wider_fit(fitted: Array, value: Array, weight: Array, cell_m: float) -> Array:
    """Ever wider robust fits (ny, nx) where a narrower one has no support; NaN where none has."""
    step = max(round(_WIDER_CELL_M / cell_m), 1)
    rows, cols = fitted.shape
    out = fitted.copy()
    mass, mean = block_means(weight.astype(np.float64), value, step)
    for width_m in _WIDER_M:
        if not (np.isnan(out) & (weight > 0)).any():
            break
        wide = _robust_fit(mean, mass, max(width_m / (step * cell_m), 1.6))
        wide = wide.repeat(step, axis=0).repeat(step, axis=1)[:rows, :cols]
        out = np.where(np.isnan(out), wide, out)
    return out


def _too_thin(band: Column, clear: Mask, seen: Mask, cell_m: float) -> NoFloor:
    return NoFloor(
        f"the floor holds {band.count[clear].sum() / (seen.sum() * cell_m**2):.0f} points"
        " per m² where it was seen, too few to fit a surface to",
        hint="scan more densely, or export all points",
        id="too-thin",
    )


def first_bandwidth(cell_m: float) -> float:
    """Width of the fit that tells floor points from others, in cells."""
    return max(_FIRST_BANDWIDTH_M / cell_m, 1.6)


def _nib_cells(median: Array, weight: Array, least_m: float, cell_m: float) -> Mask:
    """Cells of small steep spots, and the cells beside them.

    A nib stands out of a wide robust fit on a region no wider than a patch; a hump that
    stands out as far is wider. The wide fit does not follow a nib in a corner, where a narrow
    one has little else to stand on.
    """
    from scipy.ndimage import binary_dilation, label

    # On blocks of two by two: the wide fit knows nothing finer, and a nib is larger.
    mass, value = block_means(weight.astype(np.float64), median, 2)
    coarse = _robust_fit(value, mass, max(0.5 * _NIB_FIT_M / cell_m, 1.5))
    wide = coarse.repeat(2, axis=0).repeat(2, axis=1)[: median.shape[0], : median.shape[1]]
    over = np.where(weight > 0, median - wide, np.nan)
    high = np.nan_to_num(over) > least_m
    groups, _ = label(high, np.ones((3, 3), bool))
    nibs = np.zeros(high.shape, bool)
    for k, window in enumerate(group_windows(groups), 1):
        if max(part.stop - part.start for part in window) * cell_m > _NIB_WIDTH_M + cell_m:
            continue
        if weight[window][groups[window] == k].sum() < _NIB_POINTS:
            continue  # specks, which the gate leaves out one by one
        view = widened(window, 3, high.shape)
        own = groups[view] == k
        near = binary_dilation(own, np.ones((3, 3), bool))
        ring = binary_dilation(near, np.ones((5, 5), bool)) & ~near
        around = over[view][ring]
        around = around[np.isfinite(around)]
        # A nib ends within a cell or two; the top of a hump goes on beyond any height asked for.
        if around.size and np.median(around) < _NIB_FOOT * np.mean(over[view][own]):
            nibs[view] |= own
    grown: Mask = binary_dilation(nibs, np.ones((3, 3), bool))
    return grown


def _robust_fit(value: Array, weight: Array, bandwidth: float) -> Array:
    """Local quadratic with Tukey's biweight, three rounds."""
    weight = weight.astype(np.float64)
    trust = weight
    fitted: Array = local_heights(trust, value, bandwidth)[0]
    for _ in range(2):
        residual = np.where(weight > 0, value - fitted, np.nan)
        if not np.isfinite(residual).any():
            break
        scale = 1.4826 * float(np.nanmedian(np.abs(residual))) + 2e-4
        u = np.nan_to_num(residual / (4.685 * scale), nan=2.0)
        trust = weight * np.clip(1 - u**2, 0, None) ** 2
        fitted = local_heights(trust, value, bandwidth)[0]
    return fitted


def _spread_of(residual: Array, count: NDArray[np.int64]) -> float:
    """Robust standard deviation of weighted residuals: 0.7413 of the quartile range."""
    low, high = _weighted_quantiles(residual, count, (0.25, 0.75))
    return 0.7413 * (high - low)


def _weighted_quantiles(
    value: Array, count: NDArray[np.int64], asked: tuple[float, ...]
) -> tuple[float, ...]:
    """The values up to which shares of the points lie, between values in proportion.

    Values are counted in narrow bins first: only those in the bin that holds a quantile, and
    in the one before it, are sorted.
    """
    low, high = float(value.min()), float(value.max())
    if high == low:
        return (low,) * len(asked)
    bins = min(max(value.size // 100, 1), _MOST_BINS)
    at = np.minimum(((value - low) * (bins / (high - low))).astype(np.int32), bins - 1)
    upto = np.cumsum(np.bincount(at, weights=count, minlength=bins))
    found = []
    for quantile in asked:
        own = int(np.argmax(upto / upto[-1] >= quantile))
        before = own - 1
        while before > 0 and upto[before] == upto[before - 1]:
            before -= 1
        pick = np.flatnonzero((at == own) | (at == before))
        pick = pick[np.argsort(value[pick], kind="stable")]
        start = upto[before - 1] if before > 0 else 0.0
        share = (start + np.cumsum(count[pick])) / upto[-1]
        found.append(float(np.interp(quantile, share, value[pick])))
    return tuple(found)


def cell_means(
    band: Column, of: Array, chosen: Mask, cells: Cells, count: Array
) -> tuple[Array, Array, Array]:
    """Mean of a quantity, and mean offset from the cell's centre in cells, of chosen points."""
    grid = cells.grid
    safe = np.maximum(count, 1.0)

    def mean(value: Array) -> Array:
        return summed(band, value, chosen, grid) / safe

    x, y = grid.mesh()
    dx = np.where(count > 0, (mean(band.x_m) - x) / grid.cell_m, 0.0)
    dy = np.where(count > 0, (mean(band.y_m) - y) / grid.cell_m, 0.0)
    return mean(of), dx, dy


def summed(band: Column, value: Array, chosen: Mask, grid: Grid) -> Array:
    """Sum of a quantity over the chosen points of each cell, (ny, nx)."""
    size = grid.ny * grid.nx
    loops = compiled_loops("cellloop", worth=False)
    if loops is None:
        weight = value[chosen] * band.count[chosen]
        plain = np.bincount(band.cell[chosen], weights=weight, minlength=size)
        return plain.astype(np.float64).reshape(grid.shape)
    total = np.zeros(size)
    loops.sums(band.cell, band.count, chosen, value, total)
    return total.reshape(grid.shape)


def _noise(
    cells: Cells, band: Column, chosen: Mask, residual: Array, count: Array
) -> tuple[float, Array]:
    """Standard deviation of one point, over all and around each cell."""
    from scipy.ndimage import gaussian_filter

    squares = summed(band, residual**2, chosen, cells.grid)
    width = 0.3 / cells.grid.cell_m
    total = gaussian_filter(count, width, mode="constant")
    local = gaussian_filter(squares, width, mode="constant")
    overall = float(np.sqrt(squares.sum() / max(count.sum(), 1.0)))
    few = 20.0 / (2 * np.pi * width**2)
    variance = np.where(total > few, local / np.maximum(total, 1e-12), overall**2)
    return overall, np.sqrt(np.maximum(variance, 1e-14))
