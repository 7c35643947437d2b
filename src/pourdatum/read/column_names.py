"""What the names over the columns of a table say: which is x, y, z, and in which unit.

Names are those of the trade in a few languages. Only whole families are taken: x with
y, east with north. A header that names some of it, or an axis twice, is a question for
the user, not a guess.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pourdatum.errors import JobError
from pourdatum.read.level_table import HEADS
from pourdatum.read.look import StatedUnit
from pourdatum.read.text_cells import Cells
from pourdatum.units import LENGTH_UNITS

_EAST: Final = (
    "e", "east", "easting", "eastings", "eastcoordinate", "rechtswert", "rechts", "ost",
    "ostwert", "este", "est",
)  # fmt: skip
_NORTH: Final = (
    "n", "north", "northing", "northings", "northcoordinate", "hochwert", "hoch", "nord",
    "nordwert", "norte",
)  # fmt: skip
_HEIGHT: Final = (
    "z", "h", "height", "elev", "elevation", "elevations", "level", "reducedlevel", "rl", "alt",
    "altitude", "up", "u", "hoehe", "höhe", "hohe", "cota", "quota", "hauteur", "elevación",
)  # fmt: skip
_DEGREES: Final = frozenset(("lat", "latitude", "lon", "long", "lng", "longitude"))
_AROUND: Final = re.compile(
    r"^(?:coordinates?|coord|koordinate|position|pos|points?|pt|cartesian|local|grid)(?=.)"
    r"|(?<=.)(?:coordinates?|coords?|koordinate|value|pos)$"
)
_LINES_ABOVE: Final = 20
_LETTERS: Final = 80
_WORD_AND_BRACKETS: Final = re.compile(r'"[^"]*"|[^\s(\[]+(?:\s*[(\[][^)\]]{0,40}[)\]])?')
_BRACKETS: Final = re.compile(r"^(.*?)[\s_]*[(\[]\s*([^)\]]*?)\s*[)\]]$")
_LAST_WORD: Final = re.compile(r"^(.+?)[\s_]+([^\s_]+)$")
_UNITS: Final = {
    "m": ("m", "meter", "meters", "metre", "metres"),
    "cm": ("cm", "centimeter", "centimeters", "centimetre", "centimetres"),
    "mm": ("mm", "millimeter", "millimeters", "millimetre", "millimetres"),
    "ft": ("ft", "foot", "feet", "ift", "intft", "internationalfoot", "internationalfeet"),
    "us-ft": (
        "usft", "ftus", "sft", "usfoot", "usfeet", "surveyft", "surveyfoot", "surveyfeet",
        "ussurveyft", "ussurveyfoot", "ussurveyfeet",
    ),
    "in": ("in", "inch", "inches"),
}  # fmt: skip
_UNIT_OF: Final = {word: unit for unit, words in _UNITS.items() for word in words}
_NO_LENGTHS: Final = frozenset((
    "km", "yd", "yard", "yards", "mile", "miles", "deg", "degree", "degrees", "°", "rad",
    "radian", "radians", "gon", "grad",
))  # fmt: skip


@dataclass(frozen=True)
class NamedColumns:
    """Which columns (from 0) a header names as x, y and z, and the unit it states."""

    axes: tuple[int, int, int]
    height_named: bool
    stated_unit: StatedUnit | None


@dataclass(frozen=True)
class Header:
    """The line (from 0) that names the columns, its names, and what they say."""

    line: int
    names: tuple[str, ...]
    columns: NamedColumns


def name_and_unit(cell: str) -> tuple[str, str]:
    """A column's name in small letters without ornament, and the unit it states or ``""``.

    Examples
    --------
    >>> name_and_unit('X [m]'), name_and_unit("Reduced Level (US ft)"), name_and_unit("POINT_Y")
    (('x', 'm'), ('reducedlevel', 'us-ft'), ('y', ''))
    >>> name_and_unit("easting_mm"), name_and_unit("z_deviation")
    (('easting', 'mm'), ('zdeviation', ''))
    """
    text = cell.strip().strip('"').strip()[:_LETTERS].lower()
    unit = ""
    if found := _BRACKETS.match(text):
        word = _unit_letters(found[2])
        text, unit = found[1], _UNIT_OF.get(word, word if word in _NO_LENGTHS else "")
    elif (found := _LAST_WORD.match(text)) and found[2] in _UNIT_OF:
        text, unit = found[1], _UNIT_OF[found[2]]
    name = re.sub(r"[\W_]+", "", text)
    if name in ("points0", "points1", "points2"):
        return "xyz"[int(name[-1])], unit
    return _AROUND.sub("", name), unit


def named_columns(cells: Sequence[str], where: str) -> NamedColumns | None:
    """The columns that a header names; ``None`` where it names none of the axes.

    Raises
    ------
    JobError
        If it names some axes but not all, one of them twice, degrees instead of
        lengths, or two units in plan.

    Examples
    --------
    >>> named_columns(["P", "Northing", "Easting", "Z", "Code"], "hall.csv").axes
    (2, 1, 3)
    """
    found = [name_and_unit(cell) for cell in cells]
    names = [name for name, _ in found]
    if any(name in _DEGREES for name in names):
        raise _question("the header names latitude or longitude", cells, where)
    by_compass = not {"x", "y"} & set(names)
    wanted = (_EAST, _NORTH) if by_compass else (("x",), ("y",))
    heights = ("z",) if "z" in names else _HEIGHT
    places = [[i for i, n in enumerate(names) if n in family] for family in (*wanted, heights)]
    if not any(places):
        return None
    for axis, at in zip("xyz", places, strict=True):
        if len(at) > 1:
            raise _question(f"the header names {axis} {len(at)} times", cells, where)
    if not all(places):
        missing = " and ".join(a for a, at in zip("xyz", places, strict=True) if not at)
        raise _question(f"the header does not name {missing}", cells, where)
    axes = (places[0][0], places[1][0], places[2][0])
    unit = _stated_unit([found[i][1] for i in axes], cells, where)
    return NamedColumns(axes, by_compass or names[axes[2]] != "z", unit)


def find_header(
    lines: Sequence[bytes],
    cells: Cells,
    words: int,
    where: str,
    *,
    fewest: int | None = None,
    told: tuple[int, int, int] | None = None,
) -> Header | None:
    r"""The names over the columns: the lowest of the lines above the rows that holds names.

    A line of units below the names belongs to them; a comment is a header only if it
    names all three axes.

    Parameters
    ----------
    lines : sequence of bytes
        All lines above the first row.
    cells, words : Cells, int
        How the rows are told apart, and how many cells they have.
    where : str
        The file, for errors.
    fewest : int, optional
        Cells up to the last that is not empty in every row.
    told : (int, int, int), optional
        Columns of x, y and z (from 0) that the user tells; the header says units only.

    Raises
    ------
    JobError
        If names are there but do not tell the axes, or are not as many as the columns.

    Examples
    --------
    >>> find_header([b"hall, May", b"No;X;Y;Z", b";m;m;m"], Cells(";"), 4, "a.csv").names
    ('No', 'X (m)', 'Y (m)', 'Z (m)')
    """
    units = [""] * words
    for number in range(len(lines) - 1, max(-1, len(lines) - 1 - _LINES_ABOVE), -1):
        comment = lines[number].startswith((b"#", b"//"))
        ways = _ways(_decoded(lines[number].lstrip(b"#/")), cells)
        fitting = [f for way in ways if (f := _fitted(way, words, fewest or words))]
        if not fitting:
            named = next((way for way in ways if _names_all(way, where)), None)
            if named is not None and not comment and told is None:
                what = f"the rows have {words} columns, the header names {len(named)}"
                raise _question(what, named, where)
            continue
        names = fitting[0]
        if not any(re.search(r"\w", name) for name in names) or any(
            cells.is_number(name.encode()) for name in names
        ):
            continue
        if all(_unit_alone(name) or not name for name in names):
            units = [_unit_alone(name) for name in names]
            continue
        names = [
            f"{name} ({unit})" if unit else name for name, unit in zip(names, units, strict=True)
        ]
        if comment and not _names_all(names, where):
            continue
        if told is not None:
            return Header(number, tuple(names), _told_columns(names, told, where))
        found = named_columns(names, where)
        if found is None:
            raise _question("the header names none of x, y, z", names, where)
        return Header(number, tuple(names), found)
    return None


def _told_columns(names: Sequence[str], told: tuple[int, int, int], where: str) -> NamedColumns:
    units = [name_and_unit(names[i])[1] for i in told]
    return NamedColumns(told, False, _stated_unit(units, names, where))


def _ways(text: str, cells: Cells) -> list[list[str]]:
    """Ways to part a line into names, that of the rows first."""
    ways = [] if cells.separator is None else [_split(text, cells.separator)]
    ways += [_split(text, mark) for mark in "\t;|," if mark in text]
    ways += [re.split(r"\s{2,}", text.strip()), _WORD_AND_BRACKETS.findall(text)]
    return [[name.strip().strip('"').strip() for name in way] for way in ways]


def _split(text: str, separator: str) -> list[str]:
    return [cell.decode() for cell in Cells(separator).split(text.encode())]


def _fitted(way: Sequence[str], words: int, fewest: int) -> list[str] | None:
    """As many names as columns, where empty ones at the end make the difference."""
    names = list(way)
    while len(names) > words and not names[-1]:
        names.pop()
    if not fewest <= len(names) <= words:
        return None
    return names + [""] * (words - len(names))


def _names_all(names: Sequence[str], where: str) -> bool:
    try:
        return named_columns(names, where) is not None
    except JobError:
        return False


def _unit_alone(name: str) -> str:
    return _UNIT_OF.get(_unit_letters(name), "")


def _unit_letters(text: str) -> str:
    return re.sub(r"[^a-z°]", "", text.lower())


def _decoded(text: bytes) -> str:
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("latin-1")


def _stated_unit(units: list[str], cells: Sequence[str], where: str) -> StatedUnit | None:
    x, y, z = units
    for unit in units:
        if unit in _NO_LENGTHS:
            raise _question(f"the header has columns in '{unit}'", cells, where)
    if x != y:
        raise _question("the header gives x and y in two units", cells, where)
    if not (x or z):
        return None
    return StatedUnit(
        x or None,
        LENGTH_UNITS[x] if x else None,
        z or None,
        LENGTH_UNITS[z] if z else None,
        "the header of the columns",
        "",
    )


def _question(what: str, cells: Sequence[str], where: str) -> JobError:
    return JobError(
        f"{what}: {shown_names(cells)}",
        where=where,
        hint='say which columns are x, y, z, e.g. --columns "2,3,4", in a unit of length; '
        f"single levels have a first line such as {HEADS}",
        id="columns",
    )


def shown_names(cells: Sequence[str]) -> str:
    """Names of columns for people: the first few, each cut to 20 letters."""
    few = ", ".join(repr(cell.strip()[:20]) for cell in cells[:8])
    return f"{few}, ..." if len(cells) > 8 else few
