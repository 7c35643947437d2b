"""The worst gap under straightedges over a whole floor, without the luck of the draw.

What noise and smoothing make of the worst of very many gaps is taken off and counts as doubt
(``gapluck``). Level and tilt do nothing under a straightedge. What the whole scan may be bent by
does, and so does floor past its ends (``gapdoubt``).

Criteria that ask for the same straightedges under other limits share one search.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.criteria import GapLimit
from pourdatum.everywhere import Places, rests
from pourdatum.gapdoubt import bent_m, between_m, past_ends_m, past_sides_m
from pourdatum.gapluck import Luck, luck_of
from pourdatum.judgedfloor import Unreached, hidden, judged, unjudged_m2, unreached
from pourdatum.sampled import both_ways, chosen, everywhere_for, keeps_share, on_grid, pitch_of
from pourdatum.sampling import EVERYWHERE, Sampling
from pourdatum.uncertainty import combined

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

DRAWS: Final = 8
"""Floors seen again; an even number, for each draw of noise serves with both signs."""


@dataclass(frozen=True)
class WorstGap:
    """The worst of all gaps against a limit that may hang on the distance of the contacts.

    Attributes
    ----------
    value_m : float
        Worst gap, or the largest that may not exceed, the luck of the draw taken out [m].
    limit_m : float
        At the distance of its contacts [m].
    error_m : float
        Standard uncertainty of ``value_m`` [m].
    luck_m : float
        What was taken off [m].
    as_read_m : float
        Gap as read at the worst place [m].
    share_within : float
        Of all places, those within the limit.
    places : int
        In which a straightedge was laid.
    length_m, span_m : float
        Of the straightedge at the worst place, and from contact to contact [m].
    place_m : tuple
        Its middle, local plan [m].
    bearing_rad : float
        Clockwise from +y.
    rocks_m : float
        Where it rocks the most: how far both ends stand off when it is held even [m].
    rocks_place_m : tuple or None
    unjudged_m2 : float
        Floor that was seen and that no straightedge could be held against: seen too poorly, its
        points left out as off the fit, or too short for one [m²].
    may_exceed : int
        How many of the places may exceed the limit.
    pitch_m : float or None
        Of the grid of a sampling [m].
    keeps : float or None
        Of all ways to lay that grid, the share in which the floor keeps its limit.
    unlaid : int
        Straightedges of that grid that would lie on the floor, and on what was not judged of it.
    unreached : Unreached or None
        Laid everywhere: places that could hide a gap from all of them.
    """

    value_m: float
    limit_m: float
    error_m: float
    luck_m: float
    as_read_m: float
    share_within: float
    places: int
    length_m: float
    span_m: float
    place_m: tuple[float, float]
    bearing_rad: float
    rocks_m: float
    rocks_place_m: tuple[float, float] | None
    unjudged_m2: float
    may_exceed: int = 0
    pitch_m: float | None = None
    keeps: float | None = None
    unlaid: int = 0
    unreached: Unreached | None = None


def worst_gap(
    surface: Surface, limit: GapLimit, draws: int = DRAWS, sampling: Sampling = EVERYWHERE
) -> WorstGap | None:
    """Lay the straightedges of a criterion on a floor: everywhere, or as a contract samples it.

    Parameters
    ----------
    surface : Surface
        Of a scan, not of single levels.
    limit : GapLimit
    draws : int
        Floors seen again with fresh noise; even.
    sampling : Sampling
        Default everywhere, and none may exceed.

    Returns
    -------
    WorstGap or None
        None where no straightedge of the criterion fits on floor that was seen, or fewer than a
        sampling asks for.
    """
    one_limit = len(limit.limit_m) == 1
    scale = limit.limit_m[0] if one_limit else 1.0
    asked = replace(
        limit, source="", trust="as asked", limit_m=(1.0,) if one_limit else limit.limit_m
    )
    search = _searched(surface, asked, draws, sampling)
    return None if search is None else _held_against(search, scale, surface, sampling)


@dataclass(frozen=True, eq=False)
class _Search:
    """Straightedges laid on a floor; gaps in limits, or in metres where the limit is one.

    Attributes
    ----------
    found : WorstGap
        As for a limit of 1, but for what hangs on the limit.
    luck : Luck
    top : float
        The gap that is judged, as read.
    even : (k,) array
        All gaps that count in a share, rising.
    every, gaps : lists
        All places both ways and their gaps, where a contract samples.
    """

    found: WorstGap
    luck: Luck
    top: float
    even: Array
    every: list[Places]
    gaps: list[Array]


def _held_against(search: _Search, scale: float, surface: Surface, sampling: Sampling) -> WorstGap:
    """What straightedges came to, under one limit."""
    found, luck = search.found, search.luck
    value = max(search.top - max(luck.gain, 0.0), 0.0)
    many = search.even.size
    share = int(np.searchsorted(search.even, luck.usual + scale, side="right"))
    # A usual gap gains more or less than the worst: what breaks the limit is never all within.
    share = min(share, many - 1 - found.may_exceed) if value > scale else share
    keeps = None
    if found.pitch_m is not None:
        over = [one - luck.usual > scale for one in search.gaps]
        keeps = keeps_share(search.every, over, surface.floor.outline, found.pitch_m, sampling)
    return replace(found, limit_m=found.limit_m * scale, share_within=share / many, keeps=keeps)


@lru_cache(maxsize=4)
def _searched(surface: Surface, limit: GapLimit, draws: int, sampling: Sampling) -> _Search | None:
    seen = judged(surface)
    every, laid, pitch_m = _laid(surface, seen, limit, sampling)
    if not laid:
        return None
    found = rests(surface.grid, surface.height_m, laid)
    ratios = [one.gap_m / limit.at(one.span_m) for one in found]
    count = sum(one.size for one in ratios)
    may_exceed = sampling.allowed(count)
    which, at = _ranked(ratios, may_exceed)
    top, places, rest = float(ratios[which][at]), laid[which], found[which]
    limit_m = float(limit.at(rest.span_m[at]))
    own_m = math.sqrt(1.5) * float(
        surface.grid.at(np.nan_to_num(surface.standard_error_m), places.levels_m(at)).mean()
    )
    luck = luck_of(
        surface, seen, limit, laid, ratios, (top, places.middle_m(at), own_m / limit_m),
        draws, sampling, may_exceed,
    )  # fmt: skip
    even = [one for one, where in zip(ratios, laid, strict=True) if not where.beside]
    rocks = max(range(len(laid)), key=lambda k: float(found[k].rocks_m.max()))
    rocks_at = int(found[rocks].rocks_m.argmax())
    rocks_m = float(found[rocks].rocks_m[rocks_at])
    gaps, unlaid = [], 0
    if pitch_m is not None:
        gaps = [
            one.gap_m / limit.at(one.span_m) for one in rests(surface.grid, surface.height_m, every)
        ]
        unlaid = max(_on_whole_floor(surface, limit, pitch_m) - count, 0)
    worst = WorstGap(
        value_m=max(top - max(luck.gain, 0.0), 0.0) * limit_m,
        limit_m=limit_m,
        error_m=combined(
            max(luck.spread * limit_m, own_m),
            luck.gain * limit_m,
            luck.flattened * limit_m,
            bent_m(surface, places, at),
            between_m(surface, places, at),
            past_ends_m(surface, places, at),
            past_sides_m(surface, places, at),
        ),
        luck_m=max(luck.gain, 0.0) * limit_m,
        as_read_m=top * limit_m,
        share_within=math.nan,
        places=count,
        length_m=places.length_m,
        span_m=float(rest.span_m[at]),
        place_m=places.middle_m(at),
        bearing_rad=places.bearing_rad,
        rocks_m=rocks_m,
        rocks_place_m=laid[rocks].middle_m(rocks_at) if rocks_m > 0.0 else None,
        unjudged_m2=unjudged_m2(surface, laid if sampling.everywhere else None),
        may_exceed=may_exceed,
        pitch_m=pitch_m,
        unlaid=unlaid,
        unreached=unreached(surface, laid, limit.lengths_m) if sampling.everywhere else None,
    )
    return _Search(worst, luck, top, np.sort(np.concatenate(even)), every, gaps)


def _laid(
    surface: Surface, seen: Mask, limit: GapLimit, sampling: Sampling
) -> tuple[list[Places], list[Places], float | None]:
    """All places both ways and those of the sampling, with its pitch; everywhere without one."""
    if sampling.everywhere:
        return [], everywhere_for(surface, surface.grid, seen, limit, sampling), None
    outline = surface.floor.outline
    every = [one for m in limit.lengths_m for one in both_ways(surface.grid, seen, outline, m)]
    pitch_m = pitch_of(sampling, every, outline)
    if pitch_m is None:
        return every, [], None
    some = [chosen(one, on_grid(one, outline, pitch_m)) for one in every]
    return every, [one for one in some if one.line.size], pitch_m


def _on_whole_floor(surface: Surface, limit: GapLimit, pitch_m: float) -> int:
    """Straightedges of a grid if places that could hide a gap had been judged as well."""
    whole, outline = judged(surface) | hidden(surface), surface.floor.outline
    return sum(
        on_grid(one, outline, pitch_m).size
        for m in limit.lengths_m
        for one in both_ways(surface.grid, whole, outline, m)
    )


def _ranked(ratios: list[Array], may_exceed: int) -> tuple[int, int]:
    """The place with the largest ratio after those that may exceed: list and place in it."""
    joined = np.concatenate(ratios)
    at = int(np.argpartition(joined, -1 - may_exceed)[-1 - may_exceed])
    for which, one in enumerate(ratios):
        if at < one.size:
            return which, at
        at -= one.size
    raise AssertionError
