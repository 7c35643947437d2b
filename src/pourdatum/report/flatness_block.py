"""Flatness on the page and in the printed lines: every criterion, its verdict and its source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from pourdatum.decision import rule_in_words
from pourdatum.finding import NOT_KNOWN, UNDECIDED
from pourdatum.gapwords import EVERYWHERE_SAID
from pourdatum.report import words
from pourdatum.report.blocks import bullets, place, place_head, section, table
from pourdatum.report.markup import Html, el, tied
from pourdatum.units import show_area, show_fine, show_height

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.outcome import Survey

_PARTS: Final = {
    "": "", "FF": ", FF", "FL": ", FL", "FF local": ", least local FF",
    "FL local": ", least local FL", "E": ", E over 3 m", "F": ", F over 300 mm",
    "10 ft": ", 10 ft", "24 in": ", 24 in", "1 ft": ", 1 ft",
}  # fmt: skip
_FEW: Final = 100
"""Readings up to which they are counted, and no share is told."""
_SOME_M2: Final = 0.005
"""Area from which it is told [m²]."""
_LONG: Final = 1200
"""Characters of a source or a reason that are shown, at most."""


def flatness(survey: Survey) -> Html | None:
    """Every criterion asked for; None where none was."""
    if not survey.flatness:
        return None
    head = (
        "Criterion",
        "Verdict",
        "Limit",
        "Found",
        "Uncertainty",
        "Within",
        "Not judged",
        place_head(survey),
    )
    return section(
        "Flatness",
        table(head, [_row(survey, one) for one in survey.flatness], stacked=True),
        bullets(_told(survey.flatness)),
        el(
            "p",
            f"{rule_in_words(survey.rule, survey.system)} {_kinds(survey.flatness)}"
            f"{_judged(survey)}",
            cls="soft",
        ),
    )


def flatness_rows(survey: Survey) -> list[tuple[str, str]]:
    """One printed line for each criterion: name and text."""
    return [("flatness", _line(survey, one)) for one in survey.flatness]


def name_of(one: Flatness) -> str:
    """A criterion, and which of its numbers."""
    return f"{words.plain(one.criterion, 40)}{_PARTS[one.part]}"


def _shown(survey: Survey, one: Flatness, value: float | None) -> str:
    if value is None:
        return ""
    if not one.in_metres:
        return f"{value:.1f}"
    # A hundredth of an inch is too coarse for limits in sixteenths.
    return show_fine(value, "imperial") if imperial(survey) else show_height(value, "metric")


def _limit_shown(survey: Survey, one: Flatness) -> str:
    """A limit with all the decimals that it was stated with, such as 1.5875 mm or 0.0625 in."""
    value = one.limit
    if value is None or not one.in_metres:
        return _shown(survey, one, value)
    unit, unit_m = words.height_unit(survey.system)
    exact = f"{value / unit_m:.4f}"
    if abs(float(exact) - value / unit_m) < 1e-9 and not exact.endswith("000"):
        return f"{exact.rstrip('0')} {unit}"
    return _shown(survey, one, value)


def _found(survey: Survey, one: Flatness) -> str:
    shown = _shown(survey, one, one.value)
    return f"at least {shown}" if one.at_least else shown


def _sure(survey: Survey, one: Flatness) -> str:
    """How far a value may be out: to either side, or from where to where.

    What other layings give lies as far from a value on one side as it will.
    """
    if one.interval is None or not math.isfinite(one.interval[0]):
        said = _shown(survey, one, one.uncertainty)
        return f"± {said}" if said else ""
    low, high = (_shown(survey, one, end) for end in one.interval)
    if not math.isfinite(one.interval[1]):
        return f"{low} or more"
    # The unit stands once.
    return f"{low.removesuffix(' mm').removesuffix(' in')} to {high}"


def _of_lines(one: Flatness) -> bool:
    """Whether its interval reaches to a ridge or groove that the heights leave out."""
    return one.interval is not None and one.worst is not None and one.worst.length_m > 0.0


def _cell(survey: Survey, one: Flatness) -> str:
    """The same in the table, where each row says what kind it is of."""
    if one.at_least:
        return "a bound"
    said = _sure(survey, one)
    return f"{said} (95 %)" if said.startswith("±") else said


def _kinds(found: Sequence[Flatness]) -> str:
    """What the uncertainties in the table are, of the kinds that it has."""
    said = ""
    told = [one for one in found if one.value is not None]
    if any(not one.at_least and one.interval is None for one in told):
        said += (
            "± is 1.96 standard uncertainties, 95 % of normal errors; what was taken off as luck"
            " and what smoothing may have flattened counts in it in full. "
        )
    if any(_of_lines(one) for one in told):
        said += (
            "For a straightedge, from one value to another is from what the heights show to what a"
            " ridge or groove too narrow for them may add. "
        )
    if any(one.interval is not None and not _of_lines(one) for one in told):
        said += (
            "From one value to another is the 95 % interval of what was read, widened to what other"
            " layings of the lines or the grid give: no one share is claimed for it, and guarded, a"
            " floor conforms where all of it keeps the limit. "
        )
    if any(one.at_least for one in told):
        said += "A bound is a value that noise only makes less: it has no upper end. "
    return said


def imperial(survey: Survey) -> bool:
    """Whether people are shown inches."""
    return survey.system == "imperial"


def _within(one: Flatness) -> str:
    """Share within the limit, never rounded up to all of it; of few readings, how many.

    Examples
    --------
    >>> from pourdatum.finding import Flatness
    >>> _within(Flatness("3mm/2m", "", "", share_within=0.99996))
    '99.9 %'
    >>> _within(Flatness("3mm/2m@3readings", "", "", share_within=1 / 3, readings=3))
    '1 of 3'
    """
    if one.share_within is None:
        return ""
    if one.readings is not None and one.readings <= _FEW:
        return f"{round(one.share_within * one.readings)} of {one.readings}"
    return f"{math.floor(one.share_within * 1000 + 1e-9) / 10:g} %"


def _row(survey: Survey, one: Flatness) -> tuple[object, ...]:
    return (
        name_of(one),
        _verdict_cell(one),
        tied(_limit_shown(survey, one)),
        tied(_found(survey, one)),
        tied(_cell(survey, one)),
        tied(_within(one)),
        tied(_not_judged(survey, one)),
        "" if one.worst is None else [place(survey, one.worst.place_m), _along(one)],
    )


def _verdict_cell(one: Flatness) -> Html:
    """The verdict, with what is to be read with it."""
    name = "not known" if one.source == NOT_KNOWN else one.verdict
    said = [el("b", name)]
    if one.caveat:
        said.append(el("span", f" {words.plain(one.caveat, _LONG)}", cls="soft"))
    return el("span", said)


def _along(one: Flatness) -> str:
    """Which way the worst lies, clockwise from +y."""
    if one.worst is None or one.worst.bearing_rad is None:
        return ""
    return f", along {math.degrees(one.worst.bearing_rad) % 180:.0f}°"


def _not_judged(survey: Survey, one: Flatness) -> str:
    """Floor that a criterion was not held against, and its share of the whole."""
    area_m2 = one.unjudged_m2
    if area_m2 is None or area_m2 < _SOME_M2:
        return ""
    share = 100.0 * area_m2 / survey.figures.area_m2
    shown = "under 0.1 %" if share < 0.1 else f"{share:.1f} %"
    return f"{show_area(area_m2, survey.system)}, {shown}"


def _told(found: Sequence[Flatness]) -> list[list[object]]:
    """What a reader is to know of each, and where it is from, which several numbers share."""
    told: list[list[object]] = []
    sources: list[str] = []
    before: tuple[str, str] | None = None
    for one in found:
        if (one.criterion, one.source) != before:
            told.append([el("b", words.plain(one.criterion, 40)), ": "])
            known = "" if one.source == NOT_KNOWN else f"{words.plain(one.source, _LONG)}."
            sources.append(f"{known[:1].upper()}{known[1:]}")
        before = (one.criterion, one.source)
        name = _PARTS[one.part].removeprefix(", ")
        said = _sentence(one)
        if said and name:
            told[-1] += [el("b", name), ": "]
        if said:
            said = said if name else said[:1].upper() + said[1:]
            told[-1].append(f"{words.plain(said, _LONG)}. ")
    for own, source in zip(told, sources, strict=True):
        own.append(el("span", source, cls="soft"))
    return told


def _sentence(one: Flatness) -> str:
    """The one sentence that a reader needs; all there is stands in ``result.json``."""
    if one.why:
        return one.why
    # Without a value nothing but all that is said tells why.
    return one.said if one.brief is None or one.verdict == UNDECIDED else one.brief


def _judged(survey: Survey) -> str:
    said = ""
    if any(EVERYWHERE_SAID in one.source for one in survey.flatness):
        said = (
            f"Places are {words.whole(0.1, survey.system)} and 15° apart, stricter than the few "
            "that a contract as a rule agrees "
            "on. The value has the luck of the worst among many noisy places taken out."
        )
    if any(one.worst is not None for one in survey.flatness):
        said += " The worst lies along so many degrees clockwise from +y."
    if any(_not_judged(survey, one) for one in survey.flatness):
        said += (
            " Not judged is floor that was hidden, seen too poorly, not followed by the heights, or"
            " too short for a straightedge: shares are of what was laid on the rest."
        )
    hidden_m2 = survey.surface.inferred_m2
    if hidden_m2 > _SOME_M2:
        area = show_area(hidden_m2, survey.system)
        said += f" The {area} of inferred floor were not seen and are not judged."
    return said


def _line(survey: Survey, one: Flatness) -> str:
    name = name_of(one)
    if one.source == NOT_KNOWN:
        return f"{name}: not known; {words.plain(one.said, _LONG)}"
    if one.value is None:
        return f"{name}: {one.verdict}; {words.plain(one.said, _LONG)}"
    said = f"{name}: {one.verdict}, {_found(survey, one)}"
    if one.caveat:
        said = (
            f"{name}: {one.verdict} {words.plain(one.caveat, _LONG)}; found {_found(survey, one)}"
        )
    sure = _sure(survey, one)
    if sure.startswith("±"):
        said += f" {sure}"
    elif sure:
        said += f", {sure} {'with what was left out' if _of_lines(one) else 'with other layings'}"
    said += f" ({_limit_shown(survey, one)} asked"
    said += f", {_within(one)} within" if one.share_within is not None else ""
    missed = _not_judged(survey, one)
    said += f"; {missed} of the floor not judged)" if missed else ")"
    if one.worst is not None:
        at = words.site_place(one.worst.place_m, survey.origin_m, survey.system)
        said += f"; worst at ({at})"
    if one.why:
        said += f"; {words.plain(one.why, _LONG)}"
    return said
