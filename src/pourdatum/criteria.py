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
TilePart = Literal["10 ft", "24 in", "1 ft"]

REST: Final = "gap between the two contacts it rests on"
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
    """Least F-numbers: of the floor, and of each test section where a contract asks for that."""

    source: str
    trust: Trust
    flatness: float
    levelness: float
    local_flatness: float | None = None
    local_levelness: float | None = None


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


@dataclass(frozen=True)
class TileLimit:
    """Several straightedges with limits of their own, each named by its length."""

    each: tuple[tuple[TilePart, GapLimit], ...]


Limit = GapLimit | TileLimit | FLimit | MovementLimit | NotKnown

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
_ACI: Final = {
    "conventional": (20.0, 15.0, 12.0, 9.0),
    "moderately-flat": (25.0, 20.0, 15.0, 12.0),
    "flat": (35.0, 25.0, 21.0, 15.0),
    "very-flat": (45.0, 35.0, 27.0, 21.0),
    "super-flat": (60.0, 40.0, 36.0, 24.0),
}
"""Overall FF and FL, least local FF and FL, of ACI 117-10, table 4.8.5.1 and clause 4.8.5.3."""
_E1155: Final = (
    "ASTM E1155; definitions of the readings as published, lines at 45° in sections narrower than "
    "7.5 m as a worksheet quotes clause 8.2.3; constants, other rules for lines and how sections "
    "combine from memory; the 95 % interval is what this scan leaves open, not the standard's own"
)
_NUMBER: Final = r"(\d+(?:\.\d+)?)"
_GAP: Final = re.compile(rf"(?:{_NUMBER}|(\d+)/([1-9]\d*))(?P<gap>mm|in)/{_NUMBER}(?P<length>m|ft)")
_F: Final = re.compile(rf"E1155:FF{_NUMBER}/FL{_NUMBER}(?:/MLFF{_NUMBER}/MLFL{_NUMBER})?")
CRITERION: Final = re.compile(
    rf"{_GAP.pattern}|BS8204:SR[123]|DIN18202:\w+|{_F.pattern}|ACI117:[\w-]+|TR34:\w+|F710"
    r"|A108:large|A108:small|BS5385",
    re.ASCII,
)
"""How a criterion is written, without a sampling."""
EXAMPLES: Final = (
    "3mm/2m, BS8204:SR2, DIN18202:3, E1155:FF35/FL25, E1155:FF35/FL25/MLFF21/MLFL15, ACI117:flat, "
    "TR34:FM2, F710, A108:large or BS5385"
)


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
    >>> [round(1000 * m, 3) for m in limit_of("1/8in/10ft").limit_m]
    [3.175]
    >>> limit_of("DIN18202:5").why
    'DIN 18202 line 5 is not known for floors: lines 1 to 4 are'
    """
    name, _, which = criterion.partition(":")
    if found := _GAP.fullmatch(criterion):
        return _asked(criterion, found)
    if found := _F.fullmatch(criterion):
        flat, level, *local = (None if text is None else float(text) for text in found.groups())
        assert flat is not None
        assert level is not None
        if not all(number > 0.0 for number in (flat, level, *local) if number is not None):
            return NotKnown(f"{criterion} asks for nothing: F-numbers are above 0")
        least_flat, least_level = local
        if (least_flat or 0.0) > flat or (least_level or 0.0) > level:
            return NotKnown(
                f"{criterion} asks for more of each section (MLFF, MLFL) than of the whole floor: "
                "the two seem exchanged"
            )
        return FLimit(_E1155, "from memory", flat, level, least_flat, least_level)
    if name == "ACI117" and which in _ACI:
        said = (
            f"ACI 117-10, table 4.8.5.1, {which.replace('-', ' ')}, with minimum local values of "
            "three fifths (clause 4.8.5.3), as a reproduction of it reads; measured by "
        )
        return FLimit(said + _E1155, "from memory", *_ACI[which])
    if name == "ACI117":
        return NotKnown(f"ACI117:{which} is not known: {', '.join(_ACI)} are")
    if name == "A108":
        return _tile(which)
    if criterion == "BS5385":
        said = f"BS 5385-3:2014, base for tiles in a thin bed, from memory: 3 mm under 2 m; {REST}"
        return _straight(said, "from memory", 2.0, 3.0 / MM)
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


def _asked(criterion: str, found: re.Match[str]) -> Limit:
    """A straightedge as a user asks for it."""
    plain, above, below, _, far, _ = found.groups()
    gap = float(plain) if plain else float(above) / float(below)
    gap_m = gap / MM if found["gap"] == "mm" else gap * INCH_M
    length_m = float(far) * (1.0 if found["length"] == "m" else FOOT_M)
    if not (gap_m > 0.0 and 0.2 <= length_m <= 20.0):
        return NotKnown(f"{criterion} is no usable straightedge: give 0.2 to 20 m and a gap")
    asked = plain or f"{above}/{below}"
    said = (
        f"as asked: {asked} {found['gap']} under a straightedge of {far} {found['length']}; {REST}"
    )
    return _straight(said, "as asked", length_m, gap_m)


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


def _tile(which: str) -> Limit:
    """Bases for tiles after ANSI A108.02: tiles with an edge of 15 in or more, and smaller ones."""
    rule = (
        "variation from the required plane, measured from the high points of the surface, as a "
        f"straightedge; {REST}"
    )
    ten_ft, sixteenth = 10.0 * FOOT_M, INCH_M / 16.0
    quoted = "ANSI A108.02 as trade articles quote it (edition not named)"
    if which == "large":
        said = f"{quoted}, tiles with an edge of 15 in or more: "
        return TileLimit((
            ("10 ft", _straight(f"{said}1/8 in in 10 ft; {rule}", "published", ten_ft,
                                2.0 * sixteenth)),
            ("24 in", _straight(f"{said}1/16 in in 24 in; {rule}", "published", 24.0 * INCH_M,
                                sixteenth)),
        ))  # fmt: skip
    said = f"{quoted}, tiles with edges under 15 in: "
    memory = "ANSI A108.02, tiles with edges under 15 in, from memory: 1/16 in in 1 ft"
    return TileLimit((
        ("10 ft", _straight(f"{said}1/4 in in 10 ft; {rule}", "published", ten_ft, 0.25 * INCH_M)),
        ("1 ft", _straight(f"{memory}; {rule}", "from memory", FOOT_M, sixteenth)),
    ))  # fmt: skip


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
