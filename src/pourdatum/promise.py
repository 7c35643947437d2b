"""What control shots would make of an interval, before anyone has taken them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.datum import datum_draws_m
from pourdatum.drift import fit_drift, what_is_left
from pourdatum.evenly import even_places
from pourdatum.spread import fill_interval
from pourdatum.staff import SHOT_M
from pourdatum.uncertainty import SharedError

if TYPE_CHECKING:
    from pourdatum.datum import Datum
    from pourdatum.surface import Surface
    from pourdatum.volume import Volume

_UNDER_FOOT_M: Final = 0.0003
"""What the floor errs by where a staff stands [m]."""
_NODES: Final = 350


def interval_with_shots(
    surface: Surface, datum: Datum, volume: Volume, places_m: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """The 95 % interval of a fill if shots at these places agreed with the scan [m³].

    Parameters
    ----------
    surface : Surface
        Levelled by nothing yet.
    datum, volume
        As planned.
    places_m : sequence of (x, y)
        Three or more, not in a line, local plan [m].
    """
    left = _shared_left(surface, places_m)
    after = replace(surface, shared=left)
    draws = (
        None
        if datum.draws_m is None
        else datum_draws_m(after, datum.kind, datum.plane, datum.standard_error_m)
    )
    return fill_interval(after, replace(datum, draws_m=draws), volume)


def _shared_left(surface: Surface, places_m: Sequence[tuple[float, float]]) -> SharedError:
    """What all cells would still share after shots that find nothing wrong."""
    nodes, *_ = even_places(surface.measured | surface.inferred, surface.grid, _NODES)
    middle = surface.floor.outline.centroid
    reach_m = float(np.hypot(*(nodes - [middle.x, middle.y]).T).max())
    places = np.asarray(places_m)
    error_m2 = SHOT_M**2 + _UNDER_FOOT_M**2
    drift = fit_drift(
        places,
        np.zeros(len(places)),
        error_m2 * np.eye(len(places)),
        surface.shared,
        middle_m=(middle.x, middle.y),
        reach_m=reach_m,
    )
    left = what_is_left(drift, nodes)
    return SharedError(
        left.tilt_rad, left.warp_m, left.mean_m, "shots to come", surface.shared.scale
    )
