"""The 95 % interval of a fill, from floors that agree with the scan.

What averages out (the noise of the cells) shrinks with the floor; what all cells share
(tilt, warp, level, lengths in plan, floor nobody saw) grows with it. The two are never mixed:
each drawn floor is out by one tilt, one warp and one level everywhere, and by one mean of the
noise. On each the datum is found anew and the floor filled to it, with the positive part as it
is (JCGM 101:2008).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.areaerror import area_uncertainty_m2, unsure_m2
from pourdatum.evenly import even_places
from pourdatum.shareddraws import as_fitted, draws_for, interval_of
from pourdatum.staff import SHOT_M
from pourdatum.uncertainty import COVER_95, UNSEEN_M, combined, interval, mean_error_m

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface
    from pourdatum.volume import Volume

Array = NDArray[np.float64]

FIT_REACH_M: Final = 0.1
"""Standard deviation of the weights of the surface's local fit: nearer cells share points [m]."""
_NODES: Final = 3000
"""Places at which drawn floors are filled."""
_SEED: Final = 103
_PIN_SEED: Final = 113
_PIN_APART_M: Final = 2.0
_PINS: Final = (4, 200)
"""Pins stand so far apart, and are so many at the least and at the most."""


def fill_interval(
    surface: Surface, datum: Datum, volume: Volume, draws_m3: Array | None = None
) -> tuple[float, float]:
    """95 % interval of the volume [m³], never below zero.

    Parameters
    ----------
    surface : Surface
        Levels and their errors.
    datum : Datum
        Target, with its own interval.
    volume : Volume
        Fill between them.
    draws_m3 : (k,) array, optional
        ``fill_draws_m3`` of the same, where it is known already.
    """
    if surface.between is not None:
        low_m3, high_m3 = interval(volume.volume_m3, _of_shots_m3(surface, datum, volume))
    else:
        drawn = fill_draws_m3(surface, datum, volume) if draws_m3 is None else draws_m3
        low_m3, high_m3 = interval_of(volume.volume_m3, drawn)
        low_m3 -= unsure_m3(surface, volume)
        low_m3 = raised_low_m3(low_m3, volume.volume_m3, volume.area_m2 * datum.ends_moved_m[0])
    return max(0.0, low_m3), high_m3 + volume.area_m2 * rise_m(datum)


def raised_low_m3(low_m3: float, planned_m3: float, raised_m3: float) -> float:
    """Lower end of a fill that floor nobody searched raises; what is planned stays in it [m³].

    Examples
    --------
    >>> raised_low_m3(0.5, 1.0, 0.3), raised_low_m3(0.5, 1.0, 0.7), raised_low_m3(1.2, 1.0, 0.0)
    (0.8, 1.0, 1.2)
    """
    return max(min(low_m3 + raised_m3, planned_m3), low_m3)


def rise_m(datum: Datum) -> float:
    """By how much floor that was not seen well may lift the datum beyond its own error [m]."""
    if datum.draws_m is not None:
        return datum.ends_moved_m[1]
    low_m, high_m = datum.interval_m
    return max(high_m - low_m - 2.0 * COVER_95 * datum.standard_error_m, 0.0)


def draws_to_buy_m3(draws_m3: Array, datum: Datum, volume: Volume) -> Array:
    """Draws of a fill (k,) with what floor that nobody searched lifts the datum by on each [m³]."""
    if datum.higher_m is None:
        return draws_m3
    out: Array = draws_m3 + volume.area_m2 * datum.higher_m
    return out


def fill_draws_m3(surface: Surface, datum: Datum, volume: Volume) -> Array:
    """The fill on each floor that agrees with the scan (k,) [m³]; parameters as above."""
    return _drawn_m3(surface, datum, volume, datum.draws_m)


def level_draws_m3(surface: Surface, datum: Datum, volume: Volume) -> Array | None:
    """The fill to the level that was planned, on each floor that agrees with the scan (k,) [m³].

    The level is set out and poured to as it is, wherever the floor is highest: what the high
    point errs by has no part in it. Where shots were taken from a benchmark it is set out from
    there. Else nobody can find it but from the floor: so that what the staff reads on the floor at
    the pins, each to ``SHOT_M``, is on average what was planned. A bend that lifts all of the floor
    is then none. None where levels were shot singly, and for a datum that was given or tilts with
    the scan.

    Parameters
    ----------
    surface, datum, volume
        As planned.
    """
    if surface.between is not None or datum.kind not in ("high-point", "fall"):
        return None
    return _drawn_m3(surface, datum, volume, _set_out_m(surface, volume))


def _set_out_m(surface: Surface, volume: Volume) -> Array:
    """By how much the level stands too high on each drawn floor, set out from its pins (k,) [m]."""
    drawn = draws_for(surface)
    if drawn.levelled:
        return np.zeros(len(drawn.level_m))
    pins = int(np.clip(volume.outline_m2 / _PIN_APART_M**2, *_PINS))
    # A staff stands on floor that was seen.
    place, row, col, _ = even_places(surface.measured, surface.grid, pins)
    read_m = np.hypot(SHOT_M, surface.standard_error_m[row, col])
    luck = np.random.default_rng(_PIN_SEED).standard_normal(len(drawn.level_m))
    error_m = float(np.sqrt(np.mean(read_m**2) / len(place)))
    out: Array = drawn.level_m - drawn.at(place).mean(axis=1) + error_m * luck
    return out


def level_interval_m3(
    volume_m3: float, draws_m3: Array | None, unsure_m3: float
) -> tuple[float, float] | None:
    """95 % interval of the fill to the level that was planned [m³].

    Parameters
    ----------
    volume_m3 : float
        As planned.
    draws_m3 : (k,) array or None
        ``level_draws_m3``; None gives None.
    unsure_m3 : float
        Fill over what stands on the floor and may be fixed.

    Examples
    --------
    >>> [round(end, 3) for end in level_interval_m3(0.5, np.linspace(0.4, 0.6, 1001), 0.1)]
    [0.305, 0.595]
    """
    if draws_m3 is None:
        return None
    low_m3, high_m3 = interval_of(volume_m3, draws_m3)
    return max(0.0, low_m3 - unsure_m3), high_m3


def unsure_m3(surface: Surface, volume: Volume) -> float:
    """Fill over what stands on the floor and may be fixed [m³]."""
    return unsure_m2(surface) * volume.mean_depth_m


def _drawn_m3(surface: Surface, datum: Datum, volume: Volume, moved_m: Array | None) -> Array:
    """The fill on drawn floors (k,) [m³], to a datum that moves so far on each."""
    known = surface.measured | surface.inferred
    place, row, col, cells = even_places(known, surface.grid, _NODES)
    weight_m2 = cells * (volume.outline_m2 / max(int(cells.sum()), 1))
    lack = np.nan_to_num(datum.plane.at(*place.T) - surface.height_m[row, col], nan=0.0)
    # More floor stands above on some draws: it is ground too, and filled to the same depth.
    least_m = max(datum.ground_depth_m or 0.0, 0.0)
    fields = draws_for(surface).at(place)
    draw = np.random.default_rng(_SEED)
    luck = draw.standard_normal((len(fields), 3))
    fields += luck[:, :1] * _mean_noise_m(surface, known)
    fields += luck[:, 1:2] * UNSEEN_M * surface.inferred[row, col]
    if datum.kind == "parallel":
        fields = as_fitted(fields, place)
    depth = lack + fields
    if moved_m is not None:
        depth += moved_m[:, None]
    np.maximum(depth, least_m, out=depth)
    out: Array = volume.volume_m3 + (depth @ weight_m2 - np.maximum(lack, least_m) @ weight_m2)
    # The edge takes in or leaves out floor of the usual depth.
    out += luck[:, 2] * area_uncertainty_m2(surface) * volume.mean_depth_m
    return out


def _mean_noise_m(surface: Surface, known: NDArray[np.bool_]) -> float:
    """Standard error of the mean level, from the noise of the points and from stripes [m]."""
    own_m = mean_error_m(surface.standard_error_m, known, FIT_REACH_M / surface.grid.cell_m)
    return combined(own_m, surface.stripes.mean_error_m(known, surface.grid))


def _of_shots_m3(surface: Surface, datum: Datum, volume: Volume) -> float:
    """Standard uncertainty of a fill between single shots [m³].

    Root mean square over floors that agree with the shots, against the surface laid through
    them: what is rough and what is bent everywhere the same way, together; and what all the
    levels share.
    """
    between, shared, area_m2 = surface.between, surface.shared, volume.area_m2
    assert between is not None
    place = between.place_m
    depth = datum.plane.at(place[:, 0], place[:, 1]) - surface.grid.at(surface.height_m, place)
    fill = np.maximum(depth, 0.0) @ between.weight_m2
    drawn = np.maximum(depth - between.deviation_m, 0.0) @ between.weight_m2
    parts = [
        float(np.sqrt(np.mean((drawn - fill) ** 2))),
        area_m2 * datum.standard_error_m,
        area_m2 * shared.warp_m,
        _EDGE_M * surface.floor.outline.length * volume.mean_depth_m,
    ]
    if datum.kind != "parallel":
        parts.append(area_m2 * shared.tilt_rad * _lever_m(surface, datum))
    if datum.kind == "level":
        # A given level does not move with the survey.
        parts.append(area_m2 * shared.datum_m)
    return combined(*parts)


_EDGE_M: Final = 0.005
"""Standard uncertainty of where an outline between shots lies, all round together [m]; a choice."""


def _lever_m(surface: Surface, datum: Datum) -> float:
    """Distance over which a tilt lifts the middle of the pour [m]."""
    if datum.high_place_m is not None:
        middle = surface.floor.outline.centroid
        x0, y0 = datum.high_place_m
        return math.hypot(middle.x - x0, middle.y - y0)
    # Where the level was tied to the floor is not known: half its diagonal at most.
    west, south, east, north = surface.floor.outline.bounds
    return 0.5 * math.hypot(east - west, north - south)
