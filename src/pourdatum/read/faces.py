"""The faces of a scanned room along each of its axes, and what they say of which is up.

A box does not say which of its faces is the floor. Its measures say something, since a
storey has a usual height, and what stands in it says more.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.read.shape import within
from pourdatum.read.standing import (
    LAYER_M,
    Things,
    inside_faces,
    largest_m2,
    layers,
    strong_levels_m,
    things_along,
    walls_stand,
)

_AREA_LEAST_M2: Final = 4.0
_CLEARLY: Final = 2.0
_BY_FAR: Final = 3.0
_DOUBTFUL: Final = 1.4
_LARGER: Final = 1.5
"""How much larger a level layer must be to speak against the vertical of a format."""
_NOTHING: Final = 0.2
_THINGS_LEAST: Final = 12
"""Cells of 0.25 m with something in them from which things are evidence."""
_CARRIED: Final = 0.85
_FLOATING: Final = 0.6
_RACK: Final = 0.25
_HANGING: Final = 0.3
_THING_M: Final = 1.0
"""Height over the floor up to which a second layer is the top of a thing [m]."""
_STOREY_M: Final = (1.9, 8.0)
_ROOM_M: Final = (2.1, 3.6)
"""Height of an ordinary room [m]; common practice, no source."""
_FLAT_M: Final = 0.3
_MAYBE_M: Final = (2.0, 4.0)
"""Distance of two faces of a room that may be its height [m]."""
_TELLING: Final = 500


@dataclass(frozen=True, eq=False)
class Faces:
    """A sample as it looks along each of its axes [m].

    Attributes
    ----------
    inside : (n, 3) array
    areas : list of float
        Largest level layer across each axis [m²].
    fine : bool
        Whether coordinates are fine enough for more than that.
    layers : tuple of (level, area)
        All level layers across each axis [m, m²].
    """

    inside: NDArray[np.float64]
    areas: list[float]
    fine: bool
    layers: tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...]
    _things: dict[int, Things] = field(default_factory=dict)

    @classmethod
    def of(cls, sample_m: NDArray[np.float64], step_m: NDArray[np.float64] | None = None) -> Faces:
        """Look at a sample whose coordinates are stored in steps, if they are [m]."""
        # Coordinates stored in steps lie in layers of their own making.
        fine = [step_m is None or step_m[axis] < 0.5 * LAYER_M for axis in range(3)]
        inside = within(sample_m)
        found = tuple(layers(inside, axis) for axis in range(3))
        areas = [largest_m2(found[axis]) if fine[axis] else 0.0 for axis in range(3)]
        return cls(inside, areas, all(fine) and len(inside) >= _TELLING, found)

    def things(self, axis: int) -> Things:
        """What is inside the faces of the scan, seen along an axis."""
        if not self.fine:
            return Things(0, None, None)
        if axis not in self._things:
            levels = self.levels_m[axis]
            self._things[axis] = things_along(self.inside, self._inside_faces, levels, axis)
        return self._things[axis]

    @cached_property
    def _inside_faces(self) -> NDArray[np.bool_]:
        return inside_faces(self.inside, self.levels_m)

    @cached_property
    def levels_m(self) -> list[NDArray[np.float64]]:
        """Levels of large layers across each axis [m]."""
        return [strong_levels_m(own) for own in self.layers]

    def against(self, mine: int, *, weak: bool = False) -> int | None:
        """The axis that floor and walls together show to be up in the place of ``mine``.

        A larger layer alone is a wall as well as a floor, and a box does not say which:
        either things stand on the one and float beside the other, or nothing level lies
        across ``mine`` at all while walls of two directions stand on the other's floor.
        With ``weak`` the layer need not be the larger.
        """
        for axis in sorted(range(3), key=lambda k: -self.areas[k]):
            larger = self.areas[axis] >= max(_AREA_LEAST_M2, _LARGER * self.areas[mine])
            if axis == mine or not (larger or weak):
                continue
            if not self._is_storey(axis) or not walls_stand(self.inside, axis):
                continue
            stand, float_ = self.things(axis), self.things(mine)
            carried = max(stand.low or 0.0, stand.high or 0.0)
            beside = max(float_.low or 0.0, float_.high or 0.0)
            if stand.cells >= _THINGS_LEAST and carried >= _CARRIED and beside <= _FLOATING:
                # What floats beside a wall may be a rack that stands along it, or pipes.
                if float_.tall < _RACK and (weak or not self.is_room(mine)):
                    return axis
                continue
            nothing = self.areas[mine] < _NOTHING * self.areas[axis]
            if nothing and not weak and self.levels_m[mine].size == 0:
                return axis
        return None

    def _is_storey(self, axis: int) -> bool:
        """Whether the level layers across an axis lie as far apart as floor and ceiling."""
        levels = self.levels_m[axis]
        if levels.size == 0:
            return False
        apart = float(np.ptp(levels))
        return apart < _THING_M or _STOREY_M[0] <= apart <= _STOREY_M[1]

    def height_m(self, axis: int) -> float:
        """Distance of the outermost level layers across an axis [m]."""
        levels = self.levels_m[axis]
        return float(np.ptp(levels)) if levels.size else 0.0

    def up_of_box(self) -> tuple[int, str] | None:
        """The vertical of a room by its faces, and the words that say why; None where thin.

        A wall may be larger than the floor, in a passage more than twice as large, so that
        area alone says little. An ordinary storey across one axis alone says more; and where
        one face of the room is missing, it is the ceiling.
        """
        heights = [self.height_m(axis) for axis in range(3)]
        storeys = [axis for axis in range(3) if _MAYBE_M[0] <= heights[axis] <= _MAYBE_M[1]]
        single = [axis for axis in range(3) if heights[axis] < _FLAT_M and self.areas[axis] > 0]
        largest = int(np.argmax(self.areas))
        share = self.areas[largest] / max(self.areas[axis] for axis in range(3) if axis != largest)
        if len(storeys) == 1 and self.is_room(storeys[0]) and not set(single) - set(storeys):
            if storeys[0] == 0:  # hardly anything is written x up: a room of that width is likelier
                return None
            high = heights[storeys[0]]
            return storeys[0], (
                f"as floor and ceiling {high:.2f} m apart show, which are an ordinary storey"
            )
        large = self.areas[largest] >= 2 * _AREA_LEAST_M2
        alone = large and single == [largest] and share >= _DOUBTFUL
        clearly = _CLEARLY if set(single) <= {largest} else _BY_FAR
        if alone or (not storeys and share >= clearly):
            return largest, "as the largest level layer shows"
        return None

    def is_sooner_a_room(self, other: int, mine: int) -> bool:
        """Whether a box is an ordinary room across ``other`` and none across ``mine``.

        An empty one may still be a shaft or a tall narrow hall, and nothing in it tells.
        What is inside speaks against ``other`` where it would float there: flights of stairs.
        """
        told = self.up_of_box()
        room = self.is_room(other) or (told is not None and told[0] == other)
        if not room or _MAYBE_M[0] <= self.height_m(mine) <= _MAYBE_M[1]:
            return False
        if self.levels_m[mine].size == 0 or not walls_stand(self.inside, other):
            return False
        found = self.things(other)
        floats = max(found.low or 0.0, found.high or 0.0) <= _FLOATING
        if found.cells >= _THINGS_LEAST and (floats or self.things(mine).tall >= _RACK):
            return False
        return self.against(other, weak=True) != mine

    def is_room(self, axis: int) -> bool:
        """Whether floor and ceiling of an ordinary room may lie across an axis."""
        return _ROOM_M[0] <= self.height_m(axis) <= _ROOM_M[1]

    def hangs(self, axis: int) -> bool:
        """Whether what is in the room touches the upper layer and not the lower."""
        found = self.things(axis)
        if found.low is None or found.high is None or found.cells < 2 * _THINGS_LEAST:
            return False
        return found.high >= _CARRIED and found.low <= _HANGING

    def heights_compared(self, one: int, other: int) -> str:
        """How far apart the outermost level layers lie across two axes, in words."""
        told = compare_areas(self.areas, one, other)
        for axis in (one, other):
            if self.height_m(axis) > _FLAT_M:
                told += f"; {self.height_m(axis):.1f} m high along {'xyz'[axis]}"
        return told

    def compared(self, one: int, other: int) -> str:
        """Figures that spoke for one axis against another."""
        told = compare_areas(self.areas, one, other)
        found = self.things(one)
        if found.cells >= _THINGS_LEAST and max(found.low or 0.0, found.high or 0.0) >= _CARRIED:
            told += ", and things stand there"
        return told


def compare_areas(areas: list[float], one: int, other: int) -> str:
    """The largest level layers across two axes, in words."""
    return (
        f"level layers of {areas[one]:.1f} m² across {'xyz'[one]}, "
        f"{areas[other]:.1f} m² across {'xyz'[other]}"
    )
