"""Whether control levels say what their column's head says: their unit, and their sign.

Levels in feet read as metres swing 3.28 times as far as the scanned floor; staff readings
read as levels rise where it falls. Each such reading of the column is held against the
scan at the same places, with all that tilt and warp of its sensor can explain; the one in
the head is asked about where another fits and it does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.shots import Shot
from pourdatum.staff import lack_at
from pourdatum.units import LENGTH_UNITS

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

FOOT: Final = LENGTH_UNITS["ft"]
_TILTS: Final = 3.0
"""Tilt allowed for, in budgets of the sensor: a scan that leans by three of them is no riddle
of units."""
_WARPS: Final = 1.5
_LEAST_SHOTS: Final = 4
_BETTER: Final = 16.0
"""Twice the log of how many times likelier another reading must be than that of the head."""
_OPEN: Final = 4.0
_NEAR_M: Final = 0.25
_SHARE: Final = 0.002
"""Levels of one datum agree with the scan to this, in another unit [m, share]."""
_HIGH_M: Final = 3.0


@dataclass(frozen=True)
class _Reading:
    """What the numbers may be: levels of the head's reading times ``factor`` are true levels."""

    factor: float
    said: str
    hint: str


def check_sense(surface: Surface, shots: Sequence[Shot], *, has_level: bool, where: str) -> None:
    """Refuse levels that fit the scan only in another unit or with the other sign.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    shots : sequence of Shot
    has_level : bool
        Whether the levels hang on a benchmark.
    where : str
        The control file, for errors.

    Raises
    ------
    JobError
        With the question that only the user can answer.
    """
    lack = np.array([lack_at(surface, shot) for shot in shots])
    on = np.isfinite(lack)
    if on.sum() < _LEAST_SHOTS:
        return
    taken = [shot for shot, good in zip(shots, on, strict=True) if good]
    level = np.array([shot.level_m for shot in taken])
    height = level - lack[on]
    covariance = _explained(surface, taken)
    as_said = _misfit(level - height, covariance)
    misfits = [_misfit(one.factor * level - height, covariance) for one in _READINGS]
    least = min(misfits)
    # The same evidence of chance for either: squares of as many standard errors.
    enough = 2.0 * len(level) + 10.0
    if as_said > enough and least < enough and as_said - least > _BETTER:
        raise _question(_READINGS[misfits.index(least)], level, height, where)
    if not has_level:
        return
    z0 = surface.origin_m[2]
    given, seen = float(level.mean()) + z0, float(height.mean()) + z0
    for one, misfit in zip(_READINGS[:2], misfits, strict=False):
        off = abs(one.factor * given - seen)
        # The floor may swing so that the head is right after all.
        head_fits = as_said < enough and misfit > as_said + _OPEN
        if abs(seen) > _HIGH_M and off < _NEAR_M + _SHARE * abs(seen) and not head_fits:
            raise JobError(
                f"the control shots lie at {given:.3f} m, the scanned floor there at {seen:.3f} m: "
                f"the numbers {one.said}",
                where=where,
                hint=one.hint,
                id="control-unit",
            )


_READINGS: Final = (
    _Reading(FOOT, "fit as feet, and are taken as metres", "name the column level_ft, or mend it"),
    _Reading(
        1.0 / FOOT, "fit as metres, and are taken as feet", "name the column level_m, or mend it"
    ),
    _Reading(
        -1.0,
        "fit as staff readings, which grow where the floor falls, and are taken as levels",
        "name the column staff_m (or staff_mm, staff_ft), or mend the signs",
    ),
    _Reading(
        -FOOT,
        "fit as staff readings in feet, which grow where the floor falls, and are taken as levels "
        "in metres",
        "name the column staff_ft, or mend it",
    ),
)


def _question(one: _Reading, level: Array, height: Array, where: str) -> JobError:
    low, high = int(np.argmin(height)), int(np.argmax(height))
    return JobError(
        f"where the scanned floor rises by {height[high] - height[low]:.3f} m, the control shots "
        f"{'rise' if level[high] > level[low] else 'fall'} by "
        f"{abs(level[high] - level[low]):.3f} m: the numbers {one.said}",
        where=where,
        hint=one.hint,
        id="control-mirrored" if one.factor < 0.0 else "control-unit",
    )


def _explained(surface: Surface, shots: Sequence[Shot]) -> Array:
    """Covariance of level minus height that shots and sensor account for [m²]."""
    shared = surface.shared
    place = np.array([shot.place_m for shot in shots])
    off = place - place.mean(axis=0)
    apart = ((off[:, None, :] - off[None, :, :]) ** 2).sum(axis=2)
    reach = max(float(np.linalg.norm(np.ptp(off, axis=0))) / 2.0, 0.1)
    own = np.array([shot.error_m**2 for shot in shots]) + 0.001**2
    out: Array = np.diag(own) + (_TILTS * shared.tilt_rad) ** 2 * off @ off.T
    out += (_WARPS * shared.warp_m) ** 2 * np.exp(-apart / (2.0 * (0.5 * reach) ** 2))
    return out


def _misfit(lack_m: Array, covariance_m2: Array) -> float:
    """Squares of what is not explained, the mean free."""
    inverse = np.linalg.inv(covariance_m2)
    total = inverse.sum()
    off = lack_m - float(inverse.sum(axis=0) @ lack_m) / total
    return float(off @ inverse @ off)
