"""What may turn a verdict though the heights keep or miss a limit: nibs, narrow lines, stripes.

Each leaves a criterion open where it would be judged otherwise, and says what would decide it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pourdatum.decision import Rule, decide
from pourdatum.finding import UNDECIDED, WOULD, Flatness
from pourdatum.gapwords import spot_in_words
from pourdatum.uncertainty import COVER_95
from pourdatum.units import System, show_fine, show_height, show_length

if TYPE_CHECKING:
    from pourdatum.narrow import Narrow, NarrowLater
    from pourdatum.nibs import Nib
    from pourdatum.shortwaves import ShortWaves
    from pourdatum.straight import Straight
    from pourdatum.surface import Surface


def under_nibs(one: Flatness, nibs: Sequence[Nib], system: System) -> Flatness:
    """A criterion kept by the floor without its nibs: while they stand on it nobody can say so."""
    if one.verdict != "conforms" or not one.in_metres or one.limit is None:
        return one
    high = [nib.height_m for nib in nibs if nib.height_m > one.limit]
    if not high:
        return one
    spots = "a nib stands" if len(high) == 1 else f"{len(high)} nibs stand"
    said = (
        f"{spots} up to {show_fine(max(high), system)} out of it, more than the limit, and the "
        "value is that of the floor beside: chip off what is listed, and it is kept"
    )
    told = "; ".join(part for part in (one.said, said) if part)
    return replace(one, verdict=UNDECIDED, said=told, why=said)


def over_lines(
    one: Flatness,
    also: Flatness,
    surface: Surface,
    narrow: Narrow | NarrowLater,
    rule: Rule,
    system: System,
) -> Flatness:
    """A criterion judged by heights that leave something out, held against them with it.

    Parameters
    ----------
    one, also : Flatness
        By the heights, and by the heights with what they leave out.
    surface : Surface
    narrow : Narrow
        What that is.
    rule : Rule
    system : "metric" or "imperial"
    """
    interval, within = _reaching_to(one, also, narrow.error_m)
    turned = one.verdict == "conforms" and not _keeps(also, narrow.error_m, rule)
    if one.verdict == "does not conform" or not (turned or interval != one.interval):
        return one
    told = []
    if narrow.lines:
        worst = max(narrow.lines, key=lambda line: abs(line.height_m))
        told.append(_line_in_words(worst, surface.origin_m, system))
    if len(narrow.lines) > 1:
        told.append(f"{len(narrow.lines) - 1} more such lines")
    if narrow.waves is not None:
        told.append(_waves_in_words(narrow.waves, system))
    value = ""
    if also.value is not None:
        value = show_fine(also.value, system) if one.in_metres else f"{also.value:.1f}"
        value = f" (with {'it' if len(told) == 1 else 'them'} {value})"
    said = (
        f"the value leaves out {' and '.join(told)}, too narrow for this scan's heights{value}: lay"
        " a straightedge across"
    )
    share = one.share_within
    if share is not None and also.share_within is not None:
        share = min(share, also.share_within)
    verdict = UNDECIDED if turned else one.verdict
    return replace(
        one,
        verdict=verdict,
        share_within=share,
        why=said if verdict == UNDECIDED else "",
        interval=interval,
        uncertainty=within,
        caveat=one.caveat.partition(", and laid everywhere")[0] if turned else one.caveat,
        said="; ".join(part for part in (one.said, said) if part),
        brief=said,
    )


def _keeps(also: Flatness, error_m: float, rule: Rule) -> bool:
    """Whether a limit is kept with what heights leave out in them, whose height is in doubt."""
    if also.verdict != "conforms" or not _is_gap(also) or also.limit is None:
        return also.verdict == "conforms"
    assert also.value is not None
    assert also.uncertainty is not None
    error = math.hypot(also.uncertainty / COVER_95, error_m)
    return decide(also.value, error, upper=also.limit, rule=rule).verdict == "conforms"


def _is_gap(one: Flatness) -> bool:
    """Whether it is that of a straightedge, with a value."""
    edge = one.worst is not None and one.worst.length_m > 0.0
    return edge and one.value is not None and one.uncertainty is not None


def _reaching_to(
    one: Flatness, also: Flatness, error_m: float
) -> tuple[tuple[float, float] | None, float | None]:
    """The interval of a gap from what heights show to what they may leave out; its longer side."""
    if not _is_gap(one) or also.value is None:
        return one.interval, one.uncertainty
    assert one.value is not None
    assert one.uncertainty is not None
    high = also.value + math.hypot(one.uncertainty, COVER_95 * error_m)
    if high <= one.value + one.uncertainty:
        return one.interval, one.uncertainty
    low = max(one.value - one.uncertainty, 0.0)
    return (low, high), max(high - one.value, one.uncertainty)


def _line_in_words(line: Straight, origin_m: tuple[float, float, float], system: System) -> str:
    """A ridge or groove with its place, as people read it."""
    at = spot_in_words(line.place_m, origin_m, system)
    kind, way = ("ridge", "high") if line.height_m > 0.0 else ("groove", "deep")
    return (
        f"a {kind} about {show_height(abs(line.height_m), system)} {way} and"
        f" {show_length(line.length_m, system)} long at {at}"
    )


def _waves_in_words(waves: ShortWaves, system: System) -> str:
    """A ripple as people read it."""
    return (
        f"a ripple about {show_height(2.0 * waves.amplitude_m, system)} from trough to crest, every"
        f" {show_length(waves.length_m, system)}"
    )


def either_way(one: Flatness, ribs: Flatness, set_ups: int, system: System) -> Flatness:
    """A criterion with stripes as the scan's error, held against the same with them as floor."""
    if one.verdict == ribs.verdict != UNDECIDED:
        return one
    said = (
        f"stripes, which {set_ups} set-ups see too little of in common to tell whether they are"
        " ribs of the floor"
        if set_ups > 1
        else "stripes, of which one pass cannot tell whether they are ribs of the floor"
    )
    if ribs.value is not None and ribs.uncertainty is not None:
        value, within = (
            show_fine(figure, system) if ribs.in_metres else f"{figure:.1f}"
            for figure in (ribs.value, ribs.uncertainty)
        )
        said += (
            f", count as error of the scan; were they the floor it would be {value} ± {within},"
            f" and {WOULD[ribs.verdict].removeprefix('would ')}"
        )
    said += ": a second pass in another direction"
    said += "" if set_ups > 1 else ", set-ups in a file each"
    said += ", or a straightedge across them, decides"
    told = "; ".join(part for part in (one.said, said) if part)
    return replace(one, verdict=UNDECIDED, said=told, why=said)
