"""Deep pockets filled before the pour, in one lift or as many as they need.

Each lift stops so far below the top of the one over it that wherever one of the two would be too
deep alone both are within their ranges: its greatest depth less the least depth of what lies
under it. A pocket's litres up to each of these levels are exact, so the lifts add up to the fill of
one. Towards its rim each lift runs out to nothing: within a hand's reach that is drawn out or cut;
over more it would be too thin, and the way does not work.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pourdatum.lifts import Lift, Terms, lift_of, wet_kg_per_m2
from pourdatum.material import Sheet, small_patches_m2
from pourdatum.pockets import RIM_M, Pocket, Pockets, find_pockets, find_stopped
from pourdatum.units import show_area, show_limit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pourdatum.fillreads import FillReads
    from pourdatum.surface import Surface

MOST_LIFTS: Final = 6
"""Lifts that are compared at most, the pour among them; more are the work of a screed. A choice."""
_PART: Final = 0.5
"""Share of a floor up to which what is too deep for two lifts is a pocket. A choice."""
NUMBERS: Final = ("no", "one", "two", "three", "four", "five", "six")
"""Lifts in words."""


@dataclass(frozen=True)
class Filling:
    """What is filled before the pour, and what that leaves for it.

    Attributes
    ----------
    lifts : tuple of Lift
        In their order, the deepest first.
    pockets : tuple of Pocket
        Each with all of its lifts together.
    volume_m3 : float
        Of all lifts.
    over_m : float
        Deepest place of the pour, over the pockets and beside them [m].
    stays_m2 : float
        Too deep, in specks that are no pocket [m²].
    mass_kg_per_m2 : float
        Wet, of all lifts and the pour at the deepest place.
    against : tuple of str
        Why it does not work; empty where it does.
    stop_ends_m : float
        Behind which lifts end that would else run out thinner than their least depth [m].
    """

    lifts: tuple[Lift, ...]
    pockets: tuple[Pocket, ...]
    volume_m3: float
    over_m: float
    stays_m2: float
    mass_kg_per_m2: float
    against: tuple[str, ...]
    stop_ends_m: float = 0.0


def left_over_m(sheet: Sheet, under: Sheet) -> float:
    """What a lift leaves for the one over it: both within range where one alone is not [m].

    Examples
    --------
    >>> thin = Sheet("thin", (2.0, 12.0), 1.7, 20.0, 4.0, 20.0)
    >>> deep = Sheet("deep", (8.0, 45.0), 1.8, 25.0, 5.0, 25.0)
    >>> [round(left_over_m(thin, under), 6) for under in (thin, deep)]
    [0.01, 0.004]
    """
    return max(sheet.greatest_m - under.least_m, sheet.least_m)


def tops_m(sheet: Sheet, under: Sheet) -> tuple[float, ...]:
    """How far below the datum each lift of a filling ends, the one under the pour first [m].

    Examples
    --------
    >>> thin = Sheet("thin", (2.0, 12.0), 1.7, 20.0, 4.0, 20.0)
    >>> [round(top, 6) for top in tops_m(thin, thin)]
    [0.01, 0.02, 0.03, 0.04, 0.05]
    """
    first, step = left_over_m(sheet, under), left_over_m(under, under)
    return tuple(first + k * step for k in range(MOST_LIFTS - 1))


def fill_first(
    surface: Surface,
    depth_m: NDArray[np.float64],
    read: FillReads,
    rise_m: float,
    sheet: Sheet,
    under: Sheet,
    terms: Terms,
) -> Filling:
    """Fill what is too deep for the pour in as few lifts of a material as reach its bottom.

    Parameters
    ----------
    surface : Surface
    depth_m : (ny, nx) array
        Depth under the datum at its cells [m].
    read : FillReads
        The floor's fill over the datum asked for.
    rise_m : float
        Of the datum against that one [m].
    sheet, under : Sheet
        Of the pour, and of what fills the pockets.
    terms : Terms
    """
    small_m2 = small_patches_m2(read.curve.outline_m2)
    tops = tops_m(sheet, under)
    deepest_m = rise_m - read.curve.low_m
    count = _how_many(read, rise_m, tops, under, deepest_m, small_m2)
    ends = (0.0, *tops[: max(count, 1)])
    # Too deep for a lift and all over it: the pour, then the pour and one, and so on.
    limits = (sheet.greatest_m, *(top + under.greatest_m for top in ends[1:]))
    levels = [
        _level(surface, depth_m, read, rise_m, end, limit, under, small_m2)
        for end, limit in zip(ends[1:], limits, strict=False)
    ]
    lifts = tuple(reversed(_lifts(levels, ends[1:], deepest_m, under, terms)))
    thick_m = (*(b - a for a, b in pairwise(ends[1:])), deepest_m - ends[-1])
    mass = wet_kg_per_m2(sheet, ends[1]) + math.fsum(wet_kg_per_m2(under, t) for t in thick_m)
    return Filling(
        lifts=lifts,
        pockets=levels[0].each,
        volume_m3=_volume_m3(levels[0]),
        over_m=max(levels[0].elsewhere_m, ends[1]),
        stays_m2=math.fsum(level.stays_m2 for level in levels),
        mass_kg_per_m2=mass,
        against=(
            *_too_thin(levels, under, small_m2, terms),
            *_too_deep(read, rise_m, sheet, under, tops, count, terms),
            *_between(read, rise_m, ends, limits, under, sheet, small_m2, terms),
        ),
        stop_ends_m=math.fsum(level.stop_ends_m for level in levels),
    )


def _level(
    surface: Surface, depth_m: NDArray[np.float64], read: FillReads, rise_m: float, end_m: float,
    limit_m: float, under: Sheet, small_m2: float,
) -> Pockets:  # fmt: skip
    """What one lift of a filling fills, with all below it; behind stop-ends if its rim is wide."""
    found = find_pockets(
        surface,
        depth_m,
        greatest_m=limit_m,
        left_m=end_m,
        whole=read.at(rise_m - end_m)[:2],
        filling_least_m=under.least_m,
    )
    stop_m = end_m + under.least_m
    if found.feather_m2 <= small_m2 or stop_m > limit_m:
        return found
    below = read.at(rise_m - stop_m)
    return find_stopped(
        surface,
        depth_m,
        greatest_m=limit_m,
        left_m=end_m,
        whole=(below.fill_m3 + under.least_m * below.below_m2, below.below_m2),
        filling_least_m=under.least_m,
    )


def _how_many(
    read: FillReads, rise_m: float, tops: tuple[float, ...], under: Sheet, deepest_m: float,
    small_m2: float,
) -> int:  # fmt: skip
    """Lifts of a filling that reach its bottom but for small patches; 0 where none do."""
    for count, top in enumerate(tops, 1):
        reach_m = top + under.greatest_m
        if reach_m >= deepest_m:
            return count
        left_m2 = read.at(rise_m - reach_m).below_m2
        if left_m2 <= small_m2:
            return count
        if left_m2 > _PART * read.curve.outline_m2:
            return 0
    return 0


def _lifts(
    levels: list[Pockets], ends: tuple[float, ...], deepest_m: float, under: Sheet, terms: Terms
) -> list[Lift]:
    """Lifts of a filling, the last of them first."""
    found = []
    for k, level in enumerate(levels):
        volume_m3, thick_m = _volume_m3(level), deepest_m - ends[k]
        if k + 1 < len(levels):
            volume_m3 -= _volume_m3(levels[k + 1])
            thick_m = max(levels[k + 1].elsewhere_m, ends[k + 1]) - ends[k]
        area_m2 = math.fsum(pocket.area_m2 for pocket in level.each)
        found.append(lift_of(under, volume_m3, area_m2, thick_m, terms, ends[k]))
    return found


def _volume_m3(level: Pockets) -> float:
    return math.fsum(pocket.volume_m3 for pocket in level.each)


def _too_thin(
    levels: list[Pockets], under: Sheet, small_m2: float, terms: Terms
) -> tuple[str, ...]:
    """The widest rim of a lift that is thinner than can be drawn out or cut."""
    thin_m2 = max(level.feather_m2 for level in levels)
    if thin_m2 <= small_m2:
        return ()
    which = "the first lift" if len(levels) == 1 else "a lift of the filling"
    said = (
        f"{show_area(thin_m2, terms.system)} of {which} would be thinner than the"
        f" {show_limit(under.least_m, terms.system)} that {under.name} needs, further than"
        f" {show_limit(RIM_M, terms.system)} from its rim"
    )
    return (said,)


def _too_deep(
    read: FillReads, rise_m: float, sheet: Sheet, under: Sheet, tops: tuple[float, ...],
    count: int, terms: Terms,
) -> tuple[str, ...]:  # fmt: skip
    """What no number of lifts that is compared fills."""
    if count:
        return ()
    system = terms.system
    two_m, most_m = (top + under.greatest_m for top in (tops[0], tops[-1]))
    over_m2 = read.at(rise_m - two_m).below_m2
    if over_m2 > _PART * read.curve.outline_m2:
        said = (
            f"{show_area(over_m2, system)} lie deeper than the {show_limit(two_m, system)} that"
            f" {lifts_of(1, under, sheet)} fill together: most of the floor, and no pocket"
        )
    else:
        said = (
            f"{show_area(read.at(rise_m - most_m).below_m2, system)} lie deeper than the"
            f" {show_limit(most_m, system)} that {lifts_of(len(tops), under, sheet)} fill together"
        )
    return (said,)


def lifts_of(count: int, under: Sheet, sheet: Sheet) -> str:
    """So many lifts and the pour over them, in words; of one material they are counted together.

    Examples
    --------
    >>> thin = Sheet("thin", (2.0, 12.0), 1.7, 20.0, 4.0, 20.0)
    >>> deep = Sheet("deep", (8.0, 45.0), 1.8, 25.0, 5.0, 25.0)
    >>> lifts_of(5, deep, thin), lifts_of(5, thin, thin), lifts_of(1, deep, thin)
    ('five lifts of deep and one of thin', 'six lifts of thin', 'one lift of deep and one of thin')
    """
    if under.name == sheet.name:
        return f"{NUMBERS[count + 1]} lifts of {sheet.name}"
    each = "one lift" if count == 1 else f"{NUMBERS[count]} lifts"
    return f"{each} of {under.name} and one of {sheet.name}"


def _between(
    read: FillReads, rise_m: float, ends: tuple[float, ...], limits: tuple[float, ...],
    under: Sheet, sheet: Sheet, small_m2: float, terms: Terms,
) -> tuple[str, ...]:  # fmt: skip
    """Depths that are too much for so many lifts and not enough for one more."""
    said = []
    for number, (end, limit) in enumerate(zip(ends[1:], limits, strict=False), 1):
        thin_m = end + under.least_m
        if thin_m <= limit:
            continue
        area_m2 = read.at(rise_m - limit).below_m2 - read.at(rise_m - thin_m).below_m2
        if area_m2 > small_m2:
            lifts = f"one lift of {sheet.name}" if number == 1 else f"{NUMBERS[number]} lifts"
            said.append(
                f"{show_area(area_m2, terms.system)} are too deep for {lifts} and not deep enough"
                f" for {NUMBERS[number + 1]}: {show_limit(limit, terms.system)} to"
                f" {show_limit(thin_m, terms.system)}"
            )
    return tuple(said)
