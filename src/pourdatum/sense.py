"""Whether control levels say what their column's head says: unit, sign, order of the places.

Levels in feet read as metres swing 3.28 times as far as the scanned floor; staff readings
read as levels rise where it falls; places of exchanged columns lie on other floor. Each such
reading of the numbers is held against the scan as ``drift`` does, with all the tilt and warp
that the scan may have and with shots that may be wrong; the one in the head is asked about
where another makes the numbers far likelier.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.blunder import evidence
from pourdatum.drift import Drift
from pourdatum.driftguess import Guess, guesses
from pourdatum.errors import JobError
from pourdatum.shots import Shot
from pourdatum.staff import Held, check_spread, on_floor, stands_on_floor
from pourdatum.units import LENGTH_UNITS, MM

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

FOOT: Final = LENGTH_UNITS["ft"]
UNIT_WORDS: Final = {"m": "metres", "ft": "feet", "mm": "millimetres", "cm": "centimetres",
                     "in": "inches"}  # fmt: skip
"""Units that a column may be in without saying so; both feet are one for a floor's swing."""
_TILT_RAD: Final = 0.008
"""Tilts about each axis that are thought of beside the budget of the sensor, one standard
deviation [rad]: half a degree; a choice."""
_LEAST_SHOTS: Final = 4
_MOST_SHOTS: Final = 40
"""Of more shots than this, as many are asked, evenly chosen: they tell as surely."""
_LIKELIER: Final = {"unit": math.log(3.0), "sign": math.log(100.0), "order": math.log(1000.0)}
"""So much likelier must another reading be than that of the head. Right numbers look so in one
campaign of as many at most, whatever the scan (Markov's inequality). A unit that nobody stated
costs a word to confirm; exchanged columns that leave every shot on the floor are rare."""
_OPEN: Final = 2.0
_MOST_WRONG: Final = 4
_NEAR_M: Final = 0.25
_SHARE: Final = 0.002
"""Levels of one datum agree with the scan to this, in another unit [m, share]."""
_HIGH_M: Final = 3.0


@dataclass(frozen=True)
class Head:
    """What the head of a control table says of its levels.

    Attributes
    ----------
    unit : str
        Unit the levels are taken in, of ``LENGTH_UNITS``.
    stated : bool
        Whether the head says so; a unit that was stated is not called another.
    staff : bool
        Whether they come from staff readings.
    along_across : bool
        Whether places are measured from a corner.
    checked : bool
        Whether the user says that signs and order of the columns are right.
    """

    unit: str = "m"
    stated: bool = False
    staff: bool = False
    along_across: bool = False
    checked: bool = False


CHECKED: Final = "write checked = true under [control] in the job"
"""What to do where a question about signs or columns is mistaken."""


@dataclass(frozen=True)
class _Reading:
    """What the numbers may be: the given levels times ``factor`` are true levels."""

    factor: float
    unit: str
    mirrored: bool = False


def check_sense(
    surface: Surface, shots: Sequence[Shot], *, has_level: bool, where: str, head: Head = Head()
) -> None:
    """Refuse levels that fit the scan only in another unit, sign or order of places.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    shots : sequence of Shot
    has_level : bool
        Whether the levels hang on a benchmark.
    where : str
        The control file, for errors.
    head : Head
        What the table says of them.

    Raises
    ------
    JobError
        With the question that only the user can answer; or if too few shots stand on the
        floor, or in a line.
    """
    held, _ = on_floor(surface, shots, where)
    check_spread(shots, held, where)
    level = np.array([shots[k].level_m for k in held.index])
    height = level - held.lack_m
    logs: dict[_Reading, float] = {}
    some = _thinned(held)
    if len(held.index) >= _LEAST_SHOTS:
        thought = _thought(surface)
        told_log, told = evidence(surface, some, thought, most_wrong=_MOST_WRONG)
        drifts = {}
        for one in _readings(head):
            scaled = _read_as(some, shots, one.factor)
            log, drifts[one] = evidence(surface, scaled, thought, most_wrong=1)
            # Numbers in another unit are as many times less dense.
            logs[one] = log + (len(some.index) - 1) * math.log(abs(one.factor)) - told_log
        best = max(logs, key=lambda one: logs[one], default=None)
        likelier = -math.inf if best is None else logs[best]
        if not head.checked:
            enough = max(likelier, _LIKELIER["order"])
            _check_order(surface, shots, some, thought, enough, head, where)
        if best is not None and likelier > _LIKELIER["sign" if best.mirrored else "unit"]:
            raise _question(best, head, told, drifts[best], where)
    if not has_level or head.stated:
        return
    z0 = surface.origin_m[2]
    given, seen = float(level.mean()) + z0, float(height.mean()) + z0
    for one in _readings(head):
        if one.mirrored:
            continue
        off = abs(one.factor * given - seen)
        # The floor may swing so that the head is right after all; a flat one says nothing.
        denser = (len(some.index) - 1) * math.log(one.factor) if logs else 0.0
        head_fits = logs.get(one, 0.0) - denser < -_OPEN
        near = _NEAR_M + _SHARE * abs(seen)
        if abs(seen) > _HIGH_M and off < near < abs(given - seen) and not head_fits:
            raise JobError(
                f"the control shots lie at {given:.3f} m, the scanned floor there at {seen:.3f} m: "
                f"these look like levels in {UNIT_WORDS[one.unit]}, and are taken in "
                f"{UNIT_WORDS[head.unit]}",
                where=where,
                hint=_unit_hint(one.unit, head),
                id="control-unit",
            )


def _readings(head: Head) -> Iterator[_Reading]:
    """What the numbers may be besides what the head says."""
    for unit in (head.unit,) if head.stated else UNIT_WORDS:
        factor = LENGTH_UNITS[unit] / LENGTH_UNITS[head.unit]
        if abs(factor - 1.0) > 0.01:
            yield _Reading(factor, unit)
    if head.checked:
        return
    for unit in (head.unit,) if head.stated else UNIT_WORDS:
        yield _Reading(-LENGTH_UNITS[unit] / LENGTH_UNITS[head.unit], unit, mirrored=True)


def _thought(surface: Surface) -> tuple[Guess, ...]:
    """What is thought of a scan's warp, with tilts by its budget or by a careless set-up."""
    free = [one for one in guesses(surface.shared) if one.tilt_rad is None]
    total = 2.0 * sum(one.weight for one in free)
    return tuple(
        replace(one, tilt_rad=tilt, weight=one.weight / total)
        for tilt in (surface.shared.tilt_rad, _TILT_RAD)
        for one in free
    )


def _thinned(held: Held) -> Held:
    count = len(held.index)
    if count <= _MOST_SHOTS:
        return held
    return _only(held, np.linspace(0, count - 1, _MOST_SHOTS).round().astype(np.int64))


def _only(held: Held, keep: NDArray[np.int64]) -> Held:
    return Held(
        held.index[keep],
        held.place_m[keep],
        held.lack_m[keep],
        held.covariance_m2[np.ix_(keep, keep)],
    )


def _read_as(held: Held, shots: Sequence[Shot], factor: float) -> Held:
    """The same shots with their levels times ``factor``."""
    level = np.array([shots[k].level_m for k in held.index])
    # Their own size is no news: the offset is free.
    more = (factor - 1.0) * (level - level.mean())
    return replace(held, lack_m=held.lack_m + more)


def exchanged(shots: Sequence[Shot], surface: Surface) -> list[Shot]:
    """Shots at the places that x and y exchanged give."""
    x0, y0 = surface.origin_m[:2]
    return [
        replace(shot, place_m=(shot.place_m[1] + y0 - x0, shot.place_m[0] + x0 - y0))
        for shot in shots
    ]


def _check_order(
    surface: Surface,
    shots: Sequence[Shot],
    held: Held,
    thought: tuple[Guess, ...],
    enough: float,
    head: Head,
    where: str,
) -> None:
    """Refuse places that fit only with x and y exchanged, and better than any other reading."""
    if head.along_across:
        return
    turned = exchanged(shots, surface)
    both = np.array([stands_on_floor(surface, turned[k].place_m) for k in held.index])
    if both.sum() < _LEAST_SHOTS:
        return
    held = _only(held, np.flatnonzero(both))
    given = [turned[k] for k in held.index]
    other, _ = on_floor(surface, given, where)
    if len(other.index) < len(held.index):
        return
    told_log, told = evidence(surface, held, thought, most_wrong=_MOST_WRONG)
    log, drift = evidence(surface, other, thought, most_wrong=1)
    if log - told_log > enough:
        raise JobError(
            f"at the places given the control shots miss the scan by {_missed(told)}, with x and "
            f"y exchanged by {_missed(drift)}: the columns look exchanged",
            where=where,
            hint=f"exchange the names of the two columns; if the places are right, {CHECKED}",
            id="control-swapped",
        )


def _question(one: _Reading, head: Head, told: Drift, other: Drift, where: str) -> JobError:
    kinds = ("levels", "staff readings")
    was = kinds[head.staff]
    may = kinds[head.staff != one.mirrored]
    taken, looks = f"{was} in {UNIT_WORDS[head.unit]}", f"{may} in {UNIT_WORDS[one.unit]}"
    if one.mirrored:
        column = "level" if head.staff else "staff"
        hint = (
            f"name the column {column}_{one.unit}, or mend the signs; if they are right, {CHECKED}"
        )
    else:
        hint = _unit_hint(one.unit, head)
    return JobError(
        f"taken as {taken}, the control numbers miss the scan by {_missed(told)}, as {looks} by "
        f"{_missed(other)}: these look like {looks}",
        where=where,
        hint=hint,
        id="control-mirrored" if one.mirrored else "control-unit",
    )


def _unit_hint(unit: str, head: Head) -> str:
    kind = "staff" if head.staff else "level"
    return (
        f"name the column {kind}_{unit}; if {UNIT_WORDS[head.unit]} are right, {kind}_{head.unit}"
    )


def _missed(drift: Drift) -> str:
    """How far shots lie off what the others say, and the tilt that this takes."""
    off = drift.leave_one_out_m[np.isfinite(drift.leave_one_out_m)]
    slope = float(np.hypot(*drift.plane[1:]))
    missed = float(np.sqrt(np.mean(off**2)))
    return f"{missed * MM:.1f} mm (leaning it by {slope * MM:.1f} mm per m)"
