"""The unit of a file and the fineness of its numbers, beside its vertical.

What a file states is believed; what the user says fills what it does not state, and
must not contradict it. What neither says is judged by the size of what was scanned
(``sizing``) and by floor and walls (``vertical``, ``planes``), and stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from pourdatum.errors import JobError, NoFloor
from pourdatum.read.campaign import box_of, check_together
from pourdatum.read.height_unit import heights_as_plan
from pourdatum.read.look import Opened, StatedUnit, UnitDoubt
from pourdatum.read.planes import Turned, oblique_turn
from pourdatum.read.sizing import unit_by_size
from pourdatum.read.source import Source
from pourdatum.read.vertical import Vertical, choose_verticals
from pourdatum.scan import LATTICE_M, Frame, Rotation, UpAxis
from pourdatum.units import LENGTH_UNITS, MM, unit_m

_LAID_DOWN: Final = ("E57", "GLB", "glTF")
"""Formats whose standard lays metres down; in others they are usual."""
_HEIGHT_STEPS: Final = (
    ": one level may be out by half a step and smaller dips do not show; export the scan with "
    "finer numbers"
)
_PLAN_STEPS: Final = (
    ": walls, edges and small openings are known no better; export the scan with a local origin "
    "or in double precision"
)
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
        Axis that points up; of no meaning beside a rotation.
    rotation : 3 rows of 3, optional
        Of a scan that stands oblique to all of its axes.
    level_known : bool
        Whether the vertical is one of gravity.
    step_m : float
        Step in which heights are stored [m]; 0 where finer than the lattice.
    """

    unit_m: float
    height_unit_m: float | None
    unit_words: str
    up: UpAxis
    rotation: Rotation | None
    level_known: bool
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
    by_size: bool = False


def settle(
    files: Sequence[tuple[Source, Opened]], units: str | None, up: str | None
) -> list[Settled]:
    """Settle unit, vertical and fineness of every file of a campaign.

    Raises
    ------
    JobError
        If the user's word contradicts a file, only the user can tell, or files lie too far
        apart for one floor (``campaign``).
    NoFloor
        If coordinates are stored too coarsely for any floor.
    """
    turn = None if up is not None else _turn(files)
    found = [_unit(opened, source, units, up, turn) for source, opened in files]
    for (source, opened), unit in zip(files, found, strict=True):
        _refuse_too_coarse(opened, source, unit)
    plans = [unit.plan_m for unit in found]
    # Files without a vertical of their own are looked at together: far apart they show none.
    silent = [i for i, (_, opened) in enumerate(files) if _usual_up(opened) is None]
    _check_together([files[i] for i in silent], [Frame(plans[i]) for i in silent], upright=False)
    if turn is None:
        verticals = choose_verticals(files, plans, up)
        # What was judged by size was so before it was known which way is up.
        for i in silent:
            if up is None and found[i].by_size:
                found[i] = _unit(files[i][1], files[i][0], units, verticals[i].up, turn)
        if [unit.plan_m for unit in found] != plans:
            verticals = choose_verticals(files, [unit.plan_m for unit in found], up)
    else:
        verticals = [_oblique(turn)] * len(files)
    settled = []
    for (source, opened), unit, vertical in zip(files, found, verticals, strict=True):
        if turn is not None and unit.height_m != unit.plan_m:
            raise JobError(
                "the scan stands oblique to its axes, so heights of another unit than the plan's "
                "make no sense",
                where=source.shown,
                hint="say which axis is up with --up, or export the scan again in one unit",
                id="oblique-units",
            )
        step_m, step_warnings = _check_steps(opened, source, vertical.up, unit)
        settled.append(
            Settled(
                unit.plan_m,
                None if unit.height_m == unit.plan_m else unit.height_m,
                unit.words,
                vertical.up,
                None if turn is None else turn.rotation,
                vertical.level_known,
                step_m,
                (*unit.notes, *vertical.notes),
                (*unit.warnings, *vertical.warnings, *step_warnings),
            )
        )
    _check_together(files, [_frame_of(one) for one in settled])
    return settled


def _frame_of(one: Settled) -> Frame:
    return Frame(one.unit_m, one.up, (0.0, 0.0, 0.0), one.height_unit_m, one.rotation)


def _check_together(
    files: Sequence[tuple[Source, Opened]], frames: Sequence[Frame], *, upright: bool = True
) -> None:
    """Refuse files that share no frame."""
    if len(files) > 1:
        boxes = [
            box_of(frame.to_metres(opened.look.sample))
            for (_, opened), frame in zip(files, frames, strict=True)
        ]
        check_together([source.shown for source, _ in files], np.array(boxes), upright=upright)


def _turn(files: Sequence[tuple[Source, Opened]]) -> Turned | None:
    """The turn of a campaign that stands oblique to its axes: its files share one frame."""
    opened = [one for _, one in files]
    pooled = np.concatenate([one.look.sample for one in opened])
    usual = next((_usual_up(one) for one in opened if _usual_up(one)), None)
    laid_down = any(one.up_by_convention is not None for one in opened)
    return oblique_turn(pooled, usual, laid_down)


def _usual_up(opened: Opened) -> UpAxis | None:
    return opened.up_by_convention or (opened.up_hint[0] if opened.up_hint else None)


def _oblique(turn: Turned) -> Vertical:
    note = (
        f"floor and walls stand oblique to all axes of the file, {turn.tilt_deg:.0f}° from "
        f"{turn.nearest} at the nearest: the scan is turned so that its floor lies flat, with x "
        "along the file's own x as far as that is level, and places are those of the turned plan"
    )
    return Vertical("z", (note,), level_known=False)


def _unit(
    opened: Opened, source: Source, units: str | None, up: str | None, turn: Turned | None
) -> _Unit:
    asked_m = None if units is None else unit_m(units, where="--units")
    said = opened.stated_unit
    if said is not None:
        said = _undoubted(said, units, source)
    if said is not None and said.unit_m is not None:
        if asked_m is not None and not math.isclose(asked_m, said.unit_m, rel_tol=1e-9):
            raise JobError(
                f"--units says {units}, {said.source} says {said.name}",
                where=source.shown,
                hint="leave --units away, or export the scan again if the file is wrong",
                id="unit-conflict",
            )
        unit = _with_heights(said.unit_m, str(said.name), said)
        if said.height_unit_m is not None or turn is not None or said.name not in LENGTH_UNITS:
            return unit
        axis = "xyz".index((up or _usual_up(opened) or "z")[-1])
        note = heights_as_plan(
            opened.look.sample, said.name, source.shown, told=units is not None, upright=axis
        )
        return replace(unit, notes=(note,))
    if units is not None and asked_m is not None:
        return _with_heights(asked_m, units, said)
    if said is not None and not (said.system == "" and said.height_unit_m == 1.0):
        raise JobError(
            f"the file names {said.system or 'a unit of heights'} but not the unit of its plan",
            where=source.shown,
            hint="give it with --units, e.g. --units us-ft",
            id="unit-unknown",
        )
    return _by_size(opened, source, up, turn)


def _undoubted(said: StatedUnit, units: str | None, source: Source) -> StatedUnit:
    """What a file states of its units, with the user's word where it contradicts itself."""
    if (doubt := said.doubt) is not None:
        if units is None or units not in doubt.choices:
            raise _doubtful(said, doubt, source, "its unit", doubt.choices)
        said = replace(said, name=units, unit_m=LENGTH_UNITS[units], doubt=None)
    if (doubt := said.height_doubt) is not None:
        if units is None or units not in doubt.choices:
            # The user's word is for the plan too: what the plan cannot be is no way out.
            ways = tuple(name for name in doubt.choices if said.name in (None, name))
            raise _doubtful(said, doubt, source, "its unit of heights", ways)
        said = replace(
            said, height_name=units, height_unit_m=LENGTH_UNITS[units], height_doubt=None
        )
    return said


def _doubtful(
    said: StatedUnit, doubt: UnitDoubt, source: Source, what: str, ways: tuple[str, ...]
) -> JobError:
    again = "export the scan again with a right reference system"
    words = " or ".join(f"--units {name}" for name in ways)
    return JobError(
        f"{said.source} contradicts itself: {what} is {doubt.told}",
        where=source.shown,
        hint=f"say which is right with {words}, or {again}" if ways else again,
        id="unit-doubt",
    )


def _with_heights(plan_m: float, words: str, said: StatedUnit | None) -> _Unit:
    if said is None or said.height_unit_m is None or said.height_unit_m == plan_m:
        return _Unit(plan_m, plan_m, words)
    return _Unit(plan_m, said.height_unit_m, f"{words}, heights {said.height_name}")


def _by_size(opened: Opened, source: Source, up: str | None, turn: Turned | None) -> _Unit:
    """The unit in which the scan has the size of a room, a hall or a floor."""
    kind = opened.format.split()[0]
    convention: Literal["", "usual", "laid"] = ""
    if opened.metres_by_convention:
        convention = "laid" if kind in _LAID_DOWN else "usual"
    sample = opened.look.sample
    axis = "xyz".find((up or _usual_up(opened) or "?")[-1])
    if turn is not None:
        sample, axis = sample @ np.array(turn.rotation).T, 2
    sized = unit_by_size(sample, source.shown, kind, convention, axis if axis >= 0 else None)
    factor = LENGTH_UNITS[sized.name]
    return _Unit(factor, factor, sized.name, (sized.note,), by_size=True)


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
        ("coarse-steps", f"{source.shown}: {text}")
        for step, text in (
            (
                steps[axis],
                f"heights are stored in steps of {_mm(steps[axis])}" + _HEIGHT_STEPS,
            ),
            (
                plan_m,
                f"plan coordinates are stored in steps of {_mm(plan_m)}" + _PLAN_STEPS,
            ),
        )
        if step > _COARSE_M * (1 + 1e-9)
    )
    return (steps[axis] if steps[axis] > LATTICE_M else 0.0), warnings


def _mm(step_m: float) -> str:
    return f"{step_m * MM:.3g} mm"
