"""A criterion of straightedges held against a floor: its value, verdict and reasons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.decision import Rule, decide
from pourdatum.finding import MOSTLY, SINGLE, UNDECIDED, Flatness, Part, WorstAt
from pourdatum.gapwords import (
    brief_of,
    edge_in_words,
    laid_in_words,
    sampled_in_words,
    spot_in_words,
)
from pourdatum.uncertainty import COVER_95
from pourdatum.units import System, show_area, show_fine, show_length
from pourdatum.worstgap import DRAWS, WorstGap, worst_gap

if TYPE_CHECKING:
    from pourdatum.criteria import GapLimit
    from pourdatum.judgedfloor import Unreached
    from pourdatum.sampling import Sampling
    from pourdatum.surface import Surface

_HIDES: Final = 0.05
"""Share of the floor from which places that could hide a gap leave a criterion open. One fault
anywhere lies in them with that chance, and one in twenty is what the guard band accepts."""


def gap_finding(
    surface: Surface,
    criterion: str,
    limit: GapLimit,
    rule: Rule,
    sampling: Sampling,
    system: System,
    part: Part = "",
) -> Flatness:
    """What straightedges of a criterion say of a floor.

    Parameters
    ----------
    surface : Surface
    criterion : str
        As a user wrote it.
    limit : GapLimit
    rule : Rule
    sampling : Sampling
    system : "metric" or "imperial"
    part : str
        Which of the criterion's numbers; empty where it has one.
    """
    source = f"{limit.source}; {laid_in_words(sampling, system)}"
    # The limit of a straightedge is one; that of a table hangs on the contacts.
    stated = limit.limit_m[0] if len(limit.limit_m) == 1 else None
    if surface.smoother is None:
        return Flatness(criterion, part, source, limit=stated, said=SINGLE)
    worst = worst_gap(surface, limit, DRAWS, sampling)
    if worst is None:
        shortest = min(limit.lengths_m)
        edge = edge_in_words(shortest, system)
        said = f"no straightedge of {edge} fits on floor that was seen"
        wanted = sampling.least(surface.floor.area_m2)
        if wanted is not None:
            said = f"fewer than {wanted} straightedges of {edge} fit on floor that was seen"
        return Flatness(criterion, part, source, limit=stated, said=said)
    decided = decide(worst.value_m, worst.error_m, upper=worst.limit_m, rule=rule)
    edge = edge_in_words(worst.length_m, system)
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
        sampled, caveat = sampled_in_words(surface, limit, rule, worst, system)
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
        if not why and sampling.share == 1.0 and worst.unreached is not None:
            caveat = (
                f"where it was judged (not {_places(worst.unreached, surface, system)}: lay a"
                " straightedge there)"
            )
            told.append(caveat)
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
        brief=brief_of(worst, system),
    )


def _what_was_not_judged(
    surface: Surface, worst: WorstGap, sampling: Sampling, system: System
) -> str:
    """Why floor that could not be judged leaves a criterion open that the rest keeps; or ""."""
    area_m2 = max(surface.floor.area_m2, 1e-9)
    share = min((worst.unjudged_m2 + surface.inferred_m2) / area_m2, 1.0)
    if share > 1.0 - MOSTLY:
        return f"{100.0 * share:.0f} % of the floor could not be judged"
    if worst.unlaid and worst.share_within * worst.places < sampling.share * (
        worst.places + worst.unlaid
    ):
        many = "one" if worst.unlaid == 1 else f"{worst.unlaid}"
        return (
            f"{many} of the grid's {worst.places + worst.unlaid} straightedges would lie on floor"
            " that was not seen well enough: scan that from another set-up, or lay them there"
        )
    if sampling.everywhere and worst.share_within * (1.0 - share) < sampling.share < 1.0:
        return (
            f"if the {show_area(share * area_m2, system)} that were not judged miss the limit,"
            f" fewer than {100.0 * sampling.share:.4g} % keep it"
        )
    hides = worst.unreached
    if sampling.share == 1.0 and hides is not None and hides.area_m2 > _HIDES * area_m2:
        return (
            f"what was judged keeps it, but {_places(hides, surface, system)} were not seen well"
            " enough to lay a straightedge on, and could hide more: clear that and scan it from"
            " another set-up, or lay one there"
        )
    return ""


def _places(hidden: Unreached, surface: Surface, system: System) -> str:
    """Places that nothing was laid on, as people read them."""
    at = spot_in_words(hidden.place_m, surface.origin_m, system)
    area = show_area(hidden.largest_m2, system)
    if hidden.places == 1:
        return f"{area} about {at}"
    return (
        f"{show_area(hidden.area_m2, system)} in {hidden.places} places, the largest {area} about"
        f" {at}"
    )
