"""Floor points become heights with standard errors per cell, and apart, what all share.

Within the reach of the points a height is the blended local quadratic of
``smoothing``. Under things and in shade it is inferred from wider fits around,
with the curvature of the floor itself as the measure of how far that may err.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pourdatum.alike import owned
from pourdatum.bare import BareFloor
from pourdatum.carried import carried_on
from pourdatum.chunks import Means, PointStore
from pourdatum.errors import JobError, NoFloor
from pourdatum.floor import Floor, find_floor
from pourdatum.geometry import Plane, fit_plane
from pourdatum.grid import Grid
from pourdatum.move import Moving
from pourdatum.narrow import NOTHING, Narrow, NarrowLater
from pourdatum.nibs import Nib, along_nibs, find_nibs, off_lines
from pourdatum.passing import Progress, silent
from pourdatum.rounding import NONE, Rounding, rounding_of
from pourdatum.scan import Scan
from pourdatum.shotfield import BetweenShots
from pourdatum.shots import ControlFit
from pourdatum.smoothing import Smoother, smoother_for
from pourdatum.spots import SpotMap, spot_heights
from pourdatum.stationlayers import without_steps
from pourdatum.straight import Straight
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
    narrow : Narrow
        Ridges and grooves that the heights do not show, and cells whose points were left out.
    ridges : tuple of Straight
        Those of its ridges of which spots stand up, which are told as nibs are.
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
    narrow: Narrow | NarrowLater = NOTHING
    ridges: tuple[Straight, ...] = ()

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
            smoother=None if self.smoother is None else self.smoother.turned(),
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
    found = stripes_of(bare.count, bare.level_m, grid)
    if found.error_m > 0.0 and floor.level is not None:
        joined = _as_joined(floor)
        found = owned(found, joined, PointStore(joined, means), bare, floor.level, progress)
    stripes, ripple = (NO_STRIPES, found) if found.owner == "floor" else (found, NO_STRIPES)
    smoother = smoother_for(
        bare.count, bare.height_m, bare.local_noise_m, grid.cell_m, stripes, bare.rise_m
    )
    fitted = smoother.height(bare.height_m)
    height, error = carried_on(bare, fitted, smoother.standard_error_m)
    x, y = grid.mesh()
    inside = shapely.contains_xy(floor.outline, x, y)
    seen = floor.seen & ~_hidden(floor, bare)
    measured, inferred = inside & seen, inside & ~seen
    share = inferred.sum() / max(inside.sum(), 1)
    kind = sensor or scan.sensor_hint or sensor_from_noise(floor.noise_m)
    narrow: Narrow | NarrowLater = NOTHING
    if floor.spread is not None:
        narrow = NarrowLater(
            floor.spread, bare.without_points(), height, inside, striped=stripes.error_m > 0.0
        )
    nibs = find_nibs(floor, bare, height, inside, scan.step_m)
    ridges = () if not nibs else along_nibs(nibs, narrow.lines)
    rounding = rounding_of(scan.step_m, floor.noise_m, height, inside, grid)
    return Surface(
        grid=grid,
        height_m=height,
        standard_error_m=np.hypot(error, rounding.height_m),
        count=bare.count,
        measured=measured,
        inferred=inferred,
        shared=SENSORS[kind],
        floor=replace(floor, bare=bare.without_points(), spread=None),
        origin_m=scan.origin_m,
        nibs=off_lines(nibs, narrow.every) if nibs else (),
        measured_m2=floor.area_m2 * (1 - share),
        inferred_m2=floor.area_m2 * share,
        smoother=smoother,
        noise_m=bare.local_noise_m,
        rounding=rounding,
        stripes=stripes,
        ripple=ripple,
        move=move,
        narrow=narrow,
        ridges=ridges,
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
