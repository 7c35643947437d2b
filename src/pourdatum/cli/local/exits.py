"""Where the crew leaves: the found floor as a small plan to point at, and the place pointed at."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.cli.local.questions import Question
from pourdatum.errors import JobError
from pourdatum.openends import doorways
from pourdatum.outline_file import place_from_local, place_to_local
from pourdatum.units import show_length

if TYPE_CHECKING:
    from pourdatum.surface import Surface
    from pourdatum.units import System

_SIDE_M: Final = 0.6
"""Length from which a side may hold a way out: a narrow door."""
_MOST_SIDES: Final = 24
_FINE_M: Final = 0.02


def exit_question(surface: Surface, system: System = "metric", told: str = "") -> Question:
    """Ask for the exit.

    Parameters
    ----------
    surface : Surface
        The floor as it was found.
    system : str
        Units in which lengths are shown.
    told : str
        What was wrong with the last answer.

    Returns
    -------
    Question
        Its plan has ``rings`` (corners in metres, y down, the floor's edge first and then its
        holes), ``things`` likewise, ``origin`` and ``unit`` that make site coordinates of them,
        ``doors`` likewise a place each, and ``sides``: doorways that were seen and the middle of
        each longer side in site coordinates, with words.
    """
    outline = surface.floor.outline.simplify(_FINE_M)
    frame = surface.floor.scan.frame
    plan: dict[str, Any] = {
        "rings": [_ring(ring.coords) for ring in (outline.exterior, *outline.interiors)],
        "things": [
            _ring(thing.outline.exterior.coords)
            for thing in surface.floor.obstructions
            if thing.kind != "column"
        ],
        "origin": list(frame.origin_m[:2]),
        "unit": frame.unit_m,
        "doors": [_ring([place_m])[0] for place_m in _doors(surface)],
        "sides": [*_doorways(surface), *_sides(surface, system)],
    }
    return Question("exit", "Where does the crew leave the floor?", told, plan=plan)


def exit_place(answer: str, surface: Surface) -> tuple[float, float]:
    """The place of an answer ``x,y``, in the scan's coordinates and unit.

    Raises
    ------
    JobError
        If it is no place, or not at the floor.
    """
    from pourdatum.pour import check_exit

    try:
        x, y = (float(part) for part in answer.split(","))
    except ValueError:
        raise JobError(
            f"'{answer}' is no place",
            where="exit",
            hint="give x and y as numbers with a decimal point",
            id="exit",
        ) from None
    if not (abs(x) < 1e9 and abs(y) < 1e9):
        raise JobError(f"'{answer}' is no place", where="exit", id="exit")
    place_m = place_to_local((x, y), surface.floor.scan.frame)
    check_exit(surface.measured | surface.inferred, surface.grid, (place_m[0], place_m[1]))
    return x, y


def _ring(coords: Any) -> list[list[float]]:
    return [[round(x, 3), round(-y, 3)] for x, y in np.asarray(coords)[:, :2].tolist()]


def _doors(surface: Surface) -> list[tuple[float, float]]:
    """Places on the floor's edge before what was seen through doorways, the largest first."""
    import shapely

    edge = surface.floor.outline.exterior
    seen = sorted(surface.floor.beyond_doors_m, key=lambda door: -door[2])
    ways = doorways(surface.floor)
    middle = [way.centroid for way in ways] or [shapely.Point(x_m, y_m) for x_m, y_m, _ in seen]
    at = [edge.interpolate(edge.project(place)) for place in middle]
    return [(point.x, point.y) for point in at]


def _doorways(surface: Surface) -> list[list[Any]]:
    frame = surface.floor.scan.frame
    return [
        [*(round(value, 3) for value in place_from_local(place_m, frame)), "doorway that was seen"]
        for place_m in _doors(surface)
    ]


def _sides(surface: Surface, system: System) -> list[list[Any]]:
    """Longer sides of the floor, the longest first: x, y, and words that tell them apart."""
    outline = surface.floor.outline.simplify(_FINE_M)
    x1_m, y1_m, x2_m, y2_m = outline.bounds
    found: list[tuple[float, float, float]] = []
    for (xa, ya), (xb, yb) in pairwise(np.asarray(outline.exterior.coords)[:, :2].tolist()):
        length_m = float(np.hypot(xb - xa, yb - ya))
        if length_m >= _SIDE_M:
            found.append((length_m, (xa + xb) / 2, (ya + yb) / 2))
    found.sort(reverse=True)
    frame = surface.floor.scan.frame
    return [
        [
            *(round(value, 3) for value in place_from_local((x_m, y_m), frame)),
            _where(x_m - (x1_m + x2_m) / 2, y_m - (y1_m + y2_m) / 2)
            + f", {show_length(length_m, system)} long",
        ]
        for length_m, x_m, y_m in found[:_MOST_SIDES]
    ]


def _where(right_m: float, up_m: float) -> str:
    """A side by where it lies on the plan.

    Examples
    --------
    >>> _where(3.0, 0.5), _where(-1.0, -2.0)
    ('side at the right', 'side at the bottom, to the left')
    """
    across = "right" if right_m > 0 else "left"
    along = "top" if up_m > 0 else "bottom"
    mostly, also = (across, along) if abs(right_m) >= abs(up_m) else (along, across)
    less, more = sorted((abs(right_m), abs(up_m)))
    return f"side at the {mostly}" + (f", to the {also}" if less > more / 3 else "")
