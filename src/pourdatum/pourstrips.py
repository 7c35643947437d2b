"""Laying a floor out in batches: strips across the sweep, and bays until every edge is wet.

A strip holds whole batches, as many as make them about square and as the working time allows. A
way of laying is sound when each batch meets an earlier one of its bay, lies beside floor that is
not poured yet, and strips are deep enough to be poured. The first sound one is taken of: the floor
as it is, its arms one by one, lanes along the sweep; arms and lanes without slivers.
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

from pourdatum.pourbays import calmed, in_arms, in_lanes, in_pieces, in_turn, without_slivers
from pourdatum.pourblocks import Blocks
from pourdatum.units import MM

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_REACH_M: Final = (0.35, 1.5)
"""Least and greatest depth of a strip along the sweep [m]; common practice, no source."""
_PASS_M: Final = 0.6
"""Depth of a strip that a hose lays in one pass [m]; common practice, no source."""
_NARROWEST_M: Final = 1.2
"""Least width of a lane between stop-ends [m]; a choice."""
_MOST_MIXERS: Final = 24
_NEAR: Final = 50
"""Blocks from whose mean depth it is taken how deep a strip should be."""
_SHALLOW: Final = 0.05
"""Share of the floor whose strips may be shallower than can be poured; a choice."""
_FEW: Final = 12
"""Lanes up to which each number is tried; of more, each larger by a part in so many."""
_MOST_TRIED: Final = 600_000
"""Batches of all ways that are tried, about: by bags, no crew lays tens of thousands."""
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


@dataclass(frozen=True, eq=False)
class _Strip:
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
        if self.depth_m >= _REACH_M[0] or (self.final and not several):
            return 0.0, 0.0
        area_m2 = float(blocks.area_m2[self.blocks].sum())
        return (area_m2, 0.0) if several else (0.0, area_m2)


def wet_edge(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float
) -> tuple[Laid, str]:
    """The first way of parting and laying in which no edge is older than the working time.

    Failing all, the one with the youngest edge, and what would help.
    """
    best: Laid | None = None
    spare: Laid | None = None
    bays = np.zeros(blocks.level.size, np.int64)
    tried = 0
    for bays in _partings(blocks, _widest_m(blocks, crew, bag_m3, working_min)):
        for laid in _ways(blocks, bays, crew, bag_m3, working_min):
            tried += laid.bay.size
            if laid.age_min <= working_min + 1e-9 and laid.sound:
                if not laid.drawn_out:
                    return laid, ""
                spare = spare or laid
            if best is None or (not laid.sound, laid.age_min) < (not best.sound, best.age_min):
                best = laid
        if tried > _MOST_TRIED:
            break
    if spare is not None:
        return spare, ""
    if best is None:
        # No bay is narrow enough for strips that can be reached over.
        order = in_turn(blocks, bays)
        best = _lay(blocks, bays, order, crew, bag_m3, most=1, back=True)
    return best, _what_helps(blocks, crew, bag_m3, working_min, best)


def _what_helps(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float, best: Laid
) -> str:
    said = (
        f"a batch meets an edge {best.age_min:.0f} min old, the working time is {working_min:g} min"
    )
    if isinstance(crew, Pump):
        return f"{said}: a pump of more litres per minute, or stop-ends closer together"
    arms = without_slivers(blocks, in_arms(blocks))
    tried = 0
    for mixers in range(crew.mixers + 1, _MOST_MIXERS + 1):
        more = Crew(mixers, crew.minutes_per_batch, crew.bags_per_batch)
        for laid in _ways(blocks, arms, more, bag_m3, working_min):
            tried += laid.bay.size
            if laid.age_min <= working_min + 1e-9 and laid.sound:
                return f"{said}: {mixers} mixers would keep it wet"
        if tried > _MOST_TRIED:
            break
    return f"{said}: pump it, or take a material that stays open longer"


def _widest_m(blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float) -> float:
    """Width of a bay, about, over which strips as narrow as can be are laid in the time [m]."""
    depth_m = max(float(blocks.volume_m3.sum() / blocks.area_m2.sum()), 1e-6)
    if isinstance(crew, Pump):
        # There and back over two passes.
        return (
            (working_min - crew.hose_min) * crew.litres_per_minute / MM / (2.0 * _PASS_M * depth_m)
        )
    return crew.batches_in(working_min) * crew.bags_per_batch * bag_m3 / (_REACH_M[0] * depth_m)


def _partings(blocks: Blocks, widest_m: float) -> Iterator[Index]:
    """Ways to part a floor into bays (n,), fewest stop-ends first.

    Lanes that are plainly too wide are not tried, and of many lanes not every number.
    """
    pieces = in_pieces(blocks)
    yield pieces
    raw_arms = in_arms(blocks)
    arms = without_slivers(blocks, raw_arms)
    if arms.max() > pieces.max():
        yield arms
    _, whole_m = in_lanes(blocks, pieces, 1)
    lanes = max(math.ceil(0.8 * whole_m / widest_m), 2)
    while True:
        parted, width_m = in_lanes(blocks, pieces, lanes)
        if width_m < _NARROWEST_M:
            break
        yield without_slivers(blocks, parted)
        lanes += max(lanes // _FEW, 1)
    # A bay that is a sliver rather than an edge too old.
    if raw_arms.max() > arms.max():
        yield raw_arms


def _ways(
    blocks: Blocks, bays: Index, crew: Crew | Pump, bag_m3: float, working_min: float
) -> Iterator[Laid]:
    """Ways to lay the bays out, widest strips first.

    With N batches across, each t after the one before, an edge is N t old where strips are poured
    one way, up to (2 N - 1) t there and back: what is wider than that is not tried.
    """
    order = in_turn(blocks, bays)
    if isinstance(crew, Pump):
        calm = replace(blocks, level=calmed(blocks, bays))
        yield _lay(calm, bays, order, crew, bag_m3, most=1, back=True)
        return
    in_time = crew.batches_in(working_min)
    # Bays so wide that strips are too narrow to pour are seen before peaks are looked for.
    if _too_narrow(blocks, bays, crew, bag_m3, most=in_time):
        return
    calm = replace(blocks, level=calmed(blocks, bays))
    batch_m3 = crew.bags_per_batch * bag_m3
    depth_m = max(float(blocks.volume_m3.sum() / blocks.area_m2.sum()), 1e-6)
    across_m = max(math.sqrt(batch_m3 / depth_m), blocks.side_m)
    widest = max(math.ceil(1.5 * math.sqrt(float(blocks.area_m2.sum())) / across_m), 1)
    for most in range(min(widest, in_time), 0, -1):
        for back in (True, False):
            if most > 1 and back and (2 * most - 1) * crew.step_min > working_min:
                continue
            # A rest that is a strip of its own is hardly deep enough to be worked.
            for rest in (True, False):
                laid = _lay(calm, bays, order, crew, bag_m3, most=most, back=back, rest=rest)
                yield laid
            if not laid.deep_enough:
                return


def _too_narrow(blocks: Blocks, bays: Index, crew: Crew, bag_m3: float, *, most: int) -> bool:
    """Whether strips of so many batches are too shallow to be poured, over too much floor."""
    left_m2 = _SHALLOW * float(blocks.area_m2.sum())
    for name in range(int(bays.max()) + 1):
        own = np.flatnonzero(bays == name)
        own = own[np.argsort(-blocks.level[own], kind="stable")]
        for strip in _strips(blocks, own, crew, bag_m3, 0.0, most=most):
            left_m2 -= strip.shallow_m2(blocks)[0]
            if left_m2 < 0.0:
                return True
    return False


def _lay(
    blocks: Blocks,
    bays: Index,
    order: Sequence[int],
    crew: Crew | Pump,
    bag_m3: float,
    *,
    most: int,
    back: bool,
    rest: bool = False,
) -> Laid:
    """One way: bays in turn, strips of so many batches at the most, there and back or one way.

    The ``rest`` of a bay that fills no batch is laid with the strip before it, even where that
    has so many already.
    """
    batch = np.full(bays.size, -1, np.int64)
    bay_of: list[int] = []
    strip_of: list[int] = []
    start: list[float] = []
    end: list[float] = []
    mixed = 0
    left_m3 = 0.0
    shallow_m2 = np.zeros(2)
    for number, name in enumerate(order):
        own = np.flatnonzero(bays == name)
        own = own[np.argsort(-blocks.level[own], kind="stable")]
        for number_of_strip, strip in enumerate(
            _strips(blocks, own, crew, bag_m3, left_m3, most=most, rest=rest)
        ):
            shallow_m2 += strip.shallow_m2(blocks)
            leftward = number_of_strip % 2 == 0 or not back
            for k, part in enumerate(_parted(blocks, strip, leftward=leftward)):
                volume_m3 = float(blocks.volume_m3[part].sum())
                carried = left_m3 > 0.0 and number_of_strip == 0 and k == 0
                batch[part] = len(bay_of)
                bay_of.append(number)
                strip_of.append(number_of_strip)
                if isinstance(crew, Pump):
                    begin = end[-1] if end else 0.0
                    start.append(begin)
                    end.append(begin + volume_m3 * MM / crew.litres_per_minute)
                    continue
                mixed += not carried
                start.append((mixed - 1) * crew.step_min)
                end.append(start[-1] + crew.minutes_per_batch)
        if isinstance(crew, Crew):
            left_m3 = _carried_on(float(blocks.volume_m3[own].sum()), left_m3, crew, bag_m3)
    begun, done = np.array(start), np.array(end)
    bay = np.array(bay_of)
    age_min, joined = _edges(blocks, batch, bay, begun, done, crew)
    least_m2 = _SHALLOW * float(blocks.area_m2.sum())
    return Laid(
        batch=batch,
        bay=bay,
        strip=np.array(strip_of),
        start_min=begun,
        end_min=done,
        age_min=age_min,
        joined=joined,
        deep_enough=float(shallow_m2[0]) <= least_m2,
        drawn_out=float(shallow_m2[1]) > least_m2,
    )


def _carried_on(volume_m3: float, left_m3: float, crew: Crew, bag_m3: float) -> float:
    """What is left of the last batch of a bay, for the next one [m³]."""
    batch_m3 = crew.bags_per_batch * bag_m3
    # The last batch opens no more bags than it needs.
    bags = math.ceil(max(volume_m3 - left_m3, 0.0) / bag_m3 - 1e-9)
    left = bags * bag_m3 + left_m3 - volume_m3
    return left if left > _DREGS * batch_m3 else 0.0


def _strips(
    blocks: Blocks,
    own: Index,
    crew: Crew | Pump,
    bag_m3: float,
    left_m3: float,
    *,
    most: int,
    rest: bool = False,
) -> Iterator[_Strip]:
    """Strips of a bay, whose blocks fall in level."""
    # Thousands of strips, each looked up in sums over the bay: plain numbers, no small arrays.
    from_nought = _sums(blocks.volume_m3[own])
    upto, areas = from_nought.tolist(), _sums(blocks.area_m2[own]).tolist()
    level = blocks.level[own].tolist()
    steep = _sums(np.hypot(*blocks.slope[own].T)).tolist()
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
            _PASS_M
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
        yield _Strip(part, np.diff(from_nought[ends]), depth_m, final)
        first = ends[-1]


def _sums(values: Array) -> Array:
    """What the first k of them come to, k from 0 to all (n + 1,)."""
    return np.concatenate([[0.0], np.cumsum(values)])


def _deep_m(depth_m: float, batch_m3: float) -> float:
    """Depth along the sweep that makes batches about square, within what a person reaches [m]."""
    return min(max(math.sqrt(batch_m3 / max(depth_m, 1e-6)), _REACH_M[0]), _REACH_M[1])


def _parted(blocks: Blocks, strip: _Strip, *, leftward: bool) -> list[Index]:
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
    upto = np.cumsum(blocks.volume_m3[order])
    middle = upto - 0.5 * blocks.volume_m3[order]
    number = np.searchsorted(np.cumsum(strip.shares_m3)[:-1], middle, side="right")
    # Numbers rise along the order.
    ends = np.searchsorted(number, np.arange(strip.shares_m3.size + 1))
    return [order[i:j] for i, j in itertools.pairwise(ends.tolist()) if j > i]


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
