"""Flatness of a floor by the criteria asked for, each with its source and a verdict.

A verdict is by a stated rule (``decision``). Floor that was not seen is not judged. What a scan
cannot say is undecided, with the reason; a criterion whose figures we do not have is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pourdatum.asfloor import as_floor, with_lines
from pourdatum.criteria import FLimit, GapLimit, MovementLimit, NotKnown, TileLimit, limit_of
from pourdatum.decision import Rule, decide
from pourdatum.finding import MOSTLY, NOT_KNOWN, SINGLE, UNDECIDED, Flatness, Part, WorstAt
from pourdatum.freemove import movement_findings
from pourdatum.numbered import f_findings
from pourdatum.sampling import Sampling, split_sampling
from pourdatum.uncertainty import COVER_95
from pourdatum.units import (
    FOOT_M,
    System,
    show_area,
    show_fine,
    show_height,
    show_length,
    show_limit,
)
from pourdatum.worstgap import DRAWS, WorstGap, worst_gap

if TYPE_CHECKING:
    from pourdatum.joints import Joint
    from pourdatum.narrow import NarrowLine
    from pourdatum.nibs import Nib
    from pourdatum.surface import Surface

EVERYWHERE_SAID: Final = "laid everywhere and in every direction"
_WOULD: Final = {
    "conforms": "would conform",
    "does not conform": "would not conform",
    "undecided": "would be undecided",
}


def check_flatness(
    surface: Surface,
    criteria: Sequence[str],
    rule: Rule | None = None,
    *,
    joints: Sequence[Joint] = (),
    level_known: bool = True,
    section_m: float | None = None,
    system: System = "metric",
) -> tuple[Flatness, ...]:
    """Hold a floor against criteria of flatness.

    Parameters
    ----------
    surface : Surface
    criteria : sequence of str
        As a user writes them, such as ``3mm/2m`` or ``3mm/2m@grid3m``.
    rule : Rule, optional
        Of the verdict; default guarded with 95 % on one side.
    joints : sequence of Joint
        Those that end a slab, from which lines of levels keep clear.
    level_known : bool
        Whether the scan has a vertical: levelness needs one.
    section_m : float, optional
        About the side of a test section of F-numbers; without it bays between joints are sections.
    system : "metric" or "imperial"
        In which what is said of a worst place is told.

    Returns
    -------
    tuple of Flatness
        In the order asked; two or more for a criterion of several numbers.

    Raises
    ------
    ValueError
        For a criterion with a sampling that cannot be read.
    """
    rule = rule or Rule()

    def check(judged: Surface) -> tuple[Flatness, ...]:
        return _check(judged, criteria, rule, joints, level_known, section_m, system)

    def on(judged: Surface) -> tuple[Flatness, ...]:
        found = check(judged)
        if judged.smoother is None:
            return found
        lines = judged.narrow.clear_of([joint.points_m for joint in joints], judged.grid)
        if lines.lines and any(one.verdict != "does not conform" for one in found):
            also = check(with_lines(replace(judged, narrow=lines)))
            found = tuple(
                _over_lines(one, other, judged, lines.lines, system)
                for one, other in zip(found, also, strict=True)
            )
        return tuple(_under_nibs(one, judged.nibs, system) for one in found)

    found = on(surface)
    if surface.smoother is None or not surface.stripes.may_be_floor:
        return found
    other = on(as_floor(surface))
    set_ups = len(surface.floor.scan.stations)
    return tuple(
        _either_way(one, ribs, set_ups, system) for one, ribs in zip(found, other, strict=True)
    )


def _check(
    surface: Surface,
    criteria: Sequence[str],
    rule: Rule,
    joints: Sequence[Joint],
    level_known: bool,
    section_m: float | None,
    system: System,
) -> tuple[Flatness, ...]:
    found: list[Flatness] = []
    for criterion in dict.fromkeys(criteria):
        name, sampling = split_sampling(criterion)
        match limit_of(name):
            case GapLimit() as limit:
                found.append(_gap(surface, criterion, limit, rule, sampling, system))
            case TileLimit(each):
                found += [
                    _gap(surface, criterion, limit, rule, sampling, system, part)
                    for part, limit in each
                ]
            case FLimit() as f_limit:
                found += f_findings(
                    surface, criterion, f_limit, rule, joints, level_known, section_m, system
                )
            case MovementLimit() as moves:
                found += movement_findings(surface, criterion, moves, rule, level_known, system)
            case NotKnown(why):
                found.append(Flatness(criterion, "", NOT_KNOWN, said=why))
    return tuple(found)


def _under_nibs(one: Flatness, nibs: Sequence[Nib], system: System) -> Flatness:
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


def _over_lines(
    one: Flatness, also: Flatness, surface: Surface, lines: Sequence[NarrowLine], system: System
) -> Flatness:
    """A criterion judged by heights that do not resolve a ridge or a groove, held against them."""
    interval, within = _reaching_to(one, also)
    turned = one.verdict == "conforms" and also.verdict != "conforms"
    if one.verdict == "does not conform" or not (turned or interval != one.interval):
        return one
    worst = max(lines, key=lambda line: abs(line.height_m))
    told = [_line_in_words(worst, surface.origin_m, system)]
    if len(lines) > 1:
        told.append(f"{len(lines) - 1} more such lines")
    value = ""
    if also.value is not None:
        value = show_fine(also.value, system) if one.in_metres else f"{also.value:.1f}"
        value = f" (with {'it' if len(lines) == 1 else 'them'} {value})"
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


def _reaching_to(one: Flatness, also: Flatness) -> tuple[tuple[float, float] | None, float | None]:
    """The interval of a gap from what heights show to what they may leave out; its longer side."""
    edge = one.worst is not None and one.worst.length_m > 0.0
    if not edge or one.value is None or one.uncertainty is None or also.value is None:
        return one.interval, one.uncertainty
    high = also.value + one.uncertainty
    if high <= one.value + one.uncertainty:
        return one.interval, one.uncertainty
    low = max(one.value - one.uncertainty, 0.0)
    return (low, high), max(high - one.value, one.uncertainty)


def _line_in_words(line: NarrowLine, origin_m: tuple[float, float, float], system: System) -> str:
    """A ridge or groove with its place, as people read it."""
    x, y = (
        show_length(at + own, system).split()[0]
        for at, own in zip(line.place_m, origin_m, strict=False)
    )
    kind, way = ("ridge", "high") if line.height_m > 0.0 else ("groove", "deep")
    return (
        f"a {kind} about {show_height(abs(line.height_m), system)} {way} and"
        f" {show_length(line.length_m, system)} long at ({x}, {y})"
    )


def _either_way(one: Flatness, ribs: Flatness, set_ups: int, system: System) -> Flatness:
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
            f" and {_WOULD[ribs.verdict].removeprefix('would ')}"
        )
    said += ": a second pass in another direction"
    said += "" if set_ups > 1 else ", set-ups in a file each"
    said += ", or a straightedge across them, decides"
    told = "; ".join(part for part in (one.said, said) if part)
    return replace(one, verdict=UNDECIDED, said=told, why=said)


def rule_in_words(rule: Rule | None = None, system: System = "metric") -> str:
    """The rule of decision as a sentence.

    Examples
    --------
    >>> rule_in_words(Rule("simple"))
    'Rule of decision: simple acceptance; the value decides, whatever its uncertainty.'
    """
    rule = rule or Rule()
    said = "Rule of decision: "
    if rule.kind == "simple":
        return said + "simple acceptance; the value decides, whatever its uncertainty."
    if rule.kind == "shared":
        return said + (
            f"shared risk; the value decides if its standard uncertainty is at most "
            f"{show_limit(rule.most_uncertainty, system)}."
        )
    return said + (
        f"guarded; a floor conforms where the value keeps the limit by {rule.guard:.2f} standard "
        "uncertainties or more, does not conform where it misses it by as much, and is undecided "
        "between (JCGM 106:2012 and ISO 14253-1:2017, the latter from memory)."
    )


def _gap(
    surface: Surface,
    criterion: str,
    limit: GapLimit,
    rule: Rule,
    sampling: Sampling,
    system: System,
    part: Part = "",
) -> Flatness:
    source = f"{limit.source}; {_laid_in_words(sampling, system)}"
    # The limit of a straightedge is one; that of a table hangs on the contacts.
    stated = limit.limit_m[0] if len(limit.limit_m) == 1 else None
    if surface.smoother is None:
        return Flatness(criterion, part, source, limit=stated, said=SINGLE)
    worst = worst_gap(surface, limit, DRAWS, sampling)
    if worst is None:
        shortest = min(limit.lengths_m)
        edge = _edge_in_words(shortest, system)
        said = f"no straightedge of {edge} fits on floor that was seen"
        wanted = sampling.least(surface.floor.area_m2)
        if wanted is not None:
            said = f"fewer than {wanted} straightedges of {edge} fit on floor that was seen"
        return Flatness(criterion, part, source, limit=stated, said=said)
    decided = decide(worst.value_m, worst.error_m, upper=worst.limit_m, rule=rule)
    edge = _edge_in_words(worst.length_m, system)
    apart = show_length(worst.span_m, system)
    told = [f"straightedge of {edge}, contacts {apart} apart, {worst.places} places"]
    if sampling.share < 1.0 and not worst.may_exceed:
        told.append(f"of so few, {100.0 * sampling.share:.4g} % leave none that may exceed")
    if worst.may_exceed:
        told.append(
            f"{worst.may_exceed} of them may exceed the limit, and the value is the largest gap of "
            "the others"
        )
    caveat = ""
    if worst.pitch_m is not None:
        sampled, caveat = _sampled_in_words(surface, limit, rule, worst, system)
        told += sampled
    if worst.rocks_m > worst.limit_m and worst.rocks_place_m is not None:
        told.append(
            "it also rocks on humps, by which no gap is counted: held even, its ends stand off "
            f"{show_fine(worst.rocks_m, system)} at the most"
        )
    verdict, why = decided.verdict, ""
    if verdict == "conforms":
        why = _what_was_not_judged(surface, worst, sampling, system)
        verdict = UNDECIDED if why else verdict
    if why:
        told.append(why)
    elif verdict == UNDECIDED:
        why = (
            f"this scan knows it to {show_fine(COVER_95 * worst.error_m, system)} only: lay a "
            "straightedge at the worst place, or scan again from closer"
        )
        told.append(why)
    return Flatness(
        criterion=criterion,
        part=part,
        source=source,
        limit=worst.limit_m,
        value=worst.value_m,
        uncertainty=COVER_95 * worst.error_m,
        share_within=worst.share_within,
        verdict=verdict,
        worst=WorstAt(worst.place_m, worst.bearing_rad, worst.value_m, worst.length_m),
        said="; ".join(told),
        readings=worst.places,
        why=why,
        unjudged_m2=worst.unjudged_m2 + surface.inferred_m2,
        caveat=caveat,
        brief=_brief(worst, system),
    )


def _what_was_not_judged(
    surface: Surface, worst: WorstGap, sampling: Sampling, system: System
) -> str:
    """Why floor that could not be judged leaves a criterion open that the rest keeps; or ""."""
    area_m2 = max(surface.floor.area_m2, 1e-9)
    share = min((worst.unjudged_m2 + surface.inferred_m2) / area_m2, 1.0)
    if share > 1.0 - MOSTLY:
        return f"{100.0 * share:.0f} % of the floor could not be judged"
    seen = min(worst.unjudged_m2 / max(surface.measured_m2, 1e-9), 1.0)
    if sampling.share < 1.0 and worst.share_within * (1.0 - seen) < sampling.share:
        return (
            f"if the {show_area(worst.unjudged_m2, system)} that were seen too poorly to be judged"
            f" miss the limit, fewer than {100.0 * sampling.share:.4g} % keep it"
        )
    return ""


def _laid_in_words(sampling: Sampling, system: System) -> str:
    """Where straightedges are laid, and how many must keep, as the contract says."""
    if sampling.everywhere:
        said = EVERYWHERE_SAID
    elif sampling.grid_m is not None:
        said = f"laid both ways at the nodes of a grid of {_edge_in_words(sampling.grid_m, system)}"
    elif sampling.readings is not None:
        said = f"laid both ways at the nodes of a grid that gives {sampling.readings} readings"
    else:
        assert sampling.per_m2 is not None
        said = (
            "laid both ways at the nodes of a grid that gives "
            f"{100.0 * sampling.per_m2:.10g} readings to 100 m²"
        )
    if sampling.share < 1.0:
        return f"{said}, and {100.0 * sampling.share:.4g} % of them must keep the limit"
    return f"{said}, and none may exceed the limit"


def _edge_in_words(length_m: float, system: System) -> str:
    """A length as it was asked for, without zeros that nobody stated.

    Examples
    --------
    >>> _edge_in_words(3.048, "imperial"), _edge_in_words(2.0, "metric")
    ('10 ft', '2 m')
    """
    if system == "imperial":
        return f"{length_m / FOOT_M:.4g} ft"
    return f"{length_m:.4g} m"


def _sampled_in_words(
    surface: Surface, limit: GapLimit, rule: Rule, worst: WorstGap, system: System
) -> tuple[list[str], str]:
    """What a sampling leaves to luck and what laying everywhere would say; the same in short."""
    assert worst.pitch_m is not None
    assert worst.keeps is not None
    pitch = show_length(worst.pitch_m, system)
    said = [
        f"the grid of {pitch} lies even about the middle of the floor, along its main directions",
        f"of all ways to lay it, {100.0 * worst.keeps:.0f} % would find the limit kept",
    ]
    caveat = f"on this laying of the grid; {100.0 * worst.keeps:.0f} % of all keep the limit"
    every = worst_gap(surface, limit)
    if every is not None:
        verdict = decide(every.value_m, every.error_m, upper=every.limit_m, rule=rule).verdict
        said.append(
            f"laid everywhere the worst gap is {show_fine(every.value_m, system)} ± "
            f"{show_fine(COVER_95 * every.error_m, system)}, by which the floor "
            f"{_WOULD[verdict]}"
        )
        value, within = (
            show_height(one, system) for one in (every.value_m, COVER_95 * every.error_m)
        )
        caveat += f", and laid everywhere the floor {_WOULD[verdict]}, {value} ± {within}"
    return said, caveat


def _brief(worst: WorstGap, system: System) -> str:
    """What a reader is to know of a criterion that is decided, in one sentence; may be empty."""
    if worst.may_exceed:
        return (
            f"{worst.may_exceed} of {worst.places} places may exceed, and the value is the largest"
            " gap of the others"
        )
    if worst.rocks_m > worst.limit_m:
        return (
            "where it rocks on a hump no gap counts: held even there, its ends stand off"
            f" {show_height(worst.rocks_m, system)} at the most"
        )
    return ""
