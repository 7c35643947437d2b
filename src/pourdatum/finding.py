"""What one criterion of flatness came to: its limit, value and verdict, and where it is worst."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from pourdatum.decision import Verdict

Part = Literal["", "FF", "FL", "FF local", "FL local", "E", "F", "10 ft", "24 in", "1 ft"]
UNDECIDED: Final[Verdict] = "undecided"
WOULD: Final = {
    "conforms": "would conform",
    "does not conform": "would not conform",
    "undecided": "would be undecided",
}
NOT_KNOWN: Final = "not known"
"""Source of a criterion whose figures we do not have."""
SINGLE: Final = (
    "levels were shot singly: the floor between them was not seen; lay the straightedge on the "
    "floor itself, or scan it"
)


MOSTLY: Final = 0.8
"""Share of the floor that must have been judged for the whole to conform; a choice."""


@dataclass(frozen=True)
class WorstAt:
    """Where a criterion is missed the most: local plan [m], clockwise from +y, value as stated."""

    place_m: tuple[float, float]
    bearing_rad: float | None
    value: float
    length_m: float = 0.0
    """Of the straightedge, where there is one."""

    @property
    def ends_m(self) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Both ends of the straightedge, local plan [m]; None where there is none.

        Examples
        --------
        >>> WorstAt((3.0, 2.0), math.pi / 2, 0.004, 2.0).ends_m
        ((2.0, 2.0), (4.0, 2.0))
        """
        if not self.length_m or self.bearing_rad is None:
            return None
        x, y = self.place_m
        half_m = 0.5 * self.length_m
        dx, dy = half_m * math.sin(self.bearing_rad), half_m * math.cos(self.bearing_rad)
        return (x - dx, y - dy), (x + dx, y + dy)


@dataclass(frozen=True)
class LaidLine:
    """A line of levels: where it begins, local plan [m], clockwise from +y, length and levels."""

    start_m: tuple[float, float]
    bearing_rad: float
    length_m: float
    levels: int
    section: int = 1

    @property
    def end_m(self) -> tuple[float, float]:
        """Its other end, local plan [m].

        Examples
        --------
        >>> LaidLine((1.0, 2.0), math.pi / 2, 3.0, 11).end_m
        (4.0, 2.0)
        """
        x, y = self.start_m
        return (
            x + self.length_m * math.sin(self.bearing_rad),
            y + self.length_m * math.cos(self.bearing_rad),
        )


@dataclass(frozen=True)
class Flatness:
    """One criterion, or one of its numbers.

    Attributes
    ----------
    criterion : str
        Word for word as asked. Foreign text: escape it wherever it is shown.
    part : str
        Which of its numbers, such as "FF"; empty where it has one.
    source : str
        Standard, edition and rule in words, and what of it is from memory.
    in_metres : bool
        Whether limit, value and uncertainty are lengths [m]; else they are F-numbers.
    limit, value, uncertainty : float or None
        ``uncertainty`` is the half-width of the 95 % interval; where there is an ``interval``, how
        far its longer side reaches.
    interval : tuple, optional
        Where it matters how lines or a grid are laid: the 95 % interval of what was read, widened
        to what other layings give and, of an F-number, by what smoothing may have flattened; it
        may end at infinity.
    share_within : float or None
        Of all places in which it was measured, those within the limit.
    verdict : str
    worst : WorstAt or None
    said : str
        Why it is undecided, or what is to be known of the worst place; may be empty.
    why : str
        Why it is undecided though it has a value, in one sentence; else empty.
    at_least : bool
        Whether the value is only known to be so much or more.
    readings : int or None
        Straightedges laid, or readings taken, on which value and verdict rest.
    unjudged_m2 : float or None
        Floor that this criterion was not held against [m²]: hidden, seen too poorly, left out as
        off the floor's fit, or where no straightedge lies.
    caveat : str
        What is to be read with the verdict, in its own row; may be empty.
    brief : str or None
        What is to be known of it in one sentence; None where ``said`` is one.
    lines : tuple of LaidLine
        The lines on which F-numbers were taken.
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
    readings: int | None = None
    at_least: bool = False
    why: str = ""
    interval: tuple[float, float] | None = None
    unjudged_m2: float | None = None
    caveat: str = ""
    brief: str | None = None
    lines: tuple[LaidLine, ...] = ()
