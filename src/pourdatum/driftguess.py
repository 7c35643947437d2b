"""What is thought of a scan's tilt and bends before any control level is seen.

A guess says how large a bend is, how long, how much of a bowl it has, and whether the tilt is
known; ``drift`` solves each and weighs it by what the levels themselves say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from pourdatum.uncertainty import SharedError

LENGTHS_M: Final = (1.75, 3.0, 5.0, 9.0)
"""Correlation lengths tried [m]. A wave of length w bends as a field of length w / 2 pi: from
waves of 11 m, as in hand-held scans, up to a bowl over a whole hall. Metres, not shares of
the floor: a drift grows with the way walked, and six shots on a hall must not pass for six
on a room."""
TRIED_M: Final = (1.0, *LENGTHS_M)
"""The same between shots, where the shortest bends matter most [m]: a sensor's budget is of bends
over the length of a floor, and that of a small room is a wave of 6 m."""
SIZES: Final = (0.0, 0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
"""Sizes of the warp tried, in budgets of the sensor."""
_USUAL: Final = 2.0
BOWLS: Final = ((0.0, 0.3), (0.5, 0.3), (1.0, 0.4))
"""Sizes of a round bowl tried beside the field, in budgets, and their weights. A bowl is the
one warp that a ring of levels cannot see: what the ring says of other bends is no word on it."""
_MOST_WARP_M: Final = 0.006
"""No size above twice the budget and this is tried [m]."""
_COMPENSATED_RAD: Final = 1e-4
"""An instrument whose budget of tilt is below this has a compensator: its vertical may be surer
than a few levels can say, and keeps a say [rad]."""


@dataclass(frozen=True)
class Guess:
    """One guess at what the warp is like, and how likely it is before any level is seen."""

    size_m: float
    length_m: float
    bowl_m: float
    """Standard deviation of the height of a bowl from the floor's middle to its end."""
    tilt_rad: float | None
    """Standard deviation of the tilt about each axis; ``None`` where it is free."""
    weight: float


def guesses(shared: SharedError) -> tuple[Guess, ...]:
    """What is thought of a scan before any level is seen; weights add up to one.

    Examples
    --------
    >>> from pourdatum.uncertainty import SENSORS
    >>> before = guesses(SENSORS["mobile"])
    >>> mean_square = sum(one.weight * one.size_m**2 for one in before)
    >>> bool(0.8 * SENSORS["mobile"].warp_m < mean_square**0.5 < 1.2 * SENSORS["mobile"].warp_m)
    True
    """
    most = max(2.0 * shared.warp_m, _MOST_WARP_M)
    tilts: list[float | None] = [None]
    if shared.tilt_rad < _COMPENSATED_RAD:
        tilts.append(shared.tilt_rad)
    found = []
    for tilt in tilts:
        for size in SIZES:
            size_m = size * shared.warp_m
            if size_m > most or (size > 0.0 and size_m == 0.0):
                continue
            lengths = TRIED_M if size > 0.0 else TRIED_M[:1]
            weight = _thought_of(size) / len(lengths) / len(tilts)
            found += [
                Guess(size_m, length, bowl * shared.warp_m, tilt, weight * share)
                for length in lengths
                for bowl, share in BOWLS
            ]
    total = sum(one.weight for one in found)
    return tuple(replace(one, weight=one.weight / total) for one in found)


def _thought_of(size: float) -> float:
    """How likely a size of the warp is before any level is seen, in budgets of the sensor.

    A budget is one standard deviation: sizes are as the absolute values of a normal variable, each
    standing for those nearer to it than to the next, by ratio. Beyond twice the budget they are
    thought of by the inverse square, for a budget may itself be wrong.

    Examples
    --------
    >>> round(sum(_thought_of(size) for size in SIZES if size <= 2.0), 12)
    1.0
    """
    if size > _USUAL:
        return _thought_of(_USUAL) * (_USUAL / size) ** 2
    k = SIZES.index(size)
    low = math.sqrt(SIZES[k - 1] * size) if k > 1 else 0.5 * SIZES[1] * k
    high = math.sqrt(size * SIZES[k + 1]) if k > 0 else 0.5 * SIZES[1]
    above = 1.0 if size == _USUAL else math.erf(high / math.sqrt(2.0))
    return above - math.erf(low / math.sqrt(2.0))
