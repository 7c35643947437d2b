"""The unit of heights where a file states that of its plan alone.

A plan in feet says little of heights: scans in a state's feet with levels in metres are
made every day. Heights are taken in the unit of the plan and that is said; where a room
becomes too low to stand in by it, and an ordinary one with heights in metres, it is asked.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.shape import robust_sides, shapes
from pourdatum.read.sizing import grade
from pourdatum.units import LENGTH_UNITS

_STANDING_M: Final = 1.6
"""Nobody scans, or pours, a floor under a lower ceiling, or within lower walls alone [m]."""
_FEET: Final = ("ft", "us-ft")


def heights_as_plan(
    sample: NDArray[np.float64], name: str, where: str, *, told: bool, upright: int
) -> str:
    """What is said of heights that are taken in the unit of the plan.

    Parameters
    ----------
    sample : (n, 3) array
        In the file's units and axes.
    name : str
        Unit that the file states for its plan.
    where : str
        The file, for errors.
    told : bool
        Whether the user said that unit too.
    upright : int
        Axis that is upright.

    Raises
    ------
    JobError
        If the room is too low by it, and an ordinary one with heights in metres.
    """
    said = f"the file states no unit for its heights: {name} are taken, as in plan"
    if told or name not in _FEET:
        return said
    high_m = {unit: _room(sample, name, unit, upright) for unit in (name, "m")}
    low, other = high_m[name], high_m["m"]
    if low is None or other is None or low[0] >= _STANDING_M or not other[1]:
        return said
    raise JobError(
        f"the file states {name} for its plan and no unit for its heights: in {name} the room is "
        f"{low[0]:.2f} m high, in metres {other[0]:.2f} m",
        where=where,
        hint="export it again with a vertical reference system that states metres; if heights are "
        f"in feet all the same, give --units {name}",
        id="unit-unknown",
    )


def _room(
    sample: NDArray[np.float64], plan: str, heights: str, upright: int
) -> tuple[float, bool] | None:
    """Height of what was scanned [m], and whether that is a room; None without walls."""
    factor = np.full(3, LENGTH_UNITS[plan])
    factor[upright] = LENGTH_UNITS[heights]
    metres = sample * factor
    seen = [shape for shape in shapes(metres) if shape.axis == upright]
    if not seen or seen[0].height is None:
        return None
    # What is narrower than high is a shaft, or a room in yet another unit.
    wide = seen[0].long >= seen[0].height
    return seen[0].height, wide and grade(seen, np.sort(robust_sides(metres))[::-1], 1.0) == "room"
