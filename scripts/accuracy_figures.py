"""What a plan got right of a scene whose truth is known: one row per scene, and a summary.

Works on the content of ``result.json`` alone, that is on what a user gets.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from pourdatum.simulate import Truth
from pourdatum.units import MM

AREA_PERCENT: Final = 1.0
DATUM_MM: Final = 0.2
VOLUME_PERCENT: Final = 2.0
VOLUME_MM: Final = 0.15
LEVEL_PERCENT: Final = 0.5
PLACE_M: Final = 0.1
LEAST_HUMP_MM: Final = 3.0
LEAST_OPENING_M: Final = 0.1
"""The allowances of the table, and from which size on humps and openings count."""

Place = tuple[float, float]


@dataclass(frozen=True)
class Match:
    """Things found near where they are: how many of how many, and how many too many."""

    found: int
    total: int
    extra: int

    @property
    def missed(self) -> int:
        """Things that are there and were not found."""
        return self.total - self.found

    def __str__(self) -> str:
        return f"{self.found} of {self.total}" + (f" + {self.extra}" if self.extra else "")


@dataclass(frozen=True)
class Chain:
    """What the plain chain of general libraries says of a scene."""

    datum_mm: float
    """Datum less truth [mm]."""
    volume_l: float
    """Fill less truth [l]."""


@dataclass(frozen=True)
class Row:
    """One scene: what was found less what is true.

    Attributes
    ----------
    seed : int
    high : str
        Where the high point lies: hump, wall or corner.
    true_area_m2, true_volume_l : float
        Area, and fill to the high-point datum.
    area_percent, datum_mm, volume_l, level_percent : float
        Area, datum, fill to that datum, and fill to the true datum given as a level.
        0 where there was no plan.
    datum_axis_mm : float
        Datum less that of the highest square parallel to the plan axes [mm].
    openings, humps, nibs : Match
        Extra humps are no fault: low ones are listed too.
    covered : bool
        Whether the stated 95 % interval of the fill holds the true fill.
    chain : dict of str to Chain
        By the tolerance of the plane segmentation; empty where Open3D does not load.
    error : str
        Why there was no plan; empty where there was one.
    seconds : float
        Of reading and planning.
    """

    seed: int
    high: str
    true_area_m2: float
    true_volume_l: float
    area_percent: float
    datum_mm: float
    volume_l: float
    level_percent: float
    datum_axis_mm: float
    openings: Match
    humps: Match
    nibs: Match
    covered: bool
    chain: dict[str, Chain] = field(default_factory=dict)
    error: str = ""
    seconds: float = 0.0

    @property
    def allowed_l(self) -> float:
        """Allowance of the fill to the high-point datum [l]."""
        return max(VOLUME_PERCENT / 100 * self.true_volume_l, VOLUME_MM * self.true_area_m2)


def compare(
    seed: int, high: str, truth: Truth, result: dict[str, Any], at_level: dict[str, Any]
) -> Row:
    """One row of the table.

    Parameters
    ----------
    seed, high
        As in ``Row``.
    truth : Truth
        Of the scene, for the least depth of the plan's material; its first level is the
        true datum, over the highest square that may also lie along a wall.
    result, at_level : dict
        Content of ``result.json``: of the plan to the high point, and of the plan to
        the true datum given as a level.
    """
    fill, floor = result["fill"], result["floor"]
    low_l, high_l = fill["volume_interval_l"]
    true_datum = truth.levels[0]
    true_l = true_datum.volume_l
    holes = [hole["place"] for hole in truth.openings if _across_m(hole) >= LEAST_OPENING_M]
    tops = [hump["place"] for hump in truth.humps if hump["height_mm"] >= LEAST_HUMP_MM]
    return Row(
        seed=seed,
        high=high,
        true_area_m2=truth.area_m2,
        true_volume_l=true_l,
        area_percent=100 * (floor["area_m2"] / truth.area_m2 - 1),
        datum_mm=(result["datum"]["z_m"] - true_datum.z_m) * MM,
        volume_l=fill["volume_l"] - true_l,
        level_percent=100 * (at_level["fill"]["volume_l"] / true_l - 1),
        datum_axis_mm=(result["datum"]["z_m"] - truth.datum.z_m) * MM,
        openings=match(holes, _places(floor["openings"])),
        humps=match(tops, _places(result["grind"]["humps"])),
        nibs=match(_places(truth.nibs), _places(floor["nibs"])),
        covered=low_l <= true_l <= high_l,
    )


def no_plan(seed: int, high: str, truth: Truth, error: str) -> Row:
    """The row of a scene that brought no plan: it keeps no allowance."""
    holes = sum(_across_m(hole) >= LEAST_OPENING_M for hole in truth.openings)
    tops = sum(hump["height_mm"] >= LEAST_HUMP_MM for hump in truth.humps)
    return Row(
        seed, high, truth.area_m2, truth.levels[0].volume_l, 0.0, 0.0, 0.0, 0.0, 0.0,
        Match(0, holes, 0), Match(0, tops, 0), Match(0, len(truth.nibs), 0), False, error=error,
    )  # fmt: skip


def match(wanted: Sequence[Place], listed: Sequence[Place], within_m: float = PLACE_M) -> Match:
    """Pair what is there with what was listed, nearest first, each once.

    Examples
    --------
    >>> print(match([(0, 0), (1, 0)], [(0.06, 0), (0.02, 0), (5, 5)]))
    1 of 2 + 2
    """
    near = sorted(
        (math.dist(there, here), i, k)
        for i, there in enumerate(wanted)
        for k, here in enumerate(listed)
    )
    taken: set[int] = set()
    used: set[int] = set()
    for distance_m, i, k in near:
        if distance_m <= within_m and i not in taken and k not in used:
            taken.add(i)
            used.add(k)
    return Match(len(taken), len(wanted), len(listed) - len(used))


@dataclass(frozen=True)
class Criterion:
    """A line of the summary: what is asked, and by how much of its allowance a row is out.

    A row is within up to 1. ``worst`` says the greatest in words.
    """

    name: str
    allowed: str
    share: Callable[[Row], float]
    counted: str = ""

    def within(self, row: Row) -> bool:
        """Whether a row keeps the allowance; one without a plan does not."""
        return not row.error and self.share(row) <= (0.0 if self.counted else 1.0)

    def worst(self, rows: Sequence[Row]) -> str:
        """The greatest share among the rows, in words."""
        if any(row.error for row in rows):
            return "no plan"
        greatest = max(self.share(row) for row in rows)
        return f"{greatest:.0f} {self.counted}" if self.counted else f"{greatest:.2f}"


CRITERIA: Final = (
    Criterion("area", f"{AREA_PERCENT:g} %", lambda row: abs(row.area_percent) / AREA_PERCENT),
    Criterion("datum", f"{DATUM_MM:g} mm", lambda row: abs(row.datum_mm) / DATUM_MM),
    Criterion(
        "fill to the high-point datum",
        f"{VOLUME_PERCENT:g} % or {VOLUME_MM:g} mm × area",
        lambda row: abs(row.volume_l) / row.allowed_l,
    ),
    Criterion(
        "fill to a given level",
        f"{LEVEL_PERCENT:g} %",
        lambda row: abs(row.level_percent) / LEVEL_PERCENT,
    ),
    Criterion(
        f"openings of {LEAST_OPENING_M * MM:g} mm or more",
        "all, and no other",
        lambda row: row.openings.missed + row.openings.extra,
        counted="missed or invented",
    ),
    Criterion(
        f"humps of {LEAST_HUMP_MM:g} mm or more",
        f"all, within {PLACE_M * MM:g} mm",
        lambda row: row.humps.missed,
        counted="missed",
    ),
    Criterion(
        "stated 95 % interval holds the true fill",
        "19 of 20",
        lambda row: float(not row.covered),
        counted="outside",
    ),
    Criterion(
        "datum, were the square parallel to the plan axes",
        f"{DATUM_MM:g} mm",
        lambda row: abs(row.datum_axis_mm) / DATUM_MM,
    ),
)


def row_table(rows: Sequence[Row]) -> list[str]:
    """One line of Markdown per scene: found less true."""
    tolerances = list(dict.fromkeys(name for row in rows for name in row.chain))
    heads = ["seed", "high point", "floor", "area off", "datum off", "fill", "fill off", "allowed",
             "to a level off", "openings", "humps", "nibs", "95 % holds"]  # fmt: skip
    heads += [f"plain chain, {name}" for name in tolerances]
    lines = []
    for row in rows:
        cells = [
            f"{row.seed}", row.high, f"{row.true_area_m2:.1f} m²", f"{row.area_percent:+.2f} %",
            f"{row.datum_mm:+.2f} mm", f"{row.true_volume_l:.0f} l", f"{row.volume_l:+.1f} l",
            f"{row.allowed_l:.1f} l", f"{row.level_percent:+.2f} %", f"{row.openings}",
            f"{row.humps}", f"{row.nibs}", "yes" if row.covered else "**no**",
        ]  # fmt: skip
        if row.error:
            cells[3:] = [f"no plan: {row.error}", *[""] * (len(cells) - 4)]
        for name in tolerances:
            chain = row.chain.get(name)
            cells.append(f"{chain.datum_mm:+.1f} mm, {chain.volume_l:+.0f} l" if chain else "")
        lines.append(cells)
    return _markdown(heads, lines)


def summary_table(rows: Sequence[Row]) -> list[str]:
    """One line of Markdown per criterion, and for the plain chain where it was run."""
    lines = [
        [item.name, item.allowed, f"{sum(map(item.within, rows))} of {len(rows)}", item.worst(rows)]
        for item in CRITERIA
    ]
    for name in dict.fromkeys(name for row in rows for name in row.chain):
        # The same two questions, asked of the chain: its figures in the place of ours.
        ran = [
            replace(row, datum_mm=row.chain[name].datum_mm, volume_l=row.chain[name].volume_l)
            for row in rows
            if name in row.chain
        ]
        for item in CRITERIA[1:3]:
            within = f"{sum(map(item.within, ran))} of {len(ran)}"
            lines.append([f"plain chain, {name}: {item.name}", "the same", within, item.worst(ran)])
    return _markdown(["what", "allowance", "within", "worst, in allowances"], lines)


def _markdown(heads: Sequence[str], lines: Sequence[Sequence[str]]) -> list[str]:
    return ["| " + " | ".join(cells) + " |" for cells in (heads, ["---"] * len(heads), *lines)]


def _places(things: Sequence[dict[str, Any]]) -> list[Place]:
    return [(float(thing["place"][0]), float(thing["place"][1])) for thing in things]


def _across_m(hole: dict[str, Any]) -> float:
    """Width of an opening: diameter of a round one, mean side of another."""
    side = math.sqrt(hole["area_m2"])
    return 2 * side / math.sqrt(math.pi) if hole["shape"] == "round" else side
