"""Flatness of a floor by the criteria asked for, each with its source and a verdict.

A verdict is by a stated rule (``decision``). Floor that was not seen is not judged. What a scan
cannot say is undecided, with the reason; a criterion whose figures we do not have is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pourdatum.asfloor import as_floor, with_lines
from pourdatum.criteria import FLimit, GapLimit, MovementLimit, NotKnown, TileLimit, limit_of
from pourdatum.decision import Rule
from pourdatum.finding import NOT_KNOWN, Flatness
from pourdatum.freemove import movement_findings
from pourdatum.gapfinding import gap_finding
from pourdatum.mayturn import either_way, over_lines, under_nibs
from pourdatum.numbered import f_findings
from pourdatum.sampling import split_sampling
from pourdatum.units import System

if TYPE_CHECKING:
    from pourdatum.joints import Joint
    from pourdatum.surface import Surface


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
        narrow = judged.narrow.clear_of([joint.points_m for joint in joints], judged.grid)
        if not narrow.nothing and any(one.verdict != "does not conform" for one in found):
            also = check(with_lines(replace(judged, narrow=narrow)))
            found = tuple(
                over_lines(one, other, judged, narrow, rule, system)
                for one, other in zip(found, also, strict=True)
            )
        return tuple(under_nibs(one, judged.nibs, system) for one in found)

    found = on(surface)
    if surface.smoother is None or not surface.stripes.may_be_floor:
        return found
    other = on(as_floor(surface))
    set_ups = len(surface.floor.scan.stations)
    return tuple(
        either_way(one, ribs, set_ups, system) for one, ribs in zip(found, other, strict=True)
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
                found.append(gap_finding(surface, criterion, limit, rule, sampling, system))
            case TileLimit(each):
                found += [
                    gap_finding(surface, criterion, limit, rule, sampling, system, part)
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
