"""A curve of fill that remembers what was read: many levels at once cost little more than one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from pourdatum.fillcurve import FillCurve

_LEVELS: Final = 33
_ROUNDS: Final = 6
"""Levels read at a time, and how often, to find one to a thousand-millionth of the range."""


class Read(NamedTuple):
    """What lies below a level, and what stands above it."""

    fill_m3: float
    below_m2: float
    cut_m3: float
    above_m2: float


@dataclass(eq=False)
class FillReads:
    """Levels of a curve that were read before, and those that are asked for now.

    Examples
    --------
    >>> from shapely import box
    >>> from pourdatum.fillcurve import level_curve
    >>> from pourdatum.grid import Grid
    >>> grid = Grid(0.0, 0.0, 0.5, 7, 9)
    >>> x, _ = grid.mesh()
    >>> reads = FillReads(level_curve(0.005 * x, grid, box(0, 0, 4, 3)))
    >>> [round(value, 9) for value in reads.at(0.01)]
    [0.03, 6.0, 0.03, 6.0]
    >>> round(reads.level_of(3.0), 6)
    0.005
    """

    curve: FillCurve
    known: dict[float, Read] = field(default_factory=dict)

    def look_up(self, levels_m: Iterable[float]) -> None:
        """Read levels in one go."""
        new = sorted({float(level) for level in levels_m} - self.known.keys())
        if new:
            columns = [part.tolist() for part in self.curve.fill_and_cut(np.array(new))]
            self.known |= {
                level: Read(*values) for level, *values in zip(new, *columns, strict=True)
            }

    def at(self, level_m: float) -> Read:
        """Fill and area below a level, cut and area above it."""
        self.look_up([level_m])
        return self.known[float(level_m)]

    def level_of(self, area_m2: float) -> float:
        """The highest level under which no more than so much floor lies [m]."""
        low_m, high_m = self.curve.low_m, self.curve.high_m
        for _ in range(_ROUNDS):
            levels = np.linspace(low_m, high_m, _LEVELS).tolist()
            self.look_up(levels)
            last = sum(self.at(level).below_m2 <= area_m2 for level in levels)
            if last == len(levels):
                return high_m
            low_m, high_m = levels[max(last - 1, 0)], levels[max(last, 1)]
        return low_m
