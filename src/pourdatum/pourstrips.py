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
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourblocks import Blocks
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
    """Whether single batches are drawn out over the width of a bay, in strips too shallow."""
    joined: bool

    @property
    def sound(self) -> bool:
        """Whether a crew can lay it: strips that can be reached over, each against another."""
        return self.deep_enough and self.joined


class Sweeps:
    """A floor parted into bays, each sorted along its sweep once for all ways to lay it.

    Parameters
    ----------
    blocks : Blocks
    bays : (n,) int array
        Bay of each block, from 0.
    """

    def __init__(self, blocks: Blocks, bays: Index) -> None:
        self.blocks, self.bays = blocks, bays
        self._of: dict[int, Sweep] = {}

    def of(self, name: int) -> Sweep:
        """One of the bays."""
        if name not in self._of:
            self._of[name] = Sweep(self.blocks, np.flatnonzero(self.bays == name))
        return self._of[name]


class Sweep:
    """The blocks of a bay as they fall in level, with sums over the first k of them.

    Thousands of strips are looked up in these sums: plain numbers, no small arrays.
    """

    def __init__(self, blocks: Blocks, own: Index) -> None:
        self.blocks = blocks
        self.own = own[np.argsort(-blocks.level[own], kind="stable")]
        self.filled_m3 = _sums(blocks.volume_m3[self.own])
        self.upto: list[float] = self.filled_m3.tolist()
        self.areas: list[float] = _sums(blocks.area_m2[self.own]).tolist()
        self.level: list[float] = blocks.level[self.own].tolist()
        self.steep: list[float] = _sums(np.hypot(*blocks.slope[self.own].T)).tolist()
        self.volume_m3 = float(blocks.volume_m3[self.own].sum())


@dataclass(frozen=True, eq=False)
class Strip:
    """A strip across the sweep: its blocks, what each of its batches fills, how deep it is."""

    blocks: Index
    shares_m3: Array
    depth_m: float
    final: bool

    def shallow_m2(self, blocks: Blocks) -> tuple[float, float]:
        """Its floor, if it is too shallow to be poured: by several batches, and by one [m²].

        One that is left at an exit is poured from beyond it.
        """
        several = self.shares_m3.size > 1
        if self.depth_m >= REACH_M[0] or (self.final and not several):
            return 0.0, 0.0
        area_m2 = float(blocks.area_m2[self.blocks].sum())
        return (area_m2, 0.0) if several else (0.0, area_m2)


@dataclass(frozen=True, eq=False)
class Way:
    """One way to lay a floor: bays in turn, strips of so many batches at the most.

    There and ``back`` or one way. The ``rest`` of a bay that fills no batch is laid with the strip
    before it, even where that has so many already.
    """

    sweeps: Sweeps
    order: Sequence[int]
    crew: Crew | Pump
    bag_m3: float
    most: int
    back: bool
    rest: bool = False

    def afresh(self) -> Way:
        """The same without what was sorted for it, which is large."""
        return replace(self, sweeps=Sweeps(self.sweeps.blocks, self.sweeps.bays))

    def strips(self) -> list[list[Strip]]:
        """The strips of each bay, in turn."""
        found = []
        left_m3 = 0.0
        for name in self.order:
            sweep = self.sweeps.of(name)
            found.append(
                list(strips(sweep, self.crew, self.bag_m3, left_m3, most=self.most, rest=self.rest))
            )
            if isinstance(self.crew, Crew):
                left_m3 = _carried_on(sweep.volume_m3, left_m3, self.crew, self.bag_m3)
        return found

    def shallow_m2(self, bays: Sequence[Sequence[Strip]]) -> Array:
        """Floor in strips too shallow to be poured: of several batches, and of one (2,) [m²]."""
        blocks = self.sweeps.blocks
        out = np.zeros(2)
        for strip in itertools.chain.from_iterable(bays):
            out += strip.shallow_m2(blocks)
        return out

    def deep_enough(self, shallow_m2: Array) -> bool:
        """Whether a crew can pour nearly all strips."""
        return bool(shallow_m2[0] <= SHALLOW * float(self.sweeps.blocks.area_m2.sum()))


def lay(
    way: Way, bays: Sequence[Sequence[Strip]] | None = None, shallow_m2: Array | None = None
) -> Laid:
    """A way of laying as batches; its strips and what of them is shallow where that is known."""
    blocks, crew = way.sweeps.blocks, way.crew
    bays = way.strips() if bays is None else bays
    shallow_m2 = way.shallow_m2(bays) if shallow_m2 is None else shallow_m2
    batch = np.full(blocks.level.size, -1, np.int64)
    bay_of: list[int] = []
    strip_of: list[int] = []
    start: list[float] = []
    end: list[float] = []
    mixed = 0
    left_m3 = 0.0
    for number, (name, own) in enumerate(zip(way.order, bays, strict=True)):
        for number_of_strip, strip in enumerate(own):
            leftward = number_of_strip % 2 == 0 or not way.back
            for k, part in enumerate(_parted(blocks, strip, leftward=leftward)):
                carried = left_m3 > 0.0 and number_of_strip == 0 and k == 0
                batch[part] = len(bay_of)
                bay_of.append(number)
                strip_of.append(number_of_strip)
                if isinstance(crew, Pump):
                    volume_m3 = float(blocks.volume_m3[part].sum())
                    begin = end[-1] if end else 0.0
                    start.append(begin)
                    end.append(begin + volume_m3 * MM / crew.litres_per_minute)
                    continue
                mixed += not carried
                start.append((mixed - 1) * crew.step_min)
                end.append(start[-1] + crew.minutes_per_batch)
        if isinstance(crew, Crew):
            left_m3 = _carried_on(way.sweeps.of(name).volume_m3, left_m3, crew, way.bag_m3)
    begun, done = np.array(start), np.array(end)
    bay = np.array(bay_of)
    age_min, joined = _edges(blocks, batch, bay, begun, done, crew)
    return Laid(
        batch=batch,
        bay=bay,
        strip=np.array(strip_of),
        start_min=begun,
        end_min=done,
        age_min=age_min,
        joined=joined,
        deep_enough=way.deep_enough(shallow_m2),
        drawn_out=float(shallow_m2[1]) > SHALLOW * float(blocks.area_m2.sum()),
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
    """Strips of a bay, whose blocks fall in level."""
    own, upto, areas, level, steep = (
        sweep.own, sweep.upto, sweep.areas, sweep.level, sweep.steep,
    )  # fmt: skip
    total, size = upto[-1], own.size
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
            last = min(max(bisect_left(upto, target * (1.0 - 1e-12), 1), ends[-1] + 1), size)
            # How far the trickle falls across the strip, over how steeply it falls there.
            fall, slope = level[first] - level[last - 1], steep[last] - steep[first]
            deep = fall * (last - first) / max(slope, 1e-12)
            if k > 0 and deep > longest:
                break
            ends.append(last)
            depth_m = deep
            done_m3 = target
            if last == size:
                break
        part = own[first : ends[-1]]
        final = ends[-1] == size
        if total - done_m3 < _DREGS * batch_m3 and not final:
            part, final = own[first:], True
            ends[-1] = size
        elif not final and total - done_m3 < batch_m3 and (rest or len(ends) <= most):
            part, final = own[first:], True
            ends.append(size)
        if pumped:
            ends = [ends[0], ends[-1]]
        filled_m3 = sweep.filled_m3[ends]
        yield Strip(part, filled_m3[1:] - filled_m3[:-1], depth_m, final)
        first = ends[-1]


def _sums(values: Array) -> Array:
    """What the first k of them come to, k from 0 to all (n + 1,)."""
    return np.concatenate([[0.0], np.cumsum(values)])


def _deep_m(depth_m: float, batch_m3: float) -> float:
    """Depth along the sweep that makes batches about square, within what a person reaches [m]."""
    return min(max(math.sqrt(batch_m3 / max(depth_m, 1e-6)), REACH_M[0]), REACH_M[1])


def _parted(blocks: Blocks, strip: Strip, *, leftward: bool) -> list[Index]:
    """The batches of a strip, side by side across the sweep; the last strip ends at its exit."""
    own = strip.blocks
    if strip.shares_m3.size == 1:
        return [own]
    if strip.final:
        # In rings about the place where the bay is left, so that nobody ends behind a batch.
        away = np.hypot(*(blocks.place_m[own] - blocks.place_m[own[-1]]).T)
        order = own[np.argsort(-away, kind="stable")]
    else:
        x, y = -blocks.slope[own].sum(axis=0)
        across = np.array([-y, x]) if leftward else np.array([y, -x])
        order = own[np.argsort(blocks.place_m[own] @ across, kind="stable")]
    volume_m3 = blocks.volume_m3[order]
    middle = volume_m3.cumsum() - 0.5 * volume_m3
    # A block belongs to the batch that its middle lies in; the last takes what is over.
    ends = middle.searchsorted(strip.shares_m3.cumsum()[:-1]).tolist()
    return [order[i:j] for i, j in itertools.pairwise([0, *ends, order.size]) if j > i]


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
