"""What the verdict of a proof speaks of, and what nobody asked: both stand beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pourdatum.report import words
from pourdatum.units import show_area

if TYPE_CHECKING:
    from pourdatum.outcome import Check


def asked(check: Check) -> str:
    """The criteria that the verdict rests on, as they were asked."""
    names = list(dict.fromkeys(one.criterion for one in check.found.flatness))
    level = check.found.level
    if level is not None and level.departure is not None and level.departure.verdict:
        names.append("departure from the level")
    return ", ".join(words.plain(name, 40) for name in names)


def not_asked(check: Check) -> str:
    """What no criterion asked for, and where that matters: in one sentence, without its stop."""
    found = check.found
    level = None if found.level is None else found.level.departure
    kinds = [] if found.flatness else ["flatness"]
    kinds += [] if level is not None and level.verdict else ["level"]
    said = (
        f"{' and '.join([*kinds, 'thickness'])} were not asked"
        if kinds
        else ("thickness was not asked")
    )
    placed = found.placed
    if placed is not None and placed.missed_m2 > 0.0:
        said += f": nothing was placed on {show_area(placed.missed_m2, check.system)}"
        said += ", and no verdict speaks of that"
    return said
