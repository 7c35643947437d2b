"""Readings of a floor for free movement: E over 3 m and F over 300 mm.

E is the difference of level between neighbouring points of a 3 m grid, F the change of that over
300 mm from one reading to the next along a line (TR34, fourth edition, from memory; its limits
are published). The value held against a limit is the size that 95 in 100 readings keep.

Noise widens the spread of readings. It is taken out as variances, the readings being near to
normal; all that is taken off counts as doubt. So does what smoothing may have flattened: about
what smoothing once more takes from the same readings (twicing; Tukey 1977, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.criteria import MovementLimit
from pourdatum.flatlines import FloorLine, Lay, floor_lines, line_at, smoothed_again
from pourdatum.uncertainty import combined

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

E_M: Final = 3.0
F_M: Final = 0.3
KEPT: Final = 0.95
"""Share of readings that are to keep the limit; from memory."""
_LEAST_READINGS: Final = 5
_EDGE_M: Final = 0.15
"""From walls and columns, half a reading of F [m]; a choice."""


@dataclass(frozen=True)
class Movement:
    """Readings of one kind over a floor.

    Attributes
    ----------
    value_m : float
        What 95 in 100 of them keep, noise taken out [m].
    error_m : float
        Its standard uncertainty [m].
    share_within : float
        Of the readings, as read.
    readings : int
    worst_m : float
        The largest, as read [m].
    place_m : tuple
        Of the largest, local plan [m].
    bearing_rad : float
        Clockwise from +y.
    """

    value_m: float
    error_m: float
    share_within: float
    readings: int
    worst_m: float
    place_m: tuple[float, float]
    bearing_rad: float


def movements(surface: Surface, limit: MovementLimit) -> dict[str, Movement | None]:
    """Both kinds of reading; None of a kind of which too few fit.

    Parameters
    ----------
    surface : Surface
        Of a scan, not of single levels.
    limit : MovementLimit
    """
    tilt = surface.shared.tilt_rad
    bends = floor_lines(surface, (), Lay(F_M, E_M, _EDGE_M, 2.0 * F_M))
    falls = floor_lines(surface, (), Lay(E_M, E_M, _EDGE_M, E_M))
    once_more = smoothed_again(surface)
    return {
        "E": _doubted(once_more, falls, np.array([-1.0, 1.0]), limit.e_m, tilt * E_M),
        "F": _doubted(once_more, bends, np.array([1.0, -2.0, 1.0]), limit.f_m, 0.0),
    }


def _doubted(
    once_more: Surface, lines: list[FloorLine], weights: Array, limit_m: float, lean_m: float
) -> Movement | None:
    """Readings with what smoothing once more takes from them as doubt."""
    found = summed(lines, weights, limit_m, lean_m)
    if found is None:
        return None
    again = [replace(one, line=line_at(once_more, one.place_m)) for one in lines]
    other = summed(again, weights, limit_m, lean_m)
    lost_m = 0.0 if other is None else max(found.value_m - other.value_m, 0.0)
    return replace(found, error_m=combined(found.error_m, lost_m))


def summed(
    lines: list[FloorLine], weights: Array, limit_m: float, lean_m: float
) -> Movement | None:
    """Readings that are weighted sums of neighbouring levels, held against a limit.

    Parameters
    ----------
    lines : list of FloorLine
    weights : (k,) array
        Of k neighbouring levels in a reading.
    limit_m : float
    lean_m : float
        Standard uncertainty that all readings share, as by a tilt [m].
    """
    k = weights.size
    read, own, place, bearing = [], [], [], []
    for one in lines:
        level = np.asarray(one.line.height_m)
        covariance = one.line.covariance_m2
        assert covariance is not None
        for first in range(level.size - k + 1):
            at = slice(first, first + k)
            read.append(float(weights @ level[at]))
            own.append(float(weights @ covariance[at, at] @ weights))
            place.append(one.place_m[at].mean(axis=0))
            bearing.append(one.bearing_rad)
    if len(read) < _LEAST_READINGS:
        return None
    size = np.abs(read)
    noise, total = float(np.mean(own)), float(np.mean(np.square(read)))
    kept = float(np.quantile(size, KEPT))
    left = math.sqrt(max(1.0 - noise / total, 0.0)) if total > 0.0 else 1.0
    value = kept * left
    worst = int(size.argmax())
    return Movement(
        value_m=value,
        error_m=combined(kept - value, math.sqrt(noise / len(read)), lean_m),
        share_within=float((size <= limit_m).mean()),
        readings=len(read),
        worst_m=float(size[worst]),
        place_m=(float(place[worst][0]), float(place[worst][1])),
        bearing_rad=bearing[worst],
    )
