"""How high the doorways of a scan are: what tells a hall in metres from a room in feet.

A hall of 26 x 20 x 8.5 m and a room of 26 x 20 x 8.5 ft are one and the same in numbers,
and both are built. Their doors are not: people pass under heads of about 2.05 m, which are
6.7 ft (DIN 18100 and common practice; from memory). Gates of a hall are as high as that many
metres at times, yet hardly as narrow as a door, and a hall with gates has doors as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_BINS: Final = 40
"""Bins of the height between floor and ceiling."""
_CELLS_A_HEIGHT: Final = 26
"""Cells of the plan to one height of the room: 0.1 m in a room of 2.6 m."""
_FOOT_BINS: Final = 2
"""Lowest and highest bins, which hold floor and ceiling."""
_FULL: Final = 0.6
_HEADS_AGREE: Final = 2
_LEAST_CELLS: Final = 2
_HEAD_M: Final = (1.93, 2.25)
_WIDE_M: Final = (0.6, 2.0)


@dataclass(frozen=True)
class Doorway:
    """An opening in a wall from the floor up, in the unit of the sample."""

    head: float
    width: float

    def is_door(self, unit_m: float) -> bool:
        """Whether it is as high and wide as a door in a unit."""
        head_m, width_m = self.head * unit_m, self.width * unit_m
        return _HEAD_M[0] <= head_m <= _HEAD_M[1] and _WIDE_M[0] <= width_m <= _WIDE_M[1]


def doorways(sample: Array, axis: int, height: float) -> list[Doorway]:
    """Openings in walls that reach down to the floor, with wall above and beside them.

    Parameters
    ----------
    sample : (n, 3) array
        In any unit.
    axis : int
        Axis that is upright, with the floor at its lower end.
    height : float
        From floor to ceiling.
    """
    from scipy.ndimage import binary_dilation, label

    inside = sample[np.isfinite(sample).all(axis=1)]
    up = inside[:, axis] - np.quantile(inside[:, axis], 0.005)
    inside, up = inside[(up >= 0.0) & (up < height)], up[(up >= 0.0) & (up < height)]
    if len(inside) == 0:
        return []
    cell = height / _CELLS_A_HEIGHT
    plan = np.delete(inside, axis, axis=1)
    column = np.floor((plan - plan.min(axis=0)) / cell).astype(np.int64)
    shape = tuple(int(v) + 1 for v in column.max(axis=0))
    if shape[0] * shape[1] > 4_000_000:
        return []
    filled = np.zeros((*shape, _BINS), bool)
    filled[column[:, 0], column[:, 1], (up / height * _BINS).astype(np.int64)] = True
    wall = filled[:, :, _FOOT_BINS:-_FOOT_BINS]
    first = np.where(wall.any(axis=2), wall.argmax(axis=2), wall.shape[2])
    above = np.arange(wall.shape[2]) >= first[:, :, None]
    share = (wall & above).sum(axis=2) / np.maximum(above.sum(axis=2), 1)
    sound = wall.any(axis=2) & (share >= _FULL)
    whole = sound & (first <= 1)
    # Wall over an opening is at least two bins high, and the opening half the room.
    over = sound & (first >= _BINS // 3 - _FOOT_BINS - 5) & (first <= wall.shape[2] - 2)
    groups, count = label(over, np.ones((3, 3), bool))
    found = []
    for k in range(1, count + 1):
        own = groups == k
        heads = first[own]
        # A jamb leaves half a cell of wall between: two cells around are looked at.
        beside = binary_dilation(own, np.ones((5, 5), bool)) & whole
        if own.sum() < _LEAST_CELLS or beside.sum() < 2 or np.ptp(heads) > _HEADS_AGREE:
            continue
        row, col = np.nonzero(own)
        width = float(np.hypot(np.ptp(row) + 1, np.ptp(col) + 1)) * cell
        found.append(Doorway((float(np.median(heads)) + _FOOT_BINS) * height / _BINS, width))
    return found
