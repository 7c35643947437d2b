"""Flatness of a floor by the criteria asked for, each with its source and a verdict.

A verdict is by a stated rule (``decision``). Floor that was not seen is not judged. What a scan
cannot say is undecided, with the reason; a criterion whose figures we do not have is not known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from pourdatum.criteria import FLimit, GapLimit, MovementLimit, NotKnown, limit_of
from pourdatum.decision import Rule, Verdict, decide, decide_by_interval
from pourdatum.flatlines import floor_lines
from pourdatum.fnumbers import FNumber, MostlyNoise, f_numbers
from pourdatum.freemove import Movement, movements
from pourdatum.uncertainty import COVER_95
from pourdatum.units import FOOT_M, MM
from pourdatum.worstgap import worst_gap

if TYPE_CHECKING:
    from pourdatum.flatlines import FloorLine
    from pourdatum.joints import Joint
    from pourdatum.surface import Surface

Part = Literal["", "FF", "FL", "E", "F"]
_LARGE_FT2: Final = 1600.0
UNDECIDED: Final[Verdict] = "undecided"
NOT_KNOWN: Final = "not known"
"""Source of a criterion whose figures we do not have."""
_POOR_SHARE: Final = 0.01
_ENOUGH: Final = 40
"""Readings from which the spread as read is sure to a fifth."""
_SINGLE: Final = (
    "levels were shot singly: the floor between them was not seen; lay the straightedge on the "
    "floor itself, or scan it"
)


@dataclass(frozen=True)
class WorstAt:
    """Where a criterion is missed the most: local plan [m], clockwise from +y, value as stated."""

    place_m: tuple[float, float]
    bearing_rad: float | None
    value: float
    length_m: float = 0.0
    """Of the straightedge, where there is one."""


@dataclass(frozen=True)
class Flatness:
    """One criterion, or one of its numbers.

    Attributes
    ----------
    criterion : str
        Word for word as asked. Foreign text: escape it wherever it is shown.
    part : str
        Which of its numbers: "FF", "FL", "E" or "F"; empty where it has one.
    source : str
        Standard, edition and rule in words, and what of it is from memory.
    in_metres : bool
        Whether limit, value and uncertainty are lengths [m]; else they are F-numbers.
    limit, value, uncertainty : float or None
        ``uncertainty`` is the half-width of the 95 % interval.
    share_within : float or None
        Of all places in which it was measured, those within the limit.
    verdict : str
    worst : WorstAt or None
    said : str
        Why it is undecided, or what is to be known of the worst place; may be empty.
    """

    criterion: str
    part: Part
    source: str
    in_metres: bool = True
    limit: float | None = None
    value: float | None = None
    uncertainty: float | None = None
    share_within: float | None = None
    verdict: Verdict = UNDECIDED
    worst: WorstAt | None = None
    said: str = ""


def check_flatness(
    surface: Surface,
    criteria: Sequence[str],
    rule: Rule | None = None,
    *,
    joints: Sequence[Joint] = (),
    level_known: bool = True,
) -> tuple[Flatness, ...]:
    """Hold a floor against criteria of flatness.

    Parameters
    ----------
    surface : Surface
    criteria : sequence of str
        As a user writes them, such as ``3mm/2m``.
    rule : Rule, optional
        Of the verdict; default guarded with 95 % on one side.
    joints : sequence of Joint
        Those that end a slab, from which lines of levels keep clear.
    level_known : bool
        Whether the scan has a vertical: levelness needs one.

    Returns
    -------
    tuple of Flatness
        In the order asked; two for a criterion of two numbers.
    """
    rule = rule or Rule()
    found: list[Flatness] = []
    for criterion in dict.fromkeys(criteria):
        match limit_of(criterion):
            case GapLimit() as limit:
                found.append(_gap(surface, criterion, limit, rule))
            case FLimit() as f_limit:
                found += _f_numbers(surface, criterion, f_limit, rule, joints, level_known)
            case MovementLimit() as moves:
                found += _movement(surface, criterion, moves, rule, level_known)
            case NotKnown(why):
                found.append(Flatness(criterion, "", NOT_KNOWN, said=why))
    return tuple(found)


def rule_in_words(rule: Rule | None = None) -> str:
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
            f"{rule.most_uncertainty * MM:g} mm."
        )
    return said + (
        f"guarded; a floor conforms where the value keeps the limit by {rule.guard:.2f} standard "
        "uncertainties or more, does not conform where it misses it by as much, and is undecided "
        "between (JCGM 106:2012 and ISO 14253-1:2017, the latter from memory)."
    )


def _gap(surface: Surface, criterion: str, limit: GapLimit, rule: Rule) -> Flatness:
    source = limit.source
    # The limit of a straightedge is one; that of a table hangs on the contacts.
    stated = limit.limit_m[0] if len(limit.limit_m) == 1 else None
    if surface.smoother is None:
        return Flatness(criterion, "", source, limit=stated, said=_SINGLE)
    worst = worst_gap(surface, limit)
    if worst is None:
        shortest = min(limit.lengths_m)
        said = f"no straightedge of {shortest:g} m fits on floor that was seen"
        return Flatness(criterion, "", source, limit=stated, said=said)
    decided = decide(worst.value_m, worst.error_m, upper=worst.limit_m, rule=rule)
    rest = f"straightedge of {worst.length_m:.3g} m, contacts {worst.span_m:.2f} m apart"
    told = [f"{rest}, {worst.places} places"]
    if worst.rocks_m > worst.limit_m and worst.rocks_place_m is not None:
        told.append(
            "it also rocks on humps, by which no gap is counted: held even, its ends stand off "
            f"{worst.rocks_m * MM:.1f} mm at the most"
        )
    if worst.poor_m2 > _POOR_SHARE * surface.measured_m2:
        told.append(f"{worst.poor_m2:.1f} m² were seen too poorly to be judged")
    if decided.verdict == UNDECIDED:
        told.append(
            f"this scan knows it to {COVER_95 * worst.error_m * MM:.1f} mm only: lay a "
            "straightedge at the worst place, or scan again from closer"
        )
    return Flatness(
        criterion=criterion,
        part="",
        source=source,
        limit=worst.limit_m,
        value=worst.value_m,
        uncertainty=COVER_95 * worst.error_m,
        share_within=worst.share_within,
        verdict=decided.verdict,
        worst=WorstAt(worst.place_m, worst.bearing_rad, worst.value_m, worst.length_m),
        said="; ".join(told),
    )


def _f_numbers(
    surface: Surface,
    criterion: str,
    limit: FLimit,
    rule: Rule,
    joints: Sequence[Joint],
    level_known: bool,
) -> list[Flatness]:
    lines = [] if surface.smoother is None else floor_lines(surface, joints)
    tilt = surface.shared.tilt_rad
    both = f_numbers([one.line for one in lines], tilt_rad=tilt)
    out = []
    numbers: tuple[tuple[Part, float, FNumber | MostlyNoise | None, int], ...] = (
        ("FF", limit.flatness, both.flatness, both.curvatures),
        ("FL", limit.levelness, both.levelness, both.falls),
    )
    for part, least, number, readings in numbers:
        # Simple facts first: what nobody can say with this scan.
        why = ""
        if surface.smoother is None:
            why = _SINGLE
        elif number is None:
            why = "no line of levels of 11 ft fits 2 ft away from what ends the slab"
        elif part == "FL" and not level_known:
            why = "the scan has no vertical: levelness needs control shots"
        elif isinstance(number, MostlyNoise):
            why = f"what was read is mostly noise of the scan ({number.noise_share:.0%})"
        if (
            part == "FF"
            and isinstance(number, MostlyNoise)
            and readings >= max(_ENOUGH, least_readings(surface.floor.area_m2))
            and number.as_read >= least
        ):
            # Noise makes a floor read rougher than it is, and here it makes up half or more.
            told = f"at least {number.as_read:.0f}, as read with the noise of the scan left in"
            out.append(
                Flatness(
                    criterion, part, limit.source, False, least, number.as_read,
                    verdict="conforms", said=told,
                )
            )  # fmt: skip
            continue
        if why or not isinstance(number, FNumber):
            out.append(Flatness(criterion, part, limit.source, False, least, said=why))
            continue
        low, high = number.interval
        told = f"{len(lines)} lines, {readings} readings, 95 % interval {low:.1f} to {high:.1f}"
        asked = least_readings(surface.floor.area_m2)
        if readings < asked:
            told += f"; too few to judge by: {asked} are asked for on this area (from memory)"
        out.append(
            Flatness(
                criterion=criterion,
                part=part,
                source=limit.source,
                in_metres=False,
                limit=least,
                value=number.value if math.isfinite(number.value) else None,
                uncertainty=0.5 * (high - low) if math.isfinite(high) else None,
                verdict=_f_verdict(number, least, rule) if readings >= asked else UNDECIDED,
                worst=_worst_line(lines, part),
                said=told,
            )
        )
    return out


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


def _f_verdict(number: FNumber, least: float, rule: Rule) -> Verdict:
    low, high = number.interval
    if rule.kind == "guarded":
        return decide_by_interval((low, high), lower=least)
    if rule.kind == "shared":
        # What was agreed is an uncertainty of lengths: it says nothing of F-numbers.
        return UNDECIDED
    return "conforms" if number.value >= least else "does not conform"


def _worst_line(lines: Sequence[FloorLine], part: str) -> WorstAt | None:
    """The line with the least number of its own, where its readings are not mostly noise."""
    found = []
    for one in lines:
        both = f_numbers([one.line])
        number = both.flatness if part == "FF" else both.levelness
        if isinstance(number, FNumber) and math.isfinite(number.value):
            x, y = one.place_m.mean(axis=0)
            found.append(WorstAt((float(x), float(y)), one.bearing_rad, number.value))
    return min(found, key=lambda at: at.value, default=None)


def _movement(
    surface: Surface, criterion: str, limit: MovementLimit, rule: Rule, level_known: bool
) -> list[Flatness]:
    found: dict[str, Movement | None] = {"E": None, "F": None}
    limits: tuple[tuple[Part, float], ...] = (("E", limit.e_m), ("F", limit.f_m))
    if surface.smoother is not None:
        found = movements(surface, limit)
    out = []
    for part, most_m in limits:
        one = found[part]
        why = ""
        if surface.smoother is None:
            why = _SINGLE
        elif one is None:
            why = "no reading of this kind fits on floor that was seen"
        elif part == "E" and not level_known:
            why = "the scan has no vertical: level needs control shots"
        if why or one is None:
            out.append(Flatness(criterion, part, limit.source, limit=most_m, said=why))
            continue
        decided = decide(one.value_m, one.error_m, upper=most_m, rule=rule)
        out.append(
            Flatness(
                criterion=criterion,
                part=part,
                source=limit.source,
                limit=most_m,
                value=one.value_m,
                uncertainty=COVER_95 * one.error_m,
                share_within=one.share_within,
                verdict=decided.verdict,
                worst=WorstAt(one.place_m, one.bearing_rad, one.worst_m),
                said=f"{one.readings} readings; the value is what 95 in 100 of them keep",
            )
        )
    return out
