"""Published limits of flatness as values, each with its edition and how sure its figures are.

Only what a published text states. *Published*: read in the text named or in one that quotes it.
*From memory*: not held against any text, shown as such, and never called the standard's own
words. The figures with their sources also stand in ``shared/``, and a test compares the two.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.units import FOOT_M, INCH_M, MM

Array = NDArray[np.float64]
Trust = Literal["as asked", "published", "from memory"]

REST: Final = "gap between the two contacts it rests on, anywhere and in every direction"
"""How a straightedge is read; the support rule of DIN 18202 and of BS 8204."""


@dataclass(frozen=True)
class GapLimit:
    """The greatest gap under straightedges.

    Attributes
    ----------
    source : str
        Standard, edition and rule, in words for people.
    trust : str
        How sure the figures are.
    lengths_m : tuple of float
        Straightedges that are laid [m].
    span_m, limit_m : tuples of float
        Limit for each distance of the contacts, linear between, even beyond [m].
    """

    source: str
    trust: Trust
    lengths_m: tuple[float, ...]
    span_m: tuple[float, ...]
    limit_m: tuple[float, ...]

    def at(self, span_m: float | Array) -> Array:
        """Limit for distances of the contacts [m].

        Examples
        --------
        >>> float(gap_limit("DIN18202:3").at(2.0))
        0.006
        """
        out: Array = np.interp(np.asarray(span_m, np.float64), self.span_m, self.limit_m)
        return out


@dataclass(frozen=True)
class FLimit:
    """Least overall F-numbers."""

    source: str
    trust: Trust
    flatness: float
    levelness: float


@dataclass(frozen=True)
class MovementLimit:
    """Limits of a floor for free movement: ``e_m`` over 3 m, ``f_m`` over 300 mm [m]."""

    source: str
    trust: Trust
    e_m: float
    f_m: float


@dataclass(frozen=True)
class NotKnown:
    """A criterion whose figures we do not have: ``why`` says so and names those we have."""

    why: str


Limit = GapLimit | FLimit | MovementLimit | NotKnown

_SR_MM: Final = {"SR1": 3.0, "SR2": 5.0, "SR3": 10.0}
_DIN_SPAN_M: Final = (0.1, 1.0, 4.0, 10.0, 15.0)
_DIN_MM: Final = {
    "1": (10.0, 15.0, 20.0, 25.0, 30.0),
    "2": (5.0, 8.0, 12.0, 15.0, 20.0),
    "3": (2.0, 4.0, 10.0, 12.0, 15.0),
    "4": (1.0, 3.0, 9.0, 12.0, 15.0),
}
_DIN_LENGTHS_M: Final = (1.0, 2.0, 4.0)
_FM_MM: Final = {"FM1": (4.5, 1.8), "FM2": (6.5, 2.0), "FM3": (8.0, 2.2), "FM4": (10.0, 2.4)}
_GAP: Final = re.compile(r"(\d+(?:\.\d+)?)mm/(\d+(?:\.\d+)?)m")
_F: Final = re.compile(r"E1155:FF(\d+(?:\.\d+)?)/FL(\d+(?:\.\d+)?)")


def limit_of(criterion: str) -> Limit:
    """What a criterion asks for.

    Parameters
    ----------
    criterion : str
        As a user writes it, such as ``3mm/2m`` or ``BS8204:SR2``.

    Examples
    --------
    >>> limit_of("3mm/2m").limit_m, limit_of("BS8204:SR2").limit_m
    ((0.003,), (0.005,))
    >>> limit_of("DIN18202:5").why
    'DIN 18202 line 5 is not known for floors: lines 1 to 4 are'
    """
    name, _, which = criterion.partition(":")
    if found := _GAP.fullmatch(criterion):
        gap, length = float(found[1]), float(found[2])
        if not (gap > 0.0 and 0.2 <= length <= 20.0):
            return NotKnown(f"{criterion} is no usable straightedge: give 0.2 to 20 m and a gap")
        said = f"as asked: {found[1]} mm under a straightedge of {found[2]} m; {REST}"
        return _straight(said, "as asked", length, gap / MM)
    if found := _F.fullmatch(criterion):
        said = (
            "ASTM E1155, overall numbers; definitions of the readings as published, constants and "
            "choice of lines from memory"
        )
        return FLimit(said, "from memory", float(found[1]), float(found[2]))
    if name == "BS8204" and which in _SR_MM:
        said = (
            f"BS 8204-1/-2:2003 (+A2:2011), {which}: {_SR_MM[which]:g} mm under a straightedge of "
            f"2 m; {REST}"
        )
        return _straight(said, "published", 2.0, _SR_MM[which] / MM)
    if criterion == "F710":
        said = f"ASTM F710 (2005 to 2019): 3/16 in in 10 ft, as a straightedge; {REST}"
        return _straight(said, "published", 10.0 * FOOT_M, 3.0 / 16.0 * INCH_M)
    if name == "DIN18202":
        return _din(which)
    if name == "TR34":
        return _movement(which)
    return NotKnown(f"{criterion} is not known")


def gap_limit(criterion: str) -> GapLimit:
    """The same where it is one of gaps.

    Raises
    ------
    ValueError
        If it is another.
    """
    found = limit_of(criterion)
    if not isinstance(found, GapLimit):
        raise ValueError(f"{criterion} is no limit of gaps")
    return found


def _straight(source: str, trust: Trust, length_m: float, limit_m: float) -> GapLimit:
    return GapLimit(source, trust, (length_m,), (length_m,), (limit_m,))


def _din(line: str) -> Limit:
    if line not in _DIN_MM:
        return NotKnown(f"DIN 18202 line {line} is not known for floors: lines 1 to 4 are")
    said = (
        f"DIN 18202, table 3, line {line} (edition not named by the handbook that prints it); "
        "limit by the distance of the contacts, linear between the table's columns and not "
        f"rounded, straightedges of {', '.join(f'{m:g}' for m in _DIN_LENGTHS_M)} m; longer "
        f"distances are not judged; {REST}"
    )
    return GapLimit(
        said, "published", _DIN_LENGTHS_M, _DIN_SPAN_M, tuple(mm / MM for mm in _DIN_MM[line])
    )


def _movement(which: str) -> Limit:
    if which not in _FM_MM:
        return NotKnown(f"TR34 {which} is not known: FM1 to FM4 of the fourth edition are")
    e_mm, f_mm = _FM_MM[which]
    said = (
        f"TR34, fourth edition, table 3.1, {which}: {e_mm:g} mm over 3 m (E) and {f_mm:g} mm over "
        "300 mm (F); how the two are read, and that 95 in 100 readings are to keep them, from "
        "memory"
    )
    return MovementLimit(said, "from memory", e_mm / MM, f_mm / MM)
