"""Floor points become heights with standard errors per cell, and apart, what all share.

Within the reach of the points a height is the blended local quadratic of
``smoothing``. Under things and in shade it is inferred from wider fits around,
with the curvature of the floor itself as the measure of how far that may err.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.alike import owned
from pourdatum.bare import NIB_STEPS, BareFloor
from pourdatum.chunks import Means, PointStore
from pourdatum.errors import JobError, NoFloor
from pourdatum.floor import Floor, find_floor
from pourdatum.geometry import Plane, fit_plane
from pourdatum.grid import Grid, block_means, group_windows, widened
from pourdatum.localfit import local_fit
from pourdatum.move import Moving
from pourdatum.passing import Progress, silent
from pourdatum.rounding import NONE, Rounding, rounding_of
from pourdatum.scan import Scan
from pourdatum.shotfield import BetweenShots
from pourdatum.shots import ControlFit
from pourdatum.smoothing import Smoother, smoother_for
from pourdatum.spots import SpotMap, spot_heights
from pourdatum.stationlayers import without_steps
from pourdatum.stripes import NO_STRIPES, Stripes, stripes_of
from pourdatum.uncertainty import (
    LEVELLING,
    SENSORS,
    SensorKind,
    SharedError,
    sensor_from_noise,
)

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_WIDER_M: Final = ((2, 0.2), (2, 0.4), (1, 0.5), (1, 1.0))
"""Order and width of the fits that carry the floor on under things."""
_FITTED_M: Final = 0.2
"""Width of seen floor beside a hole from which the floor is carried on [m]; a choice."""
_BEND_STEP_M: Final = 0.25
_BEND_REACH_M: Final = 0.5
"""Step of the second differences that tell how floor bends beside a hole, and from how far [m]."""
_COARSE: Final = 4
"""Cells a side that the wide fits take as one."""
_WORST_NOISE: Final = 0.9
"""Standard error, in noises of one point, beyond which a fit is not taken as seen floor."""
_LEAST_NIB_M: Final = 0.002
_WIDEST_NIB_M: Final = 0.1
_FREE_EDGE_M: Final = 0.06
"""Distance from the end of a floor within which nothing is told of nibs [m]."""


@dataclass(frozen=True)
class Nib:
    """A small solid spot that stands out of the floor, to be chipped off.

    Attributes
    ----------
    place_m : tuple
        Its middle, local plan [m].
    height_m : float
        Above the floor around it [m].
    width_m : float
        Across [m].
    """

    place_m: tuple[float, float]
    height_m: float
    width_m: float


@dataclass(frozen=True, eq=False)
class Surface:
    """Heights of a floor on a grid.

    Attributes
    ----------
    grid : Grid
    height_m : (ny, nx) array
        Level, local (add ``origin_m[2]`` for the scan's own vertical); finite
        over the outline and two cells around it.
    standard_error_m : (ny, nx) array
        What each height may err by itself, without what all share.
    count : (ny, nx) array
        Floor points in the cell.
    measured, inferred : (ny, nx) bool array
        Cell centres inside the outline, seen or hidden.
    shared : SharedError
        Tilt, warp and datum, the same for all cells.
    floor : Floor
    origin_m : tuple of 3 floats
    nibs : tuple of Nib
    measured_m2, inferred_m2 : float
        They add up to the area of the outline.
    smoother : Smoother or None
        From cell means to heights; runs on simulated noise as well. None where levels were
        shot singly.
    noise_m : (ny, nx) array
        Standard deviation of one point around each cell [m].
    control : ControlFit, optional
        What control shots took out of the heights and what they left.
    between : BetweenShots, optional
        Where levels were shot singly: what the floor may do between them.
    rounding : Rounding
        What is left of the steps in which heights are stored.
    stripes : Stripes
        Errors that whole sweeps of the scanner share, as measured; what they add to each height
        is in its standard error.
    ripple : Stripes
        What looks like them and is the floor's own: it is in the heights.
    move : Moving, optional
        What brought a later scan into this frame.
    scanned_m : (ny, nx) array, optional
        The heights before control shots moved them, from the scan's origin; None without control.
    """

    grid: Grid
    height_m: Array
    standard_error_m: Array
    count: Array
    measured: Mask
    inferred: Mask
    shared: SharedError
    floor: Floor
    origin_m: tuple[float, float, float]
    nibs: tuple[Nib, ...]
    measured_m2: float
    inferred_m2: float
    smoother: Smoother | None
    noise_m: Array
    control: ControlFit | None = None
    between: BetweenShots | None = None
    rounding: Rounding = NONE
    stripes: Stripes = NO_STRIPES
    ripple: Stripes = NO_STRIPES
    move: Moving | None = None
    scanned_m: Array | None = None

    def above_plane_m(self) -> Array:
        """Height above the floor's own best-fit plane (ny, nx) [m]: its shape without its level."""
        out: Array = self.height_m - self.best_plane().at(*self.grid.mesh())
        return out

    def best_plane(self) -> Plane:
        """The best-fit plane of the whole floor, seen and inferred."""
        known = self.measured | self.inferred
        x_m, y_m = self.grid.mesh()
        best, _ = fit_plane(x_m[known], y_m[known], self.height_m[known])
        return best

    @cached_property  # One object, so that what is looked for on it is found again.
    def turned_over(self) -> Surface:
        """The floor upside down: what is highest on it is lowest on this."""
        return replace(
            self,
            height_m=-self.height_m,
            between=None if self.between is None else self.between.turned(),
        )

    def to_dataset(self) -> xr.Dataset:
        """The surface as a labelled grid with CF attributes."""
        from pourdatum.labelled import surface_dataset

        return surface_dataset(self)


def make_surface(
    scan: Scan,
    floor: Floor,
    move: Moving | None = None,
    *,
    sensor: SensorKind | None = None,
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
) -> Surface:
    """Heights of the floor, on the floor's grid.

    Parameters
    ----------
    scan : Scan
        The scan in which the floor was found, or a later one.
    floor : Floor
        Of a later scan its area is looked at alone: the floor may have risen in it.
    move : Moving, optional
        Brings a later scan into the frame in which the floor was found, as ``register_scans``
        finds it; without it the frames are the same.
    sensor : str, optional
        Whose shared errors to start from; default by the kind of file, else by the noise.
    means : Means, optional
        Of a later scan: workers, memory and machines.
    progress : callable, optional

    Returns
    -------
    Surface

    Raises
    ------
    NoFloor
        If a later scan shows no floor there.
    JobError
        If single levels are to be compared with a scan.
    """
    import shapely

    if move is not None:
        scan = move.moved(scan)
    if scan is not floor.scan:
        floor = _later(scan, floor, means, progress)
    if floor.spots is not None:
        return _surface_of_spots(scan, floor, floor.spots)
    bare = floor.bare
    assert bare is not None
    grid = floor.grid
    found = stripes_of(bare.count, bare.height_m, grid)
    if found.error_m > 0.0 and floor.level is not None:
        joined = _as_joined(floor)
        found = owned(found, joined, PointStore(joined, means), bare, floor.level, progress)
    stripes, ripple = (NO_STRIPES, found) if found.owner == "floor" else (found, NO_STRIPES)
    smoother = smoother_for(bare.count, bare.height_m, bare.local_noise_m, grid.cell_m, stripes)
    fitted = smoother.height(bare.height_m)
    height, error = _carry_on(bare, fitted, smoother.standard_error_m)
    x, y = grid.mesh()
    inside = shapely.contains_xy(floor.outline, x, y)
    seen = floor.seen & ~_hidden(floor, bare)
    measured, inferred = inside & seen, inside & ~seen
    share = inferred.sum() / max(inside.sum(), 1)
    kind = sensor or scan.sensor_hint or sensor_from_noise(floor.noise_m)
    rounding = rounding_of(scan.step_m, floor.noise_m, height, inside, grid)
    return Surface(
        grid=grid,
        height_m=height,
        standard_error_m=np.hypot(error, rounding.height_m),
        count=bare.count,
        measured=measured,
        inferred=inferred,
        shared=SENSORS[kind],
        floor=replace(floor, bare=bare.without_points()),
        origin_m=scan.origin_m,
        nibs=tuple(
            nib for nib in _nibs(bare, height, inside, scan.step_m) if not _at_free_edge(nib, floor)
        ),
        measured_m2=floor.area_m2 * (1 - share),
        inferred_m2=floor.area_m2 * share,
        smoother=smoother,
        noise_m=bare.local_noise_m,
        rounding=rounding,
        stripes=stripes,
        ripple=ripple,
        move=move,
    )


def _as_joined(floor: Floor) -> Scan:
    """The floor's scan with its set-ups as they were joined when the floor was found."""
    step_m = floor.stations.step_m
    if not step_m.size:
        return floor.scan
    return without_steps(floor.scan, np.nan_to_num(step_m))


def _later(scan: Scan, floor: Floor, means: Means, progress: Progress) -> Floor:
    """The floor of a later scan in the same frame, over the same area and cells."""
    if floor.spots is not None or scan.spots is not None:
        raise JobError(
            "levels that were shot singly are compared with no other scan",
            hint="scan the floor before and after the pour",
            id="spots-not-compared",
        )
    try:
        return find_floor(
            scan,
            cell_m=floor.cell_m,
            outline=floor.outline,
            grid=floor.grid,
            means=means,
            progress=progress,
        )
    except NoFloor as refused:
        if refused.id != "outline-misses":
            raise
        raise NoFloor(
            "the scan shows less than half of the floor that BEFORE shows",
            where="AFTER",
            hint="scan the whole floor after the pour",
            id="after-too-small",
        ) from refused


def _surface_of_spots(scan: Scan, floor: Floor, spots: SpotMap) -> Surface:
    """Heights between levels that were shot singly."""
    found = spot_heights(spots)
    measured = found.inside & found.spanned
    inferred = found.inside & ~found.spanned
    share = inferred.sum() / max(found.inside.sum(), 1)
    return Surface(
        grid=floor.grid,
        height_m=found.height_m,
        standard_error_m=found.standard_error_m,
        count=found.count,
        measured=measured,
        inferred=inferred,
        shared=LEVELLING,
        floor=floor,
        origin_m=scan.origin_m,
        nibs=(),
        measured_m2=floor.area_m2 * (1 - share),
        inferred_m2=floor.area_m2 * share,
        smoother=None,
        noise_m=np.full(floor.grid.shape, floor.noise_m),
        between=found.between,
    )


def _hidden(floor: Floor, bare: BareFloor) -> Mask:
    """Cells that things cover and in which no floor was seen."""
    from scipy.ndimage import binary_opening

    hidden: Mask = binary_opening(
        ~floor.seen | ((bare.count == 0) & bare.occupied), np.ones((3, 3), bool)
    )
    return hidden


def _carry_on(bare: BareFloor, height: Array, error: Array) -> tuple[Array, Array]:
    """Heights and errors where the floor was not seen, from ever wider fits.

    A fit over a hole of width ``w`` errs by about ``k w**2 / 8``, with ``k`` the
    floor's own curvature; that is added to the error of the points' noise. The wide
    fits run on cells of four by four, for they know nothing finer.
    """
    from scipy.ndimage import distance_transform_edt

    grid = bare.cells.grid
    missing = ~np.isfinite(error) | (error > _WORST_NOISE * bare.local_noise_m)
    out, out_error = np.where(missing, np.nan, height), np.where(missing, np.inf, error)
    away, nearest = distance_transform_edt(bare.count == 0, return_indices=True)
    away *= grid.cell_m
    # A fit that reaches over a hole from all sides knows its own noise, not how floor bends there.
    around = _bend_around(np.where(bare.count > 0, out, np.nan), out_error, grid.cell_m)
    reached = np.isfinite(out_error) & (away > 0.0)
    row, col = nearest[:, reached]
    # The remainder of a straight line through two places of the seen floor, that far apart.
    missed = away[reached] * (away[reached] + _FITTED_M) / 2
    out_error[reached] = np.hypot(out_error[reached], around[row, col] * missed)
    bend = _curvature(out, grid.cell_m)
    count, value = block_means(bare.count, bare.height_m, _COARSE)
    for order, width_m in _WIDER_M:
        open_ = ~np.isfinite(out_error) & (away < 2.2 * width_m)
        if not open_.any():
            continue
        width = max(width_m / (grid.cell_m * _COARSE), 1.5)
        fit = local_fit(count, width, order, least_weight=30.0)
        row, col = np.nonzero(open_)
        wide, variance = _between(row, col, fit.height(value), fit.variance)
        take = variance < 1 / 15.0
        row, col = row[take], col[take]
        out[row, col] = wide[take]
        doubt = bend * np.maximum(away[row, col], width_m if order == 1 else 0.0) ** 2 / 2
        own = np.sqrt(variance[take]) * bare.local_noise_m[row, col]
        out_error[row, col] = np.hypot(own, doubt)
    left = ~np.isfinite(out_error)
    if left.any():
        row, col = distance_transform_edt(left, return_distances=False, return_indices=True)
        out[left] = out[row, col][left]
        out_error[left] = np.hypot(out_error[row, col], bend * away**2 + 0.002)[left]
    return out, out_error


def _between(
    row: NDArray[np.int64], col: NDArray[np.int64], height: Array, variance: Array
) -> tuple[Array, Array]:
    """Heights and variances of a coarse fit at fine cells: bilinear, all four corners sound."""
    v = (row - 0.5 * (_COARSE - 1)) / _COARSE
    u = (col - 0.5 * (_COARSE - 1)) / _COARSE
    j = np.clip(np.floor(v).astype(np.int64), 0, height.shape[0] - 2)
    i = np.clip(np.floor(u).astype(np.int64), 0, height.shape[1] - 2)
    v, u = np.clip(v - j, 0, 1), np.clip(u - i, 0, 1)
    total = np.zeros(row.size)
    worst = np.zeros(row.size)
    for dj, di, share in (
        (0, 0, (1 - v) * (1 - u)),
        (0, 1, (1 - v) * u),
        (1, 0, v * (1 - u)),
        (1, 1, v * u),
    ):
        total += share * np.nan_to_num(height[j + dj, i + di])
        worst = np.maximum(worst, np.where(share > 1e-9, variance[j + dj, i + di], 0.0))
    return total, worst


def _curvature(height: Array, cell_m: float) -> float:
    """Usual curvature of the floor over half a metre [1/m], between its 25 and 75 %."""
    step = max(round(0.5 / cell_m), 1)
    second = [
        (height[2 * step :, :] - 2 * height[step:-step, :] + height[: -2 * step, :]).ravel(),
        (height[:, 2 * step :] - 2 * height[:, step:-step] + height[:, : -2 * step]).ravel(),
    ]
    values = np.abs(np.concatenate(second))
    values = values[np.isfinite(values)]
    return float(np.quantile(values, 0.6)) / (step * cell_m) ** 2 if values.size else 0.004


def _bend_around(height: Array, error: Array, cell_m: float) -> Array:
    """Curvature of the seen floor within half a metre of each cell, noise taken off (ny, nx) [1/m].

    The root of the mean square along both axes together; 0 where none was seen.
    """
    from scipy.ndimage import uniform_filter

    step = max(round(_BEND_STEP_M / cell_m), 1)
    square, count = np.zeros(height.shape), np.zeros(height.shape)
    for axis in (0, 1):
        if height.shape[axis] <= 2 * step:
            continue
        whole, noise = np.moveaxis(height, axis, 0), np.moveaxis(error, axis, 0)
        second = whole[2 * step :] - 2.0 * whole[step:-step] + whole[: -2 * step]
        own = second**2 - noise[2 * step :] ** 2 - 4.0 * noise[step:-step] ** 2
        own -= noise[: -2 * step] ** 2
        known = np.isfinite(own)
        np.moveaxis(square, axis, 0)[step:-step] += np.where(known, own, 0.0)
        np.moveaxis(count, axis, 0)[step:-step] += 0.5 * known
    size = 2 * round(_BEND_REACH_M / cell_m) + 1
    total = uniform_filter(square, size, mode="constant")
    share = uniform_filter(count, size, mode="constant")
    mean = np.maximum(total, 0.0) / np.maximum(share, 1e-9)
    return np.where(share > 1e-9, np.sqrt(mean), 0.0) / (step * cell_m) ** 2


def _nibs(bare: BareFloor, height: Array, inside: Mask, step_m: float) -> tuple[Nib, ...]:
    """Small groups of points that stand above the floor by more than its noise."""
    from scipy.ndimage import label

    cells = bare.cells
    grid = cells.grid
    band = cells.band
    over = band.z_m - height.ravel()[band.cell]
    least = max(4.0 * bare.noise_m, _LEAST_NIB_M, NIB_STEPS * step_m)
    high = np.isfinite(over) & (over > least) & (band.height_m < 0.07)
    # Where a wall runs through, its own points stand out too.
    high &= ~bare.occupied.ravel()[band.cell] | ~bare.nibs.ravel()[band.cell]
    standing = cells.total(band, high)
    spot = (standing >= 3) & inside & (standing >= 0.15 * np.maximum(bare.count + standing, 1))
    groups, _ = label(spot, np.ones((3, 3), bool))
    candidates = np.flatnonzero(high & spot.ravel()[band.cell])
    group = groups.ravel()[band.cell[candidates]]
    found = []
    for k, window in enumerate(group_windows(groups), 1):
        row, col = np.nonzero(groups[window] == k)
        row, col = row + window[0].start, col + window[1].start
        width = (max(np.ptp(row), np.ptp(col)) + 1) * grid.cell_m
        if width > _WIDEST_NIB_M + grid.cell_m or _stands_by_thing(bare, row, col):
            continue
        pick = candidates[group == k]
        order = np.argsort(over[pick])
        shares = np.cumsum(band.count[pick][order]) / band.count[pick].sum()
        top = float(np.interp(0.9, shares, over[pick][order]))
        place = tuple(
            float(np.average(axis[pick], weights=band.count[pick])) for axis in (band.x_m, band.y_m)
        )
        found.append(Nib((place[0], place[1]), top, float(width)))
    return tuple(sorted(found, key=lambda nib: -nib.height_m))


def _at_free_edge(nib: Nib, floor: Floor) -> bool:
    """Whether a spot lies where the floor ends without a wall, as at the edge of a landing.

    Cells there hold points of the edge's front as well, which draw the fitted floor down: what
    stands out of it is the floor.
    """
    import shapely

    if floor.outline.exterior.distance(shapely.Point(nib.place_m)) > _FREE_EDGE_M:
        return False
    place = np.asarray(nib.place_m)[None]
    for face in floor.faces:
        along = face.along(place)[0]
        low, high = face.along_m[:, 0] - _FREE_EDGE_M, face.along_m[:, 1] + _FREE_EDGE_M
        if (
            abs(face.distance(place)[0]) <= _FREE_EDGE_M
            and ((along >= low) & (along <= high)).any()
        ):
            return False
    return True


def _stands_by_thing(bare: BareFloor, row: NDArray[np.int64], col: NDArray[np.int64]) -> bool:
    """Whether a spot is the foot of a wall or thing: something taller stands in or beside it."""
    if bare.nibs[row, col].any():
        return False  # steep and small on floor of its own: a nib wherever it lies
    spot = (slice(row.min(), row.max() + 1), slice(col.min(), col.max() + 1))
    return bool(bare.occupied[widened(spot, 1, bare.occupied.shape)].any())
