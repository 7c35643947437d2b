"""Laying bays out in batches: strips across the sweep, one way for a given number across.

A strip holds whole batches, as many as make them about square and as are allowed across. A way of
laying is sound when each batch meets an earlier one of its bay, lies beside floor that is not
poured yet, and strips are deep enough to be poured.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourblocks import Blocks
from pourdatum.poursweeps import Sweep, Sweeps
from pourdatum.units import MM

Array = NDArray[np.float64]
Index = NDArray[np.int64]

REACH_M: Final = (0.35, 1.5)
"""Least and greatest depth of a strip along the sweep [m]; common practice, no source."""
PASS_M: Final = 0.6
"""Depth of a strip that a hose lays in one pass [m]; common practice, no source."""
_NEAR: Final = 50
"""Blocks from whose mean depth it is taken how deep a strip should be."""
SHALLOW: Final = 0.05
"""Share of the floor whose strips may be shallower than can be poured; a choice."""
_ROUND: Final = 0.25
"""Depth of what is left, in square roots of its area, under which it is a sliver; a choice."""
_LEAN: Final = 1.4
"""How far ends of batches that lean run back, over the depth of a strip; a choice."""
_DREGS: Final = 0.02
"""Share of a batch that is not worth carrying on into the next bay."""


@dataclass(frozen=True)
class Crew:
    """Bags that are mixed and carried.

    Attributes
    ----------
    mixers : int
    minutes_per_batch : float
        From one batch of a mixer to its next: mixing, carrying and spreading in it.
    bags_per_batch : int
    """

    mixers: int = 1
    minutes_per_batch: float = 6.0
    bags_per_batch: int = 1

    @property
    def step_min(self) -> float:
        """Minutes from one batch of all mixers to the next."""
        return self.minutes_per_batch / self.mixers

    def batches_in(self, minutes: float) -> int:
        """Batches that begin within so many minutes of the first, one at the least."""
        return max(int(minutes / self.step_min + 1e-9), 1)


@dataclass(frozen=True)
class Pump:
    """Material that comes out of a hose.

    Attributes
    ----------
    litres_per_minute : float
    hose_m3 : float
        What the hose holds: material is that much older where it is laid [m³].
    """

    litres_per_minute: float
    hose_m3: float = 0.0

    @property
    def hose_min(self) -> float:
        """Minutes that material is in the hose."""
        return self.hose_m3 * MM / self.litres_per_minute


@dataclass(frozen=True, eq=False)
class Laid:
    """Batches of a whole floor: numbers from 0 for each block, and what each batch is."""

    batch: Index
    bay: Index
    strip: Index
    start_min: Array
    end_min: Array
    age_min: float
    deep_enough: bool
    drawn_out: bool
    """Whether single batches are drawn out over the width of a bay, in strips too shallow, or what
    is left of one along the wall that it ends at."""
    joined: bool

    @property
    def sound(self) -> bool:
        """Whether a crew can lay it: strips that can be reached over, each against another."""
        return self.deep_enough and self.joined


class Strip(NamedTuple):
    """A strip across the sweep: its blocks, what each of its batches fills, how deep it is."""

    sweep: Sweep
    first: int
    last: int
    shares_m3: list[float]
    depth_m: float
    final: bool

    @property
    def blocks(self) -> Index:
        """Its blocks, falling in level."""
        return self.sweep.own[self.first : self.last]

    def shallow_m2(self, blocks: Blocks) -> tuple[float, float]:
        """Its floor, if it is too shallow to be poured: by several batches, and by one [m²].

        One that is left at an exit is poured from beyond it.
        """
        several = len(self.shares_m3) > 1
        if self.depth_m >= REACH_M[0] or (self.final and not several):
            return 0.0, 0.0
        area_m2 = float(blocks.area_m2[self.blocks].sum())
        return (area_m2, 0.0) if several else (0.0, area_m2)

    def is_sliver(self, blocks: Blocks) -> bool:
        """Whether what is left at the end of a bay lies along a wall, and not about the exit."""
        if not self.final or len(self.shares_m3) > 1 or self.depth_m >= REACH_M[0]:
            return False
        return self.depth_m < _ROUND * math.sqrt(float(blocks.area_m2[self.blocks].sum()))


class Cut:
    """A floor cut into strips, bays in turn; not yet into batches, for that takes longer.

    Parameters
    ----------
    sweeps : Sweeps
    order : sequence of int
        Bays in turn.
    crew : Crew or Pump
    bag_m3 : float
        What a bag fills [m³].
    most : int
        Batches of a strip at the most.
    rest : bool
        What is left of a bay and fills no batch is laid with the strip before it, even where that
        has so many already.
    """

    def __init__(
        self,
        sweeps: Sweeps,
        order: Sequence[int],
        crew: Crew | Pump,
        bag_m3: float,
        *,
        most: int,
        rest: bool = False,
    ) -> None:
        self.blocks, self.crew = sweeps.blocks, crew
        self.bays: list[list[Strip]] = []
        self.carried: list[bool] = []
        """Whether a bay begins with what is left of a batch."""
        left_m3 = 0.0
        for name in order:
            sweep = sweeps.of(name)
            self.carried.append(left_m3 > 0.0)
            self.bays.append(list(strips(sweep, crew, bag_m3, left_m3, most=most, rest=rest)))
            if isinstance(crew, Crew):
                left_m3 = _carried_on(sweep.volume_m3, left_m3, crew, bag_m3)
        shallow_m2, sliver = np.zeros(2), False
        for strip in itertools.chain.from_iterable(self.bays):
            if strip.depth_m < REACH_M[0]:
                shallow_m2 += strip.shallow_m2(self.blocks)
                sliver |= strip.is_sliver(self.blocks)
        least_m2 = SHALLOW * float(self.blocks.area_m2.sum())
        self.deep_enough = float(shallow_m2[0]) <= least_m2
        self.drawn_out = sliver or float(shallow_m2[1]) > least_m2

    @property
    def batches(self) -> int:
        """How many there are, about: a block is never parted."""
        return sum(len(strip.shares_m3) for strip in itertools.chain.from_iterable(self.bays))


def lay(cut: Cut, *, back: bool, lean: int = 0) -> Laid:
    """One way: strips laid in batches, there and back or one way.

    One way, the third batch of a strip meets the third of the strip before. Where their ends lie in
    one line, a block too far makes it meet the second as well, which is older. Ends that ``lean``
    run back over the depth of a strip, so that it does not; with -1 strips run the other way, for
    an exit on their other side.
    """
    blocks, crew = cut.blocks, cut.crew
    parts: list[Index] = []
    bay_of: list[int] = []
    strip_of: list[int] = []
    for number, own in enumerate(cut.bays):
        for number_of_strip, strip in enumerate(own):
            leftward = lean >= 0 and (number_of_strip % 2 == 0 or not back)
            found = _parted(blocks, strip, leftward=leftward, leaning=lean != 0)
            parts += found
            bay_of += [number] * len(found)
            strip_of += [number_of_strip] * len(found)
    batch = np.full(blocks.level.size, -1, np.int64)
    batch[np.concatenate(parts)] = np.repeat(np.arange(len(parts)), [part.size for part in parts])
    bay = np.array(bay_of)
    if isinstance(crew, Pump):
        minutes = [
            float(blocks.volume_m3[part].sum()) * MM / crew.litres_per_minute for part in parts
        ]
        done = np.cumsum(minutes)
        begun = np.concatenate([[0.0], done[:-1]])
    else:
        # What is carried on was mixed with the batch before.
        first = np.diff(bay, prepend=-1) > 0
        mixed = np.cumsum(~(first & np.array(cut.carried)[bay]))
        begun = (mixed - 1) * crew.step_min
        done = begun + crew.minutes_per_batch
    age_min, joined = _edges(blocks, batch, bay, begun, done, crew)
    return Laid(
        batch=batch,
        bay=bay,
        strip=np.array(strip_of),
        start_min=begun,
        end_min=done,
        age_min=age_min,
        joined=joined,
        deep_enough=cut.deep_enough,
        drawn_out=cut.drawn_out,
    )


def _carried_on(volume_m3: float, left_m3: float, crew: Crew, bag_m3: float) -> float:
    """What is left of the last batch of a bay, for the next one [m³]."""
    batch_m3 = crew.bags_per_batch * bag_m3
    # The last batch opens no more bags than it needs.
    bags = math.ceil(max(volume_m3 - left_m3, 0.0) / bag_m3 - 1e-9)
    left = bags * bag_m3 + left_m3 - volume_m3
    return left if left > _DREGS * batch_m3 else 0.0


def strips(
    sweep: Sweep,
    crew: Crew | Pump,
    bag_m3: float,
    left_m3: float,
    *,
    most: int,
    rest: bool = False,
) -> Iterator[Strip]:
    """Strips of a bay."""
    upto, areas, level, steep = sweep.upto, sweep.areas, sweep.level, sweep.steep
    total, size = upto[-1], sweep.own.size
    pumped = isinstance(crew, Pump)
    batch_m3 = bag_m3 if isinstance(crew, Pump) else crew.bags_per_batch * bag_m3
    first, done_m3 = 0, 0.0
    owed_m3 = left_m3
    while first < size:
        ends = [first]
        target = done_m3
        depth_m = 0.0
        near = min(first + _NEAR, size)
        longest = (
            PASS_M
            if pumped
            else _deep_m((upto[near] - upto[first]) / (areas[near] - areas[first]), batch_m3)
        )
        # What is carried on into a bay is hardly a strip, either.
        across = most + (rest and owed_m3 > 0.0)
        for k in range(size if pumped else across):
            target += owed_m3 if owed_m3 > 0.0 and k == 0 else batch_m3
            owed_m3 = 0.0 if k == 0 else owed_m3
            last = bisect_left(upto, target * (1.0 - 1e-12), ends[-1] + 1, size)
            # How far the trickle falls across the strip, over how steeply it falls there.
            fall, slope = level[first] - level[last - 1], steep[last] - steep[first]
            deep = fall * (last - first) / (slope if slope > 1e-12 else 1e-12)
            if k > 0 and deep > longest:
                break
            ends.append(last)
            depth_m = deep
            done_m3 = target
            if last == size:
                break
        final = ends[-1] == size
        if total - done_m3 < _DREGS * batch_m3 and not final:
            final = True
            ends[-1] = size
        elif not final and total - done_m3 < batch_m3 and (rest or len(ends) <= most):
            final = True
            ends.append(size)
        if pumped:
            ends = [ends[0], ends[-1]]
        filled = [upto[k] for k in ends]
        shares_m3 = [there - here for here, there in itertools.pairwise(filled)]
        yield Strip(sweep, first, ends[-1], shares_m3, depth_m, final)
        first = ends[-1]


def _deep_m(depth_m: float, batch_m3: float) -> float:
    """Depth along the sweep that makes batches about square, within what a person reaches [m]."""
    return min(max(math.sqrt(batch_m3 / max(depth_m, 1e-6)), REACH_M[0]), REACH_M[1])


def _parted(blocks: Blocks, strip: Strip, *, leftward: bool, leaning: bool) -> list[Index]:
    """The batches of a strip, side by side across the sweep; the last strip ends at its exit."""
    own = strip.blocks
    if len(strip.shares_m3) == 1:
        return [own]
    within = slice(strip.first, strip.last)
    x, y = (-strip.sweep.slope[within].sum(axis=0)).tolist()
    across = np.array([-y, x] if leftward else [y, -x])
    if leaning:
        across += _LEAN * np.array([x, y])
    order = own[(strip.sweep.place_m[within] @ across).argsort(kind="stable")]
    if strip.final:
        order = _to_exit(blocks, order, own[-1], np.array(strip.shares_m3))
    volume_m3 = blocks.volume_m3[order]
    # A block belongs to the batch that its middle lies in; the last takes what is over.
    middle = volume_m3.cumsum() - 0.5 * volume_m3
    bounds = list(itertools.accumulate(strip.shares_m3[:-1]))
    ends = [0, *middle.searchsorted(bounds).tolist(), order.size]
    return [order[i:j] for i, j in itertools.pairwise(ends) if j > i]


def _to_exit(blocks: Blocks, order: Index, exit_block: int, shares_m3: Array) -> Index:
    """The blocks of a last strip, in their order across it, so that it ends at the exit.

    Whole batches from one end, then from the other, and the last two in rings about the exit: so
    nobody ends behind a batch, and none of them lies at both ends.
    """
    outer = max(shares_m3.size - 2, 0)
    upto = np.cumsum(blocks.volume_m3[order])
    before_m3 = float(upto[np.flatnonzero(order == exit_block)[0]])
    middle_m3 = float(shares_m3[outer:].sum())
    from_one = 0
    if outer:
        mean_m3 = float(shares_m3[:outer].mean())
        from_one = min(max(round((before_m3 - 0.5 * middle_m3) / mean_m3), 0), outer)
    # Blocks lie on the side on which their middle does.
    at_m3 = upto - 0.5 * blocks.volume_m3[order]
    first = order[at_m3 < float(shares_m3[:from_one].sum())]
    last = order[at_m3 >= upto[-1] - float(shares_m3[from_one:outer].sum())]
    rest = order[first.size : order.size - last.size]
    away = np.hypot(*(blocks.place_m[rest] - blocks.place_m[exit_block]).T)
    return np.concatenate([first, last[::-1], rest[np.argsort(-away, kind="stable")]])


def _edges(
    blocks: Blocks, batch: Index, bay_of: Index, start: Array, end: Array, crew: Crew | Pump
) -> tuple[float, bool]:
    """Age of the oldest edge that a batch meets within its bay [min]; whether each joins on.

    Each but the first of a bay must meet an earlier one, and each but the last of all must lie
    beside floor that is not poured yet, for its crew to leave by.
    """
    a, b = np.sort(batch[blocks.link], axis=1).T
    meets = (a != b) & (bay_of[a] == bay_of[b])
    shut_in = np.ones(bay_of.size, bool)
    shut_in[a[a != b]] = False
    shut_in[-1] = False
    alone = np.ones(bay_of.size, bool)
    alone[b[meets]] = False
    alone[np.flatnonzero(np.diff(bay_of, prepend=-1))] = False
    joined = not (alone | shut_in).any()
    if not meets.any():
        return 0.0, joined
    # A hose lays its pass from one end to the other: the far end meets the edge last.
    later = end if isinstance(crew, Pump) else start
    in_hose_min = crew.hose_min if isinstance(crew, Pump) else 0.0
    return float((later[b] - start[a])[meets].max()) + in_hose_min, joined
