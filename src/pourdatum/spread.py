"""The 95 % interval of a fill: a first, honest estimate in two parts that are never mixed.

What averages out (the noise of the cells) shrinks with the floor; what all cells share
(datum, tilt, warp, the outline, floor nobody saw) grows with it. The parts are added as
JCGM 100:2008 (5.1.2) adds independent inputs; the positive part of the depth is taken as
linear, which overstates the interval where much of the floor stands above the datum.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.uncertainty import COVER_95, UNSEEN_M, combined, interval, mean_error_m

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface
    from pourdatum.volume import Volume

FIT_REACH_M: Final = 0.1
"""Standard deviation of the weights of the surface's local fit: nearer cells share points [m]."""

EDGE_M: Final = 0.005
"""Standard uncertainty of where a wall cuts the floor, all round together [m]; a choice."""


def fill_interval(surface: Surface, datum: Datum, volume: Volume) -> tuple[float, float]:
    """95 % interval of the volume [m³], never below zero.

    Parameters
    ----------
    surface : Surface
        Levels and their errors.
    datum : Datum
        Target, with its own interval.
    volume : Volume
        Fill between them.
    """
    low_m3, high_m3 = interval(volume.volume_m3, fill_uncertainty_m3(surface, datum, volume))
    # Where floor that was not seen well may be the highest, the datum may only rise.
    low_m, high_m = datum.interval_m
    rise_m = max(high_m - low_m - 2.0 * COVER_95 * datum.standard_error_m, 0.0)
    return max(0.0, low_m3), high_m3 + volume.area_m2 * rise_m


def fill_uncertainty_m3(surface: Surface, datum: Datum, volume: Volume) -> float:
    """Standard uncertainty of the volume [m³]; parameters as ``fill_interval``."""
    shared, area_m2 = surface.shared, volume.area_m2
    x_m, y_m = surface.grid.mesh()
    depth_m = datum.plane.at(x_m, y_m) - surface.height_m
    filled = (surface.measured | surface.inferred) & (np.nan_to_num(depth_m, nan=-1.0) > 0.0)
    reach = FIT_REACH_M / surface.grid.cell_m
    # A datum taken from the floor moves with whatever the whole scan is out by, so of
    # its interval only the noise of the high point counts here.
    parts = (
        [
            area_m2 * mean_error_m(surface.standard_error_m, filled, reach),
            UNSEEN_M * surface.inferred_m2,
        ]
        if surface.between is None
        else [_between_m3(surface, datum)]
    )
    parts += [
        area_m2 * datum.standard_error_m,
        area_m2 * shared.warp_m,
        EDGE_M * surface.floor.outline.length * volume.mean_depth_m,
    ]
    if datum.kind != "parallel":
        parts.append(area_m2 * shared.tilt_rad * _lever_m(surface, datum, filled))
    if datum.kind == "level":
        # A given level does not move with the scan.
        parts.append(area_m2 * shared.datum_m)
        parts.append(area_m2 * surface.rounding.level_m)
    return combined(*parts)


def _between_m3(surface: Surface, datum: Datum) -> float:
    """What the floor between single shots may add to the fill or take from it [m³].

    Root mean square over floors that agree with the shots, against the surface laid through
    them: what is rough and what is bent everywhere the same way, together.
    """
    between = surface.between
    assert between is not None
    place = between.place_m
    depth = datum.plane.at(place[:, 0], place[:, 1]) - surface.grid.at(surface.height_m, place)
    fill = np.maximum(depth, 0.0) @ between.weight_m2
    drawn = np.maximum(depth - between.deviation_m, 0.0) @ between.weight_m2
    return float(np.sqrt(np.mean((drawn - fill) ** 2)))


def _lever_m(surface: Surface, datum: Datum, filled: NDArray[np.bool_]) -> float:
    """Distance over which a tilt of the scan lifts the middle of the pour [m]."""
    if not filled.any():
        return 0.0
    x_m, y_m = surface.grid.mesh()
    if datum.high_place_m is not None:
        x0, y0 = datum.high_place_m
        return math.hypot(float(x_m[filled].mean()) - x0, float(y_m[filled].mean()) - y0)
    # Where the level was tied to the scan is not known: half the floor's diagonal at most.
    west, south, east, north = surface.floor.outline.bounds
    return 0.5 * math.hypot(east - west, north - south)
