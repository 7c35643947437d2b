"""The way of parting and laying a floor in which every edge is wet.

The first sound one is taken of: the floor as it is, its arms one by one, lanes along the sweep;
arms and lanes without slivers. One in which every batch lies together goes before one with a batch
in two places.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourbays import calmed, in_arms, in_lanes, in_pieces, in_turn, without_slivers
from pourdatum.pourblocks import Blocks
from pourdatum.pourpieces import CARRIED_M, DRAGGED_M, parted_batches
from pourdatum.pourstrips import (
    PASS_M,
    REACH_M,
    SHALLOW,
    Crew,
    Laid,
    Pump,
    Sweeps,
    Way,
    lay,
    strips,
)
from pourdatum.units import MM

Index = NDArray[np.int64]

_NARROWEST_M: Final = 1.2
"""Least width of a lane between stop-ends [m]; a choice."""
_MOST_MIXERS: Final = 24
_FEW: Final = 12
"""Lanes up to which each number is tried; of more, each larger by a part in so many."""
_FURTHER: Final = 3
"""Partings that are tried after one in which a batch lies in two places; a choice."""
_MOST_TRIED: Final = 600_000
"""Batches of all ways that are tried, about: by bags, no crew lays tens of thousands."""


def wet_edge(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float
) -> tuple[Laid, str]:
    """The first way of parting and laying in which no edge is older than the working time.

    Failing all, the one with the youngest edge, and what would help.
    """
    spare: Laid | None = None
    parted: tuple[int, Laid] | None = None
    bays = np.zeros(blocks.level.size, np.int64)
    tried = further = number = 0
    best: tuple[tuple[bool, float, int], Laid] | None = None
    shallow: list[tuple[int, Way]] = []
    away_m = DRAGGED_M if isinstance(crew, Pump) else CARRIED_M
    for bays in _partings(blocks, _widest_m(blocks, crew, bag_m3, working_min)):
        for way, laid, batches in _ways(blocks, bays, crew, bag_m3, working_min):
            tried += batches
            number += 1
            if laid is None:
                shallow.append((number, way.afresh()))
                continue
            best = _better(best, number, laid)
            if laid.age_min <= working_min + 1e-9 and laid.sound:
                if not laid.drawn_out:
                    pieces = parted_batches(blocks, laid, away_m)
                    if not pieces:
                        return laid, ""
                    if parted is None or pieces < parted[0]:
                        parted = pieces, laid
                spare = spare or laid
        further += parted is not None
        if tried > _MOST_TRIED or further > _FURTHER:
            break
    if parted is not None:
        return parted[1], ""
    if spare is not None:
        return spare, ""
    if best is None and not shallow:
        # No bay is narrow enough for strips that can be reached over.
        order = in_turn(blocks, bays)
        shallow = [(0, Way(Sweeps(blocks, bays), order, crew, bag_m3, 1, back=True))]
    for number, way in shallow:
        # A shallow one is never sound, and not laid where one that is has been found.
        if best is None or not best[1].sound:
            best = _better(best, number, lay(way))
    assert best is not None
    return best[1], _what_helps(blocks, crew, bag_m3, working_min, best[1])


def _better(
    best: tuple[tuple[bool, float, int], Laid] | None, number: int, laid: Laid
) -> tuple[tuple[bool, float, int], Laid]:
    """The one with the younger edge, sound ones before others; of equals the first."""
    rank = not laid.sound, laid.age_min, number
    return best if best is not None and best[0] < rank else (rank, laid)


def _what_helps(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float, best: Laid
) -> str:
    said = (
        f"a batch meets an edge {best.age_min:.0f} min old, the working time is {working_min:g} min"
    )
    if best.age_min <= working_min + 1e-9:
        said = (
            "no order was found in which every batch meets an earlier one of its bay within the"
            f" working time of {working_min:g} min, in strips that can be reached over"
        )
    if isinstance(crew, Pump):
        return f"{said}: a pump of more litres per minute, or stop-ends closer together"
    arms = without_slivers(blocks, in_arms(blocks))
    tried = 0
    for mixers in range(crew.mixers + 1, _MOST_MIXERS + 1):
        more = Crew(mixers, crew.minutes_per_batch, crew.bags_per_batch)
        for _, laid, batches in _ways(blocks, arms, more, bag_m3, working_min):
            tried += batches
            if laid is not None and laid.age_min <= working_min + 1e-9 and laid.sound:
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
            (working_min - crew.hose_min) * crew.litres_per_minute / MM / (2.0 * PASS_M * depth_m)
        )
    return crew.batches_in(working_min) * crew.bags_per_batch * bag_m3 / (REACH_M[0] * depth_m)


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
) -> Iterator[tuple[Way, Laid | None, int]]:
    """Ways to lay the bays out, widest strips first; what is laid, and about how many batches.

    Strips too shallow to be poured are not parted into batches, for nobody asks where these lie
    unless nothing better is found.

    With N batches across, each t after the one before, an edge is N t old where strips are poured
    one way, up to (2 N - 1) t there and back: what is wider than that is not tried.
    """
    order = in_turn(blocks, bays)
    if isinstance(crew, Pump):
        calm = replace(blocks, level=calmed(blocks, bays))
        way = Way(Sweeps(calm, bays), order, crew, bag_m3, 1, back=True)
        laid = lay(way)
        yield way, laid, laid.bay.size
        return
    in_time = crew.batches_in(working_min)
    # Bays so wide that strips are too narrow to pour are seen before peaks are looked for.
    if _too_narrow(blocks, bays, crew, bag_m3, most=in_time):
        return
    sweeps = Sweeps(replace(blocks, level=calmed(blocks, bays)), bays)
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
                way = Way(sweeps, order, crew, bag_m3, most, back, rest)
                found = way.strips()
                batches = sum(strip.shares_m3.size for own in found for strip in own)
                shallow_m2 = way.shallow_m2(found)
                deep_enough = way.deep_enough(shallow_m2)
                yield way, lay(way, found, shallow_m2) if deep_enough else None, batches
            if not deep_enough:
                return


def _too_narrow(blocks: Blocks, bays: Index, crew: Crew, bag_m3: float, *, most: int) -> bool:
    """Whether strips of so many batches are too shallow to be poured, over too much floor."""
    left_m2 = SHALLOW * float(blocks.area_m2.sum())
    sweeps = Sweeps(blocks, bays)
    for name in range(int(bays.max()) + 1):
        for strip in strips(sweeps.of(name), crew, bag_m3, 0.0, most=most):
            left_m2 -= strip.shallow_m2(blocks)[0]
            if left_m2 < 0.0:
                return True
    return False
