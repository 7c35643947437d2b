"""F-numbers held against what a contract asks: of the whole floor, and of each test section.

The overall number joins the sections by their areas. The local value is the least of the sections'
own: the floor conforms where each of them surely keeps it, and does not where one surely fails.
Lines laid elsewhere read other numbers, and smoothing takes short waves, by which a floor reads
better than it is. The value is that of all layings together, so that no luck of one is in it; what
is stated with it is an interval that holds each: where it lies on both sides of what is asked,
nothing is decided. Beyond ``MOST_TOLD`` no number is told: smoothing and noise make it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.decision import Rule, Verdict, decide_by_interval
from pourdatum.finding import MOSTLY, SINGLE, UNDECIDED, Flatness, LaidLine, WorstAt
from pourdatum.flatlines import APART_M, ELSEWHERE, section_lines, smoothed_again
from pourdatum.floorsections import FloorSection, sections_of
from pourdatum.fnumbers import FNumber, FNumbers, MostlyNoise, combine_f, f_numbers
from pourdatum.judgedfloor import unjudged_m2
from pourdatum.units import FOOT_M, System, show_area, show_height

if TYPE_CHECKING:
    from pourdatum.criteria import FLimit
    from pourdatum.finding import Part
    from pourdatum.flatlines import FloorLine
    from pourdatum.joints import Joint
    from pourdatum.nibs import Nib
    from pourdatum.surface import Surface

MOST_TOLD: Final = 100.0
"""Number beyond which a scan tells no floor from a flatter one; a choice."""
_LARGE_FT2: Final = 1600.0
_ENOUGH: Final = 40
"""Readings from which the spread as read is sure to a fifth."""
_MOST_NAMED: Final = 12
_ONE: Final = (
    "the floor is one test section, so that its local value is its overall one: give joints as"
    " [[line]], or side_m under [test_sections] in the job, where it has more"
)
_MUST_JUDGE: Final = 0.8
"""Share of the area whose sections must be judged for all of them to conform; a choice."""


@dataclass(frozen=True, eq=False)
class _Section:
    """A test section with its lines, their numbers, and lines laid elsewhere over it."""

    where: FloorSection
    lines: list[FloorLine]
    numbers: FNumbers
    elsewhere: tuple[list[FloorLine], ...]
    flatter: tuple[list[FloorLine], list[FloorLine]]
    """The same lines on the floor smoothed once more, and twice."""


@dataclass(frozen=True)
class _Judged:
    """One number held against its limit; the value of a perfect floor is infinite."""

    verdict: Verdict
    said: str
    value: float | None = None
    uncertainty: float | None = None
    at_least: bool = False
    why: str = ""
    """Why it is undecided, in one sentence."""
    interval: tuple[float, float] | None = None

    @property
    def shown(self) -> float | None:
        """The value where it is finite."""
        return None if self.value is None else min(self.value, MOST_TOLD)


@dataclass(frozen=True)
class _Asked:
    """One number that a contract asks for: FF or FL, of the floor or of each section."""

    criterion: str
    part: Part
    kind: Part
    least: float
    source: str

    def told(
        self,
        said: str,
        judged: _Judged | None = None,
        readings: int = 0,
        worst: WorstAt | None = None,
        laid: Sequence[LaidLine] = (),
        missed_m2: float | None = None,
    ) -> Flatness:
        """What it came to; undecided where nothing was judged."""
        judged = judged or _Judged(UNDECIDED, "")
        interval = judged.interval
        if interval is not None and interval[1] > MOST_TOLD:
            interval = min(interval[0], MOST_TOLD), math.inf
        beyond = interval is not None and (judged.value or 0.0) > MOST_TOLD
        if interval is not None and beyond:  # What surely is, of a number that no scan tells.
            judged = replace(judged, value=interval[0])
        return Flatness(
            criterion=self.criterion,
            part=self.part,
            source=self.source,
            in_metres=False,
            limit=self.least,
            value=judged.shown,
            uncertainty=None if beyond else judged.uncertainty,
            verdict=judged.verdict,
            worst=worst,
            said=said,
            readings=readings or None,
            at_least=judged.at_least or beyond,
            why=judged.why if judged.verdict == UNDECIDED and judged.shown is not None else "",
            interval=None if beyond else interval,
            lines=tuple(laid),
            unjudged_m2=missed_m2,
        )


def f_findings(
    surface: Surface,
    criterion: str,
    limit: FLimit,
    rule: Rule,
    joints: Sequence[Joint] = (),
    level_known: bool = True,
    section_m: float | None = None,
    system: System = "metric",
) -> list[Flatness]:
    """FF and FL of a floor and, where the contract asks for it, the least of its sections.

    Parameters
    ----------
    surface : Surface
    criterion : str
        Word for word as asked.
    limit : FLimit
    rule : Rule
    joints : sequence of Joint
        Those that end a slab divide it into sections.
    level_known : bool
        Whether the scan has a vertical.
    section_m : float, optional
        About the side of a test section.
    system : "metric" or "imperial"
        In which areas are told.
    """
    every: tuple[tuple[Part, Part, float | None], ...] = (
        ("FF", "FF", limit.flatness),
        ("FL", "FL", limit.levelness),
        ("FF local", "FF", limit.local_flatness),
        ("FL local", "FL", limit.local_levelness),
    )
    asked = [
        _Asked(criterion, part, kind, least, limit.source)
        for part, kind, least in every
        if least is not None
    ]
    if surface.smoother is None:
        return [one.told(SINGLE) for one in asked]
    once_more = smoothed_again(surface)
    twice_more = smoothed_again(once_more)
    sections = []
    for where in sections_of(surface.floor.outline, joints, section_m):
        lines = section_lines(surface, where, joints)
        elsewhere = tuple(section_lines(surface, where, joints, moved) for moved in ELSEWHERE)
        numbers = f_numbers([one.line for one in lines], tilt_rad=surface.shared.tilt_rad)
        flatter = (
            section_lines(once_more, where, joints), section_lines(twice_more, where, joints),
        )  # fmt: skip
        sections.append(_Section(where, lines, numbers, elsewhere, flatter))
    out = []
    for one in asked:
        if one.kind == "FL" and not level_known:
            out.append(one.told("the scan has no vertical: levelness needs control shots"))
        elif one.part == one.kind:
            out.append(_overall(surface, sections, one, rule, system))
        else:
            out.append(_least_local(surface, sections, one, rule, system))
    return out


def _overall(
    surface: Surface, sections: list[_Section], asked: _Asked, rule: Rule, system: System
) -> Flatness:
    used = [one for one in sections if _of(one.numbers, asked.kind)[0] is not None]
    lines = [one.lines for one in used]
    areas_m2 = [one.where.area_m2 for one in used]
    number, readings = _of(_together(surface, lines, areas_m2), asked.kind)
    wanted = sum(map(least_readings, areas_m2 or [surface.floor.area_m2]))
    others = _laid_elsewhere(surface, used, asked.kind)
    lost = _flattened_by(surface, used, asked.kind)
    judged = _judged(number, readings, wanted, asked.least, rule, others, lost)
    judged = _with_nibs(judged, surface, used, asked, system)
    missed_m2 = unjudged_m2(surface) + surface.inferred_m2
    if judged.verdict == "conforms" and missed_m2 > (1.0 - MOSTLY) * surface.floor.area_m2:
        why = f"{show_area(missed_m2, system)} of the floor could not be judged"
        judged = replace(judged, verdict=UNDECIDED, why=why, said=f"{judged.said}; {why}")
    joined = [line for own in lines for line in own]
    laid = [_laid_line(line, one.where.number) for one in used for line in one.lines]
    told = [f"{len(joined)} lines, {readings} readings"] if number is not None else []
    told.append(judged.said)
    if len(sections) > 1:
        told.append(f"{len(used)} test sections of {len(sections)}, joined by their areas")
    worst = _worst_line(joined, asked.kind) if isinstance(number, FNumber) else None
    said = "; ".join(one for one in told if one)
    brief = f"{len(joined)} lines, {readings} readings" if number is not None else judged.said
    found = asked.told(said, judged, readings, worst, laid, missed_m2)
    return replace(found, brief=brief)


def _laid_line(one: FloorLine, section: int) -> LaidLine:
    x, y = one.place_m[0]
    return LaidLine(
        start_m=(float(x), float(y)),
        bearing_rad=one.bearing_rad,
        length_m=math.dist(one.place_m[0], one.place_m[-1]),
        levels=len(one.place_m),
        section=section,
    )


def _with_nibs(
    judged: _Judged, surface: Surface, used: list[_Section], asked: _Asked, system: System
) -> _Judged:
    """A number that is kept, held against lines that meet the nibs which stand beside them."""
    if judged.verdict != "conforms" or not surface.nibs:
        return judged
    lines = [[_over_nibs(line, surface.nibs) for line in one.lines] for one in used]
    areas_m2 = [one.where.area_m2 for one in used]
    number, _ = _of(_together(surface, lines, areas_m2), asked.kind)
    if number is None:
        return judged
    value = number.value if isinstance(number, FNumber) else number.as_read
    if value >= asked.least:
        return judged
    count = len(surface.nibs)
    spots = "a nib stands" if count == 1 else f"{count} nibs stand"
    high = show_height(max(nib.height_m for nib in surface.nibs), system)
    why = f"{spots} on it, up to {high}, and lines that meet them read {value:.1f}: chip them off"
    return replace(judged, verdict=UNDECIDED, why=why, said=f"{judged.said}; {why}")


def _over_nibs(one: FloorLine, nibs: Sequence[Nib]) -> FloorLine:
    """A line laid so that it meets the nibs near it: each under the level next to it."""
    height = np.array(one.line.height_m)
    for nib in nibs:
        away = np.hypot(*(one.place_m - np.asarray(nib.place_m)).T)
        at = int(away.argmin())
        if away[at] <= 0.5 * APART_M:
            height[at] += nib.height_m
    return replace(one, line=replace(one.line, height_m=height))


def _least_local(
    surface: Surface, sections: list[_Section], asked: _Asked, rule: Rule, system: System
) -> Flatness:
    """The section with the least number decides, and any that surely fails."""
    judged = []
    for one in sections:
        number, readings = _of(one.numbers, asked.kind)
        wanted = least_readings(one.where.area_m2)
        others = _laid_elsewhere(surface, [one], asked.kind)
        lost = _flattened_by(surface, [one], asked.kind)
        own = _judged(number, readings, wanted, asked.least, rule, others, lost)
        judged.append((one, _with_nibs(own, surface, [one], asked, system)))
    known = [(one, found) for one, found in judged if found.value is not None]
    area_m2 = sum(one.where.area_m2 for one in sections)
    if len(sections) == 1:
        told = [judged[0][1].said, _ONE]
    else:
        told = [_each_in_words(judged)]
    if not known:
        told += ["no section could be judged"] if len(sections) > 1 else []
        return asked.told("; ".join(told))
    fails = [pair for pair in known if pair[1].verdict == "does not conform"]
    open_m2 = sum(one.where.area_m2 for one, found in judged if found.value is None)
    verdict: Verdict = UNDECIDED
    if fails:
        verdict = "does not conform"
    elif all(found.verdict == "conforms" for _, found in known):
        verdict = "conforms" if open_m2 <= (1.0 - _MUST_JUDGE) * area_m2 else UNDECIDED
    if open_m2 > 0.0:
        told.append(f"sections of {show_area(open_m2, system)} together could not be judged")
    one, found = min(fails or known, key=lambda pair: pair[1].value or math.inf)
    worst = None
    if len(sections) > 1:
        told.append(f"the least is that of section {one.where.number}: {found.said}")
        if found.shown is not None:
            worst = WorstAt(one.where.middle_m, None, found.shown)
    readings = _of(one.numbers, asked.kind)[1]
    return asked.told("; ".join(told), replace(found, verdict=verdict), readings, worst)


def _each_in_words(judged: list[tuple[_Section, _Judged]]) -> str:
    """The number of every section, the first few by name."""
    said = [
        f"{one.where.number}: {'not judged' if found.value is None else f'{found.value:.1f}'}"
        for one, found in judged[:_MOST_NAMED]
    ]
    more = len(judged) - len(said)
    rest = f" and {more} more" if more > 0 else ""
    return f"{len(judged)} test sections, from west to east ({', '.join(said)}{rest})"


def _judged(
    number: FNumber | MostlyNoise | None,
    readings: int,
    wanted: int,
    least: float,
    rule: Rule,
    others: Sequence[float],
    lost: float,
) -> _Judged:
    """One number held against the least that is asked, and those of lines laid elsewhere.

    ``lost`` is the factor, 1 or more, by which smoothing may have raised all of them.
    """
    if number is None:
        return _Judged(UNDECIDED, "no line of levels of 11 ft fits clear of what ends the slab")
    if isinstance(number, MostlyNoise):
        # The least of all layings: this one may have been lucky.
        surely = min((number.as_read, *others)) / lost
        if readings >= max(_ENOUGH, wanted) and surely >= least:
            # Noise makes a floor read rougher than it is, and here it makes up half or more.
            said = "as read with the noise of the scan left in, which only makes it less"
            return _Judged("conforms", said, surely, at_least=True)
        said = f"what was read is mostly noise of the scan ({100.0 * number.noise_share:.0f} %)"
        if number.noise_share > 1.0:
            said = "the noise of the scan alone would read more than was read"
        return _Judged(UNDECIDED, said)
    low, high = number.interval
    low /= lost
    said = f"95 % interval of these lines {low:.1f} to {high:.1f}"
    why = f"the 95 % interval of these lines is {low:.1f} to {high:.1f}"
    if others:
        low, high = min(low, *(one / lost for one in others)), max(high, *others)
    value = combine_f((number.value, *others), [1.0] * (1 + len(others)))
    verdict = _f_verdict(value, (low, high), least, rule)
    if verdict == UNDECIDED and rule.kind == "shared":
        why = "what was agreed is an uncertainty of lengths, and says nothing of F-numbers"
    if others:
        between = f"{min(others):.1f} to {max(others):.1f}"
        said += (
            f"; {len(others)} other layings of the lines give {between}, and the value is that of"
            " all together"
        )
        kept = [one >= least for one in (number.value, *others)]
        if verdict == UNDECIDED and rule.kind == "guarded":
            luck = any(kept) and not all(kept)
            why = f"other layings of the lines give {between}"
            why += (
                ": where they are laid would decide"
                if luck
                else f", all told {low:.1f} to {high:.1f}"
            )
            said += ", so that where they are laid would decide" if luck else ""
    if readings < wanted:
        said += f"; too few to judge by: {wanted} are asked for on this area (from memory)"
        why = f"{readings} readings are too few: {wanted} are asked for on this area (from memory)"
        verdict = UNDECIDED
    return _Judged(
        verdict,
        said,
        value,
        max(high - value, value - low) if math.isfinite(high) else None,
        why=why,
        interval=(low, high),
    )


def _of(numbers: FNumbers, part: Part) -> tuple[FNumber | MostlyNoise | None, int]:
    if part == "FF":
        return numbers.flatness, numbers.curvatures
    return numbers.levelness, numbers.falls


def _together(
    surface: Surface, lines: Sequence[list[FloorLine]], areas_m2: Sequence[float]
) -> FNumbers:
    """The numbers of sections together, from the lines and the area of each."""
    which = [k for k, own in enumerate(lines) for _ in own]
    joined = [one.line for own in lines for one in own]
    return f_numbers(joined, tilt_rad=surface.shared.tilt_rad, sections=(which, areas_m2))


def _laid_elsewhere(surface: Surface, used: list[_Section], part: Part) -> list[float]:
    """What other lines over the same floor give: the luck of a sample of lines."""
    found = []
    for k in range(len(ELSEWHERE)):
        laid = [(one.elsewhere[k], one.where.area_m2) for one in used if one.elsewhere[k]]
        lines, areas_m2 = [lines for lines, _ in laid], [area_m2 for _, area_m2 in laid]
        number, _ = _of(_together(surface, lines, areas_m2), part)
        if isinstance(number, MostlyNoise):
            found.append(number.as_read)
        elif number is not None and math.isfinite(number.value):
            found.append(number.value)
    return found


def _flattened_by(surface: Surface, used: list[_Section], part: Part) -> float:
    """By which factor, 1 or more, smoothing may have raised a number.

    What a floor loses the second time is about what it lost the first time (twicing; Tukey 1977,
    from memory), and somewhat less, for its shortest waves are gone by then. By how much less, the
    third time says: the factors are taken as a geometric series.
    """
    areas_m2 = [one.where.area_m2 for one in used]
    read, again, third = (
        _as_read(_of(_together(surface, lines, areas_m2), part)[0])
        for lines in (
            [one.lines for one in used],
            [one.flatter[0] for one in used],
            [one.flatter[1] for one in used],
        )
    )
    if not (read > 0.0 and math.isfinite(third) and math.isfinite(again)):
        return 1.0
    second = max(again / read, 1.0)
    return second * max(second / max(third / again, 1.0), 1.0)


def _as_read(number: FNumber | MostlyNoise | None) -> float:
    return math.inf if number is None else number.as_read


def least_readings(area_m2: float) -> int:
    """Readings that F-numbers of a test section need at the least.

    Twice the root of the area in square feet up to 1600 ft², a thirtieth of it beyond (ASTM E1155,
    clause 7, from memory).

    Examples
    --------
    >>> least_readings(900.0 * 0.3048**2), least_readings(6000.0 * 0.3048**2)
    (60, 200)
    """
    area_ft2 = area_m2 / FOOT_M**2
    needed = 2.0 * math.sqrt(area_ft2) if area_ft2 <= _LARGE_FT2 else area_ft2 / 30.0
    return math.ceil(needed - 1e-6)


def _f_verdict(value: float, interval: tuple[float, float], least: float, rule: Rule) -> Verdict:
    if rule.kind == "guarded":
        return decide_by_interval(interval, lower=least)
    if rule.kind == "shared":
        # What was agreed is an uncertainty of lengths: it says nothing of F-numbers.
        return UNDECIDED
    return "conforms" if value >= least else "does not conform"


def _worst_line(lines: Sequence[FloorLine], part: Part) -> WorstAt | None:
    """The line with the least number of its own, where its readings are not mostly noise."""
    found = []
    for one in lines:
        number, _ = _of(f_numbers([one.line]), part)
        if isinstance(number, FNumber) and math.isfinite(number.value):
            x, y = one.place_m.mean(axis=0)
            found.append(WorstAt((float(x), float(y)), one.bearing_rad, number.value))
    return min(found, key=lambda at: at.value, default=None)
