"""Ways to lay bays in batches, and the search among them for one in which every edge is wet.

Strips too shallow to be poured are not parted into batches: nobody asks where these lie unless
nothing better is found.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourbays import calmed, in_turn
from pourdatum.pourblocks import Blocks
from pourdatum.pourpieces import CARRIED_M, DRAGGED_M, leads_out, parted_batches
from pourdatum.pourstrips import SHALLOW, Crew, Cut, Laid, Pump, lay, strips
from pourdatum.poursweeps import Sweeps

Index = NDArray[np.int64]

_LATE: Final = 2.0
"""Batches by which an edge may be too old for ends that lean to be tried; a choice."""
MANY: Final = 1000
"""Batches of a floor beyond which they are not: a hall's search would take a fifth longer."""


class Search:
    """Ways that were tried: the first clean one of each parting, and what to take failing it."""

    def __init__(self, crew: Crew | Pump, bag_m3: float, working_min: float) -> None:
        self.crew, self.bag_m3, self.working_min = crew, bag_m3, working_min
        self._away_m = DRAGGED_M if isinstance(crew, Pump) else CARRIED_M
        self.tried = 0
        self._best: tuple[tuple[bool, float, int], Laid] | None = None
        self._number = 0
        self._shallow: list[tuple[int, Callable[[], Laid]]] = []
        """Which ways are too shallow to be poured, and how to lay them all the same."""
        self.spare: Laid | None = None
        """In time, with batches drawn out or in two places."""
        self.parted: tuple[int, Laid] | None = None

    def clean(self, blocks: Blocks, bays: Index) -> Laid | None:
        """The first way to lay these bays in time in which every batch lies in one place."""
        for way in ways(blocks, bays, self.crew, self.bag_m3, self.working_min):
            self.tried += way.cut.batches
            self._number += 1
            if not way.cut.deep_enough:
                self._shallow.append((self._number, way.afresh()))
                continue
            if way.cut.drawn_out and self.failing is not None:
                continue
            for laid in way.laid(self.working_min):
                self._rank(self._number, laid)
                in_time = laid.age_min <= self.working_min + 1e-9
                if in_time and laid.sound and leads_out(blocks, laid):
                    if not laid.drawn_out:
                        pieces = parted_batches(blocks, laid, self._away_m)
                        if not pieces:
                            return laid
                        if self.parted is None or pieces < self.parted[0]:
                            self.parted = pieces, laid
                    self.spare = self.spare or laid
        return None

    def best(self) -> Laid | None:
        """The one with the youngest edge, whether in time or not, where none is in time."""
        for number, laid in self._shallow:
            # A shallow one is never sound: not laid where one that is has been found.
            if self._best is None or not self._best[1].sound:
                self._rank(number, laid())
        return None if self._best is None else self._best[1]

    def _rank(self, number: int, laid: Laid) -> None:
        """Hold the best: sound ones first, then by the age of the edge; of equals the first."""
        rank = not laid.sound, laid.age_min, number
        if self._best is None or rank < self._best[0]:
            self._best = rank, laid

    @property
    def failing(self) -> Laid | None:
        """What is in time where no way is clean."""
        return self.spare if self.parted is None else self.parted[1]


@dataclass(frozen=True, eq=False)
class Way:
    """A floor in strips, to be laid there and back or one way."""

    sweeps: Sweeps
    cut: Cut
    back: bool
    again: Callable[[Sweeps], Cut]

    def laid(self, working_min: float) -> Iterator[Laid]:
        """As batches; one way also with ends that lean, where an edge is but little too old."""
        first = lay(self.cut, back=self.back)
        yield first
        crew = self.cut.crew
        if self.back or isinstance(crew, Pump) or first.bay.size > MANY:
            return
        if 1e-9 < first.age_min - working_min <= _LATE * crew.step_min:
            for lean in (1, -1):
                yield lay(self.cut, back=False, lean=lean)

    def afresh(self) -> Callable[[], Laid]:
        """Lays it from the floor: its strips, of which there are many, are not held for it."""
        blocks, bays, again, back = self.sweeps.blocks, self.sweeps.bays, self.again, self.back
        return lambda: lay(again(Sweeps(blocks, bays)), back=back)


def ways(
    blocks: Blocks, bays: Index, crew: Crew | Pump, bag_m3: float, working_min: float
) -> Iterator[Way]:
    """Ways to lay the bays out, widest strips first.

    With N batches across, each t after the one before, an edge is N t old where strips are poured
    one way, up to (2 N - 1) t there and back: what is wider than that is not tried.
    """
    order = in_turn(blocks, bays)

    def cut(sweeps: Sweeps, *, most: int, rest: bool = False) -> Cut:
        return Cut(sweeps, order, crew, bag_m3, most=most, rest=rest)

    if isinstance(crew, Pump):
        sweeps = Sweeps(replace(blocks, level=calmed(blocks, bays)), bays)
        one_pass = partial(cut, most=1)
        yield Way(sweeps, one_pass(sweeps), True, one_pass)
        return
    in_time = crew.batches_in(working_min)
    # Bays so wide that strips are too narrow to pour are seen before peaks are looked for.
    if too_narrow(Sweeps(blocks, bays), crew, bag_m3, most=in_time):
        return
    sweeps = Sweeps(replace(blocks, level=calmed(blocks, bays)), bays)
    for most in range(min(batches_across(blocks, crew, bag_m3), in_time), 0, -1):
        # A rest that is a strip of its own is hardly deep enough to be worked.
        kinds = [partial(cut, most=most, rest=rest) for rest in (True, False)]
        cuts = [(kind, kind(sweeps)) for kind in kinds]
        for back in (True, False):
            if most > 1 and back and (2 * most - 1) * crew.step_min > working_min:
                continue
            for kind, found in cuts:
                yield Way(sweeps, found, back, kind)
            if not cuts[-1][1].deep_enough:
                return


def batches_across(blocks: Blocks, crew: Crew, bag_m3: float) -> int:
    """Batches across beyond which no strip of the floor is wide enough for more."""
    area_m2 = float(blocks.area_m2.sum())
    depth_m = max(float(blocks.volume_m3.sum()) / area_m2, 1e-6)
    across_m = max(math.sqrt(crew.bags_per_batch * bag_m3 / depth_m), blocks.side_m)
    return max(math.ceil(1.5 * math.sqrt(area_m2) / across_m), 1)


def too_narrow(sweeps: Sweeps, crew: Crew, bag_m3: float, *, most: int) -> bool:
    """Whether strips of so many batches are too shallow to be poured, over too much floor."""
    blocks = sweeps.blocks
    left_m2 = SHALLOW * float(blocks.area_m2.sum())
    for name in range(int(sweeps.bays.max()) + 1):
        for strip in strips(sweeps.of(name), crew, bag_m3, 0.0, most=most):
            left_m2 -= strip.shallow_m2(blocks)[0]
            if left_m2 < 0.0:
                return True
    return False
