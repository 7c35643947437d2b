"""The unit of a file and the fineness of its numbers, beside its vertical.

What a file states is believed; what the user says fills what it does not state, and
must not contradict it. A unit is never guessed from the shape of the room, since a
room of 12 feet reads as a hall of 12 metres: metres are taken where the size allows
them, and stated, else the user is asked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, NoFloor
from pourdatum.read.look import Opened, StatedUnit
from pourdatum.read.source import Source
from pourdatum.read.vertical import choose_verticals
from pourdatum.scan import LATTICE_M, UpAxis
from pourdatum.units import LENGTH_UNITS, MM, unit_m

_SIDE_MOST_M: Final = 500.0
_HEIGHT_MOST_M: Final = 60.0
_SIDE_LIKELY_M: Final = 3.0
_FEET_HEIGHT: Final = (7.0, 13.0)
_COARSE_M: Final = 0.001
_TOO_COARSE_M: Final = 0.050


@dataclass(frozen=True)
class Settled:
    """Unit, vertical and fineness of a file, and what was assumed or is odd.

    Attributes
    ----------
    unit_m, height_unit_m : float
        Metres in one unit of plan and heights; the latter ``None`` where the same.
    unit_words : str
        As the result lists it.
    up : str
        Axis that points up.
    step_m : float
        Step in which heights are stored [m]; 0 where finer than the lattice.
    """

    unit_m: float
    height_unit_m: float | None
    unit_words: str
    up: UpAxis
    step_m: float
    notes: tuple[str, ...]
    warnings: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Unit:
    """Metres in one unit of plan and heights, its words, and what was assumed."""

    plan_m: float
    height_m: float
    words: str
    notes: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = ()


def settle(
    files: Sequence[tuple[Source, Opened]], units: str | None, up: str | None
) -> list[Settled]:
    """Settle unit, vertical and fineness of every file of a campaign.

    Raises
    ------
    JobError
        If the user's word contradicts a file, or only the user can tell.
    NoFloor
        If coordinates are stored too coarsely for any floor.
    """
    found = [_unit(opened, source, units) for source, opened in files]
    for (source, opened), unit in zip(files, found, strict=True):
        _refuse_too_coarse(opened, source, unit)
    verticals = choose_verticals(files, [unit.plan_m for unit in found], up)
    settled = []
    for (source, opened), unit, vertical in zip(files, found, verticals, strict=True):
        step_m, step_warnings = _check_steps(opened, source, vertical.up, unit)
        settled.append(
            Settled(
                unit.plan_m,
                None if unit.height_m == unit.plan_m else unit.height_m,
                unit.words,
                vertical.up,
                step_m,
                (*unit.notes, *vertical.notes),
                (*unit.warnings, *vertical.warnings, *step_warnings),
            )
        )
    return settled


def _unit(opened: Opened, source: Source, units: str | None) -> _Unit:
    asked_m = None if units is None else unit_m(units, where="--units")
    said = opened.stated_unit
    if said is not None and said.unit_m is not None:
        if asked_m is not None and not math.isclose(asked_m, said.unit_m, rel_tol=1e-9):
            raise JobError(
                f"--units says {units}, {said.source} says {said.name}",
                where=source.shown,
                hint="leave --units away, or export the scan again if the file is wrong",
                id="unit-conflict",
            )
        return _with_heights(said.unit_m, str(said.name), said)
    if units is not None and asked_m is not None:
        return _with_heights(asked_m, units, said)
    if said is not None and not (said.system == "" and said.height_unit_m == 1.0):
        raise JobError(
            f"the file names {said.system or 'a unit of heights'} but not the unit of its plan",
            where=source.shown,
            hint="give it with --units, e.g. --units us-ft",
            id="unit-unknown",
        )
    return _metres_by_size(opened, source)


def _with_heights(plan_m: float, words: str, said: StatedUnit | None) -> _Unit:
    if said is None or said.height_unit_m is None or said.height_unit_m == plan_m:
        return _Unit(plan_m, plan_m, words)
    return _Unit(plan_m, said.height_unit_m, f"{words}, heights {said.height_name}")


def _metres_by_size(opened: Opened, source: Source) -> _Unit:
    """Metres, where the size of the scan allows it."""
    sides = np.sort(robust_sides(opened.look.sample))[::-1]
    shown = " x ".join(_length(side) for side in sides)
    if not _fits(sides, 1.0):
        raise JobError(
            f"the file does not say its unit, and {shown} m is not the size of a floor scan",
            where=source.shown,
            hint=_others(sides),
            id="unit-unknown",
        )
    if opened.metres_by_convention:
        kind = opened.format.split()[0]
        note = f"the file states no unit: metres are taken, as is usual in {kind}"
    else:
        note = f"the file does not say its unit: metres are taken, which makes the scan {shown} m"
    if _FEET_HEIGHT[0] <= sides[2] <= _FEET_HEIGHT[1]:
        note += " (if these are feet, give --units ft)"
    return _Unit(1.0, 1.0, "m", (note,))


def robust_sides(sample: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sides of the box around all but the farthest 1 % along each axis, (3,)."""
    low, high = np.quantile(sample, (0.005, 0.995), axis=0)
    return np.asarray(high - low)


def _fits(sides: NDArray[np.float64], factor_m: float) -> bool:
    return bool(sides[0] * factor_m < _SIDE_MOST_M and sides[2] * factor_m < _HEIGHT_MOST_M)


def _others(sides: NDArray[np.float64]) -> str:
    """Units that would make a floor scan of it, the likely ones first."""
    likely = [
        name
        for name in ("mm", "cm", "in", "ft")
        if _fits(sides, LENGTH_UNITS[name]) and sides[0] * LENGTH_UNITS[name] >= _SIDE_LIKELY_M
    ]
    made = [
        f"--units {name} makes it {_length(sides[0] * LENGTH_UNITS[name])} m long"
        for name in (*likely[:2], "m")
    ]
    return f"say which: {', '.join(made)}"


def _length(side_m: float) -> str:
    return f"{side_m:.3g}" if side_m < 1000.0 else f"{side_m:.0f}"


def _refuse_too_coarse(opened: Opened, source: Source, unit: _Unit) -> None:
    steps = [step * unit.plan_m for step in opened.step]
    worst = int(np.argmax(steps))
    if steps[worst] >= _TOO_COARSE_M:
        raise NoFloor(
            f"coordinates too coarse: {'xyz'[worst]} is stored in steps of {_mm(steps[worst])}",
            where=source.shown,
            hint="export the scan with a local origin or in double precision",
            id="coarse-coordinates",
        )


def _check_steps(
    opened: Opened, source: Source, up: UpAxis, unit: _Unit
) -> tuple[float, tuple[tuple[str, str], ...]]:
    axis = "xyz".index(up[-1])
    steps = [
        step * (unit.height_m if i == axis else unit.plan_m) for i, step in enumerate(opened.step)
    ]
    plan_m = max(step for i, step in enumerate(steps) if i != axis)
    warnings = tuple(
        ("coarse-steps", f"{source.shown}: {what} are stored in steps of {_mm(step)}")
        for what, step in (("heights", steps[axis]), ("plan coordinates", plan_m))
        if step > _COARSE_M * (1 + 1e-9)
    )
    return (steps[axis] if steps[axis] > LATTICE_M else 0.0), warnings


def _mm(step_m: float) -> str:
    return f"{step_m * MM:.3g} mm"
