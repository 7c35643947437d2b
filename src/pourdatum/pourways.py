"""The way of parting and laying a floor in which every edge is wet.

The floor as it is goes before all others; then the one with the least stop-ends of: its arms one by
one, lanes along the sweep, bays across it; none of them with slivers. A sweep follows the trickle,
or is straight along a wall. One in which every batch lies together goes before one with a batch in
two places.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.pourbays import (
    calmed,
    in_arms,
    in_lanes,
    in_pieces,
    in_turn,
    stop_ends_m,
    without_slivers,
)
from pourdatum.pourblocks import Blocks
from pourdatum.pourpieces import CARRIED_M, leads_out, parted_batches
from pourdatum.poursearch import MANY, Search, batches_across, too_narrow, ways
from pourdatum.pourstrips import PASS_M, REACH_M, Crew, Cut, Laid, Pump, lay
from pourdatum.poursweeps import Sweeps, straightened
from pourdatum.units import MM

Index = NDArray[np.int64]

_NARROWEST_M: Final = 1.2
"""Least width of a lane between stop-ends [m]; a choice."""
_MOST_MIXERS: Final = 24
_FEW: Final = 12
"""Lanes up to which each number is tried, and swept straight; of more, each larger by a part in so
many."""
_FURTHER: Final = 3
"""Partings that are tried after one in which a batch lies in two places; a choice."""
_MOST_TRIED: Final = 600_000
"""Batches of all ways that are tried, about: by bags, no crew lays tens of thousands."""
_TRIED_WIDTHS: Final = 4
"""Numbers of batches across that are tried from the least that is deep enough; a choice."""
_COARSE_L_PER_MIN: Final = 10.0
"""Rate of a pump from which it is told to a litre."""


def wet_edge(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float
) -> tuple[Laid, str, Crew | Pump | None]:
    """The way of parting and laying with the least stop-ends in which no edge is too old.

    Failing all, the one with the youngest edge, why none is found, and the crew that would do.
    """
    search = Search(crew, bag_m3, working_min)
    laid = _whole(search, blocks) or _parted(search, blocks) or search.failing
    if laid is not None:
        return laid, "", None
    # A bay that is a sliver rather than an edge too old.
    laid = search.clean(blocks, in_arms(blocks)) or search.failing
    if laid is not None:
        return laid, "", None
    best = search.best()
    if best is None:
        # No bay is narrow enough for strips that can be reached over.
        bays = in_pieces(blocks)
        cut = Cut(Sweeps(blocks, bays), in_turn(blocks, bays), crew, bag_m3, most=1)
        best = lay(cut, back=True)
    more = _what_helps(blocks, crew, bag_m3, working_min, best)
    return best, _what_is_wrong(best, working_min, more, isinstance(crew, Pump)), more


def crew_without_stop_ends(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float
) -> Crew | Pump | None:
    """The least crew that needs no stop-ends but those of joints; None where none was found.

    Parameters
    ----------
    blocks : Blocks
    crew : Crew or Pump
        As stated: the one that is found has more mixers, or a pump of more litres per minute.
    bag_m3 : float
        What a bag fills [m³].
    working_min : float
    """
    if isinstance(crew, Pump):
        search = Search(crew, bag_m3, math.inf)
        laid = _whole(search, blocks)
        return None if laid is None else _fast_enough(crew, laid, working_min)
    mixers = _least_mixers(blocks, crew, bag_m3, working_min)
    return None if mixers is None else replace(crew, mixers=mixers)


def _least_mixers(blocks: Blocks, crew: Crew, bag_m3: float, working_min: float) -> int | None:
    """Mixers with which a floor is laid in one go; None where it takes too many.

    Which batch lies where does not hang on how many mixers there are: an edge is so many batches
    old, whoever mixes them.
    """
    pieces = in_pieces(blocks)
    order = in_turn(blocks, pieces)
    least = _MOST_MIXERS + 1
    widest = batches_across(blocks, crew, bag_m3)
    # Straight ones first: their strips are the shortest.
    for swept in reversed(list(_sweeps(blocks, pieces))):
        calm = replace(swept, level=calmed(swept, pieces))
        sweeps = Sweeps(calm, pieces)
        tried = 0
        for most in range(1, widest + 1):
            # With few batches across strips are shallow, with many their edges are old.
            if most * crew.minutes_per_batch > working_min * (least - 1) or tried == _TRIED_WIDTHS:
                break
            if too_narrow(sweeps, crew, bag_m3, most=most):
                continue
            cut = Cut(sweeps, order, crew, bag_m3, most=most, rest=True)
            tried += cut.deep_enough
            if not cut.deep_enough or cut.drawn_out:
                continue
            leans = (0, 1, -1) if cut.batches <= MANY else (0,)
            for back, lean in (*((False, lean) for lean in leans), (True, 0)):
                laid = lay(cut, back=back, lean=lean)
                minutes = laid.age_min * crew.mixers
                if back:
                    minutes = max(minutes, (2 * most - 1) * crew.minutes_per_batch)
                mixers = max(math.ceil(minutes / working_min - 1e-9), crew.mixers + 1)
                if mixers >= least or not laid.sound:
                    continue
                if leads_out(calm, laid) and not parted_batches(calm, laid, CARRIED_M):
                    least = mixers
    return least if least <= _MOST_MIXERS else None


def _fast_enough(pump: Pump, laid: Laid, working_min: float) -> Pump:
    """The pump that lays the same passes in time: edges are so many litres old, hose and all."""
    litres_per_minute = laid.age_min * pump.litres_per_minute / working_min
    step = 1.0 if litres_per_minute > _COARSE_L_PER_MIN else 0.1
    steps = math.ceil(litres_per_minute / step * (1.0 - 1e-9))
    return replace(pump, litres_per_minute=round(steps * step, 1))


def _whole(search: Search, blocks: Blocks) -> Laid | None:
    """A clean way with no stop-ends but those of joints."""
    pieces = in_pieces(blocks)
    for swept in _sweeps(blocks, pieces):
        laid = search.clean(swept, pieces)
        if laid is not None:
            return laid
    return None


def _parted(search: Search, blocks: Blocks) -> Laid | None:
    """The clean way with the least stop-ends, of a floor in arms and in lanes both ways."""
    found: Laid | None = None
    least_m = math.inf
    widest_m = _widest_m(blocks, search.crew, search.bag_m3, search.working_min)
    for kind in (_in_arms, _in_lanes, _in_cross_lanes):
        further = 0
        for swept, bays in kind(blocks, widest_m):
            length_m = stop_ends_m(blocks, bays)
            if length_m >= least_m or search.tried > _MOST_TRIED or further > _FURTHER:
                break
            laid = search.clean(swept, bays)
            if laid is not None:
                found, least_m = laid, length_m
                break
            further += search.parted is not None
    return found


def _sweeps(blocks: Blocks, bays: Index) -> Iterator[Blocks]:
    """Ways to sweep bays: by the trickle, and straight along either side."""
    yield blocks
    for turned in (False, True):
        swept = straightened(blocks, bays, turned=turned)
        if swept is not None:
            yield swept


def _in_arms(blocks: Blocks, _: float) -> Iterator[tuple[Blocks, Index]]:
    """A floor in its arms, if it has more than one."""
    arms = without_slivers(blocks, in_arms(blocks))
    if arms.max() > in_pieces(blocks).max():
        for swept in _sweeps(blocks, arms):
            yield swept, arms


def _in_lanes(blocks: Blocks, widest_m: float) -> Iterator[tuple[Blocks, Index]]:
    """Lanes along the sweep to the exit."""
    for lanes, bays in _numbers_of_lanes(blocks, widest_m, turned=False):
        yield blocks, bays
        swept = straightened(blocks, bays) if lanes <= _FEW else None
        if swept is not None:
            yield swept, bays


def _in_cross_lanes(blocks: Blocks, widest_m: float) -> Iterator[tuple[Blocks, Index]]:
    """Bays across the sweep to the exit, each swept across it."""
    for lanes, bays in _numbers_of_lanes(blocks, widest_m, turned=True):
        if lanes > _FEW:
            return
        swept = straightened(blocks, bays, turned=True)
        if swept is not None:
            yield swept, bays


def _numbers_of_lanes(
    blocks: Blocks, widest_m: float, *, turned: bool
) -> Iterator[tuple[int, Index]]:
    """How many lanes, and the bays (n,) of them, fewest first.

    Those plainly too wide are left out, and of many not every number is tried.
    """
    pieces = in_pieces(blocks)
    _, whole_m = in_lanes(blocks, pieces, 1, turned=turned)
    lanes = max(math.ceil(0.8 * whole_m / widest_m), 2)
    while True:
        parted, width_m = in_lanes(blocks, pieces, lanes, turned=turned)
        if width_m < _NARROWEST_M:
            return
        yield lanes, without_slivers(blocks, parted)
        lanes += max(lanes // _FEW, 1)


def _what_helps(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float, best: Laid
) -> Crew | Pump | None:
    """The least crew, or the slowest pump, that keeps every edge wet; None where none was found."""
    if isinstance(crew, Pump):
        more = crew_without_stop_ends(blocks, crew, bag_m3, working_min)
        return _fast_enough(crew, best, working_min) if more is None and best.sound else more
    arms = without_slivers(blocks, in_arms(blocks))
    tried = 0
    for mixers in range(crew.mixers + 1, _MOST_MIXERS + 1):
        larger = replace(crew, mixers=mixers)
        for way in ways(blocks, arms, larger, bag_m3, working_min):
            tried += way.cut.batches
            if not way.cut.deep_enough:
                continue
            for laid in way.laid(working_min):
                if laid.age_min <= working_min + 1e-9 and laid.sound:
                    return larger
        if tried > _MOST_TRIED:
            break
    return None


def _what_is_wrong(best: Laid, working_min: float, more: Crew | Pump | None, pumped: bool) -> str:
    """Why no edge stays wet, and what would keep it so."""
    said = (
        f"a batch meets an edge {best.age_min:.0f} min old, the working time is {working_min:g} min"
    )
    if best.age_min <= working_min + 1e-9:
        said = (
            "no order was found in which every batch meets an earlier one of its bay within the"
            f" working time of {working_min:g} min, in strips that can be reached over"
        )
    if isinstance(more, Pump):
        return f"{said}: a pump of {more.litres_per_minute:g} l per minute would keep it wet"
    if isinstance(more, Crew):
        return f"{said}: {more.mixers} mixers would keep it wet"
    if pumped:
        return f"{said}: a pump of more litres per minute, or stop-ends closer together"
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
