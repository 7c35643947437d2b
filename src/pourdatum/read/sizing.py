"""The unit of a file that does not state one, judged by the size of what was scanned.

A storey is 2.1 to 5 m high, from the least height of living rooms in building codes to
workshops; halls are 5 to 12 m high and wide for it (common practice, no source). Units
lie so far apart that an ordinary storey is one in a single unit; feet make a room of
what is a hall in metres, and there the user is asked; where metres are usual in the
format, only if its doors speak for feet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.doorways import doorways
from pourdatum.read.shape import Shape, robust_sides, shapes
from pourdatum.units import LENGTH_UNITS

Grade = Literal["room", "hall", "possible", "no"]

_METRES_BY_STANDARD: Final = ("E57", "GLB", "glTF")
_SCANNERS_OWN: Final = ("E57",)
WORDS: Final = {
    "m": "metres", "cm": "centimetres", "mm": "millimetres", "in": "inches", "ft": "feet",
}  # fmt: skip
_STOREY_M: Final = (2.1, 5.0)
_WALLS_FROM_M: Final = 1.9
_HALL_M: Final = (5.0, 12.0)
_ROOM_M: Final = (1.2, 150.0)
"""Longer side of a room or floor that is scanned [m]."""
_HALL_LONG_M: Final = (15.0, 300.0)
_HALL_WIDE: Final = 2.0
"""Least width of an ordinary hall, in its heights."""
_SIDE_MOST_M: Final = 500.0
_HEIGHT_MOST_M: Final = 60.0


@dataclass(frozen=True)
class Sized:
    """The unit that was taken, and the sentence that says so."""

    name: str
    note: str


def unit_by_size(
    sample: NDArray[np.float64],
    where: str,
    kind: str,
    convention: Literal["", "usual", "laid"],
    up_axis: int | None,
) -> Sized:
    """The unit in which the sample is a room, a hall or a floor that may be scanned.

    Parameters
    ----------
    sample : (n, 3) array
        In the file's unit and axes.
    where : str
        The file, for errors.
    kind : str
        Name of the format, for the sentence.
    convention : str
        Whether metres are not known to the format, usual in it, or laid down by it. What is laid
        down holds against the scan's size in E57; of a mesh that is an ordinary room in another
        unit alone it is asked.
    up_axis : int, optional
        Axis that is upright, if that is known.

    Raises
    ------
    JobError
        If it would be ordinary in several units, or in none.
    """
    sides = np.sort(robust_sides(sample))[::-1]
    seen = _likely_first(shapes(sample), up_axis)
    ordinary: list[str] = []
    for shape in seen:
        ordinary = [name for name in WORDS if grade([shape], sides, LENGTH_UNITS[name]) in _GOOD]
        if ordinary:
            seen = [shape]
            break
    others = [name for name in ordinary if name != "m"]
    how = "as its standard lays down" if kind in _METRES_BY_STANDARD else f"as is usual in {kind}"
    stated = f"the file states no unit: metres are taken, {how}"
    if grade(seen, sides, 1.0) != "no":
        if "m" not in ordinary and any(shape.height is not None for shape in seen):
            stated += f", which makes {_described('m', seen, sides)}"
        if not others:
            return Sized("m", stated if convention else _taken("m", seen, sides))
        # Scanners keep to a standard's metres, meshes are often drawn and exported in other units.
        kept = convention == "laid" and kind in _SCANNERS_OWN
        feet = not kept and others == ["ft"] and _doors_in_feet(sample, seen[0])
        if kept or (convention and "m" in ordinary and not feet):
            return Sized(
                "m", f"{stated} (if these are {WORDS[others[0]]}, give --units {others[0]})"
            )
        raise _ask(["m", *others], seen, sides, where)
    if len(others) == 1 and convention != "laid":
        return Sized(others[0], _taken(others[0], seen, sides))
    names = others + [name for name in _conceivable(sides) if name not in others]
    raise _ask(names, seen, sides, where, outsize=True)


_GOOD: Final = ("room", "hall")


def _doors_in_feet(sample: NDArray[np.float64], shape: Shape) -> bool:
    """Whether doors are as high as doors are in feet, and none as they are in metres."""
    if shape.height is None or not shape.ceiling:
        return False
    found = doorways(sample, shape.axis, shape.height)
    in_feet = any(one.is_door(LENGTH_UNITS["ft"]) for one in found)
    return in_feet and not any(one.is_door(1.0) for one in found)


def _likely_first(seen: list[Shape], up_axis: int | None) -> list[Shape]:
    """Shapes in the order in which they are asked: the known axis alone, else z, else by area."""
    if up_axis is not None:
        known = [shape for shape in seen if shape.axis == up_axis]
        return known or seen
    most = max((shape.area for shape in seen), default=0.0)
    return sorted(seen, key=lambda s: (not (s.axis == 2 and 2.0 * s.area > most), -s.area))


def grade(seen: list[Shape], sides: NDArray[np.float64], unit_m: float) -> Grade:
    """What the sample would be in a unit: the best of its possible upright axes.

    Examples
    --------
    >>> box = [Shape(2, 6000.0, 4000.0, 2.4e7, 2600.0, True)]
    >>> [grade(box, np.array([6000.0, 4000.0, 2600.0]), LENGTH_UNITS[u]) for u in WORDS]
    ['no', 'possible', 'room', 'no', 'no']
    """
    for shape in seen:
        if shape.height is None:
            continue
        height_m, long_m = shape.height * unit_m, shape.long * unit_m
        least_m = _STOREY_M[0] if shape.ceiling else _WALLS_FROM_M
        if least_m <= height_m <= _STOREY_M[1] and _ROOM_M[0] <= long_m <= _ROOM_M[1]:
            return "room"
    for shape in seen:
        if shape.height is None:
            continue
        height_m, long_m, short_m = (
            part * unit_m for part in (shape.height, shape.long, shape.short)
        )
        wide = short_m >= _HALL_WIDE * height_m and _HALL_LONG_M[0] <= long_m <= _HALL_LONG_M[1]
        if _HALL_M[0] < height_m <= _HALL_M[1] and wide:
            return "hall"
    fits = sides[0] * unit_m < _SIDE_MOST_M and sides[2] * unit_m < _HEIGHT_MOST_M
    return "possible" if fits else "no"


def _conceivable(sides: NDArray[np.float64]) -> list[str]:
    """Units in which the plan alone may be that of a floor."""
    return [
        name
        for name in ("mm", "cm", "in", "ft", "m")
        if _ROOM_M[0] <= sides[0] * LENGTH_UNITS[name] <= _ROOM_M[1]
    ]


def _taken(name: str, seen: list[Shape], sides: NDArray[np.float64]) -> str:
    makes = f"which makes {_described(name, seen, sides)}"
    return f"the file does not say its unit: {WORDS[name]} are taken, {makes}"


def _described(name: str, seen: list[Shape], sides: NDArray[np.float64]) -> str:
    """The scan in a unit: "the room 6.2 x 4.1 m and 2.6 m high"."""
    unit_m = LENGTH_UNITS[name]
    shape = next(
        (s for s in seen if grade([s], sides, unit_m) in ("room", "hall")),
        next((s for s in seen if s.height is not None), None),
    )
    if shape is None or shape.height is None:
        return "the scan " + " x ".join(_length(side * unit_m) for side in sides) + " m"
    what = {"room": "room", "hall": "hall"}.get(grade([shape], sides, unit_m), "scan")
    plan = f"{_length(shape.long * unit_m)} x {_length(shape.short * unit_m)} m"
    return f"the {what} {plan} and {_length(shape.height * unit_m)} m high"


def _ask(
    names: list[str],
    seen: list[Shape],
    sides: NDArray[np.float64],
    where: str,
    *,
    outsize: bool = False,
) -> JobError:
    told = "the file does not say its unit"
    if outsize:
        told += (
            f", and {' x '.join(_length(side) for side in sides)} m is not the size of a floor scan"
        )
    else:
        told += f", and it may be in {' or '.join(WORDS[name] for name in names)}"
    if not names:
        hint = "say it with --units"
    else:
        makes = [f"--units {name} makes {_described(name, seen, sides)}" for name in names[:3]]
        hint = f"say which: {', '.join(makes)}"
    return JobError(told, where=where, hint=hint, id="unit-unknown")


def _length(side_m: float) -> str:
    return f"{side_m:.3g}" if side_m < 1000.0 else f"{side_m:.0f}"
