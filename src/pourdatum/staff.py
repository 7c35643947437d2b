"""Control shots brought to the surface: which stand on seen floor, and what it lacks there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.shots import HeldShot, Shot
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

SHOT_M: Final = 0.0005
"""Standard uncertainty of a shot that states none [m]; common practice, no source."""
FOOT_M: Final = 0.06
"""Width of the foot a staff stands on [m]."""
PLACE_M: Final = 0.02
"""How far a staff stands from the place that was noted, one standard deviation [m]."""
LEAST_SHOTS: Final = 3
NEAR_M: Final = 0.2
"""Nearer shots stand on one and the same piece of the scan [m]."""
_LINE_SHARE: Final = 0.1
_LINE_M: Final = 5.0 * PLACE_M
"""Shots no further apart across than this are in a line for all that is known of places [m]."""
_UNSURE_RAD: Final = 0.002
_SAME_M: Final = 0.00005


@dataclass(frozen=True, eq=False)
class Held:
    """Shots that can be used: which of those given, and what the surface lacks there."""

    index: NDArray[np.int64]
    place_m: Array
    lack_m: Array
    covariance_m2: Array

    def without(self, k: int) -> Held:
        """All but one."""
        keep = np.arange(len(self.index)) != k
        return Held(
            self.index[keep],
            self.place_m[keep],
            self.lack_m[keep],
            self.covariance_m2[np.ix_(keep, keep)],
        )


def stands_on_floor(surface: Surface, place_m: tuple[float, float]) -> bool:
    """Whether a staff at a place, local plan [m], would stand on seen floor."""
    return not isinstance(under_foot(surface, place_m), str)


def lack_at(surface: Surface, shot: Shot) -> float:
    """Level of a shot minus the surface's height there [m]; NaN off the floor."""
    under = under_foot(surface, shot.place_m)
    return math.nan if isinstance(under, str) else shot.level_m - under[0]


def on_floor(surface: Surface, shots: Sequence[Shot], where: str) -> tuple[Held, dict[int, str]]:
    """Shots that stand on seen floor, and why the others are not used."""
    why: dict[int, str] = {}
    rows: list[tuple[int, float, float]] = []
    for number, shot in enumerate(shots):
        twin = next((k for k, _, _ in rows if _is_same(shots[k], shot)), None)
        if twin is not None:
            why[number] = f"is {shots[twin].name} once more"
            continue
        under = under_foot(surface, shot.place_m)
        if isinstance(under, str):
            why[number] = under
        else:
            rows.append((number, *under))
    if len(rows) < LEAST_SHOTS:
        x0, y0 = surface.origin_m[:2]
        told = "; ".join(
            f"{shots[k].name} ({shots[k].place_m[0] + x0:.2f}, {shots[k].place_m[1] + y0:.2f}) "
            f"{reason}"
            for k, reason in list(why.items())[:6]
        )
        raise JobError(
            f"{len(rows)} of {len(shots)} control shots can be used, {LEAST_SHOTS} are needed"
            + (f" ({told})" if told else ""),
            where=where,
            hint="take three or more on bare floor, spread over it; check places and their unit",
            id="control-few",
        )
    index = np.array([number for number, _, _ in rows])
    taken = [shots[k] for k in index]
    variance = np.array([shot.error_m**2 for shot in taken]) + [v for _, _, v in rows]
    covariance = np.diag(variance)
    for i, one in enumerate(taken):
        for j, other in enumerate(taken):
            if one.setup is not None and one.setup == other.setup:
                # The backsight of their set-up is an error they share.
                covariance[i, j] += SHOT_M**2
            if i != j:
                # The surface under feet that stand close is the same, and so is its error.
                near = math.dist(one.place_m, other.place_m) / (0.5 * NEAR_M)
                covariance[i, j] += math.sqrt(rows[i][2] * rows[j][2]) * math.exp(-0.5 * near**2)
    levels = np.array([shot.level_m for shot in taken])
    heights = np.array([height for _, height, _ in rows])
    # Levels that are one and the same are those of a level floor, read to the millimetre.
    if 0.0 < np.ptp(levels) < _SAME_M and np.ptp(heights) > 40 * _SAME_M:
        raise JobError(
            f"the levels of all {len(levels)} control shots agree to {np.ptp(levels) * MM:.3f} mm, "
            f"finer than any staff, while the floor differs by {np.ptp(heights) * MM:.1f} mm there",
            where=where,
            hint="check their unit, or give it in the header: level_m, staff_mm",
            id="control-unit",
        )
    return Held(
        index, np.array([shot.place_m for shot in taken]), levels - heights, covariance
    ), why


def near_pairs(shots: Sequence[Shot | HeldShot]) -> list[tuple[str, str, float]]:
    """Shots that stand too near to another to be a place of their own: names, distance [m].

    Examples
    --------
    >>> some = [Shot("A", (0.0, 0.0), 0.0, 5e-4), Shot("B", (0.1, 0.0), 0.0, 5e-4)]
    >>> near_pairs(some)
    [('A', 'B', 0.1)]
    """
    found = []
    for k, one in enumerate(shots):
        for other in shots[:k]:
            apart = math.dist(one.place_m, other.place_m)
            if apart < NEAR_M:
                found.append((other.name, one.name, apart))
                break
    return found


def _is_same(one: Shot, other: Shot) -> bool:
    near = math.dist(one.place_m, other.place_m) < 0.001
    return near and abs(one.level_m - other.level_m) < 1e-6


def under_foot(surface: Surface, place_m: tuple[float, float]) -> tuple[float, float] | str:
    """Height under a staff's foot [m] and its variance [m²]; or why there is none."""
    import shapely

    grid = surface.grid
    x, y = place_m
    if not (math.isfinite(x) and math.isfinite(y)):
        return "has no place"
    row, col = (int(v[0]) for v in grid.cell_of(np.array([x]), np.array([y])))
    if not (1 <= row < grid.ny - 1 and 1 <= col < grid.nx - 1):
        return "is off the floor"
    if not surface.floor.outline.contains(shapely.Point(x, y)):
        return "is off the floor"
    if not surface.measured[row, col]:
        return "stands where the floor was not seen"
    half = 0.5 * FOOT_M
    feet = [(0.0, 0.0), (half, 0.0), (-half, 0.0), (0.0, half), (0.0, -half)]
    heights = grid.at(surface.height_m, np.array(place_m) + feet)
    variance = float(grid.at(surface.standard_error_m**2, np.array([place_m]))[0])
    if not (math.isfinite(variance) and np.isfinite(heights).all()):
        return "stands where the floor was not seen"
    # The staff may stand a little beside the place that was noted.
    slope = math.hypot(heights[1] - heights[2], heights[3] - heights[4]) / FOOT_M
    return float(heights.mean()), variance + (slope * PLACE_M) ** 2 / 2.0


def check_spread(shots: Sequence[Shot], held: Held, where: str) -> None:
    """Refuse shots that fix no tilt."""
    off = held.place_m - held.place_m.mean(axis=0)
    _, _, axes = np.linalg.svd(off, full_matrices=False)
    long_m, wide_m = np.ptp(off @ axes.T, axis=0)
    names = ", ".join(shots[k].name for k in held.index[:8])
    if long_m < _LINE_M:
        raise JobError(
            f"the {len(held.index)} control shots {names} stand at one place, within "
            f"{long_m:.2f} m: they fix no tilt",
            where=where,
            hint="spread them over the whole floor",
            id="control-narrow",
        )
    unsure = math.inf
    if wide_m >= _LINE_M:
        design = np.column_stack([np.ones(len(off)), off])
        spread = np.linalg.inv(design.T @ np.linalg.solve(held.covariance_m2, design))
        unsure = math.sqrt(float(np.linalg.eigvalsh(spread[1:, 1:])[-1]))
    if unsure <= _UNSURE_RAD:
        return
    # What is left open decides; the shape only says which sentence helps.
    if not math.isfinite(unsure) or wide_m < _LINE_SHARE * long_m:
        raise JobError(
            f"the {len(held.index)} control shots {names} lie in a line: {wide_m:.2f} m across on "
            f"{long_m:.2f} m along",
            where=where,
            hint="take one more, well beside that line",
            id="control-line",
        )
    raise JobError(
        f"the control shots {names} lie within {long_m:.2f} m of one another: they leave the "
        f"tilt open by {unsure * MM:.1f} mm per m",
        where=where,
        hint="spread them over the whole floor",
        id="control-narrow",
    )
